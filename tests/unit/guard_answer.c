#include "check.h"

#include "granary/guard.h"

/* A battery of 10 kWh and 5 kW that was told something, looked at every 10 s. */
struct bench {
    struct gr_answer_watch watch;
    struct gr_safety safety;
    struct gr_site site;
    struct gr_moment now;
    double battery_kw, percent, grid_kw, solar_kw, temperature_kw;
    bool budget_spent;
    int repeats;
};

static struct bench begin(enum gr_command_kind kind, double power_kw, double target_percent)
{
    struct bench bench = {.safety = {.commanding = true, .answer_s = 120},
                          .site = {.battery = {10, 5, 5, 0.95, 0.95, 0, 0},
                                   .reserve_percent = 10,
                                   .grid = {.import_limit_kw = 12, .export_limit_kw = 6}},
                          .now = {.utc_s = 1773100800, .mono_ms = 50000, .synchronised = true},
                          .percent = 50,
                          .temperature_kw = INFINITY};
    gr_answer_init(&bench.watch);
    gr_answer_told(&bench.watch, kind, power_kw, target_percent, &bench.now);
    return bench;
}

static void pass(struct bench *bench, int seconds)
{
    for (int i = 0; i < seconds / 10; i++) {
        bench->now.mono_ms += 10000;
        struct gr_answer_seen seen = {.battery_kw = bench->battery_kw,
                                      .battery_ms = bench->now.mono_ms,
                                      .state_of_charge_percent = bench->percent,
                                      .grid_kw = bench->grid_kw,
                                      .solar_kw = bench->solar_kw,
                                      .temperature_kw = bench->temperature_kw,
                                      .site = &bench->site};
        bench->repeats +=
            gr_answer_turn(&bench->watch, &bench->safety, &seen, !bench->budget_spent, &bench->now);
    }
}

static enum gr_fault look(const struct bench *bench, char text[GR_REASON_SIZE])
{
    return gr_answer_look(&bench->watch, &bench->now, text);
}

static void a_battery_that_does_as_told_follows(void **state)
{
    (void)state;
    struct bench bench = begin(GR_CHARGE, 3, 90);
    bench.battery_kw = 2.9;
    pass(&bench, 110);
    assert_int_equal(bench.watch.answer, GR_ANSWER_UNKNOWN);
    pass(&bench, 20);
    assert_int_equal(bench.watch.answer, GR_ANSWER_FOLLOWS);
}

/* 5 kW up to 50 %, 1 kW when full: at 75 % it lets 3 kW in. */
static void a_battery_that_is_known_to_taper_follows_with_what_it_lets_in(void **state)
{
    (void)state;
    struct bench bench = begin(GR_CHARGE, 5, 100);
    bench.site.curves.charge_power = (struct gr_curve_points){2, {5, 10}, {5, 1}};
    bench.percent = 75;
    bench.battery_kw = 2.9;
    pass(&bench, 130);
    assert_int_equal(bench.watch.answer, GR_ANSWER_FOLLOWS);
    bench.battery_kw = 1.5;
    pass(&bench, 130);
    assert_int_equal(bench.watch.answer, GR_ANSWER_LIMITED);
}

/* Commanded 3 kW before it got cold: 0.8 kW is all that its temperature lets in, and no sign of a limit that
 * has to be learned, still less of a deaf battery. */
static void a_battery_that_the_cold_limits_follows_with_what_it_lets_in(void **state)
{
    (void)state;
    struct bench bench = begin(GR_CHARGE, 3, 100);
    bench.temperature_kw = 0.8;
    bench.battery_kw = 0.7;
    pass(&bench, 400);
    assert_int_equal(bench.watch.answer, GR_ANSWER_FOLLOWS);
    assert_int_equal(bench.repeats, 0);
    struct bench frozen = begin(GR_CHARGE, 3, 100);
    frozen.temperature_kw = 0;
    pass(&frozen, 400);
    assert_int_equal(frozen.watch.answer, GR_ANSWER_FOLLOWS);
    struct bench warm = begin(GR_CHARGE, 3, 100);
    warm.battery_kw = 0.7;
    pass(&warm, 400);
    assert_int_equal(warm.watch.answer, GR_ANSWER_LIMITED);
}

/* 3 kW of inverter let 2.7 kW in at night; with the sun's 2 kW the whole 4 kW come, and less is too little.
 */
