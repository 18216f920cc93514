/* Taking a choice apart: what each command does and costs, and against which the one chosen is held. */
#include "granary/why.h"

#include <math.h>
#include <string.h>

static const double same_kwh = 1e-3, same_kw = 5e-3; /* commands nearer than this do the same */
static const double broken_least = 1e-9;             /* money: less is rounding */
static const double step_kw = 0.05;                  /* by which a power is raised to feel for a limit */
static const double least_moved_kwh = 0.01;          /* below, nothing is told by the kWh */
static const double most_loss = 4;                   /* stored and AC energy apart by more: likewise */

/* Penalties of a slot, apart. */
struct broken {
    double import_limit, export_limit, peak, kept;
};

static double sum_of(const struct broken *broken)
{
    return broken->import_limit + broken->export_limit + broken->peak + broken->kept;
}

static void add_sample(struct gr_alternative *out, struct broken *broken, const struct gr_outlook *outlook,
                       const struct gr_band_result *result, double weight, const struct gr_why_marks *marks)
{
    double penalty = weight * outlook->penalty_per_kwh, hours = outlook->hours;
    bool imports = result->grid_kw > 0;
    double carbon = imports ? marks->carbon_price : marks->carbon_credit;
    double price = (imports ? outlook->import_price : outlook->export_price) - carbon;
    out->battery_kw += weight * result->battery_kw;
    out->grid_kw += weight * result->grid_kw;
    out->end_kwh += weight * result->stored_kwh;
    out->meter_cost += weight * hours * price * result->grid_kw;
    out->carbon_cost += weight * hours * carbon * result->grid_kw;
    out->wear_cost += weight * result->cost; /* what else is in it is taken off below */
    out->cycle_cost += weight * hours * marks->cycle_price * fmax(0, -result->battery_kw);
    out->after += weight * gr_value_at(outlook->next, result->stored_kwh);
    broken->import_limit += penalty * hours * fmax(0, result->grid_kw - outlook->import_limit_kw);
    broken->export_limit += penalty * hours * fmax(0, -result->grid_kw - outlook->export_limit_kw);
    if (outlook->import_soft_per_kwh > 0) {
        broken->peak += weight * outlook->import_soft_per_kwh * hours *
                        fmax(0, result->grid_kw - outlook->import_soft_kw);
    }
    broken->kept += penalty * fmax(0, outlook->floor_kwh - result->stored_kwh);
}

static struct broken reckon(struct gr_alternative *out, const struct gr_outlook *outlook,
                            enum gr_command_kind kind, double power_kw, const struct gr_why_marks *marks)
{
    struct gr_band band =
        gr_command_band(kind, power_kw, outlook->battery.charge_kw, outlook->battery.discharge_kw);
    struct broken broken = {0, 0, 0, 0};
    *out = (struct gr_alternative){.power_kw = power_kw};
    for (size_t k = 0; k < outlook->samples; k++) {
        struct gr_band_result result;
        gr_band_apply(&result, outlook, band, outlook->house_kw[k], outlook->car_kw[k], outlook->solar_kw[k]);
        add_sample(out, &broken, outlook, &result, outlook->weight[k], marks);
    }
    out->broken_cost = sum_of(&broken);
    out->wear_cost -= out->meter_cost + out->carbon_cost + out->cycle_cost + out->broken_cost;
    return broken;
}

static double cost_of(const struct gr_alternative *of)
{
    return of->meter_cost + of->carbon_cost + of->wear_cost + of->cycle_cost + of->after + of->broken_cost;
}

/* ---- what an alternative would break ---- */

static enum gr_breach breach_now(const struct broken *broken, const struct broken *chosen)
{
    if (broken->import_limit > chosen->import_limit + broken_least) {
        return GR_BREACH_IMPORT_LIMIT;
    }
    if (broken->export_limit > chosen->export_limit + broken_least) {
        return GR_BREACH_EXPORT_LIMIT;
    }
    if (broken->peak > chosen->peak + broken_least) {
        return GR_BREACH_PEAK;
    }
    return broken->kept > chosen->kept + broken_least ? GR_BREACH_KEPT : GR_BREACH_NONE;
}

