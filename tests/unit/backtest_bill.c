/* The bill and the physics, against code of the tests' own that shares nothing with them. */
#include "backtest_house.h"
#include "check.h"

static void run(struct made_up *it, const char *strategy, struct gr_backtest_result *result)
{
    struct gr_error error = {""};
    it->strategy = strategy_named(strategy);
    if (gr_backtest_run(result, &it->backtest, &error) != GR_OK) {
        fail_msg("%s: %s", strategy, error.text);
    }
}

/* What is stored changes by what flows, with the losses, and the meter takes up the rest: in every step. */
static void check_balance(const struct made_up *it, const struct gr_backtest_result *result)
{
    double before = result->start_kwh, hours = it->usage.step_s / 3600.0;
    for (size_t i = 0; i < result->step_count; i++) {
        const struct gr_backtest_step *step = &result->steps[i];
        double in = step->battery_kw > 0 ? step->battery_kw * hours * 0.95 : 0;
        double out = step->battery_kw < 0 ? -step->battery_kw * hours / 0.94 : 0;
        double stored = step->gap ? before : fmax(0, before + in - out - 0.01 * hours);
        if (it->strategy.kind != GR_STRATEGY_NONE) {
            assert_near(step->stored_kwh, stored, 1e-9);
        }
        double meter = step->house_kw - step->solar_kw + step->curtail_kw + step->battery_kw;
        assert_near(step->grid_kw * hours, meter * hours, 1e-9);
        assert_true(step->curtail_kw >= -1e-12 && step->curtail_kw <= step->solar_kw + 1e-12);
        assert_true(step->battery_kw <= 4 + 1e-9 && step->battery_kw >= -5 - 1e-9);
        assert_true(step->stored_kwh >= -1e-9 && step->stored_kwh <= 10 + 1e-9);
        before = step->stored_kwh;
    }
}

/* Prices of the `bands` tariff, written out by hand. */
static double import_price(int hour)
{
    return hour >= 1 && hour < 6 ? 0.10 : hour >= 17 && hour < 20 ? 0.45 : 0.28;
}

static double recompute(const struct made_up *it, const struct gr_backtest_result *result)
{
    double hours = it->usage.step_s / 3600.0, cost = 0, seconds = 0;
    for (size_t i = 0; i < result->step_count; i++) {
        const struct gr_backtest_step *step = &result->steps[i];
        if (step->gap) {
            continue;
        }
        int hour = (int)(gr_zone_local_s(it->zone, step->start_s) % 86400 / 3600);
        double kwh = step->grid_kw * hours;
        double export_price = hour >= 17 && hour < 20 ? 0.25 : 0.08;
        cost += kwh > 0 ? kwh * import_price(hour) : kwh * export_price;
        cost += step->battery_kw < 0 ? -step->battery_kw * hours * 0.02 : 0;
        seconds += it->usage.step_s;
    }
    /* Lisbon's spring day of 23 hours pays a whole day's standing charge. */
    double days = (seconds + 3600) / 86400;
    return cost + days * 0.40;
}

static const char *const strategies[] = {"none", "follow", "night-fill", "planned", "foresight"};

static void every_bill_is_what_other_code_makes_of_the_flows(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 14, false, 11);
    for (size_t k = 0; k < 5; k++) {
        struct gr_backtest_result result;
        run(&it, strategies[k], &result);
        check_balance(&it, &result);
        double own = recompute(&it, &result);
        assert_near(gr_backtest_cost(&result.total), own, 1e-6);
        assert_near(result.total_cost, own - result.left_per_kwh * (result.end_kwh - result.start_kwh), 1e-6);
        gr_backtest_result_free(&result);
    }
    forget(&it);
}

static void the_months_add_up_to_the_whole(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 3600, 20, false, 12);
    struct gr_backtest_result result;
    run(&it, "follow", &result);
    assert_int_equal(result.month_count, 2);
    double cost = 0, import = 0;
    for (size_t i = 0; i < result.month_count; i++) {
        cost += gr_backtest_cost(&result.months[i]);
        import += result.months[i].import_kwh;
    }
    assert_near(cost, gr_backtest_cost(&result.total), 1e-9);
    assert_near(import, result.total.import_kwh, 1e-9);
    /* the rest of March, its short day whole; in April the last of 480 hours ends at 01:00 */
    assert_near(result.months[0].days, 7, 1e-9);
    assert_near(result.months[1].days, 13 + 1.0 / 24, 1e-9);
    gr_backtest_result_free(&result);
    forget(&it);
}

