/* Payment for the month's highest imports: the import limit of every day of the plan is the greatest peak
 * that it may have, and the best limits are sought by branch and bound. A plan within the limits [a, b] costs
 * no less than the best plan below b and the payment for a. Where there is a price per kW, a second bound is
 * sharper: what a kW more than a costs is shared out among the slots that make the peaks, and no plan pays
 * less for its highest imports than for such weighted means of its imports (Lagrangian duality; with balanced
 * shares nothing is left open where costs are convex). */
#include "planner/search.h"

#include "granary/error.h"

#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LEAST_SOLVES 1500 /* of a long problem */
#define MOST_BOXES 4096

static const size_t limited_part = 50;  /* of all plans, for the bound on cycles in one box */
static const double narrow_kw = 1e-10;  /* a box that is cut no further */
static const double least_weight = 0.1; /* of a plan in the shares of the payment */

/* Limits of the days of the plan, low and high. `base`: what no plan below `high` goes under, payment not in.
 */
struct box {
    double base, bound;
    double *low_kw, *high_kw;
};

struct search {
    struct gr_planner *planner;
    const struct gr_problem *problem;
    size_t days, boxes;
    size_t plans, solves, most_solves; /* plans for boxes; plans in all, and how many may be made */
    double before;                     /* payment for what has been seen */
    double over_per_kwh, over_per_kw;  /* prices that keep imports below a limit */
    double *limit_kw;                  /* per slot */
    double *share_per_kwh;             /* per slot, of the payment, by its energy; NULL: not shared out */
    double *above_kw;                  /* per slot, where it begins */
    double shared_seen;                /* what of the payment is shared out to the peaks seen */
    double seen_kw;                    /* highest peak seen */
    double *rank_kw;                   /* room to sort one peak more than count */
    double *day_kw, *slots_at;         /* per day: peaks of a plan, and how many slots are as high */
    struct box *box;                   /* open ones, unsorted, and two to work with */
    double *room;                      /* for the limits of boxes */
    struct gr_plan best;
    double best_cost, open_bound; /* least bound of what was given up */
};

/* ---- what is paid ---- */

static double payment_at(const struct gr_peak *peak, double kw)
{
    double paid = peak->per_kw * kw;
    for (size_t i = 0; i < peak->steps.count && kw > peak->steps.x[i]; i++) {
        paid = peak->per_kw * kw + peak->steps.y[i];
    }
    return paid;
}

/* Payment for the peaks seen and those of `days` days of the plan. */
static double payment(struct search *search, const struct gr_peak *peak, const double *day_kw, size_t days)
{
    size_t count = 0;
    double sum = 0;
    for (size_t i = 0; i < peak->seen + days; i++) {
        double kw = i < peak->seen ? peak->seen_kw[i] : day_kw[i - peak->seen];
        size_t k = count < peak->mean_of ? count++ : peak->mean_of;
        for (; k > 0 && search->rank_kw[k - 1] < kw; k--) {
            search->rank_kw[k] = search->rank_kw[k - 1];
        }
        if (k < peak->mean_of) {
            search->rank_kw[k] = kw;
        }
    }
    for (size_t i = 0; i < count; i++) {
        sum += search->rank_kw[i];
    }
    return payment_at(peak, sum / (double)peak->mean_of);
}

/* More than a kW less of a day's peak can save. Without it a short slot, in which hardly any energy flows,
 * would be let above the limit, and a limit that cannot be kept would look as if it could. */
static double payment_slope(const struct gr_peak *peak)
{
    double steps = peak->steps.count > 0 ? peak->steps.y[peak->steps.count - 1] : 0;
    return 2 * (peak->per_kw + 100 * steps);
}

/* ---- boxes ---- */

/* Where only the highest peak counts, all days are one. */
static size_t day_of(const struct search *search, size_t t)
{
    return search->days > 1 ? search->problem->peak->day[t] : 0;
}

