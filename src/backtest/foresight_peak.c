/* The bound where the month's highest imports are paid for.
 *
 * With p money for each kW of a month's mean peak, the best plan keeps the imports of each day below a level:
 * one that the month's days share, or, on fewer days than the mean is of, a higher one of its own at which a
 * kW less would cost p / N. What a kW more of a level would save is told by the plan's marginal values, so
 * all levels are found at once, by halving. The same figures, added to the import prices of the hours that
 * make the peaks (on a day p / N at most, in a month p), give a problem whose optimum no bill is below
 * (Lagrangian duality).
 *
 * With steps a month takes one of them: its mean peak may not lie above the step's end. For each step, prices
 * as above, less what the step's end allows, bound the month from below, as functions of what is stored when
 * it begins; the lower envelope of them is what the month before works towards. */
#include "backtest/foresight_peak.h"

#include "granary/error.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { ROUNDS = 3, HALVINGS = 40 };

static const double proven = 1e-6; /* of the cost */
static const double near = 1e-5;   /* kW or kWh: the same; levels are found far nearer */

/* ---- the plan for given limits ---- */

static double per_kw(const struct gr_peak_search *search, size_t month)
{
    return search->peaks->charge->per_kw * search->peaks->share[month];
}

static double mean_days(const struct gr_peak_search *search)
{
    return (double)search->peaks->charge->days;
}

/* What a kW more of the slot's limit would save, for each hour of it: what the energy is worth in the store,
 * or in place of what is taken from it, less what it costs. */
static double saves_per_kwh(const struct gr_peak_search *search, const struct gr_plan *plan, size_t t,
                            double worth)
{
    const struct gr_problem *problem = &search->problem;
    const struct gr_battery *battery = &problem->battery;
    if (plan->grid_kw[t] > search->limit_kw[t] + near) {
        return problem->import_soft_per_kwh;
    }
    if (plan->grid_kw[t] < search->limit_kw[t] - near) {
        return 0;
    }
    worth = plan->discharge_kw[t] > 0 ? worth / battery->discharge_efficiency + battery->wear_per_kwh
                                      : worth * battery->charge_efficiency;
    return fmax(0, worth - problem->import_price[t]);
}

/* Peaks of the days and months of a plan. */
static void find_peaks(struct gr_peak_search *search, const struct gr_plan *plan)
{
    const struct gr_backtest_place *place = search->peaks->place;
    double day_kw[GR_MONTH_DAYS];
    size_t count = 0;
    for (size_t d = 0; d < search->days; d++) {
        struct gr_peak_day *day = &search->day[d];
        day->peak_kw = day->most_kw = 0;
        for (size_t t = day->first; t < day->end;) {
            int64_t interval = place[t].interval;
            double kwh = 0, hours = search->hours[t];
            for (; t < day->end && place[t].interval == interval; t++) {
                double import_kw = place[t].counts ? fmax(0, plan->grid_kw[t]) : 0;
                kwh += search->problem.hours[t] * import_kw;
                day->most_kw = fmax(day->most_kw, import_kw);
            }
            day->peak_kw = fmax(day->peak_kw, hours > 0 ? kwh / hours : 0);
        }
        day_kw[count++] = day->peak_kw;
        if (d + 1 == search->days || search->day[d + 1].month != day->month) {
            search->month[day->month].peak_kw = gr_peak_mean_kw(search->peaks->charge, day_kw, count);
            count = 0;
        }
    }
}

/* ---- what a kWh is worth in the store ---- */

/* Between two moments at which the battery is full or empty a stored kWh has one worth: no slot may make it
 * cheaper, or use it better, than that. */
struct worth {
    double low, high;
};

