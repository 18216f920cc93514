/* The plan in a few figures, and the cheapest start of an appliance. */
#include "check.h"

#include "engine_bench.h"

static struct gr_run_choice choose(struct bench *bench, double kw, double hours, int64_t within_s)
{
    struct gr_run_choice choice;
    struct gr_error error = {""};
    const struct gr_run run = {
        .kw = kw, .hours = hours, .earliest_s = bench->now.utc_s, .ready_by_s = bench->now.utc_s + within_s};
    if (gr_engine_run(bench->engine, &run, &choice, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
    return choice;
}

static void a_run_waits_for_the_night_band(void **state)
{
    struct bench *bench = *state;
    bench->percent = 20; /* nothing stored to run it from */
    go_to(bench, 18, 0);
    tick(bench);
    struct gr_run_choice choice = choose(bench, 2, 2, 86400);
    int64_t night_s = midnight_s + 86400 + 1800;
    assert_true(choice.start_s >= night_s && choice.start_s <= night_s + 3 * 3600);
    assert_near(choice.cost, 2 * 2 * 0.09, 0.02); /* by hand: 4 kWh at the night price */
    assert_near(choice.cost_now, 2 * 2 * 0.30, 0.05);
}

static void a_run_that_must_end_before_the_night_is_begun_by_day(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 18, 0);
    tick(bench);
    struct gr_run_choice choice = choose(bench, 1, 1, 4 * 3600);
    assert_true(choice.start_s >= bench->now.utc_s && choice.start_s + 3600 <= bench->now.utc_s + 4 * 3600);
    assert_true(choice.cost <= choice.cost_now + 1e-9);
}

static void energy_from_the_battery_costs_what_it_is_worth(void **state)
{
    struct bench *bench = *state;
    bench->percent = 95;
    go_to(bench, 18, 0);
    tick(bench);
    struct gr_run_choice choice = choose(bench, 1, 1, 4 * 3600);
    /* a full battery is refilled at night for 0.09 / 0.95 / 0.95, plus wear: less than the 0.30 of the grid
     */
    assert_true(choice.cost_now > 0.02 && choice.cost_now < 0.30);
}

static void what_does_not_fit_is_said_to_be_so(void **state)
{
    struct bench *bench = *state;
    struct gr_run_choice choice;
    struct gr_error error = {""};
    struct gr_run run = {
        .kw = 1, .hours = 3, .earliest_s = bench->now.utc_s, .ready_by_s = bench->now.utc_s + 7200};
    assert_int_equal(gr_engine_run(bench->engine, &run, &choice, &error), GR_NOT_FOUND); /* no plan yet */
    tick(bench);
    assert_int_equal(gr_engine_run(bench->engine, &run, &choice, &error), GR_NOT_FOUND);
    assert_says(error.text, "3 h does not fit");
    run.ready_by_s += 3600;
    assert_int_equal(gr_engine_run(bench->engine, &run, &choice, &error), GR_OK);
    assert_int_equal(choice.start_s, bench->now.utc_s);
}

static void the_outline_tells_the_next_command_the_costs_and_the_backup(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 18, 0);
    tick(bench);
    struct gr_outline outline = gr_engine_outline(bench->engine, &bench->decision, bench->now.utc_s);
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    assert_int_not_equal(outline.next, bench->decision.command.kind);
    assert_true(outline.next_s > bench->now.utc_s && outline.next_s < bench->now.utc_s + 86400);
    double today = 0;
    for (size_t t = 0; plan.slots[t].start_s < midnight_s + 86400; t++) {
        today += plan.slots[t].cost;
    }
    assert_near(outline.cost_today, today, 1e-9);
    assert_true(outline.cost_tomorrow > 0);
    assert_near(outline.backup_hours, 0.5 * 13.5 * 0.95 / 0.8, 1e-6);
}

static struct gr_slot_record five_minutes(int64_t start_s, double grid_kw, double battery_kw)
{
    return (struct gr_slot_record){.start_s = start_s,
                                   .house_kw = grid_kw - battery_kw,
                                   .solar_kw = 0,
                                   .battery_kw = battery_kw,
                                   .grid_kw = grid_kw,
                                   .car_kw = NAN,
                                   .state_of_charge_percent = 50};
}

static void what_was_spent_today_is_counted_at_the_prices_of_its_time(void **state)
{
    struct bench *bench = *state;
    struct gr_spent spent = gr_spent_begin(midnight_s);
    for (int64_t at_s = midnight_s; at_s < midnight_s + 3600; at_s += 300) {
        struct gr_slot_record record = five_minutes(at_s, 2, 0);
        gr_engine_spend(bench->engine, &spent, &record);
    }
    assert_near(spent.cost, 0.30 + 0.09, 1e-9); /* the night's price begins at half past midnight */
    struct gr_slot_record sold = five_minutes(midnight_s + 3600, -3, -4);
    gr_engine_spend(bench->engine, &spent, &sold);
    assert_near(spent.cost, 0.39 + (-3 * 0.05 + 4 * 0.02) / 12, 1e-9); /* income, and wear */
    gr_spent_end(&spent, midnight_s + 3600 + 600);
    assert_near(spent.cost, 0.39 + (-3 * 0.05 + 4 * 0.02) / 6,
                1e-9); /* the last minutes are not recorded yet */
    assert_int_equal(spent.from_s, midnight_s);
}

