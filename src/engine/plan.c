#include "engine/internal.h"

#include "granary/civil.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double ready_for =
    2e-4; /* money: above the planner's rounding, below what anyone would notice */
static const double reading_share = 0.005; /* of capacity: readings are no finer */
static const double quiet_solar_kw = 0.05;
static const double refill_share = 0.02;     /* of capacity, that the reserve may lack */
static const double lean_half_life_s = 3600; /* how long what is seen now says something about what comes */

double gr_engine_floor_kwh(const struct gr_engine_config *config)
{
    double percent = fmax(config->site.reserve_percent, config->planning.floor_percent);
    return percent / 100 * config->site.battery.capacity_kwh;
}

double gr_engine_floor_percent(const struct gr_engine *engine, int64_t at_s)
{
    double percent = fmax(engine->config.site.reserve_percent, engine->config.planning.floor_percent);
    return ceil(fmax(percent, gr_overrides_reserve_percent(&engine->overrides, at_s)) - 1e-6);
}

/* The floors of the plan lie a hair below the floor of the commands, sink with the standing loss from now on,
 * and begin at what is stored where that is a little less: a battery that rests at its reserve is not topped
 * up with a trickle, but filled once it lacks `refill_share`. */
static void set_floors(struct gr_horizon *horizon, const struct gr_engine_config *config, double stored_kwh)
{
    const struct gr_battery *battery = &config->site.battery;
    double floor_kwh = gr_engine_floor_kwh(config);
    if (stored_kwh < floor_kwh && stored_kwh >= floor_kwh - refill_share * battery->capacity_kwh) {
        floor_kwh = stored_kwh;
    }
    for (size_t t = 0; t < horizon->slots; t++) {
        double hours = (double)(horizon->bounds_s[t + 1] - horizon->bounds_s[0]) / 3600;
        double slack_kwh = reading_share * battery->capacity_kwh + hours * battery->standing_loss_kw;
        horizon->floor_kwh[t] = fmax(0, floor_kwh - slack_kwh);
    }
}

/* A reserve that was asked for lifts the floors until its end, a wish the one at its time, a load factor
 * every path's load; a price or payment changes the slots in which it holds. */
static void heed_overrides(struct gr_engine_plan *plan, const struct gr_battery *battery)
{
    const struct gr_horizon *horizon = &plan->horizon;
    for (size_t t = 0; t < horizon->slots; t++) {
        int64_t at_s = horizon->bounds_s[t];
        double hours = (double)(horizon->bounds_s[t + 1] - horizon->bounds_s[0]) / 3600;
        double reserve = gr_overrides_reserve_percent(&plan->overrides, at_s) / 100;
        double slack_kwh = reading_share * battery->capacity_kwh + hours * battery->standing_loss_kw;
        double factor = gr_overrides_load_factor(&plan->overrides, at_s);
        double wish = gr_overrides_wish_percent(&plan->overrides, at_s, horizon->bounds_s[t + 1]) / 100;
        reserve = fmax(reserve, wish);
        horizon->floor_kwh[t] = fmax(horizon->floor_kwh[t], reserve * battery->capacity_kwh - slack_kwh);
        gr_overrides_price(&plan->overrides, at_s, horizon->bounds_s[t + 1], &horizon->import_price[t],
                           &horizon->export_price[t]);
        for (size_t k = 0; k < plan->paths.count; k++) {
            plan->paths.load_kw[k * plan->paths.slots + t] *= factor;
        }
    }
}

void gr_engine_plan_free(struct gr_engine_plan *plan)
{
    gr_horizon_free(&plan->horizon);
    gr_paths_free(&plan->paths);
    gr_path_values_free(&plan->values);
    free(plan->slots);
    free(plan->why);
    free(plan->been_full);
    free(plan->peak_kw);
    memset(plan, 0, sizeof *plan);
}

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static int median_price(const struct gr_horizon *horizon, double *median)
{
    double *sorted = malloc(horizon->slots * sizeof *sorted);
    if (!sorted) {
        return GR_NO_MEMORY;
    }
    memcpy(sorted, horizon->import_price, horizon->slots * sizeof *sorted);
    qsort(sorted, horizon->slots, sizeof *sorted, compare_doubles);
    *median = sorted[horizon->slots / 2];
    free(sorted);
    return GR_OK;
}

