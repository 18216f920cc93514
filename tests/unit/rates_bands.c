#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <time.h>

#include <cmocka.h>

#include "rates_support.h"

#define EVERY_DAY 127u
#define WORKING_DAYS 31u
#define WEEKEND 96u

static struct gr_rate_band band(int from_hour, int to_hour, unsigned weekdays, double price)
{
    return (struct gr_rate_band){.from_minute = from_hour * 60,
                                 .to_minute = to_hour * 60,
                                 .weekdays = weekdays,
                                 .price_per_kwh = price};
}

static double price_at(const struct gr_rate_bands *bands, const struct gr_zone *zone, const char *at,
                       const char *expected_until)
{
    double price = -1;
    int64_t until = 0;
    assert_int_equal(gr_rate_bands_at(bands, zone, moment(at), &price, &until), GR_OK);
    if (expected_until && until != moment(expected_until)) {
        char text[GR_RFC3339_SIZE];
        fail_msg("%s: until %s, expected %s", at, gr_rfc3339_format(text, until), expected_until);
    }
    return price;
}

static void the_first_band_that_matches_wins(void **state)
{
    (void)state;
    struct gr_zone *zone = load_zone("Europe/Berlin");
    struct gr_rate_bands bands = {
        .band = {band(17, 20, WORKING_DAYS, 0.40), band(0, 6, EVERY_DAY, 0.10), band(0, 24, EVERY_DAY, 0.25)},
        .count = 3};
    /* 2026-11-25 is a Wednesday, 2026-11-28 a Saturday */
    expect_price(price_at(&bands, zone, "2026-11-25T05:59:59+01:00", "2026-11-25T06:00:00+01:00"), 0.10);
    expect_price(price_at(&bands, zone, "2026-11-25T06:00:00+01:00", "2026-11-25T17:00:00+01:00"), 0.25);
    expect_price(price_at(&bands, zone, "2026-11-25T17:00:00+01:00", "2026-11-25T20:00:00+01:00"), 0.40);
    expect_price(price_at(&bands, zone, "2026-11-25T20:00:00+01:00", "2026-11-26T00:00:00+01:00"), 0.25);
    expect_price(price_at(&bands, zone, "2026-11-28T18:00:00+01:00", NULL), 0.25);
    gr_zone_free(zone);
}

static void a_band_over_midnight_belongs_to_the_day_on_which_it_begins(void **state)
{
    (void)state;
    struct gr_zone *zone = load_zone("Europe/London");
    /* Friday 22:00 to Saturday 06:00 */
    struct gr_rate_bands bands = {.band = {band(22, 6, 1u << 4, 0.05), band(0, 24, EVERY_DAY, 0.25)},
                                  .count = 2};
    expect_price(price_at(&bands, zone, "2026-11-27T05:00:00Z", NULL), 0.25); /* Friday morning */
    expect_price(price_at(&bands, zone, "2026-11-27T22:00:00Z", "2026-11-28T00:00:00Z"), 0.05);
    expect_price(price_at(&bands, zone, "2026-11-28T00:00:00Z", "2026-11-28T06:00:00Z"), 0.05);
    expect_price(price_at(&bands, zone, "2026-11-28T06:00:00Z", NULL), 0.25);
    expect_price(price_at(&bands, zone, "2026-11-28T22:00:00Z", NULL), 0.25); /* Saturday evening */
    gr_zone_free(zone);
}

static void a_season_may_run_past_the_end_of_the_year(void **state)
{
    (void)state;
    struct gr_zone *zone = load_zone("Europe/London");
    struct gr_rate_band winter = band(0, 24, EVERY_DAY, 0.30), summer = band(0, 24, EVERY_DAY, 0.20);
    winter.from_month = 11, winter.from_day = 1, winter.to_month = 2, winter.to_day = 29;
    summer.from_month = 3, summer.from_day = 1, summer.to_month = 10, summer.to_day = 31;
    struct gr_rate_bands bands = {.band = {winter, summer}, .count = 2};
    expect_price(price_at(&bands, zone, "2026-10-31T23:59:59Z", "2026-11-01T00:00:00Z"), 0.20);
    expect_price(price_at(&bands, zone, "2026-11-01T00:00:00Z", NULL), 0.30);
    expect_price(price_at(&bands, zone, "2027-01-15T12:00:00Z", NULL), 0.30);
    expect_price(price_at(&bands, zone, "2028-02-29T12:00:00Z", NULL), 0.30);
    expect_price(price_at(&bands, zone, "2027-03-01T00:00:00Z", NULL), 0.20);
    gr_zone_free(zone);
}

