/* What a problem may say besides the basic model, in plans small enough to be worked out by hand. */
#include "granary/error.h"
#include "small_house.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

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

static void assert_near(double found, double expected)
{
    if (!(fabs(found - expected) <= NEAR)) {
        fail_msg("found %.12g, expected %.12g", found, expected);
    }
}

/* ---- power by level ---- */

static const double taper_kwh[] = {0, 4, 8}, taper_kw[] = {4, 4, 1};

/* From 2 kWh: half an hour at 4 kW to 4 kWh, then half an hour at 3 / ln 4 kW. */
static void charging_tapers_as_the_battery_fills(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 2);
    house.problem.charge_power = (struct gr_curve){3, taper_kwh, taper_kw};
    house.problem.start_kwh = 2;
    house.import_price[0] = 0.1;
    house.load_kw[1] = 5;
    house.hours[1] = 2;
    struct gr_plan plan = solve(&house);
    assert_near(plan.stored_kwh[0], 4 + 0.5 * 3 / log(4));
    gr_plan_free(&plan);
}

static void an_hour_cut_in_two_fills_a_tapering_battery_as_far_as_one(void **state)
{
    (void)state;
    struct house whole, halves;
    make_house(&whole, 2);
    make_house(&halves, 3);
    whole.problem.charge_power = halves.problem.charge_power = (struct gr_curve){3, taper_kwh, taper_kw};
    whole.import_price[0] = halves.import_price[0] = halves.import_price[1] = 0.1;
    whole.load_kw[1] = halves.load_kw[2] = 5;
    whole.hours[1] = halves.hours[2] = 2;
    halves.hours[0] = 0.4;
    halves.hours[1] = 0.6;
    for (double kwh = 0; kwh <= 6; kwh += 0.5) {
        whole.problem.start_kwh = halves.problem.start_kwh = kwh;
        struct gr_plan one = solve(&whole), two = solve(&halves);
        assert_near(two.stored_kwh[1], one.stored_kwh[0]);
        assert_near(two.cost, one.cost);
        gr_plan_free(&one);
        gr_plan_free(&two);
    }
}

/* 1 kW below 2 kWh, above 4: from 3 kWh a quarter of an hour at 4 kW and the rest at 1 kW. */
static void discharging_slows_down_near_empty(void **state)
{
    (void)state;
    static const double kwh[] = {2 - 1e-9, 2}, kw[] = {1, 4};
    struct house house;
    make_house(&house, 1);
    house.problem.discharge_power = (struct gr_curve){2, kwh, kw};
    house.problem.start_kwh = 3;
    house.load_kw[0] = 5;
    struct gr_plan plan = solve(&house);
    assert_true(fabs(plan.discharge_kw[0] - 1.75) < 1e-8);
    gr_plan_free(&plan);
}

/* ---- losses by power ---- */

/* p - 0.1 - 0.05 p = 1: 1.1579 kWh are bought for 1 kWh stored; for 0.04 kWh it would be 0.1474 kWh, which
 * cost more at 0.10 than 0.04 kWh do at 0.30. */
static void a_loss_at_no_load_makes_small_charges_not_worth_while(void **state)
{
    (void)state;
    static const double kw[] = {0, 5}, loss_kw[] = {0.1, 0.35};
    struct house house;
    make_house(&house, 2);
    house.problem.charge_loss = (struct gr_curve){2, kw, loss_kw};
    house.import_price[0] = 0.1;
    house.load_kw[1] = 1;
    struct gr_plan plan = solve(&house);
    assert_near(plan.charge_kw[0], 1.1 / 0.95);
    assert_near(plan.stored_kwh[0], 1);
    gr_plan_free(&plan);
    house.load_kw[1] = 0.04;
    plan = solve(&house);
    assert_near(plan.charge_kw[0], 0);
    gr_plan_free(&plan);
}

