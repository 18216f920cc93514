#include "granary/civil.h"
#include "granary/fetch.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#define NOW 1764061200
#define WANTED (NOW + 50000)

static void a_success_waits_for_the_wanted_moment(void **state)
{
    static const struct {
        enum gr_fetch_outcome outcome;
        int64_t wanted_s, retry_after_s;
        double jitter;
        int64_t expected_s;
    } rows[] = {
        {GR_FETCH_BODY, WANTED, 0, 0, WANTED},         {GR_FETCH_BODY, WANTED, 0, 0.5, WANTED + 30},
        {GR_FETCH_NOT_MODIFIED, WANTED, 0, 0, WANTED}, {GR_FETCH_BODY, WANTED, 900, 0, WANTED},
        {GR_FETCH_BODY, NOW, 0, 0, NOW + 60},          {GR_FETCH_BODY, NOW - 5000, 0, 0.5, NOW + 90},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct gr_schedule schedule = {.failures = 4};
        gr_schedule_note(&schedule, rows[i].outcome, true, rows[i].retry_after_s, NOW, rows[i].wanted_s,
                         rows[i].jitter);
        if (schedule.next_s != rows[i].expected_s || schedule.failures != 0) {
            fail_msg("row %zu: next in %lld s, expected %lld s", i, (long long)(schedule.next_s - NOW),
                     (long long)(rows[i].expected_s - NOW));
        }
    }
}

static void failures_in_a_row_back_off_to_an_hour_and_no_further(void **state)
{
    static const int64_t minutes[] = {1, 2, 4, 8, 16, 32, 60, 60, 60, 60};
    static const enum gr_fetch_outcome outcomes[] = {GR_FETCH_NOT_YET, GR_FETCH_FAILED, GR_FETCH_BUSY,
                                                     GR_FETCH_BODY, GR_FETCH_NOT_MODIFIED};
    (void)state;
    for (size_t k = 0; k < sizeof outcomes / sizeof outcomes[0]; k++) {
        struct gr_schedule schedule = {0};
        for (size_t i = 0; i < sizeof minutes / sizeof minutes[0]; i++) {
            gr_schedule_note(&schedule, outcomes[k], false, 0, NOW, WANTED, 0);
            assert_int_equal(schedule.next_s, NOW + 60 * minutes[i]);
            assert_int_equal(schedule.failures, i + 1);
        }
        gr_schedule_note(&schedule, GR_FETCH_BODY, true, 0, NOW, WANTED, 0);
        gr_schedule_note(&schedule, outcomes[k], false, 0, NOW, WANTED, 0);
        assert_int_equal(schedule.next_s, NOW + 60);
    }
}

static void one_wait_depends_on_outcome_retry_after_and_jitter(void **state)
{
    static const struct {
        enum gr_fetch_outcome outcome;
        int failures;
        int64_t retry_after_s;
        double jitter;
        int64_t expected_s;
    } rows[] = {
        {GR_FETCH_REFUSED, 0, 0, 0, 3600},        {GR_FETCH_REFUSED, 9, 0, 0, 3600},
        {GR_FETCH_REFUSED, 0, 7200, 0, 7200},     {GR_FETCH_BUSY, 0, 120, 0, 120},
        {GR_FETCH_BUSY, 3, 120, 0, 480},          {GR_FETCH_BUSY, 0, 86400, 0, 21600},
        {GR_FETCH_BUSY, 0, INT64_MAX, 0, 21600},  {GR_FETCH_BUSY, 0, INT64_MIN, 0, 60},
        {GR_FETCH_NOT_YET, 0, 300, 0, 300},       {GR_FETCH_FAILED, 0, 0, 0.5, 66},
        {GR_FETCH_FAILED, 6, 0, 0.999999, 4319},  {GR_FETCH_BUSY, 0, 21600, 0.999999, 22319},
        {GR_FETCH_FAILED, 0, 0, 1, 60},           {GR_FETCH_FAILED, 0, 0, -1, 60},
        {GR_FETCH_FAILED, 0, 0, NAN, 60},         {GR_FETCH_FAILED, 2000000000, 0, 0, 3600},
        {GR_FETCH_FAILED, INT32_MAX, 0, 0, 3600}, {GR_FETCH_FAILED, -7, 0, 0, 60},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct gr_schedule schedule = {.failures = rows[i].failures};
        gr_schedule_note(&schedule, rows[i].outcome, false, rows[i].retry_after_s, NOW, WANTED,
                         rows[i].jitter);
        if (schedule.next_s - NOW != rows[i].expected_s) {
            fail_msg("row %zu: waits %lld s, expected %lld s", i, (long long)(schedule.next_s - NOW),
                     (long long)rows[i].expected_s);
        }
    }
}

