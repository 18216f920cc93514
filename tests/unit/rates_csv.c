#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "rates_support.h"

static void records_are_read_with_every_kind_of_line_end(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_CSV);
    const char *expected = "2026-11-25T08:00Z 30min 0.25\n2026-11-25T08:30Z 30min -0.5";
    static const char *const documents[] = {
        "start,price\n2026-11-25T08:00Z,0.25\n2026-11-25T08:30Z,-0.5\n",
        "start,price\r\n2026-11-25T08:00Z,0.25\r\n2026-11-25T08:30Z,-0.5\r\n",
        "start,price\n2026-11-25T08:00Z,0.25\n2026-11-25T08:30Z,-0.5",
        "\xef\xbb\xbfstart,price\n2026-11-25T08:00Z,0.25\n2026-11-25T08:30Z,-0.5\n\n\n",
        "price,x,start\n0.25,,2026-11-25T08:00Z\n-0.5,,2026-11-25T08:30Z\n",
        "x,start,price,y\n,1795593600,+0.25,\n,1795595400,-5e-1,\n",
        "start,price,y\n2026-11-25T08:00Z,0.25,\n2026-11-25T08:30Z,-0.5,",
        "start,price\n2026-11-25T08:00Z, 0.25 \n2026-11-25T08:30Z,\t-0.5\n",
    };
    for (size_t i = 0; i < COUNT(documents); i++) {
        expect_read(&mapping, NULL, documents[i], expected);
    }
}

/* Rules of RFC 4180 section 2. */
static void quoted_fields_may_hold_separators_quotes_and_line_ends(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_CSV);
    SET(mapping.price, "price \"net\", per kWh");
    expect_read(&mapping, NULL,
                "\"start\",\"note\",\"price \"\"net\"\", per kWh\"\r\n"
                "\"2026-11-25T08:00Z\",\"two\r\nlines, \"\"quoted\"\"\",\"0.25\"\r\n"
                "2026-11-25T08:30Z,\"\",0.5\r\n",
                "2026-11-25T08:00Z 30min 0.25\n2026-11-25T08:30Z 30min 0.5");
}

static void columns_may_be_named_by_position(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_CSV);
    mapping.separator = ';';
    SET(mapping.start, "#2");
    SET(mapping.price, "#3");
    SET(mapping.duration, "#1");
    expect_read(&mapping, NULL, "15;2026-11-25T08:00Z;0.25\nPT1H;2026-11-25T08:15Z;0.5\n",
                "2026-11-25T08:00Z 15min 0.25\n2026-11-25T08:15Z 60min 0.5");
    SET(mapping.price, "price"); /* a name calls for a header */
    expect_read(&mapping, NULL, "a;b;price\n15;2026-11-25T08:00Z;0.25\n", "2026-11-25T08:00Z 15min 0.25");
}

static void ends_are_read_like_starts(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_CSV);
    SET(mapping.end, "end");
    expect_read(&mapping, NULL,
                "start,end,price\n2026-11-25T08:00Z,2026-11-25T08:15Z,1\n1795594500,1795598100,2\n",
                "2026-11-25T08:00Z 15min 1\n2026-11-25T08:15Z 60min 2");
}

