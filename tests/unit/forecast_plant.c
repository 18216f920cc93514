/* Made-up arrays whose meter tells on them: scale, wrong angles, shadows, snow. */
#include "check.h"

#include "granary/plant.h"
#include "granary/sun.h"

#include <stdlib.h>

enum { DAYS = 120, PER_DAY = 48 };

static const int64_t start_s = 1772323200; /* 2026-03-01T00:00:00Z */

/* splitmix64 (public domain, S. Vigna): 0 to 1. */
static double chance_of(uint64_t number)
{
    uint64_t z = (number + 1) * UINT64_C(0x9e3779b97f4a7c15);
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return (double)((z ^ (z >> 31)) >> 11) * 0x1p-53;
}

struct truth {
    double tilt_deg, azimuth_deg, scale;
    double shade_from_deg, shade_to_deg, shade_below_deg; /* lets a quarter through */
    bool posts;                                           /* as well, of every other ten degrees */
    size_t snow_days;
};

static struct gr_site site_with(double tilt_deg, double azimuth_deg)
{
    struct gr_site site = {.latitude_deg = 50, .longitude_deg = 8, .array_count = 1};
    site.arrays[0] = (struct gr_solar_array){
        .peak_kw = 5, .tilt_deg = tilt_deg, .azimuth_deg = azimuth_deg, .inverter_kw = 5};
    return site;
}

static double through(const struct truth *truth, const struct gr_sun *sun)
{
    bool shaded = sun->azimuth_deg >= truth->shade_from_deg && sun->azimuth_deg < truth->shade_to_deg &&
                  sun->elevation_deg < truth->shade_below_deg;
    bool behind_post = truth->posts && (int)(sun->azimuth_deg / 10) % 2 == 0;
    return shaded || behind_post ? 0.25 : 1;
}

/* Days under ever another sky: one in four is clear, the others are not, and clouds come and go. */
static double *live(const struct truth *truth)
{
    double *kw = malloc(sizeof *kw * DAYS * PER_DAY);
    struct gr_site site = site_with(truth->tilt_deg, truth->azimuth_deg);
    assert_non_null(kw);
    for (size_t i = 0; i < DAYS * PER_DAY; i++) {
        int64_t at_s = start_s + (int64_t)i * 1800;
        size_t day = i / PER_DAY;
        double clearness =
            chance_of(day) < 0.25 ? 0.97 + 0.03 * chance_of(i) : 0.2 + 0.7 * chance_of(i + 77777);
        struct gr_sun sun = gr_sun_at(at_s + 900, site.latitude_deg, site.longitude_deg);
        double sky_kw = gr_site_solar_kw(&site, at_s, at_s + 1800, clearness);
        kw[i] = day < truth->snow_days ? 0 : truth->scale * through(truth, &sun) * sky_kw;
    }
    return kw;
}

