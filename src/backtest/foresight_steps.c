/* Which step each month takes. Every step's limits and shares are found for all months at once; then the
 * months are gone through from the last one back. */
#include "backtest/foresight_peak.h"

#include "granary/error.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { HALVINGS = 40 };

static const double proven = 1e-6;    /* of the cost */
static const double below_end = 1e-9; /* of a step's end: rounding must not reach the next step */

/* One step: limits by day and import prices with shares by slot, for all months. */
struct option {
    double *limit_kw, *price;
    double *allows;        /* by month: money that its end allows, of the shares */
    bool *possible;        /* by month: the limits keep the peak within the step, or the month's worth tells
                              where they cannot */
    struct gr_value *from; /* by month: least cost from its beginning on, of a month on this step */
};

struct steps {
    struct gr_peak_search *search;
    struct option option[GR_MAX_PEAK_STEPS];
    size_t options;
    size_t *first;         /* slot, by month; one entry more */
    struct gr_value *from; /* by month: lower envelope over the options; one entry more */
    size_t *chosen;        /* step, by month; then those of the best plan */
    double *guess_kwh;     /* stored when a month begins, by the plan without limits */
    bool are_limits; /* a step is a limit on every slot: the highest peak counts, and each slot makes one */
    double *room;    /* for a month's problem */
};

/* ---- limits and shares of a step ---- */

static void set_limits(struct gr_peak_search *search, bool by_month)
{
    for (size_t d = 0; d < search->days; d++) {
        struct gr_peak_day *day = &search->day[d];
        day->limit_kw = by_month ? search->month[day->month].level_kw : GR_PEAK_NO_LIMIT_KW;
    }
}

/* The highest level that all days of a month can share so that their mean peak is within the step: its end,
 * or, where the mean is of several days and not all of them get there, a higher one. */
static int find_levels(struct gr_peak_search *search, double up_to_kw, struct gr_error *error)
{
    int rc = GR_OK;
    bool several = search->peaks->charge->days > 1;
    for (size_t m = 0; m < search->peaks->months; m++) {
        search->month[m].low_kw = search->month[m].high_kw = up_to_kw;
    }
    if (several) {
        set_limits(search, false);
        rc = gr_peak_plan_limited(search, NULL, error);
    }
    for (size_t d = 0; several && d < search->days; d++) {
        struct gr_peak_month *month = &search->month[search->day[d].month];
        month->high_kw = fmax(month->high_kw, search->day[d].most_kw);
    }
    for (int i = 0; rc == GR_OK && several && i < HALVINGS; i++) {
        for (size_t m = 0; m < search->peaks->months; m++) {
            search->month[m].level_kw = (search->month[m].low_kw + search->month[m].high_kw) / 2;
        }
        set_limits(search, true);
        rc = gr_peak_plan_limited(search, NULL, error);
        for (size_t m = 0; m < search->peaks->months; m++) {
            struct gr_peak_month *month = &search->month[m];
            *(month->peak_kw <= up_to_kw ? &month->low_kw : &month->high_kw) = month->level_kw;
        }
    }
    for (size_t m = 0; m < search->peaks->months; m++) {
        search->month[m].level_kw = search->month[m].low_kw;
    }
    set_limits(search, true);
    return rc;
}

/* Money for a kW of the month's mean peak that its days can share: on none more than its part of the mean. */
static double charge_of(const struct gr_peak_search *search, size_t first, size_t end)
{
    double low = 0, high = 0, days = (double)search->peaks->charge->days;
    for (size_t d = first; d < end; d++) {
        high += gr_peak_sum_of(search, &search->day[d], search->end[GR_LEAST]);
    }
    for (int i = 0; i < 60; i++) {
        double whole = (low + high) / 2, sum = 0;
        for (size_t d = first; d < end; d++) {
            sum += fmin(whole / days, gr_peak_sum_of(search, &search->day[d], search->end[GR_LEAST]));
        }
        *(sum >= whole ? &low : &high) = whole;
    }
    return low;
}

