/* Plans small enough to be worked out by hand. */
#include "granary/error.h"
#include "small_house.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static void set_round_trip(struct house *house, double round_trip)
{
    house->problem.battery.charge_efficiency = house->problem.battery.discharge_efficiency = sqrt(round_trip);
}

static struct gr_plan solve(const struct house *house)
{
    struct gr_planner *planner = NULL;
    struct gr_plan plan;
    struct gr_error error = {""};
    assert_int_equal(gr_planner_create(&planner), GR_OK);
    if (gr_planner_solve(planner, &house->problem, &plan, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
    gr_planner_free(planner);
    return plan;
}

static void assert_near(double found, double expected, double slack)
{
    if (!(fabs(found - expected) <= slack)) {
        fail_msg("found %.12g, expected %.12g", found, expected);
    }
}

/* What is charged at `buy` for a 4 kW load at `sell` one hour later. */
static double charged_kw(struct house *house, double buy, double sell)
{
    house->import_price[0] = buy;
    house->import_price[1] = sell;
    house->load_kw[1] = 4;
    struct gr_plan plan = solve(house);
    double charge_kw = plan.charge_kw[0];
    gr_plan_free(&plan);
    return charge_kw;
}

/* Break-even of storage arbitrage: selling price / buying price > 1 / round trip (common formula, e.g. the
 * storage arbitrage literature after Cruise, Flatley, Gibbens and Zachary); figures are arithmetic. */
static void
buying_to_use_later_starts_exactly_where_the_price_ratio_passes_one_over_the_round_trip(void **state)
{
    (void)state;
    static const struct {
        double round_trip, sell_at_10;
    } rows[] = {{0.80, 12.5}, {0.85, 11.765}, {0.90, 11.111}, {0.92, 10.870}, {0.95, 10.526}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct house house;
        make_house(&house, 2);
        set_round_trip(&house, rows[i].round_trip);
        assert_near(charged_kw(&house, 0.10, rows[i].sell_at_10 / 100 - 1e-4), 0, 0);
        assert_near(charged_kw(&house, 0.10, rows[i].sell_at_10 / 100 + 1e-4), 4 / rows[i].round_trip, NEAR);
    }
}

static void selling_at_30_bears_buying_up_to_30_times_the_round_trip(void **state)
{
    (void)state;
    static const double rows[][2] = {{0.80, 24.0}, {0.85, 25.5}, {0.90, 27.0}, {0.92, 27.6}, {0.95, 28.5}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct house house;
        make_house(&house, 2);
        set_round_trip(&house, rows[i][0]);
        assert_near(charged_kw(&house, rows[i][1] / 100 + 1e-6, 0.30), 0, 0);
        assert_near(charged_kw(&house, rows[i][1] / 100 - 1e-6, 0.30), 4 / rows[i][0], NEAR);
    }
}

/* p_sell >= p_buy / RTE + w for wear w per kWh delivered (derived): 0.10 / 0.90 + 0.02 = 0.13111. */
static void wear_moves_the_break_even_up_by_itself(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 2);
    set_round_trip(&house, 0.90);
    house.problem.battery.wear_per_kwh = 0.02;
    assert_near(charged_kw(&house, 0.10, 0.1310), 0, 0);
    assert_near(charged_kw(&house, 0.10, 0.1312), 4 / 0.90, NEAR);
}

/* Where import is paid for, losses only make more of it: charging pays whatever the efficiency (arithmetic).
 */
static void a_price_below_zero_fills_the_battery_however_bad_it_is(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 2);
    set_round_trip(&house, 0.50);
    house.import_price[0] = -0.05;
    struct gr_plan plan = solve(&house);
    assert_near(plan.charge_kw[0], 5, 0);
    assert_near(plan.cost, -0.25, NEAR);
    gr_plan_free(&plan);
}

/* 13.5 kWh, round trip 0.90, bought at 0.10, used instead of 0.30 (arithmetic): in 14.230 kWh = 1.4230,
 * out 12.807 kWh = 3.8422, gain 2.4192. */