/* Whether the value function falls by more than `dearest` a kWh somewhere between two levels, or rises so. */
static bool is_steep(const struct gr_value *value, double low_kwh, double high_kwh, double dearest,
                     bool falling)
{
    for (size_t i = 0; i + 1 < value->count; i++) {
        double slope = (value->value[i + 1] - value->value[i]) / (value->kwh[i + 1] - value->kwh[i]);
        bool inside = value->kwh[i + 1] > low_kwh + same_kwh && value->kwh[i] < high_kwh - same_kwh;
        if (inside && (falling ? -slope : slope) > dearest) {
            return true;
        }
    }
    return false;
}

/* Later slots' penalties are in the value function: nothing else makes it as steep. */
static enum gr_breach breach_later(const struct gr_outlook *outlook, double end_kwh, double chosen_kwh,
                                   double dearest)
{
    if (end_kwh < chosen_kwh && is_steep(outlook->next, end_kwh, chosen_kwh, dearest, true)) {
        return GR_BREACH_KEPT;
    }
    if (end_kwh > chosen_kwh && is_steep(outlook->next, chosen_kwh, end_kwh, dearest, false)) {
        return GR_BREACH_EXPORT_LIMIT;
    }
    return GR_BREACH_NONE;
}

/* The limit that a little more power would break and the power as it is does not. */
static enum gr_breach limit_of_power(const struct gr_outlook *outlook, enum gr_command_kind kind,
                                     double power_kw, const struct broken *now)
{
    struct gr_alternative more;
    const struct gr_why_marks none = {0};
    struct broken broken = reckon(&more, outlook, kind, power_kw + step_kw, &none);
    return breach_now(&broken, now);
}

void gr_why_weigh(struct gr_why *out, const struct gr_outlook *outlook, const struct gr_choice *choice,
                  const struct gr_why_marks *marks)
{
    struct broken broken[GR_COMMAND_KINDS];
    memset(out, 0, sizeof *out);
    out->kind = choice->kind;
    out->power_kw = choice->power_kw;
    out->hours = outlook->hours;
    out->stored_kwh = outlook->stored_kwh;
    out->capacity_kwh = outlook->battery.capacity_kwh;
    out->floor_kwh = outlook->floor_kwh;
    out->import_price = outlook->import_price - marks->carbon_price;
    out->export_price = outlook->export_price - marks->carbon_credit;
    out->import_limit_kw = outlook->import_limit_kw;
    out->export_limit_kw = outlook->export_limit_kw;
    out->peak_kw = outlook->import_soft_per_kwh > 0 ? outlook->import_soft_kw : INFINITY;
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        double power_kw = kind == (int)choice->kind ? choice->power_kw : choice->power_of[kind];
        broken[kind] = reckon(&out->of[kind], outlook, (enum gr_command_kind)kind, power_kw, marks);
    }
    const struct gr_alternative *chosen = &out->of[choice->kind];
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        struct gr_alternative *of = &out->of[kind];
        bool left_out = isinf(choice->cost[kind]) && kind != (int)choice->kind;
        of->more = left_out ? INFINITY : cost_of(of) - cost_of(chosen);
        of->breach = breach_now(&broken[kind], &broken[choice->kind]);
        if (of->breach == GR_BREACH_NONE) {
            of->breach = breach_later(outlook, of->end_kwh, chosen->end_kwh, marks->dearest_per_kwh);
        }
        if ((kind == GR_CHARGE || kind == GR_EXPORT) && !(of->power_kw > 0)) {
            of->bar = kind == GR_CHARGE ? GR_BAR_NO_ROOM : GR_BAR_NO_STOCK;
        }
    }
    bool powered = (out->kind == GR_CHARGE || out->kind == GR_EXPORT) && out->power_kw > 0;
    enum gr_breach limit =
        powered ? limit_of_power(outlook, out->kind, out->power_kw, &broken[out->kind]) : GR_BREACH_NONE;
    out->at_import_limit = limit == GR_BREACH_IMPORT_LIMIT && out->kind == GR_CHARGE;
    out->at_peak = limit == GR_BREACH_PEAK && out->kind == GR_CHARGE;
    out->at_export_limit = limit == GR_BREACH_EXPORT_LIMIT && out->kind == GR_EXPORT;
}

/* ---- against which it is held ---- */

