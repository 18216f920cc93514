/* What is left at the horizon's end: the days after it would use it, in part. */
#include "engine/internal.h"

#include "granary/civil.h"

#include <math.h>
#include <string.h>

/* Days are planned on after the horizon, by the hour and on one mean course: enough for a battery that holds
 * more than the house takes in two days to wait for prices that are worth it. */
enum { TAIL_HOURS = 72, HOURS_A_DAY = 24 };

/* One slot comes before the tail: what is sought is the value at its end. */
struct tail {
    double hours[TAIL_HOURS + 1], load_kw[TAIL_HOURS + 1], solar_kw[TAIL_HOURS + 1];
    double import_price[TAIL_HOURS + 1], export_price[TAIL_HOURS + 1], floor_kwh[TAIL_HOURS + 1];
    bool may_export[TAIL_HOURS + 1];
};

/* The horizon's last day by hours, as the mean of the paths. */
struct last_day {
    double load_kw[HOURS_A_DAY], solar_kw[HOURS_A_DAY];
};

static double shared_s(int64_t a_s, int64_t b_s, int64_t c_s, int64_t d_s)
{
    int64_t from_s = a_s > c_s ? a_s : c_s, to_s = b_s < d_s ? b_s : d_s;
    return to_s > from_s ? (double)(to_s - from_s) : 0;
}

static void find_last_day(const struct gr_engine_plan *plan, struct last_day *day)
{
    const struct gr_horizon *horizon = &plan->horizon;
    int64_t day_s = horizon->bounds_s[horizon->slots] - GR_DAY_S;
    *day = (struct last_day){{0}, {0}};
    for (size_t t = horizon->slots; t-- > 0 && horizon->bounds_s[t + 1] > day_s;) {
        double load_kw, solar_kw;
        gr_paths_mean(&plan->paths, t, &load_kw, &solar_kw);
        int64_t first = (horizon->bounds_s[t] - day_s) / 3600;
        for (size_t hour = first > 0 ? (size_t)first : 0; hour < HOURS_A_DAY; hour++) {
            int64_t hour_s = day_s + (int64_t)hour * 3600;
            double share =
                shared_s(horizon->bounds_s[t], horizon->bounds_s[t + 1], hour_s, hour_s + 3600) / 3600;
            if (!(share > 0)) {
                break;
            }
            day->load_kw[hour] += share * load_kw;
            day->solar_kw[hour] += share * solar_kw;
        }
    }
}

/* Where prices of the horizon are expected only, so are all that come after it. A price is looked up anew
 * where the last one found, `*price`, has ended. */
static double price_at(struct gr_price *price, const struct gr_engine *engine, enum gr_direction direction,
                       int64_t utc_s)
{
    const struct gr_price_habit *habit = &engine->habits[direction];
    double expected = habit->learned ? gr_price_habit_at(habit, engine->zone, utc_s) : NAN;
    if (!isnan(expected)) {
        return expected;
    }
    if (utc_s >= price->until_s &&
        gr_tariff_at(&engine->tariffs[direction], engine->zone, utc_s, price) != GR_OK) {
        price->price_per_kwh = NAN;
    }
    return price->price_per_kwh;
}

/* False where an import price is not even expected. */
static bool fill(const struct gr_engine *engine, const struct gr_engine_plan *plan, struct tail *tail)
{
    const struct gr_horizon *horizon = &plan->horizon;
    const struct gr_planning *planning = &engine->config.planning;
    int64_t end_s = horizon->bounds_s[horizon->slots];
    struct gr_price bought = {.until_s = INT64_MIN}, sold = bought, emitted = bought;
    struct last_day day;
    find_last_day(plan, &day);
    for (size_t t = 0; t <= TAIL_HOURS; t++) {
        int64_t start_s = end_s + ((int64_t)t - 1) * 3600;
        size_t hour = (t + HOURS_A_DAY - 1) % HOURS_A_DAY;
        double import = price_at(&bought, engine, GR_IMPORT, start_s + 1800);
        double export = price_at(&sold, engine, GR_EXPORT_DIRECTION, start_s + 1800);
        double carbon_kg = price_at(&emitted, engine, GR_CARBON, start_s + 1800);
        double carbon = gr_engine_carbon_price(planning, carbon_kg);
        if (isnan(import)) {
            return false;
        }
        tail->hours[t] = 1;
        tail->load_kw[t] = day.load_kw[hour];
        tail->solar_kw[t] = day.solar_kw[hour];
        tail->import_price[t] = import + carbon;
        tail->export_price[t] = (isnan(export) ? 0 : export) + (planning->carbon_credits_export ? carbon : 0);
        tail->floor_kwh[t] = horizon->floor_kwh[horizon->slots - 1];
        tail->may_export[t] = gr_engine_export_bar(engine, &plan->overrides, start_s) == GR_BAR_NONE;
    }
    return true;
}

int gr_engine_value_tail(const struct gr_engine *engine, const struct gr_engine_plan *plan,
                         const struct gr_problem *problem, struct gr_path_values *out, struct gr_error *error)
{
    const struct gr_horizon *horizon = &plan->horizon;
    struct tail tail;
    memset(out, 0, sizeof *out);
    if (horizon->bounds_s[horizon->slots] - horizon->bounds_s[0] < GR_DAY_S || !fill(engine, plan, &tail)) {
        return GR_OK;
    }
    double one = 1;
    struct gr_paths mean = {.count = 1,
                            .slots = TAIL_HOURS + 1,
                            .weight = &one,
                            .load_kw = tail.load_kw,
                            .solar_kw = tail.solar_kw};
    struct gr_problem after = *problem;
    after.slots = TAIL_HOURS + 1;
    after.hours = tail.hours;
    after.import_price = tail.import_price;
    after.export_price = tail.export_price;
    after.floor_kwh = tail.floor_kwh;
    after.may_export = problem->may_export ? tail.may_export : NULL;
    after.slot_import_limit_kw = after.slot_discharge_kw = NULL;
    after.full_windows = 0;
    return gr_planner_path_values(engine->planner, &after, &mean, 1, out, error);
}
