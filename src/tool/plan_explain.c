/* granary plan --explain: what else could be done in one slot, and what it would cost more. */
#include "tool/plan_explain.h"

#include "config/form.h"
#include "granary/civil.h"
#include "granary/why.h"
#include "tool/wrapped.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- the time ---- */

int gr_told_time_read(struct gr_told_time *out, const char *text)
{
    int minute = gr_clock_time_parse(text);
    out->text = text;
    if (minute >= 0 && minute < 1440) {
        out->form = GR_TOLD_CLOCK;
        out->seconds = (int64_t)minute * 60;
        return GR_OK;
    }
    if (gr_local_time_parse(&out->seconds, text, strlen(text)) == GR_OK) {
        out->form = GR_TOLD_LOCAL;
        return GR_OK;
    }
    out->form = GR_TOLD_MOMENT;
    return gr_rfc3339_parse(&out->seconds, text, strlen(text));
}

/* False outside of the plan. A plan begins within a minute that the clock still shows. */
static bool find_slot(size_t *out, const struct gr_plan_view *plan, int64_t utc_s)
{
    int64_t start_s = plan->count ? plan->slots[0].start_s : INT64_MAX;
    int64_t at_s = utc_s < start_s && utc_s > start_s - 60 ? start_s : utc_s;
    for (size_t t = 0; t < plan->count; t++) {
        if (at_s >= plan->slots[t].start_s && at_s < plan->slots[t].end_s) {
            *out = t;
            return true;
        }
    }
    return false;
}

static int refuse_outside(const struct gr_told_time *told, const struct gr_zone *zone,
                          const struct gr_plan_view *plan, struct gr_error *error)
{
    char from[GR_RFC3339_SIZE], to[GR_RFC3339_SIZE];
    int64_t from_s = plan->count ? plan->slots[0].start_s : plan->made_s;
    int64_t to_s = plan->count ? plan->slots[plan->count - 1].end_s : plan->made_s;
    return gr_error_set(error, GR_NOT_FOUND, "%s lies outside of the plan, which reaches from %s to %s",
                        told->text, gr_rfc3339_format_local(from, from_s, gr_zone_offset_s(zone, from_s)),
                        gr_rfc3339_format_local(to, to_s, gr_zone_offset_s(zone, to_s)));
}

static int refuse_twice(const struct gr_told_time *told, const struct gr_zone *zone, int64_t first_s,
                        int64_t second_s, struct gr_error *error)
{
    char first[GR_RFC3339_SIZE], second[GR_RFC3339_SIZE];
    return gr_error_set(error, GR_INVALID, "%s comes twice, as the clock is put back: %s or %s is wanted",
                        told->text, gr_rfc3339_format_local(first, first_s, gr_zone_offset_s(zone, first_s)),
                        gr_rfc3339_format_local(second, second_s, gr_zone_offset_s(zone, second_s)));
}

/* What the clock on the wall shows: once, twice, or (put forward) not at all. */
static int find_local(size_t *out, const struct gr_told_time *told, int64_t local_s,
                      const struct gr_zone *zone, const struct gr_plan_view *plan, struct gr_error *error)
{
    int64_t first_s = gr_zone_utc_s(zone, local_s, 0), second_s = gr_zone_utc_s(zone, local_s, 1);
    if (gr_zone_local_s(zone, first_s) != local_s) {
        char jump[GR_RFC3339_SIZE];
        return gr_error_set(error, GR_INVALID, "%s is skipped, as the clock is put forward to %s", told->text,
                            gr_rfc3339_format_local(jump, first_s, gr_zone_offset_s(zone, first_s)));
    }
    size_t first = 0, second = 0;
    bool has_first = find_slot(&first, plan, first_s), has_second = find_slot(&second, plan, second_s);
    if (has_first && has_second && first_s != second_s) {
        return refuse_twice(told, zone, first_s, second_s, error);
    }
    if (!has_first && !has_second) {
        return refuse_outside(told, zone, plan, error);
    }
    *out = has_first ? first : second;
    return GR_OK;
}

