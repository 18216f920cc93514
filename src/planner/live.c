/* The live policy: the band for the slot at hand, from the value function of what follows. */
#include "planner/band.h"
#include "planner/sum.h"

#include "granary/error.h"

#include <math.h>

#define NEAR_TIE 1e-9       /* money */
#define LEAST_POWER_KW 0.05 /* below what any inverter resolves: not worth a command */
#define READY_POWER_KW 0.3  /* below it a charge does not make ready for anything */

/* Which of two equal choices comes first: the one that leaves most to the house. */
static const enum gr_command_kind order[GR_COMMAND_KINDS] = {GR_FOLLOW, GR_STORE,  GR_SERVE,
                                                             GR_REST,   GR_CHARGE, GR_EXPORT};

/* ---- expectation over the samples ---- */

struct expectation {
    double cost, end_kwh, marginal_value_per_kwh;
};

static struct expectation expect(const struct gr_outlook *outlook, enum gr_command_kind kind, double power_kw)
{
    struct gr_band band =
        gr_command_band(kind, power_kw, outlook->battery.charge_kw, outlook->battery.discharge_kw);
    struct expectation sum = {0, 0, 0};
    for (size_t i = 0; i < outlook->samples; i++) {
        struct gr_band_result result;
        gr_band_apply(&result, outlook, band, outlook->house_kw[i], outlook->car_kw[i], outlook->solar_kw[i]);
        double weight = outlook->weight[i];
        sum.cost += weight * (result.cost + gr_value_at(outlook->next, result.stored_kwh));
        sum.end_kwh += weight * result.stored_kwh;
        sum.marginal_value_per_kwh += weight * gr_value_marginal(outlook->next, result.stored_kwh);
    }
    return sum;
}

/* ---- the best power for `charge` and `export` ---- */

/* A commanded power does not depend on the sample, so only the meter differs between samples: their mean cost
 * at the meter is one piecewise-linear function of the battery power. */
struct scan {
    const struct gr_outlook *outlook;
    struct gr_sum sum;
    struct gr_points work[2];
    struct gr_points candidates; /* battery powers, and what each costs with all that follows */
    double low_kw, high_kw;      /* battery powers allowed */
    struct gr_slot slot; /* without load; without sun but for what an inverter's share of it lets in */
};

static void free_scan(struct scan *scan)
{
    gr_sum_free(&scan->sum);
    gr_points_free(&scan->work[0]);
    gr_points_free(&scan->work[1]);
    gr_points_free(&scan->candidates);
}

/* scan->sum.carry gets the powers at which the cost at the meter bends, whatever the value there. */
static int list_kinks(struct scan *scan, const struct gr_points *meter)
{
    struct gr_points *kinks = &scan->sum.carry;
    int rc = gr_points_reserve(kinks, kinks->count + meter->count);
    for (size_t i = 0; i < meter->count && !rc; i++) {
        gr_points_push(kinks, meter->at[i].x, 0);
    }
    return rc;
}

/* scan->sum.carry = mean cost at the meter, money per hour, over the battery powers -D to C; DC-coupled,
 * where C differs from sample to sample, the kinks alone. */
static int average_meter(struct scan *scan)
{
    const struct gr_outlook *outlook = scan->outlook;
    int rc = GR_OK;
    for (size_t i = 0; i < outlook->samples && !rc; i++) {
        double load_kw = outlook->house_kw[i] + outlook->car_kw[i], solar_kw = outlook->solar_kw[i];
        struct gr_slot slot = scan->slot;
        gr_slot_house(&slot, load_kw, outlook->dc_coupled ? 0 : solar_kw, solar_kw);
        rc = gr_slot_powers(&scan->work[0], &scan->work[1], &slot);
        if (!rc && outlook->dc_coupled) {
            rc = list_kinks(scan, &scan->work[0]);
        } else if (!rc) {
            rc = gr_sum_add(&scan->sum, scan->work[0].at, scan->work[0].count, outlook->weight[i]);
        }
    }
    return rc || outlook->dc_coupled ? rc : gr_sum_total(&scan->sum);
}

