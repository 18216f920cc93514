/* What must hold between the optima of related problems, whatever the numbers. */
#include "reference/planner_fixture.h"

#define PROBLEMS 300
#define SLOTS 40
#define PATHS ((size_t)5)
#define PATH_SLOTS ((size_t)24)

static int set_up(void **state)
{
    return set_up_with(state, 7);
}

static void draw(struct fixture *fixture)
{
    draw_sample(&fixture->sample, &fixture->random, 1 + next_random(&fixture->random) % SLOTS);
    if (chance(&fixture->random, 0.5)) {
        draw_options(&fixture->sample, &fixture->random);
    }
}

static void the_plan_obeys_the_model_and_costs_what_it_says_and_the_bound_is_narrow(void **state)
{
    struct fixture *fixture = *state;
    for (int i = 0; i < PROBLEMS; i++) {
        draw(fixture);
        struct gr_plan plan = solve(fixture, &fixture->sample.problem);
        struct verdict verdict = judge(&fixture->sample.problem, &plan);
        if (verdict.complaint[0]) {
            fail_msg("problem %d: %s", i, verdict.complaint);
        }
        assert_true(fabs(verdict.cost - plan.cost) <= slack(plan.cost));
        assert_true(plan.error_up >= 0 && plan.error_down >= 0);
        assert_true(plan.error_up + plan.error_down <= slack(plan.cost));
        gr_plan_free(&plan);
    }
}

static void a_larger_battery_and_larger_powers_and_limits_never_cost_more(void **state)
{
    struct fixture *fixture = *state;
    for (int i = 0; i < PROBLEMS; i++) {
        draw(fixture);
        struct gr_problem problem = fixture->sample.problem;
        double before = cost_of(fixture, &problem);
        double *const members[] = {&problem.battery.capacity_kwh, &problem.battery.charge_kw,
                                   &problem.battery.discharge_kw, &problem.import_limit_kw,
                                   &problem.export_limit_kw};
        for (size_t k = 0; k < sizeof members / sizeof *members; k++) {
            *members[k] += uniform(&fixture->random, 0, 3);
            double after = cost_of(fixture, &problem);
            assert_true(after <= before + slack(before));
            before = after;
        }
    }
}

/* With prices below zero burning energy can pay, and exported surplus can hit the limit: then a worse battery
 * may win. */
static void
better_efficiency_never_costs_more_where_prices_are_not_negative_and_surplus_can_be_held_back(void **state)
{
    struct fixture *fixture = *state;
    for (int i = 0; i < PROBLEMS; i++) {
        draw(fixture);
        struct gr_problem problem = fixture->sample.problem;
        problem.curtailable = true;
        for (size_t t = 0; t < problem.slots; t++) {
            fixture->sample.import_price[t] = fabs(fixture->sample.import_price[t]);
            fixture->sample.export_price[t] = fabs(fixture->sample.export_price[t]);
        }
        double before = cost_of(fixture, &problem);
        problem.battery.charge_efficiency = uniform(&fixture->random, problem.battery.charge_efficiency, 1);
        double between = cost_of(fixture, &problem);
        problem.battery.discharge_efficiency =
            uniform(&fixture->random, problem.battery.discharge_efficiency, 1);
        double after = cost_of(fixture, &problem);
        assert_true(between <= before + slack(before));
        assert_true(after <= between + slack(between));
    }
}

static void scaling_all_money_scales_the_cost(void **state)
{
    struct fixture *fixture = *state;
    for (int i = 0; i < PROBLEMS; i++) {
        draw(fixture);
        struct sample *sample = &fixture->sample;
        double before = cost_of(fixture, &sample->problem), factor = i % 2 ? 100 : 1e-3;
        scale_money(sample, factor);
        double after = cost_of(fixture, &sample->problem);
        if (fabs(after - factor * before) > factor * slack(before)) {
            fail_msg("problem %d: cost %.12g, scaled %.12g", i, before, after / factor);
        }
    }
}

/* Where cost is convex nothing is won by changing power within a slot; elsewhere something may be (buying in
 * one half what is sold in the other), but nothing can be lost. A standing loss would be charged to energy
 * that the slot's end never sees. */