static void malformed_documents_are_refused_with_the_line(void **state)
{
    (void)state;
    static const struct {
        const char *document, *words;
    } rows[] = {
        {"", "line 1: found the columns '', expected one named 'start'"},
        {"start,price\n", "holds no prices"},
        {"time,cost\n2026-11-25T08:00Z,1\n",
         "line 1: found the columns 'time', 'cost', expected one named 'start'"},
        {"start, price\n2026-11-25T08:00Z,1\n", "'start', ' price', expected one named 'price'"},
        {"start;price\n2026-11-25T08:00Z;1\n", "found the columns 'start;price'"},
        {"start,price,price\n2026-11-25T08:00Z,1,2\n", "line 1: found column 'price' twice"},
        {"<html>\n<body>log in</body>\n</html>\n", "line 1: found the columns '<html>'"},
        {"start,price\n2026-11-25T08:00Z,1\n2026-11-25T08:30Z\n", "line 3: found 1 fields, expected 2"},
        {"start,price\n2026-11-25T08:00Z,1,\n", "line 2: found 3 fields, expected 2"},
        {"start,price\n2026-11-25T08:00Z,1\n2026-11-25T08:30Z,x\n",
         "line 3, field price: found 'x', expected a number such as 0.25"},
        {"start,price\n2026-11-25T08:00Z,\n", "line 2, field price: found '', expected a number"},
        {"start,price\n\"2026-11-25T08:00Z\",\"0,25\"\n",
         "line 2, field price: found '0,25', expected a number with a decimal point (no comma)"},
        {"start,price\n25.11.2026 08:00,1\n",
         "line 2, field start: found '25.11.2026 08:00', expected a time such as"},
        {"start,price\n2026-11-25T08:00,1\n",
         "line 2, field start: found '2026-11-25T08:00', expected a time with its offset"},
        {"start,price\n2026-11-25T08:00Z,NaN\n", "found 'NaN'"},
        {"start,price\n2026-11-25T08:00Z,Infinity\n", "found 'Infinity'"},
        {"start,price\n2026-11-25T08:00Z,0x10\n", "found '0x10'"},
        {"start,price\n2026-11-25T08:00Z,1e400\n", "found '1e400'"},
        {"start,price\n2026-11-25T08:00Z,-\n", "found '-'"},
        {"start,price\n2026-11-25T08:00Z,1.2.3\n", "found '1.2.3'"},
        {"start,price\n2026-11-25T08:00Z,1\n2026-11-25T08:30Z,\"1\n\n",
         "line 3: found a quote that is never closed"},
        {"start,price\n2026-11-25T08:00Z,\"1\"2\n", "line 2: found text behind a closing quote"},
        {"start,price\n2026-11-25T08:00Z,1\"2\n", "line 2: found a quote inside a field"},
        {"start,price\n\"a\n\nb\",1\n2026-11-25T08:00Z,1\n", "line 2, field start: found 'a\\x0A\\x0Ab'"},
        {"start,price\n2026-11-25T08:00Z,1\n2026-11-25T08:00Z,2\n", "overlaps"},
        {"start,price\n2026-11-25T08:00Z,1\rx\n", "line 2, field price: found '1\\x0Dx'"},
        {"start,price\n2026-11-25T08:00Z,1\r", "line 2, field price: found '1\\x0D'"},
        {"start,price\n2026-11-25T08:00Z,\"1", "line 2: found a quote that is never closed"},
    };
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_CSV);
    for (size_t i = 0; i < COUNT(rows); i++) {
        expect_refused(&mapping, NULL, rows[i].document, rows[i].words);
    }
}

static void a_quoted_field_may_be_the_last_byte(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_CSV);
    expect_read(&mapping, NULL, "start,price\n2026-11-25T08:00Z,\"1\"", "2026-11-25T08:00Z 30min 1");
}

static void lines_behind_a_quoted_line_end_are_counted_right(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_CSV);
    expect_refused(&mapping, NULL,
                   "start,note,price\n2026-11-25T08:00Z,\"a\nb\nc\",1\n2026-11-25T08:30Z,,x\n",
                   "line 5, field price");
}

static void columns_that_are_not_there_are_refused(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_CSV);
    SET(mapping.start, "#1");
    SET(mapping.price, "#4");
    expect_refused(&mapping, NULL, "2026-11-25T08:00Z,1,2\n", "line 1: found 3 fields, expected a column #4");
    SET(mapping.price, "#0"); /* no position, hence a name */
    expect_refused(&mapping, NULL, "2026-11-25T08:00Z,1,2\n", "expected one named '#0'");
    SET(mapping.price, "#99999");
    expect_refused(&mapping, NULL, "2026-11-25T08:00Z,1,2\n", "expected one named '#99999'");
    SET(mapping.price, "#2x");
    expect_refused(&mapping, NULL, "2026-11-25T08:00Z,1,2\n", "expected one named '#2x'");
    SET(mapping.price, "#");
    expect_refused(&mapping, NULL, "2026-11-25T08:00Z,1,2\n", "expected one named '#'");
}

static void endless_fields_are_refused_where_they_matter(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_CSV);
    char document[4096], filler[2001];
    memset(filler, 'x', 2000);
    filler[2000] = '\0';
    (void)snprintf(document, sizeof document, "start,note,price\n2026-11-25T08:00Z,%s,1\n", filler);
    expect_read(&mapping, NULL, document, "2026-11-25T08:00Z 30min 1");
    (void)snprintf(document, sizeof document, "start,note,price\n2026-11-25T08:00Z,,%s\n", filler);
    expect_refused(&mapping, NULL, document, "line 2, field price: found more than 128 bytes");
    (void)snprintf(document, sizeof document, "%s,note,price\n2026-11-25T08:00Z,,1\n", filler);
    expect_refused(&mapping, NULL, document, "expected one named 'start'");
}

/* `lines` times the line, behind a header that is left out where it is empty. */
static char *repeat(const char *header, const char *line, size_t lines)
{
    size_t length = strlen(line), used = strlen(header);
    char *document = malloc(used + lines * length + 1);
    assert_non_null(document);
    memcpy(document, header, used);
    for (size_t i = 0; i < lines; i++, used += length) {
        memcpy(document + used, line, length);
    }
    document[used] = '\0';
    return document;
}