/* 2 kW given take 2.1 + 0.1 kW from the store; paid to import, the converter's own 0.1 kW is worth taking. */
static void discharging_takes_its_loss_and_a_price_below_zero_pays_for_the_loss_at_no_load(void **state)
{
    (void)state;
    static const double kw[] = {0, 5}, out_kw[] = {0.1, 0.35}, in_kw[] = {0.1, 0.1};
    struct house house;
    make_house(&house, 1);
    house.problem.discharge_loss = (struct gr_curve){2, kw, out_kw};
    house.problem.start_kwh = 5;
    house.load_kw[0] = 2;
    struct gr_plan plan = solve(&house);
    assert_near(plan.discharge_kw[0], 2);
    assert_near(plan.stored_kwh[0], 5 - 2.2);
    gr_plan_free(&plan);
    house.problem.charge_loss = (struct gr_curve){2, kw, in_kw};
    house.problem.start_kwh = 10;
    house.import_price[0] = -0.1;
    plan = solve(&house);
    assert_near(plan.charge_kw[0], 0.1);
    assert_near(plan.stored_kwh[0], 10);
    gr_plan_free(&plan);
}

/* ---- wear, commands, full charges ---- */

/* Worth 0.30, the upper half wears 0.01 a kWh and the lower 0.31. */
static void wear_that_rises_with_depth_keeps_the_battery_in_its_upper_half(void **state)
{
    (void)state;
    static const double kwh[] = {0, 5}, wear[] = {0.31, 0.01};
    struct house house;
    make_house(&house, 3);
    house.problem.wear_steps = (struct gr_curve){2, kwh, wear};
    house.problem.start_kwh = 10;
    house.load_kw[0] = house.load_kw[1] = house.load_kw[2] = 4;
    struct gr_plan plan = solve(&house);
    assert_near(plan.stored_kwh[2], 5);
    assert_near(plan.cost, 7 * 0.3 + 5 * 0.01);
    gr_plan_free(&plan);
}

/* Two pairs of cheap and dear hours, 1 kWh wanted in each dear one: charging twice takes four changes, once
 * takes two, and the gain is 2 x 0.20. */
static void a_cost_per_change_of_command_makes_one_charge_of_two(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 4);
    house.import_price[0] = house.import_price[2] = 0.1;
    house.load_kw[1] = house.load_kw[3] = 1;
    house.problem.change_cost = 0.15;
    static const enum gr_command_kind expected[] = {GR_CHARGE, GR_FOLLOW, GR_FOLLOW, GR_FOLLOW};
    struct gr_plan plan = solve(&house);
    assert_memory_equal(plan.kind, expected, sizeof expected);
    assert_near(plan.charge_kw[0], 2);
    assert_near(plan.cost, 2 * 0.1 + 2 * 0.15);
    gr_plan_free(&plan);
    house.problem.change_cost = 0.21;
    plan = solve(&house);
    assert_near(plan.cost, 2 * 0.3);
    gr_plan_free(&plan);
}

static void the_command_in_force_costs_nothing_to_keep(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 2);
    house.import_price[0] = 0.1;
    house.load_kw[1] = 1;
    house.problem.change_cost = 0.12;
    house.problem.first_kind = GR_CHARGE;
    struct gr_plan plan = solve(&house);
    assert_int_equal(plan.kind[0], GR_CHARGE);
    assert_near(plan.cost, 0.1 + 0.12);
    gr_plan_free(&plan);
}

/* From 5 kWh, full by the end of slot 1: bought in slot 1, where it is cheapest, and used afterwards. */
static void a_full_charge_is_made_in_its_window_where_it_costs_least(void **state)
{
    (void)state;
    static const size_t full_by[] = {1};
    struct house house;
    make_house(&house, 4);
    house.problem.full_windows = 1;
    house.problem.full_by = full_by;
    house.problem.full_kwh = 10;
    house.problem.start_kwh = 5;
    house.import_price[1] = 0.25;
    house.load_kw[2] = house.load_kw[3] = 2;
    house.import_price[2] = house.import_price[3] = 0.26;
    struct gr_plan plan = solve(&house);
    assert_near(plan.stored_kwh[0], 5);
    assert_near(plan.stored_kwh[1], 10);
    assert_near(plan.stored_kwh[3], 6);
    gr_plan_free(&plan);
}