/* DC-coupled, the sun decides what a commanded power comes to: samples differ in that too. */
static double cost_of_power(const struct scan *scan, double battery_kw)
{
    double asked_kw = gr_band_asked_kw(scan->outlook, &scan->slot, battery_kw);
    return expect(scan->outlook, battery_kw > 0 ? GR_CHARGE : GR_EXPORT, fabs(asked_kw)).cost;
}

static void offer_power(struct scan *scan, double battery_kw)
{
    const struct gr_outlook *outlook = scan->outlook;
    if (!(battery_kw >= scan->low_kw && battery_kw <= scan->high_kw)) {
        return;
    }
    if (outlook->dc_coupled) {
        gr_points_push(&scan->candidates, battery_kw, cost_of_power(scan, battery_kw));
        return;
    }
    double rate = gr_points_value(scan->sum.carry.at, scan->sum.carry.count, battery_kw);
    double end_kwh = gr_band_end_kwh(outlook, &scan->slot, battery_kw);
    rate += outlook->battery.wear_per_kwh * gr_max(0, -battery_kw);
    double penalty = outlook->penalty_per_kwh * gr_max(0, outlook->floor_kwh - end_kwh);
    double cost = outlook->hours * rate + penalty + gr_value_at(outlook->next, end_kwh);
    if (battery_kw < 0 && outlook->wear_steps.count > 0) {
        double level_kwh = outlook->stored_kwh + gr_slot_change_kwh(&scan->slot, battery_kw);
        cost += gr_slot_wear(&scan->slot, outlook->stored_kwh, gr_max(0, level_kwh));
    }
    gr_points_push(&scan->candidates, battery_kw, cost);
}

static void offer_kinks(struct scan *scan)
{
    const struct gr_outlook *outlook = scan->outlook;
    const struct gr_points *meter = &scan->sum.carry;
    const struct gr_slot *slot = &scan->slot;
    double level_kwh = outlook->stored_kwh - outlook->hours * outlook->battery.standing_loss_kw;
    offer_power(scan, scan->low_kw);
    offer_power(scan, scan->high_kw);
    offer_power(scan, gr_slot_power_kw(slot, outlook->floor_kwh - level_kwh));
    offer_power(scan, gr_slot_power_kw(slot, -level_kwh));
    for (size_t i = 0; i < meter->count; i++) {
        offer_power(scan, meter->at[i].x);
    }
    for (size_t i = 0; i < outlook->next->count; i++) {
        offer_power(scan, gr_slot_power_kw(slot, outlook->next->kwh[i] - level_kwh));
    }
    for (size_t i = 0; i < outlook->charge_loss.count; i++) {
        offer_power(scan, i == 0 ? gr_curve_idle_kw(&outlook->charge_loss) : outlook->charge_loss.x[i]);
    }
    for (size_t i = 0; i < outlook->discharge_loss.count; i++) {
        offer_power(scan, -outlook->discharge_loss.x[i]);
    }
    for (size_t i = 0; i < outlook->wear_steps.count; i++) {
        offer_power(scan, gr_slot_power_kw(slot, outlook->wear_steps.x[i] - outlook->stored_kwh));
    }
}

static size_t count_kinks(const struct scan *scan)
{
    const struct gr_outlook *outlook = scan->outlook;
    return 4 + scan->sum.carry.count + outlook->next->count + outlook->charge_loss.count +
           outlook->discharge_loss.count + outlook->wear_steps.count;
}

/* scan->candidates = powers of `charge` or `export` that may be best. The sum of piecewise-linear functions
 * is least at a kink of one of them: of the meters', of what follows, of the floor's penalty, or at an end.
 * None where there is no room or stock. */
static int list_powers(struct scan *scan, enum gr_command_kind kind)
{
    bool charges = kind == GR_CHARGE;
    int rc = gr_points_reserve(&scan->candidates, count_kinks(scan));
    if (rc) {
        return rc;
    }
    scan->candidates.count = 0;
    scan->low_kw = charges ? LEAST_POWER_KW : -gr_band_empty_kw(scan->outlook, &scan->slot);
    scan->high_kw = charges ? gr_band_fill_kw(scan->outlook, &scan->slot) : -LEAST_POWER_KW;
    if (scan->low_kw <= scan->high_kw) {
        offer_kinks(scan);
    }
    return GR_OK;
}