static void a_season_looks_at_the_day_on_which_a_night_begins(void **state)
{
    (void)state;
    struct gr_zone *zone = load_zone("Europe/London");
    struct gr_rate_band night = band(22, 6, EVERY_DAY, 0.05);
    night.from_month = 11, night.from_day = 1, night.to_month = 11, night.to_day = 30;
    struct gr_rate_bands bands = {.band = {night, band(0, 24, EVERY_DAY, 0.25)}, .count = 2};
    expect_price(price_at(&bands, zone, "2026-11-01T05:00:00Z", NULL), 0.25);
    expect_price(price_at(&bands, zone, "2026-12-01T05:00:00Z", NULL), 0.05);
    expect_price(price_at(&bands, zone, "2026-12-01T22:00:00Z", NULL), 0.25);
    gr_zone_free(zone);
}

/* The night band 00:30 to 04:30 lasts 3 h, 5 h, 3 h and 4.5 h on days when the clock is changed within it. */
static void the_wall_clock_rules_when_the_clock_is_changed(void **state)
{
    (void)state;
    static const struct {
        const char *zone, *noon_before;
        int cheap_min;
    } rows[] = {{"Europe/London", "2026-03-28T12:00:00Z", 180},
                {"Europe/London", "2026-10-24T12:00:00Z", 300},
                {"Europe/London", "2026-11-24T12:00:00Z", 240},
                {"America/New_York", "2026-03-07T17:00:00Z", 180},
                {"America/New_York", "2026-10-31T17:00:00Z", 300},
                {"Australia/Lord_Howe", "2026-04-04T01:00:00Z", 270},
                {"Australia/Lord_Howe", "2026-10-03T01:00:00Z", 210}};
    struct gr_rate_bands bands = {
        .band = {{.from_minute = 30, .to_minute = 270, .weekdays = EVERY_DAY, .price_per_kwh = 0.05},
                 band(0, 24, EVERY_DAY, 0.25)},
        .count = 2};
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct gr_zone *zone = load_zone(rows[i].zone);
        int64_t t = moment(rows[i].noon_before), end = t + GR_DAY_S, cheap = 0;
        while (t < end) {
            double price = 0;
            int64_t until = 0;
            assert_int_equal(gr_rate_bands_at(&bands, zone, t, &price, &until), GR_OK);
            assert_true(until > t);
            cheap += price < 0.1 ? until - t : 0;
            t = until;
        }
        assert_int_equal(cheap / 60, rows[i].cheap_min);
        gr_zone_free(zone);
    }
}

static void where_no_band_matches_the_next_change_is_still_told(void **state)
{
    (void)state;
    struct gr_zone *zone = load_zone("Europe/London");
    struct gr_rate_bands bands = {.band = {band(6, 22, EVERY_DAY, 0.25)}, .count = 1}, none = {.count = 0};
    double price = -1;
    int64_t until = 0;
    assert_int_equal(gr_rate_bands_at(&bands, zone, moment("2026-11-25T01:15:00Z"), &price, &until),
                     GR_NOT_FOUND);
    assert_int_equal(until, moment("2026-11-25T06:00:00Z"));
    assert_int_equal(gr_rate_bands_at(&bands, zone, moment("2026-11-25T22:00:00Z"), &price, &until),
                     GR_NOT_FOUND);
    assert_int_equal(until, moment("2026-11-26T00:00:00Z"));
    assert_int_equal(gr_rate_bands_at(&none, zone, moment("2026-11-25T22:00:00Z"), &price, &until),
                     GR_NOT_FOUND);
    assert_int_equal(until, moment("2026-11-26T00:00:00Z"));
    expect_price(price, -1);
    gr_zone_free(zone);
}

static void the_first_minute_without_a_band_is_named(void **state)
{
    (void)state;
    struct gr_error error = {""};
    struct gr_rate_bands all = {.band = {band(22, 6, EVERY_DAY, 1), band(6, 22, EVERY_DAY, 2)}, .count = 2};
    assert_int_equal(gr_rate_bands_check(&all, &error), GR_OK);
    struct gr_rate_bands none = {.count = 0};
    assert_int_equal(gr_rate_bands_check(&none, &error), GR_NOT_FOUND);
    expect_words(&error, "Monday 00:00 in January");
    struct gr_rate_bands split = {
        .band = {band(22, 6, WORKING_DAYS, 1), band(6, 22, EVERY_DAY, 2), band(22, 24, WEEKEND, 2)},
        .count = 3};
    assert_int_equal(gr_rate_bands_check(&split, &error), GR_NOT_FOUND);
    expect_words(&error, "Monday 00:00 in January"); /* the night that begins on Sunday */
    struct gr_rate_bands short_sunday = {.band = {band(0, 24, 63, 1)}, .count = 2};
    short_sunday.band[1] =
        (struct gr_rate_band){.from_minute = 210, .to_minute = 0, .weekdays = 64, .price_per_kwh = 1};
    assert_int_equal(gr_rate_bands_check(&short_sunday, &error), GR_NOT_FOUND);
    expect_words(&error, "Sunday 00:00 in January");
    short_sunday.band[1].from_minute = 0, short_sunday.band[1].to_minute = 210;
    assert_int_equal(gr_rate_bands_check(&short_sunday, &error), GR_NOT_FOUND);
    expect_words(&error, "Sunday 03:30 in January");
}

