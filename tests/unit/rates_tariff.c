#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <time.h>

#include <cmocka.h>

#include "rates_support.h"

/* Half-hours of the local days from `first_noon` on, `days` of them; the price tells day and half-hour. */
static struct gr_rate_table half_hours(const struct gr_zone *zone, const char *first_noon, int days)
{
    struct gr_rate_table table = {calloc((size_t)days * 50, sizeof *table.rates), 0};
    assert_non_null(table.rates);
    for (int day = 0; day < days; day++) {
        int64_t start = gr_zone_day_start_s(zone, moment(first_noon), day);
        int64_t end = gr_zone_day_start_s(zone, moment(first_noon), day + 1);
        for (int64_t t = start; t < end; t += 1800) {
            double price = day * 100 + (double)((t - start) / 1800);
            table.rates[table.count++] = (struct gr_rate){t, t + 1800, price};
        }
    }
    return table;
}

static struct gr_price price_at(const struct gr_tariff *tariff, const struct gr_zone *zone, const char *at)
{
    struct gr_price price = {-1, 0, false};
    if (gr_tariff_at(tariff, zone, moment(at), &price) != GR_OK) {
        fail_msg("no price at %s", at);
    }
    assert_true(price.until_s > moment(at));
    return price;
}

static void the_first_source_that_knows_a_moment_gives_its_price(void **state)
{
    (void)state;
    struct gr_zone *zone = load_zone("Europe/London");
    struct gr_tariff tariff = {.count = 2};
    tariff.source[0].table = half_hours(zone, "2026-11-25T12:00:00Z", 1);
    tariff.source[1].is_bands = true;
    tariff.source[1].bands = (struct gr_rate_bands){
        .band = {{.to_minute = 1440, .weekdays = 127, .price_per_kwh = 0.5}}, .count = 1};
    struct gr_price price = price_at(&tariff, zone, "2026-11-25T10:10:00Z");
    expect_price(price.price_per_kwh, 20);
    assert_false(price.expected);
    assert_int_equal(price.until_s, moment("2026-11-25T10:30:00Z"));
    price = price_at(&tariff, zone, "2026-11-26T10:10:00Z");
    expect_price(price.price_per_kwh, 0.5);
    assert_false(price.expected);
    assert_int_equal(price.until_s, moment("2026-11-27T00:00:00Z"));
    gr_tariff_free(&tariff);
    gr_zone_free(zone);
}

static void a_price_holds_only_until_a_better_source_speaks(void **state)
{
    (void)state;
    struct gr_zone *zone = load_zone("Europe/London");
    struct gr_tariff tariff = {.count = 2};
    tariff.source[0].table = half_hours(zone, "2026-11-25T12:00:00Z", 1);
    tariff.source[0].table.rates[0].start_s += 900;
    tariff.source[1].table = (struct gr_rate_table){calloc(1, sizeof(struct gr_rate)), 1};
    assert_non_null(tariff.source[1].table.rates);
    tariff.source[1].table.rates[0] =
        (struct gr_rate){moment("2026-11-20T00:00:00Z"), moment("2026-12-20T00:00:00Z"), 7};
    struct gr_price price = price_at(&tariff, zone, "2026-11-24T23:00:00Z");
    expect_price(price.price_per_kwh, 7);
    assert_int_equal(price.until_s, moment("2026-11-25T00:15:00Z"));
    gr_tariff_free(&tariff);
    gr_zone_free(zone);
}

static void unpublished_prices_are_the_mean_of_seven_earlier_days(void **state)
{
    (void)state;
    struct gr_zone *zone = load_zone("Europe/London");
    struct gr_tariff tariff = {.count = 1};
    tariff.source[0].table =
        half_hours(zone, "2026-11-10T12:00:00Z", 10); /* the 10th (0..) to the 19th (900..) */
    struct gr_price price = price_at(&tariff, zone, "2026-11-20T10:10:00Z");
    assert_true(price.expected);
    expect_price(price.price_per_kwh, 600 + 20); /* days 300 to 900 */
    assert_int_equal(price.until_s, moment("2026-11-20T10:30:00Z"));
    price = price_at(&tariff, zone,
                     "2026-11-22T10:10:00Z"); /* two days further on the same seven are the last known */
    expect_price(price.price_per_kwh, 600 + 20);
    assert_int_equal(price.until_s, moment("2026-11-22T10:30:00Z"));
    price = price_at(&tariff, zone, "2026-11-12T10:10:00Z");
    assert_false(price.expected);
    struct gr_price none;
    assert_int_equal(gr_tariff_at(&tariff, zone, moment("2026-11-09T10:10:00Z"), &none), GR_NOT_FOUND);
    assert_true(none.until_s > moment("2026-11-09T10:10:00Z"));
    assert_true(none.until_s <= moment("2026-11-10T00:00:00Z"));
    assert_int_equal(gr_tariff_at(&tariff, zone, moment("2027-01-09T10:10:00Z"), &none), GR_NOT_FOUND);
    gr_tariff_free(&tariff);
    gr_zone_free(zone);
}

