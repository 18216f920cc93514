/* The forecaster: what it may look at, what it does with odd data, and how it is scored. */
#include "check.h"

#include "forecast/experts.h"
#include "granary/forecast.h"
#include "granary/sun.h"

#include <stdlib.h>

enum { DAYS = 70, PER_DAY = 48, SLOTS = DAYS * PER_DAY, AHEAD = 64 };

static const int64_t start_s = 1767225600; /* 2026-01-01T00:00:00Z, a Thursday */

struct bench {
    double kw[SLOTS];
    struct gr_zone *zone;
    struct gr_lesson lesson;
};

static double next_random(uint64_t *seed)
{
    *seed = *seed * 6364136223846793005u + 1442695040888963407u;
    return (double)(*seed >> 11) / 9007199254740992.0;
}

/* A house with habits, moods and, for the sun, nights. */
static void fill(struct bench *bench, enum gr_forecast_kind kind, uint64_t seed)
{
    for (size_t i = 0; i < SLOTS; i++) {
        double hour = (double)(i % PER_DAY) / 2;
        double sun = fmax(0, 3 * sin((hour - 6) * 3.14159265 / 12));
        double load = 0.3 + (hour > 17 && hour < 22 ? 1.2 : 0.1) + next_random(&seed);
        bench->kw[i] = kind == GR_FORECAST_SUN ? sun * (0.2 + 0.8 * next_random(&seed)) : load;
    }
}

static struct bench *bench_new(enum gr_forecast_kind kind)
{
    struct bench *bench = calloc(1, sizeof *bench);
    assert_non_null(bench);
    assert_int_equal(gr_zone_fixed(&bench->zone, "UTC", 0, NULL), GR_OK);
    bench->lesson =
        (struct gr_lesson){.kind = kind,
                           .series = {.start_s = start_s, .step_s = 1800, .count = SLOTS, .kw = bench->kw},
                           .zone = bench->zone};
    fill(bench, kind, 11);
    return bench;
}

static void bench_free(struct bench *bench)
{
    gr_zone_free(bench->zone);
    free(bench);
}

