/* Payment for the month's highest import: the import limit of every day of the plan is the greatest peak that
 * it may have, and the best limits are sought by branch and bound. A plan within the limits [a, b] costs no
 * less than the best plan below b and the payment for a. Where only the highest peak counts, the bound is
 * sharper: what a kW more than a costs is shared out among the slots that make the peak, and no plan pays
 * less for its highest import than for such a weighted mean of its imports (Lagrangian duality; with balanced
 * shares nothing is left open where costs are convex). */
#include "planner/search.h"

#include "granary/error.h"

#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MOST_SOLVES 1500
#define MOST_BOXES 4096

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
    size_t days, solves, boxes;
    double before;                    /* payment for what has been seen */
    double over_per_kwh, over_per_kw; /* prices that keep imports below a limit */
    double *limit_kw;                 /* per slot */
    double *share_per_kwh;            /* per slot, of the payment, by its energy; NULL: not shared out */
    double seen_kw;                   /* highest peak seen */
    double *rank_kw;                  /* room to sort one peak more than count, and for those of a plan */
    struct box *box;                  /* open ones, unsorted, and two to work with */
    double *room;                     /* for the limits of boxes */
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
static double payment(struct search *search, const double *day_kw, size_t days)
{
    const struct gr_peak *peak = search->problem->peak;
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
    return 2 * (peak->per_kw + steps);
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

/* A plan shaves the slots with large shares and leaves the peak to others: every plan that is made moves
 * shares to the slots at its highest import, until they are balanced (Brown's fictitious play). */
static void share_payment(struct search *search, const struct gr_plan *plan)
{
    const struct gr_problem *problem = search->problem;
    double weight = gr_max(least_weight, 1.0 / (double)search->solves), highest_kw = 0, sum = 0;
    for (size_t t = 0; t < problem->slots; t++) {
        highest_kw = gr_max(highest_kw, plan->grid_kw[t]);
    }
    double near_kw = highest_kw * (1 - 1e-9);
    for (size_t t = 0; t < problem->slots; t++) {
        sum += plan->grid_kw[t] >= near_kw;
    }
    for (size_t t = 0; t < problem->slots; t++) {
        double per_kwh = plan->grid_kw[t] >= near_kw ? problem->peak->per_kw / (sum * problem->hours[t]) : 0;
        search->share_per_kwh[t] += weight * (per_kwh - search->share_per_kwh[t]);
    }
}

/* What of the plan's cost is not money but the shares of the payment. */
static double shared_cost(const struct search *search, const struct gr_plan *plan, double above_kw)
{
    double sum = 0;
    for (size_t t = 0; search->share_per_kwh && t < search->problem->slots; t++) {
        sum += search->share_per_kwh[t] * search->problem->hours[t] * gr_max(0, plan->grid_kw[t] - above_kw);
    }
    return sum;
}

/* ---- boxes solved ---- */

static void limit_problem(struct search *search, const struct box *box, struct gr_problem *problem)
{
    *problem = *search->problem;
    for (size_t t = 0; t < problem->slots; t++) {
        search->limit_kw[t] = box->high_kw[day_of(search, t)];
    }
    problem->peak = NULL;
    problem->slot_import_soft_kw = search->limit_kw;
    problem->import_soft_per_kwh = search->over_per_kwh;
    problem->import_soft_per_kw = search->over_per_kw;
    problem->slot_import_peak_per_kwh = search->share_per_kwh;
    problem->import_peak_kw = gr_max(box->low_kw[0], search->seen_kw);
}

/* Takes the plan over where it is the best so far. */
static bool take_plan(struct search *search, struct gr_plan *plan, const struct box *box)
{
    double *peak_kw = search->rank_kw + search->problem->peak->mean_of + 1;
    bool keeps = true;
    peaks_of(search, plan, peak_kw);
    for (size_t d = 0; d < search->days; d++) {
        keeps = keeps && peak_kw[d] <= box->high_kw[d] + 1e-9;
    }
    double shared = shared_cost(search, plan, gr_max(box->low_kw[0], search->seen_kw));
    double paid = payment(search, peak_kw, search->days) - search->before;
    double cost = plan->cost - shared + paid;
    if (!keeps || cost >= search->best_cost) {
        return false;
    }
    gr_plan_free(&search->best);
    search->best = *plan;
    search->best.peak_cost = paid;
    search->best_cost = cost;
    return true;
}

static void set_bound(struct search *search, struct box *box)
{
    box->bound = gr_max(box->bound, box->base + payment(search, box->low_kw, search->days) - search->before);
}

static bool may_be_better(const struct search *search, const struct box *box)
{
    return box->bound < search->best_cost - 1e-10 * (1 + fabs(search->best_cost));
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

/* The best plan whose days stay below high_kw, on which the base and the bound of the box follow. */
static int solve_box(struct search *search, struct box *box)
{
    struct gr_problem problem;
    struct gr_plan plan = {0};
    limit_problem(search, box, &problem);
    int rc = gr_solve_limited(search->planner, &problem, &plan);
    if (rc) {
        return rc;
    }
    search->solves++;
    box->base = plan.cost - plan.error_down;
    set_bound(search, box);
    narrow_box(search, box, &plan);
    bool taken = take_plan(search, &plan, box);
    if (search->share_per_kwh && may_be_better(search, box)) {
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

static int solve_and_keep(struct search *search, struct box *box)
{
    int rc = solve_box(search, box);
    keep_box(search, box);
    return rc;
}

/* Cuts a box in two. Where the payment is not shared out, the upper half has the same best plan. */
static int split_box(struct search *search, struct box *box, struct box *half)
{
    size_t day = widest_day(search, box);
    double middle_kw = 0.5 * (box->low_kw[day] + box->high_kw[day]);
    copy_box(search, half, box);
    half->low_kw[day] = middle_kw;
    box->high_kw[day] = middle_kw;
    int rc = solve_and_keep(search, box);
    if (search->share_per_kwh) {
        return rc ? rc : solve_and_keep(search, half);
    }
    set_bound(search, half);
    keep_box(search, half);
    return rc;
}

/* ---- the search ---- */

static void free_search(struct search *search)
{
    free(search->limit_kw);
    free(search->share_per_kwh);
    free(search->rank_kw);
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
    bool shares = problem->peak->mean_of == 1 && problem->peak->per_kw > 0;
    search->share_per_kwh = shares ? calloc(problem->slots, sizeof *search->share_per_kwh) : NULL;
    search->rank_kw = calloc(problem->peak->mean_of + 1 + search->days, sizeof *search->rank_kw);
    search->box = calloc(boxes, sizeof *search->box);
    search->room = search->days < 1000 ? calloc(boxes, 2 * search->days * sizeof *search->room) : NULL;
    if (!search->limit_kw || (shares && !search->share_per_kwh) || !search->rank_kw || !search->box ||
        !search->room) {
        return GR_NO_MEMORY;
    }
    for (size_t i = 0; i < boxes; i++) {
        search->box[i].low_kw = search->room + 2 * i * search->days;
        search->box[i].high_kw = search->box[i].low_kw + search->days;
    }
    for (size_t i = 0; i < problem->peak->seen; i++) {
        search->seen_kw = gr_max(search->seen_kw, problem->peak->seen_kw[i]);
    }
    search->before = payment(search, search->rank_kw, 0);
    search->over_per_kwh = 10 * (problem->penalty_per_kwh + gr_problem_worth(problem));
    search->over_per_kw = payment_slope(problem->peak);
    search->best_cost = search->open_bound = INFINITY;
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
    while (!rc && search->boxes > 0 && search->solves < MOST_SOLVES) {
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
