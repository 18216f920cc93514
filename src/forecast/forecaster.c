#include "forecast/envelope.h"
#include "forecast/experts.h"
#include "forecast/kernel.h"
#include "forecast/naive.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The memories of the kernel come first. */
enum { AVERAGE = MEMORIES, LAST_28_DAYS, WIDER, NARROWER, WEATHER, HALF_WEATHER };

static const double wider = 1.25;
static const double narrower = 0.8;

/* A forecast that was made and waits for the truth. */
struct pending {
    size_t slot;
    struct opinions opinions;
    double feature_kw[FEATURES];
    double untrimmed_kw; /* the mean */
    struct gr_forecast_slot given;
};

struct gr_forecaster {
    enum gr_forecast_kind kind;
    struct record record;
    struct kernel kernel;
    struct record bright; /* the same values measured by irradiance, where that is given */
    struct kernel bright_kernel;
    struct experts experts;
    struct ridge ridge;
    struct trim trim;
    struct pending *pending; /* in the order they were made */
    size_t pending_count, pending_room;
    size_t from; /* of the last forecast */
};

static bool sees_weather(const struct gr_forecaster *forecaster)
{
    return forecaster->experts.count > WEATHER;
}

static int create_parts(struct gr_forecaster *made, const struct gr_lesson *lesson, struct gr_error *error)
{
    bool sun = lesson->kind == GR_FORECAST_SUN;
    int status = record_create(&made->record, lesson, error);
    made->experts.count = WEATHER;
    if (status == GR_OK &&
        kernel_create(&made->kernel, &made->record, sun ? &kernel_of_sun : &kernel_of_load) != GR_OK) {
        status = gr_error_set(error, GR_NO_MEMORY, "no memory for a forecast");
    }
    if (status != GR_OK || !sun || !lesson->weather) {
        return status;
    }
    status = record_create(&made->bright, lesson, error);
    if (status != GR_OK) {
        return status;
    }
    record_measure_by(&made->bright, lesson->weather);
    made->experts.count = EXPERTS;
    return kernel_create(&made->bright_kernel, &made->bright, &kernel_of_weather) == GR_OK
               ? GR_OK
               : gr_error_set(error, GR_NO_MEMORY, "no memory for a forecast");
}

int gr_forecaster_create(struct gr_forecaster **out, const struct gr_lesson *lesson, struct gr_error *error)
{
    struct gr_forecaster *made = calloc(1, sizeof *made);
    int status = GR_NO_MEMORY;
    *out = NULL;
    if (!made) {
        return gr_error_set(error, status, "no memory for a forecast");
    }
    made->kind = lesson->kind;
    trim_init(&made->trim);
    status = create_parts(made, lesson, error);
    if (status != GR_OK) {
        gr_forecaster_free(made);
        return status;
    }
    *out = made;
    return GR_OK;
}

void gr_forecaster_free(struct gr_forecaster *forecaster)
{
    if (forecaster) {
        kernel_free(&forecaster->kernel);
        record_free(&forecaster->record);
        kernel_free(&forecaster->bright_kernel);
        record_free(&forecaster->bright);
        free(forecaster->pending);
        free(forecaster);
    }
}

static double mean_before(const struct record *record, size_t from, size_t days)
{
    size_t length = days * record->per_day;
    size_t first = from > length ? from - length : 0;
    return (record->sum[from] - record->sum[first]) / (double)(from - first);
}

/* What makes houses comparable: the mean power of the last four weeks, with a floor for houses that stood
 * empty. The last day alone must not matter: weights that follow the truth would bend the regression. */
static double unit_of(const struct record *record, size_t from)
{
    double ever_kw = record->sum[from] / (double)from;
    return fmax(fmax(mean_before(record, from, 28), ever_kw / 4), 1e-3);
}