static void gaps_are_left_out_and_counted(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 6, false, 13);
    for (size_t i = 60; i < 70; i++) {
        it.usage.load_kw[i] = NAN;
    }
    it.usage.solar_kw[100] = NAN;
    for (size_t k = 0; k < 5; k++) {
        struct gr_backtest_result result;
        run(&it, strategies[k], &result);
        check_balance(&it, &result);
        assert_int_equal(result.total.gaps, 11);
        assert_int_equal(result.total.steps, 6 * 48 - 11);
        for (size_t i = 60; i < 70; i++) {
            assert_true(result.steps[i].grid_kw == 0 && result.steps[i].battery_kw == 0);
        }
        gr_backtest_result_free(&result);
    }
    forget(&it);
}

static void hourly_settlement_sets_import_off_against_export(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 2, false, 14);
    it.tariff.settlement_minutes = 60;
    for (size_t i = 0; i < it.usage.count; i++) {
        it.usage.load_kw[i] = i % 2 ? 3 : 0;
        it.usage.solar_kw[i] = i % 2 ? 0 : 2;
    }
    struct gr_backtest_result result;
    run(&it, "none", &result);
    assert_near(result.total.import_kwh, 48 * 0.5, 1e-9);
    assert_near(result.total.export_kwh, 0, 1e-9);
    double cost = 0;
    for (int hour = 0; hour < 24; hour++) {
        cost += 2 * 0.5 * import_price(hour);
    }
    assert_near(result.total.import_cost, cost, 1e-9);
    gr_backtest_result_free(&result);
    forget(&it);
}

/* Adelaide's clock is half an hour beside UTC's: the first step is the second half of an hour there. */
static void settlement_and_peaks_go_by_the_local_hour(void **state)
{
    (void)state;
    struct made_up it;
    struct gr_backtest_result result;
    make_up(&it, 1800, 2, false, 16);
    gr_zone_free(it.zone);
    it.zone = load_zone("Australia/Adelaide");
    it.backtest.zone = it.zone;
    it.tariff.settlement_minutes = 60;
    it.tariff.peak =
        (struct gr_peak_charge){.any = true, .minutes = 60, .days = 1, .weekdays = 127, .per_kw = 31};
    for (size_t i = 0; i < it.usage.count; i++) {
        it.usage.load_kw[i] = i % 4 == 1 ? 3 : i % 4 == 2 ? 5 : 0; /* both in one hour */
        it.usage.solar_kw[i] = i % 4 == 3 ? 1 : 0;
    }
    run(&it, "none", &result);
    assert_near(result.months[0].peak_kw, 4, 1e-9);
    assert_near(result.total.import_kwh, 24 * 4, 1e-9);
    assert_near(result.total.export_kwh, 24 * 0.5, 1e-9);
    gr_backtest_result_free(&result);
    for (size_t i = 0; i < it.usage.count; i++) {
        it.usage.solar_kw[i] = i % 4 == 1 ? 8 : 0; /* sets the hour's load off whole */
    }
    run(&it, "none", &result);
    assert_near(result.total.import_kwh, 0, 1e-9);
    gr_backtest_result_free(&result);
    forget(&it);
}

/* No rule of a battery can beat it, and its flows balance step by step though it is solved hour by hour. */
static void under_hourly_settlement_foresight_is_still_the_bound(void **state)
{
    (void)state;
    for (uint64_t seed = 30; seed < 36; seed++) {
        struct made_up it;
        struct gr_backtest_result result, bound;
        make_up(&it, seed % 2 ? 900 : 1800, 6, seed % 3 == 0, seed);
        it.tariff.settlement_minutes = 60;
        it.usage.load_kw[50] = NAN;
        for (size_t i = 0; seed == 35 && i < it.usage.count; i++) {
            /* sun and load in turn set each other off: to store anything would only wear */
            it.usage.load_kw[i] = i % 2 ? 3 : 0;
            it.usage.solar_kw[i] = i % 2 ? 0 : 3;
        }
        run(&it, "foresight", &bound);
        check_balance(&it, &bound);
        for (size_t k = 0; k < 4; k++) {
            run(&it, strategies[k], &result);
            assert_true(bound.total_cost <= result.total_cost + 1e-6);
            gr_backtest_result_free(&result);
        }
        gr_backtest_result_free(&bound);
        forget(&it);
    }
}

