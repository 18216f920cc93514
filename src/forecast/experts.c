#include "forecast/experts.h"

#include "forecast/naive.h"

#include <math.h>
#include <string.h>

static const double keep_per_day = 0.98;
static const double sharpness = 5;        /* weight of an expert: exp(-sharpness * loss) */
static const double stretch_step = 0.025; /* per day of misses */
static const double least_stretch = 0.6;
static const double most_stretch = 1.8;
static const double keep_sums_per_day = 0.985;
static const double trust_days = 60;
static const double most_ratio = 1.1;
static const double ridge_strength = 20;
static const double most_factor = 1.6; /* how far beyond the features the regression may go */

void experts_fade(struct experts *experts)
{
    for (size_t e = 0; e < experts->count; e++) {
        for (size_t q = 0; q < GR_QUANTILES; q++) {
            experts->loss[e][q] *= keep_per_day;
        }
    }
}

void experts_learn(struct experts *experts, const struct opinions *opinions, double true_kw, double unit_kw,
                   double share)
{
    for (size_t e = 0; e < experts->count; e++) {
        for (size_t q = 0; q < GR_QUANTILES; q++) {
            double loss_kw = pinball(gr_quantile_levels[q], opinions->kw[e][q], true_kw);
            experts->loss[e][q] += share * loss_kw / unit_kw;
        }
    }
}

void experts_mix(const struct experts *experts, const struct opinions *opinions, double *mixed_kw)
{
    for (size_t q = 0; q < GR_QUANTILES; q++) {
        double least = INFINITY, total = 0, sum = 0;
        for (size_t e = 0; e < experts->count; e++) {
            least = fmin(least, experts->loss[e][q]);
        }
        for (size_t e = 0; e < experts->count; e++) {
            double weight = exp(-sharpness * (experts->loss[e][q] - least));
            total += weight;
            sum += weight * opinions->kw[e][q];
        }
        mixed_kw[q] = sum / total;
    }
    sort_few(mixed_kw, GR_QUANTILES);
}

void trim_init(struct trim *trim)
{
    *trim = (struct trim){.unit_kw = 1};
    for (size_t q = 0; q < GR_QUANTILES; q++) {
        trim->stretch[q] = 1;
    }
}

void trim_fade(struct trim *trim)
{
    trim->true_sum *= keep_sums_per_day;
    trim->mean_sum *= keep_sums_per_day;
}

void trim_learn(struct trim *trim, const struct gr_forecast_slot *given, double untrimmed_kw, double true_kw,
                double unit_kw, double share)
{
    for (size_t q = 0; q < GR_QUANTILES; q++) {
        double level = gr_quantile_levels[q];
        bool upper = level > 0.5;
        double beyond = upper ? 1 - level : level;
        bool passed = upper ? true_kw > given->quantile_kw[q] : true_kw < given->quantile_kw[q];
        trim->stretch[q] += stretch_step * share * ((passed ? 1 : 0) - beyond);
        trim->stretch[q] = fmin(fmax(trim->stretch[q], least_stretch), most_stretch);
    }
    trim->true_sum += share * true_kw;
    trim->mean_sum += share * untrimmed_kw;
    trim->unit_kw = unit_kw;
}

void trim_quantiles(const struct trim *trim, double *kw)
{
    double middle_kw = kw[GR_QUANTILES / 2];
    for (size_t q = 0; q < GR_QUANTILES; q++) {
        kw[q] = fmax(0, middle_kw + trim->stretch[q] * (kw[q] - middle_kw));
    }
    sort_few(kw, GR_QUANTILES);
}

double trim_ratio(const struct trim *trim)
{
    double trust_kw = trust_days * trim->unit_kw;
    double ratio = (trim->true_sum + trust_kw) / (trim->mean_sum + trust_kw);
    return fmin(fmax(ratio, 1 / most_ratio), most_ratio);
}

void ridge_fade(struct ridge *ridge)
{
    for (size_t a = 0; a < FEATURES; a++) {
        ridge->product[a] *= keep_per_day;
        for (size_t b = 0; b < FEATURES; b++) {
            ridge->square[a][b] *= keep_per_day;
        }
    }
}

void ridge_learn(struct ridge *ridge, const double *feature_kw, double true_kw, double unit_kw, double share)
{
    double weight = share / (unit_kw * unit_kw);
    for (size_t a = 0; a < FEATURES; a++) {
        ridge->product[a] += weight * feature_kw[a] * (true_kw - feature_kw[0]);
        for (size_t b = 0; b < FEATURES; b++) {
            ridge->square[a][b] += weight * feature_kw[a] * feature_kw[b];
        }
    }
}

/* Gauss' elimination; the ridge keeps every pivot above 0. */
void ridge_solve(struct ridge *ridge)
{
    double m[FEATURES][FEATURES], right[FEATURES];
    memcpy(m, ridge->square, sizeof m);
    memcpy(right, ridge->product, sizeof right);
    for (size_t a = 0; a < FEATURES; a++) {
        m[a][a] += ridge_strength;
        for (size_t row = 0; row < a; row++) {
            double factor = m[a][row] / m[row][row];
            for (size_t b = row; b < FEATURES; b++) {
                m[a][b] -= factor * m[row][b];
            }
            right[a] -= factor * right[row];
        }
    }
    for (size_t a = FEATURES; a-- > 0;) {
        for (size_t b = a + 1; b < FEATURES; b++) {
            right[a] -= m[a][b] * ridge->weight[b];
        }
        ridge->weight[a] = right[a] / m[a][a];
    }
}

double ridge_forecast(const struct ridge *ridge, const double *feature_kw, double ratio)
{
    double kw = feature_kw[0];
    double least_kw = INFINITY, most_kw = 0;
    for (size_t a = 0; a < FEATURES; a++) {
        kw += ridge->weight[a] * feature_kw[a];
        least_kw = fmin(least_kw, feature_kw[a]);
        most_kw = fmax(most_kw, feature_kw[a]);
    }
    return fmin(fmax(ratio * kw, least_kw / most_factor), most_factor * most_kw);
}