/* Learns from the forecasts whose slots are over. */
static void learn(struct gr_forecaster *forecaster, size_t from, double unit_kw)
{
    const struct record *record = &forecaster->record;
    size_t days = (from - forecaster->from + record->per_day / 2) / record->per_day;
    double share = 1 / (double)record->per_day;
    size_t done = 0;
    for (; days > 0; days--) {
        experts_fade(&forecaster->experts);
        ridge_fade(&forecaster->ridge);
        trim_fade(&forecaster->trim);
    }
    for (; done < forecaster->pending_count && forecaster->pending[done].slot < from; done++) {
        const struct pending *past = &forecaster->pending[done];
        double true_kw = record->series.kw[past->slot];
        if (!isnan(true_kw)) {
            experts_learn(&forecaster->experts, &past->opinions, true_kw, unit_kw, share);
            ridge_learn(&forecaster->ridge, past->feature_kw, true_kw, unit_kw, share);
            trim_learn(&forecaster->trim, &past->given, past->untrimmed_kw, true_kw, unit_kw, share);
        }
    }
    forecaster->pending_count -= done;
    memmove(forecaster->pending, forecaster->pending + done,
            forecaster->pending_count * sizeof *forecaster->pending);
    forecaster->from = from;
    ridge_solve(&forecaster->ridge);
}

static int make_room(struct gr_forecaster *forecaster, size_t more)
{
    size_t wanted = forecaster->pending_count + more;
    if (wanted <= forecaster->pending_room) {
        return GR_OK;
    }
    struct pending *larger = realloc(forecaster->pending, wanted * sizeof *larger);
    if (!larger) {
        return GR_NO_MEMORY;
    }
    forecaster->pending = larger;
    forecaster->pending_room = wanted;
    return GR_OK;
}

/* A band drawn wider or narrower around its middle. */
static void stretch(double *out_kw, const double *quantile_kw, double factor)
{
    double middle_kw = quantile_kw[GR_QUANTILES / 2];
    for (size_t q = 0; q < GR_QUANTILES; q++) {
        out_kw[q] = fmax(0, middle_kw + factor * (quantile_kw[q] - middle_kw));
    }
}

static void set_experts(struct pending *made, const struct kernel_answer *answer, const struct naive *naive)
{
    double *average_kw = made->opinions.kw[AVERAGE];
    for (size_t q = 0; q < GR_QUANTILES; q++) {
        double sum = 0;
        for (size_t m = 0; m < MEMORIES; m++) {
            made->opinions.kw[m][q] = answer->quantile_kw[m][q];
            sum += answer->quantile_kw[m][q];
        }
        average_kw[q] = sum / MEMORIES;
    }
    memcpy(made->opinions.kw[LAST_28_DAYS], naive->quantile_kw, sizeof naive->quantile_kw);
    stretch(made->opinions.kw[WIDER], average_kw, wider);
    stretch(made->opinions.kw[NARROWER], average_kw, narrower);
}

/* Draws the kernel's quantiles halfway to yesterday's course and to yesterday's clearness: what a bright or a
 * dull day is like tells less of tomorrow than that it was today. The outer quantiles move half as far, so
 * that the band stays wide. */
static void lean_on_yesterday(struct pending *made, double yesterday_kw, double persistence_kw)
{
    for (size_t e = 0; e < WEATHER; e++) {
        double *quantile_kw = made->opinions.kw[e];
        double shift_kw = ((yesterday_kw + persistence_kw) / 2 - quantile_kw[GR_QUANTILES / 2]) / 2;
        for (size_t q = 0; e != LAST_28_DAYS && q < GR_QUANTILES; q++) {
            double share = q == GR_QUANTILES / 2 ? 1 : 0.5;
            quantile_kw[q] = fmax(0, quantile_kw[q] + share * shift_kw);
        }
        sort_few(quantile_kw, GR_QUANTILES);
    }
}

/* What irradiance says, alone and halfway to what the days say; that alone where it says nothing. Returns the
 * mean. */
static double set_weather(struct gr_forecaster *forecaster, struct pending *made, double mean_kw)
{
    struct kernel_answer answer;
    double(*kw)[GR_QUANTILES] = made->opinions.kw;
    double irradiance = forecaster->bright.scale[made->slot];
    bool known = !isnan(irradiance) && kernel_ask(&forecaster->bright_kernel, made->slot, &answer);
    double share = known ? 1 : 0;
    for (size_t q = 0; q < GR_QUANTILES; q++) {
        double sum = 0;
        for (size_t m = 0; m < MEMORIES; m++) {
            sum += known ? answer.quantile_kw[m][q] : 0;
        }
        kw[WEATHER][q] = share * sum / MEMORIES + (1 - share) * kw[AVERAGE][q];
        kw[HALF_WEATHER][q] = (kw[WEATHER][q] + kw[AVERAGE][q]) / 2;
    }
    return known ? (answer.mean_kw[0] + answer.mean_kw[1] + answer.mean_kw[2]) / MEMORIES : mean_kw;
}

