#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "usage_support.h"

static void rows_are_read_whatever_the_lines_look_like(void **state)
{
    (void)state;
    const struct gr_usage_mapping mapping = gr_usage_default_mapping();
    static const char *const documents[] = {
        "start_utc,load_kwh\n2026-11-25T09:00:00Z,0.25\n2026-11-25T09:30:00Z,0.5\n",
        "\xef\xbb\xbfstart_utc,load_kwh\r\n2026-11-25T09:00:00Z,0.25\r\n2026-11-25T09:30:00Z,0.5",
        "start_utc;load_kwh\n2026-11-25T09:00:00Z;0,25\n2026-11-25T09:30:00Z;0,5\n\n",
        "start_utc\tload_kwh\n2026-11-25 09:00Z\t0.25\n2026-11-25T10:30+01:00\t5e-1\n",
        "note,load_kwh,start_utc\n\"a, b\",0.25,1795597200\n,\" 0.5 \", 1795599000\n",
        "start_utc,load_kwh\n2026-11-25T09:30:00Z,0.5\n2026-11-25T09:00:00Z,0.25\n",
    };
    for (size_t i = 0; i < COUNT(documents); i++) {
        expect_usage(&mapping, NULL, documents[i], "2026-11-25T09:00Z 30min load 0.5 1");
    }
}

static void columns_of_the_usual_names_are_taken_where_they_are(void **state)
{
    (void)state;
    const struct gr_usage_mapping mapping = gr_usage_default_mapping();
    expect_usage(&mapping, NULL,
                 "start_utc,load_kwh,solar_kwh,temperature_c\n"
                 "2026-11-25T09:00Z,1,0,-3.5\n2026-11-25T10:00Z,2,,\n",
                 "2026-11-25T09:00Z 60min load 1 2 solar 0 - temperature -3.5 -");
    expect_usage(&mapping, NULL, "start_utc,solar_kwh\n2026-11-25T09:00Z,1\n2026-11-25T10:00Z,2\n",
                 "2026-11-25T09:00Z 60min solar 1 2");
}

static void columns_may_be_named_by_position(void **state)
{
    (void)state;
    struct gr_usage_mapping mapping = gr_usage_default_mapping();
    SET(mapping.start, "#2");
    SET(mapping.load, "#1");
    mapping.solar[0] = mapping.temperature[0] = '\0';
    expect_usage(&mapping, NULL, "1,2026-11-25T09:00Z\n2,2026-11-25T10:00Z\n",
                 "2026-11-25T09:00Z 60min load 1 2");
    expect_usage(&mapping, NULL, "energy,time\n1,2026-11-25T09:00Z\n2,2026-11-25T10:00Z\n",
                 "2026-11-25T09:00Z 60min load 1 2");
}

static void units_and_steps_give_mean_powers(void **state)
{
    (void)state;
    static const struct {
        enum gr_usage_unit unit;
        const char *second, *expected;
    } rows[] = {
        {GR_USAGE_KWH, "09:05", "5min load 12 24"},       {GR_USAGE_WH, "09:05", "5min load 0.012 0.024"},
        {GR_USAGE_KW, "09:15", "15min load 1 2"},         {GR_USAGE_W, "09:15", "15min load 0.001 0.002"},
        {GR_USAGE_KWH, "09:15", "15min load 4 8"},        {GR_USAGE_KWH, "09:30", "30min load 2 4"},
        {GR_USAGE_WH, "10:00", "60min load 0.001 0.002"},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct gr_usage_mapping mapping = gr_usage_default_mapping();
        char document[200], expected[100];
        mapping.unit = rows[i].unit;
        (void)snprintf(document, sizeof document,
                       "start_utc,load_kwh\n2026-11-25T09:00Z,1\n2026-11-25T%sZ,2\n", rows[i].second);
        (void)snprintf(expected, sizeof expected, "2026-11-25T09:00Z %s", rows[i].expected);
        expect_usage(&mapping, NULL, document, expected);
    }
}

static void ends_are_moved_to_starts(void **state)
{
    (void)state;
    struct gr_usage_mapping mapping = gr_usage_default_mapping();
    mapping.start_is_end = true;
    expect_usage(&mapping, NULL, "start_utc,load_kwh\n2026-11-25T00:30Z,1\n2026-11-25T01:00Z,2\n",
                 "2026-11-25T00:00Z 30min load 2 4");
}