static void days_that_are_not_known_are_left_out_of_the_mean(void **state)
{
    (void)state;
    struct gr_zone *zone = load_zone("Europe/London");
    struct gr_tariff tariff = {.count = 1};
    struct gr_rate_table old = half_hours(zone, "2026-11-10T12:00:00Z", 1),
                         recent = half_hours(zone, "2026-11-18T12:00:00Z", 1);
    recent.rates[20].price_per_kwh = 22;
    tariff.source[0].table = old;
    assert_int_equal(gr_rate_table_merge(&tariff.source[0].table, &recent, 0), GR_OK);
    gr_rate_table_free(&recent);
    struct gr_price price = price_at(&tariff, zone, "2026-11-19T10:00:00Z");
    expect_price(price.price_per_kwh, 21);
    gr_tariff_free(&tariff);
    gr_zone_free(zone);
}

/* Half-hour k of a day costs k where the clock is not changed; on the other days the same wall-clock time is
 * meant. */
static void expected_prices_go_by_the_wall_clock(void **state)
{
    (void)state;
    static const struct {
        const char *zone, *last_known_noon, *at;
        double expected;
        const char *until;
    } rows[] = {
        /* the clock goes back on the day after the one that is known */
        {"Europe/London", "2026-10-24T12:00:00Z", "2026-10-25T00:10:00Z", 2, "2026-10-25T00:30:00Z"},
        {"Europe/London", "2026-10-24T12:00:00Z", "2026-10-25T01:10:00Z", 2, "2026-10-25T01:30:00Z"},
        {"Europe/London", "2026-10-24T12:00:00Z", "2026-10-25T12:10:00Z", 24, "2026-10-25T12:30:00Z"},
        /* it went back on the known day: half-hours 2 and 3 are 01:00, and 4 and 5 again */
        {"Europe/London", "2026-10-25T12:00:00Z", "2026-10-26T01:10:00Z", 2, "2026-10-26T01:30:00Z"},
        {"Europe/London", "2026-10-25T12:00:00Z", "2026-10-26T02:10:00Z", 6, "2026-10-26T02:30:00Z"},
        {"Europe/London", "2026-10-25T12:00:00Z", "2026-10-26T23:40:00Z", 49, "2026-10-27T00:00:00Z"},
        /* it went forward on the known day, which has no 01:00: the price right after the jump */
        {"Europe/London", "2026-03-29T12:00:00Z", "2026-03-30T00:10:00Z", 2, NULL},
        {"Europe/London", "2026-03-29T12:00:00Z", "2026-03-30T01:10:00Z", 2, "2026-03-30T01:30:00Z"},
        {"Europe/London", "2026-03-29T12:00:00Z", "2026-03-30T22:40:00Z", 45, "2026-03-30T23:00:00Z"},
        {"America/New_York", "2026-10-31T12:00:00Z", "2026-11-01T06:10:00Z", 2, "2026-11-01T06:30:00Z"},
        {"Australia/Lord_Howe", "2026-04-04T01:00:00Z", "2026-04-04T15:10:00Z", 3, "2026-04-04T15:30:00Z"},
        {"Australia/Lord_Howe", "2026-04-05T01:00:00Z", "2026-04-05T15:10:00Z", 3, "2026-04-05T15:30:00Z"},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct gr_zone *zone = load_zone(rows[i].zone);
        struct gr_tariff tariff = {.count = 1};
        tariff.source[0].table = half_hours(zone, rows[i].last_known_noon, 1);
        struct gr_price price = price_at(&tariff, zone, rows[i].at);
        assert_true(price.expected);
        if (price.price_per_kwh != rows[i].expected ||
            (rows[i].until && price.until_s != moment(rows[i].until))) {
            char until[GR_RFC3339_SIZE];
            fail_msg("%s %s: %g until %s", rows[i].zone, rows[i].at, price.price_per_kwh,
                     gr_rfc3339_format(until, price.until_s));
        }
        gr_tariff_free(&tariff);
        gr_zone_free(zone);
    }
}

