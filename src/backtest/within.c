/* What may have happened inside the slots of a coarse meter. */
#include "granary/within.h"
#include "granary/backtest.h"

#include <math.h>
#include <stdlib.h>

/* Spread of the logarithm between 5-minute means of one slot, and how much of it lasts from one to the next.
 * A house jumps with its appliances; clouds change the sun less. Common experience with 5-minute readings, no
 * source. */
static const double load_spread = 0.8, load_memory = 0.5;
static const double solar_spread = 0.3, solar_memory = 0.7;

enum { STEP_S = 300, MOST_PARTS = 12 };

/* splitmix64 (Sebastiano Vigna, public domain, from memory). */
static uint64_t next_random(uint64_t *state)
{
    uint64_t z = (*state += UINT64_C(0x9e3779b97f4a7c15));
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return z ^ (z >> 31);
}

/* Box and Muller, 1958. */
static double normal(uint64_t *state)
{
    static const double whole_turn = 6.283185307179586;
    double u = ((double)(next_random(state) >> 11) + 0.5) * 0x1p-53;
    double v = (double)(next_random(state) >> 11) * 0x1p-53;
    return sqrt(-2 * log(u)) * cos(whole_turn * v);
}

/* Powers of one slot's parts, whose mean is the slot's. Each slot has a course of chance of its own, so that
 * what comes later changes nothing. */
static void spread(double *out, size_t parts, double mean_kw, double spread_of_log, double memory,
                   uint64_t seed)
{
    double weight[MOST_PARTS], sum = 0, level = normal(&seed);
    for (size_t k = 0; k < parts; k++) {
        weight[k] = exp(spread_of_log * level);
        sum += weight[k];
        level = memory * level + sqrt(1 - memory * memory) * normal(&seed);
    }
    for (size_t k = 0; k < parts; k++) {
        out[k] = mean_kw * weight[k] * (double)parts / sum;
    }
}

/* The same with the course of a slot of the house's own past, drawn by chance. */
static void draw(double *out, size_t parts, double mean_kw, const struct gr_within *learned, uint64_t seed)
{
    double share[GR_WITHIN_MOST_PARTS];
    gr_within_draw(learned, mean_kw, (double)(next_random(&seed) >> 11) * 0x1p-53, share);
    for (size_t k = 0; k < parts; k++) {
        out[k] = mean_kw * share[k];
    }
}

int gr_backtest_spread(struct gr_usage *usage, uint64_t seed, const struct gr_within *learned)
{
    struct gr_usage coarse = *usage;
    size_t parts = (size_t)(usage->step_s / STEP_S);
    if (parts > MOST_PARTS) {
        return GR_INVALID;
    }
    if (learned && (learned->fine.step_s != STEP_S || learned->slot_s != usage->step_s)) {
        return GR_INVALID;
    }
    int rc = gr_backtest_split(usage, STEP_S);
    if (rc != GR_OK || parts < 2) {
        return rc;
    }
    for (size_t i = 0; i < coarse.count; i++) {
        uint64_t moment = (uint64_t)(coarse.start_s + (int64_t)i * coarse.step_s);
        uint64_t state = seed ^ moment * UINT64_C(0x9e3779b97f4a7c15);
        uint64_t load_seed = next_random(&state), solar_seed = next_random(&state);
        size_t first = i * parts;
        if (usage->load_kw && learned && !isnan(usage->load_kw[first])) {
            draw(usage->load_kw + first, parts, usage->load_kw[first], learned, load_seed);
        } else if (usage->load_kw) {
            spread(usage->load_kw + first, parts, usage->load_kw[first], load_spread, load_memory, load_seed);
        }
        if (usage->solar_kw) {
            spread(usage->solar_kw + first, parts, usage->solar_kw[first], solar_spread, solar_memory,
                   solar_seed);
        }
    }
    return GR_OK;
}
