/* What the house did: a ring of half-hour means of house load, solar power and the temperature outdoors, and
 * the paths that are built from it. Powers in kW, >= 0; moments in Unix seconds, UTC. */
#ifndef GRANARY_HISTORY_H
#define GRANARY_HISTORY_H

#include "granary/error.h"
#include "granary/holidays.h"
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

/* Puts one finished half hour; start_s is a multiple of 1800 (others are ignored). Later values for the same
 * slot replace; slots older than the ring, counted back from the newest put so far, are ignored. NAN (or an
 * infinity) means not known and leaves what is known already (both are looked at apart); values below 0 count
 * as 0. */
void gr_history_put(struct gr_history *history, int64_t start_s, double house_kw, double solar_kw);

/* The same with the mean temperature outdoors as it was measured, in degrees Celsius. */
void gr_history_put_outdoor(struct gr_history *history, int64_t start_s, double outdoor_c);

/* GR_NOT_FOUND where the value is not known; *house_kw, *solar_kw or *outdoor_c is then untouched. */
int gr_history_house(const struct gr_history *history, int64_t start_s, double *house_kw);
int gr_history_solar(const struct gr_history *history, int64_t start_s, double *solar_kw);
int gr_history_outdoor(const struct gr_history *history, int64_t start_s, double *outdoor_c);

/* `count` half hours in a row from first_s on, a multiple of 1800; NAN where a value is not known. */
void gr_history_read(const struct gr_history *history, int64_t first_s, size_t count, double *house_kw,
                     double *solar_kw);

/* What is expected of a house that has no history yet. */
struct gr_expectation {
    double house_kw[24];         /* typical mean power by local hour, >= 0 */
    size_t path_days;            /* past days used, 1 to GR_HISTORY_DAYS; 14 */
    double usual_clearness;      /* 0 to 1, of the configured arrays; 0.6 */
    struct gr_holidays holidays; /* they count as weekend days */
};

/* Paths over the slots bounded by bounds_s[0] < ... < bounds_s[slots], at most 400 days. First one path per
 * past local day whose load is known to nine tenths, the `path_days` most recent of them, newest first: its
 * load is carried to the same wall-clock times, its sun by whole multiples of 24 h (the sun knows no daylight
 * saving). The following days of the horizon take the past day's followers, as long as they are known as well
 * and over, or else the last one again. Holes are filled from the nearest days within a week that know the
 * same time, or else from the profile and the arrays. Where the sun of a day is not known to nine tenths, it
 * is that of the arrays under one of five clearnesses, if there are arrays. Every such path is drawn to the
 * present level: with r = log of (mean load of the last 24 h / of the 24 h before the same time of the past
 * day), 5 % of the last week's mean added to both, the load is multiplied by exp(0.5 r), the sun likewise by
 * exp(0.3 r) of its own, |r| at most 0.7; r = 0 where less than half of the 24 h is known. Weights: halved
 * per 14 days of age, 0.4 for a weekday that stands for a weekend day or the other way round (for a part of
 * the horizon: to the power of that share), and exp(-0.7 |r| - 0.3 |r2|), r2 the same of the last 2 h of
 * load. With fewer than `path_days` days known, ten paths of the configured profile (house scaled by 0.6
 * to 1.6, mean 1, paired without correlation with the arrays' sky under five clearnesses around the usual
 * one, mean the usual one) follow, which together weigh the share of days that is missing. Without arrays
 * they have yesterday's sun (holes filled as above). Without arrays and without history the sun is 0. Only
 * values that ended at or before bounds_s[0] are used. *out is overwritten, to be freed with gr_paths_free.
 * GR_INVALID for bounds or an expectation out of range (the message names what), GR_NO_MEMORY; *out is then
 * empty. */
int gr_paths_build(struct gr_paths *out, const struct gr_history *history,
                   const struct gr_expectation *expectation, const struct gr_site *site,
                   const struct gr_zone *zone, const int64_t *bounds_s, size_t slots, struct gr_error *error);

/* Weighted mean over the paths at one slot. */
void gr_paths_mean(const struct gr_paths *paths, size_t slot, double *load_kw, double *solar_kw);

/* Blends the near end of all paths towards what is seen now: factor 1 at bounds_s[0], halved every
 * `half_life_s` (its mean over each slot is used). house_kw or solar_kw may be NAN (not seen): that part is
 * left alone. Nothing happens where half_life_s is not above 0. */
void gr_paths_lean(struct gr_paths *paths, const int64_t *bounds_s, double house_kw, double solar_kw,
                   double half_life_s);

#endif
