#include "discover/fit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Common practice, no source: a house, its battery and its sun stay below this. */
static const double most_kw = 60;
static const double standby_kw = 0.02; /* no lived-in house draws less for long */
static const double least_car_kw =
    1; /* IEC 61851-1: a car draws 6 A or nothing, 1.4 kW at 230 V; here some less */
static const double least_power_range = 0.2;

/* ---- one series on common points ---- */

/* The newest value at a moment, the oldest one before the first. */
static double value_at(const struct gr_topic_series *series, int64_t mono_ms)
{
    if (series->count == 0) {
        return series->last;
    }
    size_t low = 0, high = series->count;
    while (high - low > 1) {
        size_t middle = (low + high) / 2;
        if (series->samples[middle].mono_ms <= mono_ms) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return series->samples[low].value;
}

static double factor_of(enum gr_unit unit)
{
    return unit == GR_UNIT_W ? 0.001 : unit == GR_UNIT_RATIO ? 100 : 1;
}

static void lay_out(struct gr_field *field, struct gr_candidate *candidate, int64_t from_ms, int64_t to_ms)
{
    const struct gr_topic_series *series = &field->series[candidate->series];
    double factor = factor_of(candidate->unit);
    for (size_t i = 0; i < field->points; i++) {
        int64_t at_ms = from_ms + (to_ms - from_ms) * (int64_t)i / (int64_t)field->points;
        candidate->value[i] = factor * value_at(series, at_ms);
    }
    for (size_t i = 0; i + field->lag < field->points; i++) {
        candidate->step[i] = candidate->value[i + field->lag] - candidate->value[i];
    }
    candidate->least = factor * series->least;
    candidate->greatest = factor * series->greatest;
    candidate->direction = candidate->least < 0 && -candidate->least > 20 * candidate->greatest ? -1 : 1;
}

/* ---- plausibility ---- */

/* Energy registers, clocks and counts of messages only ever rise. */
static bool is_counter(const struct gr_topic_series *series)
{
    double before = series->count ? series->samples[0].value : 0;
    size_t rises = 0;
    for (size_t i = 1; i < series->count; i++) {
        if (series->samples[i].value < before) {
            return false;
        }
        rises += series->samples[i].value > before;
        before = series->samples[i].value;
    }
    return rises >= 4 && 4 * rises > series->count && series->least > 1;
}

static size_t count_levels(const struct gr_topic_series *series)
{
    double levels[4];
    size_t count = 0;
    for (size_t i = 0; i < series->count && count < 4; i++) {
        bool known_level = false;
        for (size_t k = 0; k < count; k++) {
            known_level = known_level || levels[k] == series->samples[i].value;
        }
        if (!known_level) {
            levels[count++] = series->samples[i].value;
        }
    }
    return count;
}

static bool is_whole(const struct gr_topic_series *series)
{
    for (size_t i = 0; i < series->count; i++) {
        if (series->samples[i].value != floor(series->samples[i].value)) {
            return false;
        }
    }
    return true;
}

static double share_near_zero(const struct gr_candidate *candidate, size_t points)
{
    size_t near = 0;
    for (size_t i = 0; i < points; i++) {
        near += fabs(candidate->value[i]) < standby_kw / 2;
    }
    return (double)near / (double)points;
}

/* What speaks for watts or kilowatts, whatever the role. */
static double suit_unit(const struct gr_topic_series *series, enum gr_unit unit)
{
    double greatest = fmax(fabs(series->least), fabs(series->greatest));
    if (greatest == 0) {
        return unit == GR_UNIT_W ? 0.2 : 0; /* nothing to see: meters mostly count in watts */
    }
    if (unit == GR_UNIT_W) {
        return greatest > 1000 * most_kw ? -8 : greatest >= 60 ? 0.5 : is_whole(series) ? -0.5 : -2;
    }
    return greatest > most_kw ? -8 : greatest > 25 ? -3 : is_whole(series) && greatest > 0 ? -1.5 : 0;
}

static double suit_as_power(const struct gr_field *field, const struct gr_candidate *candidate)
{
    const struct gr_topic_series *series = &field->series[candidate->series];
    double greatest = fmax(fabs(series->least), fabs(series->greatest));
    double suits = suit_unit(series, candidate->unit);
    suits += gr_names_hold_unit(field->names, candidate->series, candidate->unit) ? 2 : 0;
    suits -= is_counter(series) ? 6 : 0;
    suits -= series->live == 0 ? 3 : 0;
    /* Voltages, frequencies, temperatures move little beside what they are. */
    suits -= series->greatest - series->least < least_power_range * greatest ? 1.5 : 0;
    return suits;
}

/* What the sign, the zeros and the range say about each power. */
static void suit_roles(const struct gr_field *field, struct gr_candidate *candidate)
{
    double zeros = share_near_zero(candidate, field->points);
    double slack_kw = 0.02 * fmax(fabs(candidate->least), fabs(candidate->greatest)) + 0.01;
    bool both_ways = candidate->least < -slack_kw && candidate->greatest > slack_kw;
    double *suits = candidate->suits;
    suits[GR_GRID_POWER] += both_ways ? 0.7 : 0;
    suits[GR_BATTERY_POWER] += both_ways ? 0.7 : 0;
    suits[GR_SOLAR_POWER] -= both_ways ? 5 : 0;
    suits[GR_HOUSE_POWER] -= both_ways ? 5 : 0;
    suits[GR_CAR_POWER] -= both_ways ? 5 : 0;
    suits[GR_HOUSE_POWER] += zeros > 0.05 ? -1.5 : 0.5;
    suits[GR_CAR_POWER] -= zeros < 0.05 ? 1 : 0;
    suits[GR_CAR_POWER] -= candidate->greatest > standby_kw && candidate->greatest < least_car_kw ? 5 : 0;
}

/* Stored energy moves slowly: a share that goes further from point to point than over the lag is noise. */
static bool is_restless(const struct gr_field *field, const struct gr_candidate *candidate)
{
    double near = 0, far = 0;
    for (size_t i = 0; i + field->lag < field->points; i++) {
        near += fabs(candidate->value[i + 1] - candidate->value[i]);
        far += fabs(candidate->step[i]);
    }
    return near > 0.5 * far && near > 0;
}

static void suit(const struct gr_field *field, struct gr_candidate *candidate)
{
    const char *word;
    const struct gr_topic_series *series = &field->series[candidate->series];
    bool power = candidate->unit == GR_UNIT_W || candidate->unit == GR_UNIT_KW;
    double alone = power ? suit_as_power(field, candidate) : series->live == 0 ? -1 : 0;
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        bool fits = power == (channel != GR_STATE_OF_CHARGE) && channel <= GR_CAR_POWER;
        candidate->suits[channel] =
            fits ? alone + gr_names_suit(field->names, candidate->series, (enum gr_channel)channel, &word)
                 : -INFINITY;
    }
    if (power) {
        suit_roles(field, candidate);
    } else {
        candidate->suits[GR_STATE_OF_CHARGE] -= is_restless(field, candidate) ? 3 : 0;
    }
}

