/* A full charge every so many days: from when the days count, and what a plan makes of it. */
#include "check.h"

#include "engine_bench.h"

static const int64_t day_s = 86400;

/* At night the price is as good as that of the day: nothing but the cells asks for a charge. */
static int set_up_full(void **state)
{
    (void)set_up(state);
    struct bench *bench = *state;
    bench->config.planning.full_every_days = 3;
    bench->config.planning.full_percent = 99;
    bench->config.import.source[0].bands.band[0].price_per_kwh = 0.28;
    gr_engine_free(bench->engine);
    gr_zone_free(bench->zone);
    start_bench(bench);
    return 0;
}

static void tell_full(struct bench *bench, int64_t since_s, int expected)
{
    struct gr_event event = {.kind = GR_EVENT_FULL, .at = bench->now, .of.full.since_s = since_s};
    assert_int_equal(gr_engine_handle(bench->engine, &event, NULL), expected);
}

static void the_days_count_from_the_last_moment_at_which_it_was_full(void **state)
{
    struct bench *bench = *state;
    tick(bench);
    assert_int_equal(bench->decision.full_since_s, midnight_s); /* the first look */
    bench->percent = 98.9;
    pass(bench, 10);
    assert_int_equal(bench->decision.full_since_s, midnight_s);
    bench->percent = 99;
    pass(bench, 10);
    bench->percent = 98.5;
    pass(bench, 10);
    assert_int_equal(bench->decision.full_since_s, midnight_s + 20 * 60);
}

static void what_the_store_tells_goes_before_the_first_look_and_never_back(void **state)
{
    struct bench *bench = *state;
    tick(bench);
    tell_full(bench, midnight_s - day_s, GR_OK);
    pass(bench, 1);
    assert_int_equal(bench->decision.full_since_s, midnight_s - day_s);
    tell_full(bench, midnight_s - 2 * day_s, GR_OK);
    pass(bench, 1);
    assert_int_equal(bench->decision.full_since_s, midnight_s - day_s);
    tell_full(bench, midnight_s + day_s, GR_INVALID);
    tell_full(bench, 0, GR_INVALID);
}

static void a_state_that_is_loaded_knows_of_the_last_full_charge(void **state)
{
    struct bench *bench = *state;
    struct gr_engine *other = NULL;
    void *saved = calloc(1, gr_engine_state_size());
    tick(bench);
    tell_full(bench, midnight_s - 2 * day_s, GR_OK);
    gr_engine_save(bench->engine, saved);
    assert_int_equal(gr_engine_create(&other, &bench->config, bench->zone, 41, NULL), GR_OK);
    assert_int_equal(gr_engine_load(other, saved, NULL), GR_OK);
    gr_engine_free(bench->engine);
    bench->engine = other;
    pass(bench, 1);
    assert_int_equal(bench->decision.full_since_s, midnight_s - 2 * day_s);
    free(saved);
}

/* The third day ends at noon; the horizon is two days, the night's 0.28 the least price before it. */
static void the_plan_fills_in_the_cheapest_hours_before_the_days_are_over_and_lets_go_after(void **state)
{
    struct bench *bench = *state;
    bool full = false, full_in_time = false;
    tick(bench);
    tell_full(bench, midnight_s + 36 * 3600 - 3 * day_s, GR_OK);
    pass(bench, 1);
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    double left_kwh = plan.slots[plan.count - 1].stored_kwh;
    for (size_t t = 0; t < plan.count; t++) {
        bool cheap = plan.slots[t].import_price < 0.29;
        assert_true(plan.slots[t].battery_kw < 0.01 || cheap);
        full = full || plan.slots[t].stored_kwh >= 0.99 * 13.5;
        full_in_time = full_in_time || (full && plan.slots[t].end_s <= midnight_s + 36 * 3600);
    }
    assert_true(full_in_time);
    assert_true(left_kwh < 0.9 * 13.5);
}

static void an_overdue_full_charge_is_made_at_once_and_given_up_after_a_day(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 12, 0);
    tick(bench);
    assert_int_not_equal(bench->decision.command.kind, GR_CHARGE);
    tell_full(bench, bench->now.utc_s - 3 * day_s - 3600, GR_OK);
    pass(bench, 20);
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
    assert_true(bench->decision.command.power_kw > 5.9);
    assert_near(bench->decision.command.target_percent, 100, 0);
    bench->percent = 80;
    pass(bench, 20);
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
    assert_true(bench->decision.command.power_kw > 5.5);
    bench->now.utc_s += day_s;
    bench->now.mono_ms += 86400000;
    pass(bench, 20);
    assert_true(bench->decision.full_since_s > bench->now.utc_s - 3600);
    assert_int_not_equal(bench->decision.command.kind, GR_CHARGE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(the_days_count_from_the_last_moment_at_which_it_was_full, set_up_full,
                                        tear_down),
        cmocka_unit_test_setup_teardown(what_the_store_tells_goes_before_the_first_look_and_never_back,
                                        set_up_full, tear_down),
        cmocka_unit_test_setup_teardown(a_state_that_is_loaded_knows_of_the_last_full_charge, set_up_full,
                                        tear_down),
        cmocka_unit_test_setup_teardown(
            the_plan_fills_in_the_cheapest_hours_before_the_days_are_over_and_lets_go_after, set_up_full,
            tear_down),
        cmocka_unit_test_setup_teardown(an_overdue_full_charge_is_made_at_once_and_given_up_after_a_day,
                                        set_up_full, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
