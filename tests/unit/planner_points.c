/* The three operations on piecewise-linear functions, against what they mean. */
#include "planner/points.h"
#include "reference/planner_problem.h"

#include "granary/error.h"

#include <setjmp.h>
#include <stdarg.h>

#include <cmocka.h>

#define TRIALS 2000
#define MOST_POINTS 12

static void draw_function(struct gr_points *out, uint64_t *random, double start)
{
    size_t count = 1 + next_random(random) % MOST_POINTS;
    assert_int_equal(gr_points_reserve(out, count), GR_OK);
    out->count = 0;
    double x = start;
    for (size_t i = 0; i < count; i++) {
        /* Whole numbers half of the time: level pieces, equal slopes and coinciding kinks. */
        bool whole = chance(random, 0.5);
        gr_points_push(out, x, whole ? rounded(random, -2, 2, 1) : uniform(random, -2, 2));
        x += whole ? 1 : uniform(random, 1e-3, 1.5);
    }
}

static double last_x(const struct gr_points *points)
{
    return points->at[points->count - 1].x;
}

static void assert_rising(const struct gr_points *points)
{
    for (size_t i = 1; i < points->count; i++) {
        assert_true(points->at[i].x >= points->at[i - 1].x);
    }
}

/* The convolution at one place, from its definition: the least of a piecewise-linear function lies at a kink
 * or at an end of the window. */
static double widened_by_definition(const struct gr_points *f, double slope, double length, double x)
{
    double low = fmax(f->at[0].x, x - length), high = fmin(last_x(f), x);
    double least = fmin(gr_points_value(f->at, f->count, low) + slope * (x - low),
                        gr_points_value(f->at, f->count, high) + slope * (x - high));
    for (size_t i = 0; i < f->count; i++) {
        if (f->at[i].x >= low && f->at[i].x <= high) {
            least = fmin(least, f->at[i].value + slope * (x - f->at[i].x));
        }
    }
    return least;
}

static void check_widening(const struct gr_points *f, double slope, double length, int trial)
{
    struct gr_points out = {0};
    assert_int_equal(gr_points_widen(&out, f, slope, length), GR_OK);
    assert_rising(&out);
    assert_true(fabs(last_x(&out) - last_x(f) - length) < 1e-12);
    for (int k = 0; k <= 200; k++) {
        double x = fmin(last_x(&out), f->at[0].x + (last_x(&out) - f->at[0].x) * k / 200);
        double found = gr_points_value(out.at, out.count, x);
        double expected = widened_by_definition(f, slope, length, fmin(x, last_x(f) + length));
        if (fabs(found - expected) > 1e-9) {
            fail_msg("trial %d: at %.12g found %.12g, expected %.12g", trial, x, found, expected);
        }
    }
    gr_points_free(&out);
}

static void widening_is_the_min_plus_convolution_with_a_straight_piece(void **state)
{
    (void)state;
    uint64_t random = test_seed(11);
    struct gr_points f = {0};
    for (int trial = 0; trial < TRIALS; trial++) {
        draw_function(&f, &random, uniform(&random, -1, 1));
        double slope = rounded(&random, -2, 2, 0.5);
        double length = chance(&random, 0.5) ? rounded(&random, 0, 5, 1) : uniform(&random, 0, 5);
        check_widening(&f, slope, length, trial);
    }
    gr_points_free(&f);
}

/* Seen along the slope the function has steps of whole heights, but for rounding: rising sides that end where
 * the next valley begins. */
static void widening_bears_pieces_that_are_parallel_to_the_slope_but_for_rounding(void **state)
{
    (void)state;
    uint64_t random = test_seed(15);
    struct gr_points f = {0};
    for (int trial = 0; trial < TRIALS; trial++) {
        double slope = uniform(&random, -2, 2);
        draw_function(&f, &random, 0);
        for (size_t i = 0; i < f.count; i++) {
            f.at[i].value = round(f.at[i].value) + slope * f.at[i].x;
        }
        check_widening(&f, slope, uniform(&random, 0, 5), trial);
    }
    gr_points_free(&f);
}

/* Slopes from a sorted list of few values, so that equal ones are common; some pieces have next to no length
 * and any slope, as rounding makes them. */