/* What raising, and lowering, the grid power of slot t would cost and save, per kWh. */
static struct worth at_meter(const struct gr_peak_search *search, const struct gr_plan *plan, size_t t)
{
    const struct gr_problem *problem = &search->problem;
    double grid_kw = plan->grid_kw[t], import = problem->import_price[t], export = problem->export_price[t];
    struct worth price = {grid_kw > near ? import : export, grid_kw < -near ? export : import};
    if (grid_kw > search->limit_kw[t] + near) {
        return (struct worth){import + problem->import_soft_per_kwh, import + problem->import_soft_per_kwh};
    }
    if (grid_kw > search->limit_kw[t] - near) {
        price.high = import + problem->import_soft_per_kwh;
    }
    if (grid_kw < -problem->export_limit_kw + near) {
        price.low = export - problem->penalty_per_kwh;
    }
    return price;
}

static struct worth worth_in(const struct gr_peak_search *search, const struct gr_plan *plan, size_t t)
{
    const struct gr_battery *battery = &search->problem.battery;
    struct worth price = at_meter(search, plan, t);
    double charge_kw = plan->charge_kw[t], discharge_kw = plan->discharge_kw[t];
    double most = search->problem.import_soft_per_kwh;
    struct worth worth = {
        charge_kw > near ? price.low / battery->charge_efficiency
                         : (price.low - battery->wear_per_kwh) * battery->discharge_efficiency,
        discharge_kw > near ? (price.high - battery->wear_per_kwh) * battery->discharge_efficiency
                            : price.high / battery->charge_efficiency};
    worth.low = discharge_kw > battery->discharge_kw - near ? -most : worth.low;
    worth.high = charge_kw > battery->charge_kw - near ? most : worth.high;
    return worth;
}

/* What is stored between two slots ties their worths together: one worth, or, where the battery is full, no
 * more before than after, where it is empty, no less. */
static void tie(struct worth *before, struct worth *after, const struct gr_problem *problem,
                double stored_kwh, double floor_kwh)
{
    bool full = stored_kwh > problem->battery.capacity_kwh - near, empty = stored_kwh < floor_kwh + near;
    if (!empty) {
        before->high = fmin(before->high, after->high);
        after->low = fmax(after->low, before->low);
    }
    if (!full) {
        before->low = fmax(before->low, after->low);
        after->high = fmin(after->high, before->high);
    }
}

/* search->end = the least and the most that a kWh more below the limits may save. */
static int find_ends(struct gr_peak_search *search, const struct gr_plan *plan)
{
    const struct gr_problem *problem = &search->problem;
    size_t slots = problem->slots;
    struct worth *worth = malloc((slots + 1) * sizeof *worth);
    if (!worth) {
        return GR_NO_MEMORY;
    }
    for (size_t t = 0; t < slots; t++) {
        worth[t] = worth_in(search, plan, t);
    }
    double left = plan->marginal_value_per_kwh[slots - 1];
    worth[slots] = (struct worth){left, left};
    for (size_t t = 1; t <= slots; t++) {
        tie(&worth[t - 1], &worth[t], problem, plan->stored_kwh[t - 1], problem->floor_kwh[t - 1]);
    }
    for (size_t t = slots; t > 0; t--) {
        tie(&worth[t - 1], &worth[t], problem, plan->stored_kwh[t - 1], problem->floor_kwh[t - 1]);
    }
    for (size_t t = 0; t < slots; t++) {
        bool counts = search->peaks->place[t].counts;
        search->end[GR_LEAST][t] = counts ? saves_per_kwh(search, plan, t, worth[t].low) : 0;
        bool most_discharged = plan->discharge_kw[t] > problem->battery.discharge_kw - near;
        double high = most_discharged ? problem->import_soft_per_kwh : worth[t].high;
        search->end[GR_MOST][t] = counts ? saves_per_kwh(search, plan, t, high) : 0;
        search->end[GR_MOST][t] = fmax(search->end[GR_LEAST][t], search->end[GR_MOST][t]);
    }
    free(worth);
    return GR_OK;
}

double gr_peak_sum_of(const struct gr_peak_search *search, const struct gr_peak_day *day, const double *saves)
{
    double sum = 0;
    for (size_t t = day->first; t < day->end; t++) {
        sum += saves[t] * search->problem.hours[t];
    }
    return sum;
}

