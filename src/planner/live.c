/* The live policy: the band for the slot at hand, from the value function of what follows. */
#include "planner/slot.h"

#include "granary/error.h"

#include <math.h>
#include <stdlib.h>

#define NEAR_TIE 1e-9       /* money */
#define LEAST_POWER_KW 0.05 /* below what any inverter resolves: not worth a command */
#define READY_POWER_KW 0.3  /* below it a charge does not make ready for anything */

/* Which of two equal choices comes first: the one that leaves most to the house. */
static const enum gr_command_kind order[GR_COMMAND_KINDS] = {GR_FOLLOW, GR_STORE,  GR_SERVE,
                                                             GR_REST,   GR_CHARGE, GR_EXPORT};

static struct gr_slot slot_of(const struct gr_outlook *outlook, double load_kw, double solar_kw)
{
    return (struct gr_slot){.meter = {outlook->import_price, outlook->export_price, outlook->import_limit_kw,
                                      outlook->export_limit_kw, outlook->penalty_per_kwh},
                            .battery = outlook->battery,
                            .hours = outlook->hours,
                            .load_kw = load_kw,
                            .solar_kw = solar_kw,
                            .curtailable = outlook->curtailable};
}

/* Levels of stored energy, before the standing loss, between which the battery can be at the end: it fills no
 * further than capacity, and empties no further than the floor or, where it is lower already, than where it
 * is. */
static double most_level_kwh(const struct gr_outlook *outlook)
{
    double loss_kwh = outlook->hours * outlook->battery.standing_loss_kw;
    return fmax(outlook->stored_kwh, outlook->battery.capacity_kwh + loss_kwh);
}

static double least_level_kwh(const struct gr_outlook *outlook)
{
    double loss_kwh = outlook->hours * outlook->battery.standing_loss_kw;
    double floor_kwh = outlook->floor_kwh > 0 ? outlook->floor_kwh + loss_kwh : 0;
    return fmin(outlook->stored_kwh, floor_kwh);
}

/* Greatest mean powers that these levels allow over the time left. */
static double fill_power_kw(const struct gr_outlook *outlook)
{
    double room_kwh = most_level_kwh(outlook) - outlook->stored_kwh;
    return room_kwh / (outlook->hours * outlook->battery.charge_efficiency);
}

static double empty_power_kw(const struct gr_outlook *outlook)
{
    double stock_kwh = outlook->stored_kwh - least_level_kwh(outlook);
    return stock_kwh * outlook->battery.discharge_efficiency / outlook->hours;
}

void gr_band_apply(struct gr_band_result *out, const struct gr_outlook *outlook, struct gr_band band,
                   double house_kw, double car_kw, double solar_kw)
{
    const struct gr_battery *battery = &outlook->battery;
    struct gr_slot slot = slot_of(outlook, house_kw + car_kw, solar_kw);
    double wanted_kw = gr_band_power_kw(band, house_kw - solar_kw);
    double power_kw = fmin(wanted_kw, fmin(battery->charge_kw, fill_power_kw(outlook)));
    power_kw = fmax(power_kw, -fmin(battery->discharge_kw, empty_power_kw(outlook)));
    double level_kwh = outlook->stored_kwh + gr_slot_change_kwh(&slot, power_kw);
    double left_kwh = fmax(0, level_kwh - outlook->hours * battery->standing_loss_kw);
    out->cost = gr_slot_cost(&slot, power_kw, &out->curtail_kw);
    out->battery_kw = power_kw;
    out->grid_kw = house_kw + car_kw - solar_kw + power_kw + out->curtail_kw;
    out->stored_kwh = fmin(left_kwh, battery->capacity_kwh);
    out->cost += outlook->penalty_per_kwh * fmax(0, outlook->floor_kwh - out->stored_kwh);
}

/* ---- expectation over the samples ---- */

struct expectation {
    double cost, end_kwh;
};