static struct gr_plant look(const struct truth *truth, double tilt_deg, double azimuth_deg)
{
    struct gr_error error = {""};
    struct gr_plant plant;
    double *kw = live(truth);
    struct gr_site site = site_with(tilt_deg, azimuth_deg);
    struct gr_series series = {.start_s = start_s, .step_s = 1800, .count = DAYS * PER_DAY, .kw = kw};
    if (gr_plant_look(&plant, &series, &site, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
    free(kw);
    return plant;
}

static void arrays_that_are_as_they_are_configured_raise_no_alarm(void **state)
{
    (void)state;
    struct truth truth = {.tilt_deg = 30, .azimuth_deg = 200, .scale = 1};
    struct gr_plant plant = look(&truth, 30, 200);
    assert_int_equal(plant.days, DAYS);
    assert_near(plant.scale, 1, 0.05);
    assert_false(plant.turned);
    assert_int_equal(plant.shadows, 0);
    assert_near(plant.tilt_deg, 30, 0);
}

static void the_scale_is_found_through_clouds_and_snow(void **state)
{
    (void)state;
    struct truth truth = {.tilt_deg = 30, .azimuth_deg = 180, .scale = 0.82, .snow_days = 9};
    struct gr_plant plant = look(&truth, 30, 180);
    assert_near(plant.scale, 0.82, 0.05);
    assert_false(plant.turned);
    assert_int_equal(plant.shadows, 0);
}

static void a_wrong_tilt_is_found(void **state)
{
    (void)state;
    struct truth truth = {.tilt_deg = 70, .azimuth_deg = 180, .scale = 0.9};
    struct gr_plant plant = look(&truth, 20, 180);
    assert_true(plant.turned);
    assert_near(plant.tilt_deg, 70, 10);
    assert_near(plant.azimuth_deg, 180, 10);
    assert_near(plant.scale, 0.9, 0.06);
    assert_true(plant.misfit_found < 0.5 * plant.misfit_configured);
}

static void a_wrong_azimuth_is_found(void **state)
{
    (void)state;
    struct truth truth = {.tilt_deg = 40, .azimuth_deg = 250, .scale = 1};
    struct gr_plant plant = look(&truth, 40, 180);
    assert_true(plant.turned);
    assert_near(plant.azimuth_deg, 250, 10);
}

static void a_shadow_is_found_where_it_falls(void **state)
{
    (void)state;
    struct truth truth = {.tilt_deg = 30,
                          .azimuth_deg = 180,
                          .scale = 1,
                          .shade_from_deg = 230,
                          .shade_to_deg = 260,
                          .shade_below_deg = 45};
    struct gr_plant plant = look(&truth, 30, 180);
    assert_false(plant.turned);
    assert_int_equal(plant.shadows, 1);
    assert_near(plant.shadow[0].azimuth_from_deg, 230, 10);
    assert_near(plant.shadow[0].azimuth_to_deg, 260, 10);
    assert_near(plant.shadow[0].elevation_below_deg, 45, 6);
    assert_near(plant.shadow[0].share, 0.25, 0.1);
    assert_near(plant.scale, 1, 0.05);
}

/* Which of two arrays would be turned is not to be told from their sum. */
static void of_two_arrays_the_scale_is_found_and_no_angle(void **state)
{
    (void)state;
    struct truth truth = {.tilt_deg = 70, .azimuth_deg = 180, .scale = 1};
    struct gr_error error = {""};
    struct gr_plant plant;
    double *kw = live(&truth);
    struct gr_site site = site_with(20, 150);
    site.arrays[0].peak_kw = 2.5;
    site.arrays[1] = site.arrays[0];
    site.arrays[1].azimuth_deg = 210;
    site.array_count = 2;
    struct gr_series series = {.start_s = start_s, .step_s = 1800, .count = DAYS * PER_DAY, .kw = kw};
    assert_int_equal(gr_plant_look(&plant, &series, &site, &error), GR_OK);
    assert_false(plant.turned);
    assert_near(plant.tilt_deg, 20, 0);
    assert_near(plant.azimuth_deg, 150, 0);
    assert_true(plant.scale > 0.6 && plant.scale < 1.4);
    free(kw);
}

static void of_a_row_of_posts_as_many_are_told_as_there_is_room_for(void **state)
{
    (void)state;
    struct truth truth = {.tilt_deg = 30, .azimuth_deg = 180, .scale = 1, .posts = true};
    struct gr_plant plant = look(&truth, 30, 180);
    assert_int_equal(plant.shadows, GR_MOST_SHADOWS);
    for (size_t i = 1; i < plant.shadows; i++) {
        assert_true(plant.shadow[i].azimuth_from_deg >= plant.shadow[i - 1].azimuth_to_deg);
    }
}

static void a_few_days_say_nothing_yet(void **state)
{
    (void)state;
    struct truth truth = {.tilt_deg = 30, .azimuth_deg = 180, .scale = 1};
    struct gr_plant plant;
    double *kw = live(&truth);
    struct gr_site site = site_with(30, 180), none = {.array_count = 0};
    struct gr_series series = {.start_s = start_s, .step_s = 1800, .count = 20 * PER_DAY, .kw = kw};
    struct gr_error error = {""};
    assert_int_equal(gr_plant_look(&plant, &series, &site, &error), GR_OK);
    assert_int_equal(plant.days, 20);
    assert_true(isnan(plant.scale) && !plant.turned && plant.shadows == 0);
    assert_int_equal(gr_plant_look(&plant, &series, &none, &error), GR_INVALID);
    assert_says(error.text, "no arrays are configured");
    static const int32_t wrong_s[] = {299, 5400, 1000};
    for (size_t i = 0; i < 3; i++) {
        series.step_s = wrong_s[i];
        assert_int_equal(gr_plant_look(&plant, &series, &site, &error), GR_INVALID);
        assert_says(error.text, "a divisor of 3600 from 300 on expected");
    }
    static const int32_t odd_steps_s[] = {60, 700, 7200};
    for (size_t i = 0; i < sizeof odd_steps_s / sizeof odd_steps_s[0]; i++) {
        struct gr_series odd = series;
        odd.step_s = odd_steps_s[i];
        assert_int_equal(gr_plant_look(&plant, &odd, &site, &error), GR_INVALID);
        assert_says(error.text, "a divisor of 3600 from 300 on expected");
    }
    free(kw);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(arrays_that_are_as_they_are_configured_raise_no_alarm),
        cmocka_unit_test(the_scale_is_found_through_clouds_and_snow),
        cmocka_unit_test(a_wrong_tilt_is_found),
        cmocka_unit_test(a_wrong_azimuth_is_found),
        cmocka_unit_test(a_shadow_is_found_where_it_falls),
        cmocka_unit_test(of_two_arrays_the_scale_is_found_and_no_angle),
        cmocka_unit_test(of_a_row_of_posts_as_many_are_told_as_there_is_room_for),
        cmocka_unit_test(a_few_days_say_nothing_yet),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
