#include "granary/house.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static const int64_t monday_s = 1773014400; /* 2026-03-09T00:00:00Z, a Monday (date -u -d) */

static struct gr_house_scene plain_scene(void)
{
    struct gr_house_scene scene = {
        .site = {.latitude_deg = 50,
                 .longitude_deg = 0,
                 .arrays = {{.peak_kw = 5, .tilt_deg = 35, .azimuth_deg = 180, .inverter_kw = 5}},
                 .array_count = 1},
        .noise_share = 0.2,
        .kettle_kw = 2,
        .runs_per_day = 8,
        .car_kw = 7,
        .car_from_hour = 22.5,
        .car_hours = 4,
        .car_weekdays = 1u << 0 | 1u << 4,
        .clearness_mean = 0.6,
        .clearness_spread = 0.2,
        .seed = 4,
    };
    for (int hour = 0; hour < 24; hour++) {
        scene.house_kw[hour] = hour < 6 ? 0.3 : 0.8;
    }
    return scene;
}

static int utc_zone(void **state)
{
    return gr_zone_fixed((struct gr_zone **)state, "UTC", 0, NULL);
}

static int free_zone(void **state)
{
    gr_zone_free(*state);
    return 0;
}

static struct gr_house_load load_at(const struct gr_house_scene *scene, const struct gr_zone *zone,
                                    int64_t utc_s)
{
    struct gr_house_load load;
    gr_house_load_at(&load, scene, zone, utc_s);
    return load;
}

static void noise_has_mean_0_and_spread_1(void **state)
{
    (void)state;
    double sum = 0, squares = 0;
    for (int64_t i = 0; i < 100000; i++) {
        double noise = gr_house_noise(1, 100, i);
        assert_true(fabs(noise) < 3.5);
        sum += noise;
        squares += noise * noise;
    }
    assert_true(fabs(sum / 1e5) < 0.015); /* 4.7 standard errors */
    assert_true(fabs(squares / 1e5 - 1) < 0.02);
}

static void the_same_minute_is_the_same_whenever_it_is_asked_for(void **state)
{
    struct gr_house_scene scene = plain_scene();
    struct gr_house_load noon = load_at(&scene, *state, monday_s + 43200);
    (void)load_at(&scene, *state, monday_s + 7 * 86400);
    struct gr_house_load again = load_at(&scene, *state, monday_s + 43259);
    struct gr_house_load next = load_at(&scene, *state, monday_s + 43260);
    assert_memory_equal(&noon, &again, sizeof noon);
    assert_true(next.house_kw != noon.house_kw);
}

/* Minutes before 1970 begin as those after it do. */
static void a_minute_before_1970_is_whole_too(void **state)
{
    struct gr_house_scene scene = plain_scene();
    struct gr_house_load begin = load_at(&scene, *state, -600), end = load_at(&scene, *state, -541);
    struct gr_house_load next = load_at(&scene, *state, -540);
    assert_memory_equal(&begin, &end, sizeof begin);
    assert_true(next.house_kw != begin.house_kw);
}

static void another_seed_is_another_day(void **state)
{
    struct gr_house_scene scene = plain_scene(), other = plain_scene();
    other.seed = 5;
    struct gr_house_load a = load_at(&scene, *state, monday_s + 43200);
    struct gr_house_load b = load_at(&other, *state, monday_s + 43200);
    assert_true(a.house_kw != b.house_kw);
    assert_true(a.solar_kw != b.solar_kw);
}

/* 8 runs of 4 minutes at 2 kW are 1.07 kWh a day; runs that overlap count once. */
static void a_quarter_year_uses_the_energy_that_the_scene_says(void **state)
{
    struct gr_house_scene scene = plain_scene();
    double kwh = 0;
    scene.site.array_count = 0;
    for (int64_t minute = 0; minute < 90 * 1440; minute++) {
        kwh += load_at(&scene, *state, monday_s + 60 * minute).house_kw / 60;
    }
    double expected = 6 * 0.3 + 18 * 0.8 + 8 * 4.0 / 60 * 2;
    if (fabs(kwh / 90 - expected) > 0.03 * expected) {
        fail_msg("seed %llu: %.3f kWh a day, expected about %.3f", (unsigned long long)scene.seed, kwh / 90,
                 expected);
    }
}