/* The first day of the plan on which the clock shows it. */
static int find_clock(size_t *out, const struct gr_told_time *told, const struct gr_zone *zone,
                      const struct gr_plan_view *plan, struct gr_error *error)
{
    int64_t day_s = gr_civil_day(gr_zone_local_s(zone, plan->made_s)) * GR_DAY_S;
    int status = refuse_outside(told, zone, plan, error);
    for (int64_t day = 0; day < 6 && status == GR_NOT_FOUND; day++) {
        status = find_local(out, told, day_s + day * GR_DAY_S + told->seconds, zone, plan, error);
    }
    return status;
}

int gr_told_time_slot(size_t *out, const struct gr_told_time *told, const struct gr_zone *zone,
                      const struct gr_plan_view *plan, struct gr_error *error)
{
    switch (told->form) {
    case GR_TOLD_CLOCK:
        return find_clock(out, told, zone, plan, error);
    case GR_TOLD_LOCAL:
        return find_local(out, told, told->seconds, zone, plan, error);
    case GR_TOLD_MOMENT:
        break;
    }
    return find_slot(out, plan, told->seconds) ? GR_OK : refuse_outside(told, zone, plan, error);
}

/* ---- the alternatives ---- */

/* Money against the command chosen; `more` is their sum. NAN where there is no money to tell. */
struct difference {
    double now, later, more;
    bool reckoned; /* false: the command cannot be given at all, and nothing of it is known */
};

static struct difference compare(const struct gr_why *why, enum gr_command_kind kind)
{
    const struct gr_alternative *of = &why->of[kind], *chosen = &why->of[why->kind];
    struct difference out = {.reckoned = isfinite(of->more), .later = NAN, .more = NAN};
    out.now = of->meter_cost + of->wear_cost;
    if (out.reckoned && of->breach == GR_BREACH_NONE) {
        out.later = of->after + of->cycle_cost + of->carbon_cost - chosen->after - chosen->cycle_cost -
                    chosen->carbon_cost;
        out.more = of->more - of->broken_cost + chosen->broken_cost;
    }
    return out;
}

/* The command chosen, then the others as they become dearer; those without money last. */
static void sort_kinds(enum gr_command_kind order[GR_COMMAND_KINDS], const struct gr_why *why)
{
    double key[GR_COMMAND_KINDS];
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        order[kind] = (enum gr_command_kind)kind;
    }
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        double more = compare(why, (enum gr_command_kind)kind).more;
        key[kind] = kind == (int)why->kind ? -INFINITY : isnan(more) ? INFINITY : more;
        int place = kind;
        while (place > 0 && key[order[place - 1]] > key[kind]) {
            order[place] = order[place - 1];
            place--;
        }
        order[place] = (enum gr_command_kind)kind;
    }
}

/* ---- the table ---- */

static void print_money(double value, bool is_told, bool sign)
{
    if (is_told && !isnan(value)) {
        printf(sign ? " %+9.4f" : " %9.4f", fabs(value) < 5e-5 ? 0.0 : value);
    } else {
        printf(" %9s", "-");
    }
}

static void print_alternative(const struct gr_why *why, enum gr_command_kind kind, const struct gr_zone *zone)
{
    const struct gr_alternative *of = &why->of[kind];
    struct difference difference = compare(why, kind);
    char command[24], hindrance[GR_REASON_SIZE];
    bool chosen = kind == why->kind;
    (void)snprintf(command, sizeof command, of->power_kw > 0 ? "%s %.2f kW" : "%s", gr_command_name(kind),
                   of->power_kw);
    gr_why_hindrance(hindrance, why, kind, zone);
    if (difference.reckoned) {
        printf("%-15s %8.2f %7.2f %7.1f", command, fabs(of->battery_kw) < 5e-3 ? 0 : of->battery_kw,
               fabs(of->grid_kw) < 5e-3 ? 0 : of->grid_kw, 100 * of->end_kwh / why->capacity_kwh);
    } else {
        printf("%-15s %8s %7s %7s", command, "-", "-", "-");
    }
    print_money(difference.now, difference.reckoned, false);
    print_money(difference.later, !chosen, true);
    print_money(difference.more, !chosen, true);
    printf("%s%s\n", chosen ? "  chosen" : hindrance[0] ? "  " : "", chosen ? "" : hindrance);
}

static void print_clock(const struct gr_zone *zone, int64_t utc_s)
{
    struct gr_civil civil = gr_civil_from_seconds(gr_zone_local_s(zone, utc_s));
    printf("%02d:%02d", civil.hour, civil.minute);
}

