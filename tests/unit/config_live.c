/* What `granary check --live` makes of what it saw: verdicts on topics, and the energy balance. */
#include "check.h"
#include "tool/balance.h"
#include "tool/watch.h"

#include <stdlib.h>
#include <unistd.h>

#define UNKNOWN ((double)NAN)

/* Grid, battery, solar, house, car in kW. */
static bool diagnose(double grid, double battery, double solar, double house, double car, char text[700])
{
    double kw[GR_CHANNELS];
    for (int i = 0; i < GR_CHANNELS; i++) {
        kw[i] = UNKNOWN;
    }
    kw[GR_GRID_POWER] = grid;
    kw[GR_BATTERY_POWER] = battery;
    kw[GR_SOLAR_POWER] = solar;
    kw[GR_HOUSE_POWER] = house;
    kw[GR_CAR_POWER] = car;
    return gr_balance_diagnose(kw, text, 700);
}

static void a_balance_that_closes_within_meters_errors_is_good(void **state)
{
    (void)state;
    char text[700];
    assert_true(diagnose(1.0, -2.0, 3.0, 6.0, UNKNOWN, text));
    assert_true(diagnose(1.1, -2.1, 3.0, 5.9, UNKNOWN, text));
    assert_true(diagnose(8.4, 0, 0, 1.0, 7.4, text));
    assert_true(diagnose(-2.0, 2.5, 5.0, UNKNOWN, UNKNOWN, text));
    assert_true(diagnose(0.1, 0.2, 0, UNKNOWN, UNKNOWN, text)); /* read some seconds apart */
}

static void nothing_is_said_without_grid_or_battery(void **state)
{
    (void)state;
    char text[700];
    assert_true(diagnose(UNKNOWN, -2.0, 3.0, 6.0, UNKNOWN, text));
    assert_string_equal(text, "");
    assert_true(diagnose(1.0, UNKNOWN, 3.0, 6.0, UNKNOWN, text));
    assert_string_equal(text, "");
}

