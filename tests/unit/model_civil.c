#include "granary/civil.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

static void every_day_of_four_thousand_years_follows_the_one_before(void **state)
{
    (void)state;
    struct gr_civil last = {.year = 1, .month = 1, .day = 1};
    int64_t seconds = gr_civil_seconds(&last);
    int weekday = gr_civil_weekday(seconds);
    while (last.year < 4000) {
        seconds += GR_DAY_S;
        struct gr_civil next = gr_civil_from_seconds(seconds);
        assert_true(gr_civil_is_date(next.year, next.month, next.day));
        bool same_month = next.month == last.month && next.day == last.day + 1;
        bool new_month = next.day == 1 && !gr_civil_is_date(last.year, last.month, last.day + 1) &&
                         (next.month == last.month + 1 || (next.month == 1 && next.year == last.year + 1));
        assert_true(same_month || new_month);
        assert_true(gr_civil_seconds(&next) == seconds);
        assert_int_equal(gr_civil_weekday(seconds), weekday % 7 + 1);
        weekday = gr_civil_weekday(seconds);
        last = next;
    }
}

/* The C library's gmtime_r is the reference. */
static void random_moments_agree_with_the_c_library(void **state)
{
    (void)state;
    unsigned seed = (unsigned)time(NULL);
    print_message("seed %u\n", seed);
    srandom(seed);
    for (int i = 0; i < 200000; i++) {
        int64_t random_bits = (int64_t)random() << 12 ^ random();
        time_t moment = (time_t)(random_bits % INT64_C(300000000000) - INT64_C(60000000000));
        struct tm tm;
        assert_non_null(gmtime_r(&moment, &tm));
        struct gr_civil civil = gr_civil_from_seconds(moment);
        int got[] = {civil.year, civil.month, civil.day, civil.hour, civil.minute, civil.second};
        int expected[] = {tm.tm_year + 1900, tm.tm_mon + 1, tm.tm_mday, tm.tm_hour, tm.tm_min, tm.tm_sec};
        assert_memory_equal(got, expected, sizeof got);
        assert_int_equal(gr_civil_weekday(moment) % 7, tm.tm_wday);
        assert_true(gr_civil_seconds(&civil) == moment);
    }
}

static void fields_beyond_their_range_carry_over(void **state)
{
    (void)state;
    struct gr_civil minutes = {2026, 12, 31, 23, 90, 0};
    struct gr_civil months = {2025, 13, 1, 0, 0, 0};
    struct gr_civil back = {2026, 1, 0, 0, 0, -1};
    assert_true(gr_civil_seconds(&minutes) == 1798763400); /* 2027-01-01T00:30:00Z */
    assert_true(gr_civil_seconds(&months) == 1767225600);  /* 2026-01-01T00:00:00Z */
    assert_true(gr_civil_seconds(&back) == 1767225600 - GR_DAY_S - 1);
}

static void absurd_moments_are_clamped(void **state)
{
    (void)state;
    assert_true(gr_civil_from_seconds(INT64_MAX).year > 1000000000);
    assert_true(gr_civil_from_seconds(INT64_MIN).year < -1000000000);
    assert_int_equal(gr_civil_day(-1), -1);
    assert_int_equal(gr_civil_day(0), 0);
}

static void dates_that_do_not_exist_are_told_from_those_that_do(void **state)
{
    (void)state;
    static const struct {
        int year, month, day;
        bool exists;
    } rows[] = {{2024, 2, 29, true},  {2023, 2, 29, false}, {1900, 2, 29, false},  {2000, 2, 29, true},
                {2026, 4, 31, false}, {2026, 4, 30, true},  {2026, 0, 1, false},   {2026, 13, 1, false},
                {2026, 1, 0, false},  {2026, 12, 31, true}, {2026, 12, 32, false}, {0, 1, 1, false},
                {1, 1, 1, true},      {9999, 12, 31, true}, {10000, 1, 1, false}};
    for (size_t i = 0; i < COUNT(rows); i++) {
        if (gr_civil_is_date(rows[i].year, rows[i].month, rows[i].day) != rows[i].exists) {
            fail_msg("%d-%d-%d", rows[i].year, rows[i].month, rows[i].day);
        }
    }
}

