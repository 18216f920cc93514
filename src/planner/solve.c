/* The forward pass: the plan that the value functions promise. */
#include "planner/search.h"

#include "granary/error.h"

#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

void gr_plan_free(struct gr_plan *plan)
{
    /* One block carries all arrays; the first begins it. */
    free(plan->charge_kw);
    free(plan->kind);
    memset(plan, 0, sizeof *plan);
}

static int make_plan(struct gr_plan *plan, size_t slots)
{
    memset(plan, 0, sizeof *plan);
    double *block = calloc(slots, 6 * sizeof *block);
    if (!block) {
        return GR_NO_MEMORY;
    }
    plan->kind = calloc(slots, sizeof *plan->kind);
    if (!plan->kind) {
        free(block);
        return GR_NO_MEMORY;
    }
    plan->slots = slots;
    plan->charge_kw = block;
    plan->discharge_kw = block + slots;
    plan->curtail_kw = block + 2 * slots;
    plan->grid_kw = block + 3 * slots;
    plan->stored_kwh = block + 4 * slots;
    plan->marginal_value_per_kwh = block + 5 * slots;
    return GR_OK;
}

/* Value functions of all slots: row t is the cost still to come at the start of slot t. */
static int pass_back(struct gr_planner *planner, const struct gr_problem *problem)
{
    int rc = gr_work_begin(planner, problem, problem->slots + 1);
    rc = rc ? rc : gr_work_slots(planner, problem);
    rc = rc ? rc : gr_work_end(planner, problem, problem->slots);
    for (size_t t = problem->slots; t-- > 0 && !rc;) {
        rc = gr_work_step(planner, problem, &planner->slots[t], t, t, t + 1);
    }
    return rc;
}

/* What is known at the start of a slot. */
struct state {
    double stored_kwh;
    enum gr_command_kind kind; /* in force before */
    enum gr_full full;
};

/* What is done in a slot. */
struct move {
    double change_kwh, cost; /* with all that follows */
    enum gr_command_kind kind;
};

/* Changes of stored energy that may be best, with what each costs from here on. The sum of two
 * piecewise-linear functions is least at a kink of one of them. */
static int list_candidates(struct gr_points *out, const struct gr_points *moves,
                           const struct gr_points *after, double stored_kwh)
{
    int rc = gr_points_reserve(out, moves->count + after->count);
    if (rc) {
        return rc;
    }
    double low_kwh = stored_kwh - moves->at[moves->count - 1].x, high_kwh = stored_kwh - moves->at[0].x;
    size_t first = gr_points_find(after->at, after->count, low_kwh), last = first;
    struct gr_cursor levels = {after->at, after->count, first}, taken = {moves->at, moves->count, 0};
    out->count = 0;
    for (size_t i = moves->count; i-- > 0;) {
        double cost = moves->at[i].value + gr_cursor_value(&levels, stored_kwh - moves->at[i].x);
        gr_points_push(out, -moves->at[i].x, cost);
    }
    while (last < after->count && after->at[last].x <= high_kwh) {
        last++;
    }
    for (size_t i = last; i-- > first;) {
        double taken_kwh = stored_kwh - after->at[i].x;
        gr_points_push(out, -taken_kwh, after->at[i].value + gr_cursor_value(&taken, taken_kwh));
    }
    return GR_OK;
}

static int choose_basic(struct gr_planner *planner, const struct gr_slot *slot, size_t next,
                        double stored_kwh, struct move *move)
{
    int rc = gr_work_after(planner, slot, next);
    rc = rc ? rc : list_candidates(&planner->best, &planner->moves, &planner->after, stored_kwh);
    move->change_kwh = rc ? 0 : gr_points_choose(&planner->best, planner->rule.tolerance);
    return rc;
}

/* ---- with states, and moves that depend on what is stored ---- */

static void offer_level(struct gr_planner *planner, const struct gr_slot *slot, const struct gr_moves *run,
                        double stored_kwh, double level_kwh)
{
    double moved = gr_points_value(run->at, run->count, stored_kwh - level_kwh);
    double wear = gr_slot_wear(slot, stored_kwh, gr_min(level_kwh, stored_kwh));
    gr_points_push(&planner->best, level_kwh - stored_kwh,
                   moved + wear + gr_points_value(planner->after.at, planner->after.count, level_kwh));
}