static void share_step(struct gr_peak_search *search, const struct option *option, double up_to_kw)
{
    for (size_t first = 0, end; first < search->days; first = end) {
        size_t m = search->day[first].month;
        for (end = first; end < search->days && search->day[end].month == m; end++) {
        }
        double whole = charge_of(search, first, end), sum = 0;
        for (size_t d = first; d < end; d++) {
            sum += gr_peak_mix_day(search, &search->day[d], 0, whole / (double)search->peaks->charge->days);
        }
        option->allows[m] = fmin(sum, whole) > 0 ? fmax(sum, whole) * up_to_kw : 0;
    }
    gr_peak_price_shares(search, option->price);
}

static int find_option(struct steps *steps, size_t k, struct gr_error *error)
{
    struct gr_peak_search *search = steps->search;
    struct option *option = &steps->option[k];
    double up_to_kw = search->peaks->charge->step[k].up_to_kw;
    bool last = k + 1 == steps->options;
    int rc = GR_OK;
    if (last) {
        set_limits(search, false);
        memcpy(option->price, search->problem.import_price, search->problem.slots * sizeof *option->price);
    } else {
        rc = find_levels(search, up_to_kw * (1 - below_end), error);
        rc = rc ? rc : gr_peak_plan_limited(search, NULL, error);
        share_step(search, option, up_to_kw);
    }
    for (size_t m = 0; m < search->peaks->months; m++) {
        option->possible[m] = last || steps->are_limits || search->month[m].peak_kw <= up_to_kw;
    }
    for (size_t d = 0; d < search->days; d++) {
        option->limit_kw[d] = search->day[d].limit_kw;
    }
    return rc;
}

/* ---- months as functions of what is stored when they begin ---- */

/* A month's slots behind one that stands for all before, as arrays of `stride` entries in steps->room. */
enum { HOURS, LOAD, SOLAR, IMPORT, EXPORT, FLOOR, LIMIT, ARRAYS };

struct month {
    struct gr_problem problem;
    double *array[ARRAYS];
    size_t first, slots;
};

static struct month begin_month(struct steps *steps, size_t m)
{
    const struct gr_problem *whole = &steps->search->problem;
    struct month month = {.problem = *whole, .first = steps->first[m]};
    month.slots = steps->first[m + 1] - month.first;
    size_t stride = month.slots + 1;
    const double *const from[] = {whole->hours,        whole->load_kw,      whole->solar_kw,
                                  whole->import_price, whole->export_price, whole->floor_kwh};
    for (size_t i = 0; i < ARRAYS; i++) {
        month.array[i] = steps->room + i * stride;
    }
    for (size_t i = 0; i < sizeof from / sizeof *from; i++) {
        month.array[i][0] = from[i][month.first];
        memcpy(month.array[i] + 1, from[i] + month.first, month.slots * sizeof **from);
    }
    const struct gr_value *after = &steps->from[m + 1];
    double *end_value = steps->room + ARRAYS * stride;
    for (size_t i = 0; i < after->count; i++) {
        end_value[i] = -after->value[i];
    }
    month.problem.slots = stride;
    month.problem.hours = month.array[HOURS];
    month.problem.import_price = month.array[IMPORT];
    month.problem.export_price = month.array[EXPORT];
    month.problem.floor_kwh = month.array[FLOOR];
    month.problem.slot_import_soft_kw = NULL;
    month.problem.end_points = after->count;
    month.problem.end_kwh = after->kwh;
    month.problem.end_value = end_value;
    return month;
}

