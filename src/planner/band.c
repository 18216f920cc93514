/* What a band does to the battery, the meter and the bill until the end of the slot. */
#include "planner/band.h"

#include "planner/reach.h"

#include <math.h>

static const double same_share = 1e-12; /* of a power: nearer than this it is the same */

void gr_problem_take_curves(struct gr_problem *problem, const struct gr_battery_curves *curves)
{
    problem->charge_power = gr_curve_of(&curves->charge_power);
    problem->discharge_power = gr_curve_of(&curves->discharge_power);
    problem->charge_loss = gr_curve_of(&curves->charge_loss);
    problem->discharge_loss = gr_curve_of(&curves->discharge_loss);
    problem->wear_steps = gr_curve_of(&curves->wear_steps);
}

void gr_outlook_take_curves(struct gr_outlook *outlook, const struct gr_battery_curves *curves)
{
    outlook->charge_power = gr_curve_of(&curves->charge_power);
    outlook->discharge_power = gr_curve_of(&curves->discharge_power);
    outlook->charge_loss = gr_curve_of(&curves->charge_loss);
    outlook->discharge_loss = gr_curve_of(&curves->discharge_loss);
    outlook->wear_steps = gr_curve_of(&curves->wear_steps);
}

struct gr_slot gr_band_slot(const struct gr_outlook *outlook, double load_kw, double solar_kw)
{
    struct gr_slot slot = {.meter = {outlook->import_price, outlook->export_price, outlook->import_limit_kw,
                                     outlook->export_limit_kw, outlook->penalty_per_kwh,
                                     outlook->import_soft_per_kwh > 0 ? outlook->import_soft_kw : INFINITY,
                                     outlook->import_soft_per_kwh, .peak_kw = INFINITY},
                           .battery = outlook->battery,
                           .hours = outlook->hours,
                           .curtailable = outlook->curtailable,
                           .may_export = true,
                           .charge_power = outlook->charge_power,
                           .discharge_power = outlook->discharge_power,
                           .charge_loss = outlook->charge_loss,
                           .discharge_loss = outlook->discharge_loss,
                           .wear_steps = outlook->wear_steps};
    if (outlook->dc_coupled) {
        gr_slot_connect_dc(&slot, &outlook->inverter);
    }
    gr_slot_house(&slot, load_kw, outlook->dc_coupled ? 0 : solar_kw, solar_kw);
    return slot;
}

static double loss_kwh(const struct gr_outlook *outlook)
{
    return outlook->hours * outlook->battery.standing_loss_kw;
}

double gr_band_end_kwh(const struct gr_outlook *outlook, const struct gr_slot *slot, double battery_kw)
{
    double level_kwh = outlook->stored_kwh + gr_slot_change_kwh(slot, battery_kw);
    return gr_min(outlook->battery.capacity_kwh, gr_max(0, level_kwh - loss_kwh(outlook)));
}

/* Fills until the end finds it full: what is lost on the way is filled too. */
static double highest_kwh(const struct gr_outlook *outlook)
{
    return gr_max(outlook->stored_kwh, outlook->battery.capacity_kwh + loss_kwh(outlook));
}

/* Empties no further than lets the end find it at the floor; not at all where it is below already. */
static double lowest_kwh(const struct gr_outlook *outlook)
{
    double least_kwh = outlook->floor_kwh > 0 ? outlook->floor_kwh + loss_kwh(outlook) : 0;
    return gr_min(outlook->stored_kwh, least_kwh);
}

double gr_band_fill_kw(const struct gr_outlook *outlook, const struct gr_slot *slot)
{
    double stored_kwh = outlook->stored_kwh, level_kwh = highest_kwh(outlook);
    if (slot->charge_power.count > 0) {
        level_kwh = gr_reach_level(slot, stored_kwh, true, level_kwh);
    }
    return gr_slot_power_kw(slot, level_kwh - stored_kwh);
}