static void peaks_of(const struct search *search, const struct gr_plan *plan, double *day_kw)
{
    for (size_t d = 0; d < search->days; d++) {
        day_kw[d] = 0;
    }
    for (size_t t = 0; t < search->problem->slots; t++) {
        size_t day = day_of(search, t);
        day_kw[day] = gr_max(day_kw[day], plan->grid_kw[t]);
    }
}

/* ---- the payment shared out ---- */

/* How the N that count are shared out among peaks: 1 for each above the N-th highest, and among those that
 * are as high the rest in equal parts. */
struct counted {
    double least_kw, share; /* the N-th highest, and the part of one that is as high */
};

static struct counted count_peaks(struct search *search, const double *day_kw)
{
    const struct gr_peak *peak = search->problem->peak;
    double least_kw = 0, above = 0, level = 0;
    payment(search, peak, day_kw, search->days);
    if (peak->seen + search->days >= peak->mean_of) {
        least_kw = search->rank_kw[peak->mean_of - 1];
    }
    for (size_t i = 0; i < peak->seen + search->days; i++) {
        double kw = i < peak->seen ? peak->seen_kw[i] : day_kw[i - peak->seen];
        above += kw > least_kw * (1 + 1e-9);
        level += fabs(kw - least_kw) <= least_kw * 1e-9;
    }
    return (struct counted){least_kw, level > 0 ? gr_min(1, ((double)peak->mean_of - above) / level) : 0};
}

static double counted_share(const struct counted *counted, double kw)
{
    double margin_kw = counted->least_kw * 1e-9;
    return kw > counted->least_kw + margin_kw ? 1 : kw >= counted->least_kw - margin_kw ? counted->share : 0;
}

/* A plan shaves the slots with large shares and leaves the peak to others: every plan that is made moves
 * shares to the slots at its highest imports, until they are balanced (Brown's fictitious play). */
static void share_payment(struct search *search, const struct gr_plan *plan)
{
    const struct gr_problem *problem = search->problem;
    const struct gr_peak *peak = problem->peak;
    double weight = gr_max(least_weight, 1.0 / (double)search->plans), seen = 0;
    double per_kw = peak->per_kw / (double)peak->mean_of, *day_kw = search->day_kw,
           *slots_at = search->slots_at;
    peaks_of(search, plan, day_kw);
    /* Where only the highest counts, the payment begins above the highest that was seen. */
    bool is_mean = peak->mean_of > 1;
    struct counted counted = is_mean ? count_peaks(search, day_kw) : (struct counted){day_kw[0], 1};
    for (size_t i = 0; is_mean && i < peak->seen; i++) {
        seen += per_kw * counted_share(&counted, peak->seen_kw[i]) * peak->seen_kw[i];
    }
    search->shared_seen += weight * (seen - search->shared_seen);
    memset(slots_at, 0, search->days * sizeof *slots_at);
    for (size_t t = 0; t < problem->slots; t++) {
        size_t day = day_of(search, t);
        slots_at[day] += plan->grid_kw[t] >= day_kw[day] * (1 - 1e-9);
    }
    for (size_t t = 0; t < problem->slots; t++) {
        size_t day = day_of(search, t);
        bool is_peak = day_kw[day] > 0 && plan->grid_kw[t] >= day_kw[day] * (1 - 1e-9);
        double share = is_peak ? counted_share(&counted, day_kw[day]) / slots_at[day] : 0;
        search->share_per_kwh[t] += weight * (share * per_kw / problem->hours[t] - search->share_per_kwh[t]);
    }
}

/* What of the plan's cost is not money but the shares of the payment. */
static double shared_cost(const struct search *search, const struct gr_plan *plan)
{
    double sum = 0;
    for (size_t t = 0; t < search->problem->slots; t++) {
        sum += search->share_per_kwh[t] * search->problem->hours[t] *
               gr_max(0, plan->grid_kw[t] - search->above_kw[t]);
    }
    return sum;
}