static void a_full_cycle_gains_what_arithmetic_says(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 2);
    set_round_trip(&house, 0.90);
    house.problem.battery.capacity_kwh = 13.5;
    house.problem.battery.charge_kw = house.problem.battery.discharge_kw = 6;
    house.hours[0] = 4;
    house.hours[1] = 24;
    house.load_kw[1] = 1;
    house.import_price[0] = 0.10;
    struct gr_plan plan = solve(&house);
    assert_near(24 * 0.30 - plan.cost, 2.4192, 1e-4); /* the figure is the difference of two rounded ones */
    assert_near(4 * plan.charge_kw[0], 14.230, 5e-4);
    assert_near(24 * plan.discharge_kw[1], 12.807, 5e-4);
    gr_plan_free(&plan);
}

/* A 4-hour window at 6 kW more than fills 13.5 kWh: 3.375 kW for 4 h when lossless, 3.56 kW with losses; or 6
 * kW for 2.25 or 2.372 h (arithmetic). */
static void a_window_longer_than_the_battery_needs_is_not_overfilled(void **state)
{
    (void)state;
    static const struct {
        double round_trip, mean_kw, mean_slack, full_h;
    } rows[] = {{1, 3.375, 1e-12, 2.25}, {0.90, 3.56, 5e-3, 2.372}};
    for (size_t i = 0; i < 2; i++) {
        struct house house;
        make_house(&house, 2);
        set_round_trip(&house, rows[i].round_trip);
        house.problem.battery.capacity_kwh = 13.5;
        house.problem.battery.charge_kw = house.problem.battery.discharge_kw = 6;
        house.hours[0] = 4;
        house.hours[1] = 24;
        house.load_kw[1] = 1;
        house.import_price[0] = 0.10;
        struct gr_plan plan = solve(&house);
        assert_near(plan.charge_kw[0], rows[i].mean_kw, rows[i].mean_slack);
        assert_near(4 * plan.charge_kw[0] / 6, rows[i].full_h, 5e-4);
        assert_near(plan.stored_kwh[0], 13.5, NEAR);
        gr_plan_free(&plan);
    }
}

/* The worked example of docs/planner.md. */
static void the_example_of_the_documentation_comes_out_as_written(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 2);
    house.problem.battery = (struct gr_battery){4, 2, 2, 0.9, 1, 0, 0};
    house.problem.start_kwh = 1;
    house.import_price[0] = 0.10;
    house.load_kw[1] = 3;
    house.export_price[0] = house.export_price[1] = 0.05;
    struct gr_plan plan = solve(&house);
    assert_near(plan.charge_kw[0], 1.0 / 0.9, NEAR);
    assert_near(plan.discharge_kw[1], 2, NEAR);
    assert_near(plan.cost, 0.1 / 0.9 + 0.3, NEAR);
    assert_near(plan.marginal_value_per_kwh[0], 0, NEAR);
    gr_plan_free(&plan);
}

static void export_dearer_than_import_is_used_both_ways_but_never_at_once(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 2);
    house.import_price[0] = house.import_price[1] = 0.10;
    house.export_price[0] = house.export_price[1] = 0.25;
    struct gr_plan plan = solve(&house);
    assert_near(plan.charge_kw[0], 5, 0);
    assert_near(plan.discharge_kw[1], 5, 0);
    assert_near(plan.cost, 0.5 - 1.25, NEAR);
    for (size_t t = 0; t < 2; t++) {
        assert_true(plan.charge_kw[t] == 0 || plan.discharge_kw[t] == 0);
    }
    gr_plan_free(&plan);
}

