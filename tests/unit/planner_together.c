/* Bounds that hold together: by hand. */
#include "check.h"

#include "granary/error.h"
#include "small_house.h"

/* 5 kWh are drawn in the third hour; the first hour's kWh costs 0.10, any other 0.30. 3 kWh may be given, and
 * the battery should have been full by the end of the second hour. */
static void make_both(struct house *house, size_t *full_by)
{
    make_house(house, 3);
    house->import_price[0] = 0.1;
    house->load_kw[2] = 5;
    *full_by = 1;
    house->problem.limits_discharge = true;
    house->problem.most_discharged_kwh = 3;
    house->problem.full_windows = 1;
    house->problem.full_by = full_by;
    house->problem.full_kwh = 10;
}

static struct gr_plan solve(const struct gr_problem *problem)
{
    struct gr_planner *planner = NULL;
    struct gr_plan plan;
    struct gr_error error = {""};
    assert_int_equal(gr_planner_create(&planner), GR_OK);
    if (gr_planner_solve(planner, problem, &plan, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
    gr_planner_free(planner);
    return plan;
}

/* 5 kWh at 0.10 and 5 at 0.30 fill it; then 2 of the 5 are bought. */
static void a_full_charge_is_made_whatever_the_bound_on_cycles_lets_out_of_it(void **state)
{
    (void)state;
    struct house house;
    size_t full_by;
    make_both(&house, &full_by);
    struct gr_plan plan = solve(&house.problem);
    assert_near(plan.stored_kwh[1], 10, NEAR);
    assert_near(plan.discharge_kw[2], 3, NEAR);
    assert_near(plan.cost, 5 * 0.1 + 5 * 0.3 + 2 * 0.3, NEAR);
    gr_plan_free(&plan);
}

/* With 2 kW there are 4 kWh by then: 6 short, at 10 each. */
static void what_a_full_charge_lacks_is_paid_for_under_a_bound_on_cycles_too(void **state)
{
    (void)state;
    struct house house;
    size_t full_by;
    make_both(&house, &full_by);
    house.problem.battery.charge_kw = 2;
    struct gr_plan plan = solve(&house.problem);
    assert_near(plan.stored_kwh[1], 4, NEAR);
    assert_near(plan.cost, 6 * 10 + 2 * 0.1 + 2 * 0.3 + 2 * 0.3, 1e-8);
    gr_plan_free(&plan);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_full_charge_is_made_whatever_the_bound_on_cycles_lets_out_of_it),
        cmocka_unit_test(what_a_full_charge_lacks_is_paid_for_under_a_bound_on_cycles_too),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