static void missing_rows_and_empty_cells_are_gaps(void **state)
{
    (void)state;
    const struct gr_usage_mapping mapping = gr_usage_default_mapping();
    struct gr_usage_report report =
        expect_usage(&mapping, NULL,
                     "start_utc,load_kwh\n2026-11-25T00:00Z,1\n2026-11-25T01:00Z,\n2026-11-25T02:00Z, \n"
                     "2026-11-25T03:00Z,1\n2026-11-25T06:00Z,2\n2026-11-25T07:00Z,NaN\n2026-11-25T08:00Z,1\n",
                     "2026-11-25T00:00Z 60min load 1 - - 1 - - 2 - 1");
    assert_int_equal(report.rows, 7);
    assert_int_equal(report.empty_values, 3);
    assert_int_equal(report.gaps, 3);
    assert_int_equal(report.first_gap_s, 1795564800 + 3600); /* 2026-11-25T00:00Z: `date -u +%s` */
    assert_int_equal(report.longest_gap_s, 7200);
}

static void equal_rows_count_once_and_different_ones_are_refused(void **state)
{
    (void)state;
    const struct gr_usage_mapping mapping = gr_usage_default_mapping();
    struct gr_usage_report report = expect_usage(&mapping, NULL,
                                                 "start_utc,load_kwh\n2026-11-25T00:00Z,1\n2026-11-25T00:00Z,"
                                                 "1\n2026-11-25T01:00Z,\n2026-11-25T01:00Z,\n",
                                                 "2026-11-25T00:00Z 60min load 1 -");
    assert_int_equal(report.duplicates, 2);
    static const char different[] =
        "start_utc,load_kwh\n2026-11-25T00:00Z,1\n2026-11-25T01:00Z,1\n2026-11-25T00:00Z,2\n";
    expect_usage_refused(&mapping, NULL, different, strlen(different),
                         "lines 2 and 4: found different values for the same time 2026-11-25T00:00:00Z");
}

static void negative_values_count_as_none_and_are_told(void **state)
{
    (void)state;
    const struct gr_usage_mapping mapping = gr_usage_default_mapping();
    struct gr_usage_report report = expect_usage(
        &mapping, NULL, "start_utc,load_kwh,solar_kwh\n2026-11-25T00:00Z,1,-0.002\n2026-11-25T01:00Z,-1,0\n",
        "2026-11-25T00:00Z 60min load 1 0 solar 0 0");
    assert_int_equal(report.negative_values, 2);
}

static void impossible_temperatures_count_as_empty(void **state)
{
    (void)state;
    const struct gr_usage_mapping mapping = gr_usage_default_mapping();
    struct gr_usage_report report =
        expect_usage(&mapping, NULL,
                     "start_utc,load_kwh,temperature_c\n2026-11-25T00:00Z,1,-999\n2026-11-25T01:00Z,1,21\n"
                     "2026-11-25T02:00Z,1,850\n",
                     "2026-11-25T00:00Z 60min load 1 1 1 temperature - 21 -");
    assert_int_equal(report.empty_values, 2);
}

/* ---- local times ---- */

static struct gr_usage_mapping local_mapping(void)
{
    struct gr_usage_mapping mapping = gr_usage_default_mapping();
    mapping.start_is_local = true;
    return mapping;
}

static void the_hour_that_occurs_twice_is_told_by_the_order(void **state)
{
    (void)state;
    const struct gr_usage_mapping mapping = local_mapping();
    struct gr_zone *london = load_zone("Europe/London");
    static const char expected[] = "2026-10-24T23:30Z 30min load 2 4 6 8 10 12";
    static const char *const documents[] = {
        "start_utc,load_kwh\n2026-10-25T00:30,1\n2026-10-25T01:00,2\n2026-10-25T01:30,3\n"
        "2026-10-25T01:00,4\n2026-10-25T01:30,5\n2026-10-25T02:00,6\n",
        "start_utc,load_kwh\n2026-10-25T02:00,6\n2026-10-25T01:30,5\n2026-10-25T01:00,4\n"
        "2026-10-25T01:30,3\n2026-10-25T01:00,2\n2026-10-25T00:30,1\n",
        "start_utc,load_kwh\n2026-10-25T00:30,1\n2026-10-25T01:00+01:00,2\n2026-10-25T01:30+01:00,3\n"
        "2026-10-25T01:00+00:00,4\n2026-10-25T01:30Z,5\n2026-10-25T02:00,6\n",
    };
    for (size_t i = 0; i < COUNT(documents); i++) {
        struct gr_usage_report report = expect_usage(&mapping, london, documents[i], expected);
        assert_string_equal(report.remarks, "");
    }
    gr_zone_free(london);
}

