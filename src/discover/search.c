#include "discover/fit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Meters differ by a few percent and are read some moments apart: misses below this say nothing. */
static const double noise_share = 0.02, noise_kw = 0.005;
static const double state_weight = 4; /* for a state of charge that follows the battery exactly */
static const double most_house_kw = 60;
/* What a role must be worth to be given at all: most numbers on a broker are none of these. */
static const double price[GR_CHANNELS] = {
    [GR_STATE_OF_CHARGE] = 1.5, [GR_SOLAR_POWER] = 1, [GR_HOUSE_POWER] = 3, [GR_CAR_POWER] = 1.5};
static const double same_share = 0.03; /* two series that differ by less are the same quantity */

static const enum gr_channel parts[] = {GR_GRID_POWER, GR_SOLAR_POWER, GR_BATTERY_POWER, GR_CAR_POWER,
                                        GR_HOUSE_POWER};
enum { PARTS = sizeof parts / sizeof *parts };

/* house - grid - solar + battery + car = 0 */
static const double balance[GR_CHANNELS] = {[GR_GRID_POWER] = -1,
                                            [GR_SOLAR_POWER] = -1,
                                            [GR_BATTERY_POWER] = 1,
                                            [GR_CAR_POWER] = 1,
                                            [GR_HOUSE_POWER] = 1};

struct state_fit {
    int state;
    double score;
};

struct work {
    const struct gr_field *field;
    struct gr_search *out;
    size_t list[GR_CHANNELS][GR_FIT_PER_ROLE]; /* candidates for each role, best first */
    size_t listed[GR_CHANNELS];
    double *level;                                       /* mean products of values, candidate by candidate */
    double *move;                                        /* and of steps */
    struct state_fit state[GR_FIT_CANDIDATES][2];        /* best state of charge for a battery, + and - */
    struct state_fit alone;                              /* and without a battery */
    double score[GR_CHANNELS][GR_FIT_CANDIDATES + 1][2]; /* best casting with that candidate and sign */
    bool same[GR_FIT_CANDIDATES][GR_FIT_CANDIDATES];
};

/* ---- preparation ---- */

static void list_role(struct work *work, enum gr_channel channel, size_t most)
{
    size_t *list = work->list[channel], count = 0;
    const struct gr_candidate *candidates = work->field->candidates;
    for (size_t i = 0; i < work->field->count; i++) {
        if (candidates[i].suits[channel] < -6) {
            continue;
        }
        size_t at = count < most ? count++ : most;
        for (; at > 0 && candidates[list[at - 1]].suits[channel] < candidates[i].suits[channel]; at--) {
            if (at < most) {
                list[at] = list[at - 1];
            }
        }
        if (at < most) {
            list[at] = i;
        }
    }
    work->listed[channel] = count;
}

static void multiply(struct work *work)
{
    const struct gr_field *field = work->field;
    size_t steps = field->points - field->lag;
    for (size_t a = 0; a < field->count; a++) {
        for (size_t b = 0; b < field->count; b++) {
            const struct gr_candidate *one = &field->candidates[a], *other = &field->candidates[b];
            double level = 0, move = 0;
            for (size_t i = 0; i < field->points; i++) {
                level += one->value[i] * other->value[i];
            }
            for (size_t i = 0; i < steps; i++) {
                move += one->step[i] * other->step[i];
            }
            work->level[a * field->count + b] = level / (double)field->points;
            work->move[a * field->count + b] = move / (double)steps;
        }
    }
}

/* The same quantity on two topics is no rival of itself. */
static void find_same(struct work *work)
{
    size_t n = work->field->count;
    for (size_t a = 0; a < n; a++) {
        for (size_t b = 0; b < n; b++) {
            double aa = work->level[a * n + a], bb = work->level[b * n + b];
            double apart = aa + bb - 2 * fabs(work->level[a * n + b]);
            work->same[a][b] = apart <= same_share * same_share * (aa + bb) && aa > 0;
        }
    }
}