static void draw_convex(struct gr_points *out, uint64_t *random, double start)
{
    size_t count = 1 + next_random(random) % MOST_POINTS;
    double slope = rounded(random, -3, 0, 0.5), x = start, value = uniform(random, -1, 1);
    assert_int_equal(gr_points_reserve(out, 2 * count), GR_OK);
    out->count = 0;
    for (size_t i = 0; i < count; i++) {
        gr_points_push(out, x, value);
        if (chance(random, 0.2)) {
            x += 1e-15 * (1 + fabs(x));
            gr_points_push(out, x, value + uniform(random, -1e-14, 1e-14));
        }
        double length = uniform(random, 0.1, 2);
        x += length;
        value += slope * length;
        slope += rounded(random, 0, 1, 0.5);
    }
}

static double convolved_by_definition(const struct gr_points *f, const struct gr_points *g, double x)
{
    double least = INFINITY;
    for (size_t i = 0; i < f->count + g->count; i++) {
        double part = i < f->count ? f->at[i].x : x - g->at[i - f->count].x;
        if (part >= f->at[0].x - 1e-12 && part <= last_x(f) + 1e-12 && x - part >= g->at[0].x - 1e-12 &&
            x - part <= last_x(g) + 1e-12) {
            least = fmin(least,
                         gr_points_value(f->at, f->count, part) + gr_points_value(g->at, g->count, x - part));
        }
    }
    return least;
}

static const struct gr_prune_rule exact = {.tolerance = 1e-13, .gap = 1e-12, .most = SIZE_MAX};

static void merging_slopes_is_the_min_plus_convolution_of_two_convex_functions(void **state)
{
    (void)state;
    uint64_t random = test_seed(16);
    struct gr_points f = {0}, g = {0}, out = {0};
    for (int trial = 0; trial < TRIALS; trial++) {
        draw_convex(&f, &random, uniform(&random, -1, 0));
        draw_convex(&g, &random, uniform(&random, -1, 0));
        double first = f.at[0].x + g.at[0].x, last = last_x(&f) + last_x(&g);
        double low = chance(&random, 0.2) ? first : uniform(&random, first, last);
        double high = chance(&random, 0.2) ? last : chance(&random, 0.1) ? low : uniform(&random, low, last);
        double error = -1;
        assert_int_equal(gr_points_merge(&out, &(struct gr_run){f.at, f.count},
                                         &(struct gr_run){g.at, g.count}, &(struct gr_span){low, high},
                                         &exact, &error),
                         GR_OK);
        assert_true(error >= 0 && error < 1e-12);
        assert_rising(&out);
        assert_true(out.at[0].x == low && last_x(&out) == high);
        for (int k = 0; k <= 50; k++) {
            double x = low + (high - low) * k / 50;
            double found = gr_points_value(out.at, out.count, x);
            double expected = convolved_by_definition(&f, &g, x);
            if (fabs(found - expected) > 1e-9) {
                fail_msg("trial %d: at %.12g found %.12g, expected %.12g", trial, x, found, expected);
            }
        }
    }
    gr_points_free(&f);
    gr_points_free(&g);
    gr_points_free(&out);
}

static double value_or_infinite(const struct gr_points *f, double x)
{
    return x < f->at[0].x || x > last_x(f) ? INFINITY : gr_points_value(f->at, f->count, x);
}

static void
the_lower_envelope_is_the_lower_of_the_two_wherever_both_reach_and_each_alone_elsewhere(void **state)
{
    (void)state;
    uint64_t random = test_seed(12);
    struct gr_points f = {0}, g = {0}, out = {0};
    for (int trial = 0; trial < TRIALS; trial++) {
        draw_function(&f, &random, 0);
        draw_function(&g, &random, 0);
        assert_int_equal(gr_points_lower(&out, &f, &g), GR_OK);
        assert_rising(&out);
        double end = fmin(last_x(&f), last_x(&g));
        for (int k = 0; k < 200; k++) {
            double x = end * k / 200;
            double expected = fmin(value_or_infinite(&f, x), value_or_infinite(&g, x));
            assert_true(fabs(gr_points_value(out.at, out.count, x) - expected) < 1e-9);
        }
        assert_true(last_x(&out) == fmax(last_x(&f), last_x(&g)));
    }
    gr_points_free(&f);
    gr_points_free(&g);
    gr_points_free(&out);
}