static void set_features(struct pending *made, const struct kernel_answer *answer, const struct naive *naive,
                         double unit_kw)
{
    double feature_kw[FEATURES] = {(answer->mean_kw[0] + answer->mean_kw[1] + answer->mean_kw[2]) / MEMORIES,
                                   answer->mean_kw[0],
                                   answer->mean_kw[2],
                                   naive->kw[GR_YESTERDAY],
                                   naive->kw[GR_LAST_WEEK],
                                   naive->kw[GR_LIKE_DAYS],
                                   naive->kw[GR_LAST_7_DAYS],
                                   naive->mean_28_kw,
                                   unit_kw,
                                   0};
    memcpy(made->feature_kw, feature_kw, sizeof feature_kw);
}

static void forecast_slot(struct gr_forecaster *forecaster, size_t slot, double unit_kw,
                          struct gr_forecast_slot *out)
{
    const struct record *record = &forecaster->record;
    struct kernel_answer answer;
    struct naive naive;
    *out = (struct gr_forecast_slot){{0}, 0};
    if (!naive_forecast(&naive, record, forecaster->from, slot)) {
        return;
    }
    if (!kernel_ask(&forecaster->kernel, slot, &answer)) {
        memcpy(out->quantile_kw, naive.quantile_kw, sizeof out->quantile_kw);
        out->mean_kw = naive.mean_28_kw;
        return;
    }
    struct pending *made = &forecaster->pending[forecaster->pending_count++];
    made->slot = slot;
    set_experts(made, &answer, &naive);
    if (forecaster->kind == GR_FORECAST_SUN) {
        double clearness = record_level(record, forecaster->from, record->per_day);
        double yesterday_kw = naive.kw[GR_YESTERDAY];
        double persistence_kw = isnan(clearness) ? yesterday_kw : clearness * record->scale[slot];
        lean_on_yesterday(made, yesterday_kw, persistence_kw);
    }
    set_features(made, &answer, &naive, unit_kw);
    if (sees_weather(forecaster)) {
        double weather_kw = set_weather(forecaster, made, made->feature_kw[0]);
        made->feature_kw[FEATURES - 1] = weather_kw;
        made->feature_kw[0] = (made->feature_kw[0] + weather_kw) / 2;
    }
    experts_mix(&forecaster->experts, &made->opinions, out->quantile_kw);
    made->untrimmed_kw = ridge_forecast(&forecaster->ridge, made->feature_kw, 1);
    out->mean_kw = made->untrimmed_kw;
    /* The sun's nights are always right, which says nothing of its days. */
    if (forecaster->kind == GR_FORECAST_LOAD) {
        trim_quantiles(&forecaster->trim, out->quantile_kw);
        out->mean_kw = ridge_forecast(&forecaster->ridge, made->feature_kw, trim_ratio(&forecaster->trim));
    }
    made->given = *out;
}

int gr_forecaster_next(struct gr_forecaster *forecaster, size_t from, size_t slots,
                       struct gr_forecast_slot *out, struct gr_error *error)
{
    struct record *record = &forecaster->record;
    if (from < forecaster->from || from > record->series.count ||
        slots > record->places - record->series.count) {
        return gr_error_set(error, GR_INVALID, "forecast: %zu slots from number %zu on are out of range",
                            slots, from);
    }
    if (from < record->per_day) {
        return gr_error_set(error, GR_NOT_FOUND,
                            "forecast: nothing is known before slot %zu, a day is needed", from);
    }
    if (make_room(forecaster, slots) != GR_OK) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for a forecast");
    }
    double unit_kw = unit_of(record, from);
    learn(forecaster, from, unit_kw);
    if (forecaster->kind == GR_FORECAST_SUN) {
        envelope_fit(record, from, slots);
    }
    kernel_aim(&forecaster->kernel, from);
    if (sees_weather(forecaster)) {
        kernel_aim(&forecaster->bright_kernel, from);
    }
    for (size_t i = 0; i < slots; i++) {
        forecast_slot(forecaster, from + i, unit_kw, &out[i]);
    }
    return GR_OK;
}
