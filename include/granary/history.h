/* What the house did: a ring of half-hour means of house load and solar power, and the paths that are built from it. */
#ifndef GRANARY_HISTORY_H
#define GRANARY_HISTORY_H

#include "granary/error.h"
#include "granary/planner.h"
#include "granary/site.h"
#include "granary/zone.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define GR_HISTORY_STEP_S 1800
#define GR_HISTORY_DAYS 35

struct gr_history; /* GR_HISTORY_DAYS * 48 slots, aligned to the UTC half hour */

int gr_history_create(struct gr_history **out);
void gr_history_free(struct gr_history *history);

/* Puts one finished half hour; start_s is a multiple of 1800. Later values for the same slot replace; slots older than the ring
 * are ignored. NAN means not known (both are looked at apart). */
void gr_history_put(struct gr_history *history, int64_t start_s, double house_kw, double solar_kw);

/* GR_NOT_FOUND where the value is not known. */
int gr_history_house(const struct gr_history *history, int64_t start_s, double *house_kw);
int gr_history_solar(const struct gr_history *history, int64_t start_s, double *solar_kw);

/* What is expected of a house that has no history yet. */
struct gr_expectation {
    double house_kw[24];  /* typical mean power by local hour */
    size_t path_days;     /* past days used, 1 to GR_HISTORY_DAYS; 14 */
    double usual_clearness; /* 0 to 1, of the configured arrays; 0.6 */
};

/* Paths over the slots bounded by bounds_s[0] < ... < bounds_s[slots]. One path per past local day that is known to nine
 * tenths, its load and sun carried to the same wall-clock times (the following days of the horizon take the past day's
 * followers, or itself again); up to 14 days it is topped up with paths from the configured profile (house scaled by 0.6 to 1.6
 * and the arrays' clear sky by five clearnesses), which together weigh what is missing. Without arrays and without history
 * the sun is 0. Only values that ended at or before bounds_s[0] are used.
 * *out is overwritten, to be freed with gr_paths_free. */
int gr_paths_build(struct gr_paths *out, const struct gr_history *history, const struct gr_expectation *expectation,
                   const struct gr_site *site, const struct gr_zone *zone, const int64_t *bounds_s, size_t slots,
                   struct gr_error *error);

/* Weighted mean over the paths at one slot. */
void gr_paths_mean(const struct gr_paths *paths, size_t slot, double *load_kw, double *solar_kw);

/* Blends the near end of all paths towards what is seen now: factor 1 at the present, halved every `half_life_s`.
 * house_kw or solar_kw may be NAN (not seen): that part is left alone. */
void gr_paths_lean(struct gr_paths *paths, const int64_t *bounds_s, double house_kw, double solar_kw,
                   double half_life_s);

#endif