static struct expectation expect(const struct gr_outlook *outlook, enum gr_command_kind kind, double power_kw)
{
    struct gr_band band =
        gr_command_band(kind, power_kw, outlook->battery.charge_kw, outlook->battery.discharge_kw);
    struct expectation sum = {0, 0};
    for (size_t i = 0; i < outlook->samples; i++) {
        struct gr_band_result result;
        gr_band_apply(&result, outlook, band, outlook->house_kw[i], outlook->car_kw[i], outlook->solar_kw[i]);
        double cost = result.cost + gr_value_at(outlook->next, result.stored_kwh);
        sum.cost += outlook->weight[i] * cost;
        sum.end_kwh += outlook->weight[i] * result.stored_kwh;
    }
    return sum;
}

/* ---- powers that may be best for `charge` and `export` ---- */

struct powers {
    double *kw, *cost;
    size_t count;
    double least_kw, most_kw;
};

static void offer_power(struct powers *powers, double power_kw)
{
    if (power_kw >= powers->least_kw && power_kw <= powers->most_kw) {
        powers->kw[powers->count++] = power_kw;
    }
}

/* Powers (+ charges, times `sign`) at which the meter of some sample reaches a kink, with its solar or with
 * all of it held back. A mean of piecewise-linear functions has its least value at a kink of one of them. */
static void offer_meter_kinks(struct powers *powers, const struct gr_outlook *outlook, double sign)
{
    const double kinks_kw[] = {-outlook->export_limit_kw, 0, outlook->import_limit_kw};
    for (size_t i = 0; i < outlook->samples; i++) {
        double load_kw = outlook->house_kw[i] + outlook->car_kw[i];
        for (size_t k = 0; k < sizeof kinks_kw / sizeof *kinks_kw; k++) {
            offer_power(powers, sign * (kinks_kw[k] - load_kw + outlook->solar_kw[i]));
            if (outlook->curtailable) {
                offer_power(powers, sign * (kinks_kw[k] - load_kw));
            }
        }
    }
}

/* Powers at which the slot ends on a kink of what follows, on the floor, empty or full. */
static void offer_stored_kinks(struct powers *powers, const struct gr_outlook *outlook, double sign)
{
    struct gr_slot slot = slot_of(outlook, 0, 0);
    double loss_kwh = outlook->hours * outlook->battery.standing_loss_kw;
    const double own_kwh[] = {outlook->floor_kwh + loss_kwh, loss_kwh, least_level_kwh(outlook),
                              most_level_kwh(outlook)};
    for (size_t i = 0; i < sizeof own_kwh / sizeof *own_kwh; i++) {
        offer_power(powers, sign * gr_slot_power_kw(&slot, own_kwh[i] - outlook->stored_kwh));
    }
    for (size_t i = 0; i < outlook->next->count; i++) {
        double change_kwh = outlook->next->kwh[i] + loss_kwh - outlook->stored_kwh;
        offer_power(powers, sign * gr_slot_power_kw(&slot, change_kwh));
    }
}

static void offer_powers(struct powers *powers, const struct gr_outlook *outlook, enum gr_command_kind kind)
{
    double sign = kind == GR_CHARGE ? 1 : -1;
    double able_kw = kind == GR_CHARGE ? fmin(outlook->battery.charge_kw, fill_power_kw(outlook))
                                       : fmin(outlook->battery.discharge_kw, empty_power_kw(outlook));
    powers->count = 0;
    powers->least_kw = LEAST_POWER_KW;
    powers->most_kw = able_kw;
    offer_power(powers, able_kw);
    offer_power(powers, LEAST_POWER_KW);
    offer_meter_kinks(powers, outlook, sign);
    offer_stored_kinks(powers, outlook, sign);
}

