/* Values computed outside this project: zdump over Debian tzdata 2026f for clock changes and day lengths, the
 * numbering of half-hour settlement periods in Great Britain (published by its settlement administrator), RFC
 * 3339 section 5.8. */
#include "granary/civil.h"
#include "granary/zone.h"

#include "zone_file.h"

#include <setjmp.h>
#include <stdarg.h>
#include <string.h>

#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

static int64_t moment(const char *text)
{
    int64_t out = 0;
    if (gr_rfc3339_parse(&out, text, strlen(text)) != GR_OK) {
        fail_msg("'%s' is no time", text);
    }
    return out;
}

/* Source: zdump -v, tzdata 2026f. */
static void clocks_change_when_zdump_says(void **state)
{
    (void)state;
    static const struct {
        const char *zone, *change;
        int before_min, after_min;
    } rows[] = {{"Europe/London", "2026-03-29T01:00:00Z", 0, 60},
                {"Europe/London", "2026-10-25T01:00:00Z", 60, 0},
                {"Europe/London", "2027-03-28T01:00:00Z", 0, 60},
                {"Europe/London", "2027-10-31T01:00:00Z", 60, 0},
                {"Europe/Berlin", "2026-03-29T01:00:00Z", 60, 120},
                {"Europe/Berlin", "2026-10-25T01:00:00Z", 120, 60},
                {"Europe/Berlin", "2027-10-31T01:00:00Z", 120, 60},
                {"Europe/Dublin", "2026-03-29T01:00:00Z", 0, 60},
                {"Europe/Dublin", "2026-10-25T01:00:00Z", 60, 0},
                {"America/New_York", "2026-03-08T07:00:00Z", -300, -240},
                {"America/New_York", "2026-11-01T06:00:00Z", -240, -300},
                {"America/New_York", "2027-03-14T07:00:00Z", -300, -240},
                {"America/New_York", "2027-11-07T06:00:00Z", -240, -300},
                {"Australia/Lord_Howe", "2026-04-04T15:00:00Z", 660, 630},
                {"Australia/Lord_Howe", "2026-10-03T15:30:00Z", 630, 660}};
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct gr_zone *zone = load_zone(rows[i].zone);
        assert_non_null(zone);
        int64_t change = moment(rows[i].change);
        assert_true(gr_zone_next_change_s(zone, change - 1) == change);
        assert_true(gr_zone_next_change_s(zone, change - 20 * GR_DAY_S) == change);
        assert_int_equal(gr_zone_offset_s(zone, change - 1), rows[i].before_min * 60);
        assert_int_equal(gr_zone_offset_s(zone, change), rows[i].after_min * 60);
        gr_zone_free(zone);
    }
}

/* Source: zdump -v, tzdata 2026f. */
static void local_days_have_their_true_length(void **state)
{
    (void)state;
    static const struct {
        const char *zone, *start, *end;
        int half_hours;
    } rows[] = {{"Europe/London", "2026-03-28T00:00Z", "2026-03-29T00:00Z", 48},
                {"Europe/London", "2026-03-29T00:00Z", "2026-03-29T23:00Z", 46},
                {"Europe/London", "2026-10-24T23:00Z", "2026-10-26T00:00Z", 50},
                {"Europe/Berlin", "2026-03-28T23:00Z", "2026-03-29T22:00Z", 46},
                {"Europe/Berlin", "2026-10-24T22:00Z", "2026-10-25T23:00Z", 50},
                {"America/New_York", "2026-03-08T05:00Z", "2026-03-09T04:00Z", 46},
                {"America/New_York", "2026-11-01T04:00Z", "2026-11-02T05:00Z", 50},
                {"Australia/Lord_Howe", "2026-04-04T13:00Z", "2026-04-05T13:30Z", 49},
                {"Australia/Lord_Howe", "2026-10-03T13:30Z", "2026-10-04T13:00Z", 47},
                {"Asia/Kathmandu", "2026-03-28T18:15Z", "2026-03-29T18:15Z", 48},
                {"America/Santiago", "2026-09-06T04:00Z", "2026-09-07T03:00Z", 46}};
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct gr_zone *zone = load_zone(rows[i].zone);
        assert_non_null(zone);
        int64_t start = moment(rows[i].start), end = moment(rows[i].end);
        assert_true(end - start == rows[i].half_hours * 1800);
        for (int64_t t = start; t < end; t += 900) {
            assert_true(gr_zone_day_start_s(zone, t, 0) == start);
            assert_true(gr_zone_day_start_s(zone, t, 1) == end);
        }
        assert_true(gr_zone_day_start_s(zone, end, -1) == start);
        assert_true(gr_zone_day_start_s(zone, start - 1, 1) == start);
        gr_zone_free(zone);
    }
}