static void a_refused_body_does_not_count_as_success(void **state)
{
    struct gr_schedule schedule = {0};
    (void)state;
    gr_schedule_note(&schedule, GR_FETCH_FAILED, true, 0, NOW, WANTED, 0);
    assert_int_equal(schedule.failures, 1);
    gr_schedule_note(&schedule, GR_FETCH_BODY, false, 0, NOW, WANTED, 0);
    assert_int_equal(schedule.failures, 2);
}

static struct gr_zone *system_zone(const char *name)
{
    char path[128], bytes[8192];
    struct gr_zone *zone = NULL;
    (void)snprintf(path, sizeof path, "/usr/share/zoneinfo/%s", name);
    FILE *file = fopen(path, "rb");
    if (file) {
        size_t length = fread(bytes, 1, sizeof bytes, file);
        (void)fclose(file);
        (void)gr_zone_parse(&zone, name, bytes, length, NULL);
    }
    return zone;
}

/* Expected moments by the published rules: Berlin is UTC+1, +2 from 29 March 01:00 UTC to 25 October 01:00
 * UTC 2026 (EU directive 2000/84/EC); Kolkata is UTC+5:30 all year. */
static void the_wanted_moment_follows_the_wall_clock(void **state)
{
    static const struct {
        const char *zone, *now;
        int minute;
        const char *expected;
    } rows[] = {
        {"Europe/Berlin", "2026-11-25T11:59:59Z", 13 * 60, "2026-11-25T12:00:00Z"},
        {"Europe/Berlin", "2026-11-25T12:00:00Z", 13 * 60, "2026-11-26T12:00:00Z"},
        {"Europe/Berlin", "2026-11-25T23:30:00Z", 0, "2026-11-26T23:00:00Z"},
        {"Europe/Berlin", "2026-03-28T12:00:00Z", 13 * 60, "2026-03-29T11:00:00Z"},
        {"Europe/Berlin", "2026-10-24T11:00:00Z", 13 * 60, "2026-10-25T12:00:00Z"},
        {"Europe/Berlin", "2026-03-28T23:00:00Z", 150, "2026-03-29T01:00:00Z"}, /* 02:30 is skipped */
        {"Europe/Berlin", "2026-10-24T22:00:00Z", 150, "2026-10-25T00:30:00Z"}, /* 02:30 comes twice */
        {"Europe/Berlin", "2026-10-25T00:30:00Z", 150, "2026-10-26T01:30:00Z"},
        {"Asia/Kolkata", "2026-11-25T19:00:00Z", 1439, "2026-11-26T18:29:00Z"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        int64_t now_s = 0;
        char text[GR_RFC3339_SIZE];
        struct gr_zone *zone = system_zone(rows[i].zone);
        if (!zone) {
            print_message("no zone %s on this machine\n", rows[i].zone);
            skip();
        }
        assert_int_equal(gr_rfc3339_parse(&now_s, rows[i].now, strlen(rows[i].now)), GR_OK);
        gr_rfc3339_format(text, gr_schedule_wanted_s(zone, now_s, rows[i].minute));
        gr_zone_free(zone);
        if (strcmp(text, rows[i].expected) != 0) {
            fail_msg("%s after %s: got %s, expected %s", rows[i].zone, rows[i].now, text, rows[i].expected);
        }
    }
}

static void the_wanted_moment_lies_within_the_next_25_hours_and_a_half(void **state)
{
    struct gr_zone *zone = system_zone("Australia/Lord_Howe");
    (void)state;
    if (!zone) {
        skip();
    }
    for (int64_t now_s = 1767225600; now_s < 1767225600 + 366 * 86400; now_s += 1777) {
        for (int minute = 0; minute < 1440; minute += 119) {
            int64_t ahead_s = gr_schedule_wanted_s(zone, now_s, minute) - now_s;
            assert_true(ahead_s > 0 && ahead_s <= 25 * 3600 + 1800);
        }
    }
    gr_zone_free(zone);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_success_waits_for_the_wanted_moment),
        cmocka_unit_test(failures_in_a_row_back_off_to_an_hour_and_no_further),
        cmocka_unit_test(one_wait_depends_on_outcome_retry_after_and_jitter),
        cmocka_unit_test(a_refused_body_does_not_count_as_success),
        cmocka_unit_test(the_wanted_moment_follows_the_wall_clock),
        cmocka_unit_test(the_wanted_moment_lies_within_the_next_25_hours_and_a_half),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
