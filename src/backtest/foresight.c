/* The bound: the whole period as one problem, everything known. A slot of the problem is what the bill
 * settles at once: where that is longer than a step, only its sum over the steps counts. */
#include "backtest/foresight_peak.h"
#include "backtest/parts.h"

#include "granary/civil.h"

#include <math.h>
#include <stdlib.h>

enum { HOURS, LOAD, SOLAR, IMPORT, EXPORT, FLOOR, SERIES };

/* First step behind those that are settled together with step `first`. */
static size_t settled_end(const struct gr_backtest_work *work, size_t first)
{
    size_t end = first + 1;
    int64_t number = gr_backtest_settlement(work->backtest, work->steps[first].start_s);
    while (end < work->count && gr_backtest_settlement(work->backtest, work->steps[end].start_s) == number) {
        end++;
    }
    return end;
}

/* Means over the steps first to end of which something is known; their number. */
static size_t gather_slot(const struct gr_backtest_work *work, size_t first, size_t end, double *slot,
                          size_t stride)
{
    size_t known = 0;
    double load = 0, solar = 0, import = 0, export = 0;
    for (size_t i = first; i < end; i++) {
        const struct gr_backtest_step *step = &work->steps[i];
        if (!step->gap) {
            load += step->house_kw;
            solar += step->solar_kw;
            double carbon = gr_backtest_carbon_price(work, step);
            import += step->import_price + carbon;
            export += step->export_price + (work->config.planning.carbon_credits_export ? carbon : 0);
            known++;
        }
    }
    slot[HOURS * stride] = (double)known * gr_backtest_hours(work);
    slot[LOAD * stride] = load / (double)known;
    slot[SOLAR * stride] = solar / (double)known;
    slot[IMPORT * stride] = import / (double)known;
    slot[EXPORT * stride] = export / (double)known;
    slot[FLOOR * stride] = work->floor_kwh;
    return known;
}

/* Steps of which nothing is known drop out of the problem: what is stored is carried over them. */
static size_t gather(const struct gr_backtest_work *work, double *room)
{
    size_t used = 0;
    for (size_t i = 0, end; i < work->count; i = end) {
        end = settled_end(work, i);
        used += gather_slot(work, i, end, room + used, work->count) > 0;
    }
    return used;
}

static enum gr_command_kind nearest_kind(double battery_kw)
{
    return battery_kw > 0 ? GR_CHARGE : battery_kw < 0 ? GR_EXPORT : GR_REST;
}

/* Of what was taken from the store, which the plan tells by the power alone. */
static double wear_by_level(const struct gr_backtest_work *work, double before_kwh, double discharge_kw)
{
    const struct gr_battery_curves *curves = &work->config.site.curves;
    struct gr_curve loss = gr_curve_of(&curves->discharge_loss), steps = gr_curve_of(&curves->wear_steps);
    if (!(discharge_kw > 0) || steps.count == 0) {
        return 0;
    }
    double taken_kw = loss.count > 0 ? gr_curve_taken_kw(&loss, discharge_kw)
                                     : discharge_kw / work->battery.discharge_efficiency;
    return gr_curve_steps(&steps, before_kwh - taken_kw * gr_backtest_hours(work), before_kwh);
}

static void take_step(struct gr_backtest_work *work, size_t i, const struct gr_plan *plan, size_t slot)
{
    struct gr_backtest_step *step = &work->steps[i];
    step->battery_kw = plan->charge_kw[slot] - plan->discharge_kw[slot];
    step->kind = nearest_kind(step->battery_kw);
    step->power_kw = fabs(step->battery_kw);
    step->grid_kw = plan->grid_kw[slot];
    step->curtail_kw = plan->curtail_kw[slot];
    step->stored_kwh = plan->stored_kwh[slot];
    step->wear_by_level = wear_by_level(work, gr_backtest_stored_before(work, i), plan->discharge_kw[slot]);
}

/* How far the battery's powers in a slot of several steps may leave its mean for those that make the meter's
 * level, as a share: it keeps its direction and its limits, so that the same energy flows. */
static double level_share(const struct gr_backtest_work *work, size_t first, size_t end, double battery_kw,
                          double net_kw)
{
    double share = 1;
    for (size_t i = first; i < end; i++) {
        const struct gr_backtest_step *step = &work->steps[i];
        double away_kw = net_kw - (step->house_kw - step->solar_kw), room_kw;
        if (step->gap || away_kw == 0) {
            continue;
        }
        if (battery_kw > 0) {
            room_kw = away_kw > 0 ? work->battery.charge_kw - battery_kw : battery_kw;
        } else {
            room_kw = away_kw > 0 ? -battery_kw : work->battery.discharge_kw + battery_kw;
        }
        share = fmax(0, fmin(share, room_kw / fabs(away_kw)));
    }
    return share;
}

