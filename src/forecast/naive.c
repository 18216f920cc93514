#include "forecast/naive.h"

#include <math.h>

enum { DAYS = 28, REACH = 42, LIKE_DAYS = 4, WEEK = 7 };

const double gr_quantile_levels[GR_QUANTILES] = {0.1, 0.25, 0.5, 0.75, 0.9};

const char *gr_baseline_name(enum gr_baseline baseline)
{
    static const char *const names[GR_BASELINES] = {"yesterday", "last_week", "like_days", "last_7_days",
                                                    "last_28_days"};
    return baseline < GR_BASELINES ? names[baseline] : "unknown";
}

double pinball(double level, double quantile_kw, double true_kw)
{
    return true_kw >= quantile_kw ? level * (true_kw - quantile_kw) : (1 - level) * (quantile_kw - true_kw);
}

void sort_few(double *values, size_t count)
{
    for (size_t i = 1; i < count; i++) {
        double value = values[i];
        size_t at = i;
        for (; at > 0 && values[at - 1] > value; at--) {
            values[at] = values[at - 1];
        }
        values[at] = value;
    }
}

/* Values at the same time of day, the latest first. */
struct look_back {
    double kw[DAYS];
    size_t count;
    double last_week_kw;
    double like_sum_kw;
    size_t like_count;
};

static void look(struct look_back *back, const struct record *record, size_t from, size_t slot)
{
    *back = (struct look_back){.last_week_kw = NAN};
    for (size_t days = 1; days <= REACH && back->count < DAYS; days++) {
        size_t there = record_back(record, slot, days);
        if (there >= from || isnan(record->series.kw[there])) {
            continue;
        }
        double kw = record->series.kw[there];
        back->kw[back->count++] = kw;
        if (days % WEEK == 0 && isnan(back->last_week_kw)) {
            back->last_week_kw = kw;
        }
        if (back->like_count < LIKE_DAYS && record_weekend(record, there) == record_weekend(record, slot)) {
            back->like_sum_kw += kw;
            back->like_count++;
        }
    }
}

static double mean_of(const double *kw, size_t count)
{
    double sum = 0;
    for (size_t i = 0; i < count; i++) {
        sum += kw[i];
    }
    return sum / (double)count;
}

bool naive_forecast(struct naive *out, const struct record *record, size_t from, size_t slot)
{
    struct look_back back;
    look(&back, record, from, slot);
    if (back.count == 0) {
        return false;
    }
    double last_kw = back.kw[0];
    out->kw[GR_YESTERDAY] = last_kw;
    out->kw[GR_LAST_WEEK] = isnan(back.last_week_kw) ? last_kw : back.last_week_kw;
    out->kw[GR_LIKE_DAYS] = back.like_count ? back.like_sum_kw / (double)back.like_count : last_kw;
    out->kw[GR_LAST_7_DAYS] = mean_of(back.kw, back.count < WEEK ? back.count : WEEK);
    out->mean_28_kw = mean_of(back.kw, back.count);
    sort_few(back.kw, back.count);
    for (size_t i = 0; i < GR_QUANTILES; i++) {
        double at = gr_quantile_levels[i] * (double)(back.count - 1);
        size_t low = (size_t)at;
        size_t high = low + 1 < back.count ? low + 1 : low;
        out->quantile_kw[i] = back.kw[low] + (at - (double)low) * (back.kw[high] - back.kw[low]);
    }
    out->kw[GR_LAST_28_DAYS] = out->quantile_kw[GR_QUANTILES / 2];
    return true;
}