/* Among near-ties the smallest; 0, which costs as `rest`, where there is nothing to choose from. */
static int choose_power(double *out, struct scan *scan, enum gr_command_kind kind)
{
    int rc = list_powers(scan, kind);
    bool some = !rc && scan->candidates.count > 0;
    double mean_kw = some ? gr_points_choose(&scan->candidates, NEAR_TIE) : 0;
    *out = fabs(gr_band_asked_kw(scan->outlook, &scan->slot, mean_kw));
    return rc;
}

/* ---- the best kind ---- */

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

static int price_kinds(struct gr_choice *out, struct scan *scan)
{
    const struct gr_outlook *outlook = scan->outlook;
    int rc = average_meter(scan);
    for (size_t i = 0; i < GR_COMMAND_KINDS && !rc; i++) {
        enum gr_command_kind kind = order[i];
        out->power_of[kind] = 0;
        out->cost[kind] = INFINITY;
        out->end_kwh[kind] = outlook->stored_kwh;
        if (!is_allowed(outlook, kind)) {
            continue;
        }
        if (kind == GR_CHARGE || kind == GR_EXPORT) {
            rc = choose_power(&out->power_of[kind], scan, kind);
        }
        struct expectation found = expect(outlook, kind, out->power_of[kind]);
        out->cost[kind] = found.cost;
        out->end_kwh[kind] = found.end_kwh;
    }
    return rc;
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

/* Greatest candidate power of `charge` that costs at most `limit`, or 0. */
static double ready_power_kw(const struct gr_points *candidates, double limit)
{
    double most_kw = 0;
    for (size_t i = 0; i < candidates->count; i++) {
        if (candidates->at[i].value <= limit) {
            most_kw = fmax(most_kw, candidates->at[i].x);
        }
    }
    return most_kw;
}

/* Fills early where waiting gains nothing: a fault in the meantime would leave the battery empty. */
static int prefer_ready(struct gr_choice *out, struct scan *scan)
{
    const struct gr_outlook *outlook = scan->outlook;
    if (!(outlook->ready_for > 0) || !is_allowed(outlook, GR_CHARGE)) {
        return GR_OK;
    }
    int rc = list_powers(scan, GR_CHARGE);
    if (rc) {
        return rc;
    }
    double limit = least_cost(out) + outlook->ready_for * outlook->hours;
    double power_kw = ready_power_kw(&scan->candidates, limit);
    power_kw = gr_band_asked_kw(outlook, &scan->slot, power_kw);
    struct expectation found = expect(outlook, GR_CHARGE, power_kw);
    double more_kwh = found.end_kwh - out->end_kwh[out->kind];
    if (power_kw >= READY_POWER_KW && more_kwh >= READY_POWER_KW * outlook->hours / 2) {
        out->kind = GR_CHARGE;
        out->power_of[GR_CHARGE] = power_kw;
        out->cost[GR_CHARGE] = found.cost;
        out->end_kwh[GR_CHARGE] = found.end_kwh;
    }
    return GR_OK;
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
                                 .penalty_per_kwh = outlook->penalty_per_kwh,
                                 .charge_power = outlook->charge_power,
                                 .discharge_power = outlook->discharge_power,
                                 .charge_loss = outlook->charge_loss,
                                 .discharge_loss = outlook->discharge_loss,
                                 .wear_steps = outlook->wear_steps,
                                 .dc_solar_kw = outlook->dc_coupled ? &nothing : NULL,
                                 .inverter = outlook->inverter};
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
    double most_solar_kw = 0;
    for (size_t i = 0; i < outlook->samples && outlook->dc_coupled; i++) {
        most_solar_kw = fmax(most_solar_kw, outlook->solar_kw[i]);
    }
    struct scan scan = {.outlook = outlook, .slot = gr_band_slot(outlook, 0, most_solar_kw)};
    gr_slot_find_kinks(&scan.slot);
    rc = price_kinds(out, &scan);
    if (!rc) {
        out->kind = choose_kind(out);
        rc = prefer_ready(out, &scan);
    }
    free_scan(&scan);
    if (rc) {
        return gr_error_set(error, rc, "no memory to compare the bands of %zu samples", outlook->samples);
    }
    out->power_kw = out->power_of[out->kind];
    out->marginal_value_per_kwh = expect(outlook, out->kind, out->power_kw).marginal_value_per_kwh;
    return GR_OK;
}