static struct gr_forecaster *learn(const struct gr_lesson *lesson)
{
    struct gr_forecaster *forecaster = NULL;
    struct gr_error error = {""};
    if (gr_forecaster_create(&forecaster, lesson, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
    return forecaster;
}

/* All forecasts made at 16:00 up to the day, one after the other. */
static void walk(const struct gr_lesson *lesson, size_t days, struct gr_forecast_slot *out)
{
    struct gr_forecaster *forecaster = learn(lesson);
    for (size_t day = 1; day < days; day++) {
        assert_int_equal(gr_forecaster_next(forecaster, day * PER_DAY + 32, AHEAD, out + day * AHEAD, NULL),
                         GR_OK);
    }
    gr_forecaster_free(forecaster);
}

static void check_cut(enum gr_forecast_kind kind, bool spoil)
{
    static const size_t cut_days[] = {2, 8, 29, 50, 69};
    struct bench *bench = bench_new(kind);
    struct gr_forecast_slot *whole = calloc(DAYS * AHEAD, sizeof *whole);
    struct gr_forecast_slot *cut = calloc(DAYS * AHEAD, sizeof *cut);
    assert_true(whole && cut);
    walk(&bench->lesson, DAYS, whole);
    for (size_t i = 0; i < sizeof cut_days / sizeof *cut_days; i++) {
        size_t end = (cut_days[i] - 1) * PER_DAY + 32;
        if (spoil) {
            fill(bench, kind, 11);
            for (size_t late = end; late < SLOTS; late++) {
                bench->kw[late] = late % 3 ? 77 : NAN;
            }
        } else {
            bench->lesson.series.count = end;
        }
        walk(&bench->lesson, cut_days[i], cut);
        assert_memory_equal(cut + AHEAD, whole + AHEAD, (cut_days[i] - 1) * AHEAD * sizeof *cut);
    }
    free(whole);
    free(cut);
    bench_free(bench);
}

static void what_comes_after_a_moment_changes_no_forecast_made_before_it(void **state)
{
    (void)state;
    check_cut(GR_FORECAST_LOAD, false);
    check_cut(GR_FORECAST_LOAD, true);
    check_cut(GR_FORECAST_SUN, false);
    check_cut(GR_FORECAST_SUN, true);
}

/* The sun's true course is what the weather says, times 3 kW; the weather of other days differs at random. */
static void irradiance_that_is_told_beforehand_is_followed(void **state)
{
    (void)state;
    struct bench *bench = bench_new(GR_FORECAST_SUN);
    struct gr_forecast_score blind, seeing;
    double irradiance[SLOTS / 2];
    struct gr_series weather = {.start_s = start_s, .step_s = 3600, .count = SLOTS / 2, .kw = irradiance};
    for (size_t i = 0; i < SLOTS / 2; i++) {
        irradiance[i] = (bench->kw[2 * i] + bench->kw[2 * i + 1]) / 6;
    }
    assert_int_equal(gr_forecast_evaluate(&blind, &bench->lesson, NULL), GR_OK);
    bench->lesson.weather = &weather;
    assert_int_equal(gr_forecast_evaluate(&seeing, &bench->lesson, NULL), GR_OK);
    assert_true(seeing.mae_kw < 0.8 * blind.mae_kw);
    assert_true(seeing.mean_rmse_kw < 0.8 * blind.mean_rmse_kw);
    bench_free(bench);
}

static void weather_that_ends_early_is_done_without(void **state)
{
    (void)state;
    struct bench *bench = bench_new(GR_FORECAST_SUN);
    struct gr_forecast_score blind, seeing;
    double irradiance[4] = {0, 0.1, NAN, 0.2};
    struct gr_series weather = {.start_s = start_s, .step_s = 3600, .count = 4, .kw = irradiance};
    assert_int_equal(gr_forecast_evaluate(&blind, &bench->lesson, NULL), GR_OK);
    bench->lesson.weather = &weather;
    assert_int_equal(gr_forecast_evaluate(&seeing, &bench->lesson, NULL), GR_OK);
    assert_true(seeing.mae_kw < 1.02 * blind.mae_kw);
    bench_free(bench);
}

/* A cloudless year at 48 degrees north: days grow by three minutes each in spring, which the best of the last
 * weeks lags. */
static void known_arrays_carry_the_clear_sky_through_the_season(void **state)
{
    (void)state;
    struct bench *bench = bench_new(GR_FORECAST_SUN);
    struct gr_forecast_score blind, seeing;
    struct gr_site site = {.latitude_deg = 48, .longitude_deg = 0, .array_count = 1};
    site.arrays[0] =
        (struct gr_solar_array){.peak_kw = 5, .tilt_deg = 30, .azimuth_deg = 180, .inverter_kw = 5};
    for (size_t i = 0; i < SLOTS; i++) {
        int64_t utc_s = start_s + (int64_t)i * 1800;
        bench->kw[i] = 0.7 * gr_site_solar_kw(&site, utc_s, utc_s + 1800, 1);
    }
    assert_int_equal(gr_forecast_evaluate(&blind, &bench->lesson, NULL), GR_OK);
    bench->lesson.site = &site;
    assert_int_equal(gr_forecast_evaluate(&seeing, &bench->lesson, NULL), GR_OK);
    assert_true(seeing.mae_kw < 0.9 * blind.mae_kw);
    bench_free(bench);
}

static void check_shape(const struct gr_forecast_slot *slot, double most_kw)
{
    double last_kw = 0;
    for (size_t q = 0; q < GR_QUANTILES; q++) {
        assert_true(slot->quantile_kw[q] >= last_kw && slot->quantile_kw[q] <= most_kw);
        last_kw = slot->quantile_kw[q];
    }
    assert_true(slot->mean_kw >= 0 && slot->mean_kw <= most_kw);
}

static void quantiles_rise_and_stay_within_what_was_seen(void **state)
{
    (void)state;
    for (int kind = 0; kind < 2; kind++) {
        struct bench *bench = bench_new((enum gr_forecast_kind)kind);
        struct gr_forecast_slot *made = calloc(DAYS * AHEAD, sizeof *made);
        assert_non_null(made);
        walk(&bench->lesson, DAYS, made);
        for (size_t i = AHEAD; i < DAYS * AHEAD; i++) {
            check_shape(&made[i], 6);
        }
        free(made);
        bench_free(bench);
    }
}

static void a_house_that_does_the_same_every_day_is_forecast_exactly(void **state)
{
    (void)state;
    struct bench *bench = bench_new(GR_FORECAST_LOAD);
    struct gr_forecast_score score;
    for (size_t i = 0; i < SLOTS; i++) {
        bench->kw[i] = 0.7;
    }
    assert_int_equal(gr_forecast_evaluate(&score, &bench->lesson, NULL), GR_OK);
    assert_true(score.slots > 0);
    assert_true(score.mae_kw < 1e-9 && score.pinball_kw < 1e-9 && score.mean_rmse_kw < 1e-3);
    assert_near(score.true_mean_kw, 0.7, 1e-12);
    assert_near(score.baseline[GR_YESTERDAY].mae_kw, 0, 1e-12);
    bench_free(bench);
}

/* Day n takes n kW all day, so that every simple forecast can be found by hand. Half of the scored slots lie
 * up to 24 h ahead; what they say of 16:00 to 24:00 comes from the days before, of the next day from the day
 * before at 16:00 to 24:00 and from the same day before 16:00. */
static void simple_forecasts_are_what_their_names_say(void **state)
{
    (void)state;
    struct bench *bench = bench_new(GR_FORECAST_LOAD);
    struct gr_forecast_score score;
    for (size_t i = 0; i < SLOTS; i++) {
        bench->kw[i] = (double)(i / PER_DAY);
    }
    bench->lesson.series.count = 30 * PER_DAY + 32; /* one more origin would lie at the end: two are scored */
    assert_int_equal(gr_forecast_evaluate(&score, &bench->lesson, NULL), GR_OK);
    assert_int_equal(score.slots, 64 + 48);
    /* Origins on days 28 and 29. Of the 64 slots, 16 on the first day, 32 on the next day before 16:00, 16
     * after. Yesterday is one day back for the first 48, two for the last 16 (only the first origin has these
     * within the series). */
    assert_near(score.baseline[GR_YESTERDAY].mae_kw, (96.0 * 1 + 16 * 2) / 112, 1e-12);
    assert_near(score.baseline[GR_LAST_WEEK].mae_kw, 7, 1e-12);
    assert_near(score.baseline[GR_LAST_7_DAYS].mae_kw, (96.0 * 4 + 16 * 5) / 112, 1e-12);
    assert_near(score.baseline[GR_YESTERDAY].pinball_kw,
                (96.0 * 1 + 16 * 2) / 112 * (0.1 + 0.25 + 0.5 + 0.75 + 0.9) / 5, 1e-12);
    assert_near(score.baseline[GR_LAST_28_DAYS].mae_kw, (96.0 * 14.5 + 16 * 15.5) / 112, 1.0);
    bench_free(bench);
}

static void unknown_slots_are_neither_learned_from_nor_scored(void **state)
{
    (void)state;
    struct bench *bench = bench_new(GR_FORECAST_LOAD);
    struct gr_forecast_score all, some;
    assert_int_equal(gr_forecast_evaluate(&all, &bench->lesson, NULL), GR_OK);
    for (size_t i = 40 * PER_DAY; i < 45 * PER_DAY; i++) {
        bench->kw[i] = NAN;
    }
    assert_int_equal(gr_forecast_evaluate(&some, &bench->lesson, NULL), GR_OK);
    /* Five days, of which the 16 slots after 16:00 are forecast twice each. */
    assert_int_equal(all.slots - some.slots, 5 * (PER_DAY + 16));
    assert_true(isfinite(some.mae_kw) && some.mae_kw < 1.2 * all.mae_kw);
    bench_free(bench);
}

static void a_house_that_stood_empty_comes_back_without_an_explosion(void **state)
{
    (void)state;
    struct bench *bench = bench_new(GR_FORECAST_LOAD);
    struct gr_forecast_slot *made = calloc(DAYS * AHEAD, sizeof *made);
    assert_non_null(made);
    memset(bench->kw, 0, 60 * PER_DAY * sizeof *bench->kw);
    walk(&bench->lesson, DAYS, made);
    for (size_t i = AHEAD; i < DAYS * AHEAD; i++) {
        check_shape(&made[i], 4);
    }
    /* After ten days of life, the mean is that of a living house. */
    assert_true(made[69 * AHEAD + 8].mean_kw > 0.5);
    free(made);
    bench_free(bench);
}

/* Truths spread evenly over 0 to 2, of which the band given out holds the middle fifth. */
static void a_band_that_is_passed_too_often_grows_until_it_is_not(void **state)
{
    (void)state;
    struct trim trim;
    uint64_t seed = 3;
    size_t inside = 0, late = 0;
    trim_init(&trim);
    for (size_t i = 0; i < 400 * PER_DAY; i++) {
        double true_kw = 2 * next_random(&seed);
        struct gr_forecast_slot given = {{0.4, 0.7, 1, 1.3, 1.6}, 0.8};
        trim_quantiles(&trim, given.quantile_kw);
        if (i >= 300 * PER_DAY) {
            late++;
            inside += true_kw >= given.quantile_kw[0] && true_kw <= given.quantile_kw[GR_QUANTILES - 1];
        }
        trim_learn(&trim, &given, given.mean_kw, true_kw, 1, 1.0 / PER_DAY);
        if (i % PER_DAY == 0) {
            trim_fade(&trim);
        }
    }
    assert_near((double)inside / (double)late, 0.8, 0.03);
    /* The mean is 1, what was said 0.8: half of the way and more, and never beyond a tenth. */
    assert_near(trim_ratio(&trim), 1.1, 1e-9);
}

static void too_little_data_gives_no_score_and_no_crash(void **state)
{
    (void)state;
    struct bench *bench = bench_new(GR_FORECAST_LOAD);
    struct gr_forecast_score score;
    struct gr_forecast_slot out[AHEAD];
    bench->lesson.series.count = 20 * PER_DAY;
    assert_int_equal(gr_forecast_evaluate(&score, &bench->lesson, NULL), GR_OK);
    assert_int_equal(score.slots, 0);
    assert_true(isnan(score.mae_kw));
    bench->lesson.series.count = 10;
    assert_int_equal(gr_forecast_after(out, AHEAD, &bench->lesson, NULL), GR_NOT_FOUND);
    bench_free(bench);
}

/* Every tenth weekday the house lives as on a Sunday: with 3 kW more in the evening. */
static void holidays_that_are_told_are_lived_as_sundays(void **state)
{
    (void)state;
    struct bench *bench = bench_new(GR_FORECAST_LOAD);
    struct gr_forecast_score blind, told;
    struct gr_holidays holidays = {{0}};
    size_t count = 0;
    for (size_t day = 0; day < DAYS; day++) {
        bool weekend = day % 7 == 2 || day % 7 == 3; /* the first day is a Thursday */
        bool holiday = day % 10 == 5 && !weekend;
        for (size_t i = 36; i < 44 && (weekend || holiday); i++) {
            bench->kw[day * PER_DAY + i] += 3;
        }
        if (holiday) {
            int month = day < 31 ? 1 : day < 59 ? 2 : 3;
            int of_month = (int)day + 1 - (month == 1 ? 0 : month == 2 ? 31 : 59);
            holidays.date[count++] = month * 100 + of_month;
        }
    }
    assert_int_equal(gr_forecast_evaluate(&blind, &bench->lesson, NULL), GR_OK);
    bench->lesson.holidays = &holidays;
    assert_int_equal(gr_forecast_evaluate(&told, &bench->lesson, NULL), GR_OK);
    assert_true(told.mae_kw < 0.95 * blind.mae_kw);
    assert_true(told.mean_rmse_kw < 0.95 * blind.mean_rmse_kw);
    bench_free(bench);
}

static void baselines_have_names_for_reports(void **state)
{
    (void)state;
    static const char *const names[GR_BASELINES] = {"yesterday", "last_week", "like_days", "last_7_days",
                                                    "last_28_days"};
    for (int i = 0; i < GR_BASELINES; i++) {
        assert_string_equal(gr_baseline_name((enum gr_baseline)i), names[i]);
    }
    assert_string_equal(gr_baseline_name(GR_BASELINES), "unknown");
}

static void series_out_of_shape_are_refused(void **state)
{
    (void)state;
    struct bench *bench = bench_new(GR_FORECAST_LOAD);
    struct gr_forecaster *forecaster = NULL;
    struct gr_error error = {""};
    bench->lesson.series.step_s = 1000;
    assert_int_equal(gr_forecaster_create(&forecaster, &bench->lesson, &error), GR_INVALID);
    assert_string_equal(error.text, "forecast: slots of 1000 s, a divisor of 3600 from 300 on expected");
    static const int32_t wrong_s[] = {299, 7200};
    for (size_t i = 0; i < 2; i++) {
        bench->lesson.series.step_s = wrong_s[i];
        assert_int_equal(gr_forecaster_create(&forecaster, &bench->lesson, &error), GR_INVALID);
    }
    bench->lesson.series.step_s = 1800;
    size_t count = bench->lesson.series.count;
    bench->lesson.series.count = 0;
    assert_int_equal(gr_forecaster_create(&forecaster, &bench->lesson, &error), GR_INVALID);
    assert_string_equal(error.text, "forecast: a series of 0 slots, 1 to 268435456 expected");
    bench->lesson.series.count = ((size_t)1 << 28) + 1;
    assert_int_equal(gr_forecaster_create(&forecaster, &bench->lesson, &error), GR_INVALID);
    bench->lesson.series.count = count;
    bench->kw[7] = -1;
    assert_int_equal(gr_forecaster_create(&forecaster, &bench->lesson, &error), GR_INVALID);
    assert_string_equal(error.text, "forecast: slot 7 has -1 kW, 0 or more expected");
    bench->kw[7] = INFINITY;
    assert_int_equal(gr_forecaster_create(&forecaster, &bench->lesson, &error), GR_INVALID);
    assert_null(forecaster);
    bench_free(bench);
}

static void a_forecast_back_in_time_is_refused(void **state)
{
    (void)state;
    struct bench *bench = bench_new(GR_FORECAST_LOAD);
    struct gr_forecaster *forecaster = learn(&bench->lesson);
    struct gr_forecast_slot out[AHEAD];
    assert_int_equal(gr_forecaster_next(forecaster, 500, AHEAD, out, NULL), GR_OK);
    assert_int_equal(gr_forecaster_next(forecaster, 499, AHEAD, out, NULL), GR_INVALID);
    assert_int_equal(gr_forecaster_next(forecaster, SLOTS + 1, AHEAD, out, NULL), GR_INVALID);
    gr_forecaster_free(forecaster);
    bench_free(bench);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_comes_after_a_moment_changes_no_forecast_made_before_it),
        cmocka_unit_test(quantiles_rise_and_stay_within_what_was_seen),
        cmocka_unit_test(a_house_that_does_the_same_every_day_is_forecast_exactly),
        cmocka_unit_test(simple_forecasts_are_what_their_names_say),
        cmocka_unit_test(unknown_slots_are_neither_learned_from_nor_scored),
        cmocka_unit_test(a_house_that_stood_empty_comes_back_without_an_explosion),
        cmocka_unit_test(a_band_that_is_passed_too_often_grows_until_it_is_not),
        cmocka_unit_test(too_little_data_gives_no_score_and_no_crash),
        cmocka_unit_test(holidays_that_are_told_are_lived_as_sundays),
        cmocka_unit_test(baselines_have_names_for_reports),
        cmocka_unit_test(series_out_of_shape_are_refused),
        cmocka_unit_test(irradiance_that_is_told_beforehand_is_followed),
        cmocka_unit_test(weather_that_ends_early_is_done_without),
        cmocka_unit_test(known_arrays_carry_the_clear_sky_through_the_season),
        cmocka_unit_test(a_forecast_back_in_time_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
