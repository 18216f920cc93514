/* A battery that takes less in the cold. */
#include "check.h"

#include "engine_bench.h"
#include "world/world.h"

#include <string.h>

/* Nothing at -10 degrees, 1.5 kW at freezing point, 6 kW from 12 degrees on. */
static void set_curve(struct gr_engine_config *config)
{
    config->site.curves.charge_by_temperature = (struct gr_curve_points){3, {-10, 0, 12}, {0, 1.5, 6}};
    config->safety.max_age_s[GR_BATTERY_TEMPERATURE] = 600;
}

static void begin(struct bench *bench)
{
    gr_engine_free(bench->engine);
    gr_zone_free(bench->zone);
    set_curve(&bench->config);
    start_bench(bench);
    bench->percent = 20;
    go_to(bench, 1, 0);
}

static void look(struct bench *bench, double battery_c)
{
    send(bench, GR_BATTERY_TEMPERATURE, battery_c);
    tick(bench);
}

static void a_charge_is_no_stronger_than_the_cold_lets_in(void **state)
{
    struct bench *bench = *state;
    begin(bench);
    look(bench, 4); /* a third of the way from 1.5 to 6 kW */
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
    assert_near(bench->decision.command.power_kw, 3, 0.011);
    assert_says(bench->decision.command.reason,
                "; at its temperature the battery takes no more than 3.00 kW");
    /* with 3 kW the night of 4.5 h does not fill it: the plan knows */
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    for (size_t t = 0; t < plan.count; t++) {
        assert_true(plan.slots[t].battery_kw <= 3 + 1e-9);
    }
}

static void a_battery_that_is_too_cold_is_not_asked_and_the_reason_says_so(void **state)
{
    struct bench *bench = *state;
    begin(bench);
    look(bench, -15);
    assert_int_not_equal(bench->decision.command.kind, GR_CHARGE);
    assert_int_equal(gr_engine_plan_why(bench->engine, 0)->of[GR_CHARGE].bar, GR_BAR_TEMPERATURE);
}

/* What cannot be felt is taken for the worst that the curve knows; what the broker only remembers is not
 * felt. */
static void a_temperature_that_is_not_fresh_counts_as_the_worst(void **state)
{
    struct bench *bench = *state;
    begin(bench);
    tick(bench);
    assert_int_not_equal(bench->decision.command.kind, GR_CHARGE);
    struct gr_event remembered = {
        .kind = GR_EVENT_READING, .at = bench->now, .of.reading = {GR_BATTERY_TEMPERATURE, 20, true}};
    assert_int_equal(gr_engine_handle(bench->engine, &remembered, NULL), GR_OK);
    pass(bench, 1);
    assert_int_not_equal(bench->decision.command.kind, GR_CHARGE);
    send(bench, GR_BATTERY_TEMPERATURE, 20);
    pass(bench, 10); /* the follow of the start stays for its time */
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
    assert_near(bench->decision.command.power_kw, 6, 1e-9);
    pass(bench, 15);
    assert_int_not_equal(bench->decision.command.kind, GR_CHARGE);
    assert_int_equal(bench->decision.fault, GR_FAULT_NONE);
}

/* The world's battery cools down by the minute while it charges, and the house's physics cut what it takes.
 */
static void a_night_in_the_cold_is_no_night_of_disobedience(void **state)
{
    (void)state;
    struct world world;
    double charged_kwh = 0;
    world_init(&world);
    set_curve(&world.config);
    assert_true(world_begin(&world));
    for (int minute = 0; minute < 6 * 60; minute++) {
        world.load.air_c = 10 - 12.0 * minute / 360;
        double lets_in_kw =
            world.load.air_c > 0 ? 1.5 + 4.5 * world.load.air_c / 12 : 1.5 + 0.15 * world.load.air_c;
        world_turn(&world, 60);
        assert_true(world.flow.battery_kw <= lets_in_kw + 1e-9);
        assert_int_equal(world.decision.fault, GR_FAULT_NONE);
        assert_int_not_equal(world.decision.answer, GR_ANSWER_RETRIED);
        assert_int_not_equal(world.decision.answer, GR_ANSWER_REFUSES);
        assert_int_not_equal(world.decision.answer, GR_ANSWER_LIMITED);
        charged_kwh += fmax(0, world.flow.battery_kw) / 60;
    }
    print_message("%.2f kWh charged on the way from 10 to -2 degrees\n", charged_kwh);
    assert_true(charged_kwh > 5);
    world_end(&world);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(a_charge_is_no_stronger_than_the_cold_lets_in),
        TEST(a_battery_that_is_too_cold_is_not_asked_and_the_reason_says_so),
        TEST(a_temperature_that_is_not_fresh_counts_as_the_worst),
        cmocka_unit_test(a_night_in_the_cold_is_no_night_of_disobedience),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
