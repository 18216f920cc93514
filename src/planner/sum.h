/* Sums of many piecewise-linear functions. */
#ifndef GRANARY_PLANNER_SUM_H
#define GRANARY_PLANNER_SUM_H

#include "planner/points.h"

#define GR_SUM_LEVELS 32

/* A sum in the making: level k is empty or holds the sum of 2^k functions, so that every point is copied only
 * as often as there are levels. */
struct gr_sum {
    struct gr_points level[GR_SUM_LEVELS], carry, spare;
};

void gr_sum_free(struct gr_sum *sum);
void gr_sum_clear(struct gr_sum *sum);
/* Adds weight times a function. */
int gr_sum_add(struct gr_sum *sum, const struct gr_point *at, size_t count, double weight);
/* The whole sum, in sum->carry; the levels are empty afterwards. */
int gr_sum_total(struct gr_sum *sum);

#endif