/* A kWh short costs 0.20 in each of two windows; one bought serves both. */
static void what_is_short_of_full_is_paid_for_once_in_each_window(void **state)
{
    (void)state;
    static const size_t full_by[] = {0, 2};
    struct house house;
    make_house(&house, 3);
    house.problem.full_windows = 2;
    house.problem.full_by = full_by;
    house.problem.full_kwh = 10;
    house.problem.start_kwh = 8;
    house.problem.penalty_per_kwh = 0.2;
    house.import_price[0] = house.import_price[1] = house.import_price[2] = 0.39;
    struct gr_plan plan = solve(&house);
    assert_near(plan.stored_kwh[1], 10);
    assert_near(plan.cost, 2 * 0.39);
    gr_plan_free(&plan);
    house.import_price[0] = house.import_price[1] = house.import_price[2] = 0.41;
    plan = solve(&house);
    assert_near(plan.stored_kwh[2], 8);
    assert_near(plan.cost, 2 * 2 * 0.2);
    gr_plan_free(&plan);
}

/* ---- DC-coupled ---- */

/* 7 kW of sun behind a 4 kW inverter: at least 3 kW are stored or lost. Storing them costs nothing, also
 * where a kWh stored is worth next to nothing. */
static void sun_above_the_inverters_limit_goes_into_the_battery_first(void **state)
{
    (void)state;
    static const double sun_kw[] = {7, 0}, kwh[] = {0, 10}, worth[] = {0, 0.01};
    struct house house;
    make_house(&house, 2);
    house.problem.dc_solar_kw = sun_kw;
    house.problem.inverter = (struct gr_dc_inverter){4, 0.95, 0.95};
    house.export_price[0] = 0.2;
    house.problem.end_points = 2;
    house.problem.end_kwh = kwh;
    house.problem.end_value = worth;
    struct gr_plan plan = solve(&house);
    assert_near(plan.charge_kw[0], 7 - 4 / 0.95);
    assert_near(plan.grid_kw[0], -4);
    assert_near(plan.curtail_kw[0], 0);
    gr_plan_free(&plan);
    house.problem.start_kwh = 10;
    plan = solve(&house);
    assert_near(plan.curtail_kw[0], 7 - 4 / 0.95);
    gr_plan_free(&plan);
}

/* The sun leaves 1 kW of the inverter's 4 kW to the battery. */
static void sun_and_battery_share_the_inverter(void **state)
{
    (void)state;
    static const double sun_kw[] = {3};
    struct house house;
    make_house(&house, 1);
    house.problem.dc_solar_kw = sun_kw;
    house.problem.inverter = (struct gr_dc_inverter){4, 1, 1};
    house.problem.start_kwh = 10;
    house.load_kw[0] = 6;
    struct gr_plan plan = solve(&house);
    assert_near(plan.discharge_kw[0], 1);
    assert_near(plan.grid_kw[0], 2);
    gr_plan_free(&plan);
}

/* ---- cycles and peaks ---- */

/* 5 kWh would be bought at 0.10 for 0.30; 3 kWh may be given. */
static void no_more_is_discharged_than_the_bound_allows(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 2);
    house.import_price[0] = 0.1;
    house.load_kw[1] = 5;
    house.problem.limits_discharge = true;
    house.problem.most_discharged_kwh = 3;
    struct gr_plan plan = solve(&house);
    assert_near(plan.discharge_kw[1], 3);
    assert_near(plan.cost, 3 * 0.1 + 2 * 0.3);
    assert_true(plan.error_down < NEAR);
    gr_plan_free(&plan);
    house.problem.most_discharged_kwh = 7;
    plan = solve(&house);
    assert_near(plan.cost, 5 * 0.1);
    gr_plan_free(&plan);
}

/* The same with a battery that tapers: at 4 kW it takes the 3 kWh in one hour. */
static void the_bound_on_cycles_is_used_up_by_a_tapering_battery_too(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 2);
    house.problem.charge_power = (struct gr_curve){3, taper_kwh, taper_kw};
    house.import_price[0] = 0.1;
    house.load_kw[1] = 5;
    house.problem.limits_discharge = true;
    house.problem.most_discharged_kwh = 3;
    struct gr_plan plan = solve(&house);
    assert_near(plan.discharge_kw[1], 3);
    assert_near(plan.cost, 3 * 0.1 + 2 * 0.3);
    gr_plan_free(&plan);
}

