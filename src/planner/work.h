/* The planner's work space and the passes over it. */
#ifndef GRANARY_PLANNER_WORK_H
#define GRANARY_PLANNER_WORK_H

#include "planner/points.h"
#include "planner/slot.h"
#include "planner/sum.h"

#include "granary/planner.h"

#include <stddef.h>

/* More points than any usual problem needs; only functions made to grow by every slot are thinned further. */
#define GR_MOST_POINTS 1000

/* Where a value function lies in the store of the work space. Values there are relative to the value at 0
 * kWh, which `base` holds, so that sums over many slots do not eat the digits. */
struct gr_kept {
    size_t first, count;
    double base;
};

/* *out = a copy of the points, each value raised by `base`. */
int gr_value_of_points(struct gr_value *out, const struct gr_point *at, size_t count, double base);

struct gr_planner {
    struct gr_points store; /* all value functions kept, one behind the other */
    struct gr_kept *kept;   /* which slot's function lies where */
    size_t kept_room;
    struct gr_points moves; /* cost of the slot by energy taken from the store */
    struct gr_points after; /* cost of what follows by energy in store before the standing loss */
    struct gr_points work[2], best, other;
    struct gr_sum sum;
    struct gr_prune_rule rule;
    double over, under; /* how far the functions may lie above and below the true ones by now */
    size_t most_points;
};

/* Sets tolerances for a problem and empties the store; `functions` is how many will be kept at once. */
int gr_work_begin(struct gr_planner *planner, const struct gr_problem *problem, size_t functions);

/* Keeps minus the end value as function `index`. */
int gr_work_end(struct gr_planner *planner, const struct gr_problem *problem, size_t index);

/* Cost still to come at the start of `slot`, from that at its end: keeps function `index`, made from function
 * `next`. */
int gr_work_step(struct gr_planner *planner, const struct gr_slot *slot, size_t index, size_t next);

/* planner->after from function `next`: what is short of the wishes added, shifted by the standing loss, level
 * where all is lost. */
int gr_work_after(struct gr_planner *planner, const struct gr_slot *slot, size_t next);

/* Value of what is stored at the end of the problem. */
double gr_problem_end_value(const struct gr_problem *problem, double kwh);

/* Forgets function `before`, which lies just below function `index`, the last of the store. */
void gr_work_forget(struct gr_planner *planner, size_t before, size_t index);

static inline const struct gr_point *gr_work_points(const struct gr_planner *planner, size_t index)
{
    return planner->store.at + planner->kept[index].first;
}

#endif