/* Dearer than anything that a price could win, whatever the currency. */
static double find_penalty(const struct gr_horizon *horizon)
{
    double greatest = 0;
    for (size_t t = 0; t < horizon->slots; t++) {
        greatest = fmax(greatest, fmax(fabs(horizon->import_price[t]), fabs(horizon->export_price[t])));
    }
    return fmax(20 * greatest, 1e-3);
}

/* Slots from now on in which nothing is learned that matters: the prices stay, and there is no sun on any
 * path. */
static size_t count_quiet_slots(const struct gr_engine_plan *plan)
{
    const struct gr_horizon *horizon = &plan->horizon;
    size_t t = 0;
    for (; t < horizon->slots; t++) {
        double most_kw = 0;
        for (size_t k = 0; k < plan->paths.count; k++) {
            most_kw = fmax(most_kw, plan->paths.solar_kw[k * plan->paths.slots + t]);
        }
        if (most_kw > quiet_solar_kw || horizon->import_price[t] != horizon->import_price[0] ||
            horizon->export_price[t] != horizon->export_price[0]) {
            break;
        }
    }
    return t;
}

/* A path's own value function knows the day from the next slot on, so that waiting seems to pay wherever
 * prices stay. Nothing is learned in a quiet night, though: its slots are planned once, on their mean,
 * towards the mean of what follows them. */
static int decide_quiet_hours_together(struct gr_engine *engine, struct gr_engine_plan *plan,
                                       const struct gr_problem *whole, size_t slots, struct gr_error *error)
{
    bool full_by_then = whole->full_windows > 0 && whole->full_by[0] < slots;
    if (slots < 2 || slots >= plan->horizon.slots || full_by_then) {
        return GR_OK;
    }
    struct gr_value *after = &plan->values.value[slots - 1];
    struct gr_path_values early = {0};
    double *room = malloc((2 * slots + after->count + 1) * sizeof *room);
    if (!room) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for a plan");
    }
    double one = 1;
    struct gr_paths mean = {
        .count = 1, .slots = slots, .weight = &one, .load_kw = room, .solar_kw = room + slots};
    double *end_value = room + 2 * slots;
    for (size_t t = 0; t < slots; t++) {
        gr_paths_mean(&plan->paths, t, &mean.load_kw[t], &mean.solar_kw[t]);
    }
    for (size_t i = 0; i < after->count; i++) {
        end_value[i] = -after->value[i];
    }
    struct gr_problem problem = *whole;
    problem.slots = slots;
    problem.full_windows = 0; /* what being full is worth later is in the value of the end */
    problem.end_points = after->count;
    problem.end_kwh = after->kwh;
    problem.end_value = end_value;
    int status = gr_planner_path_values(engine->planner, &problem, &mean, slots, &early, error);
    for (size_t t = 0; status == GR_OK && t + 1 < slots; t++) {
        struct gr_value swapped = plan->values.value[t];
        plan->values.value[t] = early.value[t];
        early.value[t] = swapped;
    }
    gr_path_values_free(&early);
    free(room);
    return status;
}

static bool is_export_time(const struct gr_engine *engine, int64_t utc_s)
{
    int from = engine->config.planning.export_from_minute, to = engine->config.planning.export_to_minute;
    if (from == to) {
        return true;
    }
    int64_t local_s = gr_zone_local_s(engine->zone, utc_s);
    int minute = (int)((local_s - gr_civil_day(local_s) * GR_DAY_S) / 60);
    return from < to ? minute >= from && minute < to : minute >= from || minute < to;
}

enum gr_bar gr_engine_export_bar(const struct gr_engine *engine, const struct gr_overrides *overrides,
                                 int64_t utc_s)
{
    if (!engine->config.planning.may_export) {
        return GR_BAR_EXPORT_OFF;
    }
    if (!is_export_time(engine, utc_s)) {
        return GR_BAR_EXPORT_HOURS;
    }
    return gr_overrides_forbid_export(overrides, utc_s) ? GR_BAR_EXPORT_ASKED : GR_BAR_NONE;
}

/* Where the battery may not feed the grid; NULL, with GR_OK, where it always may. */
static int find_export_leave(const struct gr_engine *engine, const struct gr_engine_plan *plan, bool **out)
{
    bool any = false;
    *out = calloc(plan->horizon.slots, sizeof **out);
    for (size_t t = 0; *out && t < plan->horizon.slots; t++) {
        (*out)[t] = gr_engine_export_bar(engine, &plan->overrides, plan->horizon.bounds_s[t]) == GR_BAR_NONE;
        any = any || !(*out)[t];
    }
    if (*out && !any) {
        free(*out);
        *out = NULL;
        return GR_OK;
    }
    return *out ? GR_OK : GR_NO_MEMORY;
}

