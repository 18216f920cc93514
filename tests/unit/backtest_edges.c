/* The back-test at its edges: periods that are none, gaps, who watches and who is told how far it is. */
#include "check.h"

#include "backtest_house.h"

#include "granary/engine.h"
#include "granary/within.h"

static void run(const struct made_up *it, struct gr_backtest_result *result)
{
    struct gr_error error = {""};
    if (gr_backtest_run(result, &it->backtest, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
}

static void refuse(const struct made_up *it, const char *words)
{
    struct gr_backtest_result result;
    struct gr_error error = {""};
    assert_int_equal(gr_backtest_run(&result, &it->backtest, &error), GR_INVALID);
    assert_says(error.text, words);
    gr_backtest_result_free(&result);
}

static void a_period_is_one_of_whole_steps_inside_the_usage(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 2, false, 3);
    it.strategy = strategy_named("follow");
    int64_t from_s = it.backtest.from_s, to_s = it.backtest.to_s;
    const int64_t wrong[][2] = {{from_s - 1800, to_s}, {from_s, to_s + 1800}, {to_s, to_s},
                                {to_s, from_s},        {from_s + 60, to_s},   {from_s, to_s - 60}};
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        it.backtest.from_s = wrong[i][0];
        it.backtest.to_s = wrong[i][1];
        refuse(&it, "the period is not one of whole steps inside the usage, which reaches from "
                    "2024-03-25T00:00:00Z to 2024-03-27T00:00:00Z");
    }
    it.backtest.from_s = from_s + 1800;
    it.backtest.to_s = to_s - 1800;
    struct gr_backtest_result result;
    run(&it, &result);
    assert_int_equal(result.step_count, 94);
    gr_backtest_result_free(&result);
    forget(&it);
}

static void a_battery_of_no_size_and_usage_without_load_are_refused(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 2, false, 3);
    it.strategy = strategy_named("follow");
    it.backtest.capacity_kwh = 0;
    refuse(&it, "battery: found 0 kWh; allowed: more than 0");
    it.backtest.capacity_kwh = 10;
    free(it.usage.load_kw);
    it.usage.load_kw = NULL;
    refuse(&it, "the usage has no load: there is nothing to bill");
    forget(&it);
}

static void foresight_of_a_time_of_which_nothing_is_known_is_refused(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 1, false, 3);
    it.strategy = strategy_named("foresight");
    for (size_t i = 0; i < it.usage.count; i++) {
        it.usage.load_kw[i] = NAN;
    }
    refuse(&it, "the period has no step with usage");
    forget(&it);
}

static void carbon_that_is_not_told_for_a_part_is_an_error_that_names_it(void **state)
{
    (void)state;
    struct made_up it;
    struct gr_backtest_result result;
    struct gr_error error = {""};
    make_up(&it, 1800, 2, false, 3);
    it.strategy = strategy_named("follow");
    struct gr_rate_table *table = &it.tariff.carbon.source[0].table;
    it.tariff.carbon.count = 1;
    table->rates = malloc(sizeof *table->rates);
    table->count = 1;
    table->rates[0] = (struct gr_rate){made_up_start_s, made_up_start_s + 86400, 0.3};
    assert_int_equal(gr_backtest_run(&result, &it.backtest, &error), GR_NOT_FOUND);
    assert_says(error.text,
                "rates.carbon are missing from 2024-03-26T00:00:00+00:00 to 2024-03-27T00:00:00+00:00");
    gr_backtest_result_free(&result);
    forget(&it);
}

/* ---- watching ---- */

static void count_steps(void *context, size_t steps)
{
    assert_true(steps > 0);
    *(size_t *)context += steps;
}

