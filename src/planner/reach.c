#include "planner/reach.h"

#include "granary/error.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* Levels closer than this share of the capacity are one level. */
#define NEAR 1e-12

void gr_reach_free(struct gr_reach *reach)
{
    struct gr_points *const lists[] = {&reach->low,     &reach->high,    &reach->clock,   &reach->from,
                                       &reach->to,      &reach->limit,   &reach->work[0], &reach->work[1],
                                       &reach->work[2], &reach->work[3], &reach->leave,   &reach->enter};
    for (size_t i = 0; i < sizeof lists / sizeof lists[0]; i++) {
        gr_points_free(lists[i]);
    }
    free(reach->queue);
    memset(reach, 0, sizeof *reach);
}

/* ---- how far a slot goes ---- */

/* The power held on the stretch of the curve in which `kwh` lies. */
static double stretch_kw(const struct gr_curve *curve, double kwh)
{
    size_t i = 0;
    while (i < curve->count && curve->x[i] <= kwh) {
        i++;
    }
    if (i == 0 || i == curve->count) {
        return curve->y[i == 0 ? 0 : i - 1];
    }
    return gr_curve_logarithmic_mean(curve->y[i - 1], curve->y[i]);
}

/* kW that the store gains (or loses) at a level, the slot's own power being the limit. */
static double rate_kw(const struct gr_slot *slot, const struct gr_curve *curve, double kwh, bool charges)
{
    double power_kw = stretch_kw(curve, kwh);
    return charges ? gr_slot_change_kwh(slot, gr_min(power_kw, slot->battery.charge_kw)) / slot->hours
                   : -gr_slot_change_kwh(slot, -gr_min(power_kw, slot->battery.discharge_kw)) / slot->hours;
}

/* clock(y): the hours that it takes to come from empty to y (or from y to empty) at the greatest power. Left
 * without points where there is no power. */
static int make_clock(struct gr_points *clock, const struct gr_slot *slot, const struct gr_curve *curve,
                      bool charges, double top_kwh)
{
    int rc = gr_points_reserve(clock, curve->count + 2);
    double power_kw = charges ? slot->battery.charge_kw : slot->battery.discharge_kw, kwh = 0, hours = 0;
    clock->count = 0;
    if (rc || !(power_kw > 0) || !(rate_kw(slot, curve, 0, charges) > 0)) {
        return rc;
    }
    gr_points_push(clock, 0, 0);
    for (size_t i = 0; i <= curve->count; i++) {
        double edge_kwh = i < curve->count ? gr_min(curve->x[i], top_kwh) : top_kwh;
        if (edge_kwh > kwh) {
            hours += (edge_kwh - kwh) / rate_kw(slot, curve, kwh, charges);
            kwh = edge_kwh;
            gr_points_push(clock, kwh, hours);
        }
    }
    return GR_OK;
}

/* The level at which the clock shows `hours`. */
static double level_at(const struct gr_points *clock, double hours)
{
    const struct gr_point *at = clock->at;
    size_t i = 0, count = clock->count;
    if (hours <= 0) {
        return 0;
    }
    while (i + 1 < count && at[i + 1].value <= hours) {
        i++;
    }
    return i + 1 < count
               ? at[i].x + (at[i + 1].x - at[i].x) * ((hours - at[i].value) / (at[i + 1].value - at[i].value))
               : at[count - 1].x;
}

static void push_level(struct gr_points *out, const struct gr_points *clock, double kwh, double hours,
                       double capacity_kwh)
{
    bool rises = out->count == 0 || kwh > out->at[out->count - 1].x;
    if (rises && kwh >= 0 && kwh <= capacity_kwh) {
        gr_points_push(out, kwh, level_at(clock, gr_points_value(clock->at, clock->count, kwh) + hours));
    }
}