static void a_battery_behind_a_shared_inverter_follows_with_what_that_lets_in(void **state)
{
    (void)state;
    struct bench bench = begin(GR_CHARGE, 4, 100);
    bench.site.dc_coupled = true;
    bench.site.inverter = (struct gr_dc_inverter){3, 0.95, 0.9};
    bench.battery_kw = 2.7;
    pass(&bench, 130);
    assert_int_equal(bench.watch.answer, GR_ANSWER_FOLLOWS);
    bench.solar_kw = 2;
    pass(&bench, 130);
    assert_int_equal(bench.watch.answer, GR_ANSWER_LIMITED);
}

static void a_deaf_battery_is_told_once_more_and_then_given_up(void **state)
{
    (void)state;
    char text[GR_REASON_SIZE];
    struct bench bench = begin(GR_CHARGE, 3, 90);
    pass(&bench, 120);
    assert_int_equal(bench.repeats, 0);
    pass(&bench, 10);
    assert_int_equal(bench.repeats, 1);
    assert_int_equal(bench.watch.answer, GR_ANSWER_RETRIED);
    assert_int_equal(look(&bench, text), GR_FAULT_NONE);
    pass(&bench, 130);
    assert_int_equal(bench.repeats, 1);
    assert_int_equal(bench.watch.answer, GR_ANSWER_REFUSES);
    assert_int_equal(look(&bench, text), GR_FAULT_INVERTER);
    assert_says(text, "charge 3.00 kW was commanded, the battery is at +0.00 kW; tried again in 15 min");
}

static void another_power_is_no_new_chance_for_a_deaf_battery(void **state)
{
    (void)state;
    char text[GR_REASON_SIZE];
    struct bench bench = begin(GR_EXPORT, 3, 20);
    for (int i = 0; i < 5; i++) {
        pass(&bench, 60);
        gr_answer_told(&bench.watch, GR_EXPORT, 3 - 0.2 * i, 20, &bench.now);
    }
    assert_int_equal(bench.repeats, 1);
    assert_int_equal(look(&bench, text), GR_FAULT_INVERTER);
}

static void without_budget_there_is_no_second_time(void **state)
{
    (void)state;
    struct bench bench = begin(GR_CHARGE, 3, 90);
    bench.budget_spent = true;
    pass(&bench, 130);
    assert_int_equal(bench.repeats, 0);
    assert_int_equal(bench.watch.answer, GR_ANSWER_REFUSES);
}

static void pauses_double_until_the_battery_obeys(void **state)
{
    (void)state;
    static const int pauses_s[] = {900, 1800, 3600, 7200, 14400, 14400};
    struct bench bench = begin(GR_CHARGE, 3, 90);
    char text[GR_REASON_SIZE];
    pass(&bench, 130); /* the repetition, which only the first trial has */
    for (size_t i = 0; i < sizeof pauses_s / sizeof pauses_s[0]; i++) {
        pass(&bench, 130);
        int64_t given_up_ms = bench.now.mono_ms;
        assert_int_equal(look(&bench, text), GR_FAULT_INVERTER);
        gr_answer_told(&bench.watch, GR_FOLLOW, 0, 10, &bench.now);
        pass(&bench, pauses_s[i] - 10);
        assert_int_equal(look(&bench, text), GR_FAULT_INVERTER);
        pass(&bench, 10);
        assert_int_equal(look(&bench, text), GR_FAULT_NONE);
        assert_int_equal(bench.now.mono_ms - given_up_ms, pauses_s[i] * 1000);
        gr_answer_told(&bench.watch, GR_CHARGE, 3, 90, &bench.now);
    }
    assert_int_equal(bench.repeats, 1);
    bench.battery_kw = 3;
    pass(&bench, 140);
    assert_int_equal(bench.watch.answer, GR_ANSWER_FOLLOWS);
    assert_int_equal(bench.watch.refusals, 0);
}

static void a_sign_that_is_wrong_is_guessed(void **state)
{
    (void)state;
    struct bench bench = begin(GR_EXPORT, 4, 20);
    bench.battery_kw = 4;
    pass(&bench, 130);
    assert_int_equal(bench.watch.answer, GR_ANSWER_RETRIED);
    assert_says(bench.watch.text, "sign");
}

static void a_unit_that_is_wrong_is_guessed(void **state)
{
    (void)state;
    struct bench bench = begin(GR_CHARGE, 3, 90);
    bench.battery_kw = 0.003;
    pass(&bench, 130);
    assert_says(bench.watch.text, "is inputs.battery_power in kW?");
}

