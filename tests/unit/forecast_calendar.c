/* Paths on real calendars: days of 23 and 25 hours, odd offsets, and holes in the history. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "forecast_house.h"

static const int64_t day_s = 86400;

/* The load tells the wall-clock time at the middle of its half hour, in hours. */
static void put_wall_hours(struct house *house, int64_t from_s, int64_t to_s)
{
    for (int64_t t = from_s / 1800 * 1800; t + 1800 <= to_s; t += 1800) {
        gr_history_put(house->history, t, wall_hour(house, t + 900), NAN);
    }
}

/* Around the night in which the clocks change: whatever day a path follows, at every slot it has the load of
 * that wall-clock time. Only where the followed day had no such time, the half hour after the jump stands in.
 */
static void check_wall_clock(const char *zone, int month, int day, double skipped_from, double skipped_to)
{
    struct house *house = house_new(zone);
    for (int shift = -3; shift <= 3; shift++) {
        gr_history_free(house->history);
        assert_int_equal(gr_history_create(&house->history), GR_OK);
        int64_t now_s = local_moment(house, 2026, month, day + shift, 6 * (shift & 3), 0) / 1800 * 1800;
        put_wall_hours(house, now_s - 20 * day_s, now_s);
        house_build(house, now_s, 96, 1800);
        house_undraw(house);
        assert_int_equal(house->paths.count, 14);
        for (size_t path = 0; path < 14; path++) {
            for (size_t slot = 0; slot < 96; slot++) {
                double wall = wall_hour(house, house->bounds_s[slot] + 900);
                bool maybe_skipped = wall > skipped_from && wall < skipped_to;
                double got = path_load(house, path, slot);
                bool good =
                    fabs(got - wall) < 1e-9 || (maybe_skipped && fabs(got - skipped_to - 0.25) < 1e-9);
                if (!good) {
                    fail_msg("%s shift %d path %zu slot %zu: got %g, expected %g", zone, shift, path, slot,
                             got, wall);
                }
            }
        }
    }
    house_free(house);
}

static void the_autumn_change_keeps_loads_on_the_wall_clock(void **state)
{
    (void)state;
    check_wall_clock("Europe/Berlin", 10, 25, 0, 0);
}

static void the_spring_change_keeps_loads_on_the_wall_clock(void **state)
{
    (void)state;
    check_wall_clock("Europe/Berlin", 3, 29, 2, 3);
}

static void a_change_across_the_ocean_keeps_loads_on_the_wall_clock(void **state)
{
    (void)state;
    check_wall_clock("America/New_York", 11, 1, 0, 0);
    check_wall_clock("America/New_York", 3, 8, 2, 3);
}

static void a_change_by_half_an_hour_keeps_loads_on_the_wall_clock(void **state)
{
    (void)state;
    check_wall_clock("Australia/Lord_Howe", 4, 5, 0, 0);
    check_wall_clock("Australia/Lord_Howe", 10, 4, 2, 2.5);
}

static void an_offset_of_a_quarter_of_an_hour_keeps_loads_on_the_wall_clock(void **state)
{
    (void)state;
    check_wall_clock("Asia/Kathmandu", 6, 15, 0, 0);
}

static void a_horizon_over_the_change_has_paths_of_46_and_50_half_hours(void **state)
{
    (void)state;
    struct house *house = house_new("Europe/Berlin");
    int64_t spring_s = local_moment(house, 2026, 3, 29, 0, 0);
    put_wall_hours(house, spring_s - 20 * day_s, spring_s);
    house_build(house, spring_s, 46, 1800);
    house_undraw(house);
    assert_true(fabs(path_load(house, 0, 4) - 3.25) < 1e-9 && fabs(path_load(house, 0, 45) - 23.75) < 1e-9);
    int64_t autumn_s = local_moment(house, 2026, 10, 25, 0, 0);
    put_wall_hours(house, autumn_s - 20 * day_s, autumn_s);
    house_build(house, autumn_s, 50, 1800);
    house_undraw(house);
    assert_true(fabs(path_load(house, 0, 5) - 2.75) < 1e-9 && fabs(path_load(house, 0, 6) - 2.25) < 1e-9);
    assert_true(fabs(path_load(house, 0, 49) - 23.75) < 1e-9);
    house_free(house);
}

static void the_sun_keeps_its_own_time_over_the_change(void **state)
{
    (void)state;
    struct house *house = house_new("Europe/Berlin");
    int64_t now_s = local_moment(house, 2026, 3, 30, 0, 0);
    for (int64_t t = now_s - 20 * day_s; t < now_s; t += 1800) {
        gr_history_put(house->history, t, 1, (double)(t % 86400) / 3600); /* tells the hour of UTC */
    }
    house_build(house, now_s, 48, 1800);
    house_undraw(house);
    for (size_t path = 0; path < 14; path++) {
        for (size_t slot = 0; slot < 48; slot++) {
            assert_true(fabs(path_solar(house, path, slot) - (double)(house->bounds_s[slot] % 86400) / 3600) <
                        1e-9);
        }
    }
    house_free(house);
}

