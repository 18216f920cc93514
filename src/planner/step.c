/* One step of the dynamic programme back in time. */
#include "planner/work.h"

#include "granary/error.h"

#include <float.h>
#include <math.h>

/* End of the convex chain of moves that starts at point `first`. A dent too small to matter is straightened,
 * which puts the function below the true one by less than the dent. Where the cost jumps, a chain ends. The
 * slope of a speck between two kinks that fall together but for rounding is noise, and hides what the pieces
 * on its two sides make of each other. */
static size_t chain_end(struct gr_planner *planner, size_t first, size_t end)
{
    const struct gr_point *at = planner->moves.at;
    double slope = -INFINITY, length = 0;
    size_t i = first;
    for (; i < end; i++) {
        double next_length = at[i + 1].x - at[i].x;
        if (!(next_length > 0)) {
            break;
        }
        double rise = at[i + 1].value - at[i].value, next_slope = rise / next_length;
        if (next_length <= planner->rule.gap && fabs(rise) <= planner->rule.tolerance) {
            continue;
        }
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

/* planner->other = min-plus convolution of `from` with the convex chain of moves from point `first` to
 * `last`, cut to [0, capacity]. A convex chain is the convolution of its straight pieces, in any order. */
static int convolve(struct gr_planner *planner, const struct gr_points *from, size_t first, size_t last,
                    double capacity_kwh)
{
    const struct gr_point *at = planner->moves.at;
    struct gr_points *out = &planner->other;
    struct gr_points *to = &planner->work[0], *spare = &planner->work[1];
    double needed_kwh = capacity_kwh - at[first].x;
    int rc = GR_OK;
    for (size_t i = first; i < last && !rc; i++) {
        double length = at[i + 1].x - at[i].x;
        rc = gr_points_widen(to, from, (at[i + 1].value - at[i].value) / length, length);
        while (to->count > 1 && to->at[to->count - 2].x >= needed_kwh) {
            to->count--; /* what lies further right comes from there alone, and goes further right */
        }
        from = to;
        to = spare;
        spare = to == &planner->work[0] ? &planner->work[1] : &planner->work[0];
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

/* planner->best = the lower of it and planner->other. */
static int join_other(struct gr_planner *planner)
{
    if (planner->best.count == 0) {
        swap_points(&planner->best, &planner->other);
        return GR_OK;
    }
    if (planner->other.count == 0) {
        return GR_OK;
    }
    int rc = gr_points_lower(&planner->work[0], &planner->best, &planner->other);
    swap_points(&planner->best, &planner->work[0]);
    return rc;
}

/* planner->best, the lower envelope over all chains of moves from point `first` to `last`. Chains follow each
 * other, so where one begins or ends, its neighbour is no higher: no envelope has a jump. */
static int join_chains(struct gr_planner *planner, const struct gr_points *from, size_t first, size_t last,
                       double capacity_kwh)
{
    const struct gr_point *at = planner->moves.at;
    for (;;) {
        size_t end = chain_end(planner, first, last);
        int rc = convolve(planner, from, first, end, capacity_kwh);
        rc = rc ? rc : join_other(planner);
        if (rc || end == last) {
            return rc;
        }
        first = at[end + 1].x > at[end].x ? end : end + 1;
    }
}

/* ---- beyond the basic model ---- */

struct gr_runs gr_work_runs(const struct gr_planner *planner)
{
    const struct gr_points *moves = &planner->moves;
    size_t first = 0, last;
    while (moves->at[first].x < 0) {
        first++;
    }
    for (last = first; last + 1 < moves->count && !(moves->at[last + 1].x > 0);) {
        last++;
    }
    return (struct gr_runs){.charge = {moves->at, first + 1},
                            .discharge = {moves->at + last, moves->count - last},
                            .charge_end = first,
                            .discharge_begin = last};
}

/* Whether how far the moves of a run go depends on what is stored. */
static bool has_reach(const struct gr_slot *slot, const struct gr_moves *run)
{
    const struct gr_curve *power = run->at[0].x < 0 ? &slot->charge_power : &slot->discharge_power;
    return power->count > 0 && run->count > 1;
}

/* The same as join_chains for moves whose reach depends on what is stored: resting, and piece by piece. A
 * piece of next to no length has a slope that is noise; its ends belong to its neighbours. */
static int join_pieces(struct gr_planner *planner, const struct gr_points *from, const struct gr_moves *run,
                       double capacity_kwh)
{
    size_t resting = (size_t)(run->at - planner->moves.at) + (run->at[0].x < 0 ? run->count - 1 : 0);
    int rc = join_chains(planner, from, resting, resting, capacity_kwh);
    bool begun = false;
    for (size_t i = 0; i + 1 < run->count && !rc; i++) {
        bool is_piece = run->at[i + 1].x - run->at[i].x > planner->rule.gap;
        rc = is_piece && !begun ? gr_reach_begin(&planner->reach, from, run, i, capacity_kwh) : GR_OK;
        begun = is_piece;
        if (is_piece && !rc) {
            rc = gr_reach_slide(&planner->other, &planner->reach, from, run, i, capacity_kwh);
            rc = rc ? rc : join_other(planner);
        }
    }
    return rc;
}

static int join_run(struct gr_planner *planner, const struct gr_slot *slot, const struct gr_points *from,
                    const struct gr_moves *run)
{
    size_t first = (size_t)(run->at - planner->moves.at);
    if (has_reach(slot, run)) {
        return join_pieces(planner, from, run, slot->battery.capacity_kwh);
    }
    return join_chains(planner, from, first, first + run->count - 1, slot->battery.capacity_kwh);
}

/* planner->wear and planner->tilted, from planner->after. */
static int tilt_after(struct gr_planner *planner, const struct gr_slot *slot)
{
    const struct gr_curve *steps = &slot->wear_steps;
    double top_kwh = planner->after.at[planner->after.count - 1].x;
    int rc = gr_points_reserve(&planner->wear, steps->count + 2);
    if (rc) {
        return rc;
    }
    planner->wear.count = 0;
    gr_points_push(&planner->wear, 0, 0);
    for (size_t i = 0; i < steps->count; i++) {
        if (i > 0 && steps->x[i] > 0 && steps->x[i] < top_kwh) {
            gr_points_push(&planner->wear, steps->x[i], -gr_slot_wear(slot, steps->x[i], 0));
        }
    }
    if (top_kwh > 0) {
        gr_points_push(&planner->wear, top_kwh, -gr_slot_wear(slot, top_kwh, 0));
    }
    return gr_points_add(&planner->tilted, &planner->after, &planner->wear);
}

/* planner->best: the wear of coming down from s added again. */
static int untilt_best(struct gr_planner *planner)
{
    struct gr_points *best = &planner->best;
    double low_kwh = best->at[0].x, high_kwh = best->at[best->count - 1].x;
    for (size_t i = 0; i < planner->wear.count; i++) {
        planner->wear.at[i].value = -planner->wear.at[i].value;
    }
    int rc = gr_points_add(&planner->work[0], best, &planner->wear);
    swap_points(best, &planner->work[0]);
    gr_points_clip(best, low_kwh, high_kwh, 0);
    return rc;
}

/* planner->best = the least over the moves that discharge. */
static int discharge_step(struct gr_planner *planner, const struct gr_slot *slot)
{
    struct gr_runs runs = gr_work_runs(planner);
    planner->best.count = 0;
    if (slot->wear_steps.count == 0) {
        return join_run(planner, slot, &planner->after, &runs.discharge);
    }
    int rc = tilt_after(planner, slot);
    rc = rc ? rc : join_run(planner, slot, &planner->tilted, &runs.discharge);
    return rc ? rc : untilt_best(planner);
}

/* planner->best = the least over the moves that charge, or rest. */
static int charge_step(struct gr_planner *planner, const struct gr_slot *slot)
{
    struct gr_runs runs = gr_work_runs(planner);
    planner->best.count = 0;
    int rc = join_run(planner, slot, &planner->after, &runs.charge);
    for (size_t i = runs.charge_end + 1; i <= runs.discharge_begin && !rc; i++) {
        rc = join_chains(planner, &planner->after, i, i, slot->battery.capacity_kwh);
    }
    return rc;
}

static int all_moves_step(struct gr_planner *planner, const struct gr_slot *slot)
{
    int rc = charge_step(planner, slot);
    swap_points(&planner->best, &planner->part[0]);
    rc = rc ? rc : discharge_step(planner, slot);
    swap_points(&planner->other, &planner->part[0]);
    return rc ? rc : join_other(planner);
}

/* planner->best = a command whose power follows from the house: `follow`, `store`, `serve`, `rest`. */
static int hold_step(struct gr_planner *planner, const struct gr_slot *slot, double power_kw)
{
    struct gr_runs runs = gr_work_runs(planner);
    double v = -gr_slot_change_kwh(slot, power_kw), capacity_kwh = slot->battery.capacity_kwh;
    const struct gr_point still = {0, gr_slot_cost(slot, power_kw, NULL)};
    if (v == 0) {
        return gr_reach_hold(&planner->best, &planner->reach, &planner->after, &(struct gr_moves){&still, 1},
                             0, capacity_kwh);
    }
    if (v < 0 || slot->wear_steps.count == 0) {
        return gr_reach_hold(&planner->best, &planner->reach, &planner->after,
                             v < 0 ? &runs.charge : &runs.discharge, v, capacity_kwh);
    }
    int rc = tilt_after(planner, slot);
    rc = rc ? rc
            : gr_reach_hold(&planner->best, &planner->reach, &planner->tilted, &runs.discharge, v,
                            capacity_kwh);
    return rc ? rc : untilt_best(planner);
}

static int command_step(struct gr_planner *planner, const struct gr_slot *slot, enum gr_command_kind kind)
{
    if (kind == GR_EXPORT) {
        return discharge_step(planner, slot);
    }
    if (kind == GR_CHARGE) {
        return charge_step(planner, slot);
    }
    return hold_step(planner, slot, gr_slot_command_kw(slot, kind));
}

/* ---- states ---- */

struct window {
    bool ends, more; /* whether slot t ends a window, and whether another follows */
};

static struct window window_at(const struct gr_problem *problem, size_t t)
{
    size_t w = 0;
    while (w < problem->full_windows && problem->full_by[w] < t) {
        w++;
    }
    bool ends = w < problem->full_windows && problem->full_by[w] == t;
    return (struct window){ends, w + 1 < problem->full_windows};
}

static struct gr_slot with_full_wish(const struct gr_slot *slot, const struct gr_problem *problem)
{
    struct gr_slot wishing = *slot;
    wishing.wishes[GR_WISH_FULL] = (struct gr_wish){problem->full_kwh, problem->penalty_per_kwh};
    return wishing;
}

int gr_work_after_state(struct gr_planner *planner, const struct gr_problem *problem,
                        const struct gr_slot *slot, size_t t, size_t next, enum gr_command_kind kind,
                        enum gr_full full)
{
    size_t not_full = gr_work_index(planner, next, gr_work_layer(planner, kind, GR_NOT_FULL));
    size_t been_full = gr_work_index(planner, next, gr_work_layer(planner, kind, GR_BEEN_FULL));
    if (planner->layers == planner->kinds) {
        return gr_work_after(planner, slot, not_full);
    }
    struct window window = window_at(problem, t);
    struct gr_slot wishing = with_full_wish(slot, problem);
    if (window.ends) {
        return gr_work_after(planner, full == GR_BEEN_FULL ? slot : &wishing,
                             window.more ? not_full : been_full);
    }
    if (full == GR_BEEN_FULL) {
        return gr_work_after(planner, slot, been_full);
    }
    int rc = gr_work_after(planner, &wishing, been_full);
    swap_points(&planner->after, &planner->fuller);
    rc = rc ? rc : gr_work_after(planner, slot, not_full);
    rc = rc ? rc : gr_points_lower(&planner->work[0], &planner->after, &planner->fuller);
    swap_points(&planner->after, &planner->work[0]);
    return rc;
}

enum gr_full gr_work_full_after(const struct gr_planner *planner, const struct gr_problem *problem, size_t t,
                                size_t next, enum gr_command_kind kind, enum gr_full full, double kwh,
                                double *penalty)
{
    *penalty = 0;
    if (planner->layers == planner->kinds) {
        return full;
    }
    struct window window = window_at(problem, t);
    double missing = problem->penalty_per_kwh * gr_max(0, problem->full_kwh - kwh);
    if (window.ends) {
        *penalty = full == GR_BEEN_FULL ? 0 : missing;
        return window.more ? GR_NOT_FULL : GR_BEEN_FULL;
    }
    if (full == GR_BEEN_FULL) {
        return full;
    }
    size_t not_full = gr_work_index(planner, next, gr_work_layer(planner, kind, GR_NOT_FULL));
    size_t been_full = gr_work_index(planner, next, gr_work_layer(planner, kind, GR_BEEN_FULL));
    double wait = gr_points_value(gr_work_points(planner, not_full), planner->kept[not_full].count, kwh);
    double now = gr_points_value(gr_work_points(planner, been_full), planner->kept[been_full].count, kwh);
    if (now + missing > wait) {
        return full;
    }
    *penalty = missing;
    return GR_BEEN_FULL;
}

/* Where a change of command costs something: what each command would cost, and for each command in force the
 * least of going on and changing. */
static int commands_step(struct gr_planner *planner, const struct gr_problem *problem,
                         const struct gr_slot *slot, size_t t, size_t row, size_t next, enum gr_full full)
{
    double base = planner->kept[gr_work_index(planner, next, 0)].base;
    int rc = GR_OK;
    planner->least.count = 0;
    for (enum gr_command_kind kind = 0; kind < GR_COMMAND_KINDS && !rc; kind++) {
        rc = gr_work_after_state(planner, problem, slot, t, next, kind, full);
        rc = rc ? rc : command_step(planner, slot, kind);
        swap_points(&planner->best, &planner->part[kind]);
        if (kind > 0 && !rc) {
            rc = gr_points_lower(&planner->work[0], &planner->least, &planner->part[kind]);
            swap_points(&planner->least, &planner->work[0]);
        } else if (!rc) {
            planner->least.count = 0;
            rc = gr_points_reserve(&planner->least, planner->part[0].count);
            for (size_t i = 0; i < planner->part[0].count && !rc; i++) {
                gr_points_push(&planner->least, planner->part[0].at[i].x, planner->part[0].at[i].value);
            }
        }
    }
    for (size_t i = 0; i < planner->least.count && !rc; i++) {
        planner->least.at[i].value += problem->change_cost;
    }
    for (enum gr_command_kind kind = 0; kind < GR_COMMAND_KINDS && !rc; kind++) {
        rc = gr_points_lower(&planner->best, &planner->part[kind], &planner->least);
        rc = rc ? rc : gr_work_keep(planner, &planner->best, row, gr_work_layer(planner, kind, full), base);
    }
    return rc;
}

static int states_step(struct gr_planner *planner, const struct gr_problem *problem,
                       const struct gr_slot *slot, size_t t, size_t row, size_t next)
{
    double base = planner->kept[gr_work_index(planner, next, 0)].base;
    size_t states = planner->layers / planner->kinds;
    int rc = gr_reach_of(&planner->reach, slot);
    for (size_t full = 0; full < states && !rc; full++) {
        if (planner->kinds > 1) {
            rc = commands_step(planner, problem, slot, t, row, next, (enum gr_full)full);
            continue;
        }
        rc = gr_work_after_state(planner, problem, slot, t, next, GR_FOLLOW, (enum gr_full)full);
        rc = rc ? rc : all_moves_step(planner, slot);
        rc = rc ? rc : gr_work_keep(planner, &planner->best, row, full, base);
    }
    return rc;
}

/* ---- the basic model ---- */

/* Whether levels that the standing loss empties are no better a choice than the lowest that it does not, by
 * what planner->best is without them. From s they cost planner->after's first value and at least the cheapest
 * move that takes no more than s; compared at the kinks, between which both are straight. */
static bool emptied_levels_are_useless(const struct gr_planner *planner, double loss_kwh)
{
    const struct gr_points *moves = &planner->moves, *best = &planner->best;
    size_t cheapest = moves->count - 1;
    while (cheapest > 0 && moves->at[cheapest - 1].value <= moves->at[cheapest].value) {
        cheapest--;
    }
    struct gr_cursor taken = {moves->at, cheapest + 1, 0}, found = {best->at, best->count, 0};
    struct gr_point last = moves->at[cheapest];
    double end_kwh = gr_min(best->at[best->count - 1].x, moves->at[moves->count - 1].x + loss_kwh), s = 0;
    for (;;) {
        double moved = s < last.x ? gr_cursor_value(&taken, s) : last.value;
        if (gr_cursor_value(&found, s) > planner->after.at[0].value + moved) {
            return false;
        }
        if (s >= end_kwh) {
            return true;
        }
        double next = s < last.x ? gr_cursor_next(&taken) : INFINITY;
        s = gr_min(end_kwh, gr_min(next, gr_cursor_next(&found)));
    }
}

/* Enough for that: what follows falls more steeply than any move does, by more than the loss is worth to the
 * dearest of them. */
static bool emptied_levels_are_far_off(const struct gr_planner *planner, double loss_kwh)
{
    const struct gr_point *after = planner->after.at + 1, *moves = planner->moves.at;
    if (planner->after.count < 3 || planner->moves.count < 2) {
        return false;
    }
    double length = gr_min(after[1].x - after[0].x, -moves[0].x - loss_kwh);
    double fall = (after[1].value - after[0].value) / (after[1].x - after[0].x);
    double dearest = (moves[1].value - moves[0].value) / (moves[1].x - moves[0].x);
    return (dearest - fall) * length > gr_max(0, -dearest) * loss_kwh;
}

/* Where moves and what follows are convex, one merge of their slopes is the whole step; false where that is
 * not so. The standing loss puts a level piece before what follows, which rarely matters. */
static bool merge_step(struct gr_planner *planner, const struct gr_slot *slot, size_t next, double *error,
                       int *rc)
{
    const struct gr_points *after = &planner->after, *moves = &planner->moves;
    size_t first = slot->battery.standing_loss_kw > 0 ? 1 : 0;
    bool covers = after->at[first].x + moves->at[0].x <= 0;
    if (!planner->kept[next].convex || !covers ||
        !(gr_slot_is_convex(slot) || chain_end(planner, 0, moves->count - 1) == moves->count - 1)) {
        return false;
    }
    double loss_kwh = slot->hours * slot->battery.standing_loss_kw;
    *rc = gr_points_merge(&planner->best, &(struct gr_run){after->at + first, after->count - first},
                          &(struct gr_run){moves->at, moves->count},
                          &(struct gr_span){0, slot->battery.capacity_kwh}, &planner->rule, error);
    return *rc || first == 0 || emptied_levels_are_far_off(planner, loss_kwh) ||
           emptied_levels_are_useless(planner, loss_kwh);
}

/* The last move worth looking at: where less in store is never worth more, nothing is given away that does
 * not pay at once, as it does not beyond the export limit. */
static size_t last_useful_move(const struct gr_planner *planner)
{
    const struct gr_point *moves = planner->moves.at, *after = planner->after.at;
    size_t last = planner->moves.count - 1;
    bool pays = last > 0 && moves[last - 1].x >= 0 && moves[last].value < moves[last - 1].value;
    for (size_t i = 1; i < planner->after.count && !pays; i++) {
        pays = after[i].value > after[i - 1].value;
    }
    while (!pays && last > 0 && moves[last - 1].x >= 0 && moves[last].value >= moves[last - 1].value) {
        last--;
    }
    return last;
}

static int basic_step(struct gr_planner *planner, const struct gr_slot *slot, size_t row, size_t next)
{
    double base = planner->kept[next].base, error = 0;
    int rc = gr_work_after(planner, slot, next);
    if (!rc && merge_step(planner, slot, next, &error, &rc)) {
        return rc ? rc : gr_work_keep_merged(planner, &planner->best, row, base, error);
    }
    planner->best.count = 0;
    rc = rc ? rc
            : join_chains(planner, &planner->after, 0, last_useful_move(planner), slot->battery.capacity_kwh);
    return rc ? rc : gr_work_keep(planner, &planner->best, row, 0, base);
}

int gr_work_step(struct gr_planner *planner, const struct gr_problem *problem, const struct gr_slot *slot,
                 size_t t, size_t row, size_t next)
{
    int rc = gr_slot_moves(&planner->moves, planner->work, slot);
    if (rc || !gr_work_is_basic(planner, slot)) {
        return rc ? rc : states_step(planner, problem, slot, t, row, next);
    }
    return basic_step(planner, slot, row, next);
}