/* In either hour the first 2 kWh meet the house and save 0.30, what is exported beyond earns 0.50. Of 3 kWh
 * most come of one hour; any price on discharging would have all of an hour or nothing of it. */
static void the_bound_on_cycles_is_kept_best_where_costs_bend_the_wrong_way(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 2);
    house.problem.start_kwh = 10;
    house.load_kw[0] = house.load_kw[1] = 2;
    house.import_price[0] = house.import_price[1] = 0.3;
    house.export_price[0] = house.export_price[1] = 0.5;
    house.problem.limits_discharge = true;
    house.problem.most_discharged_kwh = 3;
    struct gr_plan plan = solve(&house);
    assert_near(fmax(plan.discharge_kw[0], plan.discharge_kw[1]), 3);
    assert_near(plan.cost, 4 * 0.3 - 2 * 0.3 - 1 * 0.5);
    assert_true(plan.error_down < NEAR);
    gr_plan_free(&plan);
}

/* To follow for two hours would take 4 kWh, for one 2; all 3 that may be given are worth one change. */
static void the_bound_on_cycles_and_the_cost_of_changes_are_weighed_together(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 2);
    house.problem.start_kwh = 10;
    house.load_kw[0] = house.load_kw[1] = 2;
    house.import_price[0] = house.import_price[1] = 0.3;
    house.problem.change_cost = 0.05;
    house.problem.limits_discharge = true;
    house.problem.most_discharged_kwh = 3;
    struct gr_plan plan = solve(&house);
    assert_near(plan.cost, 4 * 0.3 - 3 * 0.3 + 0.05);
    assert_true(plan.error_down < NEAR);
    gr_plan_free(&plan);
}

/* Whichever day the 3 kWh go to, the mean of both days' peaks falls by as much. */
static void the_payment_for_a_mean_of_two_days_is_exact_where_either_day_may_be_shaved(void **state)
{
    (void)state;
    static const size_t day[] = {0, 1};
    const struct gr_peak peak = {.per_kw = 0.7, .mean_of = 2, .day = day};
    struct house house;
    make_house(&house, 2);
    house.problem.start_kwh = 3;
    house.load_kw[0] = 4;
    house.load_kw[1] = 2;
    house.import_price[0] = house.import_price[1] = 0.3;
    house.problem.peak = &peak;
    struct gr_plan plan = solve(&house);
    assert_near(plan.peak_cost, 0.7 * 3 / 2);
    assert_near(plan.cost, 3 * 0.3 + 0.7 * 3 / 2);
    assert_true(plan.error_down < 1e-8);
    gr_plan_free(&plan);
}

/* x kWh bought in slot 0 leave 5 - x in slot 1: each saves 0.20, and above 2.5 each raises the peak by 1 kW.
 * The month has seen 2 kW. */
static void a_new_peak_is_made_only_where_it_earns_what_it_costs(void **state)
{
    (void)state;
    static const double seen_kw[] = {1, 2};
    static const size_t day[] = {0, 0};
    struct gr_peak peak = {.per_kw = 0.3, .mean_of = 1, .seen = 2, .seen_kw = seen_kw, .day = day};
    struct house house;
    make_house(&house, 2);
    house.import_price[0] = 0.1;
    house.load_kw[1] = 5;
    house.problem.peak = &peak;
    struct gr_plan plan = solve(&house);
    assert_near(plan.charge_kw[0], 2.5);
    assert_near(plan.peak_cost, 0.5 * 0.3);
    assert_near(plan.cost, 2.5 * 0.1 + 2.5 * 0.3 + 0.5 * 0.3);
    gr_plan_free(&plan);
    peak.per_kw = 0.1;
    plan = solve(&house);
    assert_near(plan.charge_kw[0], 5);
    assert_near(plan.cost, 5 * 0.1 + 3 * 0.1);
    gr_plan_free(&plan);
}

