/* Events of foreign documents: lists of somebody's own making, and OpenADR 3. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "rates_support.h"

#include "granary/window.h"

static const struct gr_window_mapping payments = {.format = GR_EVENTS_JSON,
                                                  .list = "/events",
                                                  .id = "/ref",
                                                  .start = "/from",
                                                  .end = "/to",
                                                  .value = "/pay",
                                                  .kind = GR_WINDOW_PAYMENT,
                                                  .least = 0,
                                                  .greatest = 5};
static const struct gr_window_mapping openadr = {
    .format = GR_EVENTS_OPENADR3, .least = -2, .greatest = 5, .currency = "GBP", .capacity_kwh = 10};

/* The present of every test here. */
#define NOW "2026-01-14T12:00:00Z"

static int read_text(struct gr_told_windows *told, const struct gr_window_mapping *mapping, const char *text,
                     struct gr_error *error)
{
    struct gr_zone *zone = NULL;
    assert_int_equal(gr_zone_fixed(&zone, "CET", 3600, NULL), GR_OK);
    memset(told, 0, sizeof *told);
    int status = gr_windows_read(told, mapping, zone, moment(NOW), text, strlen(text), error);
    gr_zone_free(zone);
    return status;
}

/* One window a line, "payment 01-15T17:00 01-15T18:00 1.5 a1", then what was refused. */
static void expect_told(const struct gr_window_mapping *mapping, const char *text, const char *expected)
{
    struct gr_told_windows told;
    struct gr_error error = {""};
    char got[4000] = "";
    size_t used = 0;
    if (read_text(&told, mapping, text, &error) != GR_OK) {
        fail_msg("refused: %s", error.text);
    }
    for (size_t i = 0; i < told.count && used < sizeof got; i++) {
        char start[GR_RFC3339_SIZE], end[GR_RFC3339_SIZE];
        const struct gr_window *window = &told.windows[i].window;
        used +=
            (size_t)snprintf(got + used, sizeof got - used, "%s %.11s %.11s %.9g %s\n",
                             gr_window_name(window->kind), gr_rfc3339_format(start, window->start_s) + 5,
                             gr_rfc3339_format(end, window->end_s) + 5, window->value, told.windows[i].id);
    }
    for (size_t i = 0; i < told.refused_count && used < sizeof got; i++) {
        used += (size_t)snprintf(got + used, sizeof got - used, "refused %s: %s\n", told.refused[i].id,
                                 told.refused[i].reason);
    }
    gr_told_windows_free(&told);
    assert_string_equal(got, expected);
}

static void a_list_is_read_by_its_pointers(void **state)
{
    (void)state;
    expect_told(
        &payments,
        "{\"events\":[{\"ref\":\"b\",\"from\":\"2026-01-16T17:00:00Z\",\"to\":\"2026-01-16T18:00:00Z\","
        "\"pay\":\"0.75\"},{\"ref\":12,\"from\":\"2026-01-15T18:00:00+01:00\",\"to\":1768500000,"
        "\"pay\":1.5}]}",
        "payment 01-15T17:00 01-15T18:00 1.5 12\npayment 01-16T17:00 01-16T18:00 0.75 b\n");
    expect_told(&payments, "{\"events\":[]}", "");
}

static void lengths_local_times_units_and_other_kinds_are_understood(void **state)
{
    (void)state;
    struct gr_window_mapping wishes = {.format = GR_EVENTS_JSON,
                                       .list = "/plants/*/jobs",
                                       .start = "/at",
                                       .duration = "/for",
                                       .value = "/level",
                                       .only = "/kind",
                                       .only_is = "store",
                                       .start_is_local = true,
                                       .kind = GR_WINDOW_STATE_OF_CHARGE,
                                       .unit = GR_EVENTS_RATIO};
    static const char text[] = "{\"plants\":{\"x\":{\"jobs\":[{\"kind\":\"store\",\"at\":\"2026-01-15T07:"
                               "00\",\"for\":\"PT2H\",\"level\":0.8},"
                               "{\"kind\":\"rest\",\"at\":\"never\"}]}}}";
    expect_told(&wishes, text, "state_of_charge 01-15T06:00 01-15T08:00 80 event 1\n");
    wishes.duration[0] = '\0';
    wishes.unit = GR_EVENTS_KWH;
    wishes.capacity_kwh = 2;
    expect_told(&wishes, text, "state_of_charge 01-15T06:00 01-15T06:00 40 event 1\n");
    struct gr_window_mapping prices = payments;
    prices.kind = GR_WINDOW_IMPORT_PRICE;
    prices.unit = GR_EVENTS_PER_MWH;
    expect_told(
        &prices,
        "{\"events\":[{\"ref\":\"m\",\"from\":\"2026-01-16T17:00:00Z\",\"to\":\"2026-01-16T18:00:00Z\","
        "\"pay\":850}]}",
        "import_price 01-16T17:00 01-16T18:00 0.85 m\n");
    prices.unit = GR_EVENTS_MINOR_PER_KWH;
    expect_told(
        &prices,
        "{\"events\":[{\"ref\":\"c\",\"from\":\"2026-01-16T17:00:00Z\",\"to\":\"2026-01-16T18:00:00Z\","
        "\"pay\":85}]}",
        "import_price 01-16T17:00 01-16T18:00 0.85 c\n");
}

