#include "planner/slot.h"

#include "granary/coupling.h"
#include "granary/error.h"

#include <math.h>

#define MOST_METER_POINTS (GR_METER_KINKS + 2) /* with two ends */

static inline double meter_cost(const struct gr_meter *meter, double grid_kw)
{
    if (grid_kw >= 0) {
        return meter->import_price * grid_kw +
               meter->penalty_per_kwh * gr_max(0, grid_kw - meter->import_limit_kw) +
               meter->soft_per_kwh * gr_max(0, grid_kw - meter->soft_kw) +
               meter->peak_per_kwh * gr_max(0, grid_kw - meter->peak_kw);
    }
    return meter->export_price * grid_kw +
           meter->penalty_per_kwh * gr_max(0, -grid_kw - meter->export_limit_kw);
}

double gr_meter_cost(const struct gr_meter *meter, double grid_kw)
{
    return meter_cost(meter, grid_kw);
}

double gr_meter_curtail(const struct gr_meter *meter, double grid_kw, double solar_kw)
{
    /* Between kinks the cost is linear, so the best amount is none, all, or just enough to reach a kink.
     * Amounts are compared as such: held back by difference, a tiny one would drown in the grid power. */
    const double amounts[] = {-meter->export_limit_kw - grid_kw, -grid_kw,
                              meter->import_limit_kw - grid_kw,  meter->soft_kw - grid_kw,
                              meter->peak_kw - grid_kw,          solar_kw};
    double best_kw = 0, best = gr_meter_cost(meter, grid_kw);
    for (size_t i = 0; i < sizeof amounts / sizeof *amounts; i++) {
        if (amounts[i] > 0 && amounts[i] <= solar_kw) {
            double cost = gr_meter_cost(meter, grid_kw + amounts[i]);
            if (cost < best) {
                best = cost;
                best_kw = amounts[i];
            }
        }
    }
    return best_kw;
}

static double lower_of(double limit, const double *slot_limits, size_t t)
{
    return slot_limits ? gr_min(limit, slot_limits[t]) : limit;
}

static double soft_per_kwh(const struct gr_problem *problem, size_t t)
{
    return problem->import_soft_per_kwh + problem->import_soft_per_kw / problem->hours[t];
}

static double peak_per_kwh(const struct gr_problem *problem, size_t t)
{
    return problem->slot_import_peak_per_kwh ? problem->slot_import_peak_per_kwh[t] : 0;
}

static double import_price_of(const struct gr_problem *problem, size_t t)
{
    double carbon =
        problem->carbon_kg_per_kwh ? problem->carbon_price_per_kg * problem->carbon_kg_per_kwh[t] : 0;
    return problem->import_price[t] + carbon;
}

static struct gr_meter meter_of(const struct gr_problem *problem, size_t t)
{
    return (struct gr_meter){import_price_of(problem, t),
                             problem->export_price[t],
                             lower_of(problem->import_limit_kw, problem->slot_import_limit_kw, t),
                             lower_of(problem->export_limit_kw, problem->slot_export_limit_kw, t),
                             problem->penalty_per_kwh,
                             problem->slot_import_soft_kw ? problem->slot_import_soft_kw[t] : INFINITY,
                             problem->slot_import_soft_kw ? soft_per_kwh(problem, t) : 0,
                             peak_per_kwh(problem, t) > 0 ? problem->slot_import_peak_kw[t] : INFINITY,
                             peak_per_kwh(problem, t)};
}

void gr_slot_find_kinks(struct gr_slot *slot)
{
    const struct gr_meter *meter = &slot->meter;
    double first_kw = gr_min(meter->import_limit_kw, meter->soft_kw),
           last_kw = gr_max(meter->import_limit_kw, meter->soft_kw);
    const double grid_kw[GR_METER_KINKS] = {-meter->export_limit_kw, 0, gr_min(first_kw, meter->peak_kw),
                                            gr_max(first_kw, gr_min(last_kw, meter->peak_kw)),
                                            gr_max(last_kw, meter->peak_kw)};
    slot->kinks.count = 0;
    for (size_t i = 0; i < GR_METER_KINKS; i++) {
        if (isfinite(grid_kw[i])) {
            slot->kinks.at[slot->kinks.count++] =
                (struct gr_point){grid_kw[i], gr_meter_cost(meter, grid_kw[i])};
        }
    }
    slot->prices_rise = meter->export_price >= 0 && meter->import_price >= meter->export_price;
}