/* out(s) = the level `hours` later (earlier) on the clock: kinks where s or that level passes an edge. */
static int follow_clock(struct gr_points *out, const struct gr_points *clock, double hours,
                        double capacity_kwh)
{
    size_t count = clock->count, i = 0, j = 0;
    int rc = gr_points_reserve(out, 2 * count + 2);
    if (rc) {
        return rc;
    }
    out->count = 0;
    push_level(out, clock, 0, hours, capacity_kwh);
    while (i < count || j < count) {
        double own = i < count ? clock->at[i].x : INFINITY;
        double other = j < count ? clock->at[j].value - hours : INFINITY;
        double passes = !isfinite(other)                                  ? INFINITY
                        : other < 0 || other > clock->at[count - 1].value ? -1
                                                                          : level_at(clock, other);
        push_level(out, clock, gr_min(own, passes), hours, capacity_kwh);
        if (own <= passes) {
            i++;
        } else {
            j++;
        }
    }
    push_level(out, clock, capacity_kwh, hours, capacity_kwh);
    return GR_OK;
}

static int level_line(struct gr_points *out, double at_0, double slope, double capacity_kwh)
{
    int rc = gr_points_reserve(out, 2);
    if (rc) {
        return rc;
    }
    out->count = 0;
    gr_points_push(out, 0, at_0);
    if (capacity_kwh > 0) {
        gr_points_push(out, capacity_kwh, at_0 + slope * capacity_kwh);
    }
    return GR_OK;
}

int gr_reach_of(struct gr_reach *reach, const struct gr_slot *slot)
{
    double capacity_kwh = slot->battery.capacity_kwh;
    double top_kwh = capacity_kwh + slot->hours * slot->battery.standing_loss_kw;
    struct gr_points *clock = &reach->clock;
    int rc = level_line(&reach->high, top_kwh, 0, capacity_kwh);
    rc = rc ? rc : level_line(&reach->low, 0, 0, capacity_kwh);
    if (!rc && slot->charge_power.count > 0) {
        rc = make_clock(clock, slot, &slot->charge_power, true, top_kwh);
        rc = rc                  ? rc
             : clock->count == 0 ? level_line(&reach->high, 0, 1, capacity_kwh)
                                 : follow_clock(&reach->high, clock, slot->hours, capacity_kwh);
    }
    if (!rc && slot->discharge_power.count > 0) {
        rc = make_clock(clock, slot, &slot->discharge_power, false, top_kwh);
        rc = rc                  ? rc
             : clock->count == 0 ? level_line(&reach->low, 0, 1, capacity_kwh)
                                 : follow_clock(&reach->low, clock, -slot->hours, capacity_kwh);
    }
    return rc;
}

/* The first point of the curve beyond a level on the way to stop_kwh, or stop_kwh. */
static double next_edge(const struct gr_curve *curve, double kwh, bool charges, double stop_kwh)
{
    double edge_kwh = stop_kwh;
    for (size_t i = 0; i < curve->count; i++) {
        bool ahead = charges ? curve->x[i] > kwh : curve->x[i] < kwh;
        bool nearer = charges ? curve->x[i] < edge_kwh : curve->x[i] > edge_kwh;
        edge_kwh = ahead && nearer ? curve->x[i] : edge_kwh;
    }
    return edge_kwh;
}

double gr_reach_level(const struct gr_slot *slot, double kwh, bool charges, double stop_kwh)
{
    const struct gr_curve *curve = charges ? &slot->charge_power : &slot->discharge_power;
    double hours = slot->hours;
    while (charges ? kwh < stop_kwh : kwh > stop_kwh) {
        double edge_kwh = next_edge(curve, kwh, charges, stop_kwh);
        double rate = rate_kw(slot, curve, (kwh + edge_kwh) / 2, charges);
        double needed = rate > 0 ? fabs(edge_kwh - kwh) / rate : INFINITY;
        if (needed >= hours) {
            return kwh + (charges ? rate : -rate) * hours;
        }
        hours -= needed;
        kwh = edge_kwh;
    }
    return kwh;
}

/* ---- the window of one piece ---- */