/* The truth is grid 2, battery -1.5, solar 3, house 6.5 less the car's 0; each row breaks one thing. */
static void one_wrong_sign_or_unit_is_named(void **state)
{
    (void)state;
    static const struct {
        double grid, battery, solar, house, car;
        const char *cause;
    } rows[] = {
        {-2, -1.5, 3, 6.5, UNKNOWN, "It looks as if grid_power has its sign the other way round"},
        {2, 1.5, 3, 6.5, UNKNOWN, "It looks as if battery_power has its sign the other way round"},
        {2, -1.5, -3, 6.5, UNKNOWN, "It looks as if solar_power has its sign the other way round"},
        {2, -1.5, 3, -6.5, UNKNOWN, "It looks as if house_power has its sign the other way round"},
        {2, -1.5, 3, 0.0065, UNKNOWN, "It looks as if house_power is in kW where W is configured"},
        {2, -1.5, 0.003, 6.5, UNKNOWN, "It looks as if solar_power is in kW where W is configured"},
        {0.002, -1.5, 3, 6.5, UNKNOWN, "It looks as if grid_power is in kW where W is configured"},
        {9, -1.5, 3, 13.5, 7, "It looks as if house_power contains the car"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char text[700];
        bool good = diagnose(rows[i].grid, rows[i].battery, rows[i].solar, rows[i].house, rows[i].car, text);
        if (good || !strstr(text, rows[i].cause) || strstr(text, "; or ")) {
            fail_msg("row %zu: %s", i, text);
        }
    }
}

static void a_house_that_would_give_power_shows_a_wrong_sign_even_without_its_own_meter(void **state)
{
    (void)state;
    char text[700];
    assert_false(diagnose(1, 4, 0, UNKNOWN, UNKNOWN, text));
    assert_non_null(strstr(text, "is -3.00 kW, which no house draws"));
    assert_non_null(strstr(text, "battery_power has its sign the other way round"));
    assert_null(strstr(text, "grid_power has"));
}

static void what_no_single_mistake_explains_is_told_as_such(void **state)
{
    (void)state;
    char text[700];
    assert_false(diagnose(1, -1, 0, 9, UNKNOWN, text));
    assert_non_null(strstr(text, "but house_power says 9.00 kW. No single wrong sign or unit explains it"));
}

/* ---- verdicts ---- */

struct bench {
    struct gr_config *config;
    struct gr_complaints complaints;
    struct gr_watch watches[GR_CHANNELS];
};

static int make_bench(void **state)
{
    struct bench *bench = calloc(1, sizeof *bench);
    if (!bench) {
        return -1;
    }
    bench->config = calloc(1, sizeof *bench->config);
    *state = bench;
    return bench->config &&
                   gr_config_read(bench->config, GRANARY_SOURCE_DIR "/tests/unit/config/good.defaults.conf",
                                  &bench->complaints) == GR_OK
               ? 0
               : -1;
}

static int remove_bench(void **state)
{
    struct bench *bench = *state;
    gr_complaints_free(&bench->complaints);
    free(bench->config);
    free(bench);
    return 0;
}

static void send(struct bench *bench, const char *topic, const char *payload, bool retained, int64_t mono_ms)
{
    gr_watch_note(bench->watches, bench->config, topic, payload, strlen(payload), retained, mono_ms);
}

static void expect_verdict(struct bench *bench, enum gr_channel channel, bool good, const char *words)
{
    char verdict[500];
    bool found = gr_watch_judge(bench->watches, bench->config, channel, verdict, sizeof verdict);
    if (found != good || strncmp(verdict, words, strlen(words)) != 0) {
        fail_msg("%s: %s", gr_channel_name(channel), verdict);
    }
}

static void silence_and_old_values_are_told_apart(void **state)
{
    struct bench *bench = *state;
    expect_verdict(bench, GR_STATE_OF_CHARGE, false, "missing");
    send(bench, "house/soc", "63", true, 1000);
    expect_verdict(bench, GR_STATE_OF_CHARGE, false, "only retained");
    send(bench, "house/soc", "63", false, 2000);
    expect_verdict(bench, GR_STATE_OF_CHARGE, true, "good");
    assert_int_equal(bench->watches[GR_STATE_OF_CHARGE].live, 1);
    send(bench, "house/other", "63", false, 2000);
    assert_int_equal(bench->watches[GR_STATE_OF_CHARGE].live, 1);
}

static void wrong_units_are_suspected(void **state)
{
    struct bench *bench = *state;
    send(bench, "house/soc", "0.63", false, 1000);
    expect_verdict(bench, GR_STATE_OF_CHARGE, false, "wrong unit? it looks like a ratio");
    send(bench, "house/soc", "6300", false, 2000);
    expect_verdict(bench, GR_STATE_OF_CHARGE, false, "refused: found 6300 %");
    bench->config->inputs[GR_GRID_POWER].unit = GR_UNIT_KW;
    send(bench, "house/grid", "2345", false, 2000);
    expect_verdict(bench, GR_GRID_POWER, false, "refused: found 2345 kW");
    assert_non_null(strstr(bench->watches[GR_GRID_POWER].refusal, "is the payload in W?"));
    send(bench, "house/grid", "unavailable", false, 2000);
    expect_verdict(bench, GR_GRID_POWER, false, "refused: found \"unavailable\"");
}

static void a_power_that_stands_still_while_others_move_is_frozen(void **state)
{
    struct bench *bench = *state;
    static const char *const moving[] = {"500", "510", "480", "505"};
    for (int i = 0; i < 4; i++) {
        send(bench, "house/grid", moving[i], false, i * 4000);
        send(bench, "house/solar", "1234", false, i * 4000);
        send(bench, "house/battery", "-2000", false, i * 4000);
        send(bench, "house/soc", "50", false, i * 4000);
    }
    expect_verdict(bench, GR_SOLAR_POWER, false, "frozen? 4 payloads were the same");
    expect_verdict(bench, GR_BATTERY_POWER, true, "good");   /* a battery may charge at a fixed power */
    expect_verdict(bench, GR_STATE_OF_CHARGE, true, "good"); /* and its state changes slowly */
    assert_true(gr_watch_enough(bench->watches, bench->config));
    send(bench, "house/solar", "1230", false, 13000);
    expect_verdict(bench, GR_SOLAR_POWER, true, "good");
}

static void a_topic_that_comes_more_rarely_than_its_greatest_age_is_told(void **state)
{
    struct bench *bench = *state;
    send(bench, "house/solar", "1230", false, 0);
    send(bench, "house/solar", "1240", false, 120000);
    expect_verdict(bench, GR_SOLAR_POWER, true, "good");
    send(bench, "house/solar", "1250", false, 250000);
    expect_verdict(bench, GR_SOLAR_POWER, false, "too rare: 130 s passed");
    assert_false(gr_watch_enough(bench->watches, bench->config));
}

static void the_table_counts_what_is_wrong_and_shows_no_raw_control_characters(void **state)
{
    struct bench *bench = *state;
    char *text = NULL;
    size_t length = 0;
    send(bench, "house/soc", "50", false, 0);
    send(bench, "house/grid", "\x1b[31m", false, 0);
    send(bench, "house/battery", "-500", false, 0);
    FILE *stream = open_memstream(&text, &length);
    assert_non_null(stream);
    assert_int_equal(gr_watch_print(stream, bench->watches, bench->config, 2000),
                     2); /* grid refused, solar missing */
    fclose(stream);
    assert_null(strchr(text, 0x1b));
    assert_non_null(strstr(text, "\\x1B[31m"));
    assert_non_null(strstr(text, "-0.500 kW"));
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_balance_that_closes_within_meters_errors_is_good),
        cmocka_unit_test(nothing_is_said_without_grid_or_battery),
        cmocka_unit_test(one_wrong_sign_or_unit_is_named),
        cmocka_unit_test(a_house_that_would_give_power_shows_a_wrong_sign_even_without_its_own_meter),
        cmocka_unit_test(what_no_single_mistake_explains_is_told_as_such),
        cmocka_unit_test_setup_teardown(silence_and_old_values_are_told_apart, make_bench, remove_bench),
        cmocka_unit_test_setup_teardown(wrong_units_are_suspected, make_bench, remove_bench),
        cmocka_unit_test_setup_teardown(a_power_that_stands_still_while_others_move_is_frozen, make_bench,
                                        remove_bench),
        cmocka_unit_test_setup_teardown(a_topic_that_comes_more_rarely_than_its_greatest_age_is_told,
                                        make_bench, remove_bench),
        cmocka_unit_test_setup_teardown(the_table_counts_what_is_wrong_and_shows_no_raw_control_characters,
                                        make_bench, remove_bench),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
