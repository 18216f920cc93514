/* Searches around the dynamic programme, for what couples all slots of a problem. Each returns a plan whose
 * error_down holds what the search left open; GR_OK or GR_NO_MEMORY. */
#ifndef GRANARY_PLANNER_SEARCH_H
#define GRANARY_PLANNER_SEARCH_H

#include "planner/work.h"

#include <math.h>

/* Whether plans that cost no less than `bound` may still be cheaper than the best one found, by more than
 * rounding; its cost is infinite before there is one. */
static inline bool gr_may_beat(double bound, double best_cost)
{
    return isfinite(best_cost) ? bound < best_cost - 1e-10 * (1 + fabs(best_cost)) : true;
}

/* Money for a kWh, above all that one may be worth: the price of leaving what a search allows. */
static inline double gr_search_penalty(const struct gr_problem *problem)
{
    return 10 * (problem->penalty_per_kwh + gr_problem_worth(problem));
}

/* The dynamic programme alone. */
int gr_solve_plain(struct gr_planner *planner, const struct gr_problem *problem, struct gr_plan *plan);

/* A search ends when it has solved about so many slots, in plans that are solved again and again. */
#define GR_MOST_SLOTS_SOLVED 300000

/* With the bound on what is discharged, where there is one. After most_solves plans it ends, which are added
 * to *solves; what it leaves open is in the plan's error_down. */
int gr_solve_limited(struct gr_planner *planner, const struct gr_problem *problem, size_t most_solves,
                     size_t *solves, struct gr_plan *plan);

/* With payment for the peak, and the bound. */
int gr_solve_peak(struct gr_planner *planner, const struct gr_problem *problem, struct gr_plan *plan);

/* What given changes of stored energy cost, with the plan's commands where changing these costs something;
 * false where they cannot be carried out. */
bool gr_plan_follow(struct gr_plan *plan, const struct gr_problem *problem, const double *change_kwh);

#endif
