/* The words for what decided. */
#include "granary/why.h"

#include "granary/civil.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>

static const double least_told = 5e-5; /* money: the last of four decimals */
static const double near_kw = 0.02;    /* powers are cut to whole 10 W */
static const double near_share = 5e-3; /* of capacity: as good as full, or as empty as may be */

/* ---- putting a line together ---- */

struct line {
    char *text;
    size_t used;
    bool cut; /* something did not fit */
};

__attribute__((format(printf, 2, 3))) static void add(struct line *line, const char *format, ...)
{
    size_t room = GR_REASON_SIZE - line->used;
    va_list arguments;
    va_start(arguments, format);
    int count = vsnprintf(line->text + line->used, room, format, arguments);
    va_end(arguments);
    line->cut = line->cut || count < 0 || (size_t)count >= room;
    line->used += count < 0 ? 0 : (size_t)count < room ? (size_t)count : room - 1;
}

/* A clause that does not fit as a whole is left out. */
static void keep_whole(struct line *line, size_t begin)
{
    if (line->cut) {
        line->used = begin;
        line->text[begin] = '\0';
        line->cut = false;
    }
}

/* Without the sign of what is printed as zero. */
static double told(double value)
{
    return fabs(value) < least_told ? 0 : value;
}

static void add_time(struct line *line, int64_t utc_s, const struct gr_zone *zone)
{
    struct gr_civil civil = gr_civil_from_seconds(gr_zone_local_s(zone, utc_s));
    add(line, "%02d:%02d", civil.hour, civil.minute);
}

static void add_kept(struct line *line, const struct gr_kept *kept, const struct gr_zone *zone)
{
    switch (kept->kind) {
    case GR_KEPT_FLOOR:
        add(line, "the floor of %.0f %%", kept->percent);
        return;
    case GR_KEPT_RESERVE:
        add(line, "the reserve of %.0f %%", kept->percent);
        return;
    case GR_KEPT_ASKED:
        add(line, "the reserve of %.0f %% asked for until ", kept->percent);
        break;
    case GR_KEPT_WISH:
        add(line, "the wish for %.0f %% at ", kept->percent);
        break;
    case GR_KEPT_FULL:
        add(line, "the full charge due by ");
        break;
    }
    add_time(line, kept->until_s, zone);
}

/* ---- what stands against a command ---- */

static void add_breach(struct line *line, const struct gr_why *why, enum gr_breach breach,
                       const struct gr_zone *zone)
{
    switch (breach) {
    case GR_BREACH_IMPORT_LIMIT:
        add(line, "would break the import limit of %.2f kW", why->import_limit_kw);
        break;
    case GR_BREACH_EXPORT_LIMIT:
        add(line, "would break the export limit of %.2f kW", why->export_limit_kw);
        break;
    case GR_BREACH_PEAK:
        add(line, "would lift the month's peak import above %.2f kW", why->peak_kw);
        break;
    case GR_BREACH_KEPT:
        add(line, "would not keep ");
        add_kept(line, &why->kept, zone);
        break;
    case GR_BREACH_NONE:
        break;
    }
}

static void add_bar(struct line *line, const struct gr_why *why, enum gr_bar bar, const struct gr_zone *zone)
{
    switch (bar) {
    case GR_BAR_EXPORT_OFF:
        add(line, "the battery is configured not to feed the grid");
        break;
    case GR_BAR_EXPORT_HOURS:
        add(line, "the battery may not feed the grid at this time of day");
        break;
    case GR_BAR_EXPORT_ASKED:
        add(line, "no export was asked for");
        break;
    case GR_BAR_RESERVE:
        add(line, "nothing is stored above ");
        add_kept(line, &why->kept, zone);
        break;
    case GR_BAR_CAR:
        add(line, "a car draws, and the battery must not feed it");
        break;
    case GR_BAR_CAR_UNKNOWN:
        add(line, "whether a car draws is not known");
        break;
    case GR_BAR_LEAST_GAIN:
        add(line, "it gains less than the %.4f asked of a kWh exported", why->least_gain_per_kwh);
        break;
    case GR_BAR_TOO_LITTLE:
        add(line, "so little is not sure");
        break;
    case GR_BAR_IMPORT_LIMIT:
        add(line, "the import limit of %.2f kW leaves no room", why->import_limit_kw);
        break;
    case GR_BAR_EXPORT_LIMIT:
        add(line, "the export limit of %.2f kW leaves no room", why->export_limit_kw);
        break;
    case GR_BAR_NO_ROOM:
        add(line, "there is no room for it");
        break;
    case GR_BAR_NO_STOCK:
        add(line, "there is nothing to give");
        break;
    case GR_BAR_TEMPERATURE:
        add(line, "the battery takes nothing at its temperature");
        break;
    case GR_BAR_NONE:
    case GR_BARS:
        break;
    }
}