static void negate(struct gr_points *points)
{
    for (size_t i = 0; i < points->count; i++) {
        points->at[i].value = -points->at[i].value;
    }
}

/* out = the higher of f and g, which are given negated. */
static int upper_of_negated(struct gr_points *out, const struct gr_points *f, const struct gr_points *g)
{
    int rc = gr_points_lower(out, f, g);
    negate(out);
    return rc;
}

/* out(s) = s - v, held between what reach->from and reach->to say. */
static int clamp_move(struct gr_points *out, struct gr_reach *reach, double v, double capacity_kwh)
{
    struct gr_points *line = &reach->work[0], *cut = &reach->work[1];
    int rc = level_line(line, -v, 1, capacity_kwh);
    rc = rc ? rc : gr_points_lower(cut, line, &reach->to);
    if (rc) {
        return rc;
    }
    negate(cut);
    return upper_of_negated(out, cut, &reach->from);
}

/* reach->to: the highest level that the moves of this run can bring about; reach->from: the lowest, negated.
 */
static int limit_run(struct gr_reach *reach, const struct gr_moves *moves, double capacity_kwh)
{
    bool charges = moves->at[0].x < 0;
    struct gr_points *line = &reach->work[0];
    if (charges) {
        int rc = level_line(&reach->from, 0, -1, capacity_kwh);
        rc = rc ? rc : level_line(line, -moves->at[0].x, 1, capacity_kwh);
        return rc ? rc : gr_points_lower(&reach->to, line, &reach->high);
    }
    int rc = level_line(&reach->to, 0, 1, capacity_kwh);
    rc = rc ? rc : level_line(line, moves->at[moves->count - 1].x, -1, capacity_kwh);
    negate(&reach->low);
    rc = rc ? rc : gr_points_lower(&reach->from, line, &reach->low);
    negate(&reach->low);
    return rc;
}

/* out(s) = f(g(s)): kinks of g, and wherever g passes a kink of f, not behind the next of g by rounding. */
static int compose(struct gr_points *out, const struct gr_point *f, size_t count, const struct gr_points *g)
{
    out->count = 0;
    for (size_t i = 0; i < g->count; i++) {
        int rc = gr_points_reserve(out, out->count + count + 1);
        if (rc) {
            return rc;
        }
        struct gr_point a = g->at[i > 0 ? i - 1 : 0], b = g->at[i];
        size_t k = gr_points_find(f, count, a.value);
        if (b.value > a.value) {
            for (k = f[k].x > a.value ? k : k + 1; k < count && f[k].x < b.value; k++) {
                double x = a.x + (b.x - a.x) * ((f[k].x - a.value) / (b.value - a.value));
                gr_points_push(out, gr_min(b.x, x), f[k].value);
            }
        } else if (b.value < a.value) {
            for (k = f[k].x < a.value ? k + 1 : k; k-- > 0 && f[k].x > b.value;) {
                double x = a.x + (b.x - a.x) * ((a.value - f[k].x) / (a.value - b.value));
                gr_points_push(out, gr_min(b.x, x), f[k].value);
            }
        }
        gr_points_push(out, b.x, gr_points_value(f, count, b.value));
    }
    return GR_OK;
}

/* out(s) = moves(s - level(s)) + after(level(s)). */
static int cost_along(struct gr_points *out, struct gr_reach *reach, const struct gr_points *after,
                      const struct gr_moves *moves, const struct gr_points *level)
{
    struct gr_points *taken = &reach->work[0], *moved = &reach->work[1], *left = &reach->limit;
    int rc = gr_points_reserve(taken, level->count);
    taken->count = 0;
    for (size_t i = 0; i < level->count && !rc; i++) {
        gr_points_push(taken, level->at[i].x, level->at[i].x - level->at[i].value);
    }
    rc = rc ? rc : compose(moved, moves->at, moves->count, taken);
    rc = rc ? rc : compose(left, after->at, after->count, level);
    return rc ? rc : gr_points_add(out, moved, left);
}

/* ---- the least over the window ---- */