static void every_step_is_told_of_once_whatever_the_strategy(void **state)
{
    (void)state;
    static const char *const names[] = {"none", "follow", "night-fill", "planned", "foresight"};
    struct made_up it;
    make_up(&it, 300, 3, false, 3);
    it.usage.load_kw[40] = it.usage.load_kw[it.usage.count - 1] = NAN;
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        struct gr_backtest_result result;
        size_t steps = 0;
        it.strategy = strategy_named(names[i]);
        it.backtest.progress = count_steps;
        it.backtest.progress_context = &steps;
        run(&it, &result);
        if (steps != 3 * 288) {
            fail_msg("%s: told of %zu steps", names[i], steps);
        }
        gr_backtest_result_free(&result);
    }
    forget(&it);
}

struct watch {
    int64_t first_s;
    double outdoor_c[8], house_kw[8];
    size_t count, ticks;
};

static void note_event(void *context, const struct gr_event *event)
{
    struct watch *watch = context;
    if (event->kind == GR_EVENT_HISTORY && watch->count < 8) {
        watch->first_s = watch->count == 0 ? event->of.history.start_s : watch->first_s;
        watch->house_kw[watch->count] = event->of.history.house_kw;
        watch->outdoor_c[watch->count++] = event->of.history.outdoor_c;
    }
}

static void note_turn(void *context, const struct gr_moment *now, const struct gr_decision *decision)
{
    (void)now;
    (void)decision;
    ((struct watch *)context)->ticks++;
}

static void set_tap(void *context, struct gr_engine *engine)
{
    const struct gr_engine_tap tap = {.event = note_event, .turn = note_turn, .context = context};
    gr_engine_set_tap(engine, &tap);
}

/* Quarters of an hour of 1, 2, 3 ... degrees and tenths of kW: half hours are 1.5, 3.5 ... of either. */
static void the_engine_is_told_the_half_hours_of_the_house_and_the_air(void **state)
{
    (void)state;
    struct made_up it;
    struct watch watch = {.count = 0};
    struct gr_backtest_result result;
    make_up(&it, 900, 1, false, 3);
    it.usage.temperature_c = malloc(it.usage.count * sizeof *it.usage.temperature_c);
    for (size_t i = 0; i < it.usage.count; i++) {
        it.usage.temperature_c[i] = (double)(i + 1);
        it.usage.load_kw[i] = 0.1 * (double)(i + 1);
    }
    it.usage.load_kw[7] = NAN; /* of the fourth half hour only its first part is known */
    it.strategy = strategy_named("planned");
    it.backtest.watch = set_tap;
    it.backtest.watch_context = &watch;
    it.backtest.from_s = made_up_start_s + 3600;
    run(&it, &result);
    assert_int_equal(watch.first_s, made_up_start_s);
    assert_int_equal(watch.count, 8);
    for (size_t i = 0; i < 3; i++) {
        assert_near(watch.outdoor_c[i], 2 * (double)i + 1.5, 1e-9);
        assert_near(watch.house_kw[i], 0.1 * (2 * (double)i + 1.5), 1e-9);
    }
    assert_near(watch.house_kw[3], 0.7, 1e-9);
    assert_int_equal(watch.ticks, result.decisions);
    gr_backtest_result_free(&result);
    forget(&it);
}

/* ---- what is sold in the carbon's name ---- */

/* In the evening a kWh from the grid stands for 1 kg, and a kg counts 1: fed in it saves as much. */
static void what_is_fed_in_counts_for_the_carbon_it_saves_where_that_is_credited(void **state)
{
    (void)state;
    static const char *const names[] = {"foresight", "planned"};
    struct made_up it;
    make_up(&it, 3600, 4, false, 3);
    add_band(&it.tariff.carbon, 17, 20, 1);
    add_band(&it.tariff.carbon, 0, 24, 0);
    it.config.planning.carbon_price_per_kg = 1;
    for (size_t i = 0; i < 2; i++) {
        struct gr_backtest_result without, with;
        it.strategy = strategy_named(names[i]);
        it.config.planning.carbon_credits_export = false;
        run(&it, &without);
        it.config.planning.carbon_credits_export = true;
        run(&it, &with);
        if (!(with.total.export_kwh > without.total.export_kwh + 5)) {
            fail_msg("%s: fed in %.2f kWh, without credit %.2f", names[i], with.total.export_kwh,
                     without.total.export_kwh);
        }
        gr_backtest_result_free(&without);
        gr_backtest_result_free(&with);
    }
    forget(&it);
}