int gr_peak_plan_limited(struct gr_peak_search *search, struct gr_plan *keep, struct gr_error *error)
{
    struct gr_plan plan;
    for (size_t d = 0; d < search->days; d++) {
        struct gr_peak_day *day = &search->day[d];
        for (size_t t = day->first; t < day->end; t++) {
            search->limit_kw[t] = search->peaks->place[t].counts ? day->limit_kw : GR_PEAK_NO_LIMIT_KW;
        }
    }
    int rc = gr_planner_solve(search->planner, &search->problem, &plan, error);
    if (rc != GR_OK) {
        return rc;
    }
    rc = find_ends(search, &plan);
    for (size_t d = 0; d < search->days; d++) {
        struct gr_peak_day *day = &search->day[d];
        day->saves = gr_peak_sum_of(search, day, search->end[GR_LEAST]);
    }
    find_peaks(search, &plan);
    if (keep && rc == GR_OK) {
        *keep = plan;
    } else {
        gr_plan_free(&plan);
    }
    return rc == GR_OK ? rc : gr_error_set(error, rc, "no memory for the peaks");
}

/* ---- levels where a kW has a price ---- */

/* Where a day's own level is being sought it is halved, else the month's is tried. */
static void choose_limits(struct gr_peak_search *search)
{
    for (size_t m = 0; m < search->peaks->months; m++) {
        search->month[m].level_kw = (search->month[m].low_kw + search->month[m].high_kw) / 2;
    }
    for (size_t d = 0; d < search->days; d++) {
        struct gr_peak_day *day = &search->day[d];
        double level_kw = search->month[day->month].level_kw;
        day->alone = day->low_kw >= level_kw;
        day->limit_kw = day->alone ? (day->low_kw + day->high_kw) / 2 : level_kw;
    }
}

static void narrow_days(struct gr_peak_search *search, double *month_saves)
{
    memset(month_saves, 0, search->peaks->months * sizeof *month_saves);
    for (size_t d = 0; d < search->days; d++) {
        struct gr_peak_day *day = &search->day[d];
        double most = per_kw(search, day->month) / mean_days(search);
        bool low = day->saves >= most;
        *(low ? &day->low_kw : &day->high_kw) = day->limit_kw;
        month_saves[day->month] += day->alone || low ? most : day->saves;
    }
}

static void narrow_months(struct gr_peak_search *search, const double *month_saves)
{
    for (size_t m = 0; m < search->peaks->months; m++) {
        struct gr_peak_month *month = &search->month[m];
        bool low = month_saves[m] >= per_kw(search, m);
        *(low ? &month->low_kw : &month->high_kw) = month->level_kw;
    }
}

/* From no limit at all, where a kW more saves nothing. */
static int begin_halving(struct gr_peak_search *search, struct gr_error *error)
{
    for (size_t d = 0; d < search->days; d++) {
        search->day[d].limit_kw = GR_PEAK_NO_LIMIT_KW;
    }
    int rc = gr_peak_plan_limited(search, NULL, error);
    for (size_t m = 0; m < search->peaks->months; m++) {
        search->month[m].low_kw = search->month[m].high_kw = 0;
    }
    for (size_t d = 0; rc == GR_OK && d < search->days; d++) {
        struct gr_peak_day *day = &search->day[d];
        struct gr_peak_month *month = &search->month[day->month];
        day->low_kw = 0;
        day->high_kw = day->most_kw;
        month->high_kw = fmax(month->high_kw, day->high_kw);
    }
    return rc;
}

/* Levels were sought while the others moved: once more, around what was found. */
static void widen(struct gr_peak_search *search)
{
    for (size_t m = 0; m < search->peaks->months; m++) {
        search->month[m].low_kw *= 0.8;
        search->month[m].high_kw = 1.2 * search->month[m].high_kw + 0.1;
    }
    for (size_t d = 0; d < search->days; d++) {
        search->day[d].low_kw *= 0.8;
        search->day[d].high_kw = 1.2 * search->day[d].high_kw + 0.1;
    }
}