/* *out = the value at the end of the first slot, less what pruning may have made of it. */
static int value_of(struct steps *steps, const struct month *month, struct gr_value *out,
                    struct gr_error *error)
{
    double one = 1;
    struct gr_paths path = {.count = 1,
                            .slots = month->slots + 1,
                            .weight = &one,
                            .load_kw = month->array[LOAD],
                            .solar_kw = month->array[SOLAR]};
    struct gr_path_values values;
    int rc = gr_planner_path_values(steps->search->planner, &month->problem, &path, 1, &values, error);
    if (rc == GR_OK) {
        *out = values.value[0];
        memset(&values.value[0], 0, sizeof values.value[0]);
        for (size_t i = 0; i < out->count; i++) {
            out->value[i] -= values.error;
        }
        gr_path_values_free(&values);
    }
    return rc;
}

/* With the option's limits on the imports of every slot. */
static struct month begin_limited(struct steps *steps, const struct option *option, size_t m)
{
    struct gr_peak_search *search = steps->search;
    struct month month = begin_month(steps, m);
    month.problem.slot_import_soft_kw = month.array[LIMIT];
    month.array[LIMIT][0] = GR_PEAK_NO_LIMIT_KW;
    for (size_t d = 0; d < search->days; d++) {
        const struct gr_peak_day *day = &search->day[d];
        for (size_t t = day->first; day->month == m && t < day->end; t++) {
            bool counts = search->peaks->place[t].counts;
            month.array[LIMIT][1 + t - month.first] = counts ? option->limit_kw[d] : GR_PEAK_NO_LIMIT_KW;
        }
    }
    return month;
}

/* With that part of the step's shares. */
static int value_shared(struct steps *steps, const struct option *option, size_t m, double scale,
                        struct gr_value *out, struct gr_error *error)
{
    const struct gr_problem *whole = &steps->search->problem;
    struct month month = begin_month(steps, m);
    for (size_t t = 0; t < month.slots; t++) {
        double price = whole->import_price[month.first + t];
        month.array[IMPORT][t + 1] = price + scale * (option->price[month.first + t] - price);
    }
    int rc = value_of(steps, &month, out, error);
    for (size_t i = 0; rc == GR_OK && i < out->count; i++) {
        out->value[i] -= scale * option->allows[m];
    }
    return rc;
}

/* Where the step can hardly be kept the shares are as large as a limit's penalty: any part of them is a bound
 * too, and which is best depends on how well they are shared out. */
static int value_month(struct steps *steps, const struct option *option, size_t m, struct gr_value *out,
                       struct gr_error *error)
{
    if (steps->are_limits) {
        struct month month = begin_limited(steps, option, m);
        return value_of(steps, &month, out, error);
    }
    int rc = value_shared(steps, option, m, 1, out, error);
    double scale = 1;
    for (int i = 0; rc == GR_OK && i < 4; i++) {
        struct gr_value other;
        scale /= 10;
        rc = value_shared(steps, option, m, scale, &other, error);
        if (rc == GR_OK && gr_value_at(&other, steps->guess_kwh[m]) > gr_value_at(out, steps->guess_kwh[m])) {
            struct gr_value worse = *out;
            *out = other;
            other = worse;
        }
        if (rc == GR_OK) {
            gr_value_free(&other);
        }
    }
    return rc;
}

static void push(struct gr_value *value, double kwh, double money)
{
    value->kwh[value->count] = kwh;
    value->value[value->count++] = money;
}

/* *low = the lower of itself and `other`, both from empty to full. */
static int take_lower(struct gr_value *low, const struct gr_value *other)
{
    size_t most = 2 * (low->count + other->count), i = 0, k = 0;
    struct gr_value out = {.kwh = malloc(most * sizeof *out.kwh), .value = malloc(most * sizeof *out.value)};
    double last_kwh = 0, last_gap = 0;
    if (!out.kwh || !out.value) {
        gr_value_free(&out);
        return GR_NO_MEMORY;
    }
    while (i < low->count || k < other->count) {
        double a = i < low->count ? low->kwh[i] : INFINITY, b = k < other->count ? other->kwh[k] : INFINITY;
        double kwh = fmin(a, b), gap = gr_value_at(low, kwh) - gr_value_at(other, kwh);
        i += a <= kwh;
        k += b <= kwh;
        if (out.count > 0 && gap * last_gap < 0) {
            double crossing = last_kwh + (kwh - last_kwh) * last_gap / (last_gap - gap);
            if (crossing > last_kwh && crossing < kwh) {
                push(&out, crossing, gr_value_at(low, crossing));
            }
        }
        push(&out, kwh, fmin(gr_value_at(low, kwh), gr_value_at(other, kwh)));
        last_kwh = kwh;
        last_gap = gap;
    }
    gr_value_free(low);
    *low = out;
    return GR_OK;
}