static void endless_documents_are_refused(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_CSV);
    char *wide = repeat("start,price", ",x", 9998);
    expect_refused(&mapping, NULL, wide, "more than 9999 columns");
    free(wide);
    char *full = repeat("start,price\n", "1795593600,1\n", 1000000);
    expect_read(&mapping, NULL, full, "2026-11-25T08:00Z 30min 1");
    free(full);
    char *overfull = repeat("start,price\n", "1795593600,1\n", 1000001);
    expect_refused(&mapping, NULL, overfull, "more than 1000000 slots");
    free(overfull);
}

static void bytes_that_are_no_text_are_refused(void **state)
{
    (void)state;
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_CSV);
    const char document[] = "start,price\n2026-11-25T08:00Z,1\0\n";
    expect_refused_bytes(&mapping, NULL, document, sizeof document - 1, "found '1\\x00'");
}

/* ---- local start times ---- */

/* The document of one local day in half-hours as a wall clock shows them, and the table it stands for. */
static void write_day(const struct gr_zone *zone, int64_t noon, bool backwards, char *document, size_t size,
                      char *expected, size_t expected_size)
{
    int64_t start = gr_zone_day_start_s(zone, noon, 0), end = gr_zone_day_start_s(zone, noon, 1);
    size_t used = (size_t)snprintf(document, size, "start,price\n");
    int64_t count = (end - start) / 1800;
    struct gr_rate rates[50];
    assert_true(count <= 50);
    for (int64_t i = 0; i < count; i++) {
        int64_t t = start + 1800 * (backwards ? count - 1 - i : i);
        char local[GR_RFC3339_SIZE];
        gr_rfc3339_format(local, gr_zone_local_s(zone, t));
        used +=
            (size_t)snprintf(document + used, size - used, "%.16s,%d\n", local, (int)((t - start) / 1800));
        rates[i] = (struct gr_rate){start + 1800 * i, start + 1800 * (i + 1), (double)i};
    }
    struct gr_rate_table table = {rates, (size_t)count};
    describe(expected, expected_size, &table);
}

static void local_days_of_every_length_are_read(void **state)
{
    (void)state;
    static const struct {
        const char *zone, *noon;
        int half_hours;
    } rows[] = {{"Europe/London", "2026-11-25T12:00:00Z", 48},
                {"Europe/London", "2026-03-29T12:00:00Z", 46},
                {"Europe/London", "2026-10-25T12:00:00Z", 50},
                {"America/New_York", "2026-03-08T17:00:00Z", 46},
                {"America/New_York", "2026-11-01T17:00:00Z", 50},
                {"Australia/Lord_Howe", "2026-04-05T01:00:00Z", 49},
                {"Australia/Lord_Howe", "2026-10-04T01:00:00Z", 47},
                {"America/Santiago", "2026-09-06T16:00:00Z", 46}};
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_CSV);
    mapping.start_is_local = true;
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct gr_zone *zone = load_zone(rows[i].zone);
        assert_non_null(zone);
        for (int backwards = 0; backwards < 2; backwards++) {
            char document[2048], expected[4096];
            write_day(zone, moment(rows[i].noon), backwards, document, sizeof document, expected,
                      sizeof expected);
            int lines = 0;
            for (const char *c = expected; *c != '\0'; c++) {
                lines += *c == '\n';
            }
            assert_int_equal(lines + 1, rows[i].half_hours);
            mapping.slot_minutes = 30;
            expect_read(&mapping, zone, document, expected);
            mapping.slot_minutes = 0;
            expect_read(&mapping, zone, document, expected);
        }
        gr_zone_free(zone);
    }
}

static void local_times_are_read_as_the_order_of_the_lines_tells(void **state)
{
    (void)state;
    static const struct {
        const char *document, *expected;
    } rows[] = {
        {"start,end,price\n2026-10-25T00:00,2026-10-25T01:00,1\n2026-10-25T01:00,2026-10-25T02:00,2\n"
         "2026-10-25T01:00,2026-10-25T02:00,3\n2026-10-25T02:00,2026-10-25T03:00,4\n",
         "2026-10-24T23:00Z 60min 1\n2026-10-25T00:00Z 60min 2\n2026-10-25T01:00Z 60min 3\n2026-10-25T02:00Z "
         "60min 4"},
        {"start,end,price\n2026-10-25T01:30,2026-10-25T01:00,1\n2026-10-25T01:00,2026-10-25T01:30,2\n"
         "2026-10-25T01:30,2026-10-25T02:30,3\n2026-10-25T02:30,2026-10-25T03:00,4\n",
         "2026-10-25T00:30Z 30min 1\n2026-10-25T01:00Z 30min 2\n2026-10-25T01:30Z 60min 3\n2026-10-25T02:30Z "
         "30min 4"},
        {"start,end,price\n2026-10-25T00:30,2026-10-25T07:00,1\n2026-10-25T07:00,2026-10-26T00:30,2\n",
         "2026-10-24T23:30Z 450min 1\n2026-10-25T07:00Z 1050min 2"},
        {"start,end,price\n2026-03-29T00:30,2026-03-29T01:00,1\n2026-03-29T02:00,2026-03-29T02:30,2\n",
         "2026-03-29T00:30Z 30min 1\n2026-03-29T01:00Z 30min 2"},
        {"start,end,price\n2026-10-25T01:30+01:00,2026-10-25T01:00Z,1\n2026-10-25T01:00Z,2026-10-25T02:00,"
         "2\n",
         "2026-10-25T00:30Z 30min 1\n2026-10-25T01:00Z 60min 2"},
    };
    struct gr_zone *london = load_zone("Europe/London");
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_CSV);
    mapping.start_is_local = true;
    SET(mapping.end, "end");
    for (size_t i = 0; i < COUNT(rows); i++) {
        expect_read(&mapping, london, rows[i].document, rows[i].expected);
    }
    gr_zone_free(london);
}

