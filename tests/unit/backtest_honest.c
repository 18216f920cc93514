/* Nothing after the moment of decision is used: whatever comes after it may be changed or cut off. */
#include "backtest_house.h"
#include "check.h"

#include <time.h>

enum { DAYS = 9, STEPS = DAYS * 48 };

static void run(const struct gr_backtest *backtest, struct gr_backtest_result *result)
{
    struct gr_error error = {""};
    if (gr_backtest_run(result, backtest, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
}

static void check_same_before(const struct gr_backtest_result *one, const struct gr_backtest_result *other,
                              size_t end, const char *what)
{
    for (size_t i = 0; i < end; i++) {
        const struct gr_backtest_step *a = &one->steps[i], *b = &other->steps[i];
        if (a->kind != b->kind || a->power_kw != b->power_kw || a->battery_kw != b->battery_kw) {
            fail_msg("%s: what was changed from step %zu on changed step %zu", what, end, i);
        }
    }
}

static bool differ_after(const struct gr_backtest_result *one, const struct gr_backtest_result *other,
                         size_t from)
{
    for (size_t i = from; i < one->step_count && i < other->step_count; i++) {
        if (one->steps[i].kind != other->steps[i].kind ||
            one->steps[i].power_kw != other->steps[i].power_kw) {
            return true;
        }
    }
    return false;
}

static void change_usage_from(struct gr_usage *usage, size_t from, uint64_t seed)
{
    for (size_t i = from; i < usage->count; i++) {
        usage->load_kw[i] = 4 * uniform(&seed);
        usage->solar_kw[i] = 5 * uniform(&seed);
    }
}

static const char *const honest[] = {"none", "follow", "night-fill", "planned"};

static uint64_t print_seed(const char *what)
{
    uint64_t seed = (uint64_t)time(NULL);
    print_message("%s: seed %llu\n", what, (unsigned long long)seed);
    return seed;
}

static void usage_that_is_changed_later_changes_no_earlier_step(void **state)
{
    (void)state;
    uint64_t seed = print_seed("usage");
    for (size_t k = 0; k < 4; k++) {
        size_t from = 96 + next_random(&seed) % (STEPS - 144);
        struct made_up before, after;
        struct gr_backtest_result one, other;
        make_up(&before, 1800, DAYS, k % 2 == 0, 21);
        make_up(&after, 1800, DAYS, k % 2 == 0, 21);
        before.strategy = after.strategy = strategy_named(honest[k]);
        change_usage_from(&after.usage, from, seed);
        run(&before.backtest, &one);
        run(&after.backtest, &other);
        check_same_before(&one, &other, from, honest[k]);
        gr_backtest_result_free(&one);
        gr_backtest_result_free(&other);
        forget(&before);
        forget(&after);
    }
}

static void with_late_readings_not_even_the_step_at_hand_is_known(void **state)
{
    (void)state;
    struct made_up before, after;
    struct gr_backtest_result one, other;
    make_up(&before, 1800, DAYS, true, 22);
    make_up(&after, 1800, DAYS, true, 22);
    before.strategy = after.strategy = strategy_named("planned");
    before.backtest.late_readings = after.backtest.late_readings = true;
    size_t from = 200;
    change_usage_from(&after.usage, from, 5);
    run(&before.backtest, &one);
    run(&after.backtest, &other);
    check_same_before(&one, &other, from, "late readings");
    assert_int_equal(one.steps[from].kind, other.steps[from].kind);
    assert_true(one.steps[from].power_kw == other.steps[from].power_kw);
    assert_true(differ_after(&one, &other, from + 1));
    gr_backtest_result_free(&one);
    gr_backtest_result_free(&other);
    forget(&before);
    forget(&after);
}

static void usage_that_is_cut_off_leaves_all_that_went_before(void **state)
{
    (void)state;
    struct made_up whole, cut;
    struct gr_backtest_result one, other;
    make_up(&whole, 1800, DAYS, true, 23);
    make_up(&cut, 1800, DAYS, true, 23);
    whole.strategy = cut.strategy = strategy_named("planned");
    size_t end = 6 * 48 + 27;
    cut.usage.count = end;
    cut.backtest.to_s = cut.usage.start_s + (int64_t)end * 1800;
    run(&whole.backtest, &one);
    run(&cut.backtest, &other);
    assert_int_equal(other.step_count, end);
    check_same_before(&one, &other, end, "cut");
    gr_backtest_result_free(&one);
    gr_backtest_result_free(&other);
    forget(&whole);
    forget(&cut);
}

/* A day dear beyond measure: whoever knows that it comes fills the battery. */
static void shift_prices_from(struct gr_backtest_tariff *tariff, int64_t from_s, double shift)
{
    struct gr_rate_table *tables[] = {&tariff->import.source[0].table, &tariff->export.source[0].table};
    for (size_t k = 0; k < 2; k++) {
        for (size_t i = 0; i < tables[k]->count; i++) {
            tables[k]->rates[i].price_per_kwh += tables[k]->rates[i].start_s >= from_s ? shift : 0;
        }
    }
}

/* First step in which two runs differ. */
static size_t first_difference(const struct gr_backtest_result *one, const struct gr_backtest_result *other)
{
    size_t i = 0;
    while (i < one->step_count && one->steps[i].kind == other->steps[i].kind &&
           one->steps[i].battery_kw == other->steps[i].battery_kw) {
        i++;
    }
    return i;
}

/* Prices of a local day that are changed are noticed from the publishing hour of the day before on, and not a
 * step sooner. */
static void tomorrows_prices_are_noticed_from_the_publishing_hour_on(void **state)
{
    (void)state;
    static const int hours[] = {9, 13, 20};
    for (size_t k = 0; k < 6; k++) {
        struct made_up before, after;
        struct gr_backtest_result one, other;
        make_up(&before, 1800, DAYS, true, 24 + k);
        make_up(&after, 1800, DAYS, true, 24 + k);
        before.strategy = after.strategy = strategy_named("planned");
        before.backtest.capacity_kwh = after.backtest.capacity_kwh = 40; /* never full */
        before.tariff.published_minute = after.tariff.published_minute = hours[k % 3] * 60;
        int64_t day_s = gr_zone_day_start_s(before.zone, made_up_start_s, 5);
        shift_prices_from(&after.tariff, day_s, 1);
        run(&before.backtest, &one);
        run(&after.backtest, &other);
        size_t midnight = (size_t)((day_s - made_up_start_s) / 1800);
        size_t published = midnight - (size_t)(24 - hours[k % 3]) * 2;
        size_t noticed = first_difference(&one, &other);
        if (noticed < published || noticed >= midnight) {
            fail_msg("published at step %zu, noticed at step %zu", published, noticed);
        }
        gr_backtest_result_free(&one);
        gr_backtest_result_free(&other);
        forget(&before);
        forget(&after);
    }
}

static void the_truth_is_known_only_where_it_is_asked_for(void **state)
{
    (void)state;
    struct made_up it;
    struct gr_backtest_result blind, load, all, foresight;
    make_up(&it, 1800, 21, false, 25);
    it.strategy = strategy_named("planned");
    run(&it.backtest, &blind);
    it.backtest.know_load = true;
    run(&it.backtest, &load);
    it.backtest.know_solar = it.backtest.know_price = true;
    run(&it.backtest, &all);
    it.strategy = strategy_named("foresight");
    run(&it.backtest, &foresight);
    assert_true(load.total_cost < blind.total_cost);
    assert_true(all.total_cost < load.total_cost);
    assert_true(foresight.total_cost <= all.total_cost + 1e-9);
    gr_backtest_result_free(&blind);
    gr_backtest_result_free(&load);
    gr_backtest_result_free(&all);
    gr_backtest_result_free(&foresight);
    forget(&it);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(usage_that_is_changed_later_changes_no_earlier_step),
        cmocka_unit_test(with_late_readings_not_even_the_step_at_hand_is_known),
        cmocka_unit_test(usage_that_is_cut_off_leaves_all_that_went_before),
        cmocka_unit_test(tomorrows_prices_are_noticed_from_the_publishing_hour_on),
        cmocka_unit_test(the_truth_is_known_only_where_it_is_asked_for),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