static void a_wrong_event_is_refused_by_name_and_the_others_are_taken(void **state)
{
    (void)state;
    expect_told(
        &payments,
        "{\"events\":[{\"ref\":\"late\",\"from\":\"2026-01-16T17:00:00Z\",\"to\":\"2026-01-16T16:00:00Z\","
        "\"pay\":1},"
        "{\"ref\":\"word\",\"from\":\"2026-01-16T17:00:00Z\",\"to\":\"2026-01-16T18:00:00Z\",\"pay\":"
        "\"much\"},"
        "{\"ref\":\"dear\",\"from\":\"2026-01-16T17:00:00Z\",\"to\":\"2026-01-16T18:00:00Z\",\"pay\":75},"
        "{\"ref\":\"endless\",\"from\":\"2026-01-16T17:00:00Z\",\"pay\":1},"
        "{\"ref\":\"good\",\"from\":\"2026-01-16T17:00:00Z\",\"to\":\"2026-01-16T18:00:00Z\",\"pay\":1},"
        "{\"ref\":\"other\",\"from\":\"2026-01-16T17:30:00Z\",\"to\":\"2026-01-16T19:00:00Z\",\"pay\":2},"
        "{\"ref\":\"twin\",\"from\":\"2026-01-16T17:00:00Z\",\"to\":\"2026-01-16T18:00:00Z\",\"pay\":1}]}",
        "payment 01-16T17:00 01-16T18:00 1 good\n"
        "refused late: it starts at 2026-01-16T17:00:00Z and ends at 2026-01-16T16:00:00Z; needed: an end "
        "after the start\n"
        "refused word: event, field /pay: found 'much', expected a number such as 0.25\n"
        "refused dear: the value is 75; allowed: 0 to 5\n"
        "refused endless: event, field /to: found no member 'to'\n"
        "refused other: at the same time \"good\" says 1 and this one 2\n");
}

static void what_has_ended_or_lies_far_ahead_is_left_out(void **state)
{
    (void)state;
    expect_told(
        &payments,
        "{\"events\":[{\"ref\":\"past\",\"from\":\"2026-01-14T10:00:00Z\",\"to\":\"2026-01-14T12:00:00Z\","
        "\"pay\":1},{\"ref\":\"far\",\"from\":\"2026-05-14T10:00:00Z\",\"to\":\"2026-05-14T12:00:00Z\","
        "\"pay\":1},{\"ref\":\"now\",\"from\":\"2026-01-14T10:00:00Z\",\"to\":\"2026-01-14T12:30:00Z\","
        "\"pay\":1}]}",
        "payment 01-14T10:00 01-14T12:30 1 now\n");
}

static void a_document_that_is_none_is_refused_whole(void **state)
{
    (void)state;
    static const struct {
        const char *text, *words;
    } rows[] = {{"", "no JSON document"},
                {"{\"events\":{}}", "expected an array"},
                {"{}", "no member 'events'"},
                {"[1,2", "line 1"}};
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct gr_told_windows told;
        struct gr_error error = {""};
        assert_int_equal(read_text(&told, &payments, rows[i].text, &error), GR_INVALID);
        expect_words(&error, rows[i].words);
        assert_null(told.windows);
    }
}

/* The document and what is expected of it stand in the notes on OpenADR 3.1.0, User Guide 7.4: intervals
 * follow one another, an interval's own duration goes before the event's. */