void gr_slot_connect_dc(struct gr_slot *slot, const struct gr_dc_inverter *inverter)
{
    slot->dc_coupled = true;
    slot->inverter = *inverter;
    slot->most_charge_kw = slot->battery.charge_kw;
    double to_ac_kw = -gr_dc_of_ac(inverter, -inverter->limit_kw);
    slot->battery.discharge_kw = gr_min(slot->battery.discharge_kw, to_ac_kw);
}

void gr_slot_of(struct gr_slot *out, const struct gr_problem *problem, size_t t)
{
    *out = (struct gr_slot){.meter = meter_of(problem, t),
                            .battery = problem->battery,
                            .hours = problem->hours[t],
                            .curtailable = problem->curtailable,
                            .wishes = {{problem->floor_kwh[t], problem->penalty_per_kwh}},
                            .charge_loss = problem->charge_loss,
                            .discharge_loss = problem->discharge_loss,
                            .charge_power = problem->charge_power,
                            .discharge_power = problem->discharge_power,
                            .wear_steps = problem->wear_steps};
    out->battery.charge_kw = lower_of(out->battery.charge_kw, problem->slot_charge_kw, t);
    out->battery.discharge_kw = lower_of(out->battery.discharge_kw, problem->slot_discharge_kw, t);
    if (problem->dc_solar_kw) {
        gr_slot_connect_dc(out, &problem->inverter);
    }
    if (problem->wanted_kwh) {
        out->wishes[GR_WISH_WANTED] = (struct gr_wish){problem->wanted_kwh[t], problem->wanted_per_kwh};
    }
    if (problem->slot_least_kw) {
        out->range =
            (struct gr_range){problem->slot_least_kw[t], problem->slot_most_kw[t], problem->outside_per_kwh};
    }
    gr_slot_find_kinks(out);
    out->may_export = !problem->may_export || problem->may_export[t];
    out->most_discharge_kw = out->battery.discharge_kw;
    gr_slot_house(out, problem->load_kw[t], gr_ac_solar_kw(problem, t), gr_dc_solar_kw(problem, t));
}

bool gr_slot_is_convex(const struct gr_slot *slot)
{
    return slot->prices_rise && !slot->dc_coupled && !(slot->range.per_kwh > 0) &&
           slot->charge_loss.count == 0 && slot->discharge_loss.count == 0 &&
           slot->load_kw - slot->solar_kw >= -slot->meter.export_limit_kw;
}

void gr_slot_price(struct gr_slot *slot, const struct gr_problem *problem, size_t t)
{
    double import_price = import_price_of(problem, t), export_price = problem->export_price[t];
    if (import_price != slot->meter.import_price || export_price != slot->meter.export_price) {
        slot->meter.import_price = import_price;
        slot->meter.export_price = export_price;
        gr_slot_find_kinks(slot);
    }
}

void gr_slot_house(struct gr_slot *slot, double load_kw, double solar_kw, double dc_solar_kw)
{
    slot->load_kw = load_kw;
    slot->solar_kw = solar_kw;
    if (slot->dc_coupled) {
        double to_dc_kw = gr_dc_of_ac(&slot->inverter, slot->inverter.limit_kw);
        slot->dc_solar_kw = dc_solar_kw;
        slot->battery.charge_kw = gr_min(slot->most_charge_kw, dc_solar_kw + to_dc_kw);
    }
    if (!slot->may_export) {
        double short_kw = gr_max(0, load_kw - solar_kw);
        double dc_kw =
            slot->dc_coupled ? -gr_dc_of_ac(&slot->inverter, -short_kw) - slot->dc_solar_kw : short_kw;
        slot->battery.discharge_kw = gr_min(slot->most_discharge_kw, gr_max(0, dc_kw));
    }
}

double gr_slot_net_kw(const struct gr_slot *slot, double load_kw)
{
    double net_kw = load_kw - slot->solar_kw, limit_kw = slot->inverter.limit_kw;
    if (!slot->dc_coupled) {
        return net_kw;
    }
    double ac_kw = gr_max(-limit_kw, gr_min(limit_kw, -net_kw));
    return -(gr_dc_of_ac(&slot->inverter, ac_kw) + slot->dc_solar_kw);
}

double gr_slot_command_kw(const struct gr_slot *slot, enum gr_command_kind kind)
{
    struct gr_band band = gr_command_band(kind, 0, slot->battery.charge_kw, slot->battery.discharge_kw);
    return gr_band_power_kw(band, gr_slot_net_kw(slot, slot->load_kw));
}