static void what_has_no_published_price_is_not_counted(void **state)
{
    struct bench *bench = *state;
    bench->config.import.source[0] = (struct gr_rate_source){.is_bands = false};
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, NULL), GR_OK);
    struct gr_spent spent = gr_spent_begin(midnight_s);
    struct gr_slot_record bought = five_minutes(midnight_s, 12, 0),
                          sold = five_minutes(midnight_s + 300, -12, 0);
    gr_engine_spend(bench->engine, &spent, &bought);
    assert_near(spent.cost, 0, 0);
    gr_engine_spend(bench->engine, &spent, &sold); /* the first five minutes count as the second */
    assert_near(spent.cost, -2 * 0.05, 1e-12);
}

/* At 10 % there are 1.35 kWh: what 1 kW takes in an hour, 1 / 0.95 kWh, all lies below 2 kWh. */
static void energy_from_low_levels_costs_the_wear_of_its_level(void **state)
{
    struct bench *bench = *state;
    bench->config.site.curves.wear_steps = (struct gr_curve_points){2, {0, 2}, {0.1, 0}};
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, NULL), GR_OK);
    struct gr_spent spent = gr_spent_begin(midnight_s);
    struct gr_slot_record record = five_minutes(midnight_s, 0, -1);
    record.state_of_charge_percent = 10;
    record.car_kw = NAN;
    gr_engine_spend(bench->engine, &spent, &record);
    assert_near(spent.cost, (0.02 + 0.1 / 0.95) / 12, 1e-12);
    struct gr_slot_record charged = five_minutes(midnight_s + 300, 0, 1); /* nothing is taken */
    gr_engine_spend(bench->engine, &spent, &charged);
    assert_near(spent.cost, (0.02 + 0.1 / 0.95) / 12, 1e-12);
}

static void a_record_that_begins_later_or_has_a_hole_says_from_when_it_counts(void **state)
{
    struct bench *bench = *state;
    struct gr_spent spent = gr_spent_begin(midnight_s);
    struct gr_slot_record early = five_minutes(midnight_s, 12, 0);
    struct gr_slot_record late = five_minutes(midnight_s + 7200, 1.2, 0);
    struct gr_slot_record blind = five_minutes(midnight_s + 7500, NAN, NAN);
    struct gr_slot_record after = five_minutes(midnight_s + 7800, NAN, 0);
    after.house_kw = 1.2; /* no grid meter: the balance tells */
    gr_engine_spend(bench->engine, &spent, &early);
    gr_engine_spend(bench->engine, &spent, &late);
    gr_engine_spend(bench->engine, &spent, &late); /* counts once */
    gr_engine_spend(bench->engine, &spent, &blind);
    gr_engine_spend(bench->engine, &spent, &after);
    assert_int_equal(spent.from_s, midnight_s + 7200);
    assert_near(spent.cost, 3 * 0.1 * 0.09, 1e-9);
    gr_spent_end(&spent, midnight_s + 20000);
    assert_int_equal(spent.from_s, midnight_s + 20000);
    assert_near(spent.cost, 0, 0);
}

static void the_plan_discharges_to_the_reserve_and_only_the_standing_loss_goes_below(void **state)
{
    struct bench *bench = *state;
    double reserve_kwh = 0.20 * 13.5, before_kwh = 0.40 * 13.5;
    struct gr_error error = {""};
    bool reached = false;
    bench->config.site.battery.standing_loss_kw = 0.03;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, &error), GR_OK);
    bench->percent = 40;
    go_to(bench, 18, 0);
    tick(bench);
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    for (size_t t = 0; t < plan.count; t++) {
        const struct gr_plan_slot *slot = &plan.slots[t];
        double lost_kwh =
            bench->config.site.battery.standing_loss_kw * (double)(slot->end_s - slot->start_s) / 3600;
        assert_true(slot->stored_kwh >= fmin(before_kwh, reserve_kwh) - lost_kwh - 1e-9);
        reached = reached || slot->stored_kwh < reserve_kwh - lost_kwh;
        before_kwh = slot->stored_kwh;
    }
    assert_true(reached);
}

static void without_a_plan_and_readings_the_outline_says_nothing(void **state)
{
    struct bench *bench = *state;
    bench->silent = true;
    tick(bench);
    struct gr_outline outline = gr_engine_outline(bench->engine, &bench->decision, bench->now.utc_s);
    assert_int_equal(outline.next_s, 0);
    assert_true(isnan(outline.cost_today) && isnan(outline.cost_tomorrow) && isnan(outline.backup_hours));
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(a_run_waits_for_the_night_band),
        TEST(a_run_that_must_end_before_the_night_is_begun_by_day),
        TEST(energy_from_the_battery_costs_what_it_is_worth),
        TEST(what_does_not_fit_is_said_to_be_so),
        TEST(what_was_spent_today_is_counted_at_the_prices_of_its_time),
        TEST(what_has_no_published_price_is_not_counted),
        TEST(energy_from_low_levels_costs_the_wear_of_its_level),
        TEST(a_record_that_begins_later_or_has_a_hole_says_from_when_it_counts),
        TEST(the_outline_tells_the_next_command_the_costs_and_the_backup),
        TEST(the_plan_discharges_to_the_reserve_and_only_the_standing_loss_goes_below),
        TEST(without_a_plan_and_readings_the_outline_says_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