#define DAY_EVENT                                                                                            \
    "{\"programID\":\"p1\",\"eventName\":\"day\",\"intervalPeriod\":{\"start\":\"2026-01-15T00:00:00Z\","    \
    "\"duration\":\"PT30M\"},\"payloadDescriptors\":[{\"objectType\":\"EVENT_PAYLOAD_DESCRIPTOR\","          \
    "\"payloadType\":\"PRICE\",\"units\":\"KWH\",\"currency\":\"GBP\"},{\"objectType\":"                     \
    "\"EVENT_PAYLOAD_DESCRIPTOR\",\"payloadType\":\"EXPORT_PRICE\",\"units\":\"KWH\",\"currency\":\"GBP\"}]" \
    ","                                                                                                      \
    "\"intervals\":[{\"id\":0,\"payloads\":[{\"type\":\"PRICE\",\"values\":[0.10]},{\"type\":"               \
    "\"EXPORT_PRICE\",\"values\":[0.05]}]},{\"id\":7,\"payloads\":[{\"type\":\"PRICE\",\"values\":[0.12]},"  \
    "{\"type\":\"EXPORT_PRICE\",\"values\":[0.05]}]},{\"id\":3,\"intervalPeriod\":{\"duration\":\"PT1H\"},"  \
    "\"payloads\":[{\"type\":\"PRICE\",\"values\":[0.30]},{\"type\":\"EXPORT_PRICE\",\"values\":[0.05]}]}]}"
#define DAY_TOLD                                                                                             \
    "import_price 01-15T00:00 01-15T00:30 0.1 day\nexport_price 01-15T00:00 01-15T02:00 0.05 day\n"          \
    "import_price 01-15T00:30 01-15T01:00 0.12 day\nimport_price 01-15T01:00 01-15T02:00 0.3 day\n"

static void an_openadr_3_price_event_is_read_alone_or_in_the_list_that_a_server_gives(void **state)
{
    (void)state;
    expect_told(&openadr, DAY_EVENT, DAY_TOLD);
    expect_told(&openadr, "[" DAY_EVENT "]", DAY_TOLD);
    expect_told(&openadr, "[]", "");
}

/* User Guide 7.3: PT3H with three values is an hour each. */
static void several_values_share_an_openadr_interval(void **state)
{
    (void)state;
    expect_told(
        &openadr,
        "{\"id\":\"e9\",\"eventName\":\"three\",\"intervalPeriod\":{\"start\":\"2026-01-15T10:00:00Z\","
        "\"duration\":\"PT3H\"},\"intervals\":[{\"id\":0,\"payloads\":[{\"type\":\"PRICE\",\"values\":[1,2,3]"
        "},"
        "{\"type\":\"GHG\",\"values\":[\"?\"]}]}]}",
        "import_price 01-15T10:00 01-15T11:00 1 e9 (three)\n"
        "import_price 01-15T11:00 01-15T12:00 2 e9 (three)\n"
        "import_price 01-15T12:00 01-15T13:00 3 e9 (three)\n");
}

static void an_openadr_event_that_lasts_longer_than_its_intervals_repeats_them(void **state)
{
    (void)state;
    expect_told(
        &openadr,
        "{\"id\":\"r\",\"duration\":\"PT5H\",\"intervalPeriod\":{\"start\":\"2026-01-15T10:00:00Z\","
        "\"duration\":"
        "\"PT1H\"},\"intervals\":[{\"id\":0,\"payloads\":[{\"type\":\"PRICE\",\"values\":[1]}]},{\"id\":1,"
        "\"payloads\":[{\"type\":\"PRICE\",\"values\":[2]}]}]}",
        "import_price 01-15T10:00 01-15T11:00 1 r\nimport_price 01-15T11:00 01-15T12:00 2 r\n"
        "import_price 01-15T12:00 01-15T13:00 1 r\nimport_price 01-15T13:00 01-15T14:00 2 r\n"
        "import_price 01-15T14:00 01-15T15:00 1 r\n");
    struct gr_told_windows told;
    assert_int_equal(
        read_text(&told, &openadr,
                  "{\"id\":\"ever\",\"duration\":\"P9999Y\",\"intervalPeriod\":{\"start\":"
                  "\"2024-01-15T10:00:00Z\",\"duration\":\"P1D\"},\"intervals\":[{\"id\":0,\"payloads\":[{"
                  "\"type\":\"PRICE\",\"values\":[1,2]}]}]}",
                  NULL),
        GR_OK);
    assert_true(told.count >= 14 && told.count <= 18); /* eight days ahead */
    assert_int_equal(told.windows[0].window.end_s, moment("2026-01-14T22:00:00Z"));
    gr_told_windows_free(&told);
}