/* A share of the way from a steady battery to one that levels the meter; of the sun, each step holds back the
 * same share. */
static void act_in_parts(struct gr_backtest_work *work, size_t first, size_t end, double battery_kw,
                         double net_kw, double share, double held_share)
{
    for (size_t i = first; i < end; i++) {
        struct gr_backtest_step *step = &work->steps[i];
        if (step->gap) {
            gr_backtest_skip(work, i);
            continue;
        }
        double part_kw = battery_kw + share * (net_kw - (step->house_kw - step->solar_kw));
        gr_backtest_act(work, i, nearest_kind(part_kw), fabs(part_kw));
        step->curtail_kw = held_share * step->solar_kw;
        step->grid_kw = step->house_kw - step->solar_kw + step->curtail_kw + step->battery_kw;
    }
}

/* What goes through an inverter that sun and battery share bends at 0 and at its limit: there the plan's mean
 * stays the meter's in every step, which no real step could better. */
static void level_meter(struct gr_backtest_work *work, size_t first, size_t end, double grid_kw)
{
    for (size_t i = first; i < end; i++) {
        work->steps[i].grid_kw = work->steps[i].gap ? 0 : grid_kw;
    }
}

/* A slot of several steps: the battery levels what the meter sees, as far as it can. One that fills early
 * then may end with less than was planned: it stays steady. */
static void take_parts(struct gr_backtest_work *work, size_t first, size_t end, const struct gr_plan *plan,
                       size_t slot, double net_kw, double mean_solar_kw)
{
    double battery_kw = plan->charge_kw[slot] - plan->discharge_kw[slot];
    bool dc_coupled = work->config.site.dc_coupled;
    double share = dc_coupled ? 0 : level_share(work, first, end, battery_kw, net_kw);
    double held_share = mean_solar_kw > 0 ? plan->curtail_kw[slot] / mean_solar_kw : 0;
    act_in_parts(work, first, end, battery_kw, net_kw, share, held_share);
    if (fabs(work->steps[end - 1].stored_kwh - plan->stored_kwh[slot]) > 1e-9) {
        act_in_parts(work, first, end, battery_kw, net_kw, 0, held_share);
    }
    if (dc_coupled) {
        level_meter(work, first, end, plan->grid_kw[slot]);
    }
}

static void take(struct gr_backtest_work *work, const struct gr_plan *plan, const double *room)
{
    size_t used = 0;
    for (size_t i = 0, end; i < work->count; i = end) {
        size_t known = 0;
        end = settled_end(work, i);
        for (size_t k = i; k < end; k++) {
            known += !work->steps[k].gap;
        }
        if (known > 1) {
            double load_kw = room[LOAD * work->count + used], solar_kw = room[SOLAR * work->count + used];
            take_parts(work, i, end, plan, used, load_kw - solar_kw, solar_kw);
        }
        for (size_t k = i; known < 2 && k < end; k++) {
            if (work->steps[k].gap) {
                gr_backtest_skip(work, k);
            } else {
                take_step(work, k, plan, used);
            }
        }
        used += known > 0;
    }
}

/* ---- peaks ---- */

/* All steps of a slot must count for the slot to count: then its mean is no more than what the bill sees. */
static void place_slot(const struct gr_backtest_work *work, size_t first, size_t end,
                       struct gr_backtest_place *place)
{
    const struct gr_zone *zone = work->backtest->zone;
    const struct gr_peak_charge *charge = &work->backtest->tariff->peak;
    *place = (struct gr_backtest_place){
        .day = gr_civil_from_seconds(gr_zone_local_s(zone, work->steps[first].start_s)).day,
        .interval = gr_peak_interval(zone, work->steps[first].start_s, (int64_t)charge->minutes * 60),
        .counts = true};
    for (size_t i = first; i < end; i++) {
        bool counts = gr_peak_counts(charge, gr_zone_local_s(zone, work->steps[i].start_s));
        place->counts = place->counts && (counts || work->steps[i].gap);
    }
}

