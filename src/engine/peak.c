/* The month's peaks: what the meter has seen of them, and below which level it is worth to keep. */
#include "engine/internal.h"

#include "granary/civil.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Every hour above the level is priced, and every day's, though a month pays for its highest alone: so much
 * of a kW's charge each. */
static const double once_share = 0.3;

/* ---- what the meter has seen ---- */

static int64_t month_of(const struct gr_zone *zone, int64_t utc_s)
{
    struct gr_civil civil = gr_civil_from_seconds(gr_zone_local_s(zone, utc_s));
    return (int64_t)civil.year * 12 + civil.month;
}

static int day_of(const struct gr_zone *zone, int64_t utc_s)
{
    return gr_civil_from_seconds(gr_zone_local_s(zone, utc_s)).day;
}

static int64_t length_s(const struct gr_peak_charge *charge)
{
    return (int64_t)charge->minutes * 60;
}

static void close_interval(struct gr_peak_meter *meter)
{
    if (meter->seconds > 0) {
        double kw = meter->kwh / meter->seconds * 3600;
        meter->day_kw[meter->day] = fmax(meter->day_kw[meter->day], kw);
    }
    meter->kwh = meter->seconds = 0;
}

/* A stretch within one interval. */
static void note_part(struct gr_peak_meter *meter, const struct gr_peak_charge *charge,
                      const struct gr_zone *zone, int64_t from_s, int64_t to_s, double import_kw)
{
    int64_t interval = gr_peak_interval(zone, from_s, length_s(charge)), month = month_of(zone, from_s);
    if (interval != meter->interval) {
        close_interval(meter);
        meter->interval = interval;
    }
    if (month != meter->month) {
        memset(meter->day_kw, 0, sizeof meter->day_kw);
        meter->month = month;
    }
    if (gr_peak_counts(charge, gr_zone_local_s(zone, from_s))) {
        double seconds = (double)(to_s - from_s);
        meter->day = day_of(zone, from_s);
        meter->kwh += import_kw * seconds / 3600;
        meter->seconds += seconds;
    }
}

void gr_peak_meter_note(struct gr_peak_meter *meter, const struct gr_peak_charge *charge,
                        const struct gr_zone *zone, int64_t from_s, int64_t to_s, double grid_kw)
{
    int64_t step_s = length_s(charge);
    from_s = from_s > meter->until_s ? from_s : meter->until_s;
    while (from_s < to_s) {
        int64_t into_s = (from_s + 3600 + gr_zone_offset_s(zone, from_s) % 3600) % step_s;
        int64_t next_s = from_s + step_s - into_s < to_s ? from_s + step_s - into_s : to_s;
        note_part(meter, charge, zone, from_s, next_s, fmax(0, grid_kw));
        meter->until_s = from_s = next_s;
    }
}

/* The peaks of the month that a moment lies in, with that of an interval which has ended. */
static void seen_until(const struct gr_peak_meter *meter, const struct gr_peak_charge *charge,
                       const struct gr_zone *zone, int64_t utc_s, double day_kw[GR_MONTH_DAYS])
{
    struct gr_peak_meter until = *meter;
    if (until.interval != gr_peak_interval(zone, utc_s, length_s(charge))) {
        close_interval(&until);
    }
    memset(day_kw, 0, GR_MONTH_DAYS * sizeof *day_kw);
    if (until.month == month_of(zone, utc_s)) {
        memcpy(day_kw, until.day_kw, sizeof until.day_kw);
    }
}

/* Mean power that keeps the interval at hand at the level, from a moment to its end, after what it has had.
 */
static double rest_of_interval_kw(const struct gr_engine *engine, int64_t now_s, double level_kw)
{
    const struct gr_peak_meter *meter = &engine->peak;
    int64_t step_s = length_s(&engine->config.peak);
    int64_t into_s = (now_s + 3600 + gr_zone_offset_s(engine->zone, now_s) % 3600) % step_s;
    bool open = meter->interval == gr_peak_interval(engine->zone, now_s, step_s);
    double kwh = level_kw * (double)step_s / 3600 - (open ? meter->kwh : 0);
    return fmax(0, kwh / (double)(step_s - into_s) * 3600);
}