static void openadr_states_of_charge_are_wishes(void **state)
{
    (void)state;
    static const char *const values[] = {"0.8", "80", "8"};
    for (size_t i = 0; i < COUNT(values); i++) {
        char text[600];
        (void)snprintf(
            text, sizeof text,
            "{\"id\":\"s\",\"payloadDescriptors\":[{\"payloadType\":\"CHARGE_STATE_SETPOINT\",\"units\":"
            "\"%s\"}],\"intervals\":[{\"id\":0,\"intervalPeriod\":{\"start\":\"2026-01-15T16:00:00Z\","
            "\"duration\":\"PT4H\"},\"payloads\":[{\"type\":\"CHARGE_STATE_SETPOINT\",\"values\":[%s]}]}]}",
            i == 2 ? "KWH" : "PERCENT", values[i]);
        expect_told(&openadr, text, "state_of_charge 01-15T16:00 01-15T20:00 80 s\n");
    }
}

static void of_openadr_events_at_one_time_the_lower_priority_number_counts(void **state)
{
    (void)state;
    expect_told(
        &openadr,
        "[{\"id\":\"low\",\"intervalPeriod\":{\"start\":\"2026-01-15T10:00:00Z\",\"duration\":\"PT4H\"},"
        "\"priority\":5,\"intervals\":[{\"id\":0,\"payloads\":[{\"type\":\"PRICE\",\"values\":[1]}]}]},"
        "{\"id\":\"high\",\"intervalPeriod\":{\"start\":\"2026-01-15T11:00:00Z\",\"duration\":\"PT1H\"},"
        "\"priority\":0,\"intervals\":[{\"id\":0,\"payloads\":[{\"type\":\"PRICE\",\"values\":[2]}]}]}]",
        "import_price 01-15T10:00 01-15T11:00 1 low\nimport_price 01-15T11:00 01-15T12:00 2 high\n"
        "import_price 01-15T12:00 01-15T14:00 1 low\n");
}

static void an_openadr_priority_below_0_is_none(void **state)
{
    (void)state;
    expect_told(
        &openadr,
        "[{\"id\":\"odd\",\"intervalPeriod\":{\"start\":\"2026-01-15T10:00:00Z\",\"duration\":\"PT1H\"},"
        "\"priority\":-3,\"intervals\":[{\"id\":0,\"payloads\":[{\"type\":\"PRICE\",\"values\":[1]}]}]},"
        "{\"id\":\"plain\",\"intervalPeriod\":{\"start\":\"2026-01-15T10:00:00Z\",\"duration\":\"PT1H\"},"
        "\"priority\":5,\"intervals\":[{\"id\":0,\"payloads\":[{\"type\":\"PRICE\",\"values\":[2]}]}]}]",
        "import_price 01-15T10:00 01-15T11:00 2 plain\n");
}

/* User Guide 7.6 and 8.3: a start in the year 1 is at once; with no duration it cancels. */
static void an_openadr_start_in_the_year_one_is_when_the_event_was_made(void **state)
{
    (void)state;
    expect_told(
        &openadr,
        "{\"id\":\"n\",\"createdDateTime\":\"2026-01-14T11:30:00Z\",\"intervalPeriod\":{\"start\":"
        "\"0001-01-01T00:00:00Z\",\"duration\":\"PT2H\"},\"intervals\":[{\"id\":0,\"payloads\":[{\"type\":"
        "\"PRICE\",\"values\":[1]}]}]}",
        "import_price 01-14T11:30 01-14T13:30 1 n\n");
    expect_told(
        &openadr,
        "{\"id\":\"c\",\"createdDateTime\":\"2026-01-14T11:30:00Z\",\"intervalPeriod\":{\"start\":"
        "\"0001-01-01T00:00:00Z\",\"duration\":\"PT0S\"},\"intervals\":[{\"id\":0,\"payloads\":[{\"type\":"
        "\"PRICE\",\"values\":[1]}]}]}",
        "");
}