static void place_slots(const struct gr_backtest_work *work, const struct gr_backtest_sums *months,
                        size_t month_count, struct gr_backtest_place *place)
{
    size_t month = 0, used = 0;
    for (size_t i = 0, end; i < work->count; i = end) {
        size_t known = 0;
        end = settled_end(work, i);
        for (size_t k = i; k < end; k++) {
            known += !work->steps[k].gap;
        }
        while (month + 1 < month_count && work->steps[i].start_s >= months[month + 1].start_s) {
            month++;
        }
        if (known > 0) {
            place_slot(work, i, end, &place[used]);
            place[used++].month = month;
        }
    }
}

/* The bill of the steps as they are, without any flow, tells how much of each month is billed. */
static int solve_with_peaks(struct gr_backtest_work *work, struct gr_planner *planner,
                            const struct gr_problem *problem, struct gr_plan *plan, double *least,
                            struct gr_error *error)
{
    struct gr_backtest_result idle = {.steps = work->steps, .step_count = work->count};
    struct gr_backtest_place *place = calloc(problem->slots, sizeof *place);
    bool billed = place && gr_backtest_bill(&idle, work->backtest, 0) == GR_OK;
    double *share = billed ? calloc(idle.month_count, sizeof *share) : NULL;
    int rc = GR_NO_MEMORY;
    if (place && share) {
        for (size_t m = 0; m < idle.month_count; m++) {
            share[m] = gr_backtest_month_share(work->backtest, &idle.months[m]);
        }
        struct gr_backtest_peaks peaks = {.charge = &work->backtest->tariff->peak,
                                          .place = place,
                                          .share = share,
                                          .months = idle.month_count};
        place_slots(work, idle.months, idle.month_count, place);
        rc = gr_backtest_peak_plan(planner, problem, &peaks, plan, least, error);
    } else {
        (void)gr_error_set(error, rc, "no memory for the peaks");
    }
    free(idle.months);
    free(share);
    free(place);
    return rc;
}

static int solve(struct gr_backtest_work *work, const double *room, size_t slots, struct gr_error *error)
{
    size_t n = work->count;
    double capacity_kwh = work->battery.capacity_kwh;
    double end_kwh[2] = {0, capacity_kwh};
    double end_value[2] = {0, capacity_kwh * work->left_per_kwh};
    struct gr_problem problem = {.slots = slots,
                                 .hours = room + HOURS * n,
                                 .load_kw = room + LOAD * n,
                                 .solar_kw = room + SOLAR * n,
                                 .import_price = room + IMPORT * n,
                                 .export_price = room + EXPORT * n,
                                 .floor_kwh = room + FLOOR * n,
                                 .battery = work->battery,
                                 .start_kwh = work->start_kwh,
                                 .import_limit_kw = work->config.site.grid.import_limit_kw,
                                 .export_limit_kw = work->config.site.grid.export_limit_kw,
                                 .curtailable = work->config.site.grid.solar_curtailable,
                                 .penalty_per_kwh = work->penalty_per_kwh,
                                 .end_points = 2,
                                 .end_kwh = end_kwh,
                                 .end_value = end_value};
    gr_problem_take_curves(&problem, &work->config.site.curves);
    if (work->config.site.dc_coupled) {
        problem.dc_solar_kw = problem.solar_kw;
        problem.solar_kw = NULL;
        problem.inverter = work->config.site.inverter;
    }
    struct gr_planner *planner = NULL;
    struct gr_plan plan = {0};
    int status = gr_planner_create(&planner);
    if (status != GR_OK) {
        return gr_error_set(error, status, "no memory for a planner");
    }
    if (work->backtest->tariff->peak.any) {
        status = solve_with_peaks(work, planner, &problem, &plan, &work->least_cost, error);
    } else {
        status = gr_planner_solve(planner, &problem, &plan, error);
        work->least_cost = plan.cost - plan.error_down;
    }
    if (status == GR_OK) {
        take(work, &plan, room);
        gr_backtest_report(work, n);
    }
    gr_plan_free(&plan);
    gr_planner_free(planner);
    return status;
}

int gr_backtest_foresight(struct gr_backtest_work *work, struct gr_error *error)
{
    double *room = malloc(SERIES * work->count * sizeof *room);
    if (!room) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for %zu steps", work->count);
    }
    size_t slots = gather(work, room);
    int status = slots > 0 ? solve(work, room, slots, error)
                           : gr_error_set(error, GR_INVALID, "the period has no step with usage");
    free(room);
    return status;
}
