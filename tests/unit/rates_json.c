#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "rates_support.h"

#include <jansson.h>

/* Source: RFC 6901 section 5. */
static void pointers_of_rfc_6901_find_what_it_says(void **state)
{
    (void)state;
    json_t *document =
        json_loads("{\"foo\":[\"bar\",\"baz\"],\"\":0,\"a/b\":1,\"c%d\":2,\"e^f\":3,\"g|h\":4,\"i\\\\j\":5,"
                   "\"k\\\"l\":6,\" \":7,\"m~n\":8}",
                   0, NULL);
    static const struct {
        const char *pointer;
        int expected;
    } rows[] = {{"/", 0},     {"/a~1b", 1}, {"/c%d", 2}, {"/e^f", 3}, {"/g|h", 4},
                {"/i\\j", 5}, {"/k\"l", 6}, {"/ ", 7},   {"/m~0n", 8}};
    struct gr_error error = {""};
    assert_non_null(document);
    for (size_t i = 0; i < COUNT(rows); i++) {
        json_t *found = gr_json_pointer(document, rows[i].pointer, &error);
        assert_non_null(found);
        assert_int_equal(json_integer_value(found), rows[i].expected);
    }
    assert_ptr_equal(gr_json_pointer(document, "", &error), document);
    assert_string_equal(json_string_value(gr_json_pointer(document, "/foo/0", &error)), "bar");
    assert_string_equal(json_string_value(gr_json_pointer(document, "/foo/1", &error)), "baz");
    json_decref(document);
}

static void escapes_are_decoded_once(void **state)
{
    (void)state;
    json_t *document = json_loads("{\"~1\":1,\"/\":2}", 0, NULL);
    struct gr_error error = {""};
    assert_int_equal(json_integer_value(gr_json_pointer(document, "/~01", &error)), 1);
    assert_int_equal(json_integer_value(gr_json_pointer(document, "/~1", &error)), 2);
    json_decref(document);
}

static void pointers_that_lead_nowhere_say_why(void **state)
{
    (void)state;
    static const struct {
        const char *pointer, *words;
        bool bad_syntax;
    } rows[] = {{"foo", "must begin with '/'", true},
                {"/foo/~2", "'~' must be followed by 0 or 1", true},
                {"/foo~", "'~' must be followed by 0 or 1", true},
                {"/nothing", "no member 'nothing'", false},
                {"/foo/2", "no element '2' in an array of 2", false},
                {"/foo/-", "'-' is no index", false},
                {"/foo/01", "'01' is no index", false},
                {"/foo/+1", "'+1' is no index", false},
                {"/foo/", "'' is no index", false},
                {"/foo/99999999999999999999", "is no index", false},
                {"/n/x", "no member 'x' in a number", false},
                {"/bar/x", "no member 'x' in null", false},
                {"/s/x", "no member 'x' in a string", false},
                {"/no/x", "no member 'x' in false", false},
                {"/\xc3\xa9", "'\\xC3\\xA9'", false}};
    json_t *document = json_loads("{\"foo\":[1,2],\"n\":3,\"bar\":null,\"s\":\"\",\"no\":false}", 0, NULL);
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct gr_error error = {""}, syntax = {""};
        assert_null(gr_json_pointer(document, rows[i].pointer, &error));
        expect_words(&error, rows[i].words);
        assert_int_equal(gr_json_pointer_check(rows[i].pointer, &syntax),
                         rows[i].bad_syntax ? GR_INVALID : GR_OK);
        if (rows[i].bad_syntax) {
            expect_words(&syntax, rows[i].words);
        }
    }
    json_decref(document);
}

static void a_pointer_with_an_endless_name_is_refused(void **state)
{
    (void)state;
    char pointer[400] = "/";
    memset(pointer + 1, 'x', 300);
    struct gr_error error = {""};
    assert_int_equal(gr_json_pointer_check(pointer, &error), GR_INVALID);
    expect_words(&error, "more than 255 bytes");
}

static void slots_are_read_in_any_order_and_form(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_JSON);
    expect_read(&mapping, NULL,
                "[{\"start\":\"2026-11-25T10:00:00+01:00\",\"price\":\" 0.25 \"},"
                "{\"start\":1795595400,\"price\":-1},{\"start\":\"1795593600\",\"price\":\"+2.5e-1\"}]",
                "2026-11-25T08:00Z 30min 0.25\n2026-11-25T08:30Z 30min -1\n2026-11-25T09:00Z 30min 0.25");
}

static void a_byte_order_mark_is_skipped(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_JSON);
    expect_read(&mapping, NULL, "\xef\xbb\xbf[{\"start\":\"2026-11-25T08:00Z\",\"price\":1}]",
                "2026-11-25T08:00Z 30min 1");
}