static int halve_levels(struct gr_peak_search *search, struct gr_error *error)
{
    int rc = GR_OK;
    for (int i = 0; rc == GR_OK && i < HALVINGS; i++) {
        choose_limits(search);
        rc = gr_peak_plan_limited(search, NULL, error);
        narrow_days(search, search->room);
        narrow_months(search, search->room);
    }
    for (size_t d = 0; d < search->days; d++) {
        struct gr_peak_day *day = &search->day[d];
        double level_kw = search->month[day->month].high_kw;
        day->alone = day->low_kw > level_kw + near;
        day->limit_kw = day->alone ? day->high_kw : level_kw;
    }
    return rc;
}

/* ---- shares of the charge ---- */

double gr_peak_mix_day(struct gr_peak_search *search, const struct gr_peak_day *day, double share,
                       double most)
{
    double low = gr_peak_sum_of(search, day, search->end[GR_LEAST]),
           high = gr_peak_sum_of(search, day, search->end[GR_MOST]);
    double scale = low > most ? most / low : 1;
    share = low + share * (high - low) > most ? fmax(0, (most - low) / (high - low)) : share;
    for (size_t t = day->first; t < day->end; t++) {
        search->saves[t] = scale * ((1 - share) * search->end[GR_LEAST][t] + share * search->end[GR_MOST][t]);
    }
    return scale * (low + share * (high - low));
}

/* The same for the month's days from `first` to `end`. */
static double mix_month(struct gr_peak_search *search, size_t first, size_t end, double share, double most)
{
    double sum = 0;
    for (size_t d = first; d < end; d++) {
        sum += gr_peak_mix_day(search, &search->day[d], search->day[d].alone ? 1 : share, most);
    }
    return sum;
}

/* search->saves = what balances the charge of a kW in every month, as far as it can be. */
static void share_charge(struct gr_peak_search *search)
{
    for (size_t first = 0, end; first < search->days; first = end) {
        size_t m = search->day[first].month;
        double whole = per_kw(search, m), most = whole / mean_days(search), low = 0, high = 1;
        for (end = first; end < search->days && search->day[end].month == m; end++) {
        }
        for (int i = 0; i < 60 && mix_month(search, first, end, high, most) > whole; i++) {
            double middle = (low + high) / 2;
            *(mix_month(search, first, end, middle, most) > whole ? &high : &low) = middle;
        }
        double sum = mix_month(search, first, end, high, most);
        for (size_t t = search->day[first].first; sum > whole && t < search->day[end - 1].end; t++) {
            search->saves[t] *= whole / sum;
        }
    }
}

void gr_peak_price_shares(const struct gr_peak_search *search, double *price)
{
    const struct gr_backtest_place *place = search->peaks->place;
    memcpy(price, search->problem.import_price, search->problem.slots * sizeof *price);
    for (size_t d = 0; d < search->days; d++) {
        const struct gr_peak_day *day = &search->day[d];
        for (size_t t = day->first, end; t < day->end; t = end) {
            double sum = 0;
            for (end = t; end < day->end && place[end].interval == place[t].interval; end++) {
                sum += place[end].counts ? search->saves[end] * search->problem.hours[end] : 0;
            }
            for (size_t i = t; i < end; i++) {
                price[i] += place[i].counts ? sum / search->hours[i] : 0;
            }
        }
    }
}

static int bound_priced(struct gr_peak_search *search, double *least, struct gr_error *error)
{
    struct gr_problem priced = search->problem;
    struct gr_plan plan;
    gr_peak_price_shares(search, search->price);
    priced.import_price = search->price;
    priced.slot_import_soft_kw = NULL;
    int rc = gr_planner_solve(search->planner, &priced, &plan, error);
    if (rc == GR_OK) {
        *least = plan.cost - plan.error_down;
        gr_plan_free(&plan);
    }
    return rc;
}

/* ---- the whole ---- */

static void find_days(struct gr_peak_search *search)
{
    const struct gr_backtest_place *place = search->peaks->place;
    const double *hours = search->problem.hours;
    search->days = 0;
    for (size_t t = 0, end; t < search->problem.slots; t = end) {
        for (end = t; end < search->problem.slots && place[end].month == place[t].month &&
                      place[end].day == place[t].day;
             end++) {
        }
        search->day[search->days++] = (struct gr_peak_day){.month = place[t].month, .first = t, .end = end};
        for (size_t i = t, next; i < end; i = next) {
            double sum = 0;
            for (next = i; next < end && place[next].interval == place[i].interval; next++) {
                sum += place[next].counts ? hours[next] : 0;
            }
            for (; i < next; i++) {
                search->hours[i] = sum;
            }
        }
    }
}

