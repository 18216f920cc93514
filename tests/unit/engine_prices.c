/* What is expected of prices that are not published yet. */
#include "check.h"

#include "engine/internal.h"

#include "granary/civil.h"

#include <math.h>
#include <stdlib.h>

static const int64_t hour_s = 3600;
static const int64_t monday_s = 1781481600; /* 2026-06-15 00:00 UTC, a Monday */
static const double weekend_share = 0.2;

struct market {
    struct gr_zone *zone;
    struct gr_tariff tariff;
    struct gr_price_habit habit;
};

typedef double (*price_fn)(int days_back, int hour);

/* `days` days of hourly prices up to Monday; days_back of the Sunday before it is 0. */
static void open_market(struct market *market, int days, price_fn price)
{
    memset(market, 0, sizeof *market);
    assert_int_equal(gr_zone_fixed(&market->zone, "UTC", 0, NULL), GR_OK);
    market->tariff.count = 1;
    struct gr_rate_table *table = &market->tariff.source[0].table;
    table->rates = calloc((size_t)days * 24 + 1, sizeof *table->rates);
    assert_non_null(table->rates);
    for (int back = days - 1; back >= 0; back--) {
        for (int hour = 0; hour < 24; hour++) {
            int64_t start_s = monday_s - (back + 1) * GR_DAY_S + hour * hour_s;
            table->rates[table->count++] = (struct gr_rate){start_s, start_s + hour_s, price(back, hour)};
        }
    }
    gr_price_habit_learn(&market->habit, &market->tariff, market->zone, monday_s);
}

static void close_market(struct market *market)
{
    gr_tariff_free(&market->tariff);
    gr_zone_free(market->zone);
}

static double expected(const struct market *market, int days_on, int hour)
{
    return gr_price_habit_at(&market->habit, market->zone,
                             monday_s + days_on * GR_DAY_S + hour * hour_s + 1800);
}

static double by_the_hour(int days_back, int hour)
{
    (void)days_back;
    return 0.1 + hour * 0.01;
}

static void prices_that_repeat_are_expected_to_go_on(void **state)
{
    (void)state;
    struct market market;
    open_market(&market, 28, by_the_hour);
    for (int hour = 0; hour < 24; hour++) {
        assert_near(expected(&market, 0, hour), by_the_hour(0, hour), 1e-12);
        assert_near(expected(&market, 6, hour), by_the_hour(0, hour), 1e-12);
    }
    close_market(&market);
}

/* 0 Sunday, 1 Saturday, 7 the Sunday before. */
static bool is_weekend(int days_back)
{
    return days_back % 7 < 2;
}

static double dear_on_weekdays(int days_back, int hour)
{
    (void)hour;
    return is_weekend(days_back) ? 0.1 : 0.3;
}

static double weighted(price_fn price, bool weekend, int hour)
{
    double sum = 0, all = 0;
    for (int back = 0; back < 28; back++) {
        double weight = pow(0.5, back / 10.0) * (is_weekend(back) == weekend ? 1 : weekend_share);
        sum += weight * price(back, hour);
        all += weight;
    }
    return sum / all;
}

static void a_weekday_is_expected_from_weekdays_above_all(void **state)
{
    (void)state;
    struct market market;
    open_market(&market, 28, dear_on_weekdays);
    double usual = weighted(dear_on_weekdays, false, 0);
    double level = 0.1 - weighted(dear_on_weekdays, true, 0); /* of the last day, a Sunday */
    assert_true(usual > 0.27);
    assert_near(expected(&market, 0, 12), usual + 0.7 * level, 1e-12);
    assert_near(expected(&market, 1, 12), usual + 0.49 * level, 1e-12);
    close_market(&market);
}

static double dear_of_late(int days_back, int hour)
{
    return 0.2 + (days_back == 0 ? 0.1 : 0) + (days_back == 0 && hour == 18 ? 0.24 : 0);
}

