#include "check.h"

#include "engine_bench.h"

#include <stdlib.h>

static void the_night_band_fills_and_the_day_is_carried(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 1, 0);
    tick(bench);
    assert_int_equal(bench->decision.fault, GR_FAULT_NONE);
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
    assert_true(bench->decision.command.power_kw > 0 && bench->decision.command.power_kw <= 6);
    assert_true(bench->decision.command.target_percent > 60);
    assert_says(bench->decision.command.reason, "0.09");
    go_to(bench, 18, 0);
    tick(bench);
    assert_int_equal(bench->decision.command.kind, GR_FOLLOW);
}

static void before_a_cheap_band_the_battery_carries_the_house(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 0, 5);
    tick(bench);
    assert_int_equal(bench->decision.command.kind, GR_FOLLOW);
}

static void a_quick_rise_of_load_cuts_the_charge_at_once(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 1, 0);
    tick(bench);
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
    bench->house_kw = 14;
    pass(bench, 1);
    double grid_kw = 14 + (bench->decision.command.kind == GR_CHARGE ? bench->decision.command.power_kw : 0);
    assert_true(grid_kw <= 15.05);
}

static void each_fault_ends_in_follow_with_its_reason_within_one_turn(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 1, 0);
    tick(bench);
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
    bench->silent = true;
    pass(bench, 3);
    assert_int_equal(bench->decision.fault, GR_FAULT_POWER);
    assert_int_equal(bench->decision.command.kind, GR_FOLLOW);
    assert_true(strlen(bench->decision.command.reason) > 10);
    pass(bench, 3);
    assert_int_equal(bench->decision.fault, GR_FAULT_STATE_OF_CHARGE);
    assert_int_equal(bench->decision.command.kind, GR_FOLLOW);
}

static void the_first_command_waits_for_readings_and_not_for_the_dwell_time_of_the_start(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 1, 0);
    bench->silent = true;
    pass(bench, 1);
    assert_int_equal(bench->decision.fault, GR_FAULT_STARTING);
    assert_int_equal(bench->decision.command.kind, GR_FOLLOW);
    bench->silent = false;
    pass(bench, 1);
    assert_int_equal(bench->decision.fault, GR_FAULT_NONE);
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
}

static void commands_resume_only_after_the_recovery_time(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 1, 0);
    tick(bench);
    bench->silent = true;
    pass(bench, 6);
    bench->silent = false;
    pass(bench, 1);
    assert_int_equal(bench->decision.fault, GR_FAULT_RECOVERING);
    assert_int_equal(bench->decision.command.kind, GR_FOLLOW);
    pass(bench, 12); /* recovery, then the dwell time of follow */
    assert_int_equal(bench->decision.fault, GR_FAULT_NONE);
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
}

static void a_stepped_clock_ends_in_follow(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 1, 0);
    tick(bench);
    bench->now.utc_s += 7200;
    bench->now.mono_ms += 60000;
    tick(bench);
    assert_int_equal(bench->decision.fault, GR_FAULT_CLOCK);
    assert_int_equal(bench->decision.command.kind, GR_FOLLOW);
}

static void a_moment_without_published_price_ends_in_follow(void **state)
{
    struct bench *bench = *state;
    struct gr_error error = {""};
    struct gr_rate rate = {midnight_s, midnight_s + 7200, 0.1};
    struct gr_rate_table table = {&rate, 1};
    struct gr_event event = {.kind = GR_EVENT_RATES,
                             .at = bench->now,
                             .of.rates = {.direction = GR_IMPORT, .source = 0, .table = &table}};
    bench->config.import.source[0] = (struct gr_rate_source){.is_bands = false};
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, &error), GR_OK);
    tick(bench);
    assert_int_equal(bench->decision.fault, GR_FAULT_RATES);
    assert_int_equal(gr_engine_handle(bench->engine, &event, &error), GR_OK);
    pass(bench, 4);
    assert_int_equal(bench->decision.fault, GR_FAULT_NONE);
    go_to(bench, 2, 0);
    tick(bench);
    assert_int_equal(bench->decision.fault, GR_FAULT_RATES);
    assert_int_equal(bench->decision.command.kind, GR_FOLLOW);
}

static void a_car_on_the_grid_side_is_never_fed_by_an_export(void **state)
{
    struct bench *bench = *state;
    struct gr_error error = {""};
    bench->config.export.source[0].bands.band[0].price_per_kwh = 0.60;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, &error), GR_OK);
    bench->percent = 90;
    go_to(bench, 18, 0);
    tick(bench);
    assert_int_equal(bench->decision.command.kind, GR_EXPORT);
    bench->car_kw = 7;
    pass(bench, 1);
    assert_int_not_equal(bench->decision.command.kind, GR_EXPORT);
}