/* ---- the level to keep ---- */

/* What is left of a month, and what it has seen. */
struct rest {
    double seen_kw[2 * GR_MONTH_DAYS]; /* by day; then room for those to come */
    size_t days;                       /* to come, today among them */
    double horizons;                   /* how often the horizon goes into what is left */
};

/* Mean peak of a month whose other days come to this peak. */
static double mean_with(const struct gr_peak_charge *charge, struct rest *rest, double kw)
{
    size_t more = rest->days < charge->days ? rest->days : charge->days;
    for (size_t i = 0; i < more; i++) {
        rest->seen_kw[GR_MONTH_DAYS + i] = kw;
    }
    return gr_peak_mean_kw(charge, rest->seen_kw, GR_MONTH_DAYS + more);
}

/* Steps are taken as a broken line: nobody knows beforehand on which side of an end a month will come to lie,
 * so that there it is half of either price. */
static double line_price(const struct gr_peak_charge *charge, double mean_kw, double *slope)
{
    double from_kw = 0, from = charge->step[0].price;
    for (size_t i = 0; i < charge->step_count; i++) {
        double next = charge->step[i + 1 < charge->step_count ? i + 1 : i].price;
        double to_kw = charge->step[i].up_to_kw, to = (charge->step[i].price + next) / 2;
        *slope = (to - from) / (to_kw - from_kw);
        if (mean_kw <= to_kw) {
            return from + *slope * (mean_kw - from_kw);
        }
        from_kw = to_kw;
        from = to;
    }
    *slope = 0;
    return from;
}

/* What a month of that mean is expected to cost. */
static double month_price(const struct gr_peak_charge *charge, double mean_kw)
{
    double slope;
    return charge->step_count > 0 ? line_price(charge, mean_kw, &slope) : charge->per_kw * mean_kw;
}

/* Money for a kW more on a day that counts, where the month's mean is that. */
static double kw_price(const struct gr_peak_charge *charge, double mean_kw)
{
    double price = charge->per_kw;
    if (charge->step_count > 0) {
        (void)line_price(charge, mean_kw, &price);
    }
    return price / (double)charge->days;
}

static double kwh_price(const struct gr_peak_charge *charge, double mean_kw)
{
    return once_share * kw_price(charge, mean_kw) * 3600 / (double)length_s(charge);
}

/* One path's plan, as good as it could be: its cost without the price on what is above the level, and its
 * peak.
 */
struct course {
    double cost, peak_kw, weight;
};

struct level_search {
    struct gr_engine *engine;
    const struct gr_peak_charge *charge;
    const struct gr_engine_plan *plan;
    struct gr_problem problem; /* of one path */
    double *limit_kw;
    struct course *course;
    struct rest rest;
};

static int plan_course(struct level_search *search, size_t k, struct gr_error *error)
{
    const struct gr_paths *paths = &search->plan->paths;
    const struct gr_horizon *horizon = &search->plan->horizon;
    struct course *course = &search->course[k];
    struct gr_plan plan;
    search->problem.load_kw = paths->load_kw + k * paths->slots;
    search->problem.solar_kw = paths->solar_kw + k * paths->slots;
    int status = gr_planner_solve(search->engine->planner, &search->problem, &plan, error);
    if (status != GR_OK) {
        return status;
    }
    *course = (struct course){.cost = plan.cost, .weight = paths->weight[k]};
    for (size_t t = 0; t < horizon->slots; t++) {
        double over_kw = fmax(0, plan.grid_kw[t] - search->limit_kw[t]);
        bool counts = search->limit_kw[t] < GR_NO_PEAK_KW;
        course->cost -= search->problem.import_soft_per_kwh * horizon->hours[t] * over_kw;
        course->peak_kw = fmax(course->peak_kw, counts ? plan.grid_kw[t] : 0);
    }
    gr_plan_free(&plan);
    return GR_OK;
}

static int compare_peaks(const void *a, const void *b)
{
    double x = ((const struct course *)a)->peak_kw, y = ((const struct course *)b)->peak_kw;
    return (x > y) - (x < y);
}

