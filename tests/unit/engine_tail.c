/* What is left at the horizon's end is worth what the days after it would make of it. */
#include "engine_bench.h"

/* What is planned to be left at the end of a horizon that begins on Tuesday midnight, where a kWh costs 0.10
 * all days but Wednesday. */
static double left_percent(struct bench *bench, double wednesday_price, int horizon_hours)
{
    struct gr_rate_bands *bands = &bench->config.import.source[0].bands;
    struct gr_error error = {""};
    bands->count = 2;
    bands->band[0] = (struct gr_rate_band){
        .from_minute = 0, .to_minute = 1440, .weekdays = 1 << 2, .price_per_kwh = wednesday_price};
    bands->band[1] =
        (struct gr_rate_band){.from_minute = 0, .to_minute = 1440, .weekdays = 127, .price_per_kwh = 0.10};
    bench->config.planning.horizon_hours = horizon_hours;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, &error), GR_OK);
    tick(bench);
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    assert_true(plan.count > 0);
    return 100 * plan.slots[plan.count - 1].stored_kwh / bench->config.site.battery.capacity_kwh;
}

static void a_dear_day_after_the_horizon_finds_the_battery_full(void **state)
{
    struct bench *bench = *state;
    assert_true(left_percent(bench, 0.40, 24) > 95);
}

/* 0.10 / (0.95 * 0.95) and wear are more than 0.10: nothing is bought for a day like all others. */
static void for_a_day_like_all_others_nothing_is_bought(void **state)
{
    struct bench *bench = *state;
    assert_true(left_percent(bench, 0.10, 24) <= 50);
}

/* The mean course goes on with the horizon's last day: there has to be one. */
static void less_than_a_day_is_followed_by_a_rate_alone(void **state)
{
    struct bench *bench = *state;
    bench->percent = 60;
    assert_true(left_percent(bench, 0.40, 12) < 60);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_dear_day_after_the_horizon_finds_the_battery_full, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(for_a_day_like_all_others_nothing_is_bought, set_up, tear_down),
        cmocka_unit_test_setup_teardown(less_than_a_day_is_followed_by_a_rate_alone, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
