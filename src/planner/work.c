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
    gr_points_free(&planner->wear);
    gr_points_free(&planner->tilted);
    gr_points_free(&planner->fuller);
    gr_points_free(&planner->least);
    for (size_t kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        gr_points_free(&planner->part[kind]);
    }
    gr_reach_free(&planner->reach);
    gr_sum_free(&planner->sum);
    free(planner->kept);
    free(planner->slots);
    free(planner);
}

double gr_problem_worth(const struct gr_problem *problem)
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

int gr_work_finish(struct gr_planner *planner)
{
    struct gr_points *lists[7 + GR_COMMAND_KINDS] = {&planner->work[0], &planner->work[1], &planner->best,
                                                     &planner->other,   &planner->after,   &planner->fuller,
                                                     &planner->least};
    size_t count = 7, room = 0;
    int rc = GR_OK;
    for (size_t kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        lists[count++] = &planner->part[kind];
    }
    for (size_t i = 0; i < count; i++) {
        room = lists[i]->room > room ? lists[i]->room : room;
    }
    for (size_t i = 0; i < count && !rc; i++) {
        rc = lists[i]->room > 0 ? gr_points_reserve(lists[i], room) : GR_OK;
    }
    return rc;
}

int gr_work_begin(struct gr_planner *planner, const struct gr_problem *problem, size_t rows)
{
    double capacity_kwh = problem->battery.capacity_kwh;
    planner->rule = (struct gr_prune_rule){.tolerance = 1e-12 * capacity_kwh * gr_problem_worth(problem),
                                           .gap = 1e-12 * capacity_kwh,
                                           .most = GR_MOST_POINTS};
    planner->kinds = problem->change_cost > 0 ? GR_COMMAND_KINDS : 1;
    planner->layers = planner->kinds * (problem->full_windows > 0 ? 2 : 1);
    planner->store.count = 0;
    planner->over = planner->under = 0;
    planner->most_points = 0;
    if (rows <= planner->kept_room / planner->layers) {
        return GR_OK;
    }
    struct gr_kept *kept = rows <= SIZE_MAX / sizeof *kept / planner->layers
                               ? realloc(planner->kept, rows * planner->layers * sizeof *kept)
                               : NULL;
    if (!kept) {
        return GR_NO_MEMORY;
    }
    planner->kept = kept;
    planner->kept_room = rows * planner->layers;
    return GR_OK;
}

int gr_work_slots(struct gr_planner *planner, const struct gr_problem *problem)
{
    if (problem->slots > planner->slots_room) {
        struct gr_slot *slots = problem->slots <= SIZE_MAX / sizeof *slots
                                    ? realloc(planner->slots, problem->slots * sizeof *slots)
                                    : NULL;
        if (!slots) {
            return GR_NO_MEMORY;
        }
        planner->slots = slots;
        planner->slots_room = problem->slots;
    }
    for (size_t t = 0; t < problem->slots; t++) {
        gr_slot_of(&planner->slots[t], problem, t);
    }
    return GR_OK;
}

int gr_work_keep(struct gr_planner *planner, struct gr_points *function, size_t row, size_t layer,
                 double base)
{
    struct gr_points *store = &planner->store;
    int rc = gr_points_reserve(store, store->count + function->count);
    if (rc) {
        return rc;
    }
    struct gr_point *at = store->at + store->count;
    size_t count = gr_points_prune(at, function, &planner->rule, &planner->over, &planner->under);
    planner->empty = layer == 0 ? at[0].value : planner->empty;
    for (size_t i = 0; i < count; i++) {
        at[i].value -= planner->empty;
    }
    planner->kept[gr_work_index(planner, row, layer)] =
        (struct gr_kept){store->count, count, base + planner->empty, gr_points_are_convex(at, count)};
    store->count += count;
    planner->most_points = count > planner->most_points ? count : planner->most_points;
    return GR_OK;
}

