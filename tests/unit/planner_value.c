#include "granary/error.h"
#include "granary/planner.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static double kinked_kwh[] = {0, 2, 10}, kinked_value[] = {5, 1, 0.2};
static double straight_kwh[] = {0, 4, 10}, straight_value[] = {8, 4, -2};

static const struct gr_value kinked = {3, kinked_kwh, kinked_value};
static const struct gr_value straight = {3, straight_kwh, straight_value};

static void assert_near(double found, double expected)
{
    if (!(fabs(found - expected) <= 1e-12)) {
        fail_msg("found %.15g, expected %.15g", found, expected);
    }
}

static void a_value_is_linear_between_its_points_and_level_outside(void **state)
{
    (void)state;
    static const double rows[][2] = {{-1, 5}, {0, 5}, {1, 3}, {2, 1}, {6, 0.6}, {10, 0.2}, {11, 0.2}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_near(gr_value_at(&kinked, rows[i][0]), rows[i][1]);
    }
    assert_near(gr_value_at(&kinked, NAN), 5);
}

static void the_marginal_value_at_a_kink_is_that_above_it_and_at_the_top_that_below(void **state)
{
    (void)state;
    static const double rows[][2] = {{0, 2},        {1, 2},    {2, 0.1}, {2 - 1e-13, 0.1},
                                     {2 - 1e-6, 2}, {10, 0.1}, {12, 0.1}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_near(gr_value_marginal(&kinked, rows[i][0]), rows[i][1]);
    }
}

static void a_value_of_a_single_level_has_no_marginal_value(void **state)
{
    (void)state;
    double kwh = 0, cost = 3;
    const struct gr_value point = {1, &kwh, &cost};
    assert_near(gr_value_at(&point, 5), 3);
    assert_near(gr_value_marginal(&point, 0), 0);
}

static void the_mean_has_the_kinks_of_both_and_is_their_mean_everywhere(void **state)
{
    (void)state;
    const struct gr_value *values[] = {&kinked, &straight};
    const double weights[] = {0.25, 0.75};
    struct gr_value mean;
    assert_int_equal(gr_value_mean(&mean, values, weights, 2), GR_OK);
    for (int eighths = 0; eighths <= 80; eighths++) {
        double kwh = eighths / 8.0;
        assert_near(gr_value_at(&mean, kwh),
                    0.25 * gr_value_at(&kinked, kwh) + 0.75 * gr_value_at(&straight, kwh));
    }
    assert_near(gr_value_marginal(&mean, 1), 0.25 * 2 + 0.75 * 1);
    assert_near(gr_value_marginal(&mean, 3), 0.25 * 0.1 + 0.75 * 1);
    for (size_t i = 1; i < mean.count; i++) {
        assert_true(mean.kwh[i] > mean.kwh[i - 1]);
    }
    gr_value_free(&mean);
    assert_null(mean.kwh);
}

static void a_mean_of_many_is_a_mean_too_and_its_weights_need_not_sum_to_one(void **state)
{
    (void)state;
    const struct gr_value *values[13];
    double weights[13];
    for (size_t i = 0; i < 13; i++) {
        values[i] = i % 3 == 0 ? &straight : &kinked;
        weights[i] = 0.5;
    }
    struct gr_value mean;
    assert_int_equal(gr_value_mean(&mean, values, weights, 13), GR_OK);
    assert_near(gr_value_at(&mean, 7), 2.5 * gr_value_at(&straight, 7) + 4 * gr_value_at(&kinked, 7));
    assert_int_equal(mean.count, 4);
    gr_value_free(&mean);
}

static void one_kink_met_twice_within_rounding_stays_one(void **state)
{
    (void)state;
    double kwh[] = {0, 2 + 4e-16, 10};
    const struct gr_value same = {3, kwh, kinked_value}, *values[] = {&kinked, &same};
    const double weights[] = {0.5, 0.5};
    struct gr_value mean;
    assert_int_equal(gr_value_mean(&mean, values, weights, 2), GR_OK);
    assert_int_equal(mean.count, 3);
    gr_value_free(&mean);
}