static void a_dear_day_makes_the_next_days_dearer_and_is_forgotten(void **state)
{
    (void)state;
    struct market market;
    open_market(&market, 28, dear_of_late);
    double last = weighted(dear_of_late, true, 12), peak = weighted(dear_of_late, true, 18);
    double excess = 0.3 - last, peak_excess = 0.54 - peak;
    double level = (23 * excess + peak_excess) / 24;
    double usual = weighted(dear_of_late, false, 12), usual_peak = weighted(dear_of_late, false, 18);
    assert_near(expected(&market, 0, 12), usual + 0.7 * level + 0.3 * (excess - level), 1e-12);
    assert_near(expected(&market, 0, 18), usual_peak + 0.7 * level + 0.3 * (peak_excess - level), 1e-12);
    assert_near(expected(&market, 2, 18),
                usual_peak + pow(0.7, 3) * level + pow(0.3, 3) * (peak_excess - level), 1e-12);
    close_market(&market);
}

static void one_day_is_enough_and_none_says_nothing(void **state)
{
    (void)state;
    struct market market;
    open_market(&market, 1, by_the_hour);
    assert_near(expected(&market, 0, 7), by_the_hour(0, 7), 1e-12);
    close_market(&market);
    open_market(&market, 0, by_the_hour);
    assert_true(isnan(expected(&market, 0, 7)));
    close_market(&market);
}

static void what_is_published_later_changes_the_horizon(void **state)
{
    (void)state;
    struct market market;
    struct gr_price_habit habits[GR_DIRECTIONS] = {{.learned = false}};
    struct gr_engine_config config = {.planning = {.slot_minutes = 60, .horizon_hours = 24}};
    struct gr_tariff tariffs[GR_DIRECTIONS] = {{.count = 0}};
    struct gr_horizon horizon = {0};
    static const struct gr_overrides asked;
    open_market(&market, 28, by_the_hour);
    tariffs[GR_IMPORT] = market.tariff;
    assert_int_equal(
        gr_horizon_build(&horizon, &config, tariffs, habits, &asked, market.zone, monday_s - 12 * hour_s),
        GR_OK);
    assert_int_equal(horizon.slots, 24);
    assert_false(horizon.expected[11]);
    assert_true(horizon.expected[12]);
    assert_near(horizon.import_price[12], by_the_hour(0, 0), 1e-12);
    /* The first hour of Monday is published, dearer than ever: the rest is now learned from its day. */
    struct gr_rate_table *table = &market.tariff.source[0].table;
    table->rates[table->count++] = (struct gr_rate){monday_s, monday_s + hour_s, 2.5};
    double before = horizon.import_price[13];
    tariffs[GR_IMPORT] = market.tariff;
    assert_int_equal(
        gr_horizon_build(&horizon, &config, tariffs, habits, &asked, market.zone, monday_s - 12 * hour_s),
        GR_OK);
    assert_false(horizon.expected[12]);
    assert_true(horizon.expected[13] && horizon.import_price[13] > before + 0.01);
    assert_near(horizon.export_price[13], 0, 0);
    assert_true(isnan(horizon.carbon_kg[13]));
    gr_horizon_free(&horizon);
    close_market(&market);
}