static void fit_states(struct work *work)
{
    const struct gr_field *field = work->field;
    work->alone = (struct state_fit){.state = -1, .score = 0};
    if (work->listed[GR_STATE_OF_CHARGE] > 0) {
        size_t first = work->list[GR_STATE_OF_CHARGE][0];
        double suits = field->candidates[first].suits[GR_STATE_OF_CHARGE] - price[GR_STATE_OF_CHARGE];
        work->alone = suits > 0 ? (struct state_fit){.state = (int)first, .score = suits} : work->alone;
    }
    for (size_t k = 0; k < work->listed[GR_BATTERY_POWER]; k++) {
        size_t battery = work->list[GR_BATTERY_POWER][k];
        for (int minus = 0; minus < 2; minus++) {
            struct state_fit best = {.state = -1, .score = 0}; /* nobody, rather than one below its price */
            for (size_t i = 0; i < work->listed[GR_STATE_OF_CHARGE]; i++) {
                double capacity_kwh;
                size_t state = work->list[GR_STATE_OF_CHARGE][i];
                double score =
                    field->candidates[state].suits[GR_STATE_OF_CHARGE] +
                    state_weight * gr_field_follow(field, state, battery, minus ? -1 : 1, &capacity_kwh);
                if (score > best.score) {
                    best = (struct state_fit){.state = (int)state, .score = score};
                }
            }
            work->state[battery][minus] = best;
        }
    }
}

/* ---- one casting ---- */

static double quadratic(const double *products, size_t n, const int index[PARTS], const double weight[PARTS])
{
    double sum = 0;
    for (int a = 0; a < PARTS; a++) {
        for (int b = 0; b < PARTS && weight[a] != 0; b++) {
            if (weight[b] != 0) {
                sum += weight[a] * weight[b] * products[(size_t)index[a] * n + (size_t)index[b]];
            }
        }
    }
    return fmax(0, sum);
}

/* What each part does for the balance: ln of the miss without it over the miss with it. */
static double weigh(const double *products, size_t n, const struct gr_casting *casting, double least,
                    double miss[GR_CHANNELS], double *whole)
{
    int index[PARTS];
    double weight[PARTS], size = 0, score = 0;
    for (int a = 0; a < PARTS; a++) {
        index[a] = casting->of[parts[a]];
        weight[a] = index[a] < 0 ? 0 : balance[parts[a]] * casting->sign[parts[a]];
        size += index[a] < 0 ? 0 : products[(size_t)index[a] * n + (size_t)index[a]];
    }
    double noise = noise_share * sqrt(size) + noise_kw;
    *whole = sqrt(quadratic(products, n, index, weight));
    for (int a = 0; a < PARTS; a++) {
        double kept = weight[a];
        miss[parts[a]] = NAN;
        if (kept != 0) {
            weight[a] = 0;
            miss[parts[a]] = sqrt(quadratic(products, n, index, weight));
            weight[a] = kept;
            score += fmin(3, fmax(least, log((miss[parts[a]] + noise) / (*whole + noise))));
        }
    }
    return score;
}

void gr_casting_house(const struct gr_field *field, const struct gr_casting *casting,
                      double house_kw[GR_FIT_POINTS])
{
    memset(house_kw, 0, GR_FIT_POINTS * sizeof *house_kw);
    for (int a = 0; a < PARTS; a++) {
        int index = casting->of[parts[a]];
        if (index >= 0 && parts[a] != GR_HOUSE_POWER) {
            double factor = -balance[parts[a]] * casting->sign[parts[a]];
            for (size_t i = 0; i < field->points; i++) {
                house_kw[i] += factor * field->candidates[index].value[i];
            }
        }
    }
}

/* No house gives power back, and none draws without measure. */
static double weigh_house(const struct work *work, const struct gr_casting *casting)
{
    double house_kw[GR_FIT_POINTS], most_kw = 0;
    size_t below = 0;
    gr_casting_house(work->field, casting, house_kw);
    for (size_t i = 0; i < work->field->points; i++) {
        most_kw = fmax(most_kw, fabs(house_kw[i]));
    }
    for (size_t i = 0; i < work->field->points; i++) {
        below += house_kw[i] < -0.05 - 0.05 * most_kw;
    }
    double share = (double)below / (double)work->field->points;
    return -8 * fmin(share, 0.75) - (most_kw > most_house_kw ? 4 : 0);
}