/* The highest peak that is expected of so many draws from the courses. */
static double expected_peak_kw(struct course *course, size_t count, double draws)
{
    double passed = 0, before = 0, sum = 0;
    qsort(course, count, sizeof *course, compare_peaks);
    for (size_t k = 0; k < count; k++) {
        passed = fmin(1, passed + course[k].weight);
        double chance = pow(passed, draws);
        sum += course[k].peak_kw * (chance - before);
        before = chance;
    }
    return sum;
}

/* What the rest of the month costs where its days keep the level as far as they can: the horizon again and
 * again, and the charge for the highest of it. */
static int cost_at(struct level_search *search, double level_kw, double *cost, struct gr_error *error)
{
    const struct gr_horizon *horizon = &search->plan->horizon;
    size_t count = search->plan->paths.count;
    double energy = 0;
    int status = GR_OK;
    for (size_t t = 0; t < horizon->slots; t++) {
        int64_t local_s = gr_zone_local_s(search->engine->zone, horizon->bounds_s[t]);
        search->limit_kw[t] = gr_peak_counts(search->charge, local_s) ? level_kw : GR_NO_PEAK_KW;
    }
    search->problem.import_soft_per_kwh =
        kwh_price(search->charge, mean_with(search->charge, &search->rest, level_kw));
    for (size_t k = 0; status == GR_OK && k < count; k++) {
        status = plan_course(search, k, error);
        energy += search->course[k].weight * search->course[k].cost;
    }
    double peak_kw = expected_peak_kw(search->course, count, search->rest.horizons);
    double mean_kw = mean_with(search->charge, &search->rest, peak_kw);
    *cost = search->rest.horizons * energy + month_price(search->charge, mean_kw);
    return status;
}

static double greatest_import_kw(const struct level_search *search)
{
    const struct gr_paths *paths = &search->plan->paths;
    double most_kw = 0;
    for (size_t i = 0; i < paths->count * paths->slots; i++) {
        most_kw = fmax(most_kw, paths->load_kw[i]);
    }
    return fmin(most_kw + search->problem.battery.charge_kw, search->problem.import_limit_kw);
}

static void rest_of_month(const struct gr_engine *engine, const struct gr_engine_plan *plan,
                          struct rest *rest)
{
    const struct gr_horizon *horizon = &plan->horizon;
    int64_t now_s = horizon->bounds_s[0];
    struct gr_civil civil = gr_civil_from_seconds(gr_zone_local_s(engine->zone, now_s));
    struct gr_civil next = {.year = civil.year, .month = civil.month + 1, .day = 1};
    double left_s = (double)(gr_civil_seconds(&next) - gr_zone_local_s(engine->zone, now_s));
    double horizon_s = (double)(horizon->bounds_s[horizon->slots] - now_s);
    *rest = (struct rest){.days = (size_t)ceil(left_s / GR_DAY_S), .horizons = fmax(1, left_s / horizon_s)};
    seen_until(&engine->peak, &engine->config.peak, engine->zone, now_s, rest->seen_kw);
}

static int choose_level(struct level_search *search, double *level_kw, struct gr_error *error)
{
    static const double shares[] = {0, 0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.6, 1};
    double most_kw = greatest_import_kw(search), least = INFINITY;
    int status = GR_OK;
    for (size_t i = 0; status == GR_OK && i < sizeof shares / sizeof *shares; i++) {
        double cost = INFINITY;
        status = cost_at(search, shares[i] * most_kw, &cost, error);
        if (cost < least) {
            least = cost;
            *level_kw = shares[i] * most_kw;
        }
    }
    return status;
}

/* A day's peak below the N-th highest of the others changes nothing; one below its own neither. */
static double free_kw(const struct gr_peak_charge *charge, const struct rest *rest, int day)
{
    double others_kw[GR_MONTH_DAYS];
    memcpy(others_kw, rest->seen_kw, sizeof others_kw);
    others_kw[day] = 0;
    double with_none = gr_peak_mean_kw(charge, others_kw, GR_MONTH_DAYS);
    double low_kw = 0, high_kw = 0;
    for (int i = 0; i < GR_MONTH_DAYS; i++) {
        high_kw = fmax(high_kw, others_kw[i]);
    }
    for (int i = 0; i < 40; i++) {
        others_kw[day] = (low_kw + high_kw) / 2;
        bool same = gr_peak_mean_kw(charge, others_kw, GR_MONTH_DAYS) <= with_none + 1e-9;
        *(same ? &low_kw : &high_kw) = others_kw[day];
    }
    return fmax(low_kw, rest->seen_kw[day]);
}