static void solar_is_held_back_only_where_that_is_allowed(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 1);
    house.solar_kw[0] = 8;
    house.export_price[0] = -0.02;
    house.problem.battery.capacity_kwh = 0;
    house.problem.export_limit_kw = 5;
    house.problem.curtailable = true;
    struct gr_plan held = solve(&house);
    assert_near(held.curtail_kw[0], 8, 0);
    assert_near(held.cost, 0, NEAR);
    gr_plan_free(&held);
    house.export_price[0] = 0.10;
    struct gr_plan limited = solve(&house);
    assert_near(limited.curtail_kw[0], 3, NEAR);
    assert_near(limited.cost, -0.5, NEAR);
    gr_plan_free(&limited);
    house.problem.curtailable = false;
    struct gr_plan free_running = solve(&house);
    assert_near(free_running.curtail_kw[0], 0, 0);
    assert_near(free_running.cost, -0.8 + 30, NEAR);
    gr_plan_free(&free_running);
}

static void a_load_above_every_limit_is_paid_for_and_eased_by_the_battery(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 1);
    house.load_kw[0] = 12;
    house.problem.import_limit_kw = 4;
    house.problem.start_kwh = 2;
    struct gr_plan plan = solve(&house);
    assert_near(plan.discharge_kw[0], 2, NEAR);
    assert_near(plan.cost, 10 * 0.3 + 6 * 10, NEAR);
    gr_plan_free(&plan);
}

static void a_start_below_the_floor_is_lifted_to_it_at_once(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 3);
    house.problem.start_kwh = 1;
    for (size_t t = 0; t < 3; t++) {
        house.floor_kwh[t] = 4;
    }
    house.import_price[0] = 0.9;
    struct gr_plan plan = solve(&house);
    assert_near(plan.charge_kw[0], 3, NEAR);
    assert_near(plan.stored_kwh[2], 4, NEAR);
    assert_near(plan.cost, 2.7, NEAR);
    gr_plan_free(&plan);
}

/* 0.2 kW of standing loss: 1 kWh bought now has 0.4 kWh left after two hours more than it needs; so it
 * buys 1.6. */
static void standing_loss_is_bought_too_when_it_pays_and_stops_at_empty(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 3);
    house.problem.battery.standing_loss_kw = 0.2;
    house.import_price[0] = 0.05;
    house.import_price[1] = 0.25;
    house.load_kw[2] = 1;
    struct gr_plan plan = solve(&house);
    assert_near(plan.charge_kw[0], 1.4, NEAR);
    assert_near(plan.cost, 0.07, NEAR);
    assert_near(plan.stored_kwh[2], 0, NEAR);
    gr_plan_free(&plan);
}

static void no_battery_and_no_power_leave_the_bill_as_it_is(void **state)
{
    (void)state;
    const struct gr_battery batteries[] = {
        {0, 5, 5, 1, 1, 0, 0}, {10, 0, 0, 0.9, 0.9, 0.1, 0}, {0, 0, 0, 1, 1, 0.5, 0}};
    for (size_t i = 0; i < sizeof batteries / sizeof *batteries; i++) {
        struct house house;
        make_house(&house, 4);
        house.problem.battery = batteries[i];
        house.load_kw[0] = house.load_kw[2] = 2;
        house.solar_kw[1] = 3;
        house.export_price[1] = 0.1;
        struct gr_plan plan = solve(&house);
        assert_near(plan.cost, 0.3 * 4 - 0.3, NEAR);
        gr_plan_free(&plan);
    }
}

static void slots_and_powers_of_next_to_nothing_do_no_harm(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 4);
    house.hours[1] = 1e-12;
    house.hours[2] = 1e-6;
    house.load_kw[3] = 4;
    house.import_price[0] = 0.1;
    struct gr_plan plan = solve(&house);
    assert_near(plan.cost, 0.4, 1e-6);
    gr_plan_free(&plan);
    house.problem.battery.charge_kw = house.problem.battery.discharge_kw = 1e-12;
    plan = solve(&house);
    assert_near(plan.cost, 1.2, 1e-6);
    gr_plan_free(&plan);
}

/* ---- refusals ---- */