static void a_day_that_a_zone_skipped_is_no_day(void **state)
{
    (void)state;
    struct house *house = house_new("Pacific/Apia"); /* had no 30 December 2011 */
    int64_t now_s = local_moment(house, 2012, 1, 2, 9, 0);
    put_wall_hours(house, now_s - 20 * day_s, now_s);
    house_build(house, now_s, 96, 1800);
    house_undraw(house);
    assert_int_equal(house->paths.count, 14);
    for (size_t path = 0; path < 14; path++) {
        assert_true(fabs(path_load(house, path, 0) - 9.25) < 1e-9);
        assert_true(fabs(path_load(house, path, 95) - 8.75) < 1e-9);
    }
    house_free(house);
}

/* ---- holes ---- */

static const int64_t midnight_s = 1781481600; /* 2026-06-15 00:00 UTC */

static bool near(double found, double expected)
{
    return fabs(found - expected) < 1e-9;
}

/* Load and sun are the age of the day, but not known where `hole` says so. */
static struct house *house_with_holes(bool (*hole)(int age, int half_hour))
{
    struct house *house = house_new("");
    for (int age = 20; age >= 1; age--) {
        for (int n = 0; n < 48; n++) {
            double kw = hole(age, n) ? (double)NAN : age;
            gr_history_put(house->history, midnight_s - age * day_s + n * (int64_t)1800, kw, kw);
        }
    }
    return house;
}

static bool four_on_day_3(int age, int half_hour)
{
    return age == 3 && half_hour >= 20 && half_hour < 24;
}

static void a_small_hole_is_filled_from_the_days_on_both_sides(void **state)
{
    (void)state;
    struct house *house = house_with_holes(four_on_day_3);
    house_build(house, midnight_s, 48, 1800);
    house_undraw(house);
    assert_int_equal(house->paths.count, 14);
    for (size_t slot = 0; slot < 48; slot++) {
        assert_true(near(path_load(house, 2, slot), 3) &&
                    near(path_solar(house, 2, slot), 3)); /* (2 + 4) / 2 */
    }
    house_free(house);
}

static bool two_yesterday_and_before(int age, int half_hour)
{
    return age <= 2 && half_hour == 20;
}

static void a_hole_at_the_end_is_filled_from_the_side_that_is_known(void **state)
{
    (void)state;
    struct house *house = house_with_holes(two_yesterday_and_before);
    house_build(house, midnight_s, 48, 1800);
    house_undraw(house);
    assert_true(near(path_load(house, 0, 20), 3) && near(path_solar(house, 0, 20), 3));
    assert_true(near(path_load(house, 1, 20), 3) && near(path_solar(house, 1, 20), 3));
    assert_true(near(path_load(house, 0, 21), 1));
    house_free(house);
}

static bool same_time_always(int age, int half_hour)
{
    (void)age;
    return half_hour == 24;
}

static void a_time_that_is_never_known_comes_from_profile_and_arrays(void **state)
{
    (void)state;
    struct house *house = house_with_holes(same_time_always);
    house->expectation.house_kw[12] = 7;
    house_build(house, midnight_s, 48, 1800);
    house_undraw(house);
    assert_true(near(path_load(house, 4, 24), 7) && near(path_solar(house, 4, 24), 0));
    house_add_array(house);
    house_build(house, midnight_s, 48, 1800);
    house_undraw(house);
    assert_true(near(path_load(house, 4, 24), 7) && path_solar(house, 4, 24) > 1);
    assert_true(near(path_solar(house, 4, 25), 5));
    house_free(house);
}

static bool five_on_day_2(int age, int half_hour)
{
    return age == 2 && half_hour >= 20 && half_hour < 25;
}

static void a_day_known_to_less_than_nine_tenths_is_no_path(void **state)
{
    (void)state;
    struct house *house = house_with_holes(five_on_day_2);
    house_build(house, midnight_s, 48, 1800);
    house_undraw(house);
    assert_int_equal(house->paths.count, 14);
    assert_true(near(path_load(house, 0, 0), 1) && near(path_load(house, 1, 0), 3) &&
                near(path_load(house, 13, 0), 15));
    house_free(house);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_autumn_change_keeps_loads_on_the_wall_clock),
        cmocka_unit_test(the_spring_change_keeps_loads_on_the_wall_clock),
        cmocka_unit_test(a_change_across_the_ocean_keeps_loads_on_the_wall_clock),
        cmocka_unit_test(a_change_by_half_an_hour_keeps_loads_on_the_wall_clock),
        cmocka_unit_test(an_offset_of_a_quarter_of_an_hour_keeps_loads_on_the_wall_clock),
        cmocka_unit_test(a_horizon_over_the_change_has_paths_of_46_and_50_half_hours),
        cmocka_unit_test(the_sun_keeps_its_own_time_over_the_change),
        cmocka_unit_test(a_day_that_a_zone_skipped_is_no_day),
        cmocka_unit_test(a_small_hole_is_filled_from_the_days_on_both_sides),
        cmocka_unit_test(a_hole_at_the_end_is_filled_from_the_side_that_is_known),
        cmocka_unit_test(a_time_that_is_never_known_comes_from_profile_and_arrays),
        cmocka_unit_test(a_day_known_to_less_than_nine_tenths_is_no_path),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