static bool does_the_same(const struct gr_alternative *a, const struct gr_alternative *b)
{
    return fabs(a->end_kwh - b->end_kwh) < same_kwh && fabs(a->battery_kw - b->battery_kw) < same_kw;
}

static bool fits(const struct gr_why *why, enum gr_command_kind kind, bool breaks)
{
    const struct gr_alternative *of = &why->of[kind];
    return of->bar == GR_BAR_NONE && isfinite(of->more) && !does_the_same(of, &why->of[why->kind]) &&
           (of->breach != GR_BREACH_NONE) == breaks;
}

/* The cheapest that may be given, does something else, and breaks nothing (or: and breaks something); the
 * chosen kind itself where there is none. */
static enum gr_command_kind find_next(const struct gr_why *why, bool breaks)
{
    enum gr_command_kind best = why->kind;
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        bool fit = fits(why, (enum gr_command_kind)kind, breaks);
        if (fit && (best == why->kind || why->of[kind].more < why->of[best].more)) {
            best = (enum gr_command_kind)kind;
        }
    }
    return best;
}

/* What a person would ask: why give and not keep, why buy and not wait? The next best where none of these
 * does anything else. */
static enum gr_command_kind find_contrast(const struct gr_why *why, enum gr_command_kind next)
{
    static const enum gr_command_kind contrasts[GR_COMMAND_KINDS][3] = {
        [GR_FOLLOW] = {GR_SERVE, GR_STORE, GR_REST},  [GR_STORE] = {GR_FOLLOW, GR_SERVE, GR_REST},
        [GR_SERVE] = {GR_FOLLOW, GR_STORE, GR_REST},  [GR_CHARGE] = {GR_STORE, GR_REST, GR_FOLLOW},
        [GR_EXPORT] = {GR_FOLLOW, GR_STORE, GR_REST}, [GR_REST] = {GR_STORE, GR_FOLLOW, GR_SERVE}};
    double battery_kw = why->of[why->kind].battery_kw;
    bool gives = why->kind == GR_FOLLOW && battery_kw < 0;
    if (gives && fits(why, GR_STORE, false)) {
        return GR_STORE;
    }
    for (size_t i = 0; i < 3; i++) {
        enum gr_command_kind kind = contrasts[why->kind][i];
        double more_kw = why->of[kind].battery_kw - battery_kw; /* a charge is told against less of it */
        bool against = (why->kind == GR_CHARGE && more_kw > 0) || (why->kind == GR_EXPORT && more_kw < 0);
        if (fits(why, kind, false) && !against) {
            return kind;
        }
    }
    return next;
}

static void tell_per_kwh(struct gr_verdict *out, const struct gr_why *why)
{
    const struct gr_alternative *chosen = &why->of[why->kind], *other = &why->of[out->against];
    double moved_kwh = why->hours * (chosen->battery_kw - other->battery_kw);
    double stored_kwh = chosen->end_kwh - other->end_kwh;
    double loss = stored_kwh / moved_kwh;
    bool alike = fabs(chosen->broken_cost - other->broken_cost) < broken_least;
    if (fabs(moved_kwh) < least_moved_kwh || !(loss > 1 / most_loss && loss < most_loss) || !alike) {
        return;
    }
    out->per_kwh = true;
    out->moved_kwh = moved_kwh;
    out->stored_worth = (other->after - chosen->after) / stored_kwh;
    out->worth = (other->after - chosen->after) / moved_kwh;
    out->wear = (other->wear_cost - chosen->wear_cost) / moved_kwh;
    out->cycles = (other->cycle_cost - chosen->cycle_cost) / moved_kwh;
    out->now = (chosen->meter_cost - other->meter_cost) / moved_kwh;
    out->carbon = (chosen->carbon_cost - other->carbon_cost) / moved_kwh;
}

struct gr_verdict gr_why_judge(const struct gr_why *why)
{
    struct gr_verdict out = {.next = find_next(why, false)};
    if (out.next != why->kind) {
        out.any = true;
        out.next_more = why->of[out.next].more;
        out.against = find_contrast(why, out.next);
        out.against_more = why->of[out.against].more;
        tell_per_kwh(&out, why);
        return out;
    }
    out.next = out.against = find_next(why, true);
    out.any = out.next != why->kind;
    out.next_more = out.against_more = out.any ? INFINITY : 0;
    return out;
}