static void bands_are_no_ground_for_expectations(void **state)
{
    (void)state;
    struct gr_zone *zone = load_zone("Europe/London");
    struct gr_tariff tariff = {.count = 1};
    tariff.source[0].is_bands = true;
    tariff.source[0].bands = (struct gr_rate_bands){
        .band = {{.from_minute = 360, .to_minute = 1320, .weekdays = 31, .price_per_kwh = 0.5}}, .count = 1};
    struct gr_price price;
    assert_int_equal(gr_tariff_at(&tariff, zone, moment("2026-11-28T10:00:00Z"), &price), GR_NOT_FOUND);
    assert_int_equal(gr_tariff_at(&tariff, zone, moment("2026-11-27T10:00:00Z"), &price), GR_OK);
    gr_tariff_free(&tariff);
    gr_zone_free(zone);
}

static void the_end_of_the_published_stretch_is_found(void **state)
{
    (void)state;
    struct gr_zone *zone = load_zone("Europe/London");
    struct gr_tariff tariff = {.count = 2};
    tariff.source[0].table = half_hours(zone, "2026-11-24T12:00:00Z", 2);
    tariff.source[1].is_bands = true;
    tariff.source[1].bands = (struct gr_rate_bands){
        .band = {{.from_minute = 0, .to_minute = 360, .weekdays = 127, .price_per_kwh = 0.5}}, .count = 1};
    assert_int_equal(gr_tariff_known_until_s(&tariff, zone, moment("2026-11-24T10:10:00Z")),
                     moment("2026-11-26T06:00:00Z"));
    assert_int_equal(gr_tariff_known_until_s(&tariff, zone, moment("2026-11-26T06:00:00Z")),
                     moment("2026-11-26T06:00:00Z"));
    tariff.source[1].bands.band[0].to_minute = 1440;
    assert_int_equal(gr_tariff_known_until_s(&tariff, zone, moment("2026-11-24T10:10:00Z")),
                     moment("2026-12-08T10:10:00Z"));
    gr_tariff_free(&tariff);
    gr_zone_free(zone);
}

/* Whatever the sources, nothing may change before until_s, and stepping from one to the next must come to an
 * end. */
static void prices_hold_until_the_moment_that_is_told(void **state)
{
    (void)state;
    static const char *const names[] = {"Europe/London", "America/New_York", "Australia/Lord_Howe"};
    unsigned seed = (unsigned)time(NULL);
    print_message("seed %u\n", seed);
    srandom(seed);
    for (int round = 0; round < 60; round++) {
        struct gr_zone *zone = load_zone(names[round % 3]);
        int64_t change =
            gr_zone_next_change_s(zone, moment("2026-02-01T00:00:00Z") + (round % 2) * 150 * GR_DAY_S);
        struct gr_tariff tariff = {.count = 3};
        for (size_t i = 0; i < 2; i++) {
            struct gr_rate_table *table = &tariff.source[i].table;
            table->rates = calloc(400, sizeof *table->rates);
            assert_non_null(table->rates);
            for (int64_t t = change - 5 * GR_DAY_S;
                 t < change + (int64_t)i * GR_DAY_S && table->count < 400;) {
                int64_t end = t + 900 * (1 + random() % 12);
                table->rates[table->count++] = (struct gr_rate){t, end, (double)(random() % 100)};
                t = end + (random() % 4 ? 0 : 900 * (random() % 20));
            }
        }
        tariff.source[2].is_bands = true;
        tariff.source[2].bands = (struct gr_rate_bands){.band = {{.from_minute = (int)(random() % 1440),
                                                                  .to_minute = (int)(random() % 1440),
                                                                  .weekdays = (unsigned)random() % 128,
                                                                  .price_per_kwh = 1}},
                                                        .count = 1};
        struct gr_price held = {0, INT64_MIN, false}, price;
        int held_rc = GR_OK;
        for (int64_t t = change - 2 * GR_DAY_S; t < change + 4 * GR_DAY_S; t += 300) {
            int rc = gr_tariff_at(&tariff, zone, t, &price);
            assert_true(price.until_s > t);
            if (t < held.until_s) {
                assert_int_equal(rc, held_rc);
                assert_true(rc != GR_OK ||
                            (price.price_per_kwh == held.price_per_kwh && price.expected == held.expected));
            } else {
                held = price;
                held_rc = rc;
            }
        }
        gr_tariff_free(&tariff);
        gr_zone_free(zone);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_first_source_that_knows_a_moment_gives_its_price),
        cmocka_unit_test(a_price_holds_only_until_a_better_source_speaks),
        cmocka_unit_test(unpublished_prices_are_the_mean_of_seven_earlier_days),
        cmocka_unit_test(days_that_are_not_known_are_left_out_of_the_mean),
        cmocka_unit_test(expected_prices_go_by_the_wall_clock),
        cmocka_unit_test(bands_are_no_ground_for_expectations),
        cmocka_unit_test(the_end_of_the_published_stretch_is_found),
        cmocka_unit_test(prices_hold_until_the_moment_that_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