static int copy_value(struct gr_value *out, const double *kwh, const double *value, size_t count, double sign)
{
    *out = (struct gr_value){.kwh = malloc(count * sizeof *kwh), .value = malloc(count * sizeof *value)};
    if (!out->kwh || !out->value) {
        gr_value_free(out);
        return GR_NO_MEMORY;
    }
    for (size_t i = 0; i < count; i++) {
        push(out, kwh[i], sign * value[i]);
    }
    return GR_OK;
}

static int say(int rc, struct gr_error *error)
{
    return rc == GR_OK ? GR_OK : gr_error_set(error, rc, "no memory for what a month's steps are worth");
}

static int go_back(struct steps *steps, struct gr_error *error)
{
    const struct gr_backtest_peaks *peaks = steps->search->peaks;
    const struct gr_problem *problem = &steps->search->problem;
    int rc = say(copy_value(&steps->from[peaks->months], problem->end_kwh, problem->end_value,
                            problem->end_points, -1),
                 error);
    for (size_t m = peaks->months; rc == GR_OK && m-- > 0;) {
        for (size_t k = 0; rc == GR_OK && k < steps->options; k++) {
            struct gr_value *value = &steps->option[k].from[m];
            rc = value_month(steps, &steps->option[k], m, value, error);
            for (size_t i = 0; i < value->count; i++) {
                value->value[i] += peaks->share[m] * peaks->charge->step[k].price;
            }
            if (rc == GR_OK) {
                rc = say(k == 0 ? copy_value(&steps->from[m], value->kwh, value->value, value->count, 1)
                                : take_lower(&steps->from[m], value),
                         error);
            }
        }
    }
    return rc;
}

/* ---- the plan ---- */

/* The step that promises least with what is stored when the month begins, among those that can be kept. */
static void choose_step(struct steps *steps, size_t m)
{
    size_t best = steps->options - 1;
    for (size_t k = 0; k < steps->options; k++) {
        double cost = gr_value_at(&steps->option[k].from[m], steps->guess_kwh[m]);
        double least = gr_value_at(&steps->option[best].from[m], steps->guess_kwh[m]);
        best = steps->option[k].possible[m] && cost < least ? k : best;
    }
    steps->chosen[m] = best;
}

/* What is stored at a month's end on the step chosen, working towards what follows. */
static int end_month(struct steps *steps, size_t m, double *stored_kwh, struct gr_error *error)
{
    struct month month = begin_limited(steps, &steps->option[steps->chosen[m]], m);
    struct gr_problem problem = month.problem;
    struct gr_plan plan;
    problem.slots = month.slots;
    problem.start_kwh = steps->guess_kwh[m];
    problem.hours++;
    problem.load_kw = month.array[LOAD] + 1;
    problem.solar_kw = month.array[SOLAR] + 1;
    problem.import_price++;
    problem.export_price++;
    problem.floor_kwh++;
    problem.slot_import_soft_kw++;
    int rc = gr_planner_solve(steps->search->planner, &problem, &plan, error);
    if (rc == GR_OK) {
        *stored_kwh = plan.stored_kwh[month.slots - 1];
        gr_plan_free(&plan);
    }
    return rc;
}