/* 9 kW in a third of a second: the battery takes 5 of them, hardly using any energy; 4 are paid for. */
static void a_peak_in_the_shortest_slot_counts_as_much_as_any(void **state)
{
    (void)state;
    static const size_t day[] = {0, 0};
    const struct gr_peak peak = {.per_kw = 1, .mean_of = 1, .day = day};
    struct house house;
    make_house(&house, 2);
    house.load_kw[1] = 9;
    house.hours[1] = 1e-4;
    house.problem.start_kwh = 5;
    house.problem.battery.discharge_kw = 5;
    house.problem.peak = &peak;
    struct gr_plan plan = solve(&house);
    assert_near(plan.discharge_kw[1], 5);
    assert_near(plan.peak_cost, 4);
    assert_true(plan.error_down < 1e-8);
    gr_plan_free(&plan);
}

/* The mean of the two highest: 4 kW seen and 2 kW planned make 3 kW, which costs nothing; more costs 1. */
static void a_step_of_the_mean_of_the_highest_days_is_not_climbed_for_a_few_cents(void **state)
{
    (void)state;
    static const double seen_kw[] = {4}, step_kw[] = {3}, step[] = {1};
    static const size_t day[] = {0, 0};
    const struct gr_peak peak = {
        .steps = {1, step_kw, step}, .mean_of = 2, .seen = 1, .seen_kw = seen_kw, .day = day};
    struct house house;
    make_house(&house, 2);
    house.import_price[0] = 0.1;
    house.load_kw[1] = 4;
    house.problem.peak = &peak;
    struct gr_plan plan = solve(&house);
    assert_near(plan.charge_kw[0], 2);
    assert_near(plan.peak_cost, 0);
    gr_plan_free(&plan);
}

/* The house's 1.4 kW less 0.9 kW of sun are 0.5 kW but for rounding, where the loss bends. Beyond,
 * discharging loses less by the kWh and earns something: the function of what is stored is the lower of two,
 * not both at once. */
static void two_kinks_that_fall_together_hide_no_bend(void **state)
{
    (void)state;
    static const double kw[] = {0, 0.5, 6}, loss_kw[] = {0, 0.1, 0.4}, end_kwh[] = {0, 10},
                        end_value[] = {0, 1.3};
    struct house house;
    make_house(&house, 3);
    house.problem.end_points = 2;
    house.problem.end_kwh = end_kwh;
    house.problem.end_value = end_value;
    house.problem.battery.charge_kw = 4;
    house.problem.discharge_loss = (struct gr_curve){3, kw, loss_kw};
    house.problem.battery.discharge_kw = 2;
    house.problem.start_kwh = 10;
    house.load_kw[0] = 1.4;
    house.solar_kw[0] = 0.9;
    house.load_kw[2] = 4;
    for (size_t t = 0; t < 3; t++) {
        house.hours[t] = 0.5;
        house.import_price[t] = 0;
        house.export_price[t] = t == 0 ? 0.1 : t == 1 ? 0.5 : 0;
    }
    struct gr_plan plan = solve(&house);
    assert_true(plan.error_down < NEAR);
    gr_plan_free(&plan);
}

/* ---- no battery to speak of ---- */

static void a_battery_without_capacity_has_a_plan_in_figures(void **state)
{
    (void)state;
    struct house house;
    make_house(&house, 2);
    house.problem.battery.capacity_kwh = 0;
    house.problem.battery.standing_loss_kw = 0.1;
    house.load_kw[0] = house.load_kw[1] = 2;
    house.import_price[0] = house.import_price[1] = 0.3;
    struct gr_plan plan = solve(&house);
    assert_near(plan.cost, 4 * 0.3);
    for (size_t t = 0; t < 2; t++) {
        assert_near(plan.stored_kwh[t], 0);
        assert_near(plan.marginal_value_per_kwh[t], 0);
    }
    gr_plan_free(&plan);
}

/* ---- what is refused ---- */