static void wrong_openadr_events_are_refused_by_name(void **state)
{
    (void)state;
#define PERIOD "\"intervalPeriod\":{\"start\":\"2026-01-15T10:00:00Z\",\"duration\":\"PT1H\"}"
#define PRICE(value) "\"intervals\":[{\"id\":0,\"payloads\":[{\"type\":\"PRICE\",\"values\":" value "}]}]"
    static const struct {
        const char *event, *told;
    } rows[] = {
        {"7", "refused event 1: found no object; needed: an object of type EVENT\n"},
        {"{\"id\":\"p\",\"objectType\":\"PROGRAM\"}",
         "refused p: found PROGRAM; needed: an object of type EVENT\n"},
        {"{\"id\":\"i\"," PERIOD "}", "refused i: intervals: found no array\n"},
        {"{\"id\":\"s\"," PRICE("[1]") "}", "refused s: start: missing, in the event and in its interval\n"},
        {"{\"id\":\"d\",\"intervalPeriod\":{\"start\":\"2026-01-15T10:00:00Z\"}," PRICE("[1]") "}",
         "refused d: duration: missing, in the event and in its interval\n"},
        {"{\"id\":\"w\",\"intervalPeriod\":{\"start\":\"2026-01-15T10:00:00Z\",\"duration\":\"1 "
         "hour\"}," PRICE("[1]") "}",
         "refused w: duration: found \"1 hour\"; needed: an ISO 8601 duration such as PT1H\n"},
        {"{\"id\":\"t\",\"intervalPeriod\":{\"start\":\"tomorrow\",\"duration\":\"PT1H\"}," PRICE("[1]") "}",
         "refused t: start: found \"tomorrow\"; needed: a moment such as 2026-01-15T00:00:00Z\n"},
        {"{\"id\":\"1\",\"intervalPeriod\":{\"start\":\"0001-01-01T00:00:00Z\",\"duration\":\"PT1H\"}," PRICE(
             "[1]") "}",
         "refused 1: start: found \"0001-01-01\", at once, and no createdDateTime that says when that was\n"},
        {"{\"id\":\"v\"," PERIOD "," PRICE("[]") "}", "refused v: PRICE: found no values\n"},
        {"{\"id\":\"x\"," PERIOD "," PRICE("[\"1\"]") "}",
         "refused x: PRICE: found a value that is no number\n"},
        {"{\"id\":\"b\"," PERIOD "," PRICE("[99]") "}", "refused b: the value is 99; allowed: -2 to 5\n"},
        {"{\"id\":\"u\"," PERIOD
         ",\"payloadDescriptors\":[{\"payloadType\":\"PRICE\",\"units\":\"KW\"}]," PRICE("[1]") "}",
         "refused u: units of PRICE: found \"KW\"; allowed: KWH\n"},
        {"{\"id\":\"m\"," PERIOD
         ",\"payloadDescriptors\":[{\"payloadType\":\"PRICE\",\"currency\":\"USD\"}]," PRICE("[1]") "}",
         "refused m: currency of PRICE: found \"USD\"; prices here are in GBP\n"},
        {"{\"id\":\"no\",\"intervalPeriod\":{\"start\":\"2026-01-15T10:00:00Z\",\"duration\":60}," PRICE(
             "[1]") "}",
         "refused no: duration: found \"no text\"; needed: an ISO 8601 duration such as PT1H\n"},
        {"{\"id\":\"back\",\"intervalPeriod\":{\"start\":\"2026-01-15T10:00:00Z\",\"duration\":\"-PT1H\"}"
         "," PRICE("[1]") "}",
         "refused back: duration: found \"-PT1H\"; needed: an ISO 8601 duration such as PT1H\n"},
        {"{\"id\":\"age\",\"intervalPeriod\":{\"start\":\"2026-01-15T10:00:00Z\",\"duration\":\"P9000000D\"}"
         "," PRICE("[1]") "}",
         "refused age: duration: found \"P9000000D\"; needed: an ISO 8601 duration such as PT1H\n"},
        {"{\"id\":\"n\",\"intervalPeriod\":{\"start\":1768471200,\"duration\":\"PT1H\"}," PRICE("[1]") "}",
         "refused n: start: found \"no text\"; needed: a moment such as 2026-01-15T00:00:00Z\n"},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        char text[1000];
        (void)snprintf(text, sizeof text, "[%s]", rows[i].event);
        expect_told(&openadr, text, rows[i].told);
    }
}