double gr_slot_wear(const struct gr_slot *slot, double from_kwh, double to_kwh)
{
    return gr_curve_steps(&slot->wear_steps, to_kwh, from_kwh);
}

/* Money per hour where the battery takes battery_kw and `held_kw` of the solar on the DC side is held back.
 */
static double dc_cost(const struct gr_slot *slot, double battery_kw, double held_kw, struct gr_flow *flow)
{
    double ac_kw = gr_ac_of_dc(&slot->inverter, battery_kw - slot->dc_solar_kw + held_kw);
    double grid_kw = slot->load_kw - slot->solar_kw + ac_kw;
    double ac_held_kw = slot->curtailable ? gr_meter_curtail(&slot->meter, grid_kw, slot->solar_kw) : 0;
    flow->curtail_kw = held_kw + ac_held_kw;
    flow->grid_kw = grid_kw + ac_held_kw;
    return gr_meter_cost(&slot->meter, flow->grid_kw);
}

/* Between kinks the cost is linear in what is held back on the DC side: none, all, what the inverter cannot
 * take, or just enough to reach a kink of the meter (or one that the AC side's solar then reaches). */
static double cheapest_dc_cost(const struct gr_slot *slot, double battery_kw, struct gr_flow *best)
{
    double surplus_kw = slot->dc_solar_kw - battery_kw, base_kw = slot->load_kw - slot->solar_kw;
    double least_kw = gr_max(0, surplus_kw + gr_dc_of_ac(&slot->inverter, -slot->inverter.limit_kw));
    double most_kw =
        gr_min(slot->dc_solar_kw, surplus_kw + gr_dc_of_ac(&slot->inverter, slot->inverter.limit_kw));
    double cost = dc_cost(slot, battery_kw, least_kw, best);
    const double grid_kw[] = {-slot->meter.export_limit_kw, 0, slot->meter.import_limit_kw,
                              slot->meter.soft_kw, slot->meter.peak_kw};
    const size_t kinks = sizeof grid_kw / sizeof *grid_kw;
    for (size_t i = 0; slot->curtailable && i < 2 * kinks + 2; i++) {
        double shift_kw = i < kinks ? 0 : slot->solar_kw;
        double held_kw =
            i < 2 * kinks ? surplus_kw + gr_dc_of_ac(&slot->inverter, grid_kw[i % kinks] - shift_kw - base_kw)
            : i == 2 * kinks ? surplus_kw
                             : most_kw;
        struct gr_flow flow;
        if (held_kw > least_kw && held_kw <= most_kw) {
            double other = dc_cost(slot, battery_kw, held_kw, &flow);
            *best = other < cost ? flow : *best;
            cost = gr_min(cost, other);
        }
    }
    return cost;
}

static double ac_cost(const struct gr_slot *slot, double battery_kw, struct gr_flow *flow)
{
    double grid_kw = slot->load_kw - slot->solar_kw + battery_kw;
    flow->curtail_kw = slot->curtailable ? gr_meter_curtail(&slot->meter, grid_kw, slot->solar_kw) : 0;
    flow->grid_kw = grid_kw + flow->curtail_kw;
    return gr_meter_cost(&slot->meter, flow->grid_kw);
}

/* Money per hour for a power outside the range. */
static double range_cost(const struct gr_range *range, double battery_kw)
{
    if (!(range->per_kwh > 0)) {
        return 0;
    }
    return range->per_kwh *
           (gr_max(0, range->least_kw - battery_kw) + gr_max(0, battery_kw - range->most_kw));
}

double gr_slot_cost(const struct gr_slot *slot, double battery_kw, struct gr_flow *flow)
{
    struct gr_flow own = {0, 0};
    struct gr_flow *out = flow ? flow : &own;
    double rate = slot->dc_coupled ? cheapest_dc_cost(slot, battery_kw, out) : ac_cost(slot, battery_kw, out);
    return slot->hours * (rate + slot->battery.wear_per_kwh * gr_max(0, -battery_kw) +
                          range_cost(&slot->range, battery_kw));
}

