#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <time.h>

#include <cmocka.h>

#include "rates_support.h"

static struct gr_rate_table table_of(const struct gr_rate *rates, size_t count)
{
    struct gr_rate_table borrowed = {(struct gr_rate *)(uintptr_t)rates, count}, table;
    assert_int_equal(gr_rate_table_copy(&table, &borrowed), GR_OK);
    return table;
}

#define TABLE(...)                                                                                           \
    table_of((const struct gr_rate[]){__VA_ARGS__},                                                          \
             sizeof((const struct gr_rate[]){__VA_ARGS__}) / sizeof(struct gr_rate))

static void the_rate_in_force_is_found(void **state)
{
    (void)state;
    struct gr_rate_table table = TABLE({100, 200, 1}, {200, 300, 2}, {400, 500, 3});
    assert_null(gr_rate_table_at(&table, 99));
    expect_price(gr_rate_table_at(&table, 100)->price_per_kwh, 1);
    expect_price(gr_rate_table_at(&table, 199)->price_per_kwh, 1);
    expect_price(gr_rate_table_at(&table, 200)->price_per_kwh, 2);
    assert_null(gr_rate_table_at(&table, 300));
    assert_null(gr_rate_table_at(&table, 399));
    expect_price(gr_rate_table_at(&table, 499)->price_per_kwh, 3);
    assert_null(gr_rate_table_at(&table, 500));
    gr_rate_table_free(&table);
    assert_null(gr_rate_table_at(&table, 100));
    gr_rate_table_free(&table);
}

static void a_copy_is_independent(void **state)
{
    (void)state;
    struct gr_rate_table table = TABLE({100, 200, 1}), copy, nothing = {NULL, 0};
    assert_int_equal(gr_rate_table_copy(&copy, &table), GR_OK);
    table.rates[0].price_per_kwh = 5;
    gr_rate_table_free(&table);
    assert_int_equal(copy.count, 1);
    expect_price(copy.rates[0].price_per_kwh, 1);
    gr_rate_table_free(&copy);
    assert_int_equal(gr_rate_table_copy(&copy, &nothing), GR_OK);
    assert_int_equal(copy.count, 0);
}

static void expect_table(const struct gr_rate_table *table, const struct gr_rate *expected, size_t count)
{
    assert_int_equal(table->count, count);
    for (size_t i = 0; i < count; i++) {
        assert_int_equal(table->rates[i].start_s, expected[i].start_s);
        assert_int_equal(table->rates[i].end_s, expected[i].end_s);
        expect_price(table->rates[i].price_per_kwh, expected[i].price_per_kwh);
    }
}

static void newer_slots_replace_what_they_cover(void **state)
{
    (void)state;
    static const struct {
        struct gr_rate newer[2];
        size_t newer_count;
        int64_t keep_from;
        struct gr_rate expected[5];
        size_t count;
    } rows[] = {
        {{{100, 200, 9}}, 1, 0, {{100, 200, 9}, {200, 300, 2}}, 2},
        {{{150, 250, 9}}, 1, 0, {{100, 150, 1}, {150, 250, 9}, {250, 300, 2}}, 3},
        {{{120, 140, 9}}, 1, 0, {{100, 120, 1}, {120, 140, 9}, {140, 200, 1}, {200, 300, 2}}, 4},
        {{{50, 400, 9}}, 1, 0, {{50, 400, 9}}, 1},
        {{{300, 400, 9}}, 1, 0, {{100, 200, 1}, {200, 300, 2}, {300, 400, 9}}, 3},
        {{{10, 20, 8}, {110, 120, 9}},
         2,
         0,
         {{10, 20, 8}, {100, 110, 1}, {110, 120, 9}, {120, 200, 1}, {200, 300, 2}},
         5},
        {{{300, 400, 9}}, 1, 200, {{200, 300, 2}, {300, 400, 9}}, 2},
        {{{300, 400, 9}}, 1, 199, {{100, 200, 1}, {200, 300, 2}, {300, 400, 9}}, 3},
        {{{10, 20, 9}}, 1, 1000, {{0, 0, 0}}, 0},
        {{{0, 0, 0}}, 0, 250, {{200, 300, 2}}, 1},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct gr_rate_table table = TABLE({100, 200, 1}, {200, 300, 2});
        struct gr_rate_table newer = table_of(rows[i].newer, rows[i].newer_count);
        assert_int_equal(gr_rate_table_merge(&table, &newer, rows[i].keep_from), GR_OK);
        expect_table(&table, rows[i].expected, rows[i].count);
        gr_rate_table_free(&table);
        gr_rate_table_free(&newer);
    }
}

#define MINUTES 400

static struct gr_rate_table random_table(void)
{
    struct gr_rate rates[MINUTES];
    size_t count = 0;
    for (int64_t at = random() % 40; at < MINUTES - 60;) {
        int64_t end = at + 1 + random() % 50;
        rates[count++] = (struct gr_rate){at * 60, end * 60, (double)(random() % 1000)};
        at = end + (random() % 3 ? 0 : random() % 30);
    }
    return table_of(rates, count);
}

/* The reference looks at every minute by itself. */
static void merging_agrees_with_a_minute_by_minute_reference(void **state)
{
    (void)state;
    unsigned seed = (unsigned)time(NULL);
    print_message("seed %u\n", seed);
    srandom(seed);
    for (int round = 0; round < 3000; round++) {
        struct gr_rate_table old = random_table(), newer = random_table(), merged;
        int64_t keep_from = random() % 2 ? 0 : random() % (MINUTES * 60);
        assert_int_equal(gr_rate_table_copy(&merged, &old), GR_OK);
        assert_int_equal(gr_rate_table_merge(&merged, &newer, keep_from), GR_OK);
        for (size_t i = 0; i < merged.count; i++) {
            assert_true(merged.rates[i].start_s < merged.rates[i].end_s);
            assert_true(merged.rates[i].end_s > keep_from);
            assert_true(i == 0 || merged.rates[i - 1].end_s <= merged.rates[i].start_s);
        }
        for (int64_t t = keep_from - keep_from % 60; t < MINUTES * 60; t += 60) {
            const struct gr_rate *expected = gr_rate_table_at(&newer, t);
            expected = expected ? expected : gr_rate_table_at(&old, t);
            const struct gr_rate *got = gr_rate_table_at(&merged, t);
            if (t >= keep_from) {
                assert_true((got == NULL) == (expected == NULL));
                assert_true(!got || got->price_per_kwh == expected->price_per_kwh);
            }
        }
        gr_rate_table_free(&old);
        gr_rate_table_free(&newer);
        gr_rate_table_free(&merged);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_rate_in_force_is_found),
        cmocka_unit_test(a_copy_is_independent),
        cmocka_unit_test(newer_slots_replace_what_they_cover),
        cmocka_unit_test(merging_agrees_with_a_minute_by_minute_reference),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