static void note(struct work *work, const struct gr_casting *casting)
{
    for (int channel = 0; channel <= GR_CAR_POWER; channel++) {
        int index = casting->of[channel];
        size_t slot = index < 0 ? GR_FIT_CANDIDATES : (size_t)index;
        double *score = &work->score[channel][slot][index >= 0 && casting->sign[channel] < 0];
        *score = fmax(*score, casting->score);
    }
    if (casting->score > work->out->best.score) {
        work->out->best = *casting;
    }
}

static double suits_of(const struct work *work, const struct gr_casting *casting, enum gr_channel channel)
{
    int index = casting->of[channel];
    return index < 0 ? 0 : work->field->candidates[index].suits[channel] - price[channel];
}

/* Whether no role has the candidate's series yet. */
static bool is_free(const struct work *work, const struct gr_casting *casting, size_t candidate)
{
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        if (casting->of[channel] >= 0 && work->field->candidates[casting->of[channel]].series ==
                                             work->field->candidates[candidate].series) {
            return false;
        }
    }
    return true;
}

/* All that does not depend on who measures the house is in `base` already. */
static void try_houses(struct work *work, struct gr_casting *casting, double base)
{
    double miss[GR_CHANNELS], whole;
    size_t n = work->field->count;
    casting->of[GR_HOUSE_POWER] = -1;
    casting->score = base + weigh(work->move, n, casting, -0.5, miss, &whole);
    note(work, casting);
    for (size_t i = 0; i < work->listed[GR_HOUSE_POWER]; i++) {
        int house = (int)work->list[GR_HOUSE_POWER][i];
        const struct gr_candidate *candidate = &work->field->candidates[house];
        if (is_free(work, casting, (size_t)house)) {
            casting->of[GR_HOUSE_POWER] = house;
            casting->sign[GR_HOUSE_POWER] = candidate->direction;
            casting->score = base + suits_of(work, casting, GR_HOUSE_POWER) +
                             weigh(work->level, n, casting, -2, miss, &whole);
            note(work, casting);
        }
    }
    casting->of[GR_HOUSE_POWER] = -1;
}

static void try_flows(struct work *work, struct gr_casting *casting)
{
    int battery = casting->of[GR_BATTERY_POWER];
    double base = weigh_house(work, casting);
    for (int channel = GR_BATTERY_POWER; channel <= GR_CAR_POWER; channel++) {
        base += channel == GR_HOUSE_POWER ? 0 : suits_of(work, casting, (enum gr_channel)channel);
    }
    struct state_fit fit =
        battery < 0 ? work->alone : work->state[battery][casting->sign[GR_BATTERY_POWER] < 0];
    casting->of[GR_STATE_OF_CHARGE] = -1;
    if (fit.state >= 0 && is_free(work, casting, (size_t)fit.state)) {
        casting->of[GR_STATE_OF_CHARGE] = fit.state;
        base += fit.score;
    }
    try_houses(work, casting, base);
}

/* ---- all castings ---- */

/* Gives the roles of `order` one after the other, in each way; a role may stay empty. */
static void cast(struct work *work, struct gr_casting *casting, int depth)
{
    static const enum gr_channel order[] = {GR_GRID_POWER, GR_BATTERY_POWER, GR_SOLAR_POWER, GR_CAR_POWER};
    if (depth == (int)(sizeof order / sizeof *order)) {
        try_flows(work, casting);
        return;
    }
    enum gr_channel channel = order[depth];
    casting->of[GR_STATE_OF_CHARGE] = -1;
    bool two_ways = channel == GR_GRID_POWER || channel == GR_BATTERY_POWER;
    casting->of[channel] = -1;
    casting->sign[channel] = 1;
    cast(work, casting, depth + 1);
    for (size_t i = 0; i < work->listed[channel]; i++) {
        size_t candidate = work->list[channel][i];
        if (!is_free(work, casting, candidate)) {
            continue;
        }
        casting->of[channel] = (int)candidate;
        casting->sign[channel] = two_ways ? 1 : work->field->candidates[candidate].direction;
        cast(work, casting, depth + 1);
        if (two_ways) {
            casting->sign[channel] = -1;
            cast(work, casting, depth + 1);
        }
        casting->of[channel] = -1;
    }
}