struct row {
    const char *text;
    int64_t expected; /* -1: refused */
};

static void hold_against(const struct row *rows, size_t count, int (*parse)(int64_t *, const char *, size_t))
{
    for (size_t i = 0; i < count; i++) {
        int64_t got = -1;
        int rc = parse(&got, rows[i].text, strlen(rows[i].text));
        if (got != rows[i].expected || rc != (rows[i].expected == -1 ? GR_INVALID : GR_OK)) {
            fail_msg("'%s': rc %d, got %lld, expected %lld", rows[i].text, rc, (long long)got,
                     (long long)rows[i].expected);
        }
    }
}

static void well_formed_times_are_read(void **state)
{
    (void)state;
    static const struct row rows[] = {
        {"2026-10-25T01:30:00+01:00", 1792888200},   {"2026-10-25t01:30:00z", 1792891800},
        {"2026-10-25 01:30:00Z", 1792891800},        {"2026-10-25T01:30:00-00:00", 1792891800},
        {"2026-10-25T01:30:00.999999Z", 1792891800}, {"2026-10-25T01:30Z", 1792891800},
        {"2026-10-25T02:30:00+0100", 1792891800},    {"2016-12-31T23:59:60Z", 1483228800},
        {"0001-01-01T00:00:00Z", -62135596800},      {"9999-12-31T23:59:59Z", 253402300799},
        {"1970-01-01T00:00:00+23:59", -86340},       {"1970-01-01T00:00:00-23:59", 86340}};
    hold_against(rows, COUNT(rows), gr_rfc3339_parse);
}

static void malformed_times_are_refused_and_leave_the_result_alone(void **state)
{
    (void)state;
    static const struct row rows[] = {{"", -1},
                                      {"2026", -1},
                                      {"2026-10-25", -1},
                                      {"2026-10-25T01:30:00", -1},
                                      {"2026-10-25T01:30:00+", -1},
                                      {"2026-10-25T01:30:00+1:00", -1},
                                      {"2026-10-25T01:30:00+24:00", -1},
                                      {"2026-10-25T01:30:00+01:60", -1},
                                      {"2026-10-25T24:00:00Z", -1},
                                      {"2026-10-25T23:60:00Z", -1},
                                      {"2026-10-25T23:59:61Z", -1},
                                      {"2026-02-29T00:00:00Z", -1},
                                      {"2026-13-01T00:00:00Z", -1},
                                      {"2026-00-01T00:00:00Z", -1},
                                      {"0000-01-01T00:00:00Z", -1},
                                      {"2026-10-25T01:30:00Z ", -1},
                                      {" 2026-10-25T01:30:00Z", -1},
                                      {"2026-10-25T01:30:00.Z", -1},
                                      {"2026-10-25T01:30:00,5Z", -1},
                                      {"2026-10-25T01Z", -1},
                                      {"26-10-25T01:30:00Z", -1},
                                      {"2026/10/25T01:30:00Z", -1},
                                      {"2026-10-25X01:30:00Z", -1},
                                      {"20261025T013000Z", -1},
                                      {"-026-10-25T01:30:00Z", -1},
                                      {"2026-10-25T01:30:00ZZ", -1},
                                      {"2026-10-25T+1:30:00Z", -1}};
    hold_against(rows, COUNT(rows), gr_rfc3339_parse);
}

static void a_text_need_not_be_terminated(void **state)
{
    (void)state;
    int64_t got = 0;
    assert_int_equal(gr_rfc3339_parse(&got, "2026-10-25T01:30:00Z5", 20), GR_OK);
    assert_true(got == 1792891800);
    assert_int_equal(gr_duration_parse(&got, "PT30M5", 5), GR_OK);
    assert_true(got == 1800);
}

