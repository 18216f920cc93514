/* What an engine does not take, and that it changes nothing. */
#include "engine_bench.h"

#include "engine/internal.h"

static const struct gr_rate rate = {1773100800, 1773187200, 0.1};
static const struct gr_rate_table one_rate = {(struct gr_rate *)&rate, 1};
static const struct gr_window dear = {
    .kind = GR_WINDOW_IMPORT_PRICE, .start_s = 1773104400, .end_s = 1773108000, .value = 0.5};
static const struct gr_window backwards = {
    .kind = GR_WINDOW_IMPORT_PRICE, .start_s = 1773108000, .end_s = 1773104400, .value = 0.5};

/* Two engines that are told the same; one of them what makes no sense as well. */
static void what_makes_no_sense_is_refused_and_changes_no_decision(void **state)
{
    static const struct {
        struct gr_event event;
        const char *words;
    } rows[] = {
        {{.kind = GR_EVENT_RATES, .of.rates = {GR_DIRECTIONS, 0, &one_rate}},
         "rates of an unknown direction 3"},
        {{.kind = GR_EVENT_RATES, .of.rates = {GR_IMPORT, 7, &one_rate}},
         "rates for source 7, which takes none"},
        {{.kind = GR_EVENT_RATES, .of.rates = {GR_IMPORT, 0, &one_rate}}, /* these are bands */
         "rates for source 0, which takes none"},
        {{.kind = GR_EVENT_WEATHER, .of.weather = {GR_WEATHER_KINDS, &one_rate}},
         "weather of an unknown kind 4"},
        {{.kind = GR_EVENT_READING, .of.reading = {GR_CHANNELS, 1, false}},
         "a reading without channel or value"},
        {{.kind = GR_EVENT_READING, .of.reading = {GR_HOUSE_POWER, NAN, false}},
         "a reading without channel or value"},
        {{.kind = GR_EVENT_READING, .of.reading = {GR_HOUSE_POWER, INFINITY, false}},
         "a reading without channel or value"},
        {{.kind = GR_EVENT_WINDOWS, .of.windows = {.source = -1, .list = NULL, .count = 0}},
         "of all sources together"},
        {{.kind = GR_EVENT_WINDOWS, .of.windows = {.source = GR_MOST_EVENT_SOURCES, .list = NULL}},
         "of all sources together"},
        {{.kind = GR_EVENT_WINDOWS, .of.windows = {.source = -1, .list = &dear, .count = 1}},
         "a window of source -1"},
        {{.kind = GR_EVENT_WINDOWS, .of.windows = {.source = 0, .list = &backwards, .count = 1}},
         "needed: an end after the start"},
        {{.kind = GR_EVENT_FULL, .of.full.since_s = 0}, "a full charge that is not of the past"},
        {{.kind = GR_EVENT_FULL, .of.full.since_s = INT64_C(1) << 40},
         "a full charge that is not of the past"},
        {{.kind = GR_EVENT_METERED, .of.metered = {1773100800, 1773300000, 1}},
         "a metered stretch without length or power"},
        {{.kind = (enum gr_event_kind)99}, "an event of unknown kind 99"},
    };
    struct bench *bench = *state;
    struct bench twin = *bench;
    start_bench(&twin);
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_event event = rows[i].event;
        struct gr_error error = {""};
        event.at = bench->now;
        if (gr_engine_handle(bench->engine, &event, &error) != GR_INVALID) {
            fail_msg("row %zu was taken", i);
        }
        assert_says(error.text, rows[i].words);
        pass(bench, 6);
        pass(&twin, 6);
        assert_memory_equal(&bench->decision, &twin.decision, sizeof twin.decision);
    }
    gr_engine_free(twin.engine);
    gr_zone_free(twin.zone);
}

static void a_sequence_is_raised_and_never_lowered(void **state)
{
    struct bench *bench = *state;
    gr_engine_raise_sequence(bench->engine, 900);
    gr_engine_raise_sequence(bench->engine, 17);
    tick(bench);
    assert_int_equal(bench->decision.command.sequence, 901);
}

/* Both are of one hour; the second source has bands at first. */
static void published_tables_stay_with_a_source_that_is_still_one_of_tables(void **state)
{
    struct bench *bench = *state;
    bench->config.import.source[1] = bench->config.import.source[0];
    bench->config.import.source[0] = (struct gr_rate_source){.is_bands = false};
    bench->config.import.count = 2;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, NULL), GR_OK);
    struct gr_event told = {.kind = GR_EVENT_RATES, .at = bench->now, .of.rates = {GR_IMPORT, 0, &one_rate}};
    assert_int_equal(gr_engine_handle(bench->engine, &told, NULL), GR_OK);
    bench->config.import.count = 1;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, NULL), GR_OK);
    assert_int_equal(gr_engine_tariff(bench->engine, GR_IMPORT)->source[0].table.count, 1);
    bench->config.import.source[0] = bench->config.import.source[1]; /* bands where a table was */
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, NULL), GR_OK);
    assert_int_equal(gr_engine_tariff(bench->engine, GR_IMPORT)->source[0].table.count, 0);
    bench->config.import.source[0] = (struct gr_rate_source){.is_bands = false};
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, NULL), GR_OK);
    assert_int_equal(gr_engine_tariff(bench->engine, GR_IMPORT)->source[0].table.count, 0);
}

static void directions_are_named_and_other_words_are_none(void **state)
{
    (void)state;
    for (int direction = 0; direction < GR_DIRECTIONS; direction++) {
        assert_int_equal(gr_direction_named(gr_direction_name((enum gr_direction)direction)), direction);
    }
    assert_int_equal(gr_direction_named("sideways"), GR_DIRECTIONS);
    assert_null(gr_direction_name(GR_DIRECTIONS));
}

static void without_a_word_of_the_weather_nothing_is_promised(void **state)
{
    struct bench *bench = *state;
    tick(bench);
    struct gr_sun_promise promise = gr_engine_sun_promise(bench->engine);
    assert_near(promise.trust, 0, 0);
    assert_int_equal(promise.days, 0);
}

static void count_turn(void *context, const struct gr_moment *now, const struct gr_decision *decision)
{
    (void)now;
    (void)decision;
    ++*(int *)context;
}

static void a_tap_may_be_taken_off_again(void **state)
{
    struct bench *bench = *state;
    int turns = 0;
    const struct gr_engine_tap tap = {.turn = count_turn, .context = &turns};
    gr_engine_set_tap(bench->engine, &tap);
    pass(bench, 2);
    gr_engine_set_tap(bench->engine, NULL);
    pass(bench, 3);
    assert_int_equal(turns, 2);
    gr_engine_free(NULL);
}

#define TEST(function) cmocka_unit_test_setup_teardown(function, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(what_makes_no_sense_is_refused_and_changes_no_decision),
        TEST(a_sequence_is_raised_and_never_lowered),
        TEST(published_tables_stay_with_a_source_that_is_still_one_of_tables),
        TEST(directions_are_named_and_other_words_are_none),
        TEST(without_a_word_of_the_weather_nothing_is_promised),
        TEST(a_tap_may_be_taken_off_again),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
