#include "granary/block.h"

#include <math.h>
#include <stdlib.h>

static const double least_kw = 2.8, most_kw = 25; /* below it heaters and coolers look the same */
static const double wobble = 0.2;                 /* of the power: what the house adds and takes meanwhile */
static const double alike = 0.12;                 /* powers of one charger differ by less */
static const double least_s = 2700, most_s = 57600;
enum { LEAST_BLOCKS = 6, AROUND = 4 /* slots that tell the level of the house */ };

/* A run of slots that stands out; its first and last slot may be covered in part. */
struct block {
    size_t first, end;
    double kw; /* of the slots between them, above the house */
};

struct search {
    const double *kw;
    size_t count;
    double step_s;
    double power_kw; /* of the charger, once it is known; 0 at first */
    struct block *found;
    size_t found_count;
};

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Median of the known slots from `from` up to `end`; NAN where none is known. */
static double level_of(const double *kw, size_t from, size_t end)
{
    double sorted[AROUND] = {0};
    size_t count = 0;
    for (size_t i = from; i < end && count < AROUND; i++) {
        if (!isnan(kw[i])) {
            sorted[count++] = kw[i];
        }
    }
    if (count == 0) {
        return NAN;
    }
    qsort(sorted, count, sizeof *sorted, compare_doubles);
    return sorted[count / 2];
}

static double level_before(const struct search *search, size_t first)
{
    return level_of(search->kw, first > AROUND ? first - AROUND : 0, first);
}

static double level_after(const struct search *search, size_t end)
{
    return level_of(search->kw, end, end + AROUND < search->count ? end + AROUND : search->count);
}

/* Whether a slot may lie inside a block. Once the power is known the house may add to it what it likes. */
static bool is_inside(const struct search *search, double above_kw, double rise_kw)
{
    return search->power_kw > 0 ? above_kw >= (1 - wobble) * search->power_kw
                                : fabs(above_kw - rise_kw) <= wobble * rise_kw;
}

/* Follows a plateau from its first full slot; returns its end. */
static size_t follow(const struct search *search, size_t full, double base_kw, double rise_kw)
{
    size_t end = full;
    size_t most = (size_t)(most_s / search->step_s);
    while (end < search->count && end - full < most &&
           is_inside(search, search->kw[end] - base_kw, rise_kw)) {
        end++;
    }
    return end;
}

/* Whether a block begins with the slot; where it does, fills it in. The rise may take a slot of its own: a
 * car that is plugged in at twenty past fills two thirds of an hour. */
static bool begins(const struct search *search, size_t first, struct block *out)
{
    double base_kw = level_before(search, first);
    for (size_t full = first; full <= first + 1 && full + 1 < search->count; full++) {
        double rise_kw = fmin(search->kw[full], search->kw[full + 1]) - base_kw;
        if (search->step_s >= 3600) {
            rise_kw = search->kw[full] - base_kw;
        }
        double least_rise_kw = fmax(least_kw, (1 - alike) * search->power_kw);
        if (!(rise_kw >= least_rise_kw && rise_kw <= most_kw) ||
            search->kw[first] - base_kw < 0.05 * rise_kw) {
            continue;
        }
        size_t end = follow(search, full, base_kw, rise_kw);
        double after_kw = level_after(search, end + 1);
        double lasted_s = (double)(end - full) * search->step_s;
        bool falls = !isnan(after_kw) && after_kw - base_kw < 0.4 * rise_kw;
        if (lasted_s >= least_s && falls && end > full) {
            double sum = 0;
            for (size_t i = full; i < end; i++) {
                sum += search->kw[i];
            }
            *out = (struct block){first, end, sum / (double)(end - full) - (base_kw + after_kw) / 2};
            return out->kw >= least_kw;
        }
    }
    return false;
}

static void find(struct search *search)
{
    search->found_count = 0;
    for (size_t i = 1; i + 1 < search->count; i++) {
        struct block block;
        if (begins(search, i, &block)) {
            search->found[search->found_count++] = block;
            i = block.end;
        }
    }
}

static double energy_of(const struct block *block)
{
    return block->kw * (double)(block->end - block->first);
}

/* The power around which the blocks with most energy lie; how many, in *count. */
static double common_power(const struct search *search, size_t *count)
{
    double best_kw = 0, most = 0;
    *count = 0;
    for (size_t i = 0; i < search->found_count; i++) {
        double kw = search->found[i].kw;
        size_t near = 0;
        double energy = 0;
        for (size_t k = 0; k < search->found_count; k++) {
            bool is_near = fabs(search->found[k].kw - kw) <= alike * kw;
            near += is_near ? 1 : 0;
            energy += is_near ? energy_of(&search->found[k]) : 0;
        }
        if (energy > most) {
            most = energy;
            *count = near;
            best_kw = kw;
        }
    }
    return best_kw;
}

/* The car's part of the slot: the charger's power inside, what stands above the house at the edges. */
static double part_of(const struct search *search, size_t slot, double base_kw)
{
    double above_kw = fmax(0, search->kw[slot] - base_kw);
    return fmin(above_kw, search->power_kw);
}

static void take(const struct search *search, const struct block *block, double *car_kw,
                 struct gr_blocks *out)
{
    double before_kw = level_before(search, block->first), after_kw = level_after(search, block->end + 1);
    for (size_t i = block->first; i <= block->end && i < search->count; i++) {
        if (isnan(search->kw[i])) {
            continue;
        }
        double base_kw = i == block->end ? after_kw : i == block->first ? before_kw : 0;
        car_kw[i] = part_of(search, i, base_kw);
        out->energy_kwh += car_kw[i] * search->step_s / 3600;
    }
    out->count++;
}

int gr_blocks_separate(struct gr_blocks *out, double *car_kw, const struct gr_series *total,
                       struct gr_error *error)
{
    *out = (struct gr_blocks){.count = 0};
    if (total->step_s < 300 || total->step_s > 3600 || 3600 % total->step_s != 0) {
        return gr_error_set(error, GR_INVALID, "slots of %d s, a divisor of 3600 from 300 on expected",
                            (int)total->step_s);
    }
    for (size_t i = 0; i < total->count; i++) {
        car_kw[i] = isnan(total->kw[i]) ? (double)NAN : 0;
    }
    struct search search = {.kw = total->kw, .count = total->count, .step_s = (double)total->step_s};
    search.found = malloc((total->count / 2 + 1) * sizeof *search.found);
    if (!search.found) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory to look for a car");
    }
    find(&search);
    size_t count;
    double power_kw = common_power(&search, &count);
    if (count >= LEAST_BLOCKS) {
        out->power_kw = power_kw;
        search.power_kw = power_kw;
        find(&search);
        for (size_t i = 0; i < search.found_count; i++) {
            take(&search, &search.found[i], car_kw, out);
        }
    }
    free(search.found);
    return GR_OK;
}