static void local_times_carry_no_offset(void **state)
{
    (void)state;
    static const struct row rows[] = {{"2026-10-25T01:30", 1792891800},
                                      {"2026-10-25 01:30:15", 1792891815},
                                      {"2026-10-25T01:30:15.7", 1792891815},
                                      {"2026-10-25T01:30:00Z", -1},
                                      {"2026-10-25T01:30+01:00", -1},
                                      {"2026-10-25", -1},
                                      {"2026-10-25T25:00", -1},
                                      {"", -1}};
    hold_against(rows, COUNT(rows), gr_local_time_parse);
}

static void durations_of_fixed_length_are_read(void **state)
{
    (void)state;
    static const struct row rows[] = {{"PT30M", 1800},
                                      {"PT1H", 3600},
                                      {"P1D", 86400},
                                      {"P1W", 604800},
                                      {"P1DT2H", 93600},
                                      {"PT0S", 0},
                                      {"PT90M", 5400},
                                      {"PT999999999S", 999999999},
                                      {"PT15M30S", 930},
                                      {"P1W1DT1H1M1S", 694861},
                                      {"", -1},
                                      {"P", -1},
                                      {"PT", -1},
                                      {"P1DT", -1},
                                      {"P1M", -1},
                                      {"P1Y", -1},
                                      {"P9999Y", -1},
                                      {"30M", -1},
                                      {"PT30", -1},
                                      {"PT30m", -1},
                                      {"PT1M1H", -1},
                                      {"PT1M1M", -1},
                                      {"P1H", -1},
                                      {"PT1D", -1},
                                      {"PT-5M", -1},
                                      {"-PT5M", -1},
                                      {"PT0.5H", -1},
                                      {"PT1H ", -1},
                                      {"PT1000000000S", -1},
                                      {"PTT1H", -1},
                                      {"PT1HT1M", -1}};
    hold_against(rows, COUNT(rows), gr_duration_parse);
}

static void times_are_written_and_read_back(void **state)
{
    (void)state;
    char text[GR_RFC3339_SIZE];
    assert_string_equal(gr_rfc3339_format(text, 1795597459), "2026-11-25T09:04:19Z");
    assert_string_equal(gr_rfc3339_format_local(text, 1795597459, 3600), "2026-11-25T10:04:19+01:00");
    assert_string_equal(gr_rfc3339_format_local(text, 1795597459, -12600), "2026-11-25T05:34:19-03:30");
    assert_string_equal(gr_rfc3339_format_local(text, 1795597459, 0), "2026-11-25T09:04:19+00:00");
    assert_string_equal(gr_rfc3339_format(text, INT64_MAX), "9999-12-31T23:59:59Z");
    assert_string_equal(gr_rfc3339_format(text, INT64_MIN), "0000-01-01T00:00:00Z");
    for (int32_t offset = -50400; offset <= 50400; offset += 661) {
        int64_t moment = 1795597459 + (int64_t)offset * 7777, got = 0;
        gr_rfc3339_format_local(text, moment, offset);
        assert_int_equal(gr_rfc3339_parse(&got, text, strlen(text)), GR_OK);
        assert_true(got == moment);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_day_of_four_thousand_years_follows_the_one_before),
        cmocka_unit_test(random_moments_agree_with_the_c_library),
        cmocka_unit_test(fields_beyond_their_range_carry_over),
        cmocka_unit_test(absurd_moments_are_clamped),
        cmocka_unit_test(dates_that_do_not_exist_are_told_from_those_that_do),
        cmocka_unit_test(well_formed_times_are_read),
        cmocka_unit_test(malformed_times_are_refused_and_leave_the_result_alone),
        cmocka_unit_test(a_text_need_not_be_terminated),
        cmocka_unit_test(local_times_carry_no_offset),
        cmocka_unit_test(durations_of_fixed_length_are_read),
        cmocka_unit_test(times_are_written_and_read_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