/* Each month's step by what is stored when the one before has gone its way. */
static int walk_months(struct steps *steps, struct gr_error *error)
{
    double stored_kwh = steps->search->problem.start_kwh;
    int rc = GR_OK;
    for (size_t m = 0; rc == GR_OK && m < steps->search->peaks->months; m++) {
        steps->guess_kwh[m] = stored_kwh;
        choose_step(steps, m);
        rc = end_month(steps, m, &stored_kwh, error);
    }
    return rc;
}

/* Each month's step by what a plan found stored. */
static int choose_again(struct steps *steps)
{
    for (size_t m = 0; m < steps->search->peaks->months; m++) {
        choose_step(steps, m);
    }
    return GR_OK;
}

/* Plans with the chosen steps; *better tells whether it is the cheapest plan so far, which *plan keeps. */
static int try_steps(struct steps *steps, struct gr_plan *plan, double *best, bool *better,
                     struct gr_error *error)
{
    struct gr_peak_search *search = steps->search;
    struct gr_plan found;
    for (size_t d = 0; d < search->days; d++) {
        search->day[d].limit_kw = steps->option[steps->chosen[search->day[d].month]].limit_kw[d];
    }
    int rc = gr_peak_plan_limited(search, &found, error);
    if (rc != GR_OK) {
        return rc;
    }
    double cost = found.cost;
    for (size_t m = 0; m < search->peaks->months; m++) {
        cost += gr_peak_price(search->peaks->charge, search->month[m].peak_kw) * search->peaks->share[m];
    }
    *better = isinf(*best) || cost < *best - proven * fabs(*best);
    if (*better) {
        struct gr_plan worse = *plan;
        *best = cost;
        *plan = found;
        found = worse;
    }
    gr_plan_free(&found);
    return GR_OK;
}

/* One month after the other takes another step, as long as that helps. */
static int improve_steps(struct steps *steps, struct gr_plan *plan, double *best, struct gr_error *error)
{
    enum { SWEEPS = 3 };
    bool any = true;
    int rc = GR_OK;
    for (int i = 0; i < SWEEPS && any; i++) {
        any = false;
        for (size_t m = 0; m < steps->search->peaks->months; m++) {
            for (size_t k = 0; rc == GR_OK && k < steps->options; k++) {
                size_t before = steps->chosen[m];
                bool better = false;
                if (k == before || !steps->option[k].possible[m]) {
                    continue;
                }
                steps->chosen[m] = k;
                rc = try_steps(steps, plan, best, &better, error);
                steps->chosen[m] = better ? k : before;
                any = any || better;
            }
        }
    }
    return rc;
}

/* Stored when the months begin, by a plan. */
static void guess_from(struct steps *steps, const struct gr_plan *plan)
{
    for (size_t m = 0; m < steps->search->peaks->months; m++) {
        size_t first = steps->first[m];
        steps->guess_kwh[m] = first > 0 ? plan->stored_kwh[first - 1] : steps->search->problem.start_kwh;
    }
}

/* What is stored when a month begins depends on the steps taken: chosen anew with each plan. */
static int go_forward(struct steps *steps, struct gr_plan *plan, double least, struct gr_error *error)
{
    enum { TRIES = 3 };
    size_t months = steps->search->peaks->months;
    double best = INFINITY;
    int rc = GR_OK;
    for (int i = 0; rc == GR_OK && i < TRIES; i++) {
        bool better = false;
        rc = i == 0 ? walk_months(steps, error) : choose_again(steps);
        rc = rc ? rc : try_steps(steps, plan, &best, &better, error);
        if (rc == GR_OK && better) {
            memcpy(steps->chosen + months, steps->chosen, months * sizeof *steps->chosen);
            guess_from(steps, plan);
        }
    }
    memcpy(steps->chosen, steps->chosen + months, months * sizeof *steps->chosen);
    if (rc == GR_OK && best - least > proven * fabs(best)) {
        rc = improve_steps(steps, plan, &best, error);
    }
    return rc;
}