static void lengths_come_from_end_or_duration_or_the_next_start(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_JSON);
    SET(mapping.end, "/until");
    expect_read(&mapping, NULL,
                "[{\"start\":\"2026-11-25T08:00Z\",\"until\":\"2026-11-25T10:15Z\",\"price\":1}]",
                "2026-11-25T08:00Z 135min 1");
    SET(mapping.end, "");
    SET(mapping.duration, "/for");
    expect_read(&mapping, NULL,
                "[{\"start\":\"2026-11-25T08:00Z\",\"for\":15,\"price\":1},"
                "{\"start\":\"2026-11-25T08:15Z\",\"for\":\"PT1H\",\"price\":2},"
                "{\"start\":\"2026-11-25T09:15Z\",\"for\":\"45\",\"price\":3}]",
                "2026-11-25T08:00Z 15min 1\n2026-11-25T08:15Z 60min 2\n2026-11-25T09:15Z 45min 3");
    SET(mapping.duration, "");
    mapping.slot_minutes = 0;
    expect_read(
        &mapping, NULL,
        "[{\"start\":\"2026-11-25T08:00Z\",\"price\":1},{\"start\":\"2026-11-25T12:00Z\",\"price\":3},"
        "{\"start\":\"2026-11-25T09:00Z\",\"price\":2},{\"start\":\"2026-11-25T09:00Z\",\"price\":2}]",
        "2026-11-25T08:00Z 60min 1\n2026-11-25T09:00Z 180min 2\n2026-11-25T12:00Z 180min 3");
}

static void stars_stand_for_every_member_and_element(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_JSON);
    SET(mapping.list, "/days/*/*/p");
    SET(mapping.start, "/0");
    SET(mapping.price, "/1/v");
    expect_read(
        &mapping, NULL,
        "{\"days\":{\"b\":[{\"p\":[[\"2026-11-26T00:00Z\",{\"v\":3}]]},{\"p\":[]}],"
        "\"a\":{\"x\":{\"p\":[[\"2026-11-25T00:00Z\",{\"v\":1}],[\"2026-11-25T00:30Z\",{\"v\":2}]]}}}}",
        "2026-11-25T00:00Z 30min 1\n2026-11-25T00:30Z 30min 2\n2026-11-26T00:00Z 30min 3");
}

static void prices_are_scaled_then_taxed_then_added_to(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_JSON);
    mapping.scale = 0.001, mapping.factor = 1.25, mapping.add_per_kwh = 0.03;
    expect_read(
        &mapping, NULL,
        "[{\"start\":\"2026-11-25T08:00Z\",\"price\":80},{\"start\":\"2026-11-25T08:30Z\",\"price\":-40}]",
        "2026-11-25T08:00Z 30min 0.13\n2026-11-25T08:30Z 30min -0.02");
}

static void equal_duplicates_are_taken_once(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_JSON);
    expect_read(&mapping, NULL,
                "[{\"start\":\"2026-11-25T08:00Z\",\"price\":1},{\"start\":\"2026-11-25T09:00:00+01:00\","
                "\"price\":1.0}]",
                "2026-11-25T08:00Z 30min 1");
}

static void fields_nobody_asked_for_do_no_harm(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_JSON);
    expect_read(&mapping, NULL,
                "[{\"id\":123456789012345678901234567890,\"note\":\"\\u00e9\",\"start\":\"2026-11-25T08:"
                "00Z\",\"price\":1}]",
                "2026-11-25T08:00Z 30min 1");
}

