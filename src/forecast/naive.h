/* The forecasts people make by hand, which ours are measured against and partly made of. Internal to
 * src/forecast. */
#ifndef GRANARY_FORECAST_NAIVE_H
#define GRANARY_FORECAST_NAIVE_H

#include "forecast/record.h"

struct naive {
    double kw[GR_BASELINES];
    double quantile_kw[GR_QUANTILES]; /* of the last 28 known days */
    double mean_28_kw;
};

/* For a slot at or after `from`, from values before `from`. False where nothing is known at that time of day.
 */
bool naive_forecast(struct naive *out, const struct record *record, size_t from, size_t slot);

/* Loss of a quantile forecast for one level. */
double pinball(double level, double quantile_kw, double true_kw);

/* Puts a few numbers into rising order. */
void sort_few(double *values, size_t count);

#endif
