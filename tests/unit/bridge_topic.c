/* Topic names and filters: examples and rules of MQTT 5.0 (OASIS, 7 March 2019), section 4.7. */
#include "granary/bridge.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static void filters_match_as_in_the_examples_of_the_standard(void **state)
{
    (void)state;
    static const struct {
        const char *filter, *topic;
        bool matches;
        const char *section;
    } rows[] = {
        {"sport/tennis/player1/#", "sport/tennis/player1", true, "4.7.1.2"},
        {"sport/tennis/player1/#", "sport/tennis/player1/ranking", true, "4.7.1.2"},
        {"sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true, "4.7.1.2"},
        {"sport/tennis/player1/#", "sport/tennis/player2", false, "4.7.1.2"},
        {"sport/#", "sport", true, "4.7.1.2"},
        {"#", "sport/tennis", true, "4.7.1.2"},
        {"sport/tennis/+", "sport/tennis/player1", true, "4.7.1.3"},
        {"sport/tennis/+", "sport/tennis/player2", true, "4.7.1.3"},
        {"sport/tennis/+", "sport/tennis/player1/ranking", false, "4.7.1.3"},
        {"sport/+", "sport", false, "4.7.1.3"},
        {"sport/+", "sport/", true, "4.7.1.3"},
        {"+", "sport", true, "4.7.1.3"},
        {"+/tennis/#", "sport/tennis", true, "4.7.1.3"},
        {"+/+", "/finance", true, "4.7.1.3"},
        {"/+", "/finance", true, "4.7.1.3"},
        {"+", "/finance", false, "4.7.1.3"},
        {"#", "$SYS/uptime", false, "4.7.2"},
        {"+/monitor/Clients", "$SYS/monitor/Clients", false, "4.7.2"},
        {"$SYS/#", "$SYS/uptime", true, "4.7.2"},
        {"$SYS/monitor/+", "$SYS/monitor/Clients", true, "4.7.2"},
        {"ACCOUNTS", "Accounts", false, "4.7.3"},
        {"a/b", "a/b", true, "4.7.3"},
        {"a/b", "a/b/", false, "4.7.3"},
        {"/a", "a", false, "4.7.3"},
        {"a/b/c", "a/b", false, "4.7.3"},
        {"a//c", "a//c", true, "4.7.3"},
        {"a/+/c", "a//c", true, "4.7.3"},
        {"#", "/", true, "4.7.3"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if (gr_topic_matches(rows[i].filter, rows[i].topic) != rows[i].matches) {
            fail_msg("%s and %s should %s (section %s)", rows[i].filter, rows[i].topic,
                     rows[i].matches ? "match" : "not match", rows[i].section);
        }
    }
}

static void what_the_standard_allows_is_accepted(void **state)
{
    (void)state;
    static const struct {
        const char *topic;
        bool wildcards;
    } rows[] = {
        {"#", true},           {"sport/tennis/#", true},    {"+", true},
        {"+/tennis/#", true},  {"sport/+/p", true},         {"/", false},
        {"/finance", false},   {"Accounts payable", false}, {"a//b", true},
        {"$SYS/uptime", true}, {"caf\xC3\xA9", false},      {"\xF0\x9F\x94\x8B/soc", false},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct gr_error error = {""};
        if (gr_topic_check(rows[i].topic, rows[i].wildcards, &error) != GR_OK) {
            fail_msg("%s", error.text);
        }
    }
}

static void what_the_standard_forbids_is_refused_with_the_reason(void **state)
{
    (void)state;
    static const struct {
        const char *topic;
        bool wildcards;
        const char *reason;
    } rows[] = {
        {"", true, "at least one character"},
        {"sport/tennis#", true, "stand alone"},
        {"sport/tennis/#/ranking", true, "last level"},
        {"sport+", true, "stand alone"},
        {"+a/b", true, "stand alone"},
        {"a/##", true, "stand alone"},
        {"a/+", false, "must not contain + or #"},
        {"#", false, "must not contain + or #"},
        {"a\xFF", true, "UTF-8"},
        {"a\xC0\xAF", true, "UTF-8"},
        {"a\xED\xA0\x80", true, "UTF-8"},
        {"a\xF4\x90\x80\x80", true, "UTF-8"},
        {"a\xE2\x82", true, "UTF-8"},
        {"a\nb", true, "control"},
        {"a\xC2\x85", true, "control"},
        {"$share/group/a", true, "shared"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct gr_error error = {""};
        assert_int_equal(gr_topic_check(rows[i].topic, rows[i].wildcards, &error), GR_INVALID);
        if (!strstr(error.text, rows[i].reason)) {
            fail_msg("row %zu: \"%s\" does not say \"%s\"", i, error.text, rows[i].reason);
        }
    }
}

static void a_topic_of_65535_bytes_is_the_longest(void **state)
{
    (void)state;
    struct gr_error error;
    char *topic = malloc(65537);
    assert_non_null(topic);
    memset(topic, 'a', 65536);
    topic[65535] = '\0';
    assert_int_equal(gr_topic_check(topic, false, &error), GR_OK);
    topic[65535] = 'a';
    topic[65536] = '\0';
    assert_int_equal(gr_topic_check(topic, false, &error), GR_INVALID);
    free(topic);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(filters_match_as_in_the_examples_of_the_standard),
        cmocka_unit_test(what_the_standard_allows_is_accepted),
        cmocka_unit_test(what_the_standard_forbids_is_refused_with_the_reason),
        cmocka_unit_test(a_topic_of_65535_bytes_is_the_longest),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