static bool is_allowed(const struct gr_outlook *outlook, enum gr_command_kind kind)
{
    switch (kind) {
    case GR_CHARGE:
        return outlook->battery.charge_kw >= LEAST_POWER_KW;
    case GR_EXPORT:
        return outlook->may_export && outlook->battery.discharge_kw >= LEAST_POWER_KW;
    default:
        return true;
    }
}

/* Greatest power of `charge` that costs at most `limit`, or 0. */
static double ready_power_kw(const struct powers *powers, double limit)
{
    double most_kw = 0;
    for (size_t i = 0; i < powers->count; i++) {
        if (powers->cost[i] <= limit) {
            most_kw = fmax(most_kw, powers->kw[i]);
        }
    }
    return most_kw;
}

/* Best power of `charge` or `export`; among near-ties the smallest. Without room or stock it is 0, which
 * costs as `rest`. */
static void choose_power(struct gr_choice *out, const struct gr_outlook *outlook, enum gr_command_kind kind,
                         struct powers *powers)
{
    double least = INFINITY, best_kw = INFINITY;
    offer_powers(powers, outlook, kind);
    for (size_t i = 0; i < powers->count; i++) {
        powers->cost[i] = expect(outlook, kind, powers->kw[i]).cost;
        least = fmin(least, powers->cost[i]);
    }
    for (size_t i = 0; i < powers->count; i++) {
        if (powers->cost[i] <= least + NEAR_TIE) {
            best_kw = fmin(best_kw, powers->kw[i]);
        }
    }
    out->power_of[kind] = powers->count > 0 ? best_kw : 0;
}

static void price_kinds(struct gr_choice *out, const struct gr_outlook *outlook, struct powers *powers)
{
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        out->cost[kind] = INFINITY;
        out->power_of[kind] = 0;
        out->end_kwh[kind] = outlook->stored_kwh;
        if (!is_allowed(outlook, (enum gr_command_kind)kind)) {
            continue;
        }
        if (kind == GR_CHARGE || kind == GR_EXPORT) {
            choose_power(out, outlook, (enum gr_command_kind)kind, powers);
        }
        struct expectation found = expect(outlook, (enum gr_command_kind)kind, out->power_of[kind]);
        out->cost[kind] = found.cost;
        out->end_kwh[kind] = found.end_kwh;
    }
}

static double least_cost(const struct gr_choice *choice)
{
    double least = INFINITY;
    for (size_t i = 0; i < GR_COMMAND_KINDS; i++) {
        least = fmin(least, choice->cost[i]);
    }
    return least;
}

static enum gr_command_kind choose_kind(const struct gr_choice *choice)
{
    double least = least_cost(choice);
    for (size_t i = 0; i < GR_COMMAND_KINDS; i++) {
        if (choice->cost[order[i]] <= least + NEAR_TIE) {
            return order[i];
        }
    }
    return GR_FOLLOW;
}

/* Fills early where waiting gains nothing: a fault in the meantime would leave the battery empty. */
static void prefer_ready(struct gr_choice *out, const struct gr_outlook *outlook, struct powers *powers)
{
    if (!(outlook->ready_for > 0) || !is_allowed(outlook, GR_CHARGE)) {
        return;
    }
    offer_powers(powers, outlook, GR_CHARGE);
    for (size_t i = 0; i < powers->count; i++) {
        powers->cost[i] = expect(outlook, GR_CHARGE, powers->kw[i]).cost;
    }
    double power_kw = ready_power_kw(powers, least_cost(out) + outlook->ready_for * outlook->hours);
    struct expectation found = expect(outlook, GR_CHARGE, power_kw);
    double more_kwh = found.end_kwh - out->end_kwh[out->kind];
    if (power_kw >= READY_POWER_KW && more_kwh >= READY_POWER_KW * outlook->hours / 2) {
        out->kind = GR_CHARGE;
        out->power_of[GR_CHARGE] = power_kw;
        out->cost[GR_CHARGE] = found.cost;
        out->end_kwh[GR_CHARGE] = found.end_kwh;
    }
}