static void a_problem_that_cannot_be_is_refused_by_member_slot_and_range(void **state)
{
    (void)state;
    struct house house;
    double bad[] = {0, 1, 2, 0.5};
    double bad_value[] = {0, 1, 2, 3};
    struct gr_problem *problem = &house.problem;
    const struct {
        double *place;
        double value;
        const char *message;
    } rows[] = {
        {&house.hours[2], 0, "hours, slot 2: found 0 h"},
        {&house.hours[2], NAN, "hours, slot 2: found nan h"},
        {&house.load_kw[1], -1, "load_kw, slot 1: found -1 kW, allowed is 0 to 1e+09"},
        {&house.solar_kw[3], INFINITY, "solar_kw, slot 3: found inf kW"},
        {&house.import_price[0], NAN, "import_price, slot 0: found nan per kWh"},
        {&house.export_price[0], -INFINITY, "export_price, slot 0: found -inf per kWh"},
        {&house.floor_kwh[1], 11, "battery.floor_kwh, slot 1: found 11 kWh, allowed is 0 to 10"},
        {&problem->start_kwh, 10.5, "battery.start_kwh: found 10.5 kWh, allowed is 0 to 10"},
        {&problem->battery.capacity_kwh, -1, "battery.capacity_kwh: found -1 kWh"},
        {&problem->battery.charge_kw, -1, "battery.charge_kw: found -1 kW"},
        {&problem->battery.discharge_kw, NAN, "battery.discharge_kw: found nan kW"},
        {&problem->battery.charge_efficiency, 0, "battery.charge_efficiency: found 0, allowed is 1e-06 to 1"},
        {&problem->battery.discharge_efficiency, 1.1, "battery.discharge_efficiency: found 1.1"},
        {&problem->battery.standing_loss_kw, -0.1, "battery.standing_loss_kw: found -0.1 kW"},
        {&problem->battery.wear_per_kwh, -0.1, "battery.wear_per_kwh: found -0.1 per kWh"},
        {&problem->import_limit_kw, -1, "grid.import_limit_kw: found -1 kW"},
        {&problem->export_limit_kw, NAN, "grid.export_limit_kw: found nan kW"},
        {&problem->penalty_per_kwh, -1, "penalty_per_kwh: found -1 per kWh"},
        {&bad[1], 3, "end_value_points, point 2: found 2 kWh after 3 kWh"},
        {&bad_value[1], NAN, "end_value_points (value), point 1: found nan"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        make_house(&house, 4);
        problem->end_points = 3;
        problem->end_kwh = bad;
        problem->end_value = bad_value;
        struct gr_error error = {""};
        assert_int_equal(gr_problem_check(problem, &error), GR_OK);
        double kept = *rows[i].place;
        *rows[i].place = rows[i].value;
        assert_int_equal(gr_problem_check(problem, &error), GR_INVALID);
        *rows[i].place = kept;
        if (strncmp(error.text, rows[i].message, strlen(rows[i].message)) != 0) {
            fail_msg("found \"%s\", expected \"%s\"", error.text, rows[i].message);
        }
    }
}

static void a_problem_without_slots_or_arrays_is_refused(void **state)
{
    (void)state;
    struct house house;
    struct gr_error error = {""};
    make_house(&house, 0);
    assert_int_equal(gr_problem_check(&house.problem, &error), GR_INVALID);
    make_house(&house, 2);
    house.problem.solar_kw = NULL;
    assert_int_equal(gr_problem_check(&house.problem, &error), GR_INVALID);
    assert_string_equal(error.text, "solar_kw: missing");
}

static void a_planner_used_for_one_problem_after_another_forgets_the_first(void **state)
{
    (void)state;
    struct house house, other;
    struct gr_planner *planner = NULL;
    struct gr_plan plan, between, again;
    struct gr_error error = {""};
    make_house(&house, 4);
    house.load_kw[3] = 3;
    house.import_price[1] = 0.1;
    make_house(&other, 2);
    other.problem.battery.capacity_kwh = 3;
    assert_int_equal(gr_planner_create(&planner), GR_OK);
    assert_int_equal(gr_planner_solve(planner, &house.problem, &plan, &error), GR_OK);
    assert_int_equal(gr_planner_solve(planner, &other.problem, &between, &error), GR_OK);
    assert_int_equal(gr_planner_solve(planner, &house.problem, &again, &error), GR_OK);
    assert_memory_equal(plan.charge_kw, again.charge_kw, 4 * sizeof(double));
    assert_true(plan.cost == again.cost);
    gr_plan_free(&plan);
    gr_plan_free(&between);
    gr_plan_free(&again);
    gr_planner_free(planner);
}

/* Export pays 0.40, the load takes 2 kW in slot 1 and the sun 1 of them: the battery may give 1 kW there,
 * nothing in slot 0, and 5 kW in slot 2. */
static void where_the_battery_may_not_export_it_only_covers_what_the_sun_leaves_of_the_load(void **state)
{
    (void)state;
    static const bool may_export[] = {false, false, true};
    struct house house;
    make_house(&house, 3);
    house.problem.may_export = may_export;
    house.problem.start_kwh = 10;
    house.solar_kw[0] = 3;
    house.load_kw[1] = 2;
    house.solar_kw[1] = 1;
    for (size_t t = 0; t < 3; t++) {
        house.export_price[t] = 0.4;
    }
    struct gr_plan plan = solve(&house);
    assert_near(plan.discharge_kw[0], 0, 0);
    assert_near(plan.discharge_kw[1], 1, NEAR);
    assert_near(plan.discharge_kw[2], 5, NEAR);
    gr_plan_free(&plan);
}

/* A kWh left over is worth nothing where it may neither be used nor sold. */
static void what_may_not_be_exported_is_worth_nothing_on_paths_either(void **state)
{
    (void)state;
    static const bool may_export[] = {false, false};
    struct house house;
    make_house(&house, 2);
    house.export_price[0] = house.export_price[1] = 0.2;
    house.load_kw[1] = 1;
    double weight = 1;
    struct gr_paths paths = {
        .count = 1, .slots = 2, .weight = &weight, .load_kw = house.load_kw, .solar_kw = house.solar_kw};
    struct gr_planner *planner = NULL;
    struct gr_path_values values;
    struct gr_error error = {""};
    assert_int_equal(gr_planner_create(&planner), GR_OK);
    assert_int_equal(gr_planner_path_values(planner, &house.problem, &paths, 1, &values, &error), GR_OK);
    assert_near(gr_value_marginal(&values.value[0], 0.5), 0.3, NEAR);
    assert_near(gr_value_marginal(&values.value[0], 2), 0.2, NEAR);
    gr_path_values_free(&values);
    house.problem.may_export = may_export;
    assert_int_equal(gr_planner_path_values(planner, &house.problem, &paths, 1, &values, &error), GR_OK);
    assert_near(gr_value_marginal(&values.value[0], 0.5), 0.3, NEAR);
    assert_near(gr_value_marginal(&values.value[0], 2), 0, NEAR);
    gr_path_values_free(&values);
    gr_planner_free(planner);
}

static void limits_and_powers_of_a_slot_hold_in_that_slot(void **state)
{
    (void)state;
    static const double import_kw[] = {3, 20, 20}, charge_kw[] = {5, 2, 5};
    struct house house;
    make_house(&house, 3);
    house.problem.slot_import_limit_kw = import_kw;
    house.problem.slot_charge_kw = charge_kw;
    house.import_price[0] = house.import_price[1] = 0.1;
    house.load_kw[0] = 1;
    house.load_kw[2] = 9;
    struct gr_plan plan = solve(&house);
    assert_near(plan.charge_kw[0], 2, NEAR);
    assert_near(plan.charge_kw[1], 2, NEAR);
    assert_near(plan.discharge_kw[2], 4, NEAR);
    gr_plan_free(&plan);
}

/* 6 kWh are wanted at the end of slot 1: bought in slot 0 at 0.25 where a missing one costs 0.26, not where
 * it costs 0.24. */
static void a_wish_for_stored_energy_is_met_where_that_costs_less_than_it_is_worth(void **state)
{
    (void)state;
    static const double wanted_kwh[] = {0, 6, 0};
    struct house house;
    make_house(&house, 3);
    house.problem.wanted_kwh = wanted_kwh;
    house.import_price[0] = 0.25;
    house.problem.wanted_per_kwh = 0.26;
    struct gr_plan plan = solve(&house);
    assert_near(plan.stored_kwh[1], 5, NEAR); /* the sixth would cost 0.30 */
    gr_plan_free(&plan);
    house.problem.wanted_per_kwh = 0.24;
    plan = solve(&house);
    assert_near(plan.stored_kwh[1], 0, 0);
    gr_plan_free(&plan);
}

/* Cheaper by 0.05 a kWh, but 0.4 kg more carbon at 0.15 a kg: 0.06. */
static void a_price_on_carbon_moves_charging_to_the_cleaner_slot(void **state)
{
    (void)state;
    static const double carbon_kg[] = {0.5, 0.1, 0.1};
    struct house house;
    make_house(&house, 3);
    house.import_price[0] = 0.10;
    house.import_price[1] = 0.15;
    house.load_kw[2] = 4;
    house.problem.carbon_kg_per_kwh = carbon_kg;
    house.problem.carbon_price_per_kg = 0.15;
    struct gr_plan plan = solve(&house);
    assert_near(plan.charge_kw[0], 0, 0);
    assert_near(plan.charge_kw[1], 4, NEAR);
    assert_near(plan.cost, 4 * (0.15 + 0.1 * 0.15), NEAR);
    gr_plan_free(&plan);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(
            buying_to_use_later_starts_exactly_where_the_price_ratio_passes_one_over_the_round_trip),
        cmocka_unit_test(selling_at_30_bears_buying_up_to_30_times_the_round_trip),
        cmocka_unit_test(wear_moves_the_break_even_up_by_itself),
        cmocka_unit_test(a_price_below_zero_fills_the_battery_however_bad_it_is),
        cmocka_unit_test(a_full_cycle_gains_what_arithmetic_says),
        cmocka_unit_test(a_window_longer_than_the_battery_needs_is_not_overfilled),
        cmocka_unit_test(the_example_of_the_documentation_comes_out_as_written),
        cmocka_unit_test(export_dearer_than_import_is_used_both_ways_but_never_at_once),
        cmocka_unit_test(solar_is_held_back_only_where_that_is_allowed),
        cmocka_unit_test(a_load_above_every_limit_is_paid_for_and_eased_by_the_battery),
        cmocka_unit_test(a_start_below_the_floor_is_lifted_to_it_at_once),
        cmocka_unit_test(standing_loss_is_bought_too_when_it_pays_and_stops_at_empty),
        cmocka_unit_test(no_battery_and_no_power_leave_the_bill_as_it_is),
        cmocka_unit_test(slots_and_powers_of_next_to_nothing_do_no_harm),
        cmocka_unit_test(a_problem_that_cannot_be_is_refused_by_member_slot_and_range),
        cmocka_unit_test(a_problem_without_slots_or_arrays_is_refused),
        cmocka_unit_test(a_planner_used_for_one_problem_after_another_forgets_the_first),
        cmocka_unit_test(where_the_battery_may_not_export_it_only_covers_what_the_sun_leaves_of_the_load),
        cmocka_unit_test(what_may_not_be_exported_is_worth_nothing_on_paths_either),
        cmocka_unit_test(limits_and_powers_of_a_slot_hold_in_that_slot),
        cmocka_unit_test(a_wish_for_stored_energy_is_met_where_that_costs_less_than_it_is_worth),
        cmocka_unit_test(a_price_on_carbon_moves_charging_to_the_cleaner_slot),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
