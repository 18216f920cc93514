/* The ring of half-hour means. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "granary/history.h"

#include <math.h>

static const int64_t day_s = 86400;
static const int64_t origin_s = 1782000000;

static int set_up(void **state)
{
    return gr_history_create((struct gr_history **)state);
}

static int tear_down(void **state)
{
    gr_history_free(*state);
    return 0;
}

static double house_at(const struct gr_history *history, int64_t start_s)
{
    double kw = -7;
    int code = gr_history_house(history, start_s, &kw);
    assert_true(code == GR_OK ? kw >= 0 : code == GR_NOT_FOUND && kw == -7);
    return code == GR_OK ? kw : NAN;
}

static double solar_at(const struct gr_history *history, int64_t start_s)
{
    double kw = -7;
    int code = gr_history_solar(history, start_s, &kw);
    assert_true(code == GR_OK ? kw >= 0 : code == GR_NOT_FOUND && kw == -7);
    return code == GR_OK ? kw : NAN;
}

static void an_empty_history_knows_nothing(void **state)
{
    for (int64_t t = origin_s - day_s; t < origin_s + day_s; t += 1800) {
        assert_true(isnan(house_at(*state, t)) && isnan(solar_at(*state, t)));
    }
    assert_true(isnan(house_at(*state, 0)));
}

static void what_was_put_is_found_at_its_own_half_hour_only(void **state)
{
    gr_history_put(*state, origin_s, 1.5, 2.5);
    assert_true(house_at(*state, origin_s) == 1.5 && solar_at(*state, origin_s) == 2.5);
    assert_true(isnan(house_at(*state, origin_s + 1800)));
    assert_true(isnan(house_at(*state, origin_s + 1)));
    assert_true(isnan(house_at(*state, origin_s - 35 * day_s)));
    assert_true(isnan(house_at(*state, origin_s + 35 * day_s)));
}

static void house_and_sun_are_looked_at_apart(void **state)
{
    gr_history_put(*state, origin_s, 1.5, NAN);
    assert_true(house_at(*state, origin_s) == 1.5 && isnan(solar_at(*state, origin_s)));
    gr_history_put(*state, origin_s, NAN, 0.5);
    assert_true(house_at(*state, origin_s) == 1.5 && solar_at(*state, origin_s) == 0.5);
}

static void a_later_value_replaces_and_an_unknown_one_does_not(void **state)
{
    gr_history_put(*state, origin_s, 1, 1);
    gr_history_put(*state, origin_s, 2, NAN);
    gr_history_put(*state, origin_s, INFINITY, -INFINITY);
    assert_true(house_at(*state, origin_s) == 2 && solar_at(*state, origin_s) == 1);
}

static void a_negative_power_counts_as_nothing(void **state)
{
    gr_history_put(*state, origin_s, -0.3, -0.01);
    assert_true(house_at(*state, origin_s) == 0 && solar_at(*state, origin_s) == 0);
}

static void a_start_that_is_no_half_hour_is_ignored(void **state)
{
    gr_history_put(*state, origin_s + 900, 1, 1);
    for (int64_t t = origin_s - 3600; t <= origin_s + 3600; t += 900) {
        assert_true(isnan(house_at(*state, t)));
    }
}

static void the_ring_holds_35_days_and_forgets_what_is_older(void **state)
{
    int64_t span_s = GR_HISTORY_DAYS * day_s;
    for (int64_t t = 0; t < 2 * span_s; t += 1800) {
        gr_history_put(*state, origin_s + t, (double)t, NAN);
    }
    for (int64_t t = 0; t < 2 * span_s; t += 1800) {
        double kw = house_at(*state, origin_s + t);
        assert_true(t < span_s ? isnan(kw) : kw == (double)t);
    }
}

static void after_a_leap_the_old_values_do_not_come_back(void **state)
{
    gr_history_put(*state, origin_s, 1, 1);
    gr_history_put(*state, origin_s + 40 * day_s, 2, 2);
    assert_true(isnan(house_at(*state, origin_s)));
    gr_history_put(*state, origin_s, 3, 3);
    assert_true(isnan(house_at(*state, origin_s)));
    assert_true(house_at(*state, origin_s + 40 * day_s) == 2);
}

static void half_hours_may_come_in_any_order_and_before_1970(void **state)
{
    gr_history_put(*state, -1800, 1, NAN);
    gr_history_put(*state, -day_s, 2, NAN);
    gr_history_put(*state, 0, 3, NAN);
    assert_true(house_at(*state, -1800) == 1 && house_at(*state, -day_s) == 2 && house_at(*state, 0) == 3);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(an_empty_history_knows_nothing, set_up, tear_down),
        cmocka_unit_test_setup_teardown(what_was_put_is_found_at_its_own_half_hour_only, set_up, tear_down),
        cmocka_unit_test_setup_teardown(house_and_sun_are_looked_at_apart, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_later_value_replaces_and_an_unknown_one_does_not, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(a_negative_power_counts_as_nothing, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_start_that_is_no_half_hour_is_ignored, set_up, tear_down),
        cmocka_unit_test_setup_teardown(the_ring_holds_35_days_and_forgets_what_is_older, set_up, tear_down),
        cmocka_unit_test_setup_teardown(after_a_leap_the_old_values_do_not_come_back, set_up, tear_down),
        cmocka_unit_test_setup_teardown(half_hours_may_come_in_any_order_and_before_1970, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