static void limit_slots(const struct level_search *search, struct gr_engine_plan *plan, double level_kw)
{
    const struct gr_zone *zone = search->engine->zone;
    const struct gr_horizon *horizon = &plan->horizon;
    struct rest rest = search->rest;
    int64_t month = month_of(zone, horizon->bounds_s[0]);
    int day = 0;
    double day_kw = 0;
    for (size_t t = 0; t < horizon->slots; t++) {
        int64_t at_s = horizon->bounds_s[t];
        if (day_of(zone, at_s) != day) {
            day = day_of(zone, at_s);
            day_kw = month_of(zone, at_s) == month ? free_kw(search->charge, &rest, day) : 0;
        }
        bool counts = gr_peak_counts(search->charge, gr_zone_local_s(zone, at_s));
        plan->peak_kw[t] = counts ? fmax(level_kw, day_kw) : GR_NO_PEAK_KW;
    }
    plan->peak_per_kwh = kwh_price(search->charge, mean_with(search->charge, &rest, level_kw));
}

/* The level is chosen once a day. */
static int keep_level(struct level_search *search, struct gr_error *error)
{
    struct gr_peak_meter *meter = &search->engine->peak;
    int64_t local_s = gr_zone_local_s(search->engine->zone, search->plan->horizon.bounds_s[0]);
    int64_t day = gr_civil_day(local_s);
    if (meter->leveled && meter->level_day == day) {
        return GR_OK;
    }
    int status = choose_level(search, &meter->level_kw, error);
    meter->leveled = status == GR_OK;
    meter->level_day = day;
    return status;
}

double gr_engine_peak_now_kw(const struct gr_engine *engine, const struct gr_engine_plan *plan, int64_t now_s)
{
    double level_kw = plan->peak_kw[0];
    return level_kw < GR_NO_PEAK_KW ? rest_of_interval_kw(engine, now_s, level_kw) : GR_NO_PEAK_KW;
}

int gr_engine_plan_peak(struct gr_engine *engine, struct gr_engine_plan *plan,
                        const struct gr_problem *problem, struct gr_error *error)
{
    size_t slots = problem->slots;
    if (!engine->config.peak.any) {
        return GR_OK;
    }
    double *limit_kw = malloc(slots * sizeof *limit_kw);
    struct course *course = calloc(plan->paths.count, sizeof *course);
    plan->peak_kw = calloc(2 * slots, sizeof *plan->peak_kw);
    if (!limit_kw || !course || !plan->peak_kw) {
        free(limit_kw);
        free(course);
        return gr_error_set(error, GR_NO_MEMORY, "no memory for a plan");
    }
    plan->soft_kw = plan->peak_kw + slots;
    struct level_search search = {.engine = engine,
                                  .charge = &engine->config.peak,
                                  .plan = plan,
                                  .problem = *problem,
                                  .limit_kw = limit_kw,
                                  .course = course};
    search.problem.slot_import_soft_kw = limit_kw;
    rest_of_month(engine, plan, &search.rest);
    int status = keep_level(&search, error);
    if (status == GR_OK) {
        limit_slots(&search, plan, engine->peak.level_kw);
    }
    int64_t now_s = plan->horizon.bounds_s[0], step_s = length_s(&engine->config.peak);
    int64_t interval = gr_peak_interval(engine->zone, now_s, step_s);
    double rest_kw = status == GR_OK ? gr_engine_peak_now_kw(engine, plan, now_s) : 0;
    for (size_t t = 0; status == GR_OK && t < slots; t++) {
        bool same = gr_peak_interval(engine->zone, plan->horizon.bounds_s[t], step_s) == interval;
        plan->soft_kw[t] = same && plan->peak_kw[t] < GR_NO_PEAK_KW ? rest_kw : plan->peak_kw[t];
    }
    free(limit_kw);
    free(course);
    return status;
}