/* ---- shorter steps ---- */

static void usage_that_is_cut_keeps_its_air_and_what_is_not_there_stays_away(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 3600, 1, false, 3);
    it.usage.temperature_c = malloc(it.usage.count * sizeof *it.usage.temperature_c);
    for (size_t i = 0; i < it.usage.count; i++) {
        it.usage.temperature_c[i] = (double)i;
    }
    free(it.usage.solar_kw);
    it.usage.solar_kw = NULL;
    assert_int_equal(gr_backtest_split(&it.usage, 0), GR_INVALID);
    assert_int_equal(gr_backtest_split(&it.usage, 900), GR_OK);
    assert_null(it.usage.solar_kw);
    for (size_t i = 0; i < it.usage.count; i++) {
        assert_near(it.usage.temperature_c[i], (double)(i / 4), 0);
    }
    forget(&it);
}

static void slots_of_more_than_an_hour_and_courses_of_other_slots_are_not_spread(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 7200, 1, false, 3);
    assert_int_equal(gr_backtest_spread(&it.usage, 1, NULL), GR_INVALID);
    assert_int_equal(it.usage.count, 12);
    forget(&it);
    make_up(&it, 1800, 1, false, 3);
    struct gr_within of_hours = {.fine.step_s = 300, .slot_s = 3600},
                     of_minutes = {.fine.step_s = 600, .slot_s = 1800};
    assert_int_equal(gr_backtest_spread(&it.usage, 1, &of_hours), GR_INVALID);
    assert_int_equal(gr_backtest_spread(&it.usage, 1, &of_minutes), GR_INVALID);
    assert_int_equal(it.usage.count, 48);
    forget(&it);
}

/* Half past three. */
static void prices_that_change_in_the_export_alone_cut_steps_too(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 3600, 2, false, 3);
    struct gr_rate_bands *bands = &it.tariff.export.source[0].bands;
    bands->band[0].from_minute = 15 * 60 + 30;
    assert_int_equal(gr_backtest_step_for(&it.tariff, it.zone, it.backtest.from_s, it.backtest.to_s, 3600),
                     1800);
    bands->band[0].from_minute = 15 * 60 + 10;
    assert_int_equal(gr_backtest_step_for(&it.tariff, it.zone, it.backtest.from_s, it.backtest.to_s, 3600),
                     300);
    bands->band[0].from_minute = 15 * 60 + 7; /* no step is that short */
    assert_int_equal(gr_backtest_step_for(&it.tariff, it.zone, it.backtest.from_s, it.backtest.to_s, 3600),
                     300);
    forget(&it);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_period_is_one_of_whole_steps_inside_the_usage),
        cmocka_unit_test(a_battery_of_no_size_and_usage_without_load_are_refused),
        cmocka_unit_test(foresight_of_a_time_of_which_nothing_is_known_is_refused),
        cmocka_unit_test(carbon_that_is_not_told_for_a_part_is_an_error_that_names_it),
        cmocka_unit_test(every_step_is_told_of_once_whatever_the_strategy),
        cmocka_unit_test(the_engine_is_told_the_half_hours_of_the_house_and_the_air),
        cmocka_unit_test(what_is_fed_in_counts_for_the_carbon_it_saves_where_that_is_credited),
        cmocka_unit_test(usage_that_is_cut_keeps_its_air_and_what_is_not_there_stays_away),
        cmocka_unit_test(slots_of_more_than_an_hour_and_courses_of_other_slots_are_not_spread),
        cmocka_unit_test(prices_that_change_in_the_export_alone_cut_steps_too),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