/* While the car charges the limit of the connection is lower by its power, and a battery whose discharge
 * would feed it keeps still. *out is to be freed; NULL, with GR_OK, where no car asked. */
static int find_car_limits(const struct gr_engine *engine, const struct gr_engine_plan *plan, double **out)
{
    const struct gr_site *site = &engine->config.site;
    size_t slots = plan->horizon.slots;
    *out = plan->car_kw > 0 ? calloc(2 * slots, sizeof **out) : NULL;
    for (size_t t = 0; *out && t < slots; t++) {
        double car_kw = gr_engine_car_kw(plan, t);
        double kept = site->grid.car_side == GR_CAR_ON_HOUSE_SIDE ? 1 - car_kw / plan->car_kw : 1;
        (*out)[t] = fmax(0, site->grid.import_limit_kw - car_kw);
        (*out)[slots + t] = site->battery.discharge_kw * kept;
    }
    return plan->car_kw > 0 && !*out ? GR_NO_MEMORY : GR_OK;
}

static double planned_discharge_kwh(const struct gr_problem *problem, const struct gr_plan *plan)
{
    double sum = 0;
    for (size_t t = 0; t < problem->slots; t++) {
        sum += problem->hours[t] * plan->discharge_kw[t];
    }
    return sum;
}

/* What the bound leaves for the horizon after what was taken of late. */
static double allowed_discharge_kwh(const struct gr_engine *engine, const struct gr_problem *problem)
{
    double days = engine->meter.counted_s / GR_DAY_S;
    for (size_t t = 0; t < problem->slots; t++) {
        days += problem->hours[t] / 24;
    }
    double cycles = engine->config.planning.cycles_per_day * days - engine->meter.spent_percent / 100;
    return fmax(0, cycles) * problem->battery.capacity_kwh * problem->battery.discharge_efficiency;
}

/* Whether a plan of the mean course discharges no more than that where a kWh of it costs `price`. */
static int keeps_cycles(struct gr_engine *engine, const struct gr_problem *mean, double most_kwh,
                        double price, bool *keeps, struct gr_error *error)
{
    struct gr_problem priced = *mean;
    struct gr_plan plan;
    priced.battery.wear_per_kwh += price;
    int status = gr_planner_solve(engine->planner, &priced, &plan, error);
    if (status != GR_OK) {
        return status;
    }
    *keeps = planned_discharge_kwh(mean, &plan) <= most_kwh;
    gr_plan_free(&plan);
    return GR_OK;
}

/* The least price, to a thousandth of the dearest kWh, that keeps the bound. */
static int search_cycle_price(struct gr_engine *engine, const struct gr_problem *mean, double dearest,
                              double *price, struct gr_error *error)
{
    double most_kwh = allowed_discharge_kwh(engine, mean), low = 0, high = dearest;
    bool keeps = false;
    int status = keeps_cycles(engine, mean, most_kwh, 0, &keeps, error);
    if (status != GR_OK || keeps) {
        *price = 0;
        return status;
    }
    while (status == GR_OK && high - low > 1e-3 * dearest) {
        double middle = (low + high) / 2;
        status = keeps_cycles(engine, mean, most_kwh, middle, &keeps, error);
        *(keeps ? &high : &low) = middle;
    }
    *price = high;
    return status;
}

static int price_cycles(struct gr_engine *engine, struct gr_engine_plan *plan, struct gr_problem *problem,
                        struct gr_error *error)
{
    size_t slots = problem->slots;
    if (!(engine->config.planning.cycles_per_day > 0)) {
        return GR_OK;
    }
    double *room = malloc(2 * slots * sizeof *room);
    if (!room) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for a plan");
    }
    struct gr_problem mean = *problem;
    mean.load_kw = room;
    *(mean.dc_solar_kw ? &mean.dc_solar_kw : &mean.solar_kw) = room + slots;
    for (size_t t = 0; t < slots; t++) {
        gr_paths_mean(&plan->paths, t, &room[t], &room[slots + t]);
    }
    /* the penalty is 20 times the dearest price */
    int status = search_cycle_price(engine, &mean, plan->penalty_per_kwh / 10, &plan->cycle_price, error);
    problem->battery.wear_per_kwh += plan->cycle_price;
    free(room);
    return status;
}

