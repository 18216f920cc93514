#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include <math.h>

#include "rates_support.h"

/* Half-hours of 0.20 per kWh from 2026-11-25T00:00 to 24:00 London time. */
static struct gr_rate_table a_day(void)
{
    struct gr_rate_table table = {calloc(48, sizeof *table.rates), 48};
    int64_t start = moment("2026-11-25T00:00:00Z");
    assert_non_null(table.rates);
    for (size_t i = 0; i < 48; i++, start += 1800) {
        table.rates[i] = (struct gr_rate){start, start + 1800, 0.20};
    }
    return table;
}

static struct gr_rate_rules usual_rules(void)
{
    return (struct gr_rate_rules){.least_per_kwh = -1,
                                  .greatest_per_kwh = 2,
                                  .cover_from_s = moment("2026-11-25T00:00:00Z"),
                                  .cover_to_s = moment("2026-11-26T00:00:00Z"),
                                  .usual_per_kwh = 0.25};
}

static void expect_fault(const struct gr_rate_table *table, const struct gr_rate_rules *rules,
                         const char *zone_name, const char *words)
{
    struct gr_zone *zone = load_zone(zone_name);
    struct gr_error error = {""};
    assert_int_equal(gr_rates_check(table, rules, zone, &error), GR_INVALID);
    expect_words(&error, words);
    gr_zone_free(zone);
}

static void a_good_table_passes(void **state)
{
    (void)state;
    struct gr_rate_table table = a_day();
    struct gr_rate_rules rules = usual_rules();
    struct gr_error error = {""};
    table.rates[3].price_per_kwh = -1;
    table.rates[4].price_per_kwh = 2;
    assert_int_equal(gr_rates_check(&table, &rules, NULL, &error), GR_OK);
    rules.cover_to_s = rules.cover_from_s = 0;
    rules.usual_per_kwh = 0;
    assert_int_equal(gr_rates_check(&table, &rules, NULL, &error), GR_OK);
    gr_rate_table_free(&table);
}

static void a_table_with_a_gap_is_refused(void **state)
{
    (void)state;
    struct gr_rate_table table = a_day();
    struct gr_rate_rules rules = usual_rules();
    table.rates[20].end_s -= 60;
    expect_fault(&table, &rules, "Europe/Berlin",
                 "gap in the prices from 2026-11-25T11:29:00+01:00 (2026-11-25T10:29:00Z) to "
                 "2026-11-25T11:30:00+01:00 "
                 "(2026-11-25T10:30:00Z)");
    gr_rate_table_free(&table);
}

static void an_absurd_price_is_refused(void **state)
{
    (void)state;
    static const double absurd[] = {2.0001, -1.0001, 305.2, 1e9, INFINITY, -INFINITY, NAN};
    struct gr_rate_table table = a_day();
    struct gr_rate_rules rules = usual_rules();
    for (size_t i = 0; i < COUNT(absurd); i++) {
        table.rates[34].price_per_kwh = absurd[i];
        expect_fault(&table, &rules, "Europe/Berlin",
                     "the price at 2026-11-25T18:00:00+01:00 (2026-11-25T17:00:00Z) is ");
        expect_fault(&table, &rules, "Europe/Berlin", "but -1 to 2 per kWh is plausible");
    }
    table.rates[34].price_per_kwh = 305.2;
    expect_fault(&table, &rules, "Europe/London", "is 305.2 per kWh");
    gr_rate_table_free(&table);
}

static void a_table_of_another_day_is_refused(void **state)
{
    (void)state;
    static const struct {
        const char *from, *to, *words;
    } rows[] = {{"2026-11-26T00:00:00Z", "2026-11-27T00:00:00Z", "wrong day"},
                {"2026-11-24T00:00:00Z", "2026-11-25T00:00:00Z", "wrong day"},
                {"2026-11-25T00:00:00Z", "2026-11-26T00:30:00Z", "incomplete"},
                {"2026-11-24T23:59:59Z", "2026-11-25T12:00:00Z", "incomplete"}};
    struct gr_rate_table table = a_day();
    struct gr_rate_rules rules = usual_rules();
    for (size_t i = 0; i < COUNT(rows); i++) {
        rules.cover_from_s = moment(rows[i].from);
        rules.cover_to_s = moment(rows[i].to);
        expect_fault(&table, &rules, "Europe/London", rows[i].words);
        expect_fault(&table, &rules, "Europe/London", rows[i].from);
        expect_fault(&table, &rules, "Europe/London", rows[i].to);
        expect_fault(
            &table, &rules, "Europe/London",
            "it covers 2026-11-25T00:00:00+00:00 (2026-11-25T00:00:00Z) to 2026-11-26T00:00:00+00:00");
    }
    gr_rate_table_free(&table);
}