static void what_a_derated_battery_gives_is_its_limit_for_two_hours(void **state)
{
    (void)state;
    char text[GR_REASON_SIZE];
    struct bench bench = begin(GR_CHARGE, 3, 90);
    bench.battery_kw = 1.2;
    pass(&bench, 130);
    assert_int_equal(bench.watch.answer, GR_ANSWER_LIMITED);
    assert_near(bench.watch.charge_kw, 1.2, 0.011);
    assert_true(isinf(bench.watch.discharge_kw));
    assert_int_equal(look(&bench, text), GR_FAULT_NONE);
    gr_answer_told(&bench.watch, GR_CHARGE, 1.2, 90, &bench.now);
    pass(&bench, 7190);
    assert_true(isfinite(bench.watch.charge_kw));
    pass(&bench, 10);
    assert_true(isinf(bench.watch.charge_kw));
}

static void less_than_commanded_is_normal_near_the_end_and_at_the_connections_limit(void **state)
{
    (void)state;
    struct bench full = begin(GR_CHARGE, 3, 100), at_target = begin(GR_CHARGE, 3, 51),
                 crowded = begin(GR_CHARGE, 3, 90), empty = begin(GR_EXPORT, 3, 10);
    full.percent = 96;
    full.battery_kw = 0.4;
    crowded.grid_kw = 11.9;
    crowded.battery_kw = 0.5;
    empty.percent = 11;
    struct bench *benches[] = {&full, &at_target, &crowded, &empty};
    for (size_t i = 0; i < 4; i++) {
        bool stands_still = benches[i]->battery_kw == 0;
        pass(benches[i], 600);
        assert_int_equal(benches[i]->watch.answer, stands_still ? GR_ANSWER_UNKNOWN : GR_ANSWER_FOLLOWS);
        assert_int_equal(benches[i]->repeats, 0);
        assert_true(isinf(benches[i]->watch.charge_kw));
    }
}

static void a_target_that_comes_near_for_a_while_is_no_new_chance_for_a_deaf_battery(void **state)
{
    (void)state;
    char text[GR_REASON_SIZE];
    struct bench bench = begin(GR_CHARGE, 3, 90);
    for (int i = 0; i < 3; i++) {
        pass(&bench, 60);
        gr_answer_told(&bench.watch, GR_CHARGE, 3, 51, &bench.now);
        pass(&bench, 60);
        gr_answer_told(&bench.watch, GR_CHARGE, 3, 90, &bench.now);
    }
    assert_int_equal(bench.repeats, 1);
    assert_int_equal(look(&bench, text), GR_FAULT_INVERTER);
}

static void more_than_commanded_is_not_obeyed(void **state)
{
    (void)state;
    struct bench bench = begin(GR_CHARGE, 1, 90);
    bench.battery_kw = 3;
    pass(&bench, 130);
    assert_int_equal(bench.watch.answer, GR_ANSWER_RETRIED);
}

static void bands_without_power_are_watched_at_their_bounds(void **state)
{
    (void)state;
    static const struct {
        enum gr_command_kind kind;
        double battery_kw;
        enum gr_answer answer;
    } rows[] = {{GR_STORE, 2, GR_ANSWER_FOLLOWS},  {GR_STORE, -2, GR_ANSWER_RETRIED},
                {GR_SERVE, -2, GR_ANSWER_FOLLOWS}, {GR_SERVE, 2, GR_ANSWER_RETRIED},
                {GR_REST, 0.1, GR_ANSWER_FOLLOWS}, {GR_REST, -0.5, GR_ANSWER_RETRIED},
                {GR_FOLLOW, 5, GR_ANSWER_UNKNOWN}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct bench bench = begin(rows[i].kind, 0, 10);
        bench.battery_kw = rows[i].battery_kw;
        pass(&bench, 130);
        assert_int_equal(bench.watch.answer, rows[i].answer);
    }
}

static void without_a_power_reading_the_state_of_charge_tells(void **state)
{
    (void)state;
    struct bench still = begin(GR_CHARGE, 3, 90), moves = begin(GR_CHARGE, 3, 90);
    still.battery_kw = moves.battery_kw = NAN;
    for (int i = 0; i < 70; i++) {
        pass(&still, 10);
        pass(&moves, 10);
        moves.percent += 3.0 / 360 / 10 * 100;
    }
    assert_int_equal(still.watch.answer, GR_ANSWER_RETRIED);
    assert_says(still.watch.text, "does not move");
    assert_int_equal(moves.watch.answer, GR_ANSWER_FOLLOWS);
}

