/* Sun and arrays: what must hold anywhere on Earth at any time. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "granary/sun.h"

#include <math.h>

static const int64_t hour_s = 3600;
static const int64_t summer_s = 1782000000; /* 2026-06-21 00:00 UTC */
static const int64_t winter_s = 1797811200; /* 2026-12-21 00:00 UTC */

static struct gr_site house_at(double latitude_deg, double longitude_deg)
{
    struct gr_site site = {.latitude_deg = latitude_deg, .longitude_deg = longitude_deg, .array_count = 2};
    site.arrays[0] =
        (struct gr_solar_array){.peak_kw = 4, .tilt_deg = 35, .azimuth_deg = 180, .inverter_kw = 3.6};
    site.arrays[1] =
        (struct gr_solar_array){.peak_kw = 2, .tilt_deg = 90, .azimuth_deg = 270, .inverter_kw = 2};
    return site;
}

static void angles_and_powers_are_finite_and_in_range_everywhere(void **state)
{
    (void)state;
    for (int step = -12; step <= 12; step++) {
        double latitude = 7.5 * step;
        for (int64_t t = summer_s; t < summer_s + 366 * 86400LL; t += 86400 * 9 + 4567) {
            struct gr_sun sun = gr_sun_at(t, latitude, 170);
            assert_true(sun.elevation_deg >= -90.01 && sun.elevation_deg <= 90);
            assert_true(sun.azimuth_deg >= 0 && sun.azimuth_deg <= 360);
            assert_true(sun.distance_au > 0.983 && sun.distance_au < 1.017);
            struct gr_site site = house_at(latitude, 170);
            double kw = gr_site_solar_kw(&site, t, t + 1800, 1);
            assert_true(kw >= 0 && kw <= 5.6);
        }
    }
}

static double day_kwh(const struct gr_site *site, int64_t start_s, double clearness)
{
    return 24 * gr_site_solar_kw(site, start_s, start_s + 86400, clearness);
}

static void the_polar_night_gives_nothing_and_the_polar_day_never_ends(void **state)
{
    (void)state;
    struct gr_site site = house_at(78, 15);
    assert_true(day_kwh(&site, winter_s, 1) == 0);
    for (int64_t t = summer_s; t < summer_s + 86400; t += 1800) {
        assert_true(gr_site_solar_kw(&site, t, t + 1800, 1) > 0);
    }
}

static void at_the_pole_the_sun_keeps_its_height_all_day(void **state)
{
    (void)state;
    for (int64_t t = summer_s; t < summer_s + 86400; t += 3600) {
        assert_true(fabs(gr_sun_at(t, 90, 0).elevation_deg - 23.43) < 0.03);
        assert_true(fabs(gr_sun_at(t, -90, 0).elevation_deg + 23.43) < 0.03);
    }
}

static void a_clearer_sky_gives_no_less_and_no_sky_gives_nothing(void **state)
{
    (void)state;
    struct gr_site site = house_at(48, 11);
    double last = day_kwh(&site, summer_s, 0);
    assert_true(last == 0);
    assert_true(day_kwh(&site, summer_s, -1) == 0);
    for (int tenths = 1; tenths <= 10; tenths++) {
        double kwh = day_kwh(&site, summer_s, tenths / 10.0);
        assert_true(kwh > last);
        last = kwh;
    }
}

static void an_array_facing_east_gives_most_in_the_morning(void **state)
{
    (void)state;
    struct gr_solar_array east = {.peak_kw = 4, .tilt_deg = 60, .azimuth_deg = 90, .inverter_kw = 4};
    struct gr_solar_array west = {.peak_kw = 4, .tilt_deg = 60, .azimuth_deg = 270, .inverter_kw = 4};
    double morning = gr_array_kw(&east, 48, 0, summer_s + 8 * hour_s, 1);
    assert_true(morning > 2 * gr_array_kw(&west, 48, 0, summer_s + 8 * hour_s, 1));
    assert_true(morning > 2 * gr_array_kw(&east, 48, 0, summer_s + 16 * hour_s, 1));
}

