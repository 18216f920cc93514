/* Continuous piecewise-linear functions of stored energy as growable lists of points, and the three
 * operations the dynamic programme is made of: min-plus convolution with a straight piece, lower envelope,
 * and pruning. Every list is sorted by x; a list of one point is a function with a single argument. */
#ifndef GRANARY_PLANNER_POINTS_H
#define GRANARY_PLANNER_POINTS_H

#include <math.h>
#include <stdbool.h>
#include <stddef.h>

struct gr_point {
    double x, value; /* x: stored energy or a change of it in kWh, or a power in kW; value: money or money per
                        hour */
};

struct gr_points {
    struct gr_point *at;
    size_t count, room;
};

void gr_points_free(struct gr_points *points);

/* Makes room for `count` points in all, keeping those there; GR_OK or GR_NO_MEMORY. */
int gr_points_reserve(struct gr_points *points, size_t count);

/* Adds a point behind the last one; the room must have been reserved. */
static inline void gr_points_push(struct gr_points *points, double x, double value)
{
    points->at[points->count].x = x;
    points->at[points->count].value = value;
    points->count++;
}

/* For finite numbers, without the library's care for those that are none: it shows in the inner loops. */
static inline double gr_max(double a, double b)
{
    return a > b ? a : b;
}

static inline double gr_min(double a, double b)
{
    return a < b ? a : b;
}

/* Value at x on the line through a and b; a's where b lies straight above it. */
static inline double gr_point_line(struct gr_point a, struct gr_point b, double x)
{
    double width = b.x - a.x;
    return width > 0 ? a.value + (b.value - a.value) * ((x - a.x) / width) : a.value;
}

/* Index of the last point at or below x (0 where there is none). */
size_t gr_points_find(const struct gr_point *at, size_t count, double x);

/* Value at x, clamped to the domain. */
double gr_points_value(const struct gr_point *at, size_t count, double x);

/* Reads a function at arguments that never fall, in linear time over all of them. */
struct gr_cursor {
    const struct gr_point *at;
    size_t count, next; /* `next` is the first point not yet passed; 0 to begin with */
};

/* Value at x; infinite outside the domain. */
static inline double gr_cursor_value(struct gr_cursor *cursor, double x)
{
    while (cursor->next < cursor->count && cursor->at[cursor->next].x <= x) {
        cursor->next++;
    }
    if (cursor->next == 0) {
        return INFINITY;
    }
    struct gr_point last = cursor->at[cursor->next - 1];
    if (last.x >= x) {
        return last.value;
    }
    return cursor->next < cursor->count ? gr_point_line(last, cursor->at[cursor->next], x) : INFINITY;
}

/* The next kink, infinite behind the last. */
static inline double gr_cursor_next(const struct gr_cursor *cursor)
{
    return cursor->next < cursor->count ? cursor->at[cursor->next].x : INFINITY;
}

/* out(x) = min over 0 <= z <= length of in(x - z) + slope z: the min-plus convolution of `in` with one
 * straight piece. A valley of `in` (seen along the slope) is widened by the length; where two widened valleys
 * meet, the ridge between them is cut off at their one crossing. Linear in the points. Needs length >= 0. */
int gr_points_widen(struct gr_points *out, const struct gr_points *in, double slope, double length);

/* out = the lower of f and g, each taken as infinite outside its domain. Where one begins or ends, the other
 * must be no higher, so that there is no jump. */
int gr_points_lower(struct gr_points *out, const struct gr_points *f, const struct gr_points *g);

/* out = f + g, each continued level outside its domain. */
int gr_points_add(struct gr_points *out, const struct gr_points *f, const struct gr_points *g);

/* Of candidates (x, value): the x of the least value; among those within `tie` of it the x nearest to 0.
 * INFINITY where there are none. */
double gr_points_choose(const struct gr_points *candidates, double tie);

/* Cuts the function to [low, high]; an end that misses `low` or `high` by no more than `snap` is moved there.
 * Leaves no points where the domain lies outside. */
void gr_points_clip(struct gr_points *points, double low, double high, double snap);

struct gr_prune_rule {
    double tolerance; /* money: no point left out lies further than this from the new function */
    double gap;       /* points closer than this are merged, whatever that costs */
    size_t most;      /* where more points stay, the tolerance is raised until no more do */
};

/* Copies `in` to out[0 ..] without the points that change nothing beyond the tolerance; the ends stay. `out`
 * has room for in->count points; `in` loses points too close to its end. *over and *under grow by the
 * greatest distance by which the new function really lies above and below `in`. Returns the number of points.
 */
size_t gr_points_prune(struct gr_point *out, struct gr_points *in, const struct gr_prune_rule *rule,
                       double *over, double *under);

/* Whether x rises and the slopes do not fall. */
bool gr_points_are_convex(const struct gr_point *at, size_t count);

/* A part of such a list. */
struct gr_run {
    const struct gr_point *at;
    size_t count;
};

struct gr_span {
    double low, high;
};

/* out = min-plus convolution of two convex functions, cut to a span that it must cover: their straight pieces
 * by rising slope. Points that change nothing beyond the rule's tolerance are left out on the way, apart from
 * those between two pieces of `f`, which is taken as thinned already but for points closer than the gap (the
 * most that the rule allows is not looked at); *error is at least the greatest distance that this makes. */
int gr_points_merge(struct gr_points *out, const struct gr_run *f, const struct gr_run *g,
                    const struct gr_span *span, const struct gr_prune_rule *rule, double *error);

#endif
