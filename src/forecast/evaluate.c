#include "forecast/naive.h"

#include "granary/civil.h"

#include <math.h>
#include <stdlib.h>

static const int64_t made_at_s = (int64_t)16 * 3600;
static const int64_t reach_s = (int64_t)32 * 3600;
static const int64_t warm_up_s = (int64_t)28 * GR_DAY_S;

static void add_baselines(struct gr_forecast_score *score, const struct naive *naive, double true_kw)
{
    for (size_t b = 0; b < GR_BASELINES; b++) {
        struct gr_baseline_score *baseline = &score->baseline[b];
        double error_kw = naive->kw[b] - true_kw;
        baseline->mae_kw += fabs(error_kw);
        baseline->rmse_kw += error_kw * error_kw;
        for (size_t q = 0; q < GR_QUANTILES; q++) {
            double quantile_kw = b == GR_LAST_28_DAYS ? naive->quantile_kw[q] : naive->kw[b];
            baseline->pinball_kw += pinball(gr_quantile_levels[q], quantile_kw, true_kw) / GR_QUANTILES;
        }
    }
}

static void add_slot(struct gr_forecast_score *score, const struct gr_forecast_slot *slot, double true_kw)
{
    double mean_error_kw = slot->mean_kw - true_kw;
    score->slots++;
    score->true_mean_kw += true_kw;
    score->mae_kw += fabs(slot->quantile_kw[GR_QUANTILES / 2] - true_kw);
    score->coverage += true_kw >= slot->quantile_kw[0] && true_kw <= slot->quantile_kw[GR_QUANTILES - 1];
    score->mean_rmse_kw += mean_error_kw * mean_error_kw;
    score->mean_bias_kw += mean_error_kw;
    for (size_t q = 0; q < GR_QUANTILES; q++) {
        score->pinball_kw += pinball(gr_quantile_levels[q], slot->quantile_kw[q], true_kw) / GR_QUANTILES;
    }
}

/* Sums into means; without a single slot everything becomes NAN. */
static void close_score(struct gr_forecast_score *score)
{
    double slots = (double)score->slots;
    score->true_mean_kw /= slots;
    score->mae_kw /= slots;
    score->nmae = score->mae_kw / score->true_mean_kw;
    score->pinball_kw /= slots;
    score->coverage /= slots;
    score->mean_rmse_kw = sqrt(score->mean_rmse_kw / slots);
    score->mean_bias_kw /= slots;
    for (size_t b = 0; b < GR_BASELINES; b++) {
        score->baseline[b].mae_kw /= slots;
        score->baseline[b].pinball_kw /= slots;
        score->baseline[b].rmse_kw = sqrt(score->baseline[b].rmse_kw / slots);
    }
}

static void score_day(struct gr_forecast_score *score, const struct record *record, size_t from, size_t slots,
                      const struct gr_forecast_slot *forecast)
{
    for (size_t i = 0; i < slots && from + i < record->series.count; i++) {
        double true_kw = record->series.kw[from + i];
        struct naive naive;
        if (!isnan(true_kw) && naive_forecast(&naive, record, from, from + i)) {
            add_slot(score, &forecast[i], true_kw);
            add_baselines(score, &naive, true_kw);
        }
    }
}

/* Number of the first slot that starts at 16:00 or after on the day, counted from the series' first day. */
static int64_t origin(const struct gr_series *series, const struct gr_zone *zone, int64_t day)
{
    int64_t midnight_s = gr_zone_local_s(zone, series->start_s);
    midnight_s = gr_civil_day(midnight_s) * GR_DAY_S;
    int64_t utc_s = gr_zone_utc_s(zone, midnight_s + day * GR_DAY_S + made_at_s, 0);
    int64_t after_s = utc_s - series->start_s;
    return after_s <= 0 ? 0 : (after_s + series->step_s - 1) / series->step_s;
}

/* Lets the forecaster make its forecast of every day; `score` may be NULL. */
static int walk(struct gr_forecast_score *score, struct gr_forecaster *forecaster,
                const struct record *record, const struct gr_zone *zone, struct gr_forecast_slot *room,
                struct gr_error *error)
{
    const struct gr_series *series = &record->series;
    size_t slots = (size_t)(reach_s / series->step_s);
    for (int64_t day = 0;; day++) {
        int64_t from = origin(series, zone, day);
        if (from >= (int64_t)series->count) {
            return GR_OK;
        }
        if (from < (int64_t)record->per_day) {
            continue;
        }
        int status = gr_forecaster_next(forecaster, (size_t)from, slots, room, error);
        if (status != GR_OK) {
            return status;
        }
        if (score && from * series->step_s >= warm_up_s) {
            score_day(score, record, (size_t)from, slots, room);
        }
    }
}

struct walker {
    struct gr_forecaster *forecaster;
    struct record record;
    struct gr_forecast_slot *room;
};

static void free_walker(struct walker *walker)
{
    free(walker->room);
    gr_forecaster_free(walker->forecaster);
    record_free(&walker->record);
}

static int create_walker(struct walker *walker, const struct gr_lesson *lesson, struct gr_error *error)
{
    *walker = (struct walker){.room = NULL};
    int status = record_create(&walker->record, lesson, error);
    if (status != GR_OK) {
        return status;
    }
    status = gr_forecaster_create(&walker->forecaster, lesson, error);
    if (status != GR_OK) {
        record_free(&walker->record);
        return status;
    }
    walker->room = malloc((size_t)(reach_s / lesson->series.step_s) * sizeof *walker->room);
    if (!walker->room) {
        free_walker(walker);
        return gr_error_set(error, GR_NO_MEMORY, "no memory for a forecast");
    }
    return GR_OK;
}

int gr_forecast_evaluate(struct gr_forecast_score *out, const struct gr_lesson *lesson,
                         struct gr_error *error)
{
    struct walker walker;
    *out = (struct gr_forecast_score){.slots = 0};
    int status = create_walker(&walker, lesson, error);
    if (status != GR_OK) {
        return status;
    }
    status = walk(out, walker.forecaster, &walker.record, lesson->zone, walker.room, error);
    close_score(out);
    free_walker(&walker);
    return status;
}

int gr_forecast_after(struct gr_forecast_slot *out, size_t slots, const struct gr_lesson *lesson,
                      struct gr_error *error)
{
    struct walker walker;
    int status = create_walker(&walker, lesson, error);
    if (status != GR_OK) {
        return status;
    }
    status = walk(NULL, walker.forecaster, &walker.record, lesson->zone, walker.room, error);
    if (status == GR_OK) {
        status = gr_forecaster_next(walker.forecaster, lesson->series.count, slots, out, error);
    }
    free_walker(&walker);
    return status;
}