static void a_repeated_hour_that_is_listed_once_is_told(void **state)
{
    (void)state;
    const struct gr_usage_mapping mapping = local_mapping();
    struct gr_zone *london = load_zone("Europe/London");
    struct gr_usage_report report = expect_usage(&mapping, london,
                                                 "start_utc,load_kwh\n2026-10-25T00:00,1\n2026-10-25T01:00,"
                                                 "2\n2026-10-25T02:00,3\n2026-10-25T03:00,4\n",
                                                 "2026-10-24T23:00Z 60min load 1 2 - 3 4");
    assert_non_null(strstr(report.remarks, "no clock change found where one was due on 2026-10-25"));
    gr_zone_free(london);
}

static void a_time_that_the_clock_skips_is_refused_with_its_line(void **state)
{
    (void)state;
    struct gr_usage_mapping mapping = local_mapping();
    struct gr_zone *london = load_zone("Europe/London");
    static const char document[] = "start_utc,load_kwh\n2026-03-29T00:30,1\n2026-03-29T01:00,2\n2026-03-"
                                   "29T02:00,3\n2026-03-29T02:30,4\n";
    expect_usage_refused(&mapping, london, document, strlen(document),
                         "line 3, field start_utc: '2026-03-29T01:00' does not exist in Europe/London");
    mapping.start_is_end = true; /* the end of the last half hour before the jump may be written so */
    static const char ends[] =
        "start_utc,load_kwh\n2026-03-29T00:30,1\n2026-03-29T01:00,2\n2026-03-29T02:30,4\n";
    expect_usage(&mapping, london, ends, "2026-03-29T00:00Z 30min load 2 4 8");
    gr_zone_free(london);
}

static void local_times_need_the_zone_and_the_word(void **state)
{
    (void)state;
    const struct gr_usage_mapping utc = gr_usage_default_mapping(), local = local_mapping();
    static const char document[] = "start_utc,load_kwh\n2026-11-25T00:30,1\n2026-11-25T01:00,2\n";
    expect_usage_refused(
        &utc, NULL, document, strlen(document),
        "line 2, field start_utc: found '2026-11-25T00:30', expected a time with its offset");
    expect_usage_refused(&local, NULL, document, strlen(document), "no time zone is known");
}

/* ---- what is refused ---- */

static void malformed_files_are_refused_with_the_line(void **state)
{
    (void)state;
    static const struct {
        const char *document, *words;
    } rows[] = {
        {"", "line 1: found the columns '', expected one named 'start_utc'"},
        {"start_utc,load_kwh\n", "found no rows"},
        {"start_utc,load_kwh\n2026-11-25T00:00Z,1\n", "line 2: found one row only"},
        {"time,kWh\n1,2\n", "line 1: found the columns 'time', 'kWh', expected one named 'start_utc'"},
        {"start_utc,kWh\n1,2\n",
         "line 1: found the columns 'start_utc', 'kWh', expected one named 'load_kwh'"},
        {"start_utc,load_kwh,load_kwh\n", "found column 'load_kwh' twice"},
        {"start_utc,load_kwh\n2026-11-25T00:00Z,1\n2026-11-25T01:00Z\n",
         "line 3: found 1 fields, expected 2 as on the first line"},
        {"start_utc,load_kwh\n2026-11-25T00:00Z,one\n",
         "line 2, field load_kwh: found 'one', expected a number"},
        {"start_utc,load_kwh\n25/11/2026 00:00,1\n",
         "line 2, field start_utc: found '25/11/2026 00:00', expected a time such as"},
        {"start_utc,load_kwh\n,1\n", "line 2, field start_utc: found ''"},
        {"start_utc,load_kwh\n2026-11-25T00:00Z,\"1\n", "line 2: found a quote that is never closed"},
        {"start_utc,load_kwh\n2026-11-25T00:00Z,1\n2026-11-25T00:10Z,1\n2026-11-25T00:20Z,1\n",
         "line 3: found a row 10 minutes after that of line 2"},
        {"start_utc,load_kwh\n2026-11-25T00:00Z,1\n2026-11-25T01:00Z,1\n2026-11-25T02:00Z,1\n"
         "2026-11-25T02:59Z,1\n2026-11-25T04:00Z,1\n2026-11-25T05:00Z,1\n",
         "line 5: found 2026-11-25T02:59:00Z, 59 minutes beside the regular steps"},
        {"start_utc,load_kwh\n1970-01-01T00:00Z,1\n2026-11-25T00:00Z,1\n2026-11-25T00:05Z,1\n"
         "2026-11-25T00:10Z,1\n",
         "lines 2 and 5 are 20782 days apart"},
        {"PK\x03\x04 a packed workbook", "expected one named 'start_utc'"},
        {"{\"start_utc\": 1}", "line 1: found a quote inside a field"},
    };
    const struct gr_usage_mapping mapping = gr_usage_default_mapping();
    for (size_t i = 0; i < COUNT(rows); i++) {
        expect_usage_refused(&mapping, NULL, rows[i].document, strlen(rows[i].document), rows[i].words);
    }
    static const char wide[] = "s\0t\0a\0r\0t\0";
    expect_usage_refused(&mapping, NULL, wide, sizeof wide, "found zero bytes");
}

