#include "planner/work.h"

#include "granary/error.h"

#include <float.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int gr_planner_create(struct gr_planner **out)
{
    *out = calloc(1, sizeof **out);
    return *out ? GR_OK : GR_NO_MEMORY;
}

void gr_planner_free(struct gr_planner *planner)
{
    if (!planner) {
        return;
    }
    gr_points_free(&planner->store);
    gr_points_free(&planner->moves);
    gr_points_free(&planner->after);
    gr_points_free(&planner->work[0]);
    gr_points_free(&planner->work[1]);
    gr_points_free(&planner->best);
    gr_points_free(&planner->other);
    gr_sum_free(&planner->sum);
    free(planner->kept);
    free(planner);
}

/* What a kWh may be worth in this problem: the measure for every tolerance. A penalty counts a hundredth, for
 * it is set high above any price so as never to be paid. */
static double worth_per_kwh(const struct gr_problem *problem)
{
    double worth = gr_max(problem->battery.wear_per_kwh, 0.01 * problem->penalty_per_kwh);
    for (size_t t = 0; t < problem->slots; t++) {
        worth = gr_max(worth, gr_max(fabs(problem->import_price[t]), fabs(problem->export_price[t])));
        if (problem->carbon_kg_per_kwh) {
            worth = gr_max(worth, problem->carbon_price_per_kg * problem->carbon_kg_per_kwh[t]);
        }
    }
    return worth;
}

/* The scratch lists change places in every step: with equal room none has to grow once a plan like this was
 * made. */
static int level_rooms(struct gr_planner *planner)
{
    struct gr_points *const lists[] = {&planner->work[0], &planner->work[1], &planner->best, &planner->other};
    const size_t count = sizeof lists / sizeof lists[0];
    size_t room = 0;
    int rc = GR_OK;
    for (size_t i = 0; i < count; i++) {
        room = lists[i]->room > room ? lists[i]->room : room;
    }
    for (size_t i = 0; i < count && !rc; i++) {
        rc = gr_points_reserve(lists[i], room);
    }
    return rc;
}

int gr_work_begin(struct gr_planner *planner, const struct gr_problem *problem, size_t functions)
{
    double capacity_kwh = problem->battery.capacity_kwh;
    planner->rule = (struct gr_prune_rule){.tolerance = 1e-12 * capacity_kwh * worth_per_kwh(problem),
                                           .gap = 1e-12 * capacity_kwh,
                                           .most = GR_MOST_POINTS};
    planner->store.count = 0;
    planner->over = planner->under = 0;
    planner->most_points = 0;
    int rc = level_rooms(planner);
    if (rc || functions <= planner->kept_room) {
        return rc;
    }
    struct gr_kept *kept =
        functions <= SIZE_MAX / sizeof *kept ? realloc(planner->kept, functions * sizeof *kept) : NULL;
    if (!kept) {
        return GR_NO_MEMORY;
    }
    planner->kept = kept;
    planner->kept_room = functions;
    return GR_OK;
}

/* Prunes `function` into the store as function `index`. */
static int keep_function(struct gr_planner *planner, struct gr_points *function, size_t index, double base)
{
    struct gr_points *store = &planner->store;
    int rc = gr_points_reserve(store, store->count + function->count);
    if (rc) {
        return rc;
    }
    struct gr_point *at = store->at + store->count;
    size_t count = gr_points_prune(at, function, &planner->rule, &planner->over, &planner->under);
    double empty = at[0].value;
    for (size_t i = 0; i < count; i++) {
        at[i].value -= empty;
    }
    planner->kept[index] = (struct gr_kept){store->count, count, base + empty};
    store->count += count;
    planner->most_points = count > planner->most_points ? count : planner->most_points;
    return GR_OK;
}

double gr_problem_end_value(const struct gr_problem *problem, double kwh)
{
    size_t count = problem->end_points, i = 0;
    if (count == 0) {
        return 0;
    }
    while (i < count && problem->end_kwh[i] <= kwh) {
        i++;
    }
    if (i == 0 || i == count) {
        return problem->end_value[i == 0 ? 0 : count - 1];
    }
    struct gr_point a = {problem->end_kwh[i - 1], problem->end_value[i - 1]};
    return gr_point_line(a, (struct gr_point){problem->end_kwh[i], problem->end_value[i]}, kwh);
}

int gr_work_end(struct gr_planner *planner, const struct gr_problem *problem, size_t index)
{
    struct gr_points *end = &planner->best;
    double capacity_kwh = problem->battery.capacity_kwh;
    int rc = gr_points_reserve(end, problem->end_points + 2);
    if (rc) {
        return rc;
    }
    end->count = 0;
    gr_points_push(end, 0, -gr_problem_end_value(problem, 0));
    for (size_t i = 0; i < problem->end_points; i++) {
        if (problem->end_kwh[i] > 0 && problem->end_kwh[i] < capacity_kwh) {
            gr_points_push(end, problem->end_kwh[i], -problem->end_value[i]);
        }
    }
    if (capacity_kwh > 0) {
        gr_points_push(end, capacity_kwh, -gr_problem_end_value(problem, capacity_kwh));
    }
    return keep_function(planner, end, index, 0);
}