/* Days of March have these hourly peaks; three of them are beyond 3 kW. */
static void set_peaks(struct made_up *it)
{
    static const double peak_kw[] = {2, 5, 3, 4, 1, 2, 2};
    for (size_t i = 0; i < it->usage.count; i++) {
        it->usage.load_kw[i] = 0.5;
        it->usage.solar_kw[i] = 0;
    }
    for (size_t day = 0; day < 7; day++) {
        it->usage.load_kw[day * 48 + 20] = peak_kw[day];
        it->usage.load_kw[day * 48 + 21] = peak_kw[day];
    }
}

static void a_peak_charge_goes_by_the_mean_of_the_highest_daily_peaks(void **state)
{
    (void)state;
    struct made_up it;
    struct gr_backtest_result result;
    make_up(&it, 1800, 7, false, 15);
    set_peaks(&it);
    it.tariff.peak =
        (struct gr_peak_charge){.any = true, .minutes = 60, .days = 3, .weekdays = 127, .per_kw = 31};
    run(&it, "none", &result);
    assert_near(result.months[0].peak_kw, (5 + 4 + 3) / 3.0, 1e-9);
    /* seven days of March's 31, but for the hour that Lisbon's short day moves into April */
    assert_near(result.months[0].peak_charge, 31.0 * 4 * 7 / 31, 1e-9);
    gr_backtest_result_free(&result);
    it.tariff.peak.step[0] = (struct gr_peak_step){3, 6.2};
    it.tariff.peak.step[1] = (struct gr_peak_step){5, 12.4};
    it.tariff.peak.step[2] = (struct gr_peak_step){10, 24.8};
    it.tariff.peak.step_count = 3;
    run(&it, "none", &result);
    assert_near(result.months[0].peak_charge, 12.4 * 7 / 31, 1e-9);
    gr_backtest_result_free(&result);
    it.tariff.peak.days = 1;
    it.tariff.peak.from_minute = 18 * 60;
    it.tariff.peak.to_minute = 20 * 60;
    run(&it, "none", &result);
    assert_near(result.months[0].peak_kw, 0.5, 1e-9);
    gr_backtest_result_free(&result);
    forget(&it);
}

/* Flows behind a shared inverter of 2 kW, written out once more. */
static void check_inverter(const struct gr_backtest_result *result)
{
    for (size_t i = 0; i < result->step_count; i++) {
        const struct gr_backtest_step *step = &result->steps[i];
        double dc_kw = step->solar_kw - step->curtail_kw - step->battery_kw;
        double ac_kw = dc_kw > 0 ? 0.95 * dc_kw : dc_kw / 0.94;
        assert_near(step->grid_kw, step->gap ? 0 : step->house_kw - ac_kw, 1e-9);
        assert_true(fabs(ac_kw) <= 2 + 1e-9);
    }
}

/* The sun is up to 4 kW: what is above the inverter's 2 kW is for the battery or lost. */
static void behind_a_shared_inverter_flows_balance_and_foresight_is_the_bound(void **state)
{
    (void)state;
    double planned = 0, follow = 0, best = 0;
    for (uint64_t seed = 41; seed < 45; seed++) {
        struct made_up it;
        struct gr_backtest_result result, bound;
        make_up(&it, 1800, 6, seed % 2, seed);
        it.tariff.settlement_minutes = seed % 3 == 0 ? 60 : 0;
        it.config.site.dc_coupled = true;
        it.config.site.inverter = (struct gr_dc_inverter){2, 0.95, 0.94};
        run(&it, "foresight", &bound);
        if (it.tariff.settlement_minutes == 0) {
            check_inverter(&bound);
        }
        for (size_t k = 0; k < 4; k++) {
            run(&it, strategies[k], &result);
            check_inverter(&result);
            assert_true(bound.total_cost <= result.total_cost + 1e-6);
            assert_true(result.faults == 0);
            planned += strcmp(strategies[k], "planned") == 0 ? result.total_cost : 0;
            follow += strcmp(strategies[k], "follow") == 0 ? result.total_cost : 0;
            gr_backtest_result_free(&result);
        }
        best += bound.total_cost;
        gr_backtest_result_free(&bound);
        forget(&it);
    }
    print_message("planned gets %.2f of what foresight saves against follow\n",
                  (follow - planned) / (follow - best));
    assert_true(follow - planned > 0.6 * (follow - best));
}

