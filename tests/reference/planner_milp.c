/* Small random problems of every awkward kind against a mixed-integer programme solved by GLPK 5.0 (branch
 * and bound, gap 0): another model, other mathematics, other code. */
#include "reference/planner_milp.h"
#include "reference/planner_problem.h"

#include "granary/error.h"

#include <setjmp.h>
#include <stdarg.h>

#include <cmocka.h>

#define PROBLEMS 300

static void complain(const struct gr_problem *problem, const char *what, double found, double expected)
{
    const struct gr_battery *b = &problem->battery;
    print_error("%s: found %.12g, expected %.12g\n", what, found, expected);
    print_error(
        "capacity %.17g charge %.17g discharge %.17g eta %.17g %.17g loss %.17g wear %.17g start %.17g\n",
        b->capacity_kwh, b->charge_kw, b->discharge_kw, b->charge_efficiency, b->discharge_efficiency,
        b->standing_loss_kw, b->wear_per_kwh, problem->start_kwh);
    print_error("limits %.17g %.17g curtailable %d penalty %.17g end points %zu\n", problem->import_limit_kw,
                problem->export_limit_kw, problem->curtailable, problem->penalty_per_kwh,
                problem->end_points);
    for (size_t t = 0; t < problem->slots; t++) {
        print_error("h %.17g load %.17g solar %.17g import %.17g export %.17g floor %.17g\n",
                    problem->hours[t], problem->load_kw[t], problem->solar_kw[t], problem->import_price[t],
                    problem->export_price[t], problem->floor_kwh[t]);
    }
}

static void compare_with_glpk(bool options)
{
    uint64_t random = test_seed(20261125);
    struct gr_planner *planner = NULL;
    assert_int_equal(gr_planner_create(&planner), GR_OK);
    double worst = 0;
    int unproven = 0;
    for (int i = 0; i < PROBLEMS; i++) {
        struct sample sample;
        draw_sample(&sample, &random, 2 + next_random(&random) % 7);
        if (options) {
            draw_options(&sample, &random);
        }
        struct gr_error error = {""};
        struct gr_plan plan;
        if (gr_planner_solve(planner, &sample.problem, &plan, &error) != GR_OK) {
            fail_msg("problem %d: %s", i, error.text);
        }
        double expected = solve_with_glpk(&sample.problem, 2000);
        unproven += isnan(expected);
        double off = isnan(expected) ? 0 : fabs(plan.cost - expected) / fmax(1, fabs(expected));
        worst = fmax(worst, off);
        struct verdict verdict = judge(&sample.problem, &plan);
        bool in_bound =
            !(expected < plan.cost - plan.error_down - 1e-9 || expected > plan.cost + plan.error_up + 1e-9);
        if (off > 1e-6 || !in_bound || verdict.complaint[0]) {
            complain(&sample.problem, "optimum", plan.cost, expected);
            fail_msg("problem %d of %zu slots: %s", i, sample.problem.slots, verdict.complaint);
        }
        gr_plan_free(&plan);
    }
    print_message("%d problems, %d not proven by GLPK in 2 s, largest difference %.2e\n", PROBLEMS, unproven,
                  worst);
    assert_true(unproven <= PROBLEMS / 50);
    gr_planner_free(planner);
}

static void the_optimum_of_small_awkward_problems_is_that_of_a_mixed_integer_programme(void **state)
{
    (void)state;
    compare_with_glpk(false);
}

static void so_it_is_where_limits_powers_wishes_and_carbon_differ_from_slot_to_slot(void **state)
{
    (void)state;
    compare_with_glpk(true);
}

static void the_bound_of_a_problem_too_large_to_be_exact_holds(void **state)
{
    (void)state;
    struct gr_planner *planner = NULL;
    assert_int_equal(gr_planner_create(&planner), GR_OK);
    struct sample sample;
    struct gr_error error = {""};
    struct gr_plan plan;
    draw_growing(&sample, 12);
    assert_int_equal(gr_planner_solve(planner, &sample.problem, &plan, &error), GR_OK);
    double optimum = solve_with_glpk(&sample.problem, 20000);
    print_message("found %.9f, bound %.1e below and %.1e above, optimum %.9f\n", plan.cost, plan.error_down,
                  plan.error_up, optimum);
    assert_true(optimum >= plan.cost - plan.error_down);
    assert_true(optimum <= plan.cost + plan.error_up + 1e-9);
    assert_true(optimum < plan.cost - 1e-6); /* else this problem shows nothing */
    gr_plan_free(&plan);
    gr_planner_free(planner);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_optimum_of_small_awkward_problems_is_that_of_a_mixed_integer_programme),
        cmocka_unit_test(so_it_is_where_limits_powers_wishes_and_carbon_differ_from_slot_to_slot),
        cmocka_unit_test(the_bound_of_a_problem_too_large_to_be_exact_holds),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