/* What one run of moves can bring about from what is stored: the lowest and the highest level. */
struct window {
    double low_kwh, high_kwh;
};

static struct window window_of(const struct gr_planner *planner, const struct gr_moves *run,
                               double stored_kwh)
{
    const struct gr_reach *reach = &planner->reach;
    if (run->at[0].x < 0) {
        double high_kwh = gr_points_value(reach->high.at, reach->high.count, stored_kwh);
        return (struct window){stored_kwh, gr_max(stored_kwh, gr_min(high_kwh, stored_kwh - run->at[0].x))};
    }
    double low_kwh = gr_points_value(reach->low.at, reach->low.count, stored_kwh);
    double most_kwh = run->at[run->count - 1].x;
    return (struct window){gr_min(stored_kwh, gr_max(low_kwh, stored_kwh - most_kwh)), stored_kwh};
}

/* All levels that may be best among those that a run of moves brings about. */
static int offer_run(struct gr_planner *planner, const struct gr_slot *slot, const struct gr_moves *run,
                     double stored_kwh)
{
    const struct gr_points *after = &planner->after;
    struct window window = window_of(planner, run, stored_kwh);
    int rc = gr_points_reserve(&planner->best,
                               planner->best.count + run->count + after->count + 2 + slot->wear_steps.count);
    if (rc) {
        return rc;
    }
    offer_level(planner, slot, run, stored_kwh, window.low_kwh);
    offer_level(planner, slot, run, stored_kwh, window.high_kwh);
    for (size_t i = 0; i < run->count; i++) {
        double level_kwh = stored_kwh - run->at[i].x;
        if (level_kwh > window.low_kwh && level_kwh < window.high_kwh) {
            offer_level(planner, slot, run, stored_kwh, level_kwh);
        }
    }
    for (size_t i = 0; i < after->count; i++) {
        if (after->at[i].x > window.low_kwh && after->at[i].x < window.high_kwh) {
            offer_level(planner, slot, run, stored_kwh, after->at[i].x);
        }
    }
    for (size_t i = 0; i < slot->wear_steps.count; i++) {
        double level_kwh = slot->wear_steps.x[i];
        if (level_kwh > window.low_kwh && level_kwh < window.high_kwh) {
            offer_level(planner, slot, run, stored_kwh, level_kwh);
        }
    }
    return GR_OK;
}

static int offer_charge(struct gr_planner *planner, const struct gr_slot *slot, double stored_kwh)
{
    struct gr_runs runs = gr_work_runs(planner);
    int rc = offer_run(planner, slot, &runs.charge, stored_kwh);
    for (size_t i = runs.charge_end + 1; i <= runs.discharge_begin && !rc; i++) {
        rc = offer_run(planner, slot, &(struct gr_moves){planner->moves.at + i, 1}, stored_kwh);
    }
    return rc;
}

/* A command that follows the house has no choice but to go as far as it can. */
static int offer_held(struct gr_planner *planner, const struct gr_slot *slot, double power_kw,
                      double stored_kwh)
{
    struct gr_runs runs = gr_work_runs(planner);
    double change_kwh = gr_slot_change_kwh(slot, power_kw);
    const struct gr_point still = {0, gr_slot_cost(slot, power_kw, NULL)};
    struct gr_moves run = change_kwh > 0   ? runs.charge
                          : change_kwh < 0 ? runs.discharge
                                           : (struct gr_moves){&still, 1};
    struct window window = window_of(planner, &run, stored_kwh);
    double level_kwh = gr_max(window.low_kwh, gr_min(window.high_kwh, stored_kwh + change_kwh));
    int rc = gr_points_reserve(&planner->best, 1);
    if (!rc) {
        offer_level(planner, slot, &run, stored_kwh, level_kwh);
    }
    return rc;
}

static int offer_command(struct gr_planner *planner, const struct gr_slot *slot, enum gr_command_kind kind,
                         double stored_kwh)
{
    struct gr_runs runs = gr_work_runs(planner);
    planner->best.count = 0;
    if (planner->kinds == 1) {
        int rc = offer_charge(planner, slot, stored_kwh);
        return rc ? rc : offer_run(planner, slot, &runs.discharge, stored_kwh);
    }
    if (kind == GR_CHARGE) {
        return offer_charge(planner, slot, stored_kwh);
    }
    if (kind == GR_EXPORT) {
        return offer_run(planner, slot, &runs.discharge, stored_kwh);
    }
    return offer_held(planner, slot, gr_slot_command_kw(slot, kind), stored_kwh);
}