void gr_explain_print(const struct gr_engine *engine, size_t slot, const struct gr_zone *zone,
                      const char *currency)
{
    const struct gr_why *why = gr_engine_plan_why(engine, slot);
    const struct gr_plan_view plan = gr_engine_plan_view(engine);
    const struct gr_plan_slot *of = &plan.slots[slot];
    struct gr_civil day = gr_civil_from_seconds(gr_zone_local_s(zone, why->start_s));
    enum gr_command_kind order[GR_COMMAND_KINDS];
    printf("%04d-%02d-%02d ", day.year, day.month, day.day);
    print_clock(zone, why->start_s);
    printf(" to ");
    print_clock(zone, why->end_s);
    printf(" (%s): %.1f %% stored at first, house %.2f kW, sun %.2f kW; a kWh bought costs %.4f%s, one sold "
           "pays %.4f\n",
           gr_zone_abbreviation(zone, why->start_s), 100 * why->stored_kwh / why->capacity_kwh, of->house_kw,
           of->solar_kw, why->import_price, why->expected_price ? " (not published yet)" : "",
           why->export_price);
    gr_print_wrapped(stdout, of->reason, REASON_COLUMNS);
    puts("\ncommand          battery    grid  charge       now     later      more");
    printf("                      kW      kW       %%  %8.8s  %8.8s  %8.8s\n", currency, currency, currency);
    sort_kinds(order, why);
    for (size_t i = 0; i < GR_COMMAND_KINDS; i++) {
        print_alternative(why, order[i], zone);
    }
    puts("\nnow: what the slot costs, import less export, plus wear. later: what all that follows, and what "
         "counts\nthough nobody pays it (carbon, cycles), would cost more. more: both, against the command "
         "chosen, over the rest of the "
         "plan.\nMeans over the likely courses of the day.");
}

/* ---- JSON ---- */

static json_t *alternative_to_json(const struct gr_why *why, enum gr_command_kind kind,
                                   const struct gr_zone *zone)
{
    const struct gr_alternative *of = &why->of[kind];
    struct difference difference = compare(why, kind);
    char hindrance[GR_REASON_SIZE];
    json_t *out = json_pack("{s:s, s:f}", "command", gr_command_name(kind), "power_kw", of->power_kw);
    gr_why_hindrance(hindrance, why, kind, zone);
    if (difference.reckoned) {
        json_t *flows = json_pack("{s:f, s:f, s:f, s:f}", "battery_kw", of->battery_kw, "grid_kw",
                                  of->grid_kw, "stored_kwh", of->end_kwh, "cost_now", difference.now);
        (void)json_object_update_new(out, flows);
    }
    if (!isnan(difference.more)) {
        (void)json_object_update_new(
            out, json_pack("{s:f, s:f}", "later_more", difference.later, "more", difference.more));
    }
    if (hindrance[0]) {
        (void)json_object_set_new(out, "hindrance", json_string(hindrance));
    }
    return out;
}

json_t *gr_explain_to_json(const struct gr_engine *engine, size_t slot, const struct gr_zone *zone)
{
    const struct gr_why *why = gr_engine_plan_why(engine, slot);
    const struct gr_plan_view plan = gr_engine_plan_view(engine);
    const struct gr_plan_slot *of = &plan.slots[slot];
    char start[GR_RFC3339_SIZE], end[GR_RFC3339_SIZE];
    enum gr_command_kind order[GR_COMMAND_KINDS];
    json_t *alternatives = json_array();
    sort_kinds(order, why);
    for (size_t i = 0; alternatives && i < GR_COMMAND_KINDS; i++) {
        (void)json_array_append_new(alternatives, alternative_to_json(why, order[i], zone));
    }
    return json_pack("{s:s, s:s, s:f, s:f, s:b, s:f, s:f, s:f, s:s, s:s, s:o}", "start",
                     gr_rfc3339_format(start, why->start_s), "end", gr_rfc3339_format(end, why->end_s),
                     "import_price", why->import_price, "export_price", why->export_price, "expected_price",
                     why->expected_price, "house_kw", of->house_kw, "solar_kw", of->solar_kw, "start_kwh",
                     why->stored_kwh, "command", gr_command_name(why->kind), "reason", of->reason,
                     "alternatives", alternatives);
}
