/* How a house's power varies inside a slot: a kettle is no half-hour mean. Learned from finer means of the
 * same house. Powers in kW, >= 0; moments in Unix seconds, UTC. Pure. */
#ifndef GRANARY_WITHIN_H
#define GRANARY_WITHIN_H

#include "granary/error.h"
#include "granary/forecast.h"

#include <stddef.h>
#include <stdint.h>

#define GR_WITHIN_LEAST_SLOTS 336 /* a week of half hours: with fewer nothing is said */
#define GR_WITHIN_MOST_PARTS 12
#define GR_WITHIN_LEVELS 3
#define GR_WITHIN_FIFTHS 5

/* One slot of the past whose parts are all known. */
struct gr_within_slot {
    double mean_kw;
    size_t first; /* number of its first part in the fine series */
};

struct gr_within {
    struct gr_series fine; /* the caller's, who keeps it as long as this is used */
    int32_t slot_s;
    size_t parts; /* fine steps in a slot */
    struct gr_within_slot *slot;
    size_t count; /* by rising mean */
};

/* GR_INVALID where slot_s is not 2 to GR_WITHIN_MOST_PARTS steps of `fine`; GR_NOT_FOUND where fewer than
 * GR_WITHIN_LEAST_SLOTS slots are known to the last part; GR_NO_MEMORY. *out is overwritten, to be freed with
 * gr_within_free; empty on failure. */
int gr_within_learn(struct gr_within *out, const struct gr_series *fine, int32_t slot_s,
                    struct gr_error *error);
void gr_within_free(struct gr_within *within);

/* The course of a past slot of about that mean, as shares of its mean, whose mean is 1; `chance`, 0 to below
 * 1, says which one. */
void gr_within_draw(const struct gr_within *within, double mean_kw, double chance,
                    double share[GR_WITHIN_MOST_PARTS]);

/* The parts of a slot put in order: the mean power of each fifth of its time over the slot's, from the least
 * to the greatest, for the third of the slots with the least mean, the middle third and the greatest. */
struct gr_within_shape {
    double up_to_kw[GR_WITHIN_LEVELS]; /* greatest mean of the third */
    double share[GR_WITHIN_LEVELS][GR_WITHIN_FIFTHS];
};

void gr_within_shape(const struct gr_within *within, struct gr_within_shape *out);

#endif