/* The same of what lies above the limits by a rounding error. */
static double over_cost(const struct search *search, const struct gr_plan *plan)
{
    double sum = 0;
    for (size_t t = 0; t < search->problem->slots; t++) {
        double over_kw = gr_max(0, plan->grid_kw[t] - search->limit_kw[t]);
        sum += over_kw * (search->over_per_kwh * search->problem->hours[t] + search->over_per_kw);
    }
    return sum;
}

/* What is paid at least for peaks above the low limits of a box, besides the shares above them. */
static double payment_below(struct search *search, const struct box *box)
{
    const struct gr_problem *problem = search->problem;
    struct gr_peak steps = *problem->peak;
    if (steps.mean_of == 1) {
        return payment(search, search->problem->peak, box->low_kw, search->days);
    }
    steps.per_kw = 0;
    double paid = search->shared_seen + payment(search, &steps, box->low_kw, search->days);
    for (size_t t = 0; t < problem->slots; t++) {
        paid += search->share_per_kwh[t] * problem->hours[t] * box->low_kw[day_of(search, t)];
    }
    return paid;
}

/* ---- boxes solved ---- */

static void limit_problem(struct search *search, const struct box *box, bool shares,
                          struct gr_problem *problem)
{
    *problem = *search->problem;
    for (size_t t = 0; t < problem->slots; t++) {
        double low_kw = box->low_kw[day_of(search, t)];
        search->limit_kw[t] = box->high_kw[day_of(search, t)];
        search->above_kw[t] = problem->peak->mean_of > 1 ? low_kw : gr_max(low_kw, search->seen_kw);
    }
    problem->peak = NULL;
    problem->slot_import_soft_kw = search->limit_kw;
    problem->import_soft_per_kwh = search->over_per_kwh;
    problem->import_soft_per_kw = search->over_per_kw;
    problem->slot_import_peak_per_kwh = shares ? search->share_per_kwh : NULL;
    problem->slot_import_peak_kw = search->above_kw;
}

/* Takes the plan over where it is the best so far. `no_money`: what of its cost is none. */
static bool take_plan(struct search *search, struct gr_plan *plan, const struct box *box, double no_money)
{
    bool keeps = true;
    peaks_of(search, plan, search->day_kw);
    for (size_t d = 0; d < search->days; d++) {
        keeps = keeps && search->day_kw[d] <= box->high_kw[d] + 1e-9;
    }
    double paid = payment(search, search->problem->peak, search->day_kw, search->days) - search->before;
    double cost = plan->cost - no_money + paid;
    if (!keeps || cost >= search->best_cost) {
        return false;
    }
    gr_plan_free(&search->best);
    search->best = *plan;
    search->best.peak_cost = paid;
    search->best_cost = cost;
    return true;
}

static bool may_be_better(const struct search *search, const struct box *box)
{
    return gr_may_beat(box->bound, search->best_cost);
}

/* The same plan is best for all limits from its peak up; with more days a lower limit on one may want a
 * higher one on another, and a payment that is shared out is not all paid. */
static void narrow_box(const struct search *search, struct box *box, const struct gr_plan *plan)
{
    double peak_kw;
    if (search->days == 1 && !search->share_per_kwh) {
        peaks_of(search, plan, &peak_kw);
        box->high_kw[0] = gr_max(box->low_kw[0], gr_min(box->high_kw[0], peak_kw));
    }
}

/* The best plan whose days stay below high_kw, from which the bound of the box follows: with the payment
 * shared out, or not. */
static int solve_box(struct search *search, struct box *box, bool shares)
{
    struct gr_problem problem;
    struct gr_plan plan = {0};
    limit_problem(search, box, shares, &problem);
    int rc = gr_solve_limited(search->planner, &problem, search->most_solves / limited_part, &search->solves,
                              &plan);
    if (rc) {
        return rc;
    }
    search->plans++;
    box->base = plan.cost - plan.error_down;
    double paid = shares ? payment_below(search, box)
                         : payment(search, search->problem->peak, box->low_kw, search->days);
    box->bound = gr_max(box->bound, box->base + paid - search->before);
    narrow_box(search, box, &plan);
    double no_money = over_cost(search, &plan) + (shares ? shared_cost(search, &plan) : 0);
    bool taken = take_plan(search, &plan, box, no_money);
    if (shares && may_be_better(search, box)) {
        share_payment(search, &plan);
    }
    if (!taken) {
        gr_plan_free(&plan);
    }
    return GR_OK;
}

