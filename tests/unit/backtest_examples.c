/* The bills of the example tariffs, tax, settlement and peaks among them, against code of this test's own:
 * the prices stand here once more, and sums are made by local day and hour, not step by step. */
#include "backtest_house.h"
#include "check.h"
#include "granary/config.h"

enum { DAYS = 14, HOURS = 24, MARCH_DAYS = 7 }; /* 25 March to 7 April */

/* What the flows are, by day of the period, local hour, and half hour. The skipped hour of the 31st stays 0.
 */
struct flows {
    double grid_kwh[DAYS][HOURS][2];
    double discharged_kwh;
};

static void sort_flows(struct flows *flows, const struct made_up *it, const struct gr_backtest_result *result)
{
    memset(flows, 0, sizeof *flows);
    int64_t first_day = gr_civil_day(gr_zone_local_s(it->zone, made_up_start_s));
    for (size_t i = 0; i < result->step_count; i++) {
        const struct gr_backtest_step *step = &result->steps[i];
        int64_t local_s = gr_zone_local_s(it->zone, step->start_s);
        int64_t day = gr_civil_day(local_s) - first_day;
        assert_true(day >= 0 && day < DAYS);
        flows->grid_kwh[day][local_s % 86400 / 3600][local_s % 3600 / 1800] = step->grid_kw / 2;
        flows->discharged_kwh += fmax(0, -step->battery_kw) / 2;
    }
}

typedef double price_fn(int hour, int half);

/* Each half hour on its own. */
static double energy_cost(const struct flows *flows, price_fn *import, price_fn *export)
{
    double cost = 0;
    for (int day = 0; day < DAYS; day++) {
        for (int hour = 0; hour < HOURS; hour++) {
            for (int half = 0; half < 2; half++) {
                double kwh = flows->grid_kwh[day][hour][half];
                cost += kwh > 0 ? kwh * import(hour, half) : kwh * export(hour, half);
            }
        }
    }
    return cost;
}

/* Hours whole, at the mean of their two prices. */
static double settled_cost(const struct flows *flows, price_fn *import, price_fn *export)
{
    double cost = 0;
    for (int day = 0; day < DAYS; day++) {
        for (int hour = 0; hour < HOURS; hour++) {
            double kwh = flows->grid_kwh[day][hour][0] + flows->grid_kwh[day][hour][1];
            price_fn *price = kwh > 0 ? import : export;
            cost += kwh * (price(hour, 0) + price(hour, 1)) / 2;
        }
    }
    return cost;
}

/* The highest hour's mean import of a day, among the hours from `from` up to `to`. */
static double day_peak_kw(const struct flows *flows, int day, int from, int to)
{
    double peak = 0;
    for (int hour = from; hour < to; hour++) {
        peak = fmax(peak, fmax(0, flows->grid_kwh[day][hour][0]) + fmax(0, flows->grid_kwh[day][hour][1]));
    }
    return peak;
}

/* ---- night-band.conf ---- */

static double owl_import(int hour, int half)
{
    int minute = hour * 60 + half * 30;
    return (minute >= 30 && minute < 330 ? 0.085 : 0.295) * 1.05;
}

static double owl_export(int hour, int half)
{
    (void)hour;
    (void)half;
    return 0.13;
}

static double owl(const struct flows *flows)
{
    return energy_cost(flows, owl_import, owl_export) + DAYS * 0.46 * 1.05;
}

/* ---- peak-per-kw.conf ---- */

static double summit_import(int hour, int half)
{
    (void)half;
    return hour >= 22 || hour < 6 ? 0.16 : 0.24;
}

static double seven_cents(int hour, int half)
{
    (void)hour;
    (void)half;
    return 0.07;
}

/* The period begins on a Monday; 1 April is its eighth day. */
static double summit_peaks(const struct flows *flows)
{
    double highest[2] = {0, 0};
    for (int day = 0; day < DAYS; day++) {
        double *month = &highest[day >= MARCH_DAYS];
        if (day % 7 < 5) {
            *month = fmax(*month, day_peak_kw(flows, day, 7, 20));
        }
    }
    return 4.50 * (highest[0] * MARCH_DAYS / 31 + highest[1] * (DAYS - MARCH_DAYS) / 30);
}