static void a_column_asked_for_by_another_name_must_be_there(void **state)
{
    (void)state;
    struct gr_usage_mapping mapping = gr_usage_default_mapping();
    static const char document[] = "start_utc,load_kwh\n2026-11-25T00:30Z,1\n2026-11-25T01:00Z,2\n";
    SET(mapping.solar, "pv");
    expect_usage_refused(&mapping, NULL, document, strlen(document), "expected one named 'pv'");
    SET(mapping.solar, "#3");
    expect_usage_refused(&mapping, NULL, document, strlen(document), "expected a column #3");
    mapping.solar[0] = mapping.load[0] = '\0';
    expect_usage_refused(&mapping, NULL, document, strlen(document), "names no column of load or solar");
}

static void more_than_64_megabytes_are_refused(void **state)
{
    (void)state;
    const struct gr_usage_mapping mapping = gr_usage_default_mapping();
    const size_t length = (size_t)64 * 1024 * 1024 + 1;
    char *bytes = malloc(length);
    assert_non_null(bytes);
    memset(bytes, ' ', length);
    expect_usage_refused(&mapping, NULL, bytes, length, "found 67108865 bytes, expected at most 67108864");
    free(bytes);
}

static void a_mapping_must_name_the_starts(void **state)
{
    (void)state;
    struct gr_usage_mapping mapping = gr_usage_default_mapping();
    static const char document[] = "start_utc,load_kwh\n2026-11-25T00:30Z,1\n2026-11-25T01:00Z,2\n";
    mapping.start[0] = '\0';
    expect_usage_refused(&mapping, NULL, document, strlen(document), "names no column of starts");
    mapping = gr_usage_default_mapping();
    mapping.load[0] = '\0';
    expect_usage_refused(&mapping, NULL, document, strlen(document), "expected one named 'solar_kwh'");
}

/* More commas than semicolons on the first line: it looks like a file of commas. */
static void a_separator_that_is_told_is_not_guessed(void **state)
{
    (void)state;
    struct gr_usage_mapping mapping = gr_usage_default_mapping();
    mapping.separator = ';';
    static const char document[] = "start_utc;load_kwh;a, b, c, d\n2026-11-25T09:00Z;0,5;x\n"
                                   "2026-11-25T10:00Z;1.5;y, z\n";
    expect_usage(&mapping, NULL, document, "2026-11-25T09:00Z 60min load 0.5 1.5");
    struct gr_usage usage = {0};
    struct gr_error error = {""};
    assert_int_equal(gr_usage_read(&usage, &mapping, NULL, document, strlen(document), NULL, &error), GR_OK);
    assert_int_equal(usage.count, 2); /* without a report too */
    gr_usage_free(&usage);
}

static void blanks_around_a_value_are_not_part_of_it(void **state)
{
    (void)state;
    struct gr_usage_mapping mapping = gr_usage_default_mapping();
    expect_usage(&mapping, NULL, "start_utc,load_kwh\n\t2026-11-25T09:00Z ,\t0.5\n2026-11-25T10:00Z, - \n",
                 "2026-11-25T09:00Z 60min load 0.5 -");
    SET(mapping.start, "#1");
    SET(mapping.load, "#2");
    mapping.solar[0] = mapping.temperature[0] = '\0';
    expect_usage(&mapping, NULL, "(start),(kWh)\n2026-11-25T09:00Z,1\n2026-11-25T10:00Z,2\n",
                 "2026-11-25T09:00Z 60min load 1 2");
}