static double least_value(const struct gr_points *candidates)
{
    double least = INFINITY;
    for (size_t i = 0; i < candidates->count; i++) {
        least = gr_min(least, candidates->at[i].value);
    }
    return least;
}

/* Which of two equal commands comes first: the one in force, then the one that leaves most to the house. */
static enum gr_command_kind kind_in_turn(const struct gr_planner *planner, const struct state *state,
                                         size_t turn)
{
    static const enum gr_command_kind order[GR_COMMAND_KINDS] = {GR_FOLLOW, GR_STORE,  GR_SERVE,
                                                                 GR_REST,   GR_CHARGE, GR_EXPORT};
    if (turn == 0 || planner->kinds == 1) {
        return state->kind;
    }
    size_t place = 0;
    while (order[place] != state->kind) {
        place++;
    }
    return order[turn <= place ? turn - 1 : turn];
}

static int choose_with_states(struct gr_planner *planner, const struct gr_problem *problem,
                              const struct gr_slot *slot, size_t t, const struct state *state,
                              struct move *move)
{
    int rc = gr_reach_of(&planner->reach, slot);
    move->cost = INFINITY;
    for (size_t i = 0; i < planner->kinds && !rc; i++) {
        enum gr_command_kind kind = kind_in_turn(planner, state, i);
        rc = gr_work_after_state(planner, problem, slot, t, t + 1, kind, state->full);
        rc = rc ? rc : offer_command(planner, slot, kind, state->stored_kwh);
        double cost = rc ? 0 : least_value(&planner->best) + (i > 0 ? problem->change_cost : 0);
        if (!rc && cost < move->cost - (i > 0 ? planner->rule.tolerance : 0)) {
            *move = (struct move){gr_points_choose(&planner->best, planner->rule.tolerance), cost, kind};
        }
    }
    return rc;
}

static enum gr_command_kind kind_of_power(double power_kw)
{
    return power_kw > 0 ? GR_CHARGE : power_kw < 0 ? GR_EXPORT : GR_REST;
}

/* The cheapest battery power from 0 to idle_kw. */
static double burnt_kw(struct gr_planner *planner, const struct gr_slot *slot, double idle_kw)
{
    double best_kw = 0, least = gr_slot_cost(slot, 0, NULL);
    if (gr_slot_powers(&planner->work[0], &planner->work[1], slot)) {
        return best_kw;
    }
    for (size_t i = 0; i <= planner->work[0].count; i++) {
        double power_kw = i < planner->work[0].count ? planner->work[0].at[i].x : idle_kw;
        double cost = power_kw > 0 && power_kw <= idle_kw ? gr_slot_cost(slot, power_kw, NULL) : least;
        best_kw = cost < least ? power_kw : best_kw;
        least = gr_min(cost, least);
    }
    return best_kw;
}

/* The battery power of a move. Where none is stored or taken, some power may still be burnt: by a command
 * that follows the house as much as it meets, by any other as much as pays. */
static double power_of(struct gr_planner *planner, const struct gr_slot *slot, const struct move *move)
{
    if (move->change_kwh != 0 || slot->charge_loss.count == 0) {
        return gr_slot_power_kw(slot, move->change_kwh);
    }
    double idle_kw = gr_min(slot->battery.charge_kw, gr_curve_idle_kw(&slot->charge_loss));
    if (planner->kinds > 1 && move->kind != GR_CHARGE) {
        return move->kind == GR_EXPORT ? 0 : gr_max(0, gr_min(idle_kw, gr_slot_command_kw(slot, move->kind)));
    }
    return burnt_kw(planner, slot, idle_kw);
}