static void a_state_of_charge_that_falls_while_the_power_says_charging_is_given_up(void **state)
{
    (void)state;
    struct bench bench = begin(GR_CHARGE, 3, 90);
    char text[GR_REASON_SIZE];
    bench.battery_kw = 3;
    for (int i = 0; i < 70; i++) {
        pass(&bench, 10);
        bench.percent -= 3.0 / 360 / 10 * 100;
    }
    assert_int_equal(look(&bench, text), GR_FAULT_INVERTER);
    assert_says(text, "goes the other way");
    gr_answer_told(&bench.watch, GR_FOLLOW, 0, 10, &bench.now);
    pass(&bench, 900);
    gr_answer_told(&bench.watch, GR_CHARGE, 3, 90, &bench.now);
    pass(&bench, 300); /* the power alone cannot clear it of the suspicion */
    assert_int_equal(bench.watch.answer, GR_ANSWER_REFUSES);
}

static void a_recalibrated_state_of_charge_is_no_course(void **state)
{
    (void)state;
    struct bench bench = begin(GR_CHARGE, 3, 90);
    bench.battery_kw = 3;
    pass(&bench, 300);
    bench.percent = 35;
    gr_answer_jumped(&bench.watch);
    pass(&bench, 400);
    assert_int_equal(bench.watch.answer, GR_ANSWER_FOLLOWS);
}

static void a_reading_from_before_the_command_says_nothing_about_it(void **state)
{
    (void)state;
    struct bench bench = begin(GR_CHARGE, 3, 90);
    struct gr_answer_seen seen = {.battery_kw = 0,
                                  .battery_ms = bench.now.mono_ms,
                                  .state_of_charge_percent = 50,
                                  .temperature_kw = INFINITY,
                                  .site = &bench.site};
    bench.now.mono_ms += 150000;
    assert_false(gr_answer_turn(&bench.watch, &bench.safety, &seen, true, &bench.now));
    assert_int_equal(bench.watch.astray_ms, -1);
}

static void an_observer_and_a_watch_switched_off_judge_nothing(void **state)
{
    (void)state;
    struct bench observer = begin(GR_CHARGE, 3, 90), off = begin(GR_CHARGE, 3, 90);
    observer.safety.commanding = false;
    off.safety.answer_s = 0;
    pass(&observer, 1000);
    pass(&off, 1000);
    assert_int_equal(observer.watch.answer, GR_ANSWER_UNKNOWN);
    assert_int_equal(off.watch.answer, GR_ANSWER_UNKNOWN);
}

static void answers_have_names(void **state)
{
    (void)state;
    assert_string_equal(gr_answer_name(GR_ANSWER_REFUSES), "refuses");
    assert_null(gr_answer_name(GR_ANSWERS));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_battery_that_does_as_told_follows),
        cmocka_unit_test(a_battery_that_is_known_to_taper_follows_with_what_it_lets_in),
        cmocka_unit_test(a_battery_that_the_cold_limits_follows_with_what_it_lets_in),
        cmocka_unit_test(a_battery_behind_a_shared_inverter_follows_with_what_that_lets_in),
        cmocka_unit_test(a_deaf_battery_is_told_once_more_and_then_given_up),
        cmocka_unit_test(another_power_is_no_new_chance_for_a_deaf_battery),
        cmocka_unit_test(without_budget_there_is_no_second_time),
        cmocka_unit_test(pauses_double_until_the_battery_obeys),
        cmocka_unit_test(a_sign_that_is_wrong_is_guessed),
        cmocka_unit_test(a_unit_that_is_wrong_is_guessed),
        cmocka_unit_test(what_a_derated_battery_gives_is_its_limit_for_two_hours),
        cmocka_unit_test(less_than_commanded_is_normal_near_the_end_and_at_the_connections_limit),
        cmocka_unit_test(a_target_that_comes_near_for_a_while_is_no_new_chance_for_a_deaf_battery),
        cmocka_unit_test(more_than_commanded_is_not_obeyed),
        cmocka_unit_test(bands_without_power_are_watched_at_their_bounds),
        cmocka_unit_test(without_a_power_reading_the_state_of_charge_tells),
        cmocka_unit_test(a_state_of_charge_that_falls_while_the_power_says_charging_is_given_up),
        cmocka_unit_test(a_recalibrated_state_of_charge_is_no_course),
        cmocka_unit_test(a_reading_from_before_the_command_says_nothing_about_it),
        cmocka_unit_test(an_observer_and_a_watch_switched_off_judge_nothing),
        cmocka_unit_test(answers_have_names),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