/* What is of another type, currency or rank than is asked for does not disturb. */
static void what_an_openadr_event_says_besides_changes_nothing(void **state)
{
    (void)state;
    struct gr_window_mapping any_money = openadr;
    any_money.currency[0] = '\0';
    static const char told[] = "import_price 01-15T10:00 01-15T11:00 1 o\n";
    static const char *const events[] = {
        "{\"id\":\"o\",\"objectType\":\"EVENT\"," PERIOD
        ",\"payloadDescriptors\":[{\"payloadType\":\"GHG\",\"units\":\"G_PER_KWH\"},{\"payloadType\":"
        "\"PRICE\","
        "\"currency\":\"USD\"}]," PRICE("[1]") "}",
        "{\"id\":\"o\",\"priority\":-3," PERIOD "," PRICE("[1]") "}",
        "{\"id\":\"o\",\"priority\":1e12," PERIOD "," PRICE("[1]") "}",
        "{\"id\":\"o\",\"priority\":\"first\"," PERIOD "," PRICE("[1]") "}",
        "{\"id\":\"o\",\"intervalPeriod\":null,\"intervals\":[{\"intervalPeriod\":{\"start\":\"2026-01-15T10:"
        "00:00Z\","
        "\"duration\":\"PT1H\"},\"payloads\":[{\"type\":\"PRICE\",\"values\":[1]}]}]}",
        "{\"id\":\"o\",\"modificationDateTime\":\"2026-01-15T10:00:00Z\",\"createdDateTime\":\"2026-01-15T09:"
        "00:00Z\","
        "\"intervalPeriod\":{\"start\":\"0001-01-01T00:00:00Z\",\"duration\":\"PT1H\"}," PRICE("[1]") "}",
        "{\"id\":\"o\",\"duration\":\"PT2H\",\"intervals\":[{\"intervalPeriod\":{\"start\":\"2026-01-15T10:"
        "00:00Z\","
        "\"duration\":\"PT1H\"},\"payloads\":[{\"type\":\"PRICE\",\"values\":[1]}]}]}"};
    for (size_t i = 0; i < COUNT(events); i++) {
        expect_told(&any_money, events[i], told);
    }
}

/* Ends of prices 10 and 11 meet, but not their values; 11 and 12 have one price and become one window. */
static void windows_one_after_the_other_at_one_price_are_one(void **state)
{
    (void)state;
    expect_told(&openadr,
                "{\"id\":\"j\"," PERIOD
                ",\"intervals\":[{\"payloads\":[{\"type\":\"PRICE\",\"values\":[1]}]},"
                "{\"payloads\":[{\"type\":\"PRICE\",\"values\":[2]}]},{\"payloads\":[{\"type\":\"PRICE\","
                "\"values\":[2]}]},"
                "{\"intervalPeriod\":{\"start\":\"2026-01-15T14:00:00Z\"},\"payloads\":[{\"type\":\"PRICE\","
                "\"values\":[2]}]}]}",
                "import_price 01-15T10:00 01-15T11:00 1 j\nimport_price 01-15T11:00 01-15T13:00 2 j\n"
                "import_price 01-15T14:00 01-15T15:00 2 j\n");
}