/* The days after the horizon in place of a rate on what is left. `tail` is to be kept as long as the problem.
 */
static int take_tail(const struct gr_engine *engine, const struct gr_engine_plan *plan,
                     struct gr_problem *problem, struct gr_path_values *tail, struct gr_error *error)
{
    int status = gr_engine_value_tail(engine, plan, problem, tail, error);
    if (status != GR_OK || !tail->value) {
        return status;
    }
    struct gr_value *cost = &tail->value[0];
    for (size_t i = 0; i < cost->count; i++) {
        cost->value[i] = -cost->value[i];
    }
    problem->end_points = cost->count;
    problem->end_kwh = cost->kwh;
    problem->end_value = cost->value;
    return GR_OK;
}

static int find_values(struct gr_engine *engine, struct gr_engine_plan *plan, double stored_kwh,
                       struct gr_error *error)
{
    const struct gr_engine_config *config = &engine->config;
    const struct gr_battery *battery = &config->site.battery;
    double median;
    bool *may_export = NULL;
    double *car_limits = NULL;
    struct gr_path_values tail = {0};
    if (median_price(&plan->horizon, &median) != GR_OK ||
        find_export_leave(engine, plan, &may_export) != GR_OK ||
        find_car_limits(engine, plan, &car_limits) != GR_OK) {
        free(may_export);
        return gr_error_set(error, GR_NO_MEMORY, "no memory for a plan");
    }
    double rate = fmax(0, median) * config->planning.end_value_factor * battery->discharge_efficiency;
    double end_kwh[2] = {0, battery->capacity_kwh};
    double end_value[2] = {0, rate * battery->capacity_kwh};
    struct gr_problem problem = {.slots = plan->horizon.slots,
                                 .hours = plan->horizon.hours,
                                 .import_price = plan->horizon.import_price,
                                 .export_price = plan->horizon.export_price,
                                 .floor_kwh = plan->horizon.floor_kwh,
                                 .battery = gr_engine_battery(engine),
                                 .start_kwh = stored_kwh,
                                 .import_limit_kw = config->site.grid.import_limit_kw,
                                 .export_limit_kw = config->site.grid.export_limit_kw,
                                 .curtailable = config->site.grid.solar_curtailable,
                                 .penalty_per_kwh = plan->penalty_per_kwh,
                                 .end_points = 2,
                                 .end_kwh = end_kwh,
                                 .end_value = end_value,
                                 .may_export = may_export,
                                 .slot_import_limit_kw = car_limits,
                                 .slot_discharge_kw = car_limits ? car_limits + plan->horizon.slots : NULL,
                                 .full_windows = plan->full_windows,
                                 .full_by = plan->full_by,
                                 .full_kwh = gr_engine_full_kwh(config)};
    gr_problem_take_curves(&problem, &config->site.curves);
    problem.dc_solar_kw = config->site.dc_coupled ? plan->paths.solar_kw : NULL;
    problem.inverter = config->site.inverter;
    size_t quiet = count_quiet_slots(plan);
    size_t keep = !config->planning.brief ? problem.slots : quiet > 1 && quiet < problem.slots ? quiet : 1;
    int status = price_cycles(engine, plan, &problem, error);
    status = status == GR_OK ? take_tail(engine, plan, &problem, &tail, error) : status;
    status = status == GR_OK ? gr_engine_plan_peak(engine, plan, &problem, error) : status;
    problem.slot_import_soft_kw = plan->soft_kw;
    problem.import_soft_per_kwh = plan->peak_per_kwh;
    plan->dearest_per_kwh += plan->peak_per_kwh;
    problem.penalty_per_kwh = plan->penalty_per_kwh = fmax(plan->penalty_per_kwh, 20 * plan->peak_per_kwh);
    status = status == GR_OK
                 ? gr_planner_path_values(engine->planner, &problem, &plan->paths, keep, &plan->values, error)
                 : status;
    status = status == GR_OK ? decide_quiet_hours_together(engine, plan, &problem, quiet, error) : status;
    free(may_export);
    free(car_limits);
    gr_path_values_free(&tail);
    return status;
}