/* ---- choosing candidates ---- */

static double best_suit(const struct gr_candidate *candidate)
{
    double best = -INFINITY;
    for (int channel = 0; channel <= GR_CAR_POWER; channel++) {
        best = fmax(best, candidate->suits[channel]);
    }
    return best;
}

static void offer(struct gr_field *field, const struct gr_candidate *candidate)
{
    size_t worst = 0;
    if (field->count < GR_FIT_CANDIDATES) {
        field->candidates[field->count++] = *candidate;
        return;
    }
    for (size_t i = 1; i < field->count; i++) {
        worst = best_suit(&field->candidates[i]) < best_suit(&field->candidates[worst]) ? i : worst;
    }
    if (best_suit(candidate) > best_suit(&field->candidates[worst])) {
        field->candidates[worst] = *candidate;
    }
}

static void offer_as(struct gr_field *field, size_t series, enum gr_unit unit, int64_t from_ms, int64_t to_ms)
{
    struct gr_candidate candidate = {.series = series, .unit = unit};
    lay_out(field, &candidate, from_ms, to_ms);
    suit(field, &candidate);
    offer(field, &candidate);
}

/* From when on most series have spoken, at the latest a quarter of the time in, to the last word. */
static void find_span(const struct gr_topic_series *series, size_t count, int64_t *from_ms, int64_t *to_ms)
{
    int64_t first_ms = INT64_MAX, last_ms = INT64_MIN;
    for (size_t i = 0; i < count; i++) {
        if (series[i].live > 0) {
            first_ms = series[i].first_ms < first_ms ? series[i].first_ms : first_ms;
            last_ms = series[i].last_ms > last_ms ? series[i].last_ms : last_ms;
        }
    }
    int64_t begin_ms = first_ms;
    for (size_t i = 0; i < count; i++) {
        if (series[i].live > 1 && series[i].first_ms > begin_ms &&
            series[i].first_ms - first_ms <= (last_ms - first_ms) / 4) {
            begin_ms = series[i].first_ms;
        }
    }
    *from_ms = first_ms == INT64_MAX ? 0 : begin_ms;
    *to_ms = first_ms == INT64_MAX ? 1 : last_ms + 1;
}

void gr_field_fill(struct gr_field *field, const struct gr_topic_series *series, size_t count,
                   const struct gr_names *names)
{
    int64_t from_ms, to_ms;
    find_span(series, count, &from_ms, &to_ms);
    field->series = series;
    field->names = names;
    field->count = 0;
    field->points = GR_FIT_POINTS;
    field->lag = GR_FIT_POINTS / 16;
    field->lag_hours = (double)(to_ms - from_ms) / 3.6e6 * (double)field->lag / (double)field->points;
    for (size_t i = 0; i < count; i++) {
        offer_as(field, i, GR_UNIT_W, from_ms, to_ms);
        offer_as(field, i, GR_UNIT_KW, from_ms, to_ms);
        if (series[i].least >= 0 && series[i].greatest <= 102) {
            bool ratio = series[i].greatest <= 1 && !is_whole(&series[i]);
            offer_as(field, i, ratio ? GR_UNIT_RATIO : GR_UNIT_PERCENT, from_ms, to_ms);
        }
    }
}

double gr_field_follow(const struct gr_field *field, size_t state, size_t battery, double sign,
                       double *capacity_kwh)
{
    const struct gr_candidate *percent = &field->candidates[state], *power = &field->candidates[battery];
    double together = 0, moved = 0, charged = 0;
    *capacity_kwh = NAN;
    if (count_levels(&field->series[percent->series]) < 4) {
        return 0;
    }
    for (size_t i = 0; i + field->lag < field->points; i++) {
        double kwh = 0;
        for (size_t k = i; k < i + field->lag; k++) {
            kwh += sign * power->value[k] * field->lag_hours / (double)field->lag;
        }
        together += kwh * percent->step[i];
        moved += percent->step[i] * percent->step[i];
        charged += kwh * kwh;
    }
    if (!(moved > 0 && charged > 0)) {
        return 0;
    }
    *capacity_kwh = together > 0 ? 100 * charged / together : NAN;
    return together / sqrt(moved * charged);
}