int gr_work_keep_merged(struct gr_planner *planner, struct gr_points *function, size_t row, double base,
                        double error)
{
    struct gr_points *store = &planner->store;
    planner->over += error;
    planner->under += error;
    if (function->count > planner->rule.most) {
        return gr_work_keep(planner, function, row, 0, base);
    }
    int rc = gr_points_reserve(store, store->count + function->count);
    if (rc) {
        return rc;
    }
    struct gr_point *at = store->at + store->count;
    size_t count = function->count;
    double empty = function->at[0].value;
    for (size_t i = 0; i < count; i++) {
        at[i] = (struct gr_point){function->at[i].x, function->at[i].value - empty};
    }
    planner->empty = empty;
    planner->kept[gr_work_index(planner, row, 0)] = (struct gr_kept){store->count, count, base + empty, true};
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

int gr_work_end(struct gr_planner *planner, const struct gr_problem *problem, size_t row)
{
    struct gr_points *end = &planner->best;
    double capacity_kwh = problem->battery.capacity_kwh;
    int rc = gr_points_reserve(end, problem->end_points + 2);
    for (size_t layer = 0; layer < planner->layers && !rc; layer++) {
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
        rc = gr_work_keep(planner, end, row, layer, 0);
    }
    return rc;
}

/* The wishes' levels from low to high. */
static void sort_wishes(double kinks[GR_WISHES], const struct gr_slot *slot)
{
    for (size_t i = 0; i < GR_WISHES; i++) {
        size_t k = i;
        for (; k > 0 && kinks[k - 1] > slot->wishes[i].kwh; k--) {
            kinks[k] = kinks[k - 1];
        }
        kinks[k] = slot->wishes[i].kwh;
    }
}

/* The function up to the highest wish, with what is short of any of them, and a kink at each. */
static size_t push_wished(struct gr_points *after, const struct gr_slot *slot, const struct gr_point *at,
                          size_t count, double loss_kwh)
{
    double kinks[GR_WISHES] = {0};
    size_t i = 0, k = 0;
    sort_wishes(kinks, slot);
    for (; i < count && at[i].x <= kinks[GR_WISHES - 1]; i++) {
        gr_points_push(after, at[i].x + loss_kwh, at[i].value + gr_slot_shortfall(slot, at[i].x));
        for (; k < GR_WISHES && i + 1 < count && kinks[k] < at[i + 1].x; k++) {
            if (kinks[k] > at[i].x && (k == 0 || kinks[k] > kinks[k - 1])) {
                double value = gr_point_line(at[i], at[i + 1], kinks[k]);
                gr_points_push(after, kinks[k] + loss_kwh, value + gr_slot_shortfall(slot, kinks[k]));
            }
        }
    }
    return i;
}

/* The same where the floor is all that is wished for. */
static size_t push_floored(struct gr_points *after, const struct gr_wish *floor, const struct gr_point *at,
                           size_t count, double loss_kwh)
{
    size_t i = 0;
    for (; i < count && at[i].x <= floor->kwh; i++) {
        gr_points_push(after, at[i].x + loss_kwh, at[i].value + floor->per_kwh * (floor->kwh - at[i].x));
    }
    if (i > 0 && i < count && floor->kwh > at[i - 1].x) {
        gr_points_push(after, floor->kwh + loss_kwh, gr_point_line(at[i - 1], at[i], floor->kwh));
    }
    return i;
}

int gr_work_after(struct gr_planner *planner, const struct gr_slot *slot, size_t index)
{
    struct gr_points *after = &planner->after;
    const struct gr_point *at = gr_work_points(planner, index);
    size_t count = planner->kept[index].count;
    double loss_kwh = slot->hours * slot->battery.standing_loss_kw;
    bool floor_alone = !(slot->wishes[GR_WISH_WANTED].kwh > 0) && !(slot->wishes[GR_WISH_FULL].kwh > 0);
    int rc = gr_points_reserve(after, count + 1 + GR_WISHES);
    if (rc) {
        return rc;
    }
    after->count = 0;
    if (loss_kwh > 0) {
        gr_points_push(after, 0, at[0].value + gr_slot_shortfall(slot, 0));
    }
    size_t i = floor_alone ? push_floored(after, &slot->wishes[GR_WISH_FLOOR], at, count, loss_kwh)
                           : push_wished(after, slot, at, count, loss_kwh);
    struct gr_point *to = after->at + after->count;
    for (size_t k = i; k < count; k++) {
        *to++ = (struct gr_point){at[k].x + loss_kwh, at[k].value};
    }
    after->count += count - i;
    return GR_OK;
}

void gr_work_forget(struct gr_planner *planner, size_t begin, size_t row, size_t count)
{
    struct gr_points *store = &planner->store;
    size_t from = planner->kept[gr_work_index(planner, row + count - 1, 0)].first;
    memmove(store->at + begin, store->at + from, (store->count - from) * sizeof *store->at);
    for (size_t i = row * planner->layers; i < (row + count) * planner->layers; i++) {
        planner->kept[i].first -= from - begin;
    }
    store->count -= from - begin;
}