/* A wish for one moment is at no time together with another one. */
static void two_wishes_for_moments_do_not_contradict_each_other(void **state)
{
    (void)state;
    struct gr_window_mapping wishes = payments;
    wishes.kind = GR_WINDOW_STATE_OF_CHARGE;
    wishes.greatest = 100;
    wishes.end[0] = '\0';
    expect_told(
        &wishes,
        "{\"events\":[{\"ref\":1,\"from\":\"2026-01-15T17:00:00Z\",\"pay\":80},"
        "{\"ref\":2,\"from\":\"2026-01-15T17:00:00Z\",\"pay\":40}]}",
        "state_of_charge 01-15T17:00 01-15T17:00 80 1\nstate_of_charge 01-15T17:00 01-15T17:00 40 2\n");
    struct gr_window_mapping long_ones = payments;
    long_ones.kind = GR_WINDOW_STATE_OF_CHARGE;
    long_ones.greatest = 100;
    expect_told(
        &long_ones,
        "{\"events\":[{\"ref\":1,\"from\":\"2026-01-15T16:00:00Z\",\"to\":\"2026-01-15T18:00:00Z\",\"pay\":"
        "80},"
        "{\"ref\":2,\"from\":\"2026-01-15T17:00:00Z\",\"to\":\"2026-01-15T17:00:00Z\",\"pay\":40}]}",
        "state_of_charge 01-15T16:00 01-15T18:00 80 1\nstate_of_charge 01-15T17:00 01-15T17:00 40 2\n");
    expect_told(
        &long_ones,
        "{\"events\":[{\"ref\":2,\"from\":\"2026-01-15T17:00:00Z\",\"to\":\"2026-01-15T17:00:00Z\",\"pay\":"
        "40},"
        "{\"ref\":1,\"from\":\"2026-01-15T16:00:00Z\",\"to\":\"2026-01-15T18:00:00Z\",\"pay\":80}]}",
        "state_of_charge 01-15T16:00 01-15T18:00 80 1\nstate_of_charge 01-15T17:00 01-15T17:00 40 2\n");
    wishes.kind = GR_WINDOW_PAYMENT;
    struct gr_window_mapping endless = wishes;
    (void)snprintf(endless.duration, sizeof endless.duration, "/for");
    expect_told(&endless,
                "{\"events\":[{\"ref\":1,\"from\":\"2026-01-15T17:00:00Z\",\"for\":\"long\",\"pay\":1},"
                "{\"ref\":2,\"from\":\"2026-01-15T17:00:00Z\",\"pay\":1}]}",
                "refused 1: event, field /for: found 'long', expected a length in minutes or an ISO 8601 "
                "duration such as "
                "PT30M, at most 366 days\nrefused 2: event, field /for: found no member 'for'\n");
}

static void a_window_of_a_source_or_kind_that_is_none_is_refused(void **state)
{
    (void)state;
    struct gr_window window = {.kind = GR_WINDOW_PAYMENT, .start_s = 10, .end_s = 20, .value = 1};
    struct gr_error error = {""};
    assert_int_equal(gr_window_check(&window, &error), GR_OK);
    window.source = GR_MOST_EVENT_SOURCES;
    assert_int_equal(gr_window_check(&window, &error), GR_INVALID);
    expect_words(&error, "a window of source");
    window.source = -1;
    assert_int_equal(gr_window_check(&window, &error), GR_INVALID);
    window.source = 0;
    window.kind = GR_WINDOW_KINDS;
    assert_int_equal(gr_window_check(&window, &error), GR_INVALID);
    assert_null(gr_window_name(GR_WINDOW_KINDS));
}

static void more_windows_than_can_be_kept_are_refused_whole(void **state)
{
    (void)state;
    char *text = malloc(100000);
    struct gr_told_windows told;
    struct gr_error error = {""};
    assert_non_null(text);
    size_t used = (size_t)snprintf(text, 100000, "{\"events\":[");
    for (int i = 0; i < GR_MOST_WINDOWS + 1; i++) {
        int64_t start_s = moment(NOW) + i * INT64_C(600);
        used += (size_t)snprintf(text + used, 100000 - used,
                                 "%s{\"ref\":%d,\"from\":%lld,\"to\":%lld,\"pay\":%d}", i ? "," : "", i,
                                 (long long)start_s, (long long)start_s + 600, i % 5);
    }
    (void)snprintf(text + used, 100000 - used, "]}");
    assert_int_equal(read_text(&told, &payments, text, &error), GR_INVALID);
    expect_words(&error, "found 257 windows; allowed: at most 256");
    free(text);
}

/* What is beyond the room is refused by name, and so is the rest for what is left. */
static void no_more_windows_are_read_than_there_is_room_for(void **state)
{
    (void)state;
    enum { SIZE = 200000, MANY = 4 * GR_MOST_WINDOWS + 20 };
    char *text = malloc(SIZE);
    struct gr_told_windows told;
    struct gr_error error = {""};
    assert_non_null(text);
    size_t used = (size_t)snprintf(text, SIZE, "{\"events\":[");
    for (int i = 0; i < MANY; i++) {
        int64_t start_s = moment(NOW) + i * INT64_C(60);
        used +=
            (size_t)snprintf(text + used, SIZE - used, "%s{\"ref\":%d,\"from\":%lld,\"to\":%lld,\"pay\":%d}",
                             i ? "," : "", i, (long long)start_s, (long long)start_s + 60, i % 5);
    }
    (void)snprintf(text + used, SIZE - used, "]}");
    assert_int_equal(read_text(&told, &payments, text, &error), GR_INVALID);
    expect_words(&error, "found 1024 windows; allowed: at most 256");
    free(text);
}

