/* Several quantile forecasts of the same slots, mixed by how well each did lately; a mean that learns how far
 * to trust several means; and what trims both. All learn only from what is over. Internal to src/forecast. */
#ifndef GRANARY_FORECAST_EXPERTS_H
#define GRANARY_FORECAST_EXPERTS_H

#include "granary/forecast.h"

#define EXPERTS 9
#define FEATURES 10

/* What each of them says of one slot; a house has `count` of them. */
struct opinions {
    double kw[EXPERTS][GR_QUANTILES];
};

struct experts {
    size_t count;
    double loss[EXPERTS][GR_QUANTILES];
};

/* Old losses fade. */
void experts_fade(struct experts *experts);
/* Takes the truth of a slot. `unit_kw` makes houses comparable; `share` is the slot's length in days. */
void experts_learn(struct experts *experts, const struct opinions *opinions, double true_kw, double unit_kw,
                   double share);
/* The mix, in rising order. */
void experts_mix(const struct experts *experts, const struct opinions *opinions, double *mixed_kw);

/* How far the mixed quantiles and the mean were off lately: each quantile's distance from the middle is
 * stretched until it is passed as often as its level says; the mean is scaled until its sums are right. */
struct trim {
    double stretch[GR_QUANTILES];
    double true_sum, mean_sum; /* kW, fading */
    double unit_kw;            /* of the house, when last told */
};

void trim_init(struct trim *trim);
void trim_fade(struct trim *trim);
/* Takes the truth of a slot whose forecast, as it was given out, is known. */
void trim_learn(struct trim *trim, const struct gr_forecast_slot *given, double untrimmed_kw, double true_kw,
                double unit_kw, double share);
void trim_quantiles(const struct trim *trim, double *quantile_kw);
/* What the mean is to be multiplied by. */
double trim_ratio(const struct trim *trim);

/* Ridge regression on the error of feature 0: without anything learned the forecast is feature 0. */
struct ridge {
    double square[FEATURES][FEATURES], product[FEATURES];
    double weight[FEATURES];
};

void ridge_fade(struct ridge *ridge);
void ridge_learn(struct ridge *ridge, const double *feature_kw, double true_kw, double unit_kw, double share);
/* Finds the weights from what was learned. */
void ridge_solve(struct ridge *ridge);
/* Kept within a factor of the features: a house that was dead for weeks must not make the regression
 * explode; `ratio` is applied before. */
double ridge_forecast(const struct ridge *ridge, const double *feature_kw, double ratio);

#endif
