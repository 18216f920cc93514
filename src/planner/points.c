#include "planner/points.h"

#include "granary/error.h"

#include <float.h>
#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

void gr_points_free(struct gr_points *points)
{
    free(points->at);
    memset(points, 0, sizeof *points);
}

int gr_points_reserve(struct gr_points *points, size_t count)
{
    if (count <= points->room) {
        return GR_OK;
    }
    if (count > SIZE_MAX / 2 / sizeof *points->at) {
        return GR_NO_MEMORY;
    }
    size_t room = 64;
    while (room < count) {
        room *= 2;
    }
    struct gr_point *at = realloc(points->at, room * sizeof *at);
    if (!at) {
        return GR_NO_MEMORY;
    }
    points->at = at;
    points->room = room;
    return GR_OK;
}

size_t gr_points_find(const struct gr_point *at, size_t count, double x)
{
    size_t low = 0, high = count;
    while (high - low > 1) {
        size_t middle = low + (high - low) / 2;
        if (at[middle].x <= x) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return low;
}

double gr_points_value(const struct gr_point *at, size_t count, double x)
{
    if (x <= at[0].x) {
        return at[0].value;
    }
    if (x >= at[count - 1].x) {
        return at[count - 1].value;
    }
    size_t i = gr_points_find(at, count, x);
    return gr_point_line(at[i], at[i + 1], x);
}

/* ---- min-plus convolution with a straight piece ---- */

struct valley {
    const struct gr_point *at;
    size_t peak, bottom; /* falls from at[peak] to at[bottom], then stays level for `length` */
    double slope, length;
};

/* Height seen along the slope: a function that follows the slope is level. */
static inline double height(struct gr_point point, double slope)
{
    return point.value - slope * point.x;
}

/* The end of the valley's piece that starts at point q. */
static struct gr_point piece_end(const struct valley *valley, size_t q)
{
    if (q < valley->bottom) {
        return valley->at[q + 1];
    }
    struct gr_point bottom = valley->at[valley->bottom];
    return (struct gr_point){bottom.x + valley->length, bottom.value + valley->slope * valley->length};
}

static double valley_value(const struct valley *valley, size_t q, double x)
{
    if (q < valley->bottom) {
        return gr_point_line(valley->at[q], valley->at[q + 1], x);
    }
    return valley->at[q].value + valley->slope * (x - valley->at[q].x);
}

/* Where the line a-b, rising in height, meets the falling line c-d. */
static struct gr_point cross(struct gr_point a, struct gr_point b, struct gr_point c, struct gr_point d)
{
    double left = gr_max(a.x, c.x), right = gr_min(b.x, d.x);
    double before = gr_point_line(a, b, left) - gr_point_line(c, d, left);
    double after = gr_point_line(a, b, right) - gr_point_line(c, d, right);
    /* Lines that only touch, at one end or the other, may miss each other by rounding. */
    double share = before >= 0 ? 0 : after <= 0 ? 1 : before / (before - after);
    double x = left + (right - left) * share;
    return (struct gr_point){x, gr_point_line(c, d, x)};
}

/* Appends the falling side of a valley behind what `out` holds so far. From the peak on, `out` rises and the
 * valley falls (in height), so they cross once: the points of both beyond the crossing are dropped. */
static void join_valley(struct gr_points *out, const struct valley *valley)
{
    const struct gr_point *at = valley->at;
    size_t q = valley->bottom;
    struct gr_point cut = {0, 0};
    bool crossed = false;
    for (;;) {
        struct gr_point last = out->at[out->count - 1];
        while (q > valley->peak && at[q].x > last.x) {
            q--;
        }
        if (last.x <= at[valley->peak].x || last.value <= valley_value(valley, q, last.x)) {
            break;
        }
        cut = last;
        crossed = true;
        out->count--;
    }
    if (crossed) {
        struct gr_point last = out->at[out->count - 1];
        while (q < valley->bottom && gr_point_line(last, cut, at[q + 1].x) <= at[q + 1].value) {
            q++;
        }
        struct gr_point meet = cross(last, cut, at[q], piece_end(valley, q));
        gr_points_push(out, meet.x, meet.value);
    }
    for (q++; q <= valley->bottom; q++) {
        gr_points_push(out, at[q].x, at[q].value);
    }
}

int gr_points_widen(struct gr_points *out, const struct gr_points *in, double slope, double length)
{
    int rc = gr_points_reserve(out, 2 * in->count + 2);
    if (rc) {
        return rc;
    }
    const struct gr_point *at = in->at;
    size_t count = in->count, i = 0;
    double rise = slope * length;
    out->count = 0;
    gr_points_push(out, at[0].x, at[0].value);
    double here = height(at[0], slope), next;
    do {
        size_t bottom = i;
        for (; bottom + 1 < count && (next = height(at[bottom + 1], slope)) < here; bottom++) {
            here = next;
        }
        join_valley(out, &(struct valley){at, i, bottom, slope, length});
        gr_points_push(out, at[bottom].x + length, at[bottom].value + rise);
        for (i = bottom; i + 1 < count && (next = height(at[i + 1], slope)) >= here; i++) {
            gr_points_push(out, at[i + 1].x + length, at[i + 1].value + rise);
            here = next;
        }
    } while (i + 1 < count);
    return GR_OK;
}

/* ---- min-plus convolution of convex functions ---- */

/* Neighbouring slopes compared without a division. */
bool gr_points_are_convex(const struct gr_point *at, size_t count)
{
    double length = count > 1 ? at[1].x - at[0].x : 0, rise = count > 1 ? at[1].value - at[0].value : 0;
    bool convex = count < 2 || length > 0;
    for (size_t i = 2; i < count && convex; i++) {
        double next_length = at[i].x - at[i - 1].x, next_rise = at[i].value - at[i - 1].value;
        convex = next_length > 0 && next_rise * length >= rise * next_length;
        length = next_length;
        rise = next_rise;
    }
    return convex;
}

/* Whether the piece that begins at f comes before that at g: the lesser slope, compared without a division.
 * The slope of a piece of no length is noise and must not hold up the others. */
static bool comes_first(const struct gr_point *f, const struct gr_point *g, double near)
{
    double f_length = f[1].x - f->x, g_length = g[1].x - g->x;
    if (f_length <= near || g_length <= near) {
        return f_length <= near;
    }
    return (f[1].value - f->value) * g_length <= (g[1].value - g->value) * f_length;
}

/* A convex function in the making, thinned as it grows. */
struct growth {
    struct gr_point *at;
    size_t count;
    double tolerance, gap;
    double left_out; /* how far the last piece may lie from the points left out along it */
    double most_left_out;
};

/* Appends a point; the last one goes where it changes nothing beyond the tolerance, unless it is known to
 * bend. Each point left out moves the piece by no more than its own distance at that moment, so that these
 * add up to a bound. */
static inline void grow(struct growth *growth, struct gr_point point, bool bends)
{
    if (growth->count < 2 || bends) {
        growth->left_out = 0;
        growth->at[growth->count++] = point;
        return;
    }
    struct gr_point *last = growth->at + growth->count - 1, from = last[-1];
    double near = last->x - from.x, far = point.x - from.x;
    double bend = fabs((point.value - from.value) * near - (last->value - from.value) * far);
    if (near > growth->gap && far - near > growth->gap &&
        bend > (growth->tolerance - growth->left_out) * far) {
        growth->left_out = 0;
        growth->at[growth->count++] = point;
        return;
    }
    growth->left_out += far > 0 ? bend / far : fabs(point.value - last->value);
    growth->most_left_out = gr_max(growth->most_left_out, growth->left_out);
    *last = point;
}

int gr_points_merge(struct gr_points *out, const struct gr_run *f, const struct gr_run *g,
                    const struct gr_span *span, const struct gr_prune_rule *rule, double *error)
{
    int rc = gr_points_reserve(out, f->count + g->count + 1);
    if (rc) {
        return rc;
    }
    const struct gr_point *a = f->at, *a_last = a + f->count - 1, *b = g->at, *b_last = b + g->count - 1;
    double near = 1e-12 * (a_last->x - a->x + b_last->x - b->x), low = span->low, high = span->high;
    struct growth growth = {.at = out->at, .tolerance = rule->tolerance, .gap = rule->gap};
    struct gr_point here = {a->x + b->x, a->value + b->value};
    bool was_long_a = false; /* whether the last piece is of f, and no speck */
    if (here.x >= low) {
        grow(&growth, (struct gr_point){low, here.value}, false);
    }
    while (here.x < high && (a < a_last || b < b_last)) {
        bool from_a = b == b_last || (a < a_last && comes_first(a, b, near));
        a += from_a;
        b += !from_a;
        struct gr_point next = {a->x + b->x, a->value + b->value};
        bool is_long_a = from_a && next.x - here.x > rule->gap;
        if (next.x > low) {
            if (growth.count == 0) {
                grow(&growth, (struct gr_point){low, gr_point_line(here, next, low)}, false);
            }
            struct gr_point end =
                next.x < high ? next : (struct gr_point){high, gr_point_line(here, next, high)};
            grow(&growth, end, is_long_a && was_long_a);
        }
        was_long_a = is_long_a;
        here = next;
    }
    if (growth.count == 0) {
        grow(&growth, (struct gr_point){low, here.value}, false);
    }
    if (here.x < high) {
        out->at[growth.count - 1].x = high;
    }
    /* Of a battery without capacity, one level is all there is. */
    out->count = high > low ? growth.count : 1;
    *error = growth.most_left_out;
    return GR_OK;
}

/* ---- lower envelope ---- */

/* A function walked along from kink to kink: the next one, and the last of those at its place, which counts.
 */
struct walk {
    const struct gr_point *at;
    size_t count, next, last;
    double x; /* of the next kink, infinite behind the last */
};

static inline void look_ahead(struct walk *walk, size_t next)
{
    walk->next = walk->last = next;
    walk->x = next < walk->count ? walk->at[next].x : INFINITY;
    while (walk->last + 1 < walk->count && walk->at[walk->last + 1].x <= walk->x) {
        walk->last++;
    }
}

static inline bool is_inside(const struct walk *walk)
{
    return walk->next > 0 && walk->next < walk->count;
}

/* How far one function lies above the other at an argument, `times` over: a quotient is worth its division
 * only where the two cross. `both`: neither is infinite there. */
struct gap {
    double x, above, times;
    bool both;
};

/* How far a kink lies above the piece of another function that leads to its next one, `times` over. */
static inline double above_piece(struct gr_point kink, const struct walk *other, double *times)
{
    struct gr_point low = other->at[other->next - 1], high = other->at[other->next];
    *times = high.x - low.x;
    return (kink.value - low.value) * *times - (high.value - low.value) * (kink.x - low.x);
}

static inline struct gap next_gap(const struct walk *f, const struct walk *g)
{
    struct gap gap = {gr_min(f->x, g->x), 0, 1, true};
    if (f->x < g->x && is_inside(g)) {
        gap.above = above_piece(f->at[f->last], g, &gap.times);
    } else if (g->x < f->x && is_inside(f)) {
        gap.above = -above_piece(g->at[g->last], f, &gap.times);
    } else if (f->x == g->x) {
        gap.above = f->at[f->last].value - g->at[g->last].value;
    } else {
        gap.both = false;
    }
    return gap;
}

/* Between two gaps of unlike sign the piece of f that leads to its next kink is crossed. */
static void push_crossing(struct gr_points *out, const struct walk *f, const struct gap *last,
                          const struct gap *gap)
{
    double before = last->above / last->times, after = gap->above / gap->times;
    double x = gr_min(gap->x, last->x + (gap->x - last->x) * (before / (before - after)));
    gr_points_push(out, x, gr_point_line(f->at[f->next - 1], f->at[f->next], x));
}

int gr_points_lower(struct gr_points *out, const struct gr_points *f, const struct gr_points *g)
{
    int rc = gr_points_reserve(out, 2 * (f->count + g->count));
    if (rc) {
        return rc;
    }
    struct walk one = {.at = f->at, .count = f->count}, other = {.at = g->at, .count = g->count};
    struct gap last = {0, 0, 1, false};
    look_ahead(&one, 0);
    look_ahead(&other, 0);
    out->count = 0;
    while (one.next < one.count || other.next < other.count) {
        struct gap gap = next_gap(&one, &other);
        bool on_one = one.x <= gap.x, on_other = other.x <= gap.x;
        if (last.both && gap.both && last.above * gap.above < 0) {
            push_crossing(out, &one, &last, &gap);
        }
        /* A kink below which the other goes straight on is none. */
        if (on_one && (gap.above <= 0 || !gap.both)) {
            gr_points_push(out, gap.x, one.at[one.last].value);
        } else if (on_other && (gap.above >= 0 || !gap.both)) {
            gr_points_push(out, gap.x, other.at[other.last].value);
        }
        last = gap;
        if (on_one) {
            look_ahead(&one, one.last + 1);
        }
        if (on_other) {
            look_ahead(&other, other.last + 1);
        }
    }
    return GR_OK;
}

/* ---- sums ---- */

static double cursor_level(struct gr_cursor *cursor, double x)
{
    double value = gr_cursor_value(cursor, x);
    return isfinite(value) ? value : cursor->at[cursor->next > 0 ? cursor->count - 1 : 0].value;
}

int gr_points_add(struct gr_points *out, const struct gr_points *f, const struct gr_points *g)
{
    int rc = gr_points_reserve(out, f->count + g->count);
    if (rc) {
        return rc;
    }
    struct gr_cursor first = {f->at, f->count, 0}, second = {g->at, g->count, 0};
    out->count = 0;
    for (;;) {
        double x = gr_min(gr_cursor_next(&first), gr_cursor_next(&second));
        if (!isfinite(x)) {
            return GR_OK;
        }
        double value = cursor_level(&first, x);
        gr_points_push(out, x, value + cursor_level(&second, x));
    }
}

double gr_points_choose(const struct gr_points *candidates, double tie)
{
    double least = INFINITY, best = INFINITY;
    for (size_t i = 0; i < candidates->count; i++) {
        least = gr_min(least, candidates->at[i].value);
    }
    for (size_t i = 0; i < candidates->count; i++) {
        if (candidates->at[i].value <= least + tie && fabs(candidates->at[i].x) < fabs(best)) {
            best = candidates->at[i].x;
        }
    }
    return best;
}

/* ---- cutting and pruning ---- */

void gr_points_clip(struct gr_points *points, double low, double high, double snap)
{
    struct gr_point *at = points->at;
    size_t count = points->count;
    if (count > 0 && at[count - 1].x < high && at[count - 1].x >= high - snap) {
        at[count - 1].x = high;
    }
    if (count > 0 && at[0].x > low && at[0].x <= low + snap) {
        at[0].x = low;
    }
    if (count == 0 || at[count - 1].x < low || at[0].x > high) {
        points->count = 0;
        return;
    }
    size_t first = 0, last = count - 1;
    while (first + 1 < count && at[first + 1].x <= low) {
        first++;
    }
    while (last > first && at[last - 1].x >= high) {
        last--;
    }
    if (last > 0 && at[last].x > high) {
        at[last] = (struct gr_point){high, gr_point_line(at[last - 1], at[last], high)};
    }
    if (first < last && at[first].x < low) {
        at[first] = (struct gr_point){low, gr_point_line(at[first], at[first + 1], low)};
    }
    points->count = last + 1 - first;
    memmove(at, at + first, points->count * sizeof *at);
}

struct deviation {
    double over, under;
};

/* How far the chord from at[from] to at[to] leaves the points between. */
static void note_chord(struct deviation *worst, const struct gr_point *at, size_t from, size_t to)
{
    struct gr_point start = at[from];
    if (to - from < 2) {
        return;
    }
    double slope = (at[to].value - start.value) / (at[to].x - start.x);
    for (size_t i = from + 1; i < to; i++) {
        double over = start.value + slope * (at[i].x - start.x) - at[i].value;
        worst->over = gr_max(worst->over, over);
        worst->under = gr_max(worst->under, -over);
    }
}

/* Whether the chord from a past b to c surely leaves b by more than the tolerance: twice as far as the cone
 * allows, so that rounding decides nothing. Most points of most functions are such bends, told without a
 * division. */
static bool bends_clearly(const struct gr_point *a, const struct gr_point *b, const struct gr_point *c,
                          double tolerance, double gap)
{
    double near = b->x - a->x, far = c->x - a->x;
    double bend = (c->value - a->value) * near - (b->value - a->value) * far;
    return near > gap && c->x - b->x > gap && fabs(bend) > 2 * tolerance * far;
}

/* One pass: from each point kept, go on as far as a chord stays within the tolerance of every point passed.
 * The slopes such a chord may have form a cone that only narrows. */
static size_t thin(struct gr_point *out, const struct gr_point *at, size_t count, double tolerance,
                   double gap, struct deviation *worst)
{
    size_t kept = 0, from = 0, to = 0;
    double low = -INFINITY, high = INFINITY;
    out[kept++] = at[0];
    for (size_t i = 1; i < count;) {
        if (to <= from && i == from + 1 && i + 1 < count &&
            bends_clearly(&at[from], &at[i], &at[i + 1], tolerance, gap)) {
            out[kept++] = at[i];
            from = to = i++;
            continue;
        }
        double width = at[i].x - at[from].x, rise = at[i].value - at[from].value;
        if (width < gap || !(width > 0)) {
            i++;
            continue;
        }
        double share = 1 / width;
        if (to > from && (rise * share < low || rise * share > high)) {
            note_chord(worst, at, from, to);
            out[kept++] = at[to];
            from = to;
            low = -INFINITY;
            high = INFINITY;
            i = from + 1;
            continue;
        }
        low = gr_max(low, (rise - tolerance) * share);
        high = gr_min(high, (rise + tolerance) * share);
        to = i++;
    }
    if (to > from) {
        note_chord(worst, at, from, to);
        out[kept++] = at[to];
    }
    return kept;
}

size_t gr_points_prune(struct gr_point *out, struct gr_points *in, const struct gr_prune_rule *rule,
                       double *over, double *under)
{
    struct gr_point *at = in->at;
    double near_end = 0;
    while (in->count > 2 && at[in->count - 1].x - at[in->count - 2].x < rule->gap) {
        near_end = gr_max(near_end, fabs(at[in->count - 2].value - at[in->count - 1].value));
        at[in->count - 2] = at[in->count - 1];
        in->count--;
    }
    double tolerance = rule->tolerance;
    for (;;) {
        struct deviation worst = {near_end, near_end};
        size_t kept = thin(out, at, in->count, tolerance, rule->gap, &worst);
        if (kept <= rule->most) {
            *over += worst.over;
            *under += worst.under;
            return kept;
        }
        tolerance = tolerance > 0 ? 4 * tolerance : DBL_EPSILON;
    }
}