/* Levels at which `after` bends and that lie inside the window, lowest cost first: what comes later and costs
 * no more makes a former one useless. */
struct kinks {
    const struct gr_points *after;
    size_t *queue, first, end, next;
    double slope; /* of the piece */
};

static double kink_cost(const struct kinks *kinks, size_t k)
{
    return kinks->after->at[k].value - kinks->slope * kinks->after->at[k].x;
}

/* The least over the kinks from `low` to `high`, both of which never fall; infinite where there are none. */
static double least_kink(struct kinks *kinks, double low, double high)
{
    const struct gr_points *after = kinks->after;
    for (; kinks->next < after->count && after->at[kinks->next].x <= high; kinks->next++) {
        double cost = kink_cost(kinks, kinks->next);
        while (kinks->end > kinks->first && kink_cost(kinks, kinks->queue[kinks->end - 1]) >= cost) {
            kinks->end--;
        }
        kinks->queue[kinks->end++] = kinks->next;
    }
    while (kinks->first < kinks->end && after->at[kinks->queue[kinks->first]].x < low) {
        kinks->first++;
    }
    return kinks->first < kinks->end ? kink_cost(kinks, kinks->queue[kinks->first]) : INFINITY;
}

/* Two or three straight lines over one interval: values at its start and end. */
struct lines {
    size_t count;
    double start[3], end[3];
};

static double least_at(const struct lines *lines, double share)
{
    double least = INFINITY;
    for (size_t i = 0; i < lines->count; i++) {
        least = gr_min(least, lines->start[i] + (lines->end[i] - lines->start[i]) * share);
    }
    return least;
}

/* Appends the lowest of the lines, from behind the start to the end of the interval. */
static void push_lowest(struct gr_points *out, const struct lines *lines, double from, double to)
{
    double shares[3];
    size_t count = 0;
    for (size_t i = 0; i < lines->count; i++) {
        size_t j = (i + 1) % lines->count;
        double before = lines->start[i] - lines->start[j], behind = lines->end[i] - lines->end[j];
        if ((before < 0 && behind > 0) || (before > 0 && behind < 0)) {
            double share = before / (before - behind);
            size_t k = count++;
            for (; k > 0 && shares[k - 1] > share; k--) {
                shares[k] = shares[k - 1];
            }
            shares[k] = share;
        }
    }
    for (size_t k = 0; k < count; k++) {
        gr_points_push(out, gr_min(to, from + (to - from) * shares[k]), least_at(lines, shares[k]));
    }
    gr_points_push(out, to, least_at(lines, 1));
}

static int reserve_queue(struct gr_reach *reach, size_t count)
{
    if (count <= reach->queue_room) {
        return GR_OK;
    }
    size_t *queue =
        count <= SIZE_MAX / 2 / sizeof *queue ? realloc(reach->queue, 2 * count * sizeof *queue) : NULL;
    if (!queue) {
        return GR_NO_MEMORY;
    }
    reach->queue = queue;
    reach->queue_room = 2 * count;
    return GR_OK;
}

/* The lists end at the same place but for rounding: level behind their ends. */
static double level_of(struct gr_cursor *cursor, double x)
{
    double value = gr_cursor_value(cursor, x);
    return isfinite(value) ? value : cursor->at[cursor->next > 0 ? cursor->count - 1 : 0].value;
}

/* Between two neighbouring kinks of the costs at the window's ends, the window meets no further kink of
 * `after`: its least is the lowest of three straight lines. */
