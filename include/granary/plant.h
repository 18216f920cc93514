/* What the readings of a solar meter say of the arrays that are configured: their scale, whether tilt and
 * azimuth look right, and where something stands before the sun. Only the brightest of neighbouring days are
 * looked at, so that clouds, snow and faults do not count. Angles in degrees; azimuth clockwise from north.
 */
#ifndef GRANARY_PLANT_H
#define GRANARY_PLANT_H

#include "granary/error.h"
#include "granary/forecast.h"
#include "granary/site.h"

#include <stdbool.h>
#include <stddef.h>

#define GR_MOST_SHADOWS 4

/* A part of the sky from which less comes than the rest of the day lets expect. */
struct gr_shadow {
    double azimuth_from_deg, azimuth_to_deg; /* of the sun */
    double elevation_below_deg;              /* highest sun at which it was found */
    double share;                            /* median of what comes through, 0 to 1 */
};

struct gr_plant {
    size_t days;  /* with sun, that were looked at; below GR_PLANT_DAYS the rest is not filled */
    double scale; /* what a clear sky gives / what the configured arrays would give under one */
    bool turned;  /* other angles explain the readings clearly better; found for one array only */
    double tilt_deg, azimuth_deg;           /* as configured, or where turned as found */
    double misfit_configured, misfit_found; /* mean error / mean power of bright hours */
    struct gr_shadow shadow[GR_MOST_SHADOWS];
    size_t shadows;
};

#define GR_PLANT_DAYS 24

/* Looks at the last year of the series. GR_INVALID for a site without arrays or a series out of shape,
 * GR_NO_MEMORY. */
int gr_plant_look(struct gr_plant *out, const struct gr_series *series, const struct gr_site *site,
                  struct gr_error *error);

#endif
