/* What is told of the weather to come, and what this house makes of it: the paths' sun is drawn to what the
 * weather promises as far as it kept its promises before, their load to the cold and the heat. Half hours,
 * UTC; powers in kW, irradiance in kW/m2, temperatures in degrees Celsius. The method is written out in
 * docs/forecast.md. */
#ifndef GRANARY_WEATHER_H
#define GRANARY_WEATHER_H

#include "granary/error.h"
#include "granary/history.h"
#include "granary/planner.h"
#include "granary/rates.h"
#include "granary/site.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum gr_weather_kind {
    GR_WEATHER_IRRADIANCE,  /* global, on the level, kW/m2; 0 to 1.6 */
    GR_WEATHER_CLOUD_COVER, /* share of the sky, 0 to 1 */
    GR_WEATHER_GENERATION,  /* of all arrays, AC side, kW; >= 0 */
    GR_WEATHER_TEMPERATURE, /* of the air outdoors, degrees Celsius; -60 to 60 */
    GR_WEATHER_KINDS
};

/* "irradiance", "cloud cover", "generation", "temperature" */
const char *gr_weather_name(enum gr_weather_kind kind);

/* Holds a table of values of the kind against what may be believed: `least` to `greatest`, at most 5000
 * slots, and an end at least six hours after now_s. GR_INVALID with what was found and expected; moments are
 * written in the zone's time. */
int gr_weather_check(const struct gr_rate_table *table, enum gr_weather_kind kind, double least,
                     double greatest, const struct gr_zone *zone, int64_t now_s, struct gr_error *error);

struct gr_weather; /* the last GR_HISTORY_DAYS and six days ahead */

int gr_weather_create(struct gr_weather **out);
void gr_weather_free(struct gr_weather *weather);

/* Takes what was told at the moment at_s, 0 where that is not known; the table's prices are values of the
 * kind. Half hours that it does not cover wholly are left alone, values out of range are drawn into it. A
 * kind of sun other than before makes the old one forgotten. What is told of a half hour less than six hours
 * before its start serves plans but, where an earlier word is known, not the judgement of how good the
 * telling is. */
void gr_weather_take(struct gr_weather *weather, enum gr_weather_kind kind, const struct gr_rate_table *table,
                     int64_t at_s);

/* All that was told, as bytes that mean something to the same version only; for an event log. Loading refuses
 * bytes that no weather leaves: false, and nothing changed. */
size_t gr_weather_size(void);
void gr_weather_save(const struct gr_weather *weather, void *bytes);
bool gr_weather_load(struct gr_weather *weather, const void *bytes);

/* Calls `each` with what, taken in that order by a weather to which nothing was told, makes it the same: at_s
 * is for gr_weather_take, 0 or now_s. GR_NO_MEMORY. */
int gr_weather_retell(const struct gr_weather *weather, int64_t now_s,
                      void (*each)(void *context, enum gr_weather_kind kind,
                                   const struct gr_rate_table *table, int64_t at_s),
                      void *context);

/* After a change of position or arrays. */
void gr_weather_forget_arrays(struct gr_weather *weather);

/* What the sun is promised to give and how far that is to be trusted. */
struct gr_sun_promise {
    double trust;    /* share of the promise in the mean: 0 to 1 */
    double spread;   /* of what is left of the paths' spread around it: 0.25 to 1 */
    size_t days;     /* past days that it was learned from */
    size_t days_out; /* days left out: next to no sun where much was promised (snow, a fault) */
    double ratio; /* energy had / energy promised by the configured arrays or the table; NAN: none had yet */
};

/* Draws the paths' sun to the promise where one is told, and their load to the temperature. What is seen of
 * `history` ended before bounds_s[0]. Without a promise the paths stay as they are and trust is 0. */
struct gr_sun_promise gr_weather_guide(struct gr_weather *weather, struct gr_paths *paths,
                                       const struct gr_history *history, const struct gr_site *site,
                                       const int64_t *bounds_s);

#endif