static void malformed_documents_are_refused_with_the_place(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_JSON);
    static const struct {
        const char *document, *words;
    } rows[] = {
        {"<html>log in</html>", "line 1, column 1: found no JSON document"},
        {"", "found no JSON document"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":1}", "found no JSON document"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\n\"price\":01}]", "line 2"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":NaN}]", "found no JSON document"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":1e999}]", "found no JSON document"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":1,\"price\":2}]", "duplicate"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":1}] x", "found no JSON document"},
        {"{\"prices\":[]}", "found an object, expected an array"},
        {"[]", "holds no prices"},
        {"[7]", "element /0, field /start: found no member 'start' in a number"},
        {"[{\"price\":1}]", "element /0, field /start: found no member 'start'"},
        {"[{\"start\":\"2026-11-25T08:00Z\"}]", "element /0, field /price: found no member 'price'"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":1},{\"start\":\"2026-11-25T08:30Z\",\"price\":null}]",
         "element /1, field /price: found null, expected a number"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":true}]", "found true, expected a number"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":[1]}]", "found an array, expected a number"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":\"12,5\"}]",
         "found '12,5', expected a number with a decimal point (no comma)"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":\"5 W\"}]", "found '5 W', expected a number"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":\"\"}]", "found '', expected a number"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":\"nan\"}]", "found 'nan'"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":\"inf\"}]", "found 'inf'"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":\"1e999\"}]", "found '1e999'"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":\"+-1\"}]", "found '+-1'"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":\"1 2\"}]", "found '1 2'"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":\"a\\nb\\u20ac\"}]", "found 'a\\x0Ab\\xE2\\x82\\xAC'"},
        {"[{\"start\":\"yesterday\",\"price\":1}]",
         "field /start: found 'yesterday', expected a time such as 2026-11-25T09:00:00Z"},
        {"[{\"start\":null,\"price\":1}]", "found null, expected a time"},
        {"[{\"start\":\"2026-11-25T08:00\",\"price\":1}]", "expected a time with its offset from UTC"},
        {"[{\"start\":\"2026-02-30T08:00Z\",\"price\":1}]", "found '2026-02-30T08:00Z', expected a time"},
        {"[{\"start\":1795593600000,\"price\":1}]", "look like milliseconds"},
        {"[{\"start\":20261125,\"price\":1}]", "found 20261125, expected whole Unix seconds"},
        {"[{\"start\":\"20261125\",\"price\":1}]", "found '20261125', expected whole Unix seconds"},
        {"[{\"start\":202611250030,\"price\":1}]", "milliseconds"},
        {"[{\"start\":1795593600.5,\"price\":1}]", "expected whole Unix seconds"},
        {"[{\"start\":-1795593600,\"price\":1}]", "expected whole Unix seconds"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":1},{\"start\":\"2026-11-25T08:00Z\",\"price\":2}]",
         "2026-11-25T08:00:00Z (1 per kWh) overlaps the one that starts at 2026-11-25T08:00:00Z (2 per kWh)"},
        {"[{\"start\":\"2026-11-25T08:00Z\",\"price\":1},{\"start\":\"2026-11-25T08:15Z\",\"price\":1}]",
         "overlaps"},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        expect_refused(&mapping, NULL, rows[i].document, rows[i].words);
    }
    expect_refused_bytes(&mapping, NULL, "[1]\0[2]", 7, "found no JSON document");
}

static void malformed_lengths_are_refused_with_the_place(void **state)
{
    (void)state;
    static const struct {
        const char *length, *words;
    } durations[] = {{"0", "found 0, expected a length in minutes"},
                     {"-30", "found -30"},
                     {"1e9", "at most 366 days"},
                     {"0.001", "found 0.001"},
                     {"\"P1M\"", "found 'P1M', expected a length in minutes or an ISO 8601 duration"},
                     {"\"PT0S\"", "found 'PT0S'"},
                     {"\"P400D\"", "found 'P400D'"},
                     {"null", "found null"},
                     {"\"half\"", "found 'half'"}},
      ends[] = {{"\"2026-11-25T08:00Z\"", "expected an end after the start"},
                {"\"2026-11-25T07:00Z\"", "ends at 2026-11-25T07:00:00Z"},
                {"\"2028-11-25T07:00Z\"", "within 366 days"},
                {"\"\"", "field /length: found ''"}};
    struct gr_rate_mapping by_duration = plain_mapping(GR_RATES_JSON), by_end = by_duration,
                           by_next = by_duration;
    char document[256];
    SET(by_duration.duration, "/length");
    SET(by_end.end, "/length");
    for (size_t i = 0; i < COUNT(durations); i++) {
        (void)snprintf(document, sizeof document,
                       "[{\"start\":\"2026-11-25T08:00Z\",\"price\":1,\"length\":%s}]", durations[i].length);
        expect_refused(&by_duration, NULL, document, durations[i].words);
    }
    for (size_t i = 0; i < COUNT(ends); i++) {
        (void)snprintf(document, sizeof document,
                       "[{\"start\":\"2026-11-25T08:00Z\",\"price\":1,\"length\":%s}]", ends[i].length);
        expect_refused(&by_end, NULL, document, ends[i].words);
    }
    by_next.slot_minutes = 0;
    expect_refused(&by_next, NULL, "[{\"start\":\"2026-11-25T08:00Z\",\"price\":1}]",
                   "nothing tells how long");
}

