/* The same with all that a problem may say: curves, states, an inverter that sun and battery share. */
#include "reference/planner_fixture.h"

#define PROBLEMS 400
#define SLOTS ((size_t)12)

/* A problem and what it points to. */
struct whole {
    struct gr_battery_curves curves;
    double dc_solar_kw[MOST_SLOTS];
    size_t full_by;
};

static int set_up(void **state)
{
    return set_up_with(state, 8);
}

enum { WITH_CHANGES = 1, WITH_WINDOWS = 2, WITH_INVERTER = 4 };

/* Curves, and each of what is asked for with one chance in two. */
static struct gr_problem *draw(struct fixture *fixture, struct whole *whole, int with)
{
    struct gr_problem *problem = &fixture->sample.problem;
    uint64_t *random = &fixture->random;
    draw_sample(&fixture->sample, random, 2 + next_random(random) % (SLOTS - 1));
    draw_curves(&whole->curves, &problem->battery, random);
    gr_problem_take_curves(problem, &whole->curves);
    if (with & WITH_CHANGES && chance(random, 0.5)) {
        problem->change_cost = uniform(random, 0.001, 0.1);
        problem->first_kind = (enum gr_command_kind)(next_random(random) % GR_COMMAND_KINDS);
    }
    if (with & WITH_WINDOWS && chance(random, 0.5)) {
        whole->full_by = next_random(random) % problem->slots;
        problem->full_windows = 1;
        problem->full_by = &whole->full_by;
        problem->full_kwh = uniform(random, 0.5, 1) * problem->battery.capacity_kwh;
    }
    if (with & WITH_INVERTER && chance(random, 0.5)) {
        for (size_t t = 0; t < problem->slots; t++) {
            whole->dc_solar_kw[t] = fmax(0, uniform(random, -2, 4));
        }
        problem->dc_solar_kw = whole->dc_solar_kw;
        problem->inverter =
            (struct gr_dc_inverter){uniform(random, 1, 5), uniform(random, 0.9, 1), uniform(random, 0.9, 1)};
    }
    return problem;
}

/* The value functions promise what the plan then costs: nothing else could be as narrow. */
static void the_plan_costs_what_its_value_says(void **state)
{
    struct fixture *fixture = *state;
    struct whole whole;
    for (int i = 0; i < PROBLEMS; i++) {
        struct gr_plan plan =
            solve(fixture, draw(fixture, &whole, WITH_CHANGES | WITH_WINDOWS | WITH_INVERTER));
        if (!(plan.error_up + plan.error_down <= slack(plan.cost))) {
            fail_msg("problem %d: cost %.12g, bound %g up, %g down", i, plan.cost, plan.error_up,
                     plan.error_down);
        }
        gr_plan_free(&plan);
    }
}

static void scale(struct gr_curve_points *points, double factor)
{
    for (size_t k = 0; k < points->count; k++) {
        points->y[k] *= factor;
    }
}

static void expect_no_dearer(struct fixture *fixture, const struct gr_problem *problem, double *before,
                             const char *what)
{
    double after = cost_of(fixture, problem);
    if (after > *before + slack(*before)) {
        fail_msg("%s: cost %.12g, before %.12g", what, after, *before);
    }
    *before = after;
}

/* Not with a cost of changes: `follow` goes as far as it can, so that more power may force it further. */
static void a_gentler_taper_less_wear_and_no_full_charge_never_cost_more(void **state)
{
    struct fixture *fixture = *state;
    struct whole whole;
    for (int i = 0; i < PROBLEMS; i++) {
        struct gr_problem *problem = draw(fixture, &whole, WITH_WINDOWS);
        double before = cost_of(fixture, problem);
        scale(&whole.curves.charge_power, uniform(&fixture->random, 1, 2));
        expect_no_dearer(fixture, problem, &before, "charging power");
        scale(&whole.curves.discharge_power, uniform(&fixture->random, 1, 2));
        expect_no_dearer(fixture, problem, &before, "discharging power");
        scale(&whole.curves.wear_steps, uniform(&fixture->random, 0, 1));
        expect_no_dearer(fixture, problem, &before, "wear");
        problem->battery.capacity_kwh += uniform(&fixture->random, 0, 3);
        expect_no_dearer(fixture, problem, &before, "capacity");
        problem->full_kwh *= 0.9;
        expect_no_dearer(fixture, problem, &before, "less full");
        problem->full_windows = 0;
        expect_no_dearer(fixture, problem, &before, "no full charge");
    }
}

/* As with efficiencies: burning energy must not pay. */
static void
smaller_losses_never_cost_more_where_no_price_is_negative_and_surplus_can_be_held_back(void **state)
{
    struct fixture *fixture = *state;
    struct whole whole;
    for (int i = 0; i < PROBLEMS; i++) {
        struct gr_problem *problem = draw(fixture, &whole, WITH_WINDOWS);
        problem->curtailable = true;
        for (size_t t = 0; t < problem->slots; t++) {
            fixture->sample.import_price[t] = fabs(fixture->sample.import_price[t]);
            fixture->sample.export_price[t] = fabs(fixture->sample.export_price[t]);
        }
        double before = cost_of(fixture, problem);
        scale(&whole.curves.charge_loss, uniform(&fixture->random, 0, 1));
        expect_no_dearer(fixture, problem, &before, "loss of charging");
        scale(&whole.curves.discharge_loss, uniform(&fixture->random, 0, 1));
        expect_no_dearer(fixture, problem, &before, "loss of discharging");
    }
}