/* The market's prices serve as intensities: told up to Monday, then expected as prices would be. */
static void carbon_that_is_not_told_yet_is_expected_as_prices_are(void **state)
{
    (void)state;
    struct market market;
    struct gr_price_habit habits[GR_DIRECTIONS] = {{.learned = false}};
    struct gr_engine_config config = {
        .planning = {.slot_minutes = 60, .horizon_hours = 24, .carbon_price_per_kg = 0.5}};
    struct gr_tariff tariffs[GR_DIRECTIONS] = {{.count = 0}};
    struct gr_horizon horizon = {0};
    static const struct gr_overrides asked;
    open_market(&market, 28, by_the_hour);
    tariffs[GR_CARBON] = market.tariff;
    tariffs[GR_IMPORT].count = tariffs[GR_EXPORT_DIRECTION].count = 1;
    tariffs[GR_IMPORT].source[0] = tariffs[GR_EXPORT_DIRECTION].source[0] = (struct gr_rate_source){
        .is_bands = true,
        .bands = {.count = 1, .band = {{.to_minute = 1440, .weekdays = 127, .price_per_kwh = 0.20}}}};
    assert_int_equal(
        gr_horizon_build(&horizon, &config, tariffs, habits, &asked, market.zone, monday_s - 12 * hour_s),
        GR_OK);
    assert_int_equal(horizon.slots, 24);
    assert_false(horizon.expected[20]); /* the import price is */
    assert_near(horizon.carbon_kg[3], by_the_hour(-1, 15), 1e-12);
    assert_near(horizon.carbon_kg[12], by_the_hour(0, 0), 1e-12);
    assert_near(horizon.import_price[12], 0.20, 0);
    gr_horizon_price_carbon(&horizon, &config.planning);
    assert_near(horizon.import_price[12], 0.20 + 0.5 * by_the_hour(0, 0), 1e-12);
    assert_near(horizon.carbon_price[12], 0.5 * by_the_hour(0, 0), 1e-12);
    assert_near(horizon.export_price[12], 0.20, 0);
    assert_int_equal(
        gr_horizon_build(&horizon, &config, tariffs, habits, &asked, market.zone, monday_s - 12 * hour_s),
        GR_OK);
    config.planning.carbon_credits_export = true;
    gr_horizon_price_carbon(&horizon, &config.planning);
    assert_near(horizon.export_price[12], 0.20 + 0.5 * by_the_hour(0, 0), 1e-12);
    gr_horizon_free(&horizon);
    close_market(&market);
}

/* Of export and carbon nothing is known up to Monday; from then on both are told. */
static void what_is_told_from_a_later_moment_on_counts_from_then(void **state)
{
    (void)state;
    struct market market;
    struct gr_price_habit habits[GR_DIRECTIONS] = {{.learned = false}};
    struct gr_engine_config config = {.planning = {.slot_minutes = 60, .horizon_hours = 24}};
    struct gr_rate rate = {monday_s, monday_s + 24 * hour_s, 0.4};
    struct gr_tariff late = {.count = 1, .source = {{.table = {&rate, 1}}}};
    struct gr_horizon horizon = {0};
    static const struct gr_overrides asked;
    open_market(&market, 28, by_the_hour);
    const struct gr_tariff tariffs[GR_DIRECTIONS] = {market.tariff, late, late};
    assert_int_equal(
        gr_horizon_build(&horizon, &config, tariffs, habits, &asked, market.zone, monday_s - 12 * hour_s),
        GR_OK);
    assert_int_equal(horizon.slots, 24);
    assert_near(horizon.export_price[11], 0, 0);
    assert_true(isnan(horizon.carbon_kg[11]));
    assert_near(horizon.export_price[12], 0.4, 0);
    assert_near(horizon.carbon_kg[12], 0.4, 0);
    assert_near(horizon.carbon_kg[23], 0.4, 0);
    gr_horizon_free(&horizon);
    close_market(&market);
}

/* 3 is a Thursday, 4 the Wednesday before it: days of one type. */
static double dear_on_day_3(int days_back, int hour)
{
    (void)hour;
    return days_back == 3 ? 0.5 : 0.2;
}

static void a_day_may_miss_what_is_expected_as_past_days_did(void **state)
{
    (void)state;
    struct market market;
    double miss[GR_PRICE_MISSES], next[GR_PRICE_MISSES];
    open_market(&market, 28, dear_on_day_3);
    gr_price_habit_misses(&market.habit, market.zone, monday_s + 12 * hour_s, miss);
    gr_price_habit_misses(&market.habit, market.zone, monday_s + 36 * hour_s, next);
    double usual = market.habit.usual[0][48], other = market.habit.usual[1][48];
    assert_near(miss[3], (0.5 - usual) - 0.7 * (0.2 - usual), 1e-12);
    assert_near(miss[2], (0.2 - usual) - 0.7 * (0.5 - usual), 1e-12);
    assert_near(miss[1], (0.2 - other) - 0.7 * (0.2 - usual), 1e-12);
    assert_near(next[2], miss[2] + 0.7 * miss[3], 1e-12);
    close_market(&market);
}