static int begin_without_limits(struct steps *steps, struct gr_plan *plan, struct gr_error *error)
{
    struct gr_peak_search *search = steps->search;
    set_limits(search, false);
    int rc = gr_peak_plan_limited(search, plan, error);
    if (rc == GR_OK) {
        guess_from(steps, plan);
    }
    return rc;
}

/* ---- memory ---- */

static void free_steps(struct steps *steps)
{
    size_t months = steps->search->peaks->months;
    for (size_t k = 0; k < steps->options; k++) {
        struct option *option = &steps->option[k];
        for (size_t m = 0; option->from && m < months; m++) {
            gr_value_free(&option->from[m]);
        }
        free(option->limit_kw);
        free(option->possible);
        free(option->from);
    }
    for (size_t m = 0; steps->from && m <= months; m++) {
        gr_value_free(&steps->from[m]);
    }
    free(steps->from);
    free(steps->first);
    free(steps->guess_kwh);
    free(steps->chosen);
    free(steps->room);
}

static bool begin_option(struct option *option, const struct gr_peak_search *search)
{
    size_t months = search->peaks->months, slots = search->problem.slots;
    option->limit_kw = calloc(search->days + slots + months, sizeof *option->limit_kw);
    option->possible = calloc(months, sizeof *option->possible);
    option->from = calloc(months, sizeof *option->from);
    if (option->limit_kw) {
        option->price = option->limit_kw + search->days;
        option->allows = option->price + slots;
    }
    return option->limit_kw && option->possible && option->from;
}

static int begin_steps(struct steps *steps)
{
    enum { MOST_POINTS = 8192 };
    const struct gr_peak_search *search = steps->search;
    size_t months = search->peaks->months, slots = search->problem.slots;
    bool all = true;
    steps->options = search->peaks->charge->step_count;
    steps->first = calloc(months + 1, sizeof *steps->first);
    steps->from = calloc(months + 1, sizeof *steps->from);
    steps->guess_kwh = calloc(months, sizeof *steps->guess_kwh);
    steps->chosen = calloc(2 * months, sizeof *steps->chosen);
    steps->room = calloc(ARRAYS * (slots + 1) + MOST_POINTS, sizeof *steps->room);
    for (size_t k = 0; k < steps->options; k++) {
        all = begin_option(&steps->option[k], search) && all;
    }
    if (!all || !steps->first || !steps->from || !steps->guess_kwh || !steps->chosen || !steps->room) {
        return GR_NO_MEMORY;
    }
    steps->are_limits = search->peaks->charge->days == 1;
    for (size_t t = 0; t < slots; t++) {
        steps->are_limits = steps->are_limits && !(search->hours[t] > search->problem.hours[t]);
    }
    for (size_t t = 0, m = 0; m <= months; m++) {
        for (; t < slots && search->peaks->place[t].month < m; t++) {
        }
        steps->first[m] = m == months ? slots : t;
    }
    return GR_OK;
}

int gr_peak_plan_steps(struct gr_peak_search *search, struct gr_plan *plan, double *least,
                       struct gr_error *error)
{
    struct steps steps = {.search = search};
    int rc = begin_steps(&steps);
    if (rc != GR_OK) {
        (void)gr_error_set(error, rc, "no memory for the steps of %zu months", search->peaks->months);
    }
    rc = rc ? rc : begin_without_limits(&steps, plan, error);
    for (size_t k = 0; rc == GR_OK && k < steps.options; k++) {
        rc = find_option(&steps, k, error);
    }
    rc = rc ? rc : go_back(&steps, error);
    if (rc == GR_OK) {
        *least = gr_value_at(&steps.from[0], search->problem.start_kwh);
    }
    rc = rc ? rc : go_forward(&steps, plan, *least, error);
    free_steps(&steps);
    return rc;
}