void gr_why_hindrance(char out[GR_REASON_SIZE], const struct gr_why *why, enum gr_command_kind kind,
                      const struct gr_zone *zone)
{
    struct line line = {.text = out};
    out[0] = '\0';
    if (why->of[kind].bar != GR_BAR_NONE) {
        add_bar(&line, why, why->of[kind].bar, zone);
    } else {
        add_breach(&line, why, why->of[kind].breach, zone);
    }
}

/* ---- what decided ---- */

static void add_carbon(struct line *line, const struct gr_verdict *verdict)
{
    if (fabs(verdict->carbon) >= least_told) {
        add(line, " and %.4f for its carbon", verdict->carbon);
    }
}

/* The meter's side: what a kWh bought now costs, one sold pays, or something of both. */
static void add_now(struct line *line, const struct gr_why *why, const struct gr_verdict *verdict)
{
    double now = verdict->now;
    bool bought = fabs(now - why->import_price) < least_told;
    bool sold = fabs(now - why->export_price) < least_told;
    if (bought && (!sold || why->of[why->kind].grid_kw > 0)) {
        add(line, "importing now costs %.4f", told(now));
    } else if (sold) {
        add(line, "exporting now pays %.4f", told(now));
    } else {
        add(line, "at the meter a kWh now counts %.4f", told(now));
    }
    add_carbon(line, verdict);
}

static void add_stored_worth(struct line *line, double stored_worth, int64_t at_s, double after_losses,
                             const struct gr_zone *zone)
{
    add(line, "a stored kWh is worth %.4f at ", told(stored_worth));
    add_time(line, at_s, zone);
    add(line, ", %.4f after losses", told(after_losses));
}

static void add_worth(struct line *line, const struct gr_why *why, const struct gr_verdict *verdict,
                      const struct gr_zone *zone)
{
    double whole = verdict->worth + verdict->wear + verdict->cycles;
    bool worn = fabs(verdict->wear) >= least_told, bound = fabs(verdict->cycles) >= least_told;
    add_stored_worth(line, verdict->stored_worth, why->end_s, whole, zone);
    if (worn) {
        add(line, "%s %.4f of wear", bound ? "," : " and", verdict->wear);
    }
    if (bound) {
        add(line, " and %.4f for the bound on cycles", verdict->cycles);
    }
    add(line, "; ");
    add_now(line, why, verdict);
}

/* Where the price stays for a while, waiting costs nothing yet: what decides is the worth once it has gone.
 */
static bool add_same_price(struct line *line, const struct gr_why *why, const struct gr_verdict *verdict,
                           const struct gr_zone *zone)
{
    double after_losses = why->same_worth * verdict->worth / verdict->stored_worth;
    bool waits = why->kind == GR_CHARGE && verdict->next_more < least_told && why->same_until_s > 0 &&
                 verdict->stored_worth > 0;
    bool pays = after_losses >= verdict->now + verdict->carbon;
    if (!waits || !pays || fabs(verdict->now - why->import_price) >= least_told) {
        return false;
    }
    add_stored_worth(line, why->same_worth, why->same_until_s, after_losses, zone);
    add(line, "; importing costs %.4f", told(verdict->now));
    add_carbon(line, verdict);
    add(line, " until then, and better early");
    return true;
}

/* Where more and less than nothing meet in one slot: by the slot's money and what comes of it. */
static void add_sums(struct line *line, const struct gr_why *why, const struct gr_verdict *verdict)
{
    const struct gr_alternative *chosen = &why->of[why->kind], *other = &why->of[verdict->against];
    double now = chosen->meter_cost + chosen->carbon_cost + chosen->wear_cost + chosen->cycle_cost -
                 other->meter_cost - other->carbon_cost - other->wear_cost - other->cycle_cost;
    double later = chosen->after - other->after;
    add(line, "%s costs %.4f %s than %s now and %.4f %s later", gr_command_name(why->kind), fabs(told(now)),
        now > 0 ? "more" : "less", gr_command_name(verdict->against), fabs(told(later)),
        later > 0 ? "more" : "less");
}

static void add_more(struct line *line, const struct gr_verdict *verdict)
{
    if (fabs(verdict->next_more) < least_told) {
        add(line, "; %s would cost the same", gr_command_name(verdict->next));
    } else {
        add(line, "; %s would cost %.4f %s", gr_command_name(verdict->next), fabs(verdict->next_more),
            verdict->next_more > 0 ? "more" : "less");
    }
}