double gr_slot_power_kw(const struct gr_slot *slot, double change_kwh)
{
    const struct gr_battery *battery = &slot->battery;
    if (change_kwh == 0) {
        return 0;
    }
    if (change_kwh > 0) {
        double power_kw = slot->charge_loss.count > 0
                              ? gr_curve_charge_kw(&slot->charge_loss, change_kwh / slot->hours)
                              : change_kwh / (slot->hours * battery->charge_efficiency);
        return gr_min(battery->charge_kw, power_kw);
    }
    double power_kw = slot->discharge_loss.count > 0
                          ? gr_curve_discharge_kw(&slot->discharge_loss, -change_kwh / slot->hours)
                          : -change_kwh * battery->discharge_efficiency / slot->hours;
    return -gr_min(battery->discharge_kw, power_kw);
}

/* What a power stores or takes, losses being one number. */
static inline double plain_change_kw(const struct gr_battery *battery, double battery_kw)
{
    return battery_kw >= 0 ? battery->charge_efficiency * battery_kw
                           : battery_kw / battery->discharge_efficiency;
}

double gr_slot_change_kwh(const struct gr_slot *slot, double battery_kw)
{
    double change_kw = plain_change_kw(&slot->battery, battery_kw);
    if (battery_kw >= 0 && slot->charge_loss.count > 0) {
        change_kw = gr_curve_stored_kw(&slot->charge_loss, battery_kw);
    } else if (battery_kw < 0 && slot->discharge_loss.count > 0) {
        change_kw = -gr_curve_taken_kw(&slot->discharge_loss, -battery_kw);
    }
    return slot->hours * change_kw;
}

/* The meter's cost over battery powers low to high, solar used in full. */
static void meter_points(struct gr_points *out, const struct gr_slot *slot, double low_kw, double high_kw)
{
    const struct gr_meter *meter = &slot->meter;
    double net_kw = slot->load_kw - slot->solar_kw;
    out->count = 0;
    gr_points_push(out, low_kw, gr_meter_cost(meter, net_kw + low_kw));
    for (size_t i = 0; i < slot->kinks.count; i++) {
        double kink_kw = slot->kinks.at[i].x - net_kw;
        if (kink_kw > out->at[out->count - 1].x && kink_kw < high_kw) {
            gr_points_push(out, kink_kw, slot->kinks.at[i].value);
        }
    }
    if (high_kw > low_kw) {
        gr_points_push(out, high_kw, gr_meter_cost(meter, net_kw + high_kw));
    }
}

/* Holding solar back raises the grid power: it can pay only where the cost somewhere falls with it. */
static bool may_hold_back(const struct gr_slot *slot, double low_kw)
{
    const struct gr_meter *meter = &slot->meter;
    double lowest_kw = slot->load_kw - slot->solar_kw + low_kw;
    return slot->curtailable &&
           (meter->import_price < 0 || meter->export_price < 0 ||
            (lowest_kw < -meter->export_limit_kw && meter->penalty_per_kwh > meter->export_price));
}

/* The meter's cost over the powers drawn from it on the AC side, solar there held back for the best. */
static int ac_powers(struct gr_points *out, struct gr_points *scratch, const struct gr_slot *slot,
                     double low_kw, double high_kw)
{
    int rc = gr_points_reserve(out, MOST_METER_POINTS);
    rc = rc ? rc : gr_points_reserve(scratch, MOST_METER_POINTS);
    if (rc) {
        return rc;
    }
    if (!(slot->solar_kw > 0) || !may_hold_back(slot, low_kw)) {
        meter_points(out, slot, low_kw, high_kw);
        return GR_OK;
    }
    meter_points(scratch, slot, low_kw, high_kw + slot->solar_kw);
    rc = gr_points_widen(out, scratch, 0, slot->solar_kw);
    if (rc) {
        return rc;
    }
    for (size_t i = 0; i < out->count; i++) {
        out->at[i].x -= slot->solar_kw;
    }
    gr_points_clip(out, low_kw, high_kw, 1e-12 * (1 + slot->solar_kw));
    return GR_OK;
}

/* `out` = `ac` over the power that the inverter gives to the DC side: its efficiencies bend it at 0. */
static int through_inverter(struct gr_points *out, const struct gr_points *ac, const struct gr_slot *slot)
{
    int rc = gr_points_reserve(out, ac->count + 2);
    if (rc) {
        return rc;
    }
    out->count = 0;
    for (size_t i = 0; i < ac->count; i++) {
        if (i > 0 && ac->at[i - 1].x < 0 && ac->at[i].x > 0) {
            gr_points_push(out, 0, gr_point_line(ac->at[i - 1], ac->at[i], 0));
        }
        gr_points_push(out, gr_dc_of_ac(&slot->inverter, ac->at[i].x), ac->at[i].value);
    }
    return GR_OK;
}