static void copy_box(const struct search *search, struct box *to, const struct box *from)
{
    memcpy(to->low_kw, from->low_kw, search->days * sizeof *to->low_kw);
    memcpy(to->high_kw, from->high_kw, search->days * sizeof *to->high_kw);
    to->base = from->base;
    to->bound = from->bound;
}

/* Keeps the box for later, unless it cannot hold a better plan. Where there is no more room, its bound stays.
 */
static void keep_box(struct search *search, const struct box *box)
{
    if (!may_be_better(search, box)) {
        return;
    }
    if (search->boxes == MOST_BOXES) {
        search->open_bound = gr_min(search->open_bound, box->bound);
        return;
    }
    copy_box(search, &search->box[search->boxes++], box);
}

/* Takes the box with the least bound. */
static void take_box(struct search *search, struct box *out)
{
    size_t least = 0;
    for (size_t i = 1; i < search->boxes; i++) {
        least = search->box[i].bound < search->box[least].bound ? i : least;
    }
    copy_box(search, out, &search->box[least]);
    search->boxes--;
    copy_box(search, &search->box[least], &search->box[search->boxes]);
}

static size_t widest_day(const struct search *search, const struct box *box)
{
    size_t widest = 0;
    for (size_t d = 1; d < search->days; d++) {
        if (box->high_kw[d] - box->low_kw[d] > box->high_kw[widest] - box->low_kw[widest]) {
            widest = d;
        }
    }
    return widest;
}

/* With a mean of several peaks the shares suit one mean of them, not the peaks of every box: then the bound
 * without them is often the better. */
static int solve_and_keep(struct search *search, struct box *box)
{
    bool shares = search->share_per_kwh != NULL, is_mean = search->problem->peak->mean_of > 1;
    int rc = shares ? solve_box(search, box, true) : GR_OK;
    if (!rc && (!shares || is_mean) && may_be_better(search, box)) {
        rc = solve_box(search, box, false);
    }
    keep_box(search, box);
    return rc;
}

/* Where to cut: in the middle, but where the highest peak alone counts a hair below the end of a step, so
 * that no plan up to there climbs it by a rounding error. */
static double cut_kw(const struct search *search, const struct box *box, size_t day)
{
    const struct gr_peak *peak = search->problem->peak;
    for (size_t i = 0; peak->mean_of == 1 && i < peak->steps.count; i++) {
        double below_kw = peak->steps.x[i] - narrow_kw;
        if (below_kw > box->low_kw[day] && below_kw < box->high_kw[day]) {
            return below_kw;
        }
    }
    return 0.5 * (box->low_kw[day] + box->high_kw[day]);
}

/* Cuts a box in two. Where the payment is not shared out, the upper half has the same best plan. */
static int split_box(struct search *search, struct box *box, struct box *half)
{
    size_t day = widest_day(search, box);
    double between_kw = cut_kw(search, box, day);
    if (box->high_kw[day] - box->low_kw[day] < narrow_kw) {
        search->open_bound = gr_min(search->open_bound, box->bound);
        return GR_OK;
    }
    copy_box(search, half, box);
    half->low_kw[day] = between_kw;
    box->high_kw[day] = between_kw;
    int rc = solve_and_keep(search, box);
    if (search->share_per_kwh) {
        return rc ? rc : solve_and_keep(search, half);
    }
    double paid = payment(search, search->problem->peak, half->low_kw, search->days);
    half->bound = gr_max(half->bound, half->base + paid - search->before);
    keep_box(search, half);
    return rc;
}

/* ---- the search ---- */