static void a_mean_of_nothing_is_refused(void **state)
{
    (void)state;
    struct gr_value mean;
    assert_int_equal(gr_value_mean(&mean, NULL, NULL, 0), GR_INVALID);
    assert_int_equal(mean.count, 0);
    double kwh[] = {0, 1}, value[] = {0, -1}, weights[] = {0.5, 0.5};
    const struct gr_value line = {2, kwh, value}, nothing = {0, NULL, NULL};
    const struct gr_value *both[] = {&line, &nothing};
    assert_int_equal(gr_value_mean(&mean, both, weights, 2), GR_INVALID);
    assert_int_equal(mean.count, 0);
}

/* ---- over paths ---- */

static double hours[] = {1, 1}, import_price[] = {0.1, 0.3}, export_price[] = {0, 0}, floor_kwh[] = {0, 0};
static double weight[] = {0.5, 0.5}, load_kw[] = {0, 1, 0, 3}, solar_kw[] = {0, 0, 0, 0};

static struct gr_problem two_hours(void)
{
    return (struct gr_problem){.slots = 2,
                               .hours = hours,
                               .import_price = import_price,
                               .export_price = export_price,
                               .floor_kwh = floor_kwh,
                               .battery = {10, 5, 5, 1, 1, 0, 0},
                               .import_limit_kw = 20,
                               .export_limit_kw = 20,
                               .penalty_per_kwh = 10};
}

/* Half of the days take 1 kWh at 0.30, half take 3: the first kWh saves 0.30, the next two 0.15 in the mean.
 */
static void a_kwh_needed_on_half_of_the_paths_is_worth_half(void **state)
{
    (void)state;
    const struct gr_problem problem = two_hours();
    const struct gr_paths paths = {
        .count = 2, .slots = 2, .weight = weight, .load_kw = load_kw, .solar_kw = solar_kw};
    struct gr_planner *planner = NULL;
    struct gr_path_values values;
    struct gr_error error = {""};
    assert_int_equal(gr_planner_create(&planner), GR_OK);
    assert_int_equal(gr_planner_path_values(planner, &problem, &paths, 2, &values, &error), GR_OK);
    assert_int_equal(values.slots, 2);
    assert_near(gr_value_at(&values.value[0], 0), 0.6);
    assert_near(gr_value_marginal(&values.value[0], 0.5), 0.30);
    assert_near(gr_value_marginal(&values.value[0], 2), 0.15);
    assert_near(gr_value_marginal(&values.value[0], 4), 0);
    assert_near(gr_value_at(&values.value[1], 4), 0);
    gr_path_values_free(&values);
    gr_planner_free(planner);
}

static void take_values(struct gr_planner *planner, const struct gr_problem *problem,
                        const struct gr_paths *paths, struct gr_path_values *out)
{
    struct gr_error error = {""};
    assert_int_equal(gr_planner_path_values(planner, problem, paths, paths->slots, out, &error), GR_OK);
}

/* 4 kWh are used in the second hour, at 0.10 on half of the days and at 0.50 on the others. */
static void a_kwh_is_worth_the_mean_of_what_it_saves_at_each_paths_own_prices(void **state)
{
    (void)state;
    double loads_kw[] = {0, 4, 0, 4}, imports[] = {0.1, 0.1, 0.1, 0.5}, exports[] = {0, 0, 0, 0};
    const struct gr_problem problem = two_hours();
    struct gr_paths paths = {.count = 2,
                             .slots = 2,
                             .weight = weight,
                             .load_kw = loads_kw,
                             .solar_kw = solar_kw,
                             .import_price = imports,
                             .export_price = exports};
    struct gr_planner *planner = NULL;
    struct gr_path_values values;
    assert_int_equal(gr_planner_create(&planner), GR_OK);
    take_values(planner, &problem, &paths, &values);
    assert_near(gr_value_at(&values.value[0], 0), 0.5 * 0.4 + 0.5 * 2);
    assert_near(gr_value_marginal(&values.value[0], 2), 0.30);
    gr_path_values_free(&values);
    gr_planner_free(planner);
}

/* In the third hour 2 kWh are used, at 0.10 or at 0.50; in the second they can be bought for 0.20. Who knows
 * the price of the third hour pays 0.10 or 0.20 for each, 0.15 in the mean; who does not buys at 0.20, as
 * waiting costs 0.30. */