static void splitting_a_slot_changes_nothing_where_cost_is_convex_and_never_costs_more(void **state)
{
    struct fixture *fixture = *state;
    for (int i = 0; i < PROBLEMS; i++) {
        draw(fixture);
        struct sample *sample = &fixture->sample;
        sample->problem.battery.standing_loss_kw = 0;
        bool convex = i % 2 == 0;
        for (size_t t = 0; t < sample->problem.slots && convex; t++) {
            sample->import_price[t] = fabs(sample->import_price[t]);
            sample->export_price[t] = fmin(fabs(sample->export_price[t]), sample->import_price[t]);
            sample->problem.curtailable = true; /* else the export limit's penalty is a price below zero */
        }
        size_t at = (size_t)uniform(&fixture->random, 0, (double)sample->problem.slots);
        split_slot(&fixture->other, sample, at, uniform(&fixture->random, 0.1, 0.9));
        double before = cost_of(fixture, &sample->problem), after = cost_of(fixture, &fixture->other.problem);
        assert_true(after <= before + slack(before));
        assert_true(!convex || after >= before - slack(before));
    }
}

static void the_marginal_value_is_what_one_more_stored_kwh_saves(void **state)
{
    struct fixture *fixture = *state;
    const double step_kwh = 1e-6;
    int checked = 0;
    for (int i = 0; i < PROBLEMS; i++) {
        draw(fixture);
        const struct gr_problem *problem = &fixture->sample.problem;
        struct gr_plan plan = solve(fixture, problem);
        size_t t = next_random(&fixture->random) % problem->slots;
        double stored_kwh = plan.stored_kwh[t];
        if (t + 1 < problem->slots && stored_kwh + step_kwh <= problem->battery.capacity_kwh) {
            struct gr_problem less = tail_of(problem, t + 1, stored_kwh);
            struct gr_problem more = tail_of(problem, t + 1, stored_kwh + step_kwh);
            double saved = cost_of(fixture, &less) - cost_of(fixture, &more);
            assert_true(fabs(saved / step_kwh - plan.marginal_value_per_kwh[t]) <= 1e-5);
            checked++;
        }
        gr_plan_free(&plan);
    }
    assert_true(checked > PROBLEMS / 2);
}

static void the_values_of_one_path_are_what_the_rest_of_the_problem_costs(void **state)
{
    struct fixture *fixture = *state;
    double weight = 1;
    for (int i = 0; i < PROBLEMS; i++) {
        draw(fixture);
        struct sample *sample = &fixture->sample;
        size_t slots = sample->problem.slots;
        struct gr_paths paths = {.count = 1,
                                 .slots = slots,
                                 .weight = &weight,
                                 .load_kw = sample->load_kw,
                                 .solar_kw = sample->solar_kw};
        struct gr_path_values values;
        struct gr_error error = {""};
        size_t keep = 1 + next_random(&fixture->random) % slots, t = next_random(&fixture->random) % keep;
        assert_int_equal(
            gr_planner_path_values(fixture->planner, &sample->problem, &paths, keep, &values, &error), GR_OK);
        double kwh = uniform(&fixture->random, 0, sample->problem.battery.capacity_kwh);
        double found = gr_value_at(&values.value[t], kwh);
        struct gr_problem tail = tail_of(&sample->problem, t + 1, kwh);
        double expected = t + 1 < slots ? cost_of(fixture, &tail) : -judge_end_value(&sample->problem, kwh);
        assert_true(fabs(found - expected) <= slack(expected));
        gr_path_values_free(&values);
    }
}