struct gr_outlook gr_engine_outlook(const struct gr_engine *engine, const struct gr_engine_plan *plan,
                                    size_t slot)
{
    const struct gr_site *site = &engine->config.site;
    struct gr_battery battery = gr_engine_battery(engine);
    battery.wear_per_kwh += plan->cycle_price;
    bool been_full = plan->been_full && plan->been_full[slot];
    struct gr_outlook outlook = {
        .import_price = plan->horizon.import_price[slot],
        .export_price = plan->horizon.export_price[slot],
        .floor_kwh = plan->horizon.floor_kwh[slot],
        .next = been_full ? &plan->values.been_full[slot] : &plan->values.value[slot],
        .battery = battery,
        .import_limit_kw = site->grid.import_limit_kw,
        .export_limit_kw = site->grid.export_limit_kw,
        .curtailable = site->grid.solar_curtailable,
        .penalty_per_kwh = plan->penalty_per_kwh,
        .ready_for = ready_for,
        .import_soft_kw = plan->soft_kw ? plan->soft_kw[slot] : 0,
        .import_soft_per_kwh = plan->peak_per_kwh,
        .may_export =
            gr_engine_export_bar(engine, &plan->overrides, plan->horizon.bounds_s[slot]) == GR_BAR_NONE,
        .dc_coupled = site->dc_coupled,
        .inverter = site->inverter};
    gr_outlook_take_curves(&outlook, &site->curves);
    return outlook;
}

/* What may happen in one slot, as a few samples: the table of the plan does not need every path. */
enum { MOST_SAMPLES = 5 };

struct samples {
    double house_kw[MOST_SAMPLES], car_kw[MOST_SAMPLES], solar_kw[MOST_SAMPLES], weight[MOST_SAMPLES];
    size_t count;
};

struct path_power {
    double house_kw, solar_kw, weight;
};

static int compare_net_load(const void *a, const void *b)
{
    const struct path_power *x = a, *y = b;
    double left = x->house_kw - x->solar_kw, right = y->house_kw - y->solar_kw;
    return (left > right) - (left < right);
}

static void close_sample(struct samples *samples)
{
    size_t i = samples->count;
    if (samples->weight[i] > 0) {
        samples->house_kw[i] /= samples->weight[i];
        samples->solar_kw[i] /= samples->weight[i];
        samples->count++;
    }
}

/* Means of fifths of the weight, in the order of net load. */
static void gather(const struct gr_paths *paths, size_t slot, struct path_power *room, struct samples *out)
{
    for (size_t k = 0; k < paths->count; k++) {
        room[k] = (struct path_power){.house_kw = paths->load_kw[k * paths->slots + slot],
                                      .solar_kw = paths->solar_kw[k * paths->slots + slot],
                                      .weight = paths->weight[k]};
    }
    qsort(room, paths->count, sizeof *room, compare_net_load);
    *out = (struct samples){.count = 0};
    double passed = 0;
    for (size_t k = 0; k < paths->count; k++) {
        out->house_kw[out->count] += room[k].weight * room[k].house_kw;
        out->solar_kw[out->count] += room[k].weight * room[k].solar_kw;
        out->weight[out->count] += room[k].weight;
        passed += room[k].weight;
        if (passed * MOST_SAMPLES >= (double)(out->count + 1) && out->count + 1 < MOST_SAMPLES) {
            close_sample(out);
        }
    }
    close_sample(out);
}