/* What is above the inverter's limit is held back in any case: level below the lowest power it gives. */
static int clip_solar(struct gr_points *out, const struct gr_points *dc, double solar_kw)
{
    int rc = gr_points_reserve(out, dc->count + 1);
    if (rc) {
        return rc;
    }
    out->count = 0;
    if (solar_kw > 0) {
        gr_points_push(out, dc->at[0].x, dc->at[0].value);
    }
    for (size_t i = 0; i < dc->count; i++) {
        gr_points_push(out, dc->at[i].x + solar_kw, dc->at[i].value);
    }
    return GR_OK;
}

static int dc_powers(struct gr_points *out, struct gr_points *scratch, const struct gr_slot *slot)
{
    double limit_kw = slot->inverter.limit_kw, solar_kw = slot->dc_solar_kw;
    int rc = ac_powers(out, scratch, slot, -limit_kw, limit_kw);
    rc = rc ? rc : through_inverter(scratch, out, slot);
    rc = rc                  ? rc
         : slot->curtailable ? gr_points_widen(out, scratch, 0, solar_kw)
                             : clip_solar(out, scratch, solar_kw);
    if (!rc) {
        gr_points_clip(out, -slot->battery.discharge_kw, slot->battery.charge_kw, 1e-12 * (1 + solar_kw));
    }
    return rc;
}

/* Adds what a power outside the range costs. */
static int add_range(struct gr_points *out, struct gr_points *scratch, const struct gr_range *range)
{
    double low_kw = out->at[0].x, high_kw = out->at[out->count - 1].x;
    struct gr_point own[4] = {{0, 0}};
    struct gr_points fence = {.at = own, .room = 4};
    const double kinks_kw[] = {low_kw, range->least_kw, range->most_kw, high_kw};
    for (size_t i = 0; i < sizeof kinks_kw / sizeof *kinks_kw; i++) {
        double kink_kw = gr_max(low_kw, gr_min(high_kw, kinks_kw[i]));
        if (fence.count == 0 || kink_kw > own[fence.count - 1].x) {
            gr_points_push(&fence, kink_kw, range_cost(range, kink_kw));
        }
    }
    int rc = gr_points_add(scratch, out, &fence);
    struct gr_points sum = *scratch;
    *scratch = *out;
    *out = sum;
    return rc;
}

int gr_slot_powers(struct gr_points *out, struct gr_points *scratch, const struct gr_slot *slot)
{
    int rc = slot->dc_coupled
                 ? dc_powers(out, scratch, slot)
                 : ac_powers(out, scratch, slot, -slot->battery.discharge_kw, slot->battery.charge_kw);
    return rc || !(slot->range.per_kwh > 0) ? rc : add_range(out, scratch, &slot->range);
}

static void push_move(struct gr_points *moves, const struct gr_slot *slot, struct gr_point power)
{
    double wear = slot->battery.wear_per_kwh * gr_max(0, -power.x);
    gr_points_push(moves, -gr_slot_change_kwh(slot, power.x), slot->hours * (power.value + wear));
}

/* `out` = 0 at every power where a loss bends, and at 0. */
static int bends(struct gr_points *out, const struct gr_slot *slot)
{
    const struct gr_curve *in = &slot->charge_loss, *from = &slot->discharge_loss;
    double idle_kw = in->count > 0 ? gr_curve_idle_kw(in) : 0;
    int rc = gr_points_reserve(out, in->count + from->count + 4);
    if (rc) {
        return rc;
    }
    out->count = 0;
    for (size_t i = from->count; i-- > 0;) {
        if (from->x[i] > 0 && from->x[i] < slot->battery.discharge_kw) {
            gr_points_push(out, -from->x[i], 0);
        }
    }
    gr_points_push(out, 0, 0);
    bool idle_listed = !(idle_kw > 0 && idle_kw < slot->battery.charge_kw);
    for (size_t i = 0; i < in->count && in->x[i] < slot->battery.charge_kw; i++) {
        if (!idle_listed && in->x[i] >= idle_kw) {
            gr_points_push(out, idle_kw, 0);
            idle_listed = true;
        }
        if (in->x[i] > 0 && in->x[i] != idle_kw) {
            gr_points_push(out, in->x[i], 0);
        }
    }
    if (!idle_listed) {
        gr_points_push(out, idle_kw, 0);
    }
    return GR_OK;
}

