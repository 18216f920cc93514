#include "forecast/record.h"

#include "granary/civil.h"
#include "granary/sun.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { SUNDAY = 7 }; /* a holiday counts as one */

static int check(const struct gr_series *series, struct gr_error *error)
{
    if (series->step_s < 300 || series->step_s > 3600 || 3600 % series->step_s != 0) {
        return gr_error_set(error, GR_INVALID,
                            "forecast: slots of %d s, a divisor of 3600 from 300 on expected",
                            (int)series->step_s);
    }
    if (series->count == 0 || series->count > (size_t)1 << 28) {
        return gr_error_set(error, GR_INVALID, "forecast: a series of %zu slots, 1 to 268435456 expected",
                            series->count);
    }
    for (size_t i = 0; i < series->count; i++) {
        if (isinf(series->kw[i]) || series->kw[i] < 0) {
            return gr_error_set(error, GR_INVALID, "forecast: slot %zu has %g kW, 0 or more expected", i,
                                series->kw[i]);
        }
    }
    return GR_OK;
}

static void place(struct record *record, const struct gr_lesson *lesson)
{
    int64_t step_s = record->series.step_s;
    for (size_t i = 0; i < record->places; i++) {
        int64_t utc_s = record->series.start_s + (int64_t)i * step_s;
        int32_t offset_s = gr_zone_offset_s(lesson->zone, utc_s);
        int64_t local_s = utc_s + offset_s + step_s / 2;
        bool holiday = lesson->holidays && gr_is_holiday(lesson->holidays, gr_civil_day(local_s));
        record->weekday[i] = holiday ? SUNDAY : (unsigned char)gr_civil_weekday(local_s);
        record->offset_s[i] = lesson->kind == GR_FORECAST_LOAD ? offset_s : 0;
        record->scale[i] = 1;
    }
}

/* The arrays' power under a clear sky, where there are arrays. */
static int find_clear_sky(struct record *record, const struct gr_lesson *lesson)
{
    if (lesson->kind != GR_FORECAST_SUN || !lesson->site || lesson->site->array_count == 0) {
        return GR_OK;
    }
    record->clear_kw = malloc(record->places * sizeof *record->clear_kw);
    if (!record->clear_kw) {
        return GR_NO_MEMORY;
    }
    for (size_t i = 0; i < record->places; i++) {
        int64_t utc_s = record->series.start_s + (int64_t)i * record->series.step_s;
        record->clear_kw[i] = gr_site_solar_kw(lesson->site, utc_s, utc_s + record->series.step_s, 1);
    }
    return GR_OK;
}

int record_create(struct record *record, const struct gr_lesson *lesson, struct gr_error *error)
{
    const struct gr_series *series = &lesson->series;
    *record = (struct record){.series = *series};
    int status = check(series, error);
    if (status != GR_OK) {
        return status;
    }
    record->per_hour = (size_t)(3600 / series->step_s);
    record->per_day = 24 * record->per_hour;
    record->places = series->count + (size_t)(RECORD_AHEAD_S / series->step_s);
    record->offset_s = malloc(record->places * sizeof *record->offset_s);
    record->weekday = malloc(record->places * sizeof *record->weekday);
    record->scale = calloc(record->places, sizeof *record->scale);
    record->sum = calloc(series->count + 1, sizeof *record->sum);
    record->scale_sum = calloc(series->count + 1, sizeof *record->scale_sum);
    if (!record->offset_s || !record->weekday || !record->scale || !record->sum || !record->scale_sum ||
        find_clear_sky(record, lesson) != GR_OK) {
        record_free(record);
        return gr_error_set(error, GR_NO_MEMORY, "no memory for a forecast");
    }
    place(record, lesson);
    record_sum(record, 0, series->count);
    return GR_OK;
}

void record_free(struct record *record)
{
    free(record->offset_s);
    free(record->weekday);
    free(record->scale);
    free(record->clear_kw);
    free(record->sum);
    free(record->scale_sum);
    memset(record, 0, sizeof *record);
}

/* Time-weighted mean of a series over an interval; NAN where any of it is not known. */
static double mean_over(const struct gr_series *series, int64_t start_s, int64_t end_s)
{
    double sum = 0;
    for (int64_t at_s = start_s; at_s < end_s;) {
        int64_t number = (at_s - series->start_s) / series->step_s;
        if (at_s < series->start_s || number >= (int64_t)series->count) {
            return NAN;
        }
        int64_t until_s = series->start_s + (number + 1) * series->step_s;
        until_s = until_s < end_s ? until_s : end_s;
        sum += series->kw[number] * (double)(until_s - at_s);
        at_s = until_s;
    }
    return sum / (double)(end_s - start_s);
}

void record_measure_by(struct record *record, const struct gr_series *weather)
{
    for (size_t i = 0; i < record->places; i++) {
        int64_t utc_s = record->series.start_s + (int64_t)i * record->series.step_s;
        record->scale[i] = mean_over(weather, utc_s, utc_s + record->series.step_s);
    }
    record_sum(record, 0, record->series.count);
}

void record_sum(struct record *record, size_t first, size_t end)
{
    for (size_t i = first; i < end; i++) {
        bool known = !isnan(record->series.kw[i]) && !isnan(record->scale[i]);
        record->sum[i + 1] = record->sum[i] + (known ? record->series.kw[i] : 0);
        record->scale_sum[i + 1] = record->scale_sum[i] + (known ? record->scale[i] : 0);
    }
}

size_t record_back(const struct record *record, size_t slot, size_t days)
{
    if (days * record->per_day > slot) {
        return SIZE_MAX;
    }
    size_t there = slot - days * record->per_day;
    int64_t shift = (record->offset_s[slot] - record->offset_s[there]) / record->series.step_s;
    int64_t moved = (int64_t)there + shift;
    return moved < 0 ? SIZE_MAX : (size_t)moved;
}

double record_level(const struct record *record, size_t end, size_t length)
{
    size_t from = length < end ? end - length : 0;
    double scale = record->scale_sum[end] - record->scale_sum[from];
    return scale > 1e-9 ? (record->sum[end] - record->sum[from]) / scale : NAN;
}

bool record_weekend(const struct record *record, size_t slot)
{
    return record->weekday[slot] >= 6;
}
