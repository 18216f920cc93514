/* What a strategy changes of a configuration, and what it must not. */
#include "backtest_house.h"
#include "check.h"

static void every_kind_is_found_by_its_name(void **state)
{
    (void)state;
    struct gr_strategy strategy;
    for (int kind = 0; kind < GR_STRATEGY_KINDS; kind++) {
        const char *name = gr_strategy_kind_name((enum gr_strategy_kind)kind);
        assert_int_equal(gr_strategy_named(&strategy, name), GR_OK);
        assert_int_equal(strategy.kind, kind);
        assert_string_equal(strategy.name, name);
    }
    assert_int_equal(gr_strategy_named(&strategy, "gamble"), GR_NOT_FOUND);
    assert_null(gr_strategy_kind_name(GR_STRATEGY_KINDS));
}

static void one_without_wishes_changes_nothing(void **state)
{
    (void)state;
    struct gr_engine_config config = made_up_config(), before = config;
    struct gr_strategy strategy = strategy_named("planned");
    assert_int_equal(gr_strategy_apply(&config, &strategy, NULL), GR_OK);
    assert_memory_equal(&config, &before, sizeof config);
}

static void each_wish_takes_the_place_of_what_is_configured(void **state)
{
    (void)state;
    struct gr_engine_config config = made_up_config();
    struct gr_strategy strategy = strategy_named("planned");
    strategy.may_export = 0;
    strategy.least_gain_per_exported_kwh = 0.07;
    strategy.export_from_minute = 1020;
    strategy.export_to_minute = 1260;
    strategy.reserve_percent = 30;
    strategy.wear_per_kwh = 0.05;
    strategy.cycles_per_day = 1.5;
    strategy.least_gain = 0.02;
    assert_int_equal(gr_strategy_apply(&config, &strategy, NULL), GR_OK);
    assert_false(config.planning.may_export);
    assert_near(config.planning.least_gain_per_exported_kwh, 0.07, 0);
    assert_int_equal(config.planning.export_from_minute, 1020);
    assert_int_equal(config.planning.export_to_minute, 1260);
    assert_near(config.site.reserve_percent, 30, 0);
    assert_near(config.planning.floor_percent, 30, 0); /* never below the reserve */
    assert_near(config.site.battery.wear_per_kwh, 0.05, 0);
    assert_near(config.planning.cycles_per_day, 1.5, 0);
    assert_near(config.safety.least_gain, 0.02, 0);
    strategy = strategy_named("planned");
    strategy.may_export = 1;
    strategy.floor_percent = 55;
    assert_int_equal(gr_strategy_apply(&config, &strategy, NULL), GR_OK);
    assert_true(config.planning.may_export);
    assert_near(config.planning.floor_percent, 55, 0);
}

static void what_the_house_does_not_allow_is_refused_and_nothing_is_changed(void **state)
{
    (void)state;
    struct gr_engine_config config = made_up_config(), before = config;
    struct gr_strategy strategy = strategy_named("planned");
    struct gr_error error = {""};
    strategy.reserve_percent = 9;
    strategy.wear_per_kwh = 1;
    assert_int_equal(gr_strategy_apply(&config, &strategy, &error), GR_INVALID);
    assert_says(error.text, "reserve_percent: found 9 %, below the battery's reserve; allowed: 10 to 99 %");
    assert_memory_equal(&config, &before, sizeof config);
    strategy = strategy_named("planned");
    strategy.may_export = 1;
    config.site.grid.export_limit_kw = before.site.grid.export_limit_kw = 0;
    assert_int_equal(gr_strategy_apply(&config, &strategy, &error), GR_INVALID);
    assert_says(error.text, "may_export: found true where grid.export_limit_kw is 0");
    assert_memory_equal(&config, &before, sizeof config);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_kind_is_found_by_its_name),
        cmocka_unit_test(one_without_wishes_changes_nothing),
        cmocka_unit_test(each_wish_takes_the_place_of_what_is_configured),
        cmocka_unit_test(what_the_house_does_not_allow_is_refused_and_nothing_is_changed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