static void compare_role(struct work *work, enum gr_channel channel)
{
    struct gr_search *out = work->out;
    const struct gr_candidate *candidates = work->field->candidates;
    int best = out->best.of[channel];
    int minus = out->best.sign[channel] < 0;
    double nobody = work->score[channel][GR_FIT_CANDIDATES][0];
    out->other_series[channel] = best < 0 ? -INFINITY : nobody;
    out->other_sign[channel] = best < 0 ? -INFINITY : work->score[channel][best][!minus];
    out->other_unit[channel] = -INFINITY;
    out->rival[channel] = -1;
    for (size_t i = 0; best >= 0 && i < work->field->count; i++) {
        double score = fmax(work->score[channel][i][0], work->score[channel][i][1]);
        if ((int)i != best && candidates[i].series == candidates[best].series) {
            out->other_unit[channel] = fmax(out->other_unit[channel], score);
        } else if ((int)i != best && !work->same[i][best] && score > out->other_series[channel]) {
            out->other_series[channel] = score;
            out->rival[channel] = (int)i;
        }
    }
}

/* The battery is not asked which state of charge it would take otherwise while it searches. */
static void compare_state(struct work *work)
{
    struct gr_search *out = work->out;
    const struct gr_field *field = work->field;
    int best = out->best.of[GR_STATE_OF_CHARGE], battery = out->best.of[GR_BATTERY_POWER];
    for (size_t i = 0; best >= 0 && battery >= 0 && i < work->listed[GR_STATE_OF_CHARGE]; i++) {
        double capacity_kwh;
        size_t state = work->list[GR_STATE_OF_CHARGE][i];
        if (field->candidates[state].series == field->candidates[best].series) {
            continue;
        }
        double own = work->state[battery][out->best.sign[GR_BATTERY_POWER] < 0].score;
        double score = out->best.score - own + field->candidates[state].suits[GR_STATE_OF_CHARGE] -
                       price[GR_STATE_OF_CHARGE] +
                       state_weight * gr_field_follow(field, state, (size_t)battery,
                                                      out->best.sign[GR_BATTERY_POWER], &capacity_kwh);
        if (score > out->other_series[GR_STATE_OF_CHARGE] && !work->same[state][best]) {
            out->other_series[GR_STATE_OF_CHARGE] = score;
            out->rival[GR_STATE_OF_CHARGE] = (int)state;
        }
    }
}

static void conclude(struct work *work)
{
    struct gr_search *out = work->out;
    bool measured = out->best.of[GR_HOUSE_POWER] >= 0;
    for (int channel = 0; channel <= GR_CAR_POWER; channel++) {
        compare_role(work, (enum gr_channel)channel);
    }
    compare_state(work);
    (void)weigh(measured ? work->level : work->move, work->field->count, &out->best, 0, out->miss_kw,
                &out->house_miss_kw);
    out->house_miss_kw = measured ? out->house_miss_kw : (double)NAN;
}

static void forget_scores(struct work *work)
{
    for (size_t i = 0; i < GR_CHANNELS; i++) {
        for (size_t k = 0; k <= GR_FIT_CANDIDATES; k++) {
            work->score[i][k][0] = work->score[i][k][1] = -INFINITY;
        }
    }
}

int gr_search_run(struct gr_search *out, const struct gr_field *field)
{
    struct work *work = calloc(1, sizeof *work);
    double *room = calloc(2 * field->count * field->count + 1, sizeof *room);
    if (!work || !room) {
        free(work);
        free(room);
        return GR_NO_MEMORY;
    }
    struct gr_casting casting = {.score = 0};
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        casting.of[channel] = -1; /* nobody */
        casting.sign[channel] = 1;
    }
    *work =
        (struct work){.field = field, .out = out, .level = room, .move = room + field->count * field->count};
    memset(out, 0, sizeof *out);
    out->best = casting;
    out->best.score = -INFINITY;
    forget_scores(work);
    for (int channel = 0; channel <= GR_CAR_POWER; channel++) {
        list_role(work, (enum gr_channel)channel, channel == GR_CAR_POWER ? GR_FIT_CARS : GR_FIT_PER_ROLE);
    }
    multiply(work);
    find_same(work);
    fit_states(work);
    cast(work, &casting, 0);
    conclude(work);
    free(room);
    free(work);
    return GR_OK;
}