static void only_the_first_refusals_are_told_and_all_are_counted(void **state)
{
    (void)state;
    char text[4000];
    struct gr_told_windows told;
    struct gr_error error = {""};
    size_t used = (size_t)snprintf(text, sizeof text, "{\"events\":[");
    for (int i = 0; i < GR_MOST_REFUSED_EVENTS + 4; i++) {
        used += (size_t)snprintf(text + used, sizeof text - used, "%s{\"ref\":%d}", i ? "," : "", i);
    }
    (void)snprintf(text + used, sizeof text - used, "]}");
    assert_int_equal(read_text(&told, &payments, text, &error), GR_OK);
    assert_int_equal(told.refused_count, GR_MOST_REFUSED_EVENTS + 4);
    assert_string_equal(told.refused[GR_MOST_REFUSED_EVENTS - 1].id, "15");
    gr_told_windows_free(&told);
}

/* Short events of a high priority in the midst of long ones cut each of these into hundreds of pieces. */
static void more_pieces_than_can_be_kept_are_refused_whole(void **state)
{
    (void)state;
    enum { SIZE = 300000 };
    char *text = malloc(SIZE);
    struct gr_told_windows told;
    struct gr_error error = {""};
    assert_non_null(text);
    size_t used = (size_t)snprintf(text, SIZE, "[");
    for (int i = 0; i < 600; i++) {
        bool low = i < 4;
        char start[GR_RFC3339_SIZE];
        used += (size_t)snprintf(
            text + used, SIZE - used,
            "%s{\"id\":\"%d\",\"intervalPeriod\":{\"start\":\"%s\",\"duration\":\"%s\"},\"priority\":%d,"
            "\"intervals\":[{\"id\":0,\"payloads\":[{\"type\":\"%s\",\"values\":[%d]}]}]}",
            i ? "," : "", i, gr_rfc3339_format(start, moment(NOW) + (low ? 0 : i * INT64_C(120))),
            low ? "P2D" : "PT1M", low ? 9 - i : 0, "PRICE", 1 + i % 2);
    }
    (void)snprintf(text + used, SIZE - used, "]");
    assert_int_equal(read_text(&told, &openadr, text, &error), GR_INVALID);
    expect_words(&error, "more windows than can be kept");
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_list_is_read_by_its_pointers),
        cmocka_unit_test(more_pieces_than_can_be_kept_are_refused_whole),
        cmocka_unit_test(lengths_local_times_units_and_other_kinds_are_understood),
        cmocka_unit_test(a_wrong_event_is_refused_by_name_and_the_others_are_taken),
        cmocka_unit_test(what_has_ended_or_lies_far_ahead_is_left_out),
        cmocka_unit_test(a_document_that_is_none_is_refused_whole),
        cmocka_unit_test(an_openadr_3_price_event_is_read_alone_or_in_the_list_that_a_server_gives),
        cmocka_unit_test(several_values_share_an_openadr_interval),
        cmocka_unit_test(an_openadr_event_that_lasts_longer_than_its_intervals_repeats_them),
        cmocka_unit_test(openadr_states_of_charge_are_wishes),
        cmocka_unit_test(of_openadr_events_at_one_time_the_lower_priority_number_counts),
        cmocka_unit_test(an_openadr_start_in_the_year_one_is_when_the_event_was_made),
        cmocka_unit_test(wrong_openadr_events_are_refused_by_name),
        cmocka_unit_test(what_an_openadr_event_says_besides_changes_nothing),
        cmocka_unit_test(windows_one_after_the_other_at_one_price_are_one),
        cmocka_unit_test(two_wishes_for_moments_do_not_contradict_each_other),
        cmocka_unit_test(a_window_of_a_source_or_kind_that_is_none_is_refused),
        cmocka_unit_test(an_openadr_priority_below_0_is_none),
        cmocka_unit_test(no_more_windows_are_read_than_there_is_room_for),
        cmocka_unit_test(only_the_first_refusals_are_told_and_all_are_counted),
        cmocka_unit_test(more_windows_than_can_be_kept_are_refused_whole),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
