/* What is told of the weather: how it is taken, and what it does to the paths. */
#include "check.h"

#include "granary/weather.h"

#include <stdlib.h>

enum { DAYS = 34, PER_DAY = 48, AHEAD = 48 };

static const int64_t start_s = 1780272000; /* 2026-06-01T00:00:00Z */

struct bench {
    struct gr_zone *zone;
    struct gr_history *history;
    struct gr_weather *weather;
    struct gr_site site;
    struct gr_expectation expectation;
    int64_t bounds_s[AHEAD + 1];
    struct gr_paths paths;
};

static struct bench *bench_new(void)
{
    struct bench *bench = calloc(1, sizeof *bench);
    assert_non_null(bench);
    bench->expectation = (struct gr_expectation){.path_days = 14, .usual_clearness = 0.6};
    assert_int_equal(gr_zone_fixed(&bench->zone, "UTC", 0, NULL), GR_OK);
    assert_int_equal(gr_history_create(&bench->history), GR_OK);
    assert_int_equal(gr_weather_create(&bench->weather), GR_OK);
    for (int64_t i = 0; i <= AHEAD; i++) {
        bench->bounds_s[i] = start_s + ((int64_t)DAYS * PER_DAY + i) * GR_HISTORY_STEP_S;
    }
    return bench;
}

static void bench_free(struct bench *bench)
{
    gr_paths_free(&bench->paths);
    gr_weather_free(bench->weather);
    gr_history_free(bench->history);
    gr_zone_free(bench->zone);
    free(bench);
}

/* 0 by night, up to 0.8 kW/m2 at noon. */
static double sun_at(size_t slot)
{
    double hour = (double)(slot % PER_DAY) / 2 + 0.25;
    return fmax(0, 0.8 * sin((hour - 6) * 3.14159265 / 12));
}

/* 0 to 1, unlike that of its neighbours (splitmix64, public domain, S. Vigna). */
static double chance_of(uint64_t number)
{
    uint64_t z = (number + 1) * UINT64_C(0x9e3779b97f4a7c15);
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return (double)((z ^ (z >> 31)) >> 11) * 0x1p-53;
}

/* Clearness of a day. */
static double clearness_of(size_t day)
{
    return 0.1 + 0.9 * chance_of(day);
}

static void tell_slot(struct bench *bench, enum gr_weather_kind kind, size_t slot, double value, int64_t at_s)
{
    int64_t from_s = start_s + (int64_t)slot * GR_HISTORY_STEP_S;
    struct gr_rate rate = {from_s, from_s + GR_HISTORY_STEP_S, value};
    struct gr_rate_table table = {&rate, 1};
    gr_weather_take(bench->weather, kind, &table, at_s);
}

/* `yield_kw` of sun for each kW/m2; day by day told `error` times the truth. */
static void live(struct bench *bench, double yield_kw, bool told, bool truly)
{
    for (size_t slot = 0; slot < (DAYS + 1) * PER_DAY; slot++) {
        size_t day = slot / PER_DAY;
        double truth = sun_at(slot) * clearness_of(day);
        double said = truly ? truth : sun_at(slot) * clearness_of(day + 500);
        if (told) {
            tell_slot(bench, GR_WEATHER_IRRADIANCE, slot, said, start_s + (int64_t)(day - 1) * 86400);
        }
        if (day < DAYS) {
            gr_history_put(bench->history, start_s + (int64_t)slot * GR_HISTORY_STEP_S, 0.5,
                           yield_kw * truth);
        }
    }
}