/* The price on cycles is no money that anyone pays, nor is one on carbon. */
static void fill_slot(struct gr_engine_plan *plan, size_t t, const struct gr_outlook *outlook,
                      const struct gr_choice *choice)
{
    struct gr_plan_slot *slot = &plan->slots[t];
    const struct gr_horizon *horizon = &plan->horizon;
    double wear_per_kwh = outlook->battery.wear_per_kwh - plan->cycle_price;
    double import_kwh = 0, export_kwh = 0;
    struct gr_band band = gr_command_band(choice->kind, choice->power_kw, outlook->battery.charge_kw,
                                          outlook->battery.discharge_kw);
    slot->kind = choice->kind;
    slot->power_kw = choice->power_kw;
    slot->stored_kwh = choice->end_kwh[choice->kind];
    slot->marginal_value_per_kwh = choice->marginal_value_per_kwh;
    for (size_t k = 0; k < outlook->samples; k++) {
        struct gr_band_result result;
        gr_band_apply(&result, outlook, band, outlook->house_kw[k], outlook->car_kw[k], outlook->solar_kw[k]);
        double weight = outlook->weight[k];
        double grid_kw = result.grid_kw;
        double price = grid_kw > 0 ? slot->import_price : slot->export_price;
        import_kwh += weight * outlook->hours * fmax(0, grid_kw);
        export_kwh += weight * outlook->hours * fmax(0, -grid_kw);
        slot->house_kw += weight * outlook->house_kw[k];
        slot->solar_kw += weight * outlook->solar_kw[k];
        slot->battery_kw += weight * result.battery_kw;
        slot->grid_kw += weight * grid_kw;
        slot->cost +=
            weight * outlook->hours * (price * grid_kw + wear_per_kwh * fmax(0, -result.battery_kw));
        slot->cost += weight * result.wear_by_level;
    }
    slot->import_co2_kg = import_kwh * slot->carbon_kg_per_kwh;
    plan->carbon_cost += import_kwh * horizon->carbon_price[t] - export_kwh * horizon->carbon_credit[t];
    if (!isnan(slot->import_co2_kg)) {
        plan->import_co2_kg = slot->import_co2_kg + (isnan(plan->import_co2_kg) ? 0 : plan->import_co2_kg);
    }
}

/* What was asked for goes before what would be best. */
static void heed_command(const struct gr_engine_plan *plan, size_t t, const struct gr_outlook *outlook,
                         struct gr_choice *choice)
{
    const struct gr_override *asked = gr_overrides_command(&plan->overrides, plan->horizon.bounds_s[t]);
    double percent = 100 * outlook->stored_kwh / outlook->battery.capacity_kwh;
    if (!asked || gr_override_is_over(asked, plan->horizon.bounds_s[t], percent)) {
        return;
    }
    choice->kind = asked->command;
    choice->power_kw = gr_override_power_kw(asked, &outlook->battery);
    struct gr_band band = gr_command_band(choice->kind, choice->power_kw, outlook->battery.charge_kw,
                                          outlook->battery.discharge_kw);
    double end_kwh = 0;
    for (size_t k = 0; k < outlook->samples; k++) {
        struct gr_band_result result;
        gr_band_apply(&result, outlook, band, outlook->house_kw[k], outlook->car_kw[k], outlook->solar_kw[k]);
        end_kwh += outlook->weight[k] * result.stored_kwh;
    }
    choice->end_kwh[choice->kind] = end_kwh;
    choice->marginal_value_per_kwh = gr_value_marginal(outlook->next, end_kwh);
}

/* Where the live policy's choice would not be carried out, the one that would. */
static void heed_least_gain(const struct gr_engine *engine, const struct gr_outlook *outlook,
                            struct gr_choice *choice, enum gr_bar bar[GR_COMMAND_KINDS])
{
    enum gr_command_kind best =
        gr_engine_find_best(choice, engine->config.planning.least_gain_per_exported_kwh, outlook->hours, bar);
    if (best != choice->kind) {
        choice->kind = best;
        choice->power_kw = choice->power_of[best];
        choice->marginal_value_per_kwh = gr_value_marginal(outlook->next, choice->end_kwh[best]);
    }
}

/* A command ends at the reserve; only the standing loss takes what is stored below it, and the floors of the
 * plan, which allow for that loss, are no leave to discharge so far. */
static double least_kwh(const struct gr_engine_plan *plan, const struct gr_engine_config *config, size_t t,
                        double stored_kwh)
{
    const struct gr_battery *battery = &config->site.battery;
    double asked_percent = gr_overrides_reserve_percent(&plan->overrides, plan->horizon.bounds_s[t]);
    double floor_kwh = fmax(gr_engine_floor_kwh(config), asked_percent / 100 * battery->capacity_kwh);
    return fmax(0, fmin(floor_kwh, stored_kwh) - plan->horizon.hours[t] * battery->standing_loss_kw);
}