static void nothing_is_known_of_a_path_beyond_the_meeting(void **state)
{
    (void)state;
    double three_hours[] = {1, 1, 1}, loads_kw[] = {0, 0, 2, 0, 0, 2}, suns_kw[6] = {0}, floors_kwh[3] = {0};
    double imports[] = {1, 0.2, 0.1, 1, 0.2, 0.5}, exports[6] = {0};
    struct gr_problem problem = two_hours();
    problem.slots = 3;
    problem.hours = three_hours;
    problem.floor_kwh = floors_kwh;
    problem.import_price = imports;
    problem.export_price = exports;
    struct gr_paths paths = {.count = 2,
                             .slots = 3,
                             .weight = weight,
                             .load_kw = loads_kw,
                             .solar_kw = suns_kw,
                             .import_price = imports,
                             .export_price = exports};
    struct gr_planner *planner = NULL;
    assert_int_equal(gr_planner_create(&planner), GR_OK);
    const double expected[] = {2 * 0.15, 2 * 0.15, 2 * 0.20, 2 * 0.15};
    for (size_t meet = 0; meet < 4; meet++) {
        struct gr_path_values values;
        paths.meet = meet;
        take_values(planner, &problem, &paths, &values);
        assert_near(gr_value_at(&values.value[0], 0), expected[meet]);
        assert_near(gr_value_at(&values.value[1], 0), 2 * 0.30);
        assert_true(values.meeting_error < 1e-3);
        gr_path_values_free(&values);
    }
    gr_planner_free(planner);
}

static struct gr_paths paths_of(size_t count, size_t slots, double *weights, double *loads_kw)
{
    return (struct gr_paths){
        .count = count, .slots = slots, .weight = weights, .load_kw = loads_kw, .solar_kw = solar_kw};
}

static void paths_that_do_not_fit_are_refused_by_number(void **state)
{
    (void)state;
    double odd_weight[] = {0.5, 0.6}, negative_weight[] = {1.5, -0.5}, bad_load_kw[] = {0, 1, 0, -3};
    const struct {
        struct gr_paths paths;
        size_t keep;
        const char *message;
    } rows[] = {
        {paths_of(0, 2, weight, load_kw), 1, "found 0 paths of 2 slots, needed is at least one of 2 slots"},
        {paths_of(2, 1, weight, load_kw), 1, "found 2 paths of 1 slots, needed is at least one of 2 slots"},
        {paths_of(2, 2, odd_weight, load_kw), 1, "the weights of 2 paths add up to 1.1, not 1"},
        {paths_of(2, 2, negative_weight, load_kw), 1, "path 1: found weight -0.5, allowed is 0 to 1"},
        {paths_of(2, 2, weight, bad_load_kw), 1,
         "path 1: load_kw, slot 1: found -3 kW, allowed is 0 to 1e+09"},
        {paths_of(2, 2, weight, load_kw), 3, "found 3 slots to keep, allowed is 1 to 2"},
        {paths_of(2, 2, weight, load_kw), 0, "found 0 slots to keep, allowed is 1 to 2"},
    };
    const struct gr_problem problem = two_hours();
    struct gr_planner *planner = NULL;
    assert_int_equal(gr_planner_create(&planner), GR_OK);
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_path_values values;
        struct gr_error error = {""};
        assert_int_equal(
            gr_planner_path_values(planner, &problem, &rows[i].paths, rows[i].keep, &values, &error),
            GR_INVALID);
        assert_string_equal(error.text, rows[i].message);
        assert_null(values.value);
    }
    gr_planner_free(planner);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_value_is_linear_between_its_points_and_level_outside),
        cmocka_unit_test(the_marginal_value_at_a_kink_is_that_above_it_and_at_the_top_that_below),
        cmocka_unit_test(a_value_of_a_single_level_has_no_marginal_value),
        cmocka_unit_test(the_mean_has_the_kinks_of_both_and_is_their_mean_everywhere),
        cmocka_unit_test(a_mean_of_many_is_a_mean_too_and_its_weights_need_not_sum_to_one),
        cmocka_unit_test(one_kink_met_twice_within_rounding_stays_one),
        cmocka_unit_test(a_mean_of_nothing_is_refused),
        cmocka_unit_test(a_kwh_needed_on_half_of_the_paths_is_worth_half),
        cmocka_unit_test(a_kwh_is_worth_the_mean_of_what_it_saves_at_each_paths_own_prices),
        cmocka_unit_test(nothing_is_known_of_a_path_beyond_the_meeting),
        cmocka_unit_test(paths_that_do_not_fit_are_refused_by_number),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