static void rows_of_no_usual_step_are_refused_at_the_first_that_is_off(void **state)
{
    (void)state;
    const struct gr_usage_mapping mapping = gr_usage_default_mapping();
    static const char document[] = "start_utc,load_kwh\n2026-11-25T09:00Z,1\n2026-11-25T09:30Z,1\n"
                                   "2026-11-25T09:41Z,1\n2026-11-25T09:58Z,1\n2026-11-25T10:05Z,1\n";
    expect_usage_refused(&mapping, NULL, document, strlen(document),
                         "line 4: found a row 11 minutes after that of line 3");
}

static void more_rows_than_twenty_years_have_are_refused_with_the_line(void **state)
{
    (void)state;
    static const char head[] = "start_utc,load_kwh\n", row[] = "2026-01-01T00:00Z,1\n";
    const struct gr_usage_mapping mapping = gr_usage_default_mapping();
    const size_t rows = 2200001, size = strlen(row);
    char *bytes = malloc(strlen(head) + rows * size + 1);
    assert_non_null(bytes);
    memcpy(bytes, head, strlen(head));
    for (size_t i = 0; i < rows; i++) {
        memcpy(bytes + strlen(head) + i * size, row, size);
    }
    bytes[strlen(head) + rows * size] = '\0';
    expect_usage_refused(&mapping, NULL, bytes, strlen(head) + rows * size,
                         "line 2200002: found more than 2200000 rows");
    free(bytes);
}

static void means_weigh_the_known_time(void **state)
{
    (void)state;
    double values[] = {1, 2, NAN, 4};
    const struct gr_usage usage = {.start_s = 3600, .step_s = 900, .count = 4, .load_kw = values};
    static const struct {
        int64_t from_s, to_s;
        double expected;
    } rows[] = {
        {3600, 5400, 1.5}, {3600, 3900, 1},   {4200, 4800, 1.5}, {4500, 6300, 2},
        {5400, 6300, NAN}, {5400, 7200, 4},   {0, 3600, NAN},    {7200, 9000, NAN},
        {6300, 8100, 4},   {6300, 8400, NAN}, {1800, 5400, 1.5}, {1800, 5399, NAN},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        double got = gr_usage_mean(&usage, values, rows[i].from_s, rows[i].to_s);
        if (got != rows[i].expected && !(isnan(got) && isnan(rows[i].expected))) {
            fail_msg("row %zu: got %g, expected %g", i, got, rows[i].expected);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rows_are_read_whatever_the_lines_look_like),
        cmocka_unit_test(columns_of_the_usual_names_are_taken_where_they_are),
        cmocka_unit_test(columns_may_be_named_by_position),
        cmocka_unit_test(units_and_steps_give_mean_powers),
        cmocka_unit_test(ends_are_moved_to_starts),
        cmocka_unit_test(missing_rows_and_empty_cells_are_gaps),
        cmocka_unit_test(equal_rows_count_once_and_different_ones_are_refused),
        cmocka_unit_test(negative_values_count_as_none_and_are_told),
        cmocka_unit_test(impossible_temperatures_count_as_empty),
        cmocka_unit_test(the_hour_that_occurs_twice_is_told_by_the_order),
        cmocka_unit_test(a_repeated_hour_that_is_listed_once_is_told),
        cmocka_unit_test(a_time_that_the_clock_skips_is_refused_with_its_line),
        cmocka_unit_test(local_times_need_the_zone_and_the_word),
        cmocka_unit_test(malformed_files_are_refused_with_the_line),
        cmocka_unit_test(a_column_asked_for_by_another_name_must_be_there),
        cmocka_unit_test(a_mapping_must_name_the_starts),
        cmocka_unit_test(a_separator_that_is_told_is_not_guessed),
        cmocka_unit_test(blanks_around_a_value_are_not_part_of_it),
        cmocka_unit_test(rows_of_no_usual_step_are_refused_at_the_first_that_is_off),
        cmocka_unit_test(more_rows_than_twenty_years_have_are_refused_with_the_line),
        cmocka_unit_test(means_weigh_the_known_time),
        cmocka_unit_test(more_than_64_megabytes_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
