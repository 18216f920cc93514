/* The bound: the whole period as one problem, everything known. */
#include "backtest/parts.h"

#include <math.h>
#include <stdlib.h>

enum { HOURS, LOAD, SOLAR, IMPORT, EXPORT, FLOOR, SERIES };

/* Steps of which nothing is known drop out of the problem: what is stored is carried over them. */
static size_t gather(const struct gr_backtest_work *work, double *room)
{
    size_t used = 0, n = work->count;
    for (size_t i = 0; i < n; i++) {
        const struct gr_backtest_step *step = &work->steps[i];
        if (!step->gap) {
            room[HOURS * n + used] = gr_backtest_hours(work);
            room[LOAD * n + used] = step->house_kw;
            room[SOLAR * n + used] = step->solar_kw;
            room[IMPORT * n + used] = step->import_price;
            room[EXPORT * n + used] = step->export_price;
            room[FLOOR * n + used] = work->floor_kwh;
            used++;
        }
    }
    return used;
}

static enum gr_command_kind nearest_kind(double battery_kw)
{
    return battery_kw > 0 ? GR_CHARGE : battery_kw < 0 ? GR_EXPORT : GR_REST;
}

static void take(struct gr_backtest_work *work, const struct gr_plan *plan)
{
    size_t used = 0;
    for (size_t i = 0; i < work->count; i++) {
        struct gr_backtest_step *step = &work->steps[i];
        if (step->gap) {
            gr_backtest_skip(work, i);
            continue;
        }
        step->battery_kw = plan->charge_kw[used] - plan->discharge_kw[used];
        step->kind = nearest_kind(step->battery_kw);
        step->power_kw = fabs(step->battery_kw);
        step->grid_kw = plan->grid_kw[used];
        step->curtail_kw = plan->curtail_kw[used];
        step->stored_kwh = plan->stored_kwh[used];
        used++;
    }
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
    struct gr_planner *planner = NULL;
    struct gr_plan plan = {0};
    int status = gr_planner_create(&planner);
    if (status != GR_OK) {
        return gr_error_set(error, status, "no memory for a planner");
    }
    status = gr_planner_solve(planner, &problem, &plan, error);
    if (status == GR_OK) {
        take(work, &plan);
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