static void the_inverter_holds_its_limit(void **state)
{
    (void)state;
    struct gr_solar_array array = {.peak_kw = 10, .tilt_deg = 20, .azimuth_deg = 180, .inverter_kw = 3};
    assert_true(gr_array_kw(&array, 45, 0, summer_s + 12 * hour_s, 1) == 3);
    array.inverter_kw = 0;
    assert_true(gr_array_kw(&array, 45, 0, summer_s + 12 * hour_s, 1) == 0);
}

static void levels_at_once_are_what_each_level_gives_alone(void **state)
{
    (void)state;
    static const double clearness[3] = {0.2, 0.6, 1};
    struct gr_site site = house_at(48, 11);
    for (int64_t t = summer_s; t < summer_s + 86400; t += 1700) {
        double kw[3];
        gr_site_solar_levels_kw(&site, t, t + 1700, clearness, 3, kw);
        for (size_t i = 0; i < 3; i++) {
            assert_true(kw[i] == gr_site_solar_kw(&site, t, t + 1700, clearness[i]));
        }
    }
}

static void the_mean_over_a_day_does_not_depend_on_how_it_is_cut(void **state)
{
    (void)state;
    struct gr_site site = house_at(48, 11);
    double sum_kwh = 0;
    for (int64_t t = winter_s; t < winter_s + 86400; t += 900) {
        sum_kwh += gr_site_solar_kw(&site, t, t + 900, 0.8) / 4;
    }
    assert_true(sum_kwh > 1);
    assert_true(fabs(sum_kwh - day_kwh(&site, winter_s, 0.8)) < 1e-9);
}

static void an_instant_gives_the_power_at_that_instant(void **state)
{
    (void)state;
    struct gr_site site = house_at(48, 11);
    int64_t t = summer_s + 10 * hour_s;
    double both = gr_array_kw(&site.arrays[0], 48, 11, t, 1) + gr_array_kw(&site.arrays[1], 48, 11, t, 1);
    assert_true(gr_site_solar_kw(&site, t, t, 1) == both);
    assert_true(gr_site_solar_kw(&site, t, t - 600, 1) == both);
}

static void refraction_lifts_the_sun_half_a_degree_at_the_horizon_and_hardly_higher_up(void **state)
{
    (void)state;
    /* Common practice, no source: some 29 arc minutes for a geometric elevation of 0, below 1.1 above 45
     * degrees. */
    assert_true(fabs(gr_sun_refraction_deg(0) - 29 / 60.0) < 0.5 / 60);
    for (int step = 0; step < 180; step++) {
        double elevation = 0.5 * step;
        assert_true(gr_sun_refraction_deg(elevation + 0.5) <= gr_sun_refraction_deg(elevation));
        assert_true(gr_sun_refraction_deg(elevation + 0.5) >= 0);
    }
    assert_true(gr_sun_refraction_deg(45) < 1.1 / 60);
    assert_true(gr_sun_refraction_deg(-3) == 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(angles_and_powers_are_finite_and_in_range_everywhere),
        cmocka_unit_test(the_polar_night_gives_nothing_and_the_polar_day_never_ends),
        cmocka_unit_test(at_the_pole_the_sun_keeps_its_height_all_day),
        cmocka_unit_test(a_clearer_sky_gives_no_less_and_no_sky_gives_nothing),
        cmocka_unit_test(an_array_facing_east_gives_most_in_the_morning),
        cmocka_unit_test(the_inverter_holds_its_limit),
        cmocka_unit_test(levels_at_once_are_what_each_level_gives_alone),
        cmocka_unit_test(the_mean_over_a_day_does_not_depend_on_how_it_is_cut),
        cmocka_unit_test(an_instant_gives_the_power_at_that_instant),
        cmocka_unit_test(refraction_lifts_the_sun_half_a_degree_at_the_horizon_and_hardly_higher_up),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