static void curves_that_cannot_be_are_refused_by_point(void **state)
{
    (void)state;
    static const double rising[] = {0, 1}, falling[] = {1, 1}, late[] = {0.5, 1}, steep[] = {0, 1.2},
                        level[] = {0.1, 0.1}, weak[] = {0.05, 2}, none[] = {0, 1};
    static const size_t far[] = {9};
    struct house house;
    struct gr_planner *planner = NULL;
    struct gr_plan plan;
    make_house(&house, 2);
    assert_int_equal(gr_planner_create(&planner), GR_OK);
    const struct {
        struct gr_curve charge_loss, charge_power;
        size_t windows;
        const char *message;
    } rows[] = {
        {{2, falling, level}, {0}, 0, "battery.charge_loss_points, point 1: found 1 kW after 1 kW"},
        {{2, late, level}, {0}, 0, "battery.charge_loss_points, point 0: found 0.5 kW, allowed is 0 kW"},
        {{2, rising, steep},
         {0},
         0,
         "battery.charge_loss_points, point 1: found a loss of 1.2 kW after 0 kW"},
        {{2, rising, level},
         {2, rising, weak},
         0,
         "battery.charge_power_points, point 0: found 0.05 kW, the loss"},
        {{0}, {2, rising, none}, 0, "battery.charge_power_points, point 0: found 0 kW, allowed is 0.001 to"},
        {{0}, {0}, 1, "battery.full_by, entry 0: found slot 9, allowed is to rise up to 1"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_error error = {""};
        house.problem.charge_loss = rows[i].charge_loss;
        house.problem.charge_power = rows[i].charge_power;
        house.problem.full_windows = rows[i].windows;
        house.problem.full_by = far;
        assert_int_equal(gr_planner_solve(planner, &house.problem, &plan, &error), GR_INVALID);
        if (!strstr(error.text, rows[i].message)) {
            fail_msg("row %zu: %s", i, error.text);
        }
    }
    gr_planner_free(planner);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(charging_tapers_as_the_battery_fills),
        cmocka_unit_test(an_hour_cut_in_two_fills_a_tapering_battery_as_far_as_one),
        cmocka_unit_test(discharging_slows_down_near_empty),
        cmocka_unit_test(a_loss_at_no_load_makes_small_charges_not_worth_while),
        cmocka_unit_test(discharging_takes_its_loss_and_a_price_below_zero_pays_for_the_loss_at_no_load),
        cmocka_unit_test(wear_that_rises_with_depth_keeps_the_battery_in_its_upper_half),
        cmocka_unit_test(a_cost_per_change_of_command_makes_one_charge_of_two),
        cmocka_unit_test(the_command_in_force_costs_nothing_to_keep),
        cmocka_unit_test(a_full_charge_is_made_in_its_window_where_it_costs_least),
        cmocka_unit_test(what_is_short_of_full_is_paid_for_once_in_each_window),
        cmocka_unit_test(sun_above_the_inverters_limit_goes_into_the_battery_first),
        cmocka_unit_test(sun_and_battery_share_the_inverter),
        cmocka_unit_test(no_more_is_discharged_than_the_bound_allows),
        cmocka_unit_test(the_bound_on_cycles_is_used_up_by_a_tapering_battery_too),
        cmocka_unit_test(the_bound_on_cycles_is_kept_best_where_costs_bend_the_wrong_way),
        cmocka_unit_test(the_bound_on_cycles_and_the_cost_of_changes_are_weighed_together),
        cmocka_unit_test(the_payment_for_a_mean_of_two_days_is_exact_where_either_day_may_be_shaved),
        cmocka_unit_test(a_battery_without_capacity_has_a_plan_in_figures),
        cmocka_unit_test(two_kinks_that_fall_together_hide_no_bend),
        cmocka_unit_test(a_new_peak_is_made_only_where_it_earns_what_it_costs),
        cmocka_unit_test(a_peak_in_the_shortest_slot_counts_as_much_as_any),
        cmocka_unit_test(a_step_of_the_mean_of_the_highest_days_is_not_climbed_for_a_few_cents),
        cmocka_unit_test(curves_that_cannot_be_are_refused_by_point),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