static void local_times_that_do_not_exist_are_refused(void **state)
{
    (void)state;
    struct gr_zone *london = load_zone("Europe/London");
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_CSV);
    mapping.start_is_local = true;
    expect_refused(&mapping, london, "start,price\n2026-03-29T00:30,1\n2026-03-29T01:00,1\n",
                   "line 3, field start: '2026-03-29T01:00' does not exist in Europe/London");
    SET(mapping.end, "end");
    expect_refused(&mapping, london, "start,end,price\n2026-03-29T00:30,2026-03-29T01:30,1\n",
                   "line 2, field end: '2026-03-29T01:30' does not exist in Europe/London");
    gr_zone_free(london);
}

static void a_repeated_hour_that_is_listed_once_is_refused(void **state)
{
    (void)state;
    struct gr_zone *london = load_zone("Europe/London");
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_CSV);
    mapping.start_is_local = true;
    mapping.slot_minutes = 0;
    expect_refused(&mapping, london,
                   "start,price\n2026-10-25T00:00,1\n2026-10-25T01:00,2\n2026-10-25T02:00,3\n",
                   "2026-10-25T01:00:00+01:00 (2026-10-25T00:00:00Z) occurs twice");
    gr_zone_free(london);
}

static void days_listed_newest_first_are_read(void **state)
{
    (void)state;
    struct gr_zone *london = load_zone("Europe/London");
    struct gr_rate_mapping mapping = plain_mapping(GR_RATES_JSON);
    mapping.start_is_local = true;
    SET(mapping.list, "/*");
    expect_read(
        &mapping, london,
        "{\"26\":[{\"start\":\"2026-10-26T00:00\",\"price\":6},{\"start\":\"2026-10-26T00:30\",\"price\":7}],"
        "\"25\":[{\"start\":\"2026-10-25T00:30\",\"price\":1},{\"start\":\"2026-10-25T01:00\",\"price\":2},"
        "{\"start\":\"2026-10-25T01:30\",\"price\":3},{\"start\":\"2026-10-25T01:00\",\"price\":4},"
        "{\"start\":\"2026-10-25T01:30\",\"price\":5}]}",
        "2026-10-24T23:30Z 30min 1\n2026-10-25T00:00Z 30min 2\n2026-10-25T00:30Z 30min 3\n"
        "2026-10-25T01:00Z 30min 4\n2026-10-25T01:30Z 30min 5\n2026-10-26T00:00Z 30min 6\n2026-10-26T00:30Z "
        "30min 7");
    gr_zone_free(london);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(records_are_read_with_every_kind_of_line_end),
        cmocka_unit_test(quoted_fields_may_hold_separators_quotes_and_line_ends),
        cmocka_unit_test(columns_may_be_named_by_position),
        cmocka_unit_test(ends_are_read_like_starts),
        cmocka_unit_test(malformed_documents_are_refused_with_the_line),
        cmocka_unit_test(a_quoted_field_may_be_the_last_byte),
        cmocka_unit_test(lines_behind_a_quoted_line_end_are_counted_right),
        cmocka_unit_test(columns_that_are_not_there_are_refused),
        cmocka_unit_test(endless_fields_are_refused_where_they_matter),
        cmocka_unit_test(endless_documents_are_refused),
        cmocka_unit_test(bytes_that_are_no_text_are_refused),
        cmocka_unit_test(local_days_of_every_length_are_read),
        cmocka_unit_test(local_times_are_read_as_the_order_of_the_lines_tells),
        cmocka_unit_test(local_times_that_do_not_exist_are_refused),
        cmocka_unit_test(a_repeated_hour_that_is_listed_once_is_refused),
        cmocka_unit_test(days_listed_newest_first_are_read),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
