/* One step of the dynamic programme where the powers depend on what is stored: which levels a slot can reach
 * from which, and the least over such a window. */
#ifndef GRANARY_PLANNER_REACH_H
#define GRANARY_PLANNER_REACH_H

#include "planner/points.h"
#include "planner/slot.h"

#include <stdbool.h>

/* Lists of points over the energy s stored at the slot's start, 0 to capacity: the lowest and highest energy
 * it can hold at the end, before the standing loss. Both rise with s. */
struct gr_reach {
    struct gr_points low, high;
    struct gr_points clock, from, to, limit, work[4]; /* scratch */
    struct gr_points leave, enter;                    /* cost at the two ends of the window */
    size_t *queue;
    size_t queue_room;
};

void gr_reach_free(struct gr_reach *reach);

/* reach->low and reach->high of a slot with power curves. */
int gr_reach_of(struct gr_reach *reach, const struct gr_slot *slot);

/* Where a level of stored energy is at the slot's end (before the standing loss) when the battery charges, or
 * discharges, at its greatest power all the time, as its power curve lets it, but no further than stop_kwh.
 */
double gr_reach_level(const struct gr_slot *slot, double kwh, bool charges, double stop_kwh);

/* A run of moves that all charge (or rest) or all discharge (or rest): points with rising x. */
struct gr_moves {
    const struct gr_point *at;
    size_t count;
};

/* Begins a run at one of its pieces; the pieces that follow are then taken one after the other. */
int gr_reach_begin(struct gr_reach *reach, const struct gr_points *after, const struct gr_moves *moves,
                   size_t piece, double capacity_kwh);

/* out(s) = min over y of moves(s - y) + after(y), where s - y lies on the straight piece of `moves` that
 * begins at point `piece`, as far as y can be reached; where none can, the nearest y that can be. Defined for
 * every s from 0 to capacity. */
int gr_reach_slide(struct gr_points *out, struct gr_reach *reach, const struct gr_points *after,
                   const struct gr_moves *moves, size_t piece, double capacity_kwh);

/* The same where the battery moves by `v`, or by as much of it as can be reached. */
int gr_reach_hold(struct gr_points *out, struct gr_reach *reach, const struct gr_points *after,
                  const struct gr_moves *moves, double v, double capacity_kwh);

#endif