static void free_search(struct search *search)
{
    free(search->limit_kw);
    free(search->share_per_kwh);
    free(search->above_kw);
    free(search->rank_kw);
    free(search->day_kw);
    free(search->slots_at);
    free(search->box);
    free(search->room);
    gr_plan_free(&search->best);
}

static int begin_search(struct search *search)
{
    const struct gr_problem *problem = search->problem;
    size_t boxes = MOST_BOXES + 2;
    search->days = problem->peak->mean_of > 1 ? problem->peak->day[problem->slots - 1] + 1 : 1;
    search->limit_kw = calloc(problem->slots, sizeof *search->limit_kw);
    bool shares = problem->peak->per_kw > 0;
    search->share_per_kwh = shares ? calloc(problem->slots, sizeof *search->share_per_kwh) : NULL;
    search->above_kw = calloc(problem->slots, sizeof *search->above_kw);
    search->rank_kw = calloc(problem->peak->mean_of + 1, sizeof *search->rank_kw);
    search->day_kw = calloc(search->days, sizeof *search->day_kw);
    search->slots_at = calloc(search->days, sizeof *search->slots_at);
    search->box = calloc(boxes, sizeof *search->box);
    search->room = search->days < 1000 ? calloc(boxes, 2 * search->days * sizeof *search->room) : NULL;
    if (!search->limit_kw || (shares && !search->share_per_kwh) || !search->above_kw || !search->rank_kw ||
        !search->day_kw || !search->slots_at || !search->box || !search->room) {
        return GR_NO_MEMORY;
    }
    for (size_t i = 0; i < boxes; i++) {
        search->box[i].low_kw = search->room + 2 * i * search->days;
        search->box[i].high_kw = search->box[i].low_kw + search->days;
    }
    for (size_t i = 0; i < problem->peak->seen; i++) {
        search->seen_kw = gr_max(search->seen_kw, problem->peak->seen_kw[i]);
    }
    search->before = payment(search, problem->peak, search->day_kw, 0);
    search->over_per_kwh = gr_search_penalty(problem);
    search->over_per_kw = payment_slope(problem->peak);
    search->best_cost = search->open_bound = INFINITY;
    search->most_solves = GR_MOST_SLOTS_SOLVED / 3 / problem->slots;
    search->most_solves = search->most_solves > LEAST_SOLVES ? search->most_solves : LEAST_SOLVES;
    return GR_OK;
}

static int search_limits(struct search *search)
{
    struct box *box = &search->box[MOST_BOXES], *half = &search->box[MOST_BOXES + 1];
    double most_kw = search->problem->battery.charge_kw + search->problem->inverter.limit_kw;
    double load_kw = 0;
    for (size_t t = 0; t < search->problem->slots; t++) {
        load_kw = gr_max(load_kw, search->problem->load_kw[t]);
    }
    box->bound = -INFINITY;
    for (size_t d = 0; d < search->days; d++) {
        box->low_kw[d] = 0;
        box->high_kw[d] = most_kw + load_kw;
    }
    int rc = solve_and_keep(search, box);
    while (!rc && search->boxes > 0 && search->solves < search->most_solves) {
        take_box(search, box);
        rc = may_be_better(search, box) ? split_box(search, box, half) : GR_OK;
    }
    for (size_t i = 0; i < search->boxes; i++) {
        search->open_bound = gr_min(search->open_bound, search->box[i].bound);
    }
    return rc;
}

int gr_solve_peak(struct gr_planner *planner, const struct gr_problem *problem, struct gr_plan *plan)
{
    struct search search = {.planner = planner, .problem = problem};
    int rc = begin_search(&search);
    rc = rc ? rc : search_limits(&search);
    if (!rc) {
        double near = 1e-10 * (1 + fabs(search.best_cost));
        *plan = search.best;
        plan->cost = search.best_cost;
        plan->error_down += near + gr_max(0, search.best_cost - search.open_bound);
        memset(&search.best, 0, sizeof search.best);
    }
    free_search(&search);
    return rc;
}
