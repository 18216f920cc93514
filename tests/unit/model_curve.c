/* Curves of the battery, by hand and at random. */
#include "check.h"

#include "granary/curve.h"
#include "reference/planner_problem.h"

static void a_curve_is_straight_between_its_points_and_level_outside(void **state)
{
    (void)state;
    const struct gr_curve_points points = {3, {1, 2, 4}, {5, 3, 2}};
    struct gr_curve curve = gr_curve_of(&points);
    assert_near(gr_curve_value(&curve, 0), 5, 0);
    assert_near(gr_curve_value(&curve, 1.5), 4, 1e-15);
    assert_near(gr_curve_value(&curve, 3), 2.5, 1e-15);
    assert_near(gr_curve_value(&curve, 9), 2, 0);
    const struct gr_curve_points one_point = {1, {2}, {7}};
    struct gr_curve level = gr_curve_of(&one_point);
    assert_near(gr_curve_value(&level, 0), 7, 0);
    assert_near(gr_curve_value(&level, 5), 7, 0);
}

/* 3 kWh below 2 and 1 above: 2 x 0.5 + 1 x 0.1. */
static void steps_are_summed_from_level_to_level(void **state)
{
    (void)state;
    const struct gr_curve_points points = {2, {0, 2}, {0.5, 0.1}};
    struct gr_curve steps = gr_curve_of(&points);
    assert_near(gr_curve_steps(&steps, 0, 3), 1.1, 1e-15);
    assert_near(gr_curve_steps(&steps, 1, 1), 0, 0);
    assert_near(gr_curve_steps(&steps, 2.5, 4.5), 0.2, 1e-15);
}

static void levels_scale_with_the_capacity_and_powers_do_not(void **state)
{
    (void)state;
    struct gr_battery_curves curves = {.charge_power = {2, {8, 10}, {4, 1}},
                                       .discharge_power = {1, {2}, {3}},
                                       .charge_loss = {2, {0, 4}, {0.1, 0.3}},
                                       .wear_steps = {2, {0, 4}, {0.1, 0}}};
    gr_battery_curves_scale(&curves, 0.5);
    assert_near(curves.charge_power.x[1], 5, 0);
    assert_near(curves.charge_power.y[1], 1, 0);
    assert_near(curves.discharge_power.x[0], 1, 0);
    assert_near(curves.charge_loss.x[1], 4, 0);
    assert_near(curves.wear_steps.x[1], 2, 0);
}

/* A hair more than nothing would be a move of its own, which rounding makes as good as resting. */
static void the_power_that_the_loss_takes_alone_stores_nothing_at_all(void **state)
{
    (void)state;
    uint64_t random = test_seed(24);
    for (int i = 0; i < 10000; i++) {
        struct gr_curve_points points = {2, {0, 5}, {uniform(&random, 0, 0.3), uniform(&random, 0.3, 1)}};
        struct gr_curve loss = gr_curve_of(&points);
        double idle_kw = gr_curve_idle_kw(&loss), more_kw = gr_curve_charge_kw(&loss, 0.1);
        assert_true(gr_curve_stored_kw(&loss, idle_kw) == 0);
        assert_near(gr_curve_stored_kw(&loss, more_kw), 0.1, 1e-12);
        assert_near(gr_curve_taken_kw(&loss, gr_curve_discharge_kw(&loss, 2)), 2, 1e-12);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_curve_is_straight_between_its_points_and_level_outside),
        cmocka_unit_test(steps_are_summed_from_level_to_level),
        cmocka_unit_test(levels_scale_with_the_capacity_and_powers_do_not),
        cmocka_unit_test(the_power_that_the_loss_takes_alone_stores_nothing_at_all),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