static void base_load_runs_in_straight_lines_between_the_middles_of_hours(void **state)
{
    struct gr_house_scene scene = plain_scene();
    scene.noise_share = scene.runs_per_day = 0;
    static const struct {
        int64_t second;
        double kw;
    } rows[] = {{5 * 3600 + 1800, 0.3}, {6 * 3600, 0.55}, {6 * 3600 + 1800, 0.8}, {0, 0.55}, {84600, 0.8}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_true(fabs(load_at(&scene, *state, monday_s + rows[i].second).house_kw - rows[i].kw) < 1e-9);
    }
}

static void the_car_charges_on_its_evenings_past_midnight(void **state)
{
    struct gr_house_scene scene = plain_scene();
    static const struct {
        int64_t second; /* from Monday 00:00 */
        double kw;
    } rows[] = {
        {3600, 0},
        {81000 - 60, 0},
        {81000, 7},
        {86400 + 9000 - 60, 7},
        {86400 + 9000, 0},
        {86400 + 81000, 0},
        {4 * 86400 + 81000, 7},
        {5 * 86400 + 3600, 7},
        {6 * 86400 + 81000, 0},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        double kw = load_at(&scene, *state, monday_s + rows[i].second).car_kw;
        if (kw != rows[i].kw) {
            fail_msg("%lld s after Monday 00:00: %g kW, expected %g", (long long)rows[i].second, kw,
                     rows[i].kw);
        }
    }
    scene.car_kw = 0;
    assert_true(load_at(&scene, *state, monday_s + 81000).car_kw == 0);
}

static void the_sun_shines_by_day_and_less_behind_the_bank_of_cloud(void **state)
{
    struct gr_house_scene scene = plain_scene(), cloudy = plain_scene();
    cloudy.cloud_from_hour = 7;
    cloudy.cloud_to_hour = 12;
    cloudy.cloud_share = 0.75;
    for (int64_t minute = 0; minute < 1440; minute++) {
        double clear_kw = load_at(&scene, *state, monday_s + 60 * minute).solar_kw;
        double cloudy_kw = load_at(&cloudy, *state, monday_s + 60 * minute).solar_kw;
        bool behind = minute >= 420 && minute < 720;
        assert_true(clear_kw >= 0 && clear_kw <= 5);
        assert_true(clear_kw == 0 || (minute > 330 && minute < 1130)); /* night at 50 N in March */
        assert_true(behind && clear_kw > 0 ? cloudy_kw < clear_kw : cloudy_kw == clear_kw);
    }
    assert_true(load_at(&scene, *state, monday_s + 43200).solar_kw > 0.3);
}

static void days_differ_in_clearness(void **state)
{
    struct gr_house_scene scene = plain_scene();
    double least = INFINITY, greatest = 0;
    for (int day = 0; day < 20; day++) {
        double kw = load_at(&scene, *state, monday_s + 86400 * (int64_t)day + 43200).solar_kw;
        least = fmin(least, kw);
        greatest = fmax(greatest, kw);
    }
    assert_true(greatest > 1.5 * least);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(noise_has_mean_0_and_spread_1),
        cmocka_unit_test(the_same_minute_is_the_same_whenever_it_is_asked_for),
        cmocka_unit_test(a_minute_before_1970_is_whole_too),
        cmocka_unit_test(another_seed_is_another_day),
        cmocka_unit_test(a_quarter_year_uses_the_energy_that_the_scene_says),
        cmocka_unit_test(base_load_runs_in_straight_lines_between_the_middles_of_hours),
        cmocka_unit_test(the_car_charges_on_its_evenings_past_midnight),
        cmocka_unit_test(the_sun_shines_by_day_and_less_behind_the_bank_of_cloud),
        cmocka_unit_test(days_differ_in_clearness),
    };
    return cmocka_run_group_tests(tests, utc_zone, free_zone);
}
