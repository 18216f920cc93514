/* A series prepared for looking back in: every slot's place on the local clock, and sums over stretches of
 * it. Internal to src/forecast. */
#ifndef GRANARY_FORECAST_RECORD_H
#define GRANARY_FORECAST_RECORD_H

#include "granary/forecast.h"

#define RECORD_AHEAD_S ((int64_t)2 * 86400) /* how far beyond its end a series can be forecast */

struct record {
    struct gr_series series;
    size_t per_hour, per_day;
    size_t places;          /* series.count and the slots ahead */
    int32_t *offset_s;      /* of the local clock; 0 throughout for the sun. `places` entries, as the next */
    unsigned char *weekday; /* ISO 8601: 1 Monday to 7 Sunday */
    double
        *scale; /* what a value is measured by: 1 for load, the clear sky's power for sun; `places` entries */
    double *clear_kw;  /* of the arrays under a clear sky; NULL where they are not known. `places` entries */
    double *sum;       /* of the known values before a slot, series.count + 1 entries, as the next */
    double *scale_sum; /* of the scales of known values before it */
};

int record_create(struct record *record, const struct gr_lesson *lesson, struct gr_error *error);
void record_free(struct record *record);

/* Measures by the irradiance of a weather series instead, in kW/m2; NAN where that is not known. */
void record_measure_by(struct record *record, const struct gr_series *weather);

/* Sums anew after the scale has changed from slot `first` on. */
void record_sum(struct record *record, size_t first, size_t end);

/* The slot at the same time of day `days` days before; SIZE_MAX where that lies before the series. */
size_t record_back(const struct record *record, size_t slot, size_t days);

/* Sum of the known values of the `length` slots before `end` in units of their scale; NAN where nothing is
 * known. */
double record_level(const struct record *record, size_t end, size_t length);

bool record_weekend(const struct record *record, size_t slot);

#endif