static void lists_that_are_not_there_are_named(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_JSON);
    SET(mapping.list, "/data/*/prices");
    expect_refused(&mapping, NULL, "{\"date\":{}}", "found no member 'data'");
    expect_refused(&mapping, NULL, "{\"data\":7}",
                   "list '/data': found a number, expected an object or an array for '*'");
    expect_refused(&mapping, NULL, "{\"data\":{\"a\":{}}}", "found no member 'prices' in '/data/a'");
    expect_refused(&mapping, NULL, "{\"data\":[{\"prices\":3}]}",
                   "list '/data/0/prices': found a number, expected an array");
    expect_refused(&mapping, NULL, "{\"data\":[]}", "holds no prices");
    expect_refused(&mapping, NULL, "{\"data\":[{\"prices\":[{\"start\":1,\"price\":1}]}]}",
                   "element /data/0/prices/0, field /start: found 1,");
}

static void mappings_that_cannot_work_are_refused(void **state)
{
    (void)state;
    const char *document = "[{\"start\":\"2026-11-25T08:00Z\",\"price\":1}]";
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_JSON);
    SET(mapping.price, "");
    expect_refused(&mapping, NULL, document, "names no price");
    mapping = plain_mapping(GR_RATES_JSON);
    SET(mapping.list, "/~");
    expect_refused(&mapping, NULL, document, "'/~' is no JSON Pointer");
    mapping = plain_mapping(GR_RATES_JSON);
    SET(mapping.start, "start");
    expect_refused(&mapping, NULL, document, "'start' is no JSON Pointer");
    mapping = plain_mapping(GR_RATES_JSON);
    mapping.factor = 0;
    expect_refused(&mapping, NULL, document, "must be above 0");
    SET(mapping.start, "");
    expect_refused(&mapping, NULL, document, "names no start");
    const struct {
        double scale, factor, add_per_kwh;
    } wrong[] = {{0, 1, 0}, {NAN, 1, 0}, {INFINITY, 1, 0}, {1, -1, 0}, {1, INFINITY, 0}, {1, 1, INFINITY}};
    for (size_t i = 0; i < COUNT(wrong); i++) {
        mapping = plain_mapping(GR_RATES_JSON);
        mapping.scale = wrong[i].scale;
        mapping.factor = wrong[i].factor;
        mapping.add_per_kwh = wrong[i].add_per_kwh;
        expect_refused(&mapping, NULL, document, "must be above 0, and its addition");
    }
    mapping = plain_mapping(GR_RATES_JSON);
    mapping.slot_minutes = 366 * 24 * 60 + 1;
    expect_refused(&mapping, NULL, document, "slot_minutes are 527041");
    mapping = plain_mapping(GR_RATES_JSON);
    mapping.slot_minutes = -30;
    expect_refused(&mapping, NULL, document, "slot_minutes are -30");
    mapping = plain_mapping(GR_RATES_JSON);
    mapping.start_is_local = true;
    expect_refused(&mapping, NULL, document, "no time zone is known");
    mapping = plain_mapping(GR_RATES_JSON);
    mapping.scale = 1e308;
    expect_refused(&mapping, NULL, "[{\"start\":\"2026-11-25T08:00Z\",\"price\":100}]",
                   "price of finite size");
}

static void every_beginning_of_a_document_is_refused(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_JSON);
    const char *document =
        "[{\"start\":\"2026-11-25T08:00Z\",\"price\":1},{\"start\":1795593600,\"price\":\"2\"}]";
    for (size_t length = 0; length < strlen(document); length++) {
        char *exact = malloc(length + 1); /* so that a sanitizer sees every read beyond the end */
        assert_non_null(exact);
        memcpy(exact + 1, document, length);
        expect_refused_bytes(&mapping, NULL, exact + 1, length, "found no JSON document");
        free(exact);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(pointers_of_rfc_6901_find_what_it_says),
        cmocka_unit_test(escapes_are_decoded_once),
        cmocka_unit_test(pointers_that_lead_nowhere_say_why),
        cmocka_unit_test(a_pointer_with_an_endless_name_is_refused),
        cmocka_unit_test(slots_are_read_in_any_order_and_form),
        cmocka_unit_test(a_byte_order_mark_is_skipped),
        cmocka_unit_test(lengths_come_from_end_or_duration_or_the_next_start),
        cmocka_unit_test(stars_stand_for_every_member_and_element),
        cmocka_unit_test(prices_are_scaled_then_taxed_then_added_to),
        cmocka_unit_test(equal_duplicates_are_taken_once),
        cmocka_unit_test(fields_nobody_asked_for_do_no_harm),
        cmocka_unit_test(malformed_documents_are_refused_with_the_place),
        cmocka_unit_test(malformed_lengths_are_refused_with_the_place),
        cmocka_unit_test(lists_that_are_not_there_are_named),
        cmocka_unit_test(mappings_that_cannot_work_are_refused),
        cmocka_unit_test(every_beginning_of_a_document_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
