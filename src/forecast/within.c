#include "granary/within.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double idle_kw = 1e-3; /* below it a course has no shares */
static const size_t like_share = 6; /* a sixth of all slots counts as being of about the same mean */

static int compare_means(const void *a, const void *b)
{
    const struct gr_within_slot *x = a, *y = b;
    if (x->mean_kw != y->mean_kw) {
        return x->mean_kw < y->mean_kw ? -1 : 1;
    }
    return (x->first > y->first) - (x->first < y->first);
}

/* NAN where a part is not known. */
static double mean_of(const struct gr_series *fine, size_t first, size_t parts)
{
    double sum = 0;
    for (size_t i = 0; i < parts; i++) {
        sum += fine->kw[first + i];
    }
    return sum / (double)parts;
}

static size_t first_whole(const struct gr_series *fine, int32_t slot_s)
{
    int64_t late_s = ((fine->start_s % slot_s) + slot_s) % slot_s;
    return (size_t)((slot_s - late_s) % slot_s / fine->step_s);
}

int gr_within_learn(struct gr_within *out, const struct gr_series *fine, int32_t slot_s,
                    struct gr_error *error)
{
    *out = (struct gr_within){.fine = *fine, .slot_s = slot_s};
    int32_t parts = slot_s / fine->step_s;
    if (slot_s % fine->step_s != 0 || parts < 2 || parts > GR_WITHIN_MOST_PARTS) {
        return gr_error_set(error, GR_INVALID, "slots of %d s cannot be told from steps of %d s", (int)slot_s,
                            (int)fine->step_s);
    }
    out->parts = (size_t)parts;
    out->slot = malloc((fine->count / out->parts + 1) * sizeof *out->slot);
    if (!out->slot) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for the courses of %zu slots",
                            fine->count / out->parts);
    }
    for (size_t first = first_whole(fine, slot_s); first + out->parts <= fine->count; first += out->parts) {
        double mean_kw = mean_of(fine, first, out->parts);
        if (!isnan(mean_kw)) {
            out->slot[out->count++] = (struct gr_within_slot){mean_kw, first};
        }
    }
    if (out->count < GR_WITHIN_LEAST_SLOTS) {
        int status =
            gr_error_set(error, GR_NOT_FOUND,
                         "%zu slots are known to the last part; %d are needed to say anything of them",
                         out->count, GR_WITHIN_LEAST_SLOTS);
        gr_within_free(out);
        return status;
    }
    qsort(out->slot, out->count, sizeof *out->slot, compare_means);
    return GR_OK;
}

void gr_within_free(struct gr_within *within)
{
    free(within->slot);
    within->slot = NULL;
    within->count = 0;
}

static void find_shares(const struct gr_within *within, const struct gr_within_slot *slot,
                        double share[GR_WITHIN_MOST_PARTS])
{
    for (size_t i = 0; i < within->parts; i++) {
        share[i] = slot->mean_kw > idle_kw ? within->fine.kw[slot->first + i] / slot->mean_kw : 1;
    }
}

/* Number of slots with a smaller mean. */
static size_t rank_of(const struct gr_within *within, double mean_kw)
{
    size_t low = 0, high = within->count;
    while (low < high) {
        size_t middle = (low + high) / 2;
        if (within->slot[middle].mean_kw < mean_kw) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    return low;
}

void gr_within_draw(const struct gr_within *within, double mean_kw, double chance,
                    double share[GR_WITHIN_MOST_PARTS])
{
    size_t like = within->count / like_share;
    size_t rank = rank_of(within, mean_kw);
    size_t first = rank > like / 2 ? rank - like / 2 : 0;
    first = first + like > within->count ? within->count - like : first;
    find_shares(within, &within->slot[first + (size_t)(chance * (double)like)], share);
}

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Adds the fifths of a slot's time, its shares in rising order. */
static void add_fifths(const double *share, size_t parts, double fifth[GR_WITHIN_FIFTHS])
{
    for (size_t part = 0; part < parts; part++) {
        double from = (double)part * GR_WITHIN_FIFTHS / (double)parts;
        double to = (double)(part + 1) * GR_WITHIN_FIFTHS / (double)parts;
        for (size_t k = 0; k < GR_WITHIN_FIFTHS; k++) {
            double overlap = fmin(to, (double)k + 1) - fmax(from, (double)k);
            fifth[k] += overlap > 0 ? overlap * share[part] : 0;
        }
    }
}

void gr_within_shape(const struct gr_within *within, struct gr_within_shape *out)
{
    memset(out, 0, sizeof *out);
    for (size_t level = 0; level < GR_WITHIN_LEVELS; level++) {
        size_t from = within->count * level / GR_WITHIN_LEVELS;
        size_t to = within->count * (level + 1) / GR_WITHIN_LEVELS;
        for (size_t i = from; i < to; i++) {
            double share[GR_WITHIN_MOST_PARTS];
            find_shares(within, &within->slot[i], share);
            qsort(share, within->parts, sizeof *share, compare_doubles);
            add_fifths(share, within->parts, out->share[level]);
        }
        for (size_t k = 0; k < GR_WITHIN_FIFTHS; k++) {
            out->share[level][k] /= (double)(to - from);
        }
        out->up_to_kw[level] = within->slot[to - 1].mean_kw;
    }
}