/* Writes slot t of the plan and returns what it costs. */
static double write_slot(struct gr_plan *plan, const struct gr_slot *slot, size_t t, double stored_kwh,
                         double power_kw, double change_kwh)
{
    struct gr_flow flow;
    double cost = gr_slot_cost(slot, power_kw, &flow);
    double level_kwh = gr_max(0, stored_kwh + change_kwh);
    double left_kwh = gr_max(0, level_kwh - slot->hours * slot->battery.standing_loss_kw);
    plan->charge_kw[t] = gr_max(0, power_kw);
    plan->discharge_kw[t] = gr_max(0, -power_kw);
    plan->curtail_kw[t] = flow.curtail_kw;
    plan->grid_kw[t] = flow.grid_kw;
    plan->stored_kwh[t] = gr_min(slot->battery.capacity_kwh, left_kwh);
    plan->kind[t] = kind_of_power(power_kw);
    return cost + gr_slot_wear(slot, stored_kwh, gr_min(stored_kwh, level_kwh)) +
           gr_slot_shortfall(slot, plan->stored_kwh[t]);
}

static double take_move(struct gr_planner *planner, struct gr_plan *plan, const struct gr_slot *slot,
                        size_t t, double stored_kwh, const struct move *move)
{
    bool curved = slot->charge_loss.count > 0 || slot->discharge_loss.count > 0;
    double power_kw = power_of(planner, slot, move);
    double change_kwh = curved ? move->change_kwh : gr_slot_change_kwh(slot, power_kw);
    double cost = write_slot(plan, slot, t, stored_kwh, power_kw, change_kwh);
    plan->kind[t] = planner->kinds > 1 ? move->kind : plan->kind[t];
    return cost;
}

/* Whether the slot can change what is stored by so much. */
static bool can_change(const struct gr_slot *slot, double stored_kwh, double change_kwh)
{
    const double slack_kwh = 1e-9;
    double level_kwh = stored_kwh + change_kwh;
    double top_kwh = slot->battery.capacity_kwh + slot->hours * slot->battery.standing_loss_kw;
    double found_kwh = gr_slot_change_kwh(slot, gr_slot_power_kw(slot, change_kwh));
    if (fabs(found_kwh - change_kwh) > slack_kwh || level_kwh < -slack_kwh ||
        level_kwh > top_kwh + slack_kwh) {
        return false;
    }
    bool charges = change_kwh > 0;
    const struct gr_curve *power = charges ? &slot->charge_power : &slot->discharge_power;
    return power->count == 0 ||
           fabs(gr_reach_level(slot, stored_kwh, charges, level_kwh) - level_kwh) <= slack_kwh;
}

/* What is short of full at the fullest moment of every window. */
static double unfilled_cost(const struct gr_problem *problem, const struct gr_plan *plan)
{
    double cost = 0;
    size_t t = 0;
    for (size_t i = 0; i < problem->full_windows; i++) {
        double short_kwh = problem->full_kwh;
        for (; t <= problem->full_by[i]; t++) {
            short_kwh = gr_min(short_kwh, gr_max(0, problem->full_kwh - plan->stored_kwh[t]));
        }
        cost += problem->penalty_per_kwh * short_kwh;
    }
    return cost;
}

static double changes_cost(const struct gr_problem *problem, const struct gr_plan *plan)
{
    size_t changes = 0;
    for (size_t t = 0; t < problem->slots; t++) {
        changes += plan->kind[t] != (t > 0 ? plan->kind[t - 1] : problem->first_kind);
    }
    return (double)changes * problem->change_cost;
}

bool gr_plan_follow(struct gr_plan *plan, const struct gr_problem *problem, const double *change_kwh)
{
    double stored_kwh = problem->start_kwh, cost = 0;
    for (size_t t = 0; t < problem->slots; t++) {
        struct gr_slot slot;
        enum gr_command_kind kind = plan->kind[t];
        gr_slot_of(&slot, problem, t);
        if (!can_change(&slot, stored_kwh, change_kwh[t])) {
            return false;
        }
        double power_kw = gr_slot_power_kw(&slot, change_kwh[t]);
        cost += write_slot(plan, &slot, t, stored_kwh, power_kw, change_kwh[t]);
        plan->kind[t] = problem->change_cost > 0 ? kind : plan->kind[t];
        stored_kwh = plan->stored_kwh[t];
    }
    cost += unfilled_cost(problem, plan) + changes_cost(problem, plan);
    plan->cost = cost - gr_problem_end_value(problem, stored_kwh);
    return true;
}

