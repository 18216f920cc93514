/* A car that charges behind a meter that only knows the total: its charging stands out as a block, hours of
 * one and the same power on top of the house, time and again. */
#ifndef GRANARY_BLOCK_H
#define GRANARY_BLOCK_H

#include "granary/error.h"
#include "granary/forecast.h"

#include <stddef.h>

struct gr_blocks {
    double power_kw;   /* of the charger: median of the blocks; 0 where none were recognised */
    size_t count;      /* blocks */
    double energy_kwh; /* in all of them */
};

/* Recognises blocks in the series and writes the power of each slot that is the car's to car_kw (as many as
 * the series has; 0 where there is none, NAN where the total is not known): never more than the total. A
 * block lasts 45 minutes to 16 hours, rises by 2.8 to 25 kW within a slot or two over what was before, stays
 * within a fifth of that, and falls back. At least six blocks of about the same power must be there: an oven
 * is no car. Pure; GR_INVALID for a series out of shape, GR_NO_MEMORY. */
int gr_blocks_separate(struct gr_blocks *out, double *car_kw, const struct gr_series *total,
                       struct gr_error *error);

#endif