/* What a plan can do with dear changes it can do with cheap ones; with free ones even with any other power.
 */
static void a_lower_cost_of_changes_never_costs_more(void **state)
{
    struct fixture *fixture = *state;
    struct whole whole;
    for (int i = 0; i < PROBLEMS / 2; i++) {
        struct gr_problem *problem = draw(fixture, &whole, WITH_CHANGES | WITH_INVERTER);
        problem->change_cost = uniform(&fixture->random, 0.05, 0.1);
        double before = cost_of(fixture, problem);
        problem->change_cost *= uniform(&fixture->random, 0.1, 0.9);
        expect_no_dearer(fixture, problem, &before, "cheaper changes");
        problem->change_cost = 0;
        expect_no_dearer(fixture, problem, &before, "free changes");
    }
}

static void scaling_all_money_scales_the_cost_of_the_whole(void **state)
{
    struct fixture *fixture = *state;
    struct whole whole;
    for (int i = 0; i < PROBLEMS; i++) {
        struct gr_problem *problem = draw(fixture, &whole, WITH_CHANGES | WITH_WINDOWS | WITH_INVERTER);
        double before = cost_of(fixture, problem), factor = i % 2 ? 100 : 1e-3;
        scale_money(&fixture->sample, factor);
        scale(&whole.curves.wear_steps, factor);
        problem->change_cost *= factor;
        double after = cost_of(fixture, problem);
        if (fabs(after - factor * before) > factor * slack(before)) {
            fail_msg("problem %d: cost %.12g, scaled %.12g", i, before, after / factor);
        }
    }
}

/* A plan of the whole can be kept in the halves: the same power, the same command. Not where the power
 * tapers: one mean power may hide a higher one in the first half and a lower one in the second. */
static void splitting_a_slot_never_costs_more_where_power_does_not_taper(void **state)
{
    struct fixture *fixture = *state;
    struct whole whole;
    for (int i = 0; i < PROBLEMS; i++) {
        struct gr_problem *problem = draw(fixture, &whole, WITH_WINDOWS);
        problem->battery.standing_loss_kw = 0;
        problem->charge_power.count = problem->discharge_power.count = 0;
        size_t at = next_random(&fixture->random) % problem->slots;
        double before = cost_of(fixture, problem);
        split_slot(&fixture->other, &fixture->sample, at, uniform(&fixture->random, 0.1, 0.9));
        whole.full_by += whole.full_by >= at && problem->full_windows > 0;
        expect_no_dearer(fixture, &fixture->other.problem, &before, "split");
    }
}

/* After slot t the command in force is that of the plan. */
static void the_marginal_value_is_what_one_more_kwh_saves_with_curves_and_changes_too(void **state)
{
    struct fixture *fixture = *state;
    struct whole whole;
    const double step_kwh = 1e-6;
    int checked = 0;
    for (int i = 0; i < PROBLEMS; i++) {
        struct gr_problem *problem = draw(fixture, &whole, WITH_CHANGES);
        struct gr_plan plan = solve(fixture, problem);
        size_t t = next_random(&fixture->random) % problem->slots;
        double stored_kwh = plan.stored_kwh[t];
        if (t + 1 < problem->slots && stored_kwh + step_kwh <= problem->battery.capacity_kwh) {
            struct gr_problem less = tail_of(problem, t + 1, stored_kwh);
            less.first_kind = plan.kind[t];
            struct gr_problem more = less;
            more.start_kwh += step_kwh;
            double saved = cost_of(fixture, &less) - cost_of(fixture, &more);
            if (fabs(saved / step_kwh - plan.marginal_value_per_kwh[t]) > 1e-5) {
                fail_msg("problem %d, slot %zu: saves %.9g, marginal value %.9g", i, t, saved / step_kwh,
                         plan.marginal_value_per_kwh[t]);
            }
            checked++;
        }
        gr_plan_free(&plan);
    }
    assert_true(checked > PROBLEMS / 3);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_plan_costs_what_its_value_says),
        cmocka_unit_test(a_gentler_taper_less_wear_and_no_full_charge_never_cost_more),
        cmocka_unit_test(
            smaller_losses_never_cost_more_where_no_price_is_negative_and_surplus_can_be_held_back),
        cmocka_unit_test(a_lower_cost_of_changes_never_costs_more),
        cmocka_unit_test(scaling_all_money_scales_the_cost_of_the_whole),
        cmocka_unit_test(splitting_a_slot_never_costs_more_where_power_does_not_taper),
        cmocka_unit_test(the_marginal_value_is_what_one_more_kwh_saves_with_curves_and_changes_too),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
