/* When a refusal is worth a line in the log. */
#include "granary/bridge.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>

#include <cmocka.h>

#define SECOND_MS ((int64_t)1000)
#define MINUTE_MS (60 * SECOND_MS)
#define HOUR_MS (60 * MINUTE_MS)

static int set_up(void **state)
{
    struct gr_refusals *refusals;
    int code = gr_refusals_create(&refusals);
    *state = refusals;
    return code;
}

static int tear_down(void **state)
{
    gr_refusals_free(*state);
    return 0;
}

static void lines_grow_rarer_while_a_fault_goes_on(void **state)
{
    static const int64_t due_min[] = {0, 1, 11, 71, 431, 1871, 3311};
    const size_t due_count = sizeof due_min / sizeof due_min[0];
    size_t lines = 0;
    uint64_t counted = 0;
    for (int64_t now_ms = 0; now_ms <= 3311 * MINUTE_MS; now_ms += 10 * SECOND_MS) {
        uint64_t count;
        if (gr_refusals_note(*state, "house/soc", "not a number", now_ms, &count)) {
            assert_in_range(lines, 0, due_count - 1);
            assert_int_equal(now_ms, due_min[lines] * MINUTE_MS);
            counted += count;
            lines++;
        }
    }
    assert_int_equal(lines, due_count);
    assert_int_equal(counted, 3311 * 6 + 1);
    assert_int_equal(gr_refusals_total(*state), 3311 * 6 + 1);
}

static void a_line_says_how_many_were_refused_since_the_last_one(void **state)
{
    uint64_t count;
    assert_true(gr_refusals_note(*state, "house/soc", "not a number", 0, &count));
    assert_int_equal(count, 1);
    for (int64_t i = 1; i <= 5; i++) {
        assert_false(gr_refusals_note(*state, "house/soc", "not a number", i * SECOND_MS, &count));
    }
    assert_true(gr_refusals_note(*state, "house/soc", "not a number", MINUTE_MS, &count));
    assert_int_equal(count, 6);
}

static void another_topic_or_kind_of_reason_is_news(void **state)
{
    uint64_t count;
    assert_true(gr_refusals_note(*state, "house/soc", "not a number", 0, &count));
    assert_true(gr_refusals_note(*state, "house/soc", "not UTF-8", 1, &count));
    assert_true(gr_refusals_note(*state, "house/grid", "not a number", 2, &count));
    assert_false(gr_refusals_note(*state, "house/soc", "not a number", 3, &count));
}

static void what_was_found_does_not_make_a_reason_new(void **state)
{
    static const char *const same[][2] = {
        {"found 3450 kW, plausible is -12 to 12 kW", "found -9.1e+02 kW, plausible is -12 to 12 kW"},
        {"found \"12,5\", expected a plain number", "found \"a \\\" b\", expected a plain number"},
    };
    for (size_t i = 0; i < sizeof same / sizeof same[0]; i++) {
        uint64_t count;
        assert_true(gr_refusals_note(*state, "house/soc", same[i][0], 0, &count));
        assert_false(gr_refusals_note(*state, "house/soc", same[i][1], 1, &count));
    }
}

static void a_fault_that_returns_after_a_quiet_time_is_news(void **state)
{
    uint64_t count;
    assert_true(gr_refusals_note(*state, "house/soc", "not a number", 0, &count));
    assert_false(gr_refusals_note(*state, "house/soc", "not a number", 30 * SECOND_MS, &count));
    assert_true(gr_refusals_note(*state, "house/soc", "not a number", 2 * HOUR_MS, &count));
    assert_int_equal(count, 1);
    assert_false(gr_refusals_note(*state, "house/soc", "not a number", 2 * HOUR_MS + 59 * SECOND_MS, &count));
    assert_true(gr_refusals_note(*state, "house/soc", "not a number", 2 * HOUR_MS + MINUTE_MS, &count));
}

static void a_flood_of_topics_fills_neither_memory_nor_log(void **state)
{
    size_t lines = 0;
    for (int i = 0; i < 20000; i++) {
        char topic[32];
        uint64_t count;
        (void)snprintf(topic, sizeof topic, "flood/%d", i);
        lines += gr_refusals_note(*state, topic, "not a number", i, &count) ? 1 : 0;
    }
    assert_in_range(lines, 1, 300);
    assert_int_equal(gr_refusals_total(*state), 20000);
}

static void the_topic_noted_longest_ago_is_forgotten_first(void **state)
{
    uint64_t count;
    assert_true(gr_refusals_note(*state, "old", "not a number", 0, &count));
    assert_true(gr_refusals_note(*state, "kept", "not a number", 0, &count));
    for (int i = 0; i < 255; i++) {
        char topic[32];
        (void)snprintf(topic, sizeof topic, "other/%d", i);
        assert_false(gr_refusals_note(*state, "kept", "not a number", 1, &count));
        (void)gr_refusals_note(*state, topic, "not a number", 2, &count);
    }
    assert_false(gr_refusals_note(*state, "kept", "not a number", 3, &count));
    (void)gr_refusals_note(*state, "old", "not a number", 4, &count);
    assert_int_equal(count, 1);
}

#define WITH_REFUSALS(test) cmocka_unit_test_setup_teardown(test, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        WITH_REFUSALS(lines_grow_rarer_while_a_fault_goes_on),
        WITH_REFUSALS(a_line_says_how_many_were_refused_since_the_last_one),
        WITH_REFUSALS(another_topic_or_kind_of_reason_is_news),
        WITH_REFUSALS(what_was_found_does_not_make_a_reason_new),
        WITH_REFUSALS(a_fault_that_returns_after_a_quiet_time_is_news),
        WITH_REFUSALS(a_flood_of_topics_fills_neither_memory_nor_log),
        WITH_REFUSALS(the_topic_noted_longest_ago_is_forgotten_first),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