static void prices_that_repeat_miss_nothing(void **state)
{
    (void)state;
    struct market market;
    double miss[GR_PRICE_MISSES];
    open_market(&market, 28, by_the_hour);
    gr_price_habit_misses(&market.habit, market.zone, monday_s + 40 * hour_s, miss);
    for (size_t day = 0; day < GR_PRICE_MISSES; day++) {
        assert_near(miss[day], 0, 1e-12);
    }
    close_market(&market);
}

/* Noon on Sunday: prices are published up to midnight. */
static void prices_spread_around_what_is_expected_where_they_are_not_published(void **state)
{
    (void)state;
    struct market market;
    open_market(&market, 28, dear_on_day_3);
    struct gr_engine engine = {.zone = market.zone, .habits = {market.habit, market.habit}};
    enum { HOURS = 24, PATHS = 3 };
    int64_t bounds_s[HOURS + 1];
    double hours[HOURS], import[HOURS], export[HOURS], weight[PATHS] = {0.5, 0.2, 0.3};
    bool expected[HOURS];
    struct gr_engine_plan plan = {.horizon = {.slots = HOURS,
                                              .bounds_s = bounds_s,
                                              .hours = hours,
                                              .import_price = import,
                                              .export_price = export,
                                              .expected = expected},
                                  .paths = {.count = PATHS, .slots = HOURS, .weight = weight}};
    for (int t = 0; t <= HOURS; t++) {
        bounds_s[t] = monday_s + (t - 12) * hour_s;
        if (t < HOURS) {
            import[t] = 0.25;
            export[t] = 0.05;
            expected[t] = t >= 12;
        }
    }
    assert_int_equal(gr_engine_spread_prices(&engine, &plan), GR_OK);
    assert_int_equal(plan.paths.meet, 8);
    for (size_t t = 0; t < HOURS; t++) {
        double mean = 0, least = INFINITY, most = -INFINITY;
        for (size_t k = 0; k < PATHS; k++) {
            double price = plan.paths.import_price[k * HOURS + t];
            mean += weight[k] * price;
            least = fmin(least, price);
            most = fmax(most, price);
        }
        assert_near(mean, 0.25, 1e-12);
        assert_true(t < 12 ? most - least < 1e-12 : most - least > 0.1);
    }
    gr_paths_free(
        &(struct gr_paths){.import_price = plan.paths.import_price, .export_price = plan.paths.export_price});
    close_market(&market);
}

static void where_all_prices_are_published_no_path_has_its_own(void **state)
{
    (void)state;
    struct market market;
    open_market(&market, 28, dear_on_day_3);
    struct gr_engine engine = {.zone = market.zone, .habits = {market.habit, market.habit}};
    int64_t bounds_s[] = {monday_s, monday_s + hour_s};
    bool expected[] = {false};
    struct gr_engine_plan plan = {.horizon = {.slots = 1, .bounds_s = bounds_s, .expected = expected},
                                  .paths = {.count = 1, .slots = 1}};
    assert_int_equal(gr_engine_spread_prices(&engine, &plan), GR_OK);
    assert_null(plan.paths.import_price);
    assert_int_equal(plan.paths.meet, 0);
    close_market(&market);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(prices_that_repeat_are_expected_to_go_on),
        cmocka_unit_test(a_weekday_is_expected_from_weekdays_above_all),
        cmocka_unit_test(a_dear_day_makes_the_next_days_dearer_and_is_forgotten),
        cmocka_unit_test(one_day_is_enough_and_none_says_nothing),
        cmocka_unit_test(what_is_published_later_changes_the_horizon),
        cmocka_unit_test(what_is_told_from_a_later_moment_on_counts_from_then),
        cmocka_unit_test(a_day_may_miss_what_is_expected_as_past_days_did),
        cmocka_unit_test(prices_that_repeat_miss_nothing),
        cmocka_unit_test(prices_spread_around_what_is_expected_where_they_are_not_published),
        cmocka_unit_test(where_all_prices_are_published_no_path_has_its_own),
        cmocka_unit_test(carbon_that_is_not_told_yet_is_expected_as_prices_are),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