static void the_values_of_several_paths_are_the_weighted_mean_of_the_values_of_each(void **state)
{
    struct fixture *fixture = *state;
    static const double weight[PATHS] = {0.1, 0.3, 0.2, 0.15, 0.25};
    for (int i = 0; i < PROBLEMS / 10; i++) {
        draw_sample(&fixture->sample, &fixture->random, PATH_SLOTS);
        struct gr_problem problem = fixture->sample.problem;
        double weights[PATHS], load_kw[PATHS * PATH_SLOTS], solar_kw[PATHS * PATH_SLOTS];
        memcpy(weights, weight, sizeof weights);
        for (size_t k = 0; k < PATHS * PATH_SLOTS; k++) {
            load_kw[k] = uniform(&fixture->random, 0, 3);
            solar_kw[k] = fmax(0, uniform(&fixture->random, -3, 4));
        }
        struct gr_paths paths = {
            .count = PATHS, .slots = PATH_SLOTS, .weight = weights, .load_kw = load_kw, .solar_kw = solar_kw};
        struct gr_path_values values;
        struct gr_error error = {""};
        size_t keep = 10, t = next_random(&fixture->random) % keep;
        assert_int_equal(gr_planner_path_values(fixture->planner, &problem, &paths, keep, &values, &error),
                         GR_OK);
        double kwh = uniform(&fixture->random, 0, problem.battery.capacity_kwh), expected = 0;
        for (size_t p = 0; p < PATHS; p++) {
            problem.load_kw = load_kw + p * PATH_SLOTS;
            problem.solar_kw = solar_kw + p * PATH_SLOTS;
            struct gr_problem tail = tail_of(&problem, t + 1, kwh);
            expected += weight[p] * cost_of(fixture, &tail);
        }
        assert_true(fabs(gr_value_at(&values.value[t], kwh) - expected) <= slack(expected));
        gr_path_values_free(&values);
    }
}

/* The search knows nothing of value functions: it tries all pairs of levels. */
static void the_optimum_lies_between_the_bounds_of_an_exhaustive_search(void **state)
{
    struct fixture *fixture = *state;
    double width = 0;
    int closed = 0;
    for (int i = 0; i < PROBLEMS; i++) {
        draw_sample(&fixture->sample, &fixture->random, 1 + next_random(&fixture->random) % 5);
        if (i % 2) {
            draw_options(&fixture->sample, &fixture->random);
        }
        double low = 0, high = 0, cost = cost_of(fixture, &fixture->sample.problem);
        struct gr_error error = {""};
        assert_int_equal(gr_brute_solve(&fixture->sample.problem, 101, &low, &high, &error), GR_OK);
        if (cost < low - 1e-6 || cost > high + 1e-6) {
            fail_msg("problem %d: cost %.12g, bounds %.12g and %.12g", i, cost, low, high);
        }
        /* With little power no level of the grid can be reached from another. */
        closed += isfinite(high);
        width += isfinite(high) ? (high - low) / (1 + fabs(cost)) : 0;
    }
    print_message("%d of %d searches are closed, bounds %.3f apart in the mean\n", closed, PROBLEMS,
                  width / closed);
    assert_true(closed > PROBLEMS / 2 && width / closed < 0.5);
}

static void a_problem_made_to_grow_is_held_and_says_how_far_it_may_be_off(void **state)
{
    struct fixture *fixture = *state;
    for (size_t slots = 12; slots <= 48; slots += 12) {
        draw_growing(&fixture->sample, slots);
        struct gr_plan plan = solve(fixture, &fixture->sample.problem);
        struct verdict verdict = judge(&fixture->sample.problem, &plan);
        print_message("%zu slots: most points %zu, bound %.1e up, %.1e down\n", slots, plan.most_points,
                      plan.error_up, plan.error_down);
        assert_string_equal(verdict.complaint, "");
        assert_true(plan.most_points > 500 && plan.most_points <= 1000);
        assert_true(plan.error_up + plan.error_down < 1e-3);
        gr_plan_free(&plan);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_plan_obeys_the_model_and_costs_what_it_says_and_the_bound_is_narrow),
        cmocka_unit_test(a_larger_battery_and_larger_powers_and_limits_never_cost_more),
        cmocka_unit_test(
            better_efficiency_never_costs_more_where_prices_are_not_negative_and_surplus_can_be_held_back),
        cmocka_unit_test(scaling_all_money_scales_the_cost),
        cmocka_unit_test(splitting_a_slot_changes_nothing_where_cost_is_convex_and_never_costs_more),
        cmocka_unit_test(the_marginal_value_is_what_one_more_stored_kwh_saves),
        cmocka_unit_test(the_values_of_one_path_are_what_the_rest_of_the_problem_costs),
        cmocka_unit_test(the_values_of_several_paths_are_the_weighted_mean_of_the_values_of_each),
        cmocka_unit_test(the_optimum_lies_between_the_bounds_of_an_exhaustive_search),
        cmocka_unit_test(a_problem_made_to_grow_is_held_and_says_how_far_it_may_be_off),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