/* A house that takes 1 kW and has no sun: 6 kWh of the night at 0.30 kg, 18 of the day at 0.50 kg. */
static void carbon_is_summed_apart_from_the_money(void **state)
{
    (void)state;
    struct made_up it;
    struct gr_backtest_result result, free_of_it;
    make_up(&it, 1800, 2, false, 17);
    for (size_t i = 0; i < it.usage.count; i++) {
        it.usage.load_kw[i] = 1;
        it.usage.solar_kw[i] = 0;
    }
    run(&it, "none", &free_of_it);
    assert_true(isnan(free_of_it.total.import_co2_kg) && isnan(free_of_it.months[0].export_co2_kg));
    add_band(&it.tariff.carbon, 0, 6, 0.30);
    add_band(&it.tariff.carbon, 0, 24, 0.50);
    it.config.planning.carbon_price_per_kg = 0.20;
    run(&it, "none", &result);
    assert_near(result.total.import_co2_kg, 2 * (6 * 0.30 + 18 * 0.50), 1e-9);
    assert_near(result.total.export_co2_kg, 0, 0);
    assert_near(result.carbon_cost, 0.20 * result.total.import_co2_kg, 1e-12);
    assert_near(result.total_cost, free_of_it.total_cost, 1e-12);
    gr_backtest_result_free(&result);
    gr_backtest_result_free(&free_of_it);
    it.tariff.settlement_minutes = 60;
    for (size_t i = 0; i < it.usage.count; i++) {
        it.usage.solar_kw[i] = i % 2 ? 2 : 1.5; /* sells 0.75 kWh an hour */
    }
    it.config.planning.carbon_credits_export = true;
    run(&it, "none", &result);
    assert_near(result.total.import_co2_kg, 0, 0);
    assert_near(result.total.export_co2_kg, 2 * 0.75 * (6 * 0.30 + 18 * 0.50), 1e-9);
    assert_near(result.carbon_cost, -0.20 * result.total.export_co2_kg, 1e-12);
    gr_backtest_result_free(&result);
    forget(&it);
}

/* One price all day, but the night's kWh stands for less: only the carbon is worth a cycle, and only where it
 * counts. No other strategy has less of money and carbon together than foresight. */
static void a_price_on_carbon_moves_what_is_bought_and_foresight_stays_the_bound(void **state)
{
    (void)state;
    double co2_kg[2] = {0, 0};
    for (int priced = 0; priced < 2; priced++) {
        struct made_up it;
        struct gr_backtest_result result, bound;
        make_up(&it, 1800, 8, false, 18);
        memset(&it.tariff.import, 0, sizeof it.tariff.import);
        add_band(&it.tariff.import, 0, 24, 0.28);
        add_band(&it.tariff.carbon, 1, 6, 0.05);
        add_band(&it.tariff.carbon, 0, 24, 0.60);
        it.config.planning.carbon_price_per_kg = priced ? 0.40 : 0;
        run(&it, "foresight", &bound);
        for (size_t k = 0; k < 4; k++) {
            run(&it, strategies[k], &result);
            assert_true(gr_backtest_measure(&bound) <= gr_backtest_measure(&result) + 1e-6);
            co2_kg[priced] =
                strcmp(strategies[k], "planned") == 0 ? result.total.import_co2_kg : co2_kg[priced];
            gr_backtest_result_free(&result);
        }
        gr_backtest_result_free(&bound);
        forget(&it);
    }
    print_message("%.1f kg of carbon dioxide without a price on it, %.1f kg with one\n", co2_kg[0],
                  co2_kg[1]);
    assert_true(co2_kg[1] < 0.7 * co2_kg[0]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_bill_is_what_other_code_makes_of_the_flows),
        cmocka_unit_test(the_months_add_up_to_the_whole),
        cmocka_unit_test(gaps_are_left_out_and_counted),
        cmocka_unit_test(hourly_settlement_sets_import_off_against_export),
        cmocka_unit_test(settlement_and_peaks_go_by_the_local_hour),
        cmocka_unit_test(under_hourly_settlement_foresight_is_still_the_bound),
        cmocka_unit_test(a_peak_charge_goes_by_the_mean_of_the_highest_daily_peaks),
        cmocka_unit_test(behind_a_shared_inverter_flows_balance_and_foresight_is_the_bound),
        cmocka_unit_test(carbon_is_summed_apart_from_the_money),
        cmocka_unit_test(a_price_on_carbon_moves_what_is_bought_and_foresight_stays_the_bound),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