int gr_work_after(struct gr_planner *planner, const struct gr_slot *slot, size_t next)
{
    struct gr_points *after = &planner->after;
    const struct gr_point *at = gr_work_points(planner, next);
    size_t count = planner->kept[next].count, i = 0, k = 0;
    const double kinks[] = {gr_min(slot->floor_kwh, slot->wanted_kwh),
                            gr_max(slot->floor_kwh, slot->wanted_kwh)};
    double loss_kwh = slot->hours * slot->battery.standing_loss_kw;
    int rc = gr_points_reserve(after, count + 3);
    if (rc) {
        return rc;
    }
    after->count = 0;
    if (loss_kwh > 0) {
        gr_points_push(after, 0, at[0].value + gr_slot_shortfall(slot, 0));
    }
    for (; i < count && at[i].x <= kinks[1]; i++) {
        gr_points_push(after, at[i].x + loss_kwh, at[i].value + gr_slot_shortfall(slot, at[i].x));
        for (; k < 2 && i + 1 < count && kinks[k] < at[i + 1].x; k++) {
            if (kinks[k] > at[i].x && (k == 0 || kinks[1] > kinks[0])) {
                double value = gr_point_line(at[i], at[i + 1], kinks[k]);
                gr_points_push(after, kinks[k] + loss_kwh, value + gr_slot_shortfall(slot, kinks[k]));
            }
        }
    }
    for (; i < count; i++) {
        gr_points_push(after, at[i].x + loss_kwh, at[i].value);
    }
    return GR_OK;
}

/* ---- one step back ---- */

/* End of the convex chain of moves that starts at point `first`. A dent too small to matter is straightened,
 * which puts the function below the true one by less than the dent. */
static size_t chain_end(struct gr_planner *planner, size_t first)
{
    const struct gr_point *at = planner->moves.at;
    double slope = -INFINITY, length = 0;
    size_t i = first;
    for (; i + 1 < planner->moves.count; i++) {
        double next_length = at[i + 1].x - at[i].x;
        if (!(next_length > 0)) {
            continue;
        }
        double next_slope = (at[i + 1].value - at[i].value) / next_length;
        if (next_slope < slope) {
            double dent = (slope - next_slope) * gr_min(length, next_length);
            if (dent > 1e-3 * planner->rule.tolerance) {
                break;
            }
            planner->under += dent;
        }
        slope = next_slope;
        length = next_length;
    }
    return i;
}

static void swap_points(struct gr_points *a, struct gr_points *b)
{
    struct gr_points kept = *a;
    *a = *b;
    *b = kept;
}

/* `out` = min-plus convolution of planner->after with the convex chain of moves from point `first` to `last`,
 * cut to [0, capacity]. A convex chain is the convolution of its straight pieces, in any order. */
static int convolve(struct gr_planner *planner, struct gr_points *out, size_t first, size_t last,
                    double capacity_kwh)
{
    const struct gr_point *at = planner->moves.at;
    const struct gr_points *from = &planner->after;
    struct gr_points *to = &planner->work[0], *spare = &planner->work[1];
    int rc = GR_OK;
    for (size_t i = first; i < last && !rc; i++) {
        double length = at[i + 1].x - at[i].x;
        if (length > 0) {
            rc = gr_points_widen(to, from, (at[i + 1].value - at[i].value) / length, length);
            from = to;
            to = spare;
            spare = to == &planner->work[0] ? &planner->work[1] : &planner->work[0];
        }
    }
    rc = rc ? rc : gr_points_reserve(out, from->count + 1);
    if (rc) {
        return rc;
    }
    out->count = 0;
    for (size_t i = 0; i < from->count; i++) {
        gr_points_push(out, from->at[i].x + at[first].x, from->at[i].value + at[first].value);
    }
    double span_kwh = capacity_kwh + fabs(at[first].x) + fabs(at[last].x);
    gr_points_clip(out, 0, capacity_kwh, 8 * DBL_EPSILON * span_kwh);
    return GR_OK;
}

/* The lower envelope over all chains. Chains follow each other, so where one begins or ends, its neighbour is
 * no higher: no envelope has a jump. */
static int step_back(struct gr_planner *planner, double capacity_kwh)
{
    size_t last = 0;
    planner->best.count = 0;
    do {
        size_t first = last;
        last = chain_end(planner, first);
        int rc = convolve(planner, &planner->other, first, last, capacity_kwh);
        if (rc) {
            return rc;
        }
        if (planner->best.count > 0 && planner->other.count > 0) {
            rc = gr_points_lower(&planner->work[0], &planner->best, &planner->other);
            if (rc) {
                return rc;
            }
            swap_points(&planner->best, &planner->work[0]);
        } else if (planner->other.count > 0) {
            swap_points(&planner->best, &planner->other);
        }
    } while (last + 1 < planner->moves.count);
    return GR_OK;
}

int gr_work_step(struct gr_planner *planner, const struct gr_slot *slot, size_t index, size_t next)
{
    int rc = gr_work_after(planner, slot, next);
    rc = rc ? rc : gr_slot_moves(&planner->moves, planner->work, slot);
    rc = rc ? rc : step_back(planner, slot->battery.capacity_kwh);
    return rc ? rc : keep_function(planner, &planner->best, index, planner->kept[next].base);
}

void gr_work_forget(struct gr_planner *planner, size_t before, size_t index)
{
    struct gr_points *store = &planner->store;
    struct gr_kept *kept = &planner->kept[index];
    size_t first = planner->kept[before].first;
    memmove(store->at + first, store->at + kept->first, kept->count * sizeof *store->at);
    kept->first = first;
    store->count = first + kept->count;
}