double gr_band_empty_kw(const struct gr_outlook *outlook, const struct gr_slot *slot)
{
    double stored_kwh = outlook->stored_kwh, level_kwh = lowest_kwh(outlook);
    if (slot->discharge_power.count > 0) {
        level_kwh = gr_reach_level(slot, stored_kwh, false, level_kwh);
    }
    return -gr_slot_power_kw(slot, level_kwh - stored_kwh);
}

/* A steady power that the curve cuts off for a part of the time comes to less. */
static double cut_off_kw(const struct gr_outlook *outlook, const struct gr_slot *slot, double asked_kw)
{
    struct gr_slot limited = *slot;
    if (asked_kw > 0) {
        limited.battery.charge_kw = gr_min(asked_kw, slot->battery.charge_kw);
        return gr_band_fill_kw(outlook, &limited);
    }
    limited.battery.discharge_kw = gr_min(-asked_kw, slot->battery.discharge_kw);
    return -gr_band_empty_kw(outlook, &limited);
}

double gr_band_given_kw(const struct gr_outlook *outlook, const struct gr_slot *slot, double asked_kw)
{
    bool tapers = asked_kw > 0 ? slot->charge_power.count > 0 && gr_slot_change_kwh(slot, asked_kw) > 0
                               : slot->discharge_power.count > 0 && asked_kw < 0;
    if (tapers) {
        return cut_off_kw(outlook, slot, asked_kw);
    }
    return asked_kw > 0 ? gr_min(asked_kw, gr_band_fill_kw(outlook, slot))
                        : gr_max(asked_kw, -gr_band_empty_kw(outlook, slot));
}

/* The mean rises with what is asked for: halved until both ends are the same. */
double gr_band_asked_kw(const struct gr_outlook *outlook, const struct gr_slot *slot, double mean_kw)
{
    double sign = mean_kw < 0 ? -1 : 1, wanted_kw = fabs(mean_kw) * (1 - same_share);
    double low_kw = fabs(mean_kw), high_kw = sign < 0 ? slot->battery.discharge_kw : slot->battery.charge_kw;
    const struct gr_curve *curve = sign < 0 ? &slot->discharge_power : &slot->charge_power;
    if (curve->count == 0 || sign * gr_band_given_kw(outlook, slot, mean_kw) >= wanted_kw) {
        return mean_kw;
    }
    while (high_kw - low_kw > same_share * high_kw) {
        double middle_kw = (low_kw + high_kw) / 2;
        bool enough = sign * gr_band_given_kw(outlook, slot, sign * middle_kw) >= wanted_kw;
        *(enough ? &high_kw : &low_kw) = middle_kw;
    }
    return sign * high_kw;
}

void gr_band_apply(struct gr_band_result *out, const struct gr_outlook *outlook, struct gr_band band,
                   double house_kw, double car_kw, double solar_kw)
{
    struct gr_slot slot = gr_band_slot(outlook, house_kw + car_kw, solar_kw);
    double power_kw =
        gr_band_given_kw(outlook, &slot, gr_band_power_kw(band, gr_slot_net_kw(&slot, house_kw)));
    out->battery_kw = power_kw;
    struct gr_flow flow;
    out->cost = gr_slot_cost(&slot, power_kw, &flow);
    out->curtail_kw = flow.curtail_kw;
    out->grid_kw = flow.grid_kw;
    out->stored_kwh = gr_band_end_kwh(outlook, &slot, power_kw);
    out->wear_by_level = 0;
    if (power_kw < 0 && slot.wear_steps.count > 0) {
        double level_kwh = gr_max(0, outlook->stored_kwh + gr_slot_change_kwh(&slot, power_kw));
        out->wear_by_level = gr_slot_wear(&slot, outlook->stored_kwh, level_kwh);
    }
    out->cost +=
        out->wear_by_level + outlook->penalty_per_kwh * gr_max(0, outlook->floor_kwh - out->stored_kwh);
}