/* Source: the published rule (local time, period 1 starts at 00:00; 48, 46 or 50 periods). */
static void settlement_periods_are_counted_from_local_midnight(void **state)
{
    (void)state;
    static const struct {
        const char *moment;
        int month, day, period;
    } rows[] = {{"2026-07-15T23:00:00Z", 7, 16, 1},  {"2026-07-15T22:59:59Z", 7, 15, 48},
                {"2026-01-15T17:10:00Z", 1, 15, 35}, {"2026-03-29T00:30:00Z", 3, 29, 2},
                {"2026-03-29T01:00:00Z", 3, 29, 3},  {"2026-03-29T22:30:00Z", 3, 29, 46},
                {"2026-10-24T23:00:00Z", 10, 25, 1}, {"2026-10-25T00:30:00Z", 10, 25, 4},
                {"2026-10-25T01:00:00Z", 10, 25, 5}, {"2026-10-25T01:30:00Z", 10, 25, 6},
                {"2026-10-25T02:00:00Z", 10, 25, 7}, {"2026-10-25T23:30:00Z", 10, 25, 50}};
    struct gr_zone *london = load_zone("Europe/London");
    assert_non_null(london);
    for (size_t i = 0; i < COUNT(rows); i++) {
        int64_t t = moment(rows[i].moment);
        struct gr_civil local = gr_civil_from_seconds(gr_zone_local_s(london, t));
        assert_int_equal(local.month, rows[i].month);
        assert_int_equal(local.day, rows[i].day);
        assert_int_equal((t - gr_zone_day_start_s(london, t, 0)) / 1800 + 1, rows[i].period);
    }
    gr_zone_free(london);
}

/* Source: RFC 3339 section 5.8; fractions are cut towards the past. */
static void examples_of_rfc_3339_are_read(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        int64_t expected;
    } rows[] = {{"1985-04-12T23:20:50.52Z", 482196050},
                {"1996-12-19T16:39:57-08:00", 851042397},
                {"1990-12-31T23:59:60Z", 662688000},
                {"1990-12-31T15:59:60-08:00", 662688000},
                {"1937-01-01T12:00:27.87+00:20", -1041337173}};
    for (size_t i = 0; i < COUNT(rows); i++) {
        assert_true(moment(rows[i].text) == rows[i].expected);
    }
}

/* Source: tzdata; "daylight saving" is in force in winter there, which must not matter. */
static void dublin_is_ahead_in_summer(void **state)
{
    (void)state;
    struct gr_zone *dublin = load_zone("Europe/Dublin");
    assert_non_null(dublin);
    for (int year = 2020; year < 2100; year += 13) {
        int64_t july = gr_civil_seconds(&(struct gr_civil){.year = year, .month = 7, .day = 1});
        int64_t january = gr_civil_seconds(&(struct gr_civil){.year = year, .month = 1, .day = 1});
        assert_int_equal(gr_zone_offset_s(dublin, july), 3600);
        assert_string_equal(gr_zone_abbreviation(dublin, july), "IST");
        assert_int_equal(gr_zone_offset_s(dublin, january), 0);
        assert_string_equal(gr_zone_abbreviation(dublin, january), "GMT");
    }
    gr_zone_free(dublin);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(clocks_change_when_zdump_says),
        cmocka_unit_test(local_days_have_their_true_length),
        cmocka_unit_test(settlement_periods_are_counted_from_local_midnight),
        cmocka_unit_test(examples_of_rfc_3339_are_read),
        cmocka_unit_test(dublin_is_ahead_in_summer),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