static void a_wrong_unit_is_suspected(void **state)
{
    (void)state;
    struct gr_rate_table table = a_day();
    struct gr_rate_rules rules = usual_rules();
    rules.usual_per_kwh = 0.002;
    expect_fault(&table, &rules, "Europe/London",
                 "the median price is 0.2 per kWh, 100 times the usual 0.002: the unit may be wrong");
    rules.usual_per_kwh = 200;
    expect_fault(&table, &rules, "Europe/London",
                 "the median price is 0.2 per kWh, a small part (0.001) of the usual 200");
    for (size_t i = 0; i < table.count; i++) {
        table.rates[i].price_per_kwh = i % 2 ? 25 : -25;
    }
    rules = usual_rules();
    expect_fault(&table, &rules, "Europe/London", "100 times the usual 0.25: the unit may be wrong");
    gr_rate_table_free(&table);
}

static void the_median_is_of_sizes_and_of_nothing_it_is_0(void **state)
{
    (void)state;
    struct gr_rate rates[] = {{0, 1, -0.4}, {1, 2, 0.1}, {2, 3, 0.2}, {3, 4, 0.3}};
    struct gr_rate_table table = {rates, 0};
    static const double expected[] = {0, 0.4, 0.25, 0.2, 0.25};
    for (table.count = 0; table.count <= 4; table.count++) {
        double median = -1;
        assert_int_equal(gr_rate_table_median(&median, &table), GR_OK);
        assert_true(fabs(median - expected[table.count]) < 1e-12);
    }
}

static void twenty_times_the_usual_price_is_still_taken(void **state)
{
    (void)state;
    struct gr_rate_table table = a_day();
    struct gr_rate_rules rules = usual_rules();
    struct gr_error error = {""};
    rules.usual_per_kwh = 0.0101;
    assert_int_equal(gr_rates_check(&table, &rules, NULL, &error), GR_OK);
    rules.usual_per_kwh = 3.99;
    assert_int_equal(gr_rates_check(&table, &rules, NULL, &error), GR_OK);
    rules.usual_per_kwh = 0.0099;
    assert_int_equal(gr_rates_check(&table, &rules, NULL, &error), GR_INVALID);
    rules.usual_per_kwh = 4.01;
    assert_int_equal(gr_rates_check(&table, &rules, NULL, &error), GR_INVALID);
    gr_rate_table_free(&table);
}

static void a_table_without_prices_or_with_too_many_is_refused(void **state)
{
    (void)state;
    struct gr_rate_table table = a_day(), nothing = {NULL, 0};
    struct gr_rate_rules rules = usual_rules();
    expect_fault(&nothing, &rules, "Europe/London", "holds no prices");
    rules.most_slots = 47;
    expect_fault(&table, &rules, "Europe/London", "48 slots, at most 47");
    gr_rate_table_free(&table);

    table = (struct gr_rate_table){calloc(5001, sizeof *table.rates), 5001};
    assert_non_null(table.rates);
    rules.most_slots = 0;
    expect_fault(&table, &rules, "Europe/London", "5001 slots, at most 5000");
    gr_rate_table_free(&table);
}

/* On a day of 50 half-hours a table of 48 is not the whole day. */
static void the_longest_day_needs_fifty_half_hours(void **state)
{
    (void)state;
    struct gr_zone *london = load_zone("Europe/London");
    int64_t noon = moment("2026-10-25T12:00:00Z");
    struct gr_rate_rules rules = {.least_per_kwh = 0, .greatest_per_kwh = 1};
    rules.cover_from_s = gr_zone_day_start_s(london, noon, 0);
    rules.cover_to_s = gr_zone_day_start_s(london, noon, 1);
    struct gr_rate rates[50];
    for (int64_t i = 0; i < 50; i++) {
        rates[i] = (struct gr_rate){rules.cover_from_s + 1800 * i, rules.cover_from_s + 1800 * (i + 1), 0.2};
    }
    struct gr_rate_table table = {rates, 48};
    struct gr_error error = {""};
    assert_int_equal(gr_rates_check(&table, &rules, london, &error), GR_INVALID);
    expect_words(&error, "2026-10-25T23:00:00+00:00");
    table.count = 50;
    assert_int_equal(gr_rates_check(&table, &rules, london, &error), GR_OK);
    gr_zone_free(london);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_good_table_passes),
        cmocka_unit_test(a_table_with_a_gap_is_refused),
        cmocka_unit_test(an_absurd_price_is_refused),
        cmocka_unit_test(a_table_of_another_day_is_refused),
        cmocka_unit_test(a_wrong_unit_is_suspected),
        cmocka_unit_test(the_median_is_of_sizes_and_of_nothing_it_is_0),
        cmocka_unit_test(twenty_times_the_usual_price_is_still_taken),
        cmocka_unit_test(a_table_without_prices_or_with_too_many_is_refused),
        cmocka_unit_test(the_longest_day_needs_fifty_half_hours),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