static void a_leap_day_between_two_seasons_is_named(void **state)
{
    (void)state;
    struct gr_error error = {""};
    struct gr_rate_band winter = band(0, 24, EVERY_DAY, 1), summer = band(0, 24, EVERY_DAY, 2);
    winter.from_month = 10, winter.from_day = 1, winter.to_month = 2, winter.to_day = 28;
    summer.from_month = 3, summer.from_day = 1, summer.to_month = 9, summer.to_day = 30;
    struct gr_rate_bands bands = {.band = {winter, summer}, .count = 2};
    assert_int_equal(gr_rate_bands_check(&bands, &error), GR_NOT_FOUND);
    expect_words(&error, "from 29 February on");
    bands.band[0].to_day = 29;
    assert_int_equal(gr_rate_bands_check(&bands, &error), GR_OK);
}

/* The reference looks at each minute's wall clock by itself. */
static double naive_price(const struct gr_rate_bands *bands, int64_t local)
{
    for (size_t i = 0; i < bands->count; i++) {
        const struct gr_rate_band *b = &bands->band[i];
        for (int64_t day = gr_civil_day(local) - 1; day <= gr_civil_day(local); day++) {
            int64_t from = day * GR_DAY_S + (int64_t)b->from_minute * 60,
                    to = day * GR_DAY_S + (int64_t)b->to_minute * 60;
            bool on_day = b->weekdays >> (gr_civil_weekday(day * GR_DAY_S) - 1) & 1u;
            to += b->to_minute <= b->from_minute ? GR_DAY_S : 0;
            if (on_day && local >= from && local < to) {
                return b->price_per_kwh;
            }
        }
    }
    return -1;
}

static void random_bands_agree_with_a_minute_by_minute_reference(void **state)
{
    (void)state;
    static const char *const names[] = {"Europe/London", "America/New_York", "Australia/Lord_Howe",
                                        "America/Santiago"};
    unsigned seed = (unsigned)time(NULL);
    print_message("seed %u\n", seed);
    srandom(seed);
    for (int round = 0; round < 80; round++) {
        struct gr_zone *zone = load_zone(names[round % 4]);
        struct gr_rate_bands bands = {.count = 1 + (size_t)random() % 6};
        for (size_t i = 0; i < bands.count; i++) {
            bands.band[i] = (struct gr_rate_band){.from_minute = (int)(random() % 1441),
                                                  .to_minute = (int)(random() % 1441),
                                                  .weekdays = (unsigned)random() % 128,
                                                  .price_per_kwh = (double)i};
        }
        int64_t change =
            gr_zone_next_change_s(zone, moment("2026-01-01T00:00:00Z") + random() % (300 * GR_DAY_S));
        int64_t until = 0;
        double price = -1;
        for (int64_t t = change - 3 * GR_DAY_S; t < change + 3 * GR_DAY_S; t += 60) {
            if (t >= until) {
                price = -1;
                (void)gr_rate_bands_at(&bands, zone, t, &price, &until);
                assert_true(until > t);
                assert_int_equal(gr_civil_day(gr_zone_local_s(zone, until - 1)),
                                 gr_civil_day(gr_zone_local_s(zone, t)));
            }
            expect_price(price, naive_price(&bands, gr_zone_local_s(zone, t)));
        }
        gr_zone_free(zone);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_first_band_that_matches_wins),
        cmocka_unit_test(a_band_over_midnight_belongs_to_the_day_on_which_it_begins),
        cmocka_unit_test(a_season_may_run_past_the_end_of_the_year),
        cmocka_unit_test(a_season_looks_at_the_day_on_which_a_night_begins),
        cmocka_unit_test(the_wall_clock_rules_when_the_clock_is_changed),
        cmocka_unit_test(where_no_band_matches_the_next_change_is_still_told),
        cmocka_unit_test(the_first_minute_without_a_band_is_named),
        cmocka_unit_test(a_leap_day_between_two_seasons_is_named),
        cmocka_unit_test(random_bands_agree_with_a_minute_by_minute_reference),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