static void add_decision(struct line *line, const struct gr_why *why, const struct gr_verdict *verdict,
                         const struct gr_zone *zone)
{
    if (!verdict->any) {
        add(line, "no other command makes a difference: %s", gr_command_name(why->kind));
        return;
    }
    if (isinf(verdict->next_more)) {
        add(line, "%s ", gr_command_name(verdict->next));
        add_breach(line, why, why->of[verdict->next].breach, zone);
        add(line, ": %s", gr_command_name(why->kind));
        return;
    }
    bool same = verdict->per_kwh && add_same_price(line, why, verdict, zone);
    if (!same && verdict->per_kwh) {
        add_worth(line, why, verdict, zone);
    } else if (!same) {
        add_sums(line, why, verdict);
    }
    if (!same && why->kind == GR_CHARGE && verdict->next_more < 0 && verdict->next_more >= -why->ready_cost) {
        add(line, ", hardly a difference, and better early");
    }
    add(line, ": %s", gr_command_name(why->kind));
    add_more(line, verdict);
}

/* ---- what bound it ---- */

/* What would be cheaper, if it could be. */
static void add_hindered(struct line *line, const struct gr_why *why, const struct gr_zone *zone)
{
    const struct gr_alternative *chosen = &why->of[why->kind];
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        const struct gr_alternative *of = &why->of[kind];
        double money = of->more - of->broken_cost + chosen->broken_cost;
        bool hindered = of->bar != GR_BAR_NONE || of->broken_cost > chosen->broken_cost;
        if (hindered && isfinite(of->more) && money <= -least_told) {
            char but[GR_REASON_SIZE];
            gr_why_hindrance(but, why, (enum gr_command_kind)kind, zone);
            size_t begin = line->used;
            add(line, "; %s would cost %.4f less, but %s", gr_command_name((enum gr_command_kind)kind),
                -money, but);
            keep_whole(line, begin);
        }
    }
}

static void add_bounds(struct line *line, const struct gr_why *why, const struct gr_verdict *verdict,
                       const struct gr_zone *zone)
{
    const struct gr_alternative *chosen = &why->of[why->kind];
    double near_kwh = near_share * why->capacity_kwh;
    if (why->kind == GR_CHARGE && why->temperature_kw > 0 && why->power_kw > why->temperature_kw - near_kw) {
        add(line, "; at its temperature the battery takes no more than %.2f kW", why->temperature_kw);
    }
    if (why->at_import_limit) {
        add(line, "; the power is what the import limit of %.2f kW leaves", why->import_limit_kw);
    }
    if (why->at_peak) {
        add(line, "; the power is what keeps the month's peak import at %.2f kW", why->peak_kw);
    }
    if (why->at_export_limit) {
        add(line, "; the power is what the export limit of %.2f kW leaves", why->export_limit_kw);
    }
    if (why->stored_kwh >= why->capacity_kwh - near_kwh && chosen->end_kwh >= why->capacity_kwh - near_kwh) {
        add(line, "; the battery is full");
    } else if (why->towards_kept && why->kind == GR_CHARGE && isfinite(verdict->next_more) &&
               why->stored_kwh < why->kept.percent / 100 * why->capacity_kwh) {
        add(line, "; towards ");
        add_kept(line, &why->kept, zone);
    } else if (why->kept.percent > 0 && why->kept.kind <= GR_KEPT_ASKED &&
               chosen->end_kwh <= why->floor_kwh + near_kwh && chosen->battery_kw <= 0) {
        add(line, "; down to ");
        add_kept(line, &why->kept, zone);
    }
}

static void add_doubts(struct line *line, const struct gr_why *why, const struct gr_verdict *verdict)
{
    if (why->announced_price) {
        add(line, "; a price or payment announced for this time is in it");
    }
    if (why->expected_price) {
        add(line, "; this price is not published yet");
    } else if (verdict->per_kwh && why->later_expected[verdict->moved_kwh < 0]) {
        add(line, "; that worth rests on prices not published yet");
    }
}

void gr_why_text(char out[GR_REASON_SIZE], const struct gr_why *why, const struct gr_zone *zone)
{
    struct line line = {.text = out};
    struct gr_verdict verdict = gr_why_judge(why);
    out[0] = '\0';
    add_decision(&line, why, &verdict, zone);
    size_t begin = line.used;
    add_bounds(&line, why, &verdict, zone);
    keep_whole(&line, begin);
    add_hindered(&line, why, zone);
    begin = line.used;
    add_doubts(&line, why, &verdict);
    keep_whole(&line, begin);
}