static int slide_window(struct gr_points *out, struct gr_reach *reach, struct kinks *kinks, double offset,
                        const struct gr_points *low, const struct gr_points *high, double near_kwh)
{
    int rc = gr_points_reserve(out, 4 * (reach->leave.count + reach->enter.count) + 4);
    rc = rc ? rc : reserve_queue(reach, kinks->after->count);
    if (rc) {
        return rc;
    }
    kinks->queue = reach->queue;
    struct gr_cursor leave = {reach->leave.at, reach->leave.count, 0};
    struct gr_cursor enter = {reach->enter.at, reach->enter.count, 0};
    struct gr_cursor lower = {low->at, low->count, 0}, upper = {high->at, high->count, 0};
    double x = low->at[0].x, at_leave = level_of(&leave, x), at_enter = level_of(&enter, x);
    double top = level_of(&upper, x);
    double bottom = level_of(&lower, x), least = INFINITY;
    if (top > bottom + near_kwh) {
        least = least_kink(kinks, bottom - near_kwh, top + near_kwh) + offset + kinks->slope * x;
    }
    out->count = 0;
    gr_points_push(out, x, gr_min(least, gr_min(at_leave, at_enter)));
    for (;;) {
        double next = gr_min(gr_cursor_next(&leave), gr_cursor_next(&enter));
        if (!isfinite(next)) {
            return GR_OK;
        }
        struct lines lines = {2, {at_leave, at_enter, 0}, {0, 0, 0}};
        at_leave = lines.end[0] = level_of(&leave, next);
        at_enter = lines.end[1] = level_of(&enter, next);
        double next_bottom = level_of(&lower, next), next_top = level_of(&upper, next);
        /* A window of no width may lie beside the piece, where its line says nothing. */
        bool is_wide = top > bottom + near_kwh || next_top > next_bottom + near_kwh;
        least = is_wide ? least_kink(kinks, next_bottom - near_kwh, top + near_kwh) : INFINITY;
        if (isfinite(least)) {
            lines.count = 3;
            lines.start[2] = least + offset + kinks->slope * x;
            lines.end[2] = least + offset + kinks->slope * next;
        }
        push_lowest(out, &lines, x, next);
        x = next;
        bottom = next_bottom;
        top = next_top;
    }
}

static void swap_points(struct gr_points *a, struct gr_points *b)
{
    struct gr_points kept = *a;
    *a = *b;
    *b = kept;
}

/* reach->work[2] = where the battery comes by `v`, reach->leave = what that costs. */
static int find_edge(struct gr_reach *reach, const struct gr_points *after, const struct gr_moves *moves,
                     double v, double capacity_kwh)
{
    int rc = clamp_move(&reach->work[2], reach, v, capacity_kwh);
    return rc ? rc : cost_along(&reach->leave, reach, after, moves, &reach->work[2]);
}

int gr_reach_begin(struct gr_reach *reach, const struct gr_points *after, const struct gr_moves *moves,
                   size_t piece, double capacity_kwh)
{
    int rc = limit_run(reach, moves, capacity_kwh);
    return rc ? rc : find_edge(reach, after, moves, moves->at[piece].x, capacity_kwh);
}

/* One edge of the window is that at which the piece before has left. */
int gr_reach_slide(struct gr_points *out, struct gr_reach *reach, const struct gr_points *after,
                   const struct gr_moves *moves, size_t piece, double capacity_kwh)
{
    struct gr_points *low = &reach->work[2], *high = &reach->work[3];
    struct gr_point a = moves->at[piece], b = moves->at[piece + 1];
    swap_points(low, high);
    swap_points(&reach->leave, &reach->enter);
    int rc = find_edge(reach, after, moves, b.x, capacity_kwh);
    if (rc) {
        return rc;
    }
    double slope = (b.value - a.value) / (b.x - a.x);
    struct kinks kinks = {.after = after, .slope = slope};
    return slide_window(out, reach, &kinks, a.value - slope * a.x, low, high, NEAR * (1 + capacity_kwh));
}

int gr_reach_hold(struct gr_points *out, struct gr_reach *reach, const struct gr_points *after,
                  const struct gr_moves *moves, double v, double capacity_kwh)
{
    struct gr_points *level = &reach->work[2];
    int rc = limit_run(reach, moves, capacity_kwh);
    rc = rc ? rc : clamp_move(level, reach, v, capacity_kwh);
    return rc ? rc : cost_along(out, reach, after, moves, level);
}