static void build(struct bench *bench)
{
    struct gr_error error = {""};
    gr_paths_free(&bench->paths);
    if (gr_paths_build(&bench->paths, bench->history, &bench->expectation, &bench->site, bench->zone,
                       bench->bounds_s, AHEAD, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
}

static double noon_kw(const struct bench *bench)
{
    double load_kw, solar_kw;
    gr_paths_mean(&bench->paths, 24, &load_kw, &solar_kw);
    return solar_kw;
}

static struct gr_sun_promise guide(struct bench *bench)
{
    return gr_weather_guide(bench->weather, &bench->paths, bench->history, &bench->site, bench->bounds_s);
}

static void irradiance_that_proved_true_is_followed(void **state)
{
    (void)state;
    struct bench *bench = bench_new();
    live(bench, 5, true, true);
    build(bench);
    double before_kw = noon_kw(bench), truth_kw = 5 * sun_at(24) * clearness_of(DAYS);
    struct gr_sun_promise promise = guide(bench);
    assert_true(promise.trust > 0.9 && promise.spread < 0.5);
    assert_true(fabs(noon_kw(bench) - truth_kw) < 0.15 * fabs(before_kw - truth_kw));
    assert_near(promise.ratio, 5, 1e-6);
    assert_int_equal(promise.days_out, 0);
    bench_free(bench);
}

static void irradiance_that_proved_false_is_hardly_followed(void **state)
{
    (void)state;
    struct bench *bench = bench_new();
    live(bench, 5, true, false);
    build(bench);
    double trust = guide(bench).trust;
    assert_true(trust < 0.35);
    bench_free(bench);
}

static void nothing_told_changes_nothing(void **state)
{
    (void)state;
    struct bench *bench = bench_new();
    live(bench, 5, false, true);
    build(bench);
    double before_kw = noon_kw(bench);
    struct gr_sun_promise promise = guide(bench);
    assert_near(promise.trust, 0, 0);
    assert_near(noon_kw(bench), before_kw, 0);
    /* Nor does weather that has passed and ends now. */
    live(bench, 5, false, true);
    for (size_t slot = 0; slot < DAYS * PER_DAY; slot++) {
        tell_slot(bench, GR_WEATHER_IRRADIANCE, slot, sun_at(slot), start_s);
    }
    assert_near(guide(bench).trust, 0, 0);
    assert_near(noon_kw(bench), before_kw, 0);
    bench_free(bench);
}

/* Whoever has arrays but no history yet gets what the weather promises of them. */
static void a_new_house_takes_the_arrays_word(void **state)
{
    (void)state;
    struct bench *bench = bench_new();
    bench->site = (struct gr_site){.latitude_deg = 48, .array_count = 1};
    bench->site.arrays[0] =
        (struct gr_solar_array){.peak_kw = 5, .tilt_deg = 30, .azimuth_deg = 180, .inverter_kw = 5};
    build(bench);
    double before_kw = noon_kw(bench);
    for (size_t slot = DAYS * PER_DAY; slot < (DAYS + 1) * PER_DAY; slot++) {
        tell_slot(bench, GR_WEATHER_CLOUD_COVER, slot, 1, bench->bounds_s[0]);
    }
    struct gr_sun_promise promise = guide(bench);
    assert_near(promise.trust, 0.6, 1e-9);
    assert_true(isnan(promise.ratio));
    assert_true(noon_kw(bench) < 0.75 * before_kw);
    bench_free(bench);
}

/* Three days under snow: their zeros must not lower what the other days taught. */
static void days_without_sun_where_much_was_promised_are_left_out(void **state)
{
    (void)state;
    struct bench *bench = bench_new();
    live(bench, 5, true, true);
    for (size_t slot = (DAYS - 3) * PER_DAY; slot < DAYS * PER_DAY; slot++) {
        gr_history_put(bench->history, start_s + (int64_t)slot * GR_HISTORY_STEP_S, NAN, 0);
    }
    build(bench);
    struct gr_sun_promise promise = guide(bench);
    assert_int_equal(promise.days_out, 3);
    assert_near(promise.ratio, 5, 1e-6);
    assert_true(promise.trust > 0.9);
    bench_free(bench);
}

/* A word given less than six hours before does not make the telling look better than it was. */
static void late_words_do_not_count_as_skill(void **state)
{
    (void)state;
    struct bench *bench = bench_new();
    live(bench, 5, true, false);
    for (size_t slot = 0; slot < DAYS * PER_DAY; slot++) {
        double truth = sun_at(slot) * clearness_of(slot / PER_DAY);
        tell_slot(bench, GR_WEATHER_IRRADIANCE, slot, truth,
                  start_s + (int64_t)slot * GR_HISTORY_STEP_S - 3600);
    }
    build(bench);
    double trust = guide(bench).trust;
    assert_true(trust < 0.35);
    bench_free(bench);
}

static void take_again(void *context, enum gr_weather_kind kind, const struct gr_rate_table *table,
                       int64_t at_s)
{
    struct bench *copy = context;
    gr_weather_take(copy->weather, kind, table, at_s);
}

static void what_was_told_can_be_told_again_with_the_same_effect(void **state)
{
    (void)state;
    struct bench *bench = bench_new(), *copy = bench_new();
    live(bench, 5, true, false);
    live(copy, 5, false, false);
    for (size_t slot = 0; slot < (DAYS + 1) * PER_DAY; slot++) {
        double truth = sun_at(slot) * clearness_of(slot / PER_DAY);
        int64_t before_s = start_s + (int64_t)slot * GR_HISTORY_STEP_S - 3600;
        tell_slot(bench, GR_WEATHER_TEMPERATURE, slot, 10 * clearness_of(slot / PER_DAY), before_s);
        if (slot < DAYS * PER_DAY) {
            tell_slot(bench, GR_WEATHER_IRRADIANCE, slot, truth, before_s);
        }
    }
    assert_int_equal(gr_weather_retell(bench->weather, bench->bounds_s[0], take_again, copy), GR_OK);
    build(bench);
    build(copy);
    struct gr_sun_promise first = guide(bench), second = guide(copy);
    assert_memory_equal(&first, &second, sizeof first);
    assert_memory_equal(bench->paths.solar_kw, copy->paths.solar_kw,
                        bench->paths.count * AHEAD * sizeof *bench->paths.solar_kw);
    assert_memory_equal(bench->paths.load_kw, copy->paths.load_kw,
                        bench->paths.count * AHEAD * sizeof *bench->paths.load_kw);
    bench_free(bench);
    bench_free(copy);
}

static void another_kind_of_sun_makes_the_old_one_forgotten(void **state)
{
    (void)state;
    struct bench *bench = bench_new();
    live(bench, 5, true, true);
    build(bench);
    size_t slot = DAYS * PER_DAY + 24;
    tell_slot(bench, GR_WEATHER_GENERATION, slot, 2, bench->bounds_s[0]);
    struct gr_sun_promise promise = guide(bench);
    assert_int_equal(promise.days, 0);
    assert_near(promise.trust, 0.6, 1e-9);
    bench_free(bench);
}

static double mean_load_kw(const struct bench *bench)
{
    double sum = 0, load_kw, solar_kw;
    for (size_t slot = 0; slot < AHEAD; slot++) {
        gr_paths_mean(&bench->paths, slot, &load_kw, &solar_kw);
        sum += load_kw;
    }
    return sum / AHEAD;
}

/* Where the temperature comes from. */
struct sources {
    bool told, measured;
    double more_c; /* by which the thermometer shows too much */
};

/* A house with 0.05 kW of heating per K below 16 degrees, or none; days differ by some degrees, and a frost
 * comes in the last hours. */
static void live_in_the_cold(struct bench *bench, double slope_kw_per_k, struct sources sources)
{
    for (size_t slot = 0; slot < (DAYS + 2) * PER_DAY; slot++) {
        size_t day = slot / PER_DAY;
        int64_t at_s = start_s + (int64_t)slot * GR_HISTORY_STEP_S;
        double air_c = slot < DAYS * PER_DAY - 8 ? 4 + 10 * clearness_of(day) : -5;
        double load_kw = 0.6 + slope_kw_per_k * (16 - air_c) + 0.2 * chance_of(slot + 5000);
        if (sources.told) {
            tell_slot(bench, GR_WEATHER_TEMPERATURE, slot, air_c, start_s + (int64_t)day * 86400);
        }
        if (sources.measured && day < DAYS) {
            gr_history_put_outdoor(bench->history, at_s, air_c + sources.more_c);
        }
        if (day < DAYS) {
            gr_history_put(bench->history, at_s, load_kw, NAN);
        }
    }
}

/* By what factor the temperature changes the expected load. */
static double factor_of_cold(double slope_kw_per_k, struct sources sources)
{
    struct bench *bench = bench_new();
    live_in_the_cold(bench, slope_kw_per_k, sources);
    build(bench);
    double before_kw = mean_load_kw(bench);
    (void)guide(bench);
    double factor = mean_load_kw(bench) / before_kw;
    bench_free(bench);
    return factor;
}

static void a_frost_that_is_told_raises_the_load_of_a_house_that_heats(void **state)
{
    (void)state;
    struct bench *bench = bench_new();
    live_in_the_cold(bench, 0.05, (struct sources){.told = true});
    build(bench);
    double before_kw = mean_load_kw(bench);
    (void)guide(bench);
    double truth_kw = 0.7 + 0.05 * 21;
    assert_true(mean_load_kw(bench) > before_kw + 0.5 * (truth_kw - before_kw));
    assert_true(mean_load_kw(bench) < 1.1 * truth_kw);
    bench_free(bench);
}

static void a_house_that_does_not_heat_is_left_alone(void **state)
{
    (void)state;
    assert_near(factor_of_cold(0, (struct sources){.told = true}), 1, 0.02);
    assert_near(factor_of_cold(0, (struct sources){.measured = true}), 1, 0.02);
}

/* The cold of the last hours stays for a while: less is made of it than of a frost that is told. */
static void a_frost_that_is_measured_raises_the_load_too(void **state)
{
    (void)state;
    double told = factor_of_cold(0.05, (struct sources){.told = true});
    double measured = factor_of_cold(0.05, (struct sources){.measured = true});
    assert_true(measured > 1.05 && measured < told);
}

static void a_thermometer_that_shows_too_much_is_set_right_against_what_is_told(void **state)
{
    (void)state;
    double told = factor_of_cold(0.05, (struct sources){.told = true});
    double both = factor_of_cold(0.05, (struct sources){.told = true, .measured = true, .more_c = 2});
    assert_near(both, told, 0.02);
}

static void tables_in_odd_shapes_are_taken_half_hour_by_half_hour(void **state)
{
    (void)state;
    struct bench *bench = bench_new();
    live(bench, 5, true, true);
    build(bench);
    double before_kw = noon_kw(bench);
    /* ten hours that begin within a half hour, a value beyond the plausible, and a time far away */
    int64_t from_s = bench->bounds_s[0] + 8 * 3600 + 600;
    struct gr_rate rates[] = {{from_s, from_s + 36000, 99},
                              {from_s + 86400 * 400, from_s + 86400 * 401, 0.5}};
    struct gr_rate_table table = {rates, 2}, empty = {0};
    gr_weather_take(bench->weather, GR_WEATHER_IRRADIANCE, &empty, bench->bounds_s[0]);
    gr_weather_take(bench->weather, GR_WEATHER_IRRADIANCE, &table, bench->bounds_s[0]);
    (void)guide(bench);
    assert_true(noon_kw(bench) > before_kw && noon_kw(bench) <= 1.6 * 5 + 1e-9);
    bench_free(bench);
}

static void a_table_that_is_no_forecast_is_refused(void **state)
{
    (void)state;
    enum { MANY = 5001 };
    static struct gr_rate rates[MANY];
    struct gr_zone *utc = NULL;
    struct gr_error error = {""};
    const int64_t now_s = 1773100800; /* 2026-03-10T00:00:00Z */
    assert_int_equal(gr_zone_fixed(&utc, "UTC", 0, NULL), GR_OK);
    for (int64_t i = 0; i < MANY; i++) {
        rates[i] = (struct gr_rate){now_s + i * 1800, now_s + (i + 1) * 1800, 0.5};
    }
    struct gr_rate_table table = {rates, 0};
    assert_int_equal(gr_weather_check(&table, GR_WEATHER_IRRADIANCE, 0, 1.6, utc, now_s, &error), GR_INVALID);
    assert_string_equal(error.text, "it holds 0 slots, 1 to 5000 expected");
    table.count = MANY;
    assert_int_equal(gr_weather_check(&table, GR_WEATHER_IRRADIANCE, 0, 1.6, utc, now_s, &error), GR_INVALID);
    assert_string_equal(error.text, "it holds 5001 slots, 1 to 5000 expected");
    table.count = 12;
    assert_int_equal(gr_weather_check(&table, GR_WEATHER_IRRADIANCE, 0, 1.6, utc, now_s, &error), GR_OK);
    table.count = 11;
    assert_int_equal(gr_weather_check(&table, GR_WEATHER_IRRADIANCE, 0, 1.6, utc, now_s, &error), GR_INVALID);
    assert_says(error.text, "it ends at 2026-03-10T05:30:00+00:00, which is no forecast");
    table.count = 12;
    static const double wrong[] = {-0.1, 1.7, NAN};
    for (size_t i = 0; i < 3; i++) {
        rates[3].price_per_kwh = wrong[i];
        assert_int_equal(gr_weather_check(&table, GR_WEATHER_IRRADIANCE, 0, 1.6, utc, now_s, &error),
                         GR_INVALID);
        assert_says(error.text, "the irradiance at 2026-03-10T01:30:00+00:00 is ");
        assert_says(error.text, ", but 0 to 1.6 is plausible");
    }
    gr_zone_free(utc);
}

static void kinds_of_weather_have_names(void **state)
{
    (void)state;
    static const char *const names[GR_WEATHER_KINDS] = {"irradiance", "cloud cover", "generation",
                                                        "temperature"};
    for (int i = 0; i < GR_WEATHER_KINDS; i++) {
        assert_string_equal(gr_weather_name((enum gr_weather_kind)i), names[i]);
    }
    assert_string_equal(gr_weather_name(GR_WEATHER_KINDS), "unknown");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(irradiance_that_proved_true_is_followed),
        cmocka_unit_test(irradiance_that_proved_false_is_hardly_followed),
        cmocka_unit_test(nothing_told_changes_nothing),
        cmocka_unit_test(a_new_house_takes_the_arrays_word),
        cmocka_unit_test(days_without_sun_where_much_was_promised_are_left_out),
        cmocka_unit_test(late_words_do_not_count_as_skill),
        cmocka_unit_test(what_was_told_can_be_told_again_with_the_same_effect),
        cmocka_unit_test(another_kind_of_sun_makes_the_old_one_forgotten),
        cmocka_unit_test(a_frost_that_is_told_raises_the_load_of_a_house_that_heats),
        cmocka_unit_test(a_house_that_does_not_heat_is_left_alone),
        cmocka_unit_test(a_frost_that_is_measured_raises_the_load_too),
        cmocka_unit_test(a_thermometer_that_shows_too_much_is_set_right_against_what_is_told),
        cmocka_unit_test(a_table_that_is_no_forecast_is_refused),
        cmocka_unit_test(kinds_of_weather_have_names),
        cmocka_unit_test(tables_in_odd_shapes_are_taken_half_hour_by_half_hour),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
