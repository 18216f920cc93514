/* Small problems by exhaustive search over a grid of stored levels: slow, simple, and apart from the
 * piecewise-linear functions. Two bounds that hold whatever the grid: a plan on the grid costs no less than
 * the optimum, and the optimum, each of its levels moved to the nearest of the grid, no less than the
 * cheapest of all moves that lie as near to those on the grid. */
#include "planner/slot.h"

#include "granary/error.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct grid {
    size_t levels;
    double step_kwh;
    double *low, *high; /* least cost still to come from each level: not above, not below the true one */
    double *next_low, *next_high;
};

/* The least of the moves from `from` to `to` (energy taken), infinite where there is none. */
static double least_move(const struct gr_points *moves, double from, double to)
{
    const struct gr_point *at = moves->at;
    const struct gr_point last = at[moves->count - 1];
    double low = gr_max(from, at[0].x), high = gr_min(to, last.x), least = INFINITY;
    if (low > high) {
        return INFINITY;
    }
    for (size_t i = 0; i < moves->count; i++) {
        bool inside = at[i].x >= low && at[i].x <= high;
        least = inside ? gr_min(least, at[i].value) : least;
        if (i > 0 && at[i].x > at[i - 1].x && at[i].x >= low && at[i - 1].x <= high) {
            least = gr_min(least, gr_point_line(at[i - 1], at[i], gr_max(low, at[i - 1].x)));
            least = gr_min(least, gr_point_line(at[i - 1], at[i], gr_min(high, at[i].x)));
        }
    }
    return least;
}

/* One slot from `start_kwh` to level `to` of the grid, for entry `from`; the lowest level may be reached from
 * any that the standing loss empties. */
static void try_pair(struct grid *grid, const struct gr_slot *slot, const struct gr_points *moves,
                     size_t from, double start_kwh, size_t to)
{
    double loss_kwh = slot->hours * slot->battery.standing_loss_kw, near = grid->step_kwh;
    double end_kwh = (double)to * grid->step_kwh;
    double taken = start_kwh - end_kwh - loss_kwh, most = to == 0 ? start_kwh : taken;
    const double rounding = 1e-9;
    double high = least_move(moves, taken - rounding, most + rounding) + gr_slot_shortfall(slot, end_kwh);
    double low = least_move(moves, taken - near, most + near) + gr_slot_shortfall(slot, end_kwh + near / 2);
    grid->high[from] = gr_min(grid->high[from], high + grid->next_high[to]);
    grid->low[from] = gr_min(grid->low[from], low + grid->next_low[to]);
}

/* The first slot begins at the start alone, which need not lie on the grid. */
static int step_back(struct grid *grid, const struct gr_problem *problem, size_t t, struct gr_points list[3])
{
    struct gr_slot slot;
    gr_slot_of(&slot, problem, t);
    int rc = gr_slot_moves(&list[0], list + 1, &slot);
    for (size_t from = 0; from < (t > 0 ? grid->levels : 1) && !rc; from++) {
        double start_kwh = t > 0 ? (double)from * grid->step_kwh : problem->start_kwh;
        grid->low[from] = grid->high[from] = INFINITY;
        for (size_t to = 0; to < grid->levels; to++) {
            try_pair(grid, &slot, &list[0], from, start_kwh, to);
        }
    }
    return rc;
}

static double end_value(const struct gr_problem *problem, double kwh)
{
    size_t last = problem->end_points - 1;
    if (problem->end_points == 0) {
        return 0;
    }
    if (kwh <= problem->end_kwh[0] || kwh >= problem->end_kwh[last]) {
        return problem->end_value[kwh <= problem->end_kwh[0] ? 0 : last];
    }
    size_t i = 0;
    while (problem->end_kwh[i + 1] < kwh) {
        i++;
    }
    double share = (kwh - problem->end_kwh[i]) / (problem->end_kwh[i + 1] - problem->end_kwh[i]);
    return problem->end_value[i] + share * (problem->end_value[i + 1] - problem->end_value[i]);
}

/* The best end value within half a step of a level: at its ends or at a point between. */
static double best_end_value(const struct gr_problem *problem, double kwh, double half_kwh)
{
    double best = gr_max(end_value(problem, kwh - half_kwh), end_value(problem, kwh + half_kwh));
    for (size_t i = 0; i < problem->end_points; i++) {
        best = fabs(problem->end_kwh[i] - kwh) <= half_kwh ? gr_max(best, problem->end_value[i]) : best;
    }
    return best;
}

static void swap_rows(struct grid *grid)
{
    double *low = grid->low, *high = grid->high;
    grid->low = grid->next_low;
    grid->high = grid->next_high;
    grid->next_low = low;
    grid->next_high = high;
}

static int search_grid(struct grid *grid, const struct gr_problem *problem)
{
    struct gr_points list[3] = {{0}, {0}, {0}};
    int rc = GR_OK;
    for (size_t i = 0; i < grid->levels; i++) {
        double kwh = (double)i * grid->step_kwh;
        grid->high[i] = -end_value(problem, kwh);
        grid->low[i] = -best_end_value(problem, kwh, grid->step_kwh / 2);
    }
    for (size_t t = problem->slots; t-- > 0 && !rc;) {
        swap_rows(grid);
        rc = step_back(grid, problem, t, list);
    }
    for (size_t i = 0; i < 3; i++) {
        gr_points_free(&list[i]);
    }
    return rc;
}

/* What the grid says nothing about. */
static const char *left_out(const struct gr_problem *problem)
{
    return problem->charge_power.count > 0 || problem->discharge_power.count > 0 ? "powers by level"
           : problem->wear_steps.count > 0                                       ? "wear_steps"
           : problem->change_cost > 0                                            ? "change_cost"
           : problem->full_windows > 0                                           ? "battery.full_by"
           : problem->limits_discharge ? "battery.most_discharged_kwh"
           : problem->peak             ? "peak"
                                       : NULL;
}

int gr_brute_solve(const struct gr_problem *problem, size_t levels, double *low, double *high,
                   struct gr_error *error)
{
    int rc = gr_problem_check(problem, error);
    if (rc) {
        return rc;
    }
    const char *out = left_out(problem);
    if (out) {
        return gr_error_set(error, GR_INVALID, "%s: an exhaustive search takes none", out);
    }
    double capacity_kwh = problem->battery.capacity_kwh;
    struct grid grid = {.levels = capacity_kwh > 0 ? levels : 1};
    grid.step_kwh = grid.levels > 1 ? capacity_kwh / (double)(grid.levels - 1) : 0;
    double *block = calloc(grid.levels, 4 * sizeof *block);
    if (!block) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for %zu levels", levels);
    }
    grid.low = block;
    grid.high = block + grid.levels;
    grid.next_low = block + 2 * grid.levels;
    grid.next_high = block + 3 * grid.levels;
    rc = search_grid(&grid, problem);
    *low = grid.low[0];
    *high = grid.high[0];
    free(block);
    return rc ? gr_error_set(error, rc, "no memory for an exhaustive search") : GR_OK;
}