static void a_car_on_the_house_side_stops_all_discharge(void **state)
{
    struct bench *bench = *state;
    struct gr_error error = {""};
    bench->config.site.grid.car_side = GR_CAR_ON_HOUSE_SIDE;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, &error), GR_OK);
    go_to(bench, 18, 0);
    tick(bench);
    assert_int_equal(bench->decision.command.kind, GR_FOLLOW);
    bench->car_kw = 7;
    pass(bench, 1);
    struct gr_band band =
        gr_command_band(bench->decision.command.kind, bench->decision.command.power_kw, 6, 6);
    assert_true(band.low_kw >= 0);
}

static void a_command_is_issued_anew_before_it_expires(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 1, 0);
    tick(bench);
    assert_true(bench->decision.issue);
    struct gr_command last = bench->decision.command;
    for (int minute = 0; minute < 60; minute++) {
        pass(bench, 1);
        assert_true(bench->now.utc_s < last.valid_until_s);
        if (bench->decision.issue) {
            assert_int_equal(bench->decision.command.sequence, last.sequence + 1);
            last = bench->decision.command;
        }
    }
}

static void sequences_go_on_from_the_last_one_ever_issued(void **state)
{
    struct bench *bench = *state;
    tick(bench);
    assert_int_equal(bench->decision.command.sequence, 42);
}

static void nothing_is_commanded_while_observing(void **state)
{
    struct bench *bench = *state;
    struct gr_error error = {""};
    bench->config.safety.commanding = false;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, &error), GR_OK);
    go_to(bench, 1, 0);
    tick(bench);
    assert_false(bench->decision.commanding);
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
}

static void a_spent_budget_ends_in_follow_and_stays_there(void **state)
{
    struct bench *bench = *state;
    struct gr_error error = {""};
    bench->config.safety.changes_per_day = 2;
    bench->config.safety.dwell_s = 0;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, &error), GR_OK);
    int changes = 0;
    go_to(bench, 0, 10);
    for (int i = 0; i < 24 * 60; i++) {
        bench->house_kw = i % 20 < 10 ? 0.3 : 4;
        bench->solar_kw = i % 26 < 13 ? 0 : 5;
        pass(bench, 1);
        changes += bench->decision.changed;
    }
    /* the first command, the two allowed ones, and the return to follow */
    assert_true(changes <= 4);
}

static void a_reading_that_comes_and_goes_cannot_spend_more_than_the_budget(void **state)
{
    struct bench *bench = *state;
    struct gr_error error = {""};
    bench->config.safety.changes_per_day = 6;
    bench->config.safety.recovery_s = 0;
    bench->config.safety.least_gain = 50; /* what comes back after a fault promises less */
    bench->config.export.source[0].bands.band[0].price_per_kwh = 0.90;
    bench->percent = 90;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, &error), GR_OK);
    int changes = 0;
    go_to(bench, 12, 0);
    for (int i = 0; i < 4 * 60; i++) {
        bench->silent = i % 8 < 6;
        pass(bench, 1);
        changes += bench->decision.changed;
    }
    /* the first command, the six allowed ones, and the return to follow */
    assert_true(changes <= 8);
}

static void no_command_discharges_below_the_reserve(void **state)
{
    struct bench *bench = *state;
    struct gr_error error = {""};
    bench->config.export.source[0].bands.band[0].price_per_kwh = 0.90;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, &error), GR_OK);
    bench->percent = 20;
    for (int hour = 0; hour < 24; hour++) {
        go_to(bench, hour, 40);
        tick(bench);
        assert_int_not_equal(bench->decision.command.kind, GR_EXPORT);
        assert_true(bench->decision.command.target_percent >= 20);
    }
}

static void a_half_hour_ends_in_one_record_with_its_means(void **state)
{
    struct bench *bench = *state;
    int records = 0;
    tick(bench);
    bench->house_kw = 2;
    bench->solar_kw = 1;
    for (int minute = 0; minute < 60; minute++) {
        pass(bench, 1);
        if (bench->decision.record_due) {
            records++;
            assert_int_equal(bench->decision.record.start_s, midnight_s + (records - 1) * 1800);
            assert_near(bench->decision.record.solar_kw, 1, records == 1 ? 0.05 : 1e-9);
            assert_near(bench->decision.record.house_kw, 2, records == 1 ? 0.05 : 1e-9);
            assert_true(isnan(bench->decision.record.battery_kw));
        }
    }
    assert_int_equal(records, 2);
}

static void the_temperature_outdoors_is_kept_by_half_hours_while_its_readings_are_fresh(void **state)
{
    struct bench *bench = *state;
    struct gr_error error = {""};
    double outdoor_c = 0;
    bench->config.safety.max_age_s[GR_OUTDOOR_TEMPERATURE] = 600;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, &error), GR_OK);
    for (int minute = 0; minute <= 90; minute++) {
        struct gr_event reading = {.kind = GR_EVENT_READING,
                                   .at = bench->now,
                                   .of.reading = {.channel = GR_OUTDOOR_TEMPERATURE, .value = -4}};
        if (minute <= 30) {
            assert_int_equal(gr_engine_handle(bench->engine, &reading, &error), GR_OK);
        }
        pass(bench, 1);
        if (bench->decision.record_due) {
            bool fresh = bench->decision.record.start_s == midnight_s;
            assert_true(fresh ? bench->decision.record.outdoor_c == -4
                              : isnan(bench->decision.record.outdoor_c));
        }
    }
    assert_int_equal(gr_history_outdoor(gr_engine_history(bench->engine), midnight_s, &outdoor_c), GR_OK);
    assert_near(outdoor_c, -4, 1e-9);
    assert_int_equal(gr_history_outdoor(gr_engine_history(bench->engine), midnight_s + 1800, &outdoor_c),
                     GR_NOT_FOUND);
}