static int begin(struct gr_peak_search *search)
{
    size_t slots = search->problem.slots, months = search->peaks->months;
    search->month = calloc(months, sizeof *search->month);
    search->day = calloc(slots, sizeof *search->day);
    search->room = calloc((GR_ENDS + 4) * slots + months, sizeof *search->room);
    if (!search->month || !search->day || !search->room) {
        return GR_NO_MEMORY;
    }
    double *next = search->room + months;
    double **const arrays[] = {&search->hours, &search->limit_kw,      &search->saves,
                               &search->price, &search->end[GR_LEAST], &search->end[GR_MOST]};
    for (size_t i = 0; i < sizeof arrays / sizeof *arrays; i++) {
        *arrays[i] = next;
        next += slots;
    }
    double dearest = 0, shortest = INFINITY;
    for (size_t t = 0; t < slots; t++) {
        shortest = fmin(shortest, search->problem.hours[t]);
    }
    for (size_t m = 0; m < months; m++) {
        dearest = fmax(dearest, per_kw(search, m));
    }
    search->problem.slot_import_soft_kw = search->limit_kw;
    search->problem.import_soft_per_kwh = 10 * search->problem.penalty_per_kwh + 2 * dearest / shortest;
    search->problem.penalty_per_kwh =
        10 * search->problem.import_soft_per_kwh; /* no floor is given up for it */
    find_days(search);
    return GR_OK;
}

/* What a plan costs with the peaks it was found to have. */
static double cost_with_peaks(const struct gr_peak_search *search, const struct gr_plan *plan)
{
    double cost = plan->cost;
    for (size_t m = 0; m < search->peaks->months; m++) {
        cost += gr_peak_price(search->peaks->charge, search->month[m].peak_kw) * search->peaks->share[m];
    }
    return cost;
}

/* Rounds until the plan is proven the best. */
static int plan_priced(struct gr_peak_search *search, struct gr_plan *plan, double *least,
                       struct gr_error *error)
{
    double best = INFINITY;
    int rc = begin_halving(search, error);
    *least = -INFINITY;
    for (int i = 0; rc == GR_OK && i < ROUNDS && (i == 0 || best - *least > proven * fabs(best)); i++) {
        struct gr_plan found = {0};
        double bound = -INFINITY;
        if (i > 0) {
            widen(search);
        }
        rc = halve_levels(search, error);
        rc = rc ? rc : gr_peak_plan_limited(search, &found, error);
        if (rc == GR_OK) {
            share_charge(search);
            rc = bound_priced(search, &bound, error);
        }
        *least = fmax(*least, bound);
        if (rc == GR_OK && cost_with_peaks(search, &found) < best) {
            struct gr_plan worse = *plan;
            best = cost_with_peaks(search, &found);
            *plan = found;
            found = worse;
        }
        gr_plan_free(&found);
    }
    return rc;
}

int gr_backtest_peak_plan(struct gr_planner *planner, const struct gr_problem *problem,
                          const struct gr_backtest_peaks *peaks, struct gr_plan *plan, double *least,
                          struct gr_error *error)
{
    struct gr_peak_search search = {.planner = planner, .peaks = peaks, .problem = *problem};
    int rc = begin(&search);
    if (rc != GR_OK) {
        (void)gr_error_set(error, rc, "no memory for the peaks of %zu months", peaks->months);
    } else if (peaks->charge->step_count > 0) {
        rc = gr_peak_plan_steps(&search, plan, least, error);
    } else {
        rc = plan_priced(&search, plan, least, error);
    }
    if (rc != GR_OK) {
        gr_plan_free(plan);
    }
    free(search.month);
    free(search.day);
    free(search.room);
    return rc;
}