static double summit(const struct flows *flows)
{
    return settled_cost(flows, summit_import, seven_cents) + DAYS * 0.20 + summit_peaks(flows);
}

/* ---- peak-steps.conf ---- */

static double twenty_two_cents(int hour, int half)
{
    (void)hour;
    (void)half;
    return 0.22;
}

static double mean_of_three(const struct flows *flows, int first, int end)
{
    double top[3] = {0, 0, 0};
    for (int day = first; day < end; day++) {
        double peak = day_peak_kw(flows, day, 0, HOURS);
        for (int k = 0; k < 3; k++) {
            double more = fmax(top[k], peak);
            peak = fmin(top[k], peak);
            top[k] = more;
        }
    }
    return (top[0] + top[1] + top[2]) / 3;
}

static double price_of_step(double kw)
{
    return kw <= 2 ? 14 : kw <= 5 ? 23 : kw <= 10 ? 37 : 62;
}

static double stairs(const struct flows *flows)
{
    double march = price_of_step(mean_of_three(flows, 0, MARCH_DAYS));
    double april = price_of_step(mean_of_three(flows, MARCH_DAYS, DAYS));
    return energy_cost(flows, twenty_two_cents, seven_cents) + march * MARCH_DAYS / 31 +
           april * (DAYS - MARCH_DAYS) / 30;
}

/* ---- all of them ---- */

/* Half hours from local midnight to local midnight: the 31st lacks one hour. */
static void make_up_days(struct made_up *it, const char *tariff_file, uint64_t seed)
{
    struct gr_complaints complaints = {0};
    struct gr_config *config = calloc(1, sizeof *config);
    assert_non_null(config);
    (void)snprintf(config->currency, sizeof config->currency, "EUR");
    make_up(it, 1800, DAYS, false, seed);
    gr_backtest_tariff_free(&it->tariff);
    if (gr_tariff_file_read(&it->tariff, tariff_file, config, it->zone, &complaints) != GR_OK) {
        fail_msg("%s", complaints.items[0].text);
    }
    gr_complaints_free(&complaints);
    free(config);
    it->backtest.to_s -= 3600;
}

static void check_tariff(const char *tariff_file, double (*own)(const struct flows *))
{
    static const char *const strategies[] = {"none", "follow", "night-fill", "planned", "foresight"};
    for (size_t k = 0; k < 5; k++) {
        struct made_up it;
        struct gr_backtest_result result;
        struct gr_error error = {""};
        struct flows flows;
        make_up_days(&it, tariff_file, 21);
        it.strategy = strategy_named(strategies[k]);
        if (gr_backtest_run(&result, &it.backtest, &error) != GR_OK) {
            fail_msg("%s: %s", strategies[k], error.text);
        }
        sort_flows(&flows, &it, &result);
        assert_near(gr_backtest_cost(&result.total), own(&flows) + 0.02 * flows.discharged_kwh, 1e-6);
        gr_backtest_result_free(&result);
        forget(&it);
    }
}

static void the_bill_with_tax_is_what_other_code_makes_of_it(void **state)
{
    (void)state;
    check_tariff(GRANARY_SOURCE_DIR "/conf/tariffs/night-band.conf", owl);
}

static void the_bill_with_hourly_settlement_and_a_peak_charge_is_what_other_code_makes_of_it(void **state)
{
    (void)state;
    check_tariff(GRANARY_SOURCE_DIR "/conf/tariffs/peak-per-kw.conf", summit);
}

static void the_bill_with_steps_of_peaks_is_what_other_code_makes_of_it(void **state)
{
    (void)state;
    check_tariff(GRANARY_SOURCE_DIR "/conf/tariffs/peak-steps.conf", stairs);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_bill_with_tax_is_what_other_code_makes_of_it),
        cmocka_unit_test(the_bill_with_hourly_settlement_and_a_peak_charge_is_what_other_code_makes_of_it),
        cmocka_unit_test(the_bill_with_steps_of_peaks_is_what_other_code_makes_of_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