static int fill_next_slot(const struct gr_engine *engine, struct gr_engine_plan *plan, size_t t,
                          struct path_power *room, double stored_kwh, struct gr_error *error)
{
    struct samples samples;
    struct gr_choice choice;
    gather(&plan->paths, t, room, &samples);
    struct gr_outlook outlook = gr_engine_outlook(engine, plan, t);
    outlook.hours = plan->horizon.hours[t];
    outlook.stored_kwh = stored_kwh;
    outlook.floor_kwh = fmax(outlook.floor_kwh, least_kwh(plan, &engine->config, t, stored_kwh));
    outlook.samples = samples.count;
    outlook.house_kw = samples.house_kw;
    outlook.car_kw = samples.car_kw;
    outlook.solar_kw = samples.solar_kw;
    outlook.weight = samples.weight;
    double car_kw = gr_engine_car_kw(plan, t);
    for (size_t k = 0; k < samples.count; k++) {
        samples.car_kw[k] = car_kw;
    }
    if (car_kw > 0 && engine->config.site.grid.car_side == GR_CAR_ON_HOUSE_SIDE) {
        outlook.battery.discharge_kw *= 1 - car_kw / plan->car_kw;
    }
    int status = gr_live_choose(&choice, &outlook, error);
    if (status == GR_OK) {
        plan->slots[t] =
            (struct gr_plan_slot){.start_s = plan->horizon.bounds_s[t],
                                  .end_s = plan->horizon.bounds_s[t + 1],
                                  .import_price = outlook.import_price - plan->horizon.carbon_price[t],
                                  .export_price = outlook.export_price - plan->horizon.carbon_credit[t],
                                  .carbon_kg_per_kwh = plan->horizon.carbon_kg[t],
                                  .expected_price = plan->horizon.expected[t]};
        enum gr_bar bar[GR_COMMAND_KINDS] = {
            [GR_EXPORT] = gr_engine_export_bar(engine, &plan->overrides, plan->horizon.bounds_s[t])};
        heed_least_gain(engine, &outlook, &choice, bar);
        heed_command(plan, t, &outlook, &choice);
        gr_engine_weigh(&plan->why[t], engine, plan, t, &outlook, &choice, bar);
        fill_slot(plan, t, &outlook, &choice);
    }
    return status;
}

/* Follows the plan from slot to slot: in each the live policy's choice, stored energy carried on as its mean.
 */
static int roll_forward(const struct gr_engine *engine, struct gr_engine_plan *plan, double stored_kwh,
                        struct gr_error *error)
{
    struct path_power *room = malloc(plan->paths.count * sizeof *room);
    plan->slots = calloc(plan->horizon.slots, sizeof *plan->slots);
    plan->why = calloc(plan->horizon.slots, sizeof *plan->why);
    if (plan->full_windows > 0) {
        plan->been_full = calloc(plan->horizon.slots + 1, sizeof *plan->been_full);
    }
    if (!room || !plan->slots || !plan->why || (plan->full_windows > 0 && !plan->been_full)) {
        free(room);
        return gr_error_set(error, GR_NO_MEMORY, "no memory for a plan");
    }
    int status = GR_OK;
    for (size_t t = 0; status == GR_OK && t < plan->horizon.slots; t++) {
        status = fill_next_slot(engine, plan, t, room, stored_kwh, error);
        /* a weighted mean may round to a hair beyond full */
        stored_kwh = fmin(fmax(plan->slots[t].stored_kwh, 0), engine->config.site.battery.capacity_kwh);
        plan->cost += plan->slots[t].cost;
        plan->import_kwh += plan->horizon.hours[t] * fmax(0, plan->slots[t].grid_kw);
        plan->left_kwh = stored_kwh;
        if (plan->been_full) {
            gr_engine_carry_full(&engine->config, plan, t, stored_kwh);
        }
    }
    if (status == GR_OK) {
        gr_engine_give_reasons(engine, plan);
    }
    free(room);
    return status;
}

/* Every path takes what is known of the time to come. */
static int learn(const struct gr_foreknowledge *known, struct gr_engine_plan *plan)
{
    struct gr_paths *paths = &plan->paths;
    if (!known->fill) {
        return GR_OK;
    }
    double *room = malloc(2 * paths->slots * sizeof *room);
    if (!room) {
        return GR_NO_MEMORY;
    }
    for (size_t i = 0; i < 2 * paths->slots; i++) {
        room[i] = NAN;
    }
    double *house_kw = room, *solar_kw = room + paths->slots;
    known->fill(known->context, plan->horizon.bounds_s, paths->slots, house_kw, solar_kw);
    for (size_t i = 0; i < paths->count * paths->slots; i++) {
        size_t slot = i % paths->slots;
        paths->load_kw[i] = isnan(house_kw[slot]) ? paths->load_kw[i] : house_kw[slot];
        paths->solar_kw[i] = isnan(solar_kw[slot]) ? paths->solar_kw[i] : solar_kw[slot];
    }
    free(room);
    return GR_OK;
}