static void the_same_events_give_the_same_decisions_to_the_byte(void **state)
{
    struct bench *bench = *state;
    struct bench twin = *bench;
    start_bench(&twin);
    for (int i = 0; i < 300; i++) {
        bench->house_kw = twin.house_kw = 0.5 + (i * 37 % 50) / 10.0;
        bench->solar_kw = twin.solar_kw = (i * 53 % 40) / 10.0;
        bench->percent = twin.percent = 40 + i / 10.0;
        pass(bench, 1);
        pass(&twin, 1);
        assert_memory_equal(&bench->decision, &twin.decision, sizeof twin.decision);
    }
    gr_engine_free(twin.engine);
    gr_zone_free(twin.zone);
}

/* Bands that come every day, and no history: nothing tells one day from the next. */
static void a_plan_made_a_day_later_is_the_same_a_day_later(void **state)
{
    struct bench *bench = *state;
    struct gr_plan_view view;
    go_to(bench, 7, 0);
    assert_int_equal(gr_engine_plan(bench->engine, bench->now, 6, &view, NULL), GR_OK);
    size_t count = view.count;
    struct gr_plan_slot *first = calloc(count, sizeof *first);
    memcpy(first, view.slots, count * sizeof *first);
    go_to(bench, 24 + 7, 0);
    assert_int_equal(gr_engine_plan(bench->engine, bench->now, 6, &view, NULL), GR_OK);
    assert_int_equal(view.count, count);
    for (size_t t = 0; t < count; t++) {
        assert_int_equal(view.slots[t].start_s, first[t].start_s + 86400);
        assert_int_equal(view.slots[t].kind, first[t].kind);
        assert_near(view.slots[t].battery_kw, first[t].battery_kw, 1e-12);
        assert_near(view.slots[t].stored_kwh, first[t].stored_kwh, 1e-12);
        assert_near(view.slots[t].cost, first[t].cost, 1e-12);
    }
    free(first);
}

static void after_a_new_connection_the_present_decision_is_issued(void **state)
{
    struct bench *bench = *state;
    struct gr_error error = {""};
    struct gr_event link = {.kind = GR_EVENT_LINK, .at = bench->now, .of.link.up = false};
    go_to(bench, 1, 0);
    tick(bench);
    pass(bench, 1);
    assert_false(bench->decision.issue);
    assert_int_equal(gr_engine_handle(bench->engine, &link, &error), GR_OK);
    pass(bench, 1);
    assert_int_equal(bench->decision.fault, GR_FAULT_LINK);
    link.of.link.up = true;
    assert_int_equal(gr_engine_handle(bench->engine, &link, &error), GR_OK);
    pass(bench, 1);
    assert_true(bench->decision.issue);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(the_night_band_fills_and_the_day_is_carried, set_up, tear_down),
        cmocka_unit_test_setup_teardown(before_a_cheap_band_the_battery_carries_the_house, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_quick_rise_of_load_cuts_the_charge_at_once, set_up, tear_down),
        cmocka_unit_test_setup_teardown(each_fault_ends_in_follow_with_its_reason_within_one_turn, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(
            the_first_command_waits_for_readings_and_not_for_the_dwell_time_of_the_start, set_up, tear_down),
        cmocka_unit_test_setup_teardown(commands_resume_only_after_the_recovery_time, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_stepped_clock_ends_in_follow, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_moment_without_published_price_ends_in_follow, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_car_on_the_grid_side_is_never_fed_by_an_export, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_car_on_the_house_side_stops_all_discharge, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_command_is_issued_anew_before_it_expires, set_up, tear_down),
        cmocka_unit_test_setup_teardown(sequences_go_on_from_the_last_one_ever_issued, set_up, tear_down),
        cmocka_unit_test_setup_teardown(nothing_is_commanded_while_observing, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_spent_budget_ends_in_follow_and_stays_there, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_reading_that_comes_and_goes_cannot_spend_more_than_the_budget,
                                        set_up, tear_down),
        cmocka_unit_test_setup_teardown(no_command_discharges_below_the_reserve, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_half_hour_ends_in_one_record_with_its_means, set_up, tear_down),
        cmocka_unit_test_setup_teardown(
            the_temperature_outdoors_is_kept_by_half_hours_while_its_readings_are_fresh, set_up, tear_down),
        cmocka_unit_test_setup_teardown(the_same_events_give_the_same_decisions_to_the_byte, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(a_plan_made_a_day_later_is_the_same_a_day_later, set_up, tear_down),
        cmocka_unit_test_setup_teardown(after_a_new_connection_the_present_decision_is_issued, set_up,
                                        tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