/* With losses as curves more powers are kinks. Below the power that only feeds the losses, nothing is stored
 * whatever it is; and what discharging takes begins with the loss at 0: there the moves have two ends at one
 * place or a level piece. */
static int curved_moves(struct gr_points *moves, struct gr_points work[2], const struct gr_slot *slot)
{
    int rc = bends(moves, slot);
    rc = rc ? rc : gr_points_add(&work[1], &work[0], moves);
    rc = rc ? rc : gr_points_reserve(moves, work[1].count + 1);
    if (rc) {
        return rc;
    }
    const struct gr_point *at = work[1].at;
    moves->count = 0;
    for (size_t i = work[1].count; i-- > 0;) {
        push_move(moves, slot, at[i]);
        if (at[i].x == 0 && i > 0 && slot->discharge_loss.count > 0 && slot->discharge_loss.y[0] > 0) {
            gr_points_push(moves, slot->hours * slot->discharge_loss.y[0], slot->hours * at[i].value);
        }
    }
    return GR_OK;
}

/* Most slots: no inverter between, losses that are one number, no solar worth holding back. The kinks are
 * then the meter's and resting, written down from the greatest charge to the greatest discharge. */
static size_t list_plain_powers(struct gr_point powers[MOST_METER_POINTS + 1], const struct gr_slot *slot)
{
    double low_kw = -slot->battery.discharge_kw, high_kw = slot->battery.charge_kw, last_kw = high_kw;
    double net_kw = slot->load_kw - slot->solar_kw;
    const struct gr_point rest = {0, meter_cost(&slot->meter, net_kw)};
    size_t count = 0;
    powers[count++] = (struct gr_point){high_kw, meter_cost(&slot->meter, net_kw + high_kw)};
    for (size_t i = slot->kinks.count; i-- > 0;) {
        struct gr_point kink = {slot->kinks.at[i].x - net_kw, slot->kinks.at[i].value};
        if (last_kw > 0 && kink.x < 0 && low_kw < 0) {
            powers[count++] = rest;
            last_kw = 0;
        }
        if (kink.x < last_kw && kink.x > low_kw) {
            powers[count++] = kink;
            last_kw = kink.x;
        }
    }
    if (last_kw > 0 && low_kw < 0) {
        powers[count++] = rest;
    }
    if (high_kw > low_kw) {
        powers[count++] = (struct gr_point){low_kw, meter_cost(&slot->meter, net_kw + low_kw)};
    }
    return count;
}

static int plain_moves(struct gr_points *moves, const struct gr_slot *slot)
{
    struct gr_point powers[MOST_METER_POINTS + 1];
    size_t count = list_plain_powers(powers, slot);
    double hours = slot->hours, wear_per_kwh = slot->battery.wear_per_kwh;
    int rc = gr_points_reserve(moves, count);
    if (rc) {
        return rc;
    }
    for (size_t i = 0; i < count; i++) {
        double power_kw = powers[i].x;
        moves->at[i].x = -(hours * plain_change_kw(&slot->battery, power_kw));
        moves->at[i].value = hours * (powers[i].value + wear_per_kwh * gr_max(0, -power_kw));
    }
    moves->count = count;
    return GR_OK;
}

static bool is_plain(const struct gr_slot *slot)
{
    return !slot->dc_coupled && slot->charge_loss.count == 0 && slot->discharge_loss.count == 0 &&
           !(slot->range.per_kwh > 0) &&
           !(slot->solar_kw > 0 && may_hold_back(slot, -slot->battery.discharge_kw));
}

int gr_slot_moves(struct gr_points *moves, struct gr_points work[2], const struct gr_slot *slot)
{
    if (is_plain(slot)) {
        return plain_moves(moves, slot);
    }
    int rc = gr_slot_powers(&work[0], &work[1], slot);
    if (!rc && (slot->charge_loss.count > 0 || slot->discharge_loss.count > 0)) {
        return curved_moves(moves, work, slot);
    }
    rc = rc ? rc : gr_points_reserve(moves, work[0].count + 1);
    if (rc) {
        return rc;
    }
    const struct gr_point *at = work[0].at;
    moves->count = 0;
    for (size_t i = work[0].count; i-- > 0;) {
        push_move(moves, slot, at[i]);
        if (at[i].x > 0 && i > 0 && at[i - 1].x < 0) {
            push_move(moves, slot, (struct gr_point){0, gr_point_line(at[i - 1], at[i], 0)});
        }
    }
    return GR_OK;
}