static int build_plan(struct gr_engine *engine, const struct gr_overrides *overrides, struct gr_moment now,
                      double stored_kwh, double house_kw, double solar_kw, struct gr_engine_plan *out,
                      struct gr_error *error)
{
    const struct gr_engine_config *config = &engine->config;
    struct gr_engine_plan plan = {.made_s = now.utc_s,
                                  .made_mono_ms = now.mono_ms,
                                  .overrides = *overrides,
                                  .start_kwh = stored_kwh,
                                  .import_co2_kg = NAN};
    int status = gr_horizon_build(&plan.horizon, config, engine->tariffs, engine->habits, overrides,
                                  engine->zone, now.utc_s);
    if (status != GR_OK) {
        (void)gr_error_set(error, status, "no import price is known for now");
        goto out;
    }
    set_floors(&plan.horizon, config, stored_kwh);
    status = gr_paths_build(&plan.paths, engine->history, &config->planning.expectation, &config->site,
                            engine->zone, plan.horizon.bounds_s, plan.horizon.slots, error);
    if (status != GR_OK) {
        goto out;
    }
    plan.promise =
        gr_weather_guide(engine->weather, &plan.paths, engine->history, &config->site, plan.horizon.bounds_s);
    gr_paths_lean(&plan.paths, plan.horizon.bounds_s, house_kw, solar_kw, lean_half_life_s);
    if (learn(&config->known, &plan) != GR_OK) {
        status = gr_error_set(error, GR_NO_MEMORY, "no memory for a plan");
        goto out;
    }
    heed_overrides(&plan, &config->site.battery);
    gr_horizon_price_carbon(&plan.horizon, &config->planning);
    gr_engine_plan_car(&plan);
    if (gr_engine_spread_prices(engine, &plan) != GR_OK) {
        status = gr_error_set(error, GR_NO_MEMORY, "no memory for a plan");
        goto out;
    }
    plan.penalty_per_kwh = find_penalty(&plan.horizon);
    plan.dearest_per_kwh = plan.penalty_per_kwh / 20;
    gr_engine_find_full(engine, &plan);
    status = find_values(engine, &plan, stored_kwh, error);
    if (status == GR_OK && !config->planning.brief) {
        status = roll_forward(engine, &plan, stored_kwh, error);
    }
    if (status == GR_OK) {
        plan.made = true;
        *out = plan;
        memset(&plan, 0, sizeof plan);
    }
out:
    gr_engine_plan_free(&plan);
    return status;
}

/* What a plan costs, less what it leaves in the store; both with what carbon counts. */
static double net_cost(const struct gr_engine_plan *plan)
{
    return plan->cost + plan->carbon_cost +
           gr_value_at(&plan->values.value[plan->horizon.slots - 1], plan->left_kwh);
}

/* Each override against the plan with all the others. */
static void cost_overrides(struct gr_engine *engine, struct gr_moment now, double stored_kwh, double house_kw,
                           double solar_kw)
{
    for (int kind = 0; kind < GR_OVERRIDE_KINDS; kind++) {
        struct gr_override_cost *cost = &engine->override_cost[kind];
        struct gr_overrides others = engine->plan.overrides;
        struct gr_engine_plan plan = {0};
        *cost = (struct gr_override_cost){NAN, NAN};
        if (!others.active[kind] || engine->config.planning.brief) {
            continue;
        }
        others.active[kind] = false;
        if (build_plan(engine, &others, now, stored_kwh, house_kw, solar_kw, &plan, NULL) == GR_OK) {
            *cost = (struct gr_override_cost){net_cost(&engine->plan) - net_cost(&plan),
                                              engine->plan.import_kwh - plan.import_kwh};
        }
        gr_engine_plan_free(&plan);
    }
}

int gr_engine_make_plan(struct gr_engine *engine, struct gr_moment now, double stored_kwh, double house_kw,
                        double solar_kw, struct gr_error *error)
{
    struct gr_engine_plan plan = {0};
    gr_engine_feel_battery(engine, &now);
    int status = build_plan(engine, &engine->overrides, now, stored_kwh, house_kw, solar_kw, &plan, error);
    if (status == GR_OK) {
        gr_engine_plan_free(&engine->plan);
        engine->plan = plan;
        cost_overrides(engine, now, stored_kwh, house_kw, solar_kw);
    }
    return status;
}
