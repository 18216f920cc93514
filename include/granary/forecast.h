/* Forecasts that learn on the house's own readings: quantiles and a mean for each slot to come, of house load
 * or of sun. Powers in kW; moments in Unix seconds, UTC. The method is written out in docs/forecast.md. */
#ifndef GRANARY_FORECAST_H
#define GRANARY_FORECAST_H

#include "granary/error.h"
#include "granary/holidays.h"
#include "granary/site.h"
#include "granary/zone.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define GR_QUANTILES 5

/* 0.10, 0.25, 0.50, 0.75, 0.90 */
extern const double gr_quantile_levels[GR_QUANTILES];

/* Mean powers of regular slots; NAN where not known. The values stay the caller's and must outlive what is
 * built on them. */
struct gr_series {
    int64_t start_s;
    int32_t step_s; /* 300 to 3600, a divisor of 3600 */
    size_t count;
    const double *kw;
};

enum gr_forecast_kind { GR_FORECAST_LOAD, GR_FORECAST_SUN };

struct gr_forecast_slot {
    double quantile_kw[GR_QUANTILES]; /* rising, >= 0. The middle one is best for single slots; medians must
                                         not be summed */
    double mean_kw;                   /* for energy: means may be summed */
};

/* What there is to learn from. Everything stays the caller's and must outlive what is built on it. */
struct gr_lesson {
    enum gr_forecast_kind kind;
    struct gr_series series;
    const struct gr_zone *zone;         /* the clock of house load */
    const struct gr_holidays *holidays; /* for the load; NULL: none are known */
    const struct gr_site
        *site; /* position and arrays, for the sun's way through the year; NULL or without arrays: unknown */
    const struct gr_series *weather; /* irradiance in kW/m2 as it was forecast, on any grid, beyond the end of
                                        the series as well; for the sun; NULL: unknown */
};

struct gr_forecaster;

/* GR_INVALID for a series out of shape; GR_NO_MEMORY. */
int gr_forecaster_create(struct gr_forecaster **out, const struct gr_lesson *lesson, struct gr_error *error);
void gr_forecaster_free(struct gr_forecaster *forecaster);

/* Forecasts `slots` slots (up to two days) from number `from` of the series on, using only values before
 * `from`, which may be the series' count. Also learns from how its earlier forecasts went: calls come with
 * rising `from`. The first day gives GR_NOT_FOUND: nothing is known yet. */
int gr_forecaster_next(struct gr_forecaster *forecaster, size_t from, size_t slots,
                       struct gr_forecast_slot *out, struct gr_error *error);

/* ---- how good it is ---- */

enum gr_baseline {
    GR_YESTERDAY,    /* the last known value at the same time of day */
    GR_LAST_WEEK,    /* the last known one on the same weekday */
    GR_LIKE_DAYS,    /* mean of the last four days that are weekdays as well, or weekend days as well */
    GR_LAST_7_DAYS,  /* mean of the last seven known values */
    GR_LAST_28_DAYS, /* median and quantiles of the last 28 known values */
    GR_BASELINES
};

/* "yesterday", "last_week", "like_days", "last_7_days", "last_28_days" */
const char *gr_baseline_name(enum gr_baseline baseline);

struct gr_baseline_score {
    double mae_kw, pinball_kw, rmse_kw; /* pinball: the mean over the five levels */
};

struct gr_forecast_score {
    size_t slots; /* scored; 0: too little data, the figures are then NAN */
    double true_mean_kw;
    double mae_kw, nmae;         /* of the median; nmae is the share of the true mean */
    double pinball_kw, coverage; /* coverage: share of slots within the 10 to 90 % band, ends included */
    double mean_rmse_kw, mean_bias_kw; /* of the mean forecast; bias: forecast less truth */
    struct gr_baseline_score baseline[GR_BASELINES];
};

/* Walks through the series: every day at 16:00 local time the 32 hours that follow are forecast from what
 * lies before. Slots count whose forecast was made 28 days or more after the series' start. */
int gr_forecast_evaluate(struct gr_forecast_score *out, const struct gr_lesson *lesson,
                         struct gr_error *error);

/* Walks through the series in the same way to learn, then forecasts the `slots` slots after its end. */
int gr_forecast_after(struct gr_forecast_slot *out, size_t slots, const struct gr_lesson *lesson,
                      struct gr_error *error);

#endif
