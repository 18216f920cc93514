/* The forward pass: the plan that the value functions promise. */
#include "planner/work.h"

#include "granary/error.h"

#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

void gr_plan_free(struct gr_plan *plan)
{
    /* One block carries all arrays; the first begins it. */
    free(plan->charge_kw);
    memset(plan, 0, sizeof *plan);
}

static int make_plan(struct gr_plan *plan, size_t slots)
{
    memset(plan, 0, sizeof *plan);
    double *block = calloc(slots, 6 * sizeof *block);
    if (!block) {
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

/* Value functions of all slots: function t is the cost still to come at the start of slot t. */
static int pass_back(struct gr_planner *planner, const struct gr_problem *problem)
{
    int rc = gr_work_begin(planner, problem, problem->slots + 1);
    rc = rc ? rc : gr_work_end(planner, problem, problem->slots);
    for (size_t t = problem->slots; t-- > 0 && !rc;) {
        struct gr_slot slot;
        gr_slot_of(&slot, problem, t);
        rc = gr_work_step(planner, &slot, t, t + 1);
    }
    return rc;
}

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

/* Writes slot t of the plan and returns what it costs. */
static double take_move(struct gr_plan *plan, const struct gr_slot *slot, size_t t, double stored_kwh,
                        double change_kwh)
{
    double power_kw = gr_slot_power_kw(slot, change_kwh), held_kw;
    double cost = gr_slot_cost(slot, power_kw, &held_kw);
    double level_kwh = gr_max(0, stored_kwh + gr_slot_change_kwh(slot, power_kw));
    double left_kwh = gr_max(0, level_kwh - slot->hours * slot->battery.standing_loss_kw);
    plan->charge_kw[t] = gr_max(0, power_kw);
    plan->discharge_kw[t] = gr_max(0, -power_kw);
    plan->curtail_kw[t] = held_kw;
    plan->grid_kw[t] = slot->load_kw - slot->solar_kw + power_kw + held_kw;
    plan->stored_kwh[t] = gr_min(slot->battery.capacity_kwh, left_kwh);
    return cost;
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

static int pass_forward(struct gr_planner *planner, const struct gr_problem *problem, struct gr_plan *plan)
{
    double stored_kwh = problem->start_kwh, size = 0;
    for (size_t t = 0; t < problem->slots; t++) {
        struct gr_slot slot;
        gr_slot_of(&slot, problem, t);
        int rc = gr_work_after(planner, &slot, t + 1);
        rc = rc ? rc : gr_slot_moves(&planner->moves, planner->work, &slot);
        rc = rc ? rc : list_candidates(&planner->best, &planner->moves, &planner->after, stored_kwh);
        if (rc) {
            return rc;
        }
        double change_kwh = gr_points_choose(&planner->best, planner->rule.tolerance);
        double cost = take_move(plan, &slot, t, stored_kwh, change_kwh);
        stored_kwh = plan->stored_kwh[t];
        cost += gr_slot_shortfall(&slot, stored_kwh);
        plan->cost += cost;
        size += fabs(cost);
        plan->marginal_value_per_kwh[t] = marginal_value(planner, t + 1, stored_kwh);
    }
    double left = gr_problem_end_value(problem, stored_kwh);
    plan->cost -= left;
    /* The plan can be carried out, so the optimum is no dearer; it is no cheaper than the value function less
     * what pruning may have added to it. What rounding may do is allowed for on both sides. */
    double promised = planner->kept[0].base +
                      gr_points_value(gr_work_points(planner, 0), planner->kept[0].count, problem->start_kwh);
    double rounding = 4 * DBL_EPSILON * (size + fabs(left) + fabs(promised)) * sqrt((double)problem->slots);
    plan->error_up = rounding;
    plan->error_down = gr_max(0, plan->cost - promised) + planner->over + rounding;
    plan->most_points = planner->most_points;
    return GR_OK;
}

int gr_planner_solve(struct gr_planner *planner, const struct gr_problem *problem, struct gr_plan *plan,
                     struct gr_error *error)
{
    memset(plan, 0, sizeof *plan);
    int rc = gr_problem_check(problem, error);
    if (rc) {
        return rc;
    }
    rc = make_plan(plan, problem->slots);
    rc = rc ? rc : pass_back(planner, problem);
    rc = rc ? rc : pass_forward(planner, problem, plan);
    if (rc) {
        gr_plan_free(plan);
        return gr_error_set(error, rc, "no memory for a plan of %zu slots", problem->slots);
    }
    return GR_OK;
}