static double expect_marginal(const struct gr_choice *choice, const struct gr_outlook *outlook)
{
    struct gr_band band = gr_command_band(choice->kind, choice->power_kw, outlook->battery.charge_kw,
                                          outlook->battery.discharge_kw);
    double sum = 0;
    for (size_t i = 0; i < outlook->samples; i++) {
        struct gr_band_result result;
        gr_band_apply(&result, outlook, band, outlook->house_kw[i], outlook->car_kw[i], outlook->solar_kw[i]);
        sum += outlook->weight[i] * gr_value_marginal(outlook->next, result.stored_kwh);
    }
    return sum;
}

static int check_samples(const struct gr_outlook *outlook, struct gr_error *error)
{
    double sum = 0;
    for (size_t i = 0; i < outlook->samples; i++) {
        double house_kw = outlook->house_kw[i], car_kw = outlook->car_kw[i], solar_kw = outlook->solar_kw[i];
        if (!(house_kw >= 0 && car_kw >= 0 && solar_kw >= 0 && isfinite(house_kw + car_kw + solar_kw))) {
            return gr_error_set(
                error, GR_INVALID,
                "outlook, sample %zu: found house %g kW, car %g kW, solar %g kW, none may be below 0", i,
                house_kw, car_kw, solar_kw);
        }
        if (!(outlook->weight[i] >= 0)) {
            return gr_error_set(error, GR_INVALID, "outlook, sample %zu: found weight %g, allowed is 0 to 1",
                                i, outlook->weight[i]);
        }
        sum += outlook->weight[i];
    }
    if (!(fabs(sum - 1) <= 1e-6)) {
        return gr_error_set(error, GR_INVALID, "outlook: the weights of %zu samples add up to %.9g, not 1",
                            outlook->samples, sum);
    }
    return GR_OK;
}

/* The rest of an outlook is a problem of one slot: the same rules hold. */
static int check_outlook(const struct gr_outlook *outlook, struct gr_error *error)
{
    const double nothing = 0;
    struct gr_problem problem = {.slots = 1,
                                 .hours = &outlook->hours,
                                 .load_kw = &nothing,
                                 .solar_kw = &nothing,
                                 .import_price = &outlook->import_price,
                                 .export_price = &outlook->export_price,
                                 .floor_kwh = &outlook->floor_kwh,
                                 .battery = outlook->battery,
                                 .start_kwh = outlook->stored_kwh,
                                 .import_limit_kw = outlook->import_limit_kw,
                                 .export_limit_kw = outlook->export_limit_kw,
                                 .penalty_per_kwh = outlook->penalty_per_kwh};
    struct gr_error cause = {""};
    int rc = gr_problem_check(&problem, &cause);
    if (rc) {
        return gr_error_set(error, rc, "outlook: %s", cause.text);
    }
    if (outlook->samples == 0 || !outlook->next || outlook->next->count == 0) {
        return gr_error_set(error, GR_INVALID, "outlook: found no %s",
                            outlook->samples == 0 ? "samples" : "value of what follows");
    }
    return check_samples(outlook, error);
}

int gr_live_choose(struct gr_choice *out, const struct gr_outlook *outlook, struct gr_error *error)
{
    int rc = check_outlook(outlook, error);
    if (rc) {
        return rc;
    }
    size_t room = 6 * outlook->samples + outlook->next->count + 6;
    struct powers powers = {.kw = calloc(room, 2 * sizeof *powers.kw)};
    if (!powers.kw) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for %zu powers to compare", room);
    }
    powers.cost = powers.kw + room;
    price_kinds(out, outlook, &powers);
    out->kind = choose_kind(out);
    prefer_ready(out, outlook, &powers);
    free(powers.kw);
    out->power_kw = out->power_of[out->kind];
    out->marginal_value_per_kwh = expect_marginal(out, outlook);
    return GR_OK;
}