/* Minus the slope just above kwh; just below where nothing lies above. */
static double marginal_value(const struct gr_planner *planner, size_t index, double kwh)
{
    const struct gr_point *at = gr_work_points(planner, index);
    size_t count = planner->kept[index].count;
    if (count < 2) {
        return 0;
    }
    size_t i = gr_points_find(at, count, kwh + planner->rule.gap);
    i = i + 1 < count ? i : count - 2;
    return -(at[i + 1].value - at[i].value) / (at[i + 1].x - at[i].x);
}

/* One slot of the plan; *state becomes that at its end. */
static int go_forward(struct gr_planner *planner, const struct gr_problem *problem, struct gr_plan *plan,
                      size_t t, struct state *state, double *cost)
{
    const struct gr_slot *slot = &planner->slots[t];
    struct move move = {0, 0, state->kind};
    int rc = gr_slot_moves(&planner->moves, planner->work, slot);
    if (!rc && gr_work_is_basic(planner, slot)) {
        rc = choose_basic(planner, slot, t + 1, state->stored_kwh, &move);
    } else if (!rc) {
        rc = choose_with_states(planner, problem, slot, t, state, &move);
    }
    if (rc) {
        return rc;
    }
    double penalty;
    *cost = take_move(planner, plan, slot, t, state->stored_kwh, &move);
    *cost += planner->kinds > 1 && move.kind != state->kind ? problem->change_cost : 0;
    state->stored_kwh = plan->stored_kwh[t];
    state->kind = move.kind;
    state->full =
        gr_work_full_after(planner, problem, t, t + 1, state->kind, state->full, state->stored_kwh, &penalty);
    *cost += penalty;
    size_t layer = gr_work_layer(planner, state->kind, state->full);
    plan->marginal_value_per_kwh[t] =
        marginal_value(planner, gr_work_index(planner, t + 1, layer), state->stored_kwh);
    return GR_OK;
}

/* The plan can be carried out, so the optimum is no dearer; it is no cheaper than the value function less
 * what pruning may have added to it. What rounding may do is allowed for on both sides. */
static void bound_error(struct gr_plan *plan, const struct gr_planner *planner,
                        const struct gr_problem *problem, double size)
{
    size_t index = gr_work_index(planner, 0, gr_work_layer(planner, problem->first_kind, GR_NOT_FULL));
    double promised =
        planner->kept[index].base +
        gr_points_value(gr_work_points(planner, index), planner->kept[index].count, problem->start_kwh);
    double rounding = 4 * DBL_EPSILON * (size + fabs(promised)) * sqrt((double)problem->slots);
    plan->error_up = rounding;
    plan->error_down = gr_max(0, plan->cost - promised) + planner->over + rounding;
    plan->most_points = planner->most_points;
}

static int pass_forward(struct gr_planner *planner, const struct gr_problem *problem, struct gr_plan *plan)
{
    struct state state = {problem->start_kwh, problem->first_kind, GR_NOT_FULL};
    double size = 0, cost = 0;
    for (size_t t = 0; t < problem->slots; t++) {
        int rc = go_forward(planner, problem, plan, t, &state, &cost);
        if (rc) {
            return rc;
        }
        plan->cost += cost;
        size += fabs(cost);
    }
    double left = gr_problem_end_value(problem, state.stored_kwh);
    plan->cost -= left;
    bound_error(plan, planner, problem, size + fabs(left));
    return GR_OK;
}

int gr_solve_plain(struct gr_planner *planner, const struct gr_problem *problem, struct gr_plan *plan)
{
    int rc = make_plan(plan, problem->slots);
    rc = rc ? rc : pass_back(planner, problem);
    rc = rc ? rc : pass_forward(planner, problem, plan);
    rc = rc ? rc : gr_work_finish(planner);
    if (rc) {
        gr_plan_free(plan);
    }
    return rc;
}

int gr_planner_solve(struct gr_planner *planner, const struct gr_problem *problem, struct gr_plan *plan,
                     struct gr_error *error)
{
    memset(plan, 0, sizeof *plan);
    int rc = gr_problem_check(problem, error);
    if (rc) {
        return rc;
    }
    size_t solves = 0, most_solves = GR_MOST_SLOTS_SOLVED / problem->slots;
    rc = problem->peak ? gr_solve_peak(planner, problem, plan)
                       : gr_solve_limited(planner, problem, most_solves, &solves, plan);
    if (rc) {
        gr_plan_free(plan);
        return gr_error_set(error, rc, "no memory for a plan of %zu slots", problem->slots);
    }
    return GR_OK;
}