static void the_sum_is_the_sum_everywhere(void **state)
{
    (void)state;
    uint64_t random = test_seed(13);
    struct gr_points f = {0}, g = {0}, out = {0};
    for (int trial = 0; trial < TRIALS; trial++) {
        draw_function(&f, &random, 0);
        draw_function(&g, &random, 0);
        assert_int_equal(gr_points_add(&out, &f, &g), GR_OK);
        for (int k = 0; k < 100; k++) {
            double x = last_x(&out) * k / 100;
            double expected = gr_points_value(f.at, f.count, x) + gr_points_value(g.at, g.count, x);
            assert_true(fabs(gr_points_value(out.at, out.count, x) - expected) < 1e-12);
        }
    }
    gr_points_free(&f);
    gr_points_free(&g);
    gr_points_free(&out);
}

static void a_function_cut_to_an_interval_is_unchanged_inside_and_gone_outside(void **state)
{
    (void)state;
    struct gr_points f = {0};
    assert_int_equal(gr_points_reserve(&f, 8), GR_OK);
    gr_points_push(&f, -2, 4);
    gr_points_push(&f, 2, 0);
    gr_points_push(&f, 6, 8);
    gr_points_clip(&f, 0, 4, 0);
    assert_int_equal(f.count, 3);
    assert_true(f.at[0].x == 0 && f.at[0].value == 2 && f.at[2].x == 4 && f.at[2].value == 4);
    gr_points_clip(&f, 5, 9, 0);
    assert_int_equal(f.count, 0);
    gr_points_push(&f, 0, 1);
    gr_points_push(&f, 4 - 1e-14, 2);
    gr_points_clip(&f, 0, 4, 1e-12);
    assert_true(f.at[1].x == 4);
    gr_points_free(&f);
}

static void pruning_keeps_the_ends_and_reports_the_error_it_really_made(void **state)
{
    (void)state;
    uint64_t random = test_seed(14);
    struct gr_points in = {0}, out = {0};
    for (int trial = 0; trial < TRIALS; trial++) {
        const struct gr_prune_rule rule = {uniform(&random, 0, 0.5), 1e-12, chance(&random, 0.5) ? 5 : 1000};
        draw_function(&in, &random, 0);
        assert_int_equal(gr_points_reserve(&out, in.count), GR_OK);
        double over = 0, under = 0, worst_over = 0, worst_under = 0;
        out.count = gr_points_prune(out.at, &in, &rule, &over, &under);
        for (size_t i = 0; i < in.count; i++) {
            double off = gr_points_value(out.at, out.count, in.at[i].x) - in.at[i].value;
            worst_over = fmax(worst_over, off);
            worst_under = fmax(worst_under, -off);
        }
        assert_true(fabs(worst_over - over) < 1e-12 && fabs(worst_under - under) < 1e-12);
        assert_true(rule.most < 1000 || (over <= rule.tolerance + 1e-12 && under <= rule.tolerance + 1e-12));
        assert_true(out.count <= rule.most);
        assert_true(out.at[0].value == in.at[0].value && last_x(&out) == last_x(&in));
    }
    gr_points_free(&in);
    gr_points_free(&out);
}

static void points_on_one_line_and_points_too_close_to_matter_become_two(void **state)
{
    (void)state;
    struct gr_points in = {0}, out = {0};
    assert_int_equal(gr_points_reserve(&in, 8), GR_OK);
    assert_int_equal(gr_points_reserve(&out, 8), GR_OK);
    for (int i = 0; i <= 4; i++) {
        gr_points_push(&in, i, 3 - 0.5 * i);
    }
    gr_points_push(&in, 4 + 1e-13, 1);
    double over = 0, under = 0;
    const struct gr_prune_rule rule = {1e-12, 1e-11, 1000};
    assert_int_equal(gr_points_prune(out.at, &in, &rule, &over, &under), 2);
    assert_true(over < 1e-12 && under < 1e-12);
    gr_points_free(&in);
    gr_points_free(&out);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(widening_is_the_min_plus_convolution_with_a_straight_piece),
        cmocka_unit_test(merging_slopes_is_the_min_plus_convolution_of_two_convex_functions),
        cmocka_unit_test(widening_bears_pieces_that_are_parallel_to_the_slope_but_for_rounding),
        cmocka_unit_test(
            the_lower_envelope_is_the_lower_of_the_two_wherever_both_reach_and_each_alone_elsewhere),
        cmocka_unit_test(the_sum_is_the_sum_everywhere),
        cmocka_unit_test(a_function_cut_to_an_interval_is_unchanged_inside_and_gone_outside),
        cmocka_unit_test(pruning_keeps_the_ends_and_reports_the_error_it_really_made),
        cmocka_unit_test(points_on_one_line_and_points_too_close_to_matter_become_two),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
