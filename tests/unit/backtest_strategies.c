/* The ways to run a battery: what each does, which is cheaper, and what is refused. */
#include "backtest_house.h"
#include "check.h"

#include "granary/within.h"

static struct gr_backtest_result run(struct made_up *it, const char *strategy)
{
    struct gr_backtest_result result;
    struct gr_error error = {""};
    it->strategy = strategy_named(strategy);
    if (gr_backtest_run(&result, &it->backtest, &error) != GR_OK) {
        fail_msg("%s: %s", strategy, error.text);
    }
    return result;
}

static double cost_of(struct made_up *it, const char *strategy)
{
    struct gr_backtest_result result = run(it, strategy);
    double cost = result.total_cost;
    gr_backtest_result_free(&result);
    return cost;
}

static void nothing_is_cheaper_than_foresight_and_planned_beats_the_plain_rules(void **state)
{
    (void)state;
    for (int tables = 0; tables < 2; tables++) {
        struct made_up it;
        make_up(&it, 1800, 35, tables, 31);
        double none = cost_of(&it, "none"), follow = cost_of(&it, "follow"),
               fill = cost_of(&it, "night-fill");
        double planned = cost_of(&it, "planned"), foresight = cost_of(&it, "foresight");
        print_message("%s: none %.2f follow %.2f night-fill %.2f planned %.2f foresight %.2f\n",
                      it.tariff.name, none, follow, fill, planned, foresight);
        assert_true(foresight < planned && foresight < fill && foresight < follow);
        assert_true(planned < fill && planned < follow && follow < none);
        forget(&it);
    }
}

static void give_curves(struct gr_battery_curves *curves)
{
    curves->charge_power = (struct gr_curve_points){3, {0, 5, 10}, {4, 4, 0.8}};
    curves->discharge_power = (struct gr_curve_points){2, {1, 4}, {1, 5}};
    curves->charge_loss = (struct gr_curve_points){2, {0, 4}, {0.04, 0.3}};
    curves->discharge_loss = (struct gr_curve_points){2, {0, 5}, {0.04, 0.4}};
    curves->wear_steps = (struct gr_curve_points){2, {0, 3}, {0.05, 0.01}};
}

/* What a step took from the store, by the loss that goes with its power. */
static double taken_kwh(const struct gr_backtest_step *step)
{
    double kw = fmax(0, -step->battery_kw);
    return kw > 0 ? 0.5 * (kw + 0.04 + 0.36 * kw / 5) : 0;
}

static double wear_of(const struct gr_backtest_step *step, double before_kwh, double wear_per_kwh)
{
    double level_kwh = before_kwh - taken_kwh(step);
    return 0.5 * fmax(0, -step->battery_kw) * wear_per_kwh +
           0.05 * (fmin(3, before_kwh) - fmin(3, level_kwh)) +
           0.01 * (fmax(3, before_kwh) - fmax(3, level_kwh));
}

static void a_battery_with_curves_is_planned_and_billed_as_it_is(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 6, true, 36);
    give_curves(&it.config.site.curves);
    struct gr_backtest_result result = run(&it, "planned");
    double before_kwh = result.start_kwh, wear = 0;
    assert_int_equal(result.faults, 0);
    for (size_t i = 0; i < result.step_count; i++) {
        const struct gr_backtest_step *step = &result.steps[i];
        wear += wear_of(step, before_kwh, it.config.site.battery.wear_per_kwh);
        assert_true(before_kwh < 5 || step->battery_kw <= 3.2 / log(5) + 1e-9);
        before_kwh = step->stored_kwh;
    }
    assert_near(result.total.wear_cost, wear, 1e-9);
    assert_true(cost_of(&it, "foresight") < result.total_cost && result.total_cost < cost_of(&it, "follow"));
    gr_backtest_result_free(&result);
    forget(&it);
}

/* Levels go with the capacity, powers do not: above 2.5 of 5 kWh as above 5 of 10. */
static void a_battery_of_another_size_tapers_at_the_same_state_of_charge(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 3, false, 37);
    give_curves(&it.config.site.curves);
    it.backtest.capacity_kwh = 5;
    struct gr_backtest_result result = run(&it, "planned");
    size_t seen = 0;
    for (size_t i = 1; i < result.step_count; i++) {
        bool high = result.steps[i - 1].stored_kwh > 2.5;
        seen += high && result.steps[i].battery_kw > 0;
        assert_true(!high || result.steps[i].battery_kw <= 3.2 / log(5) + 1e-9);
    }
    assert_true(seen > 3);
    gr_backtest_result_free(&result);
    forget(&it);
}

static void the_engine_decides_every_slot_without_a_fault(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 8, true, 32);
    struct gr_backtest_result result = run(&it, "planned");
    assert_int_equal(result.decisions, 8 * 48);
    assert_int_equal(result.plans, 8 * 48);
    assert_int_equal(result.faults, 0);
    gr_backtest_result_free(&result);
    forget(&it);
}

static void night_fill_fills_in_the_cheapest_hours_holds_and_follows(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 4, false, 33);
    struct gr_backtest_result result = run(&it, "night-fill");
    for (size_t i = 0; i < result.step_count; i++) {
        const struct gr_backtest_step *step = &result.steps[i];
        int hour = (int)(gr_zone_local_s(it.zone, step->start_s) % 86400 / 3600);
        bool night = hour >= 1 && hour < 6;
        assert_true(night ? step->kind == GR_CHARGE || step->kind == GR_STORE : step->kind == GR_FOLLOW);
        if (hour == 5) {
            assert_true(step->stored_kwh > 9.98);
        }
    }
    gr_backtest_result_free(&result);
    forget(&it);
}

static void night_fill_stops_at_its_level(void **state)
{
    (void)state;
    struct made_up it;
    struct gr_backtest_result result;
    make_up(&it, 1800, 4, false, 34);
    it.strategy = strategy_named("night-fill");
    it.strategy.fill_percent = 60;
    assert_int_equal(gr_backtest_run(&result, &it.backtest, NULL), GR_OK);
    double greatest = 0;
    for (size_t i = 0; i < result.step_count; i++) {
        if (result.steps[i].kind == GR_CHARGE) {
            greatest = fmax(greatest, result.steps[i].stored_kwh);
        }
    }
    assert_near(greatest, 6, 1e-9);
    gr_backtest_result_free(&result);
    forget(&it);
}

static void with_one_price_all_day_night_fill_only_follows(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 3, false, 35);
    memset(&it.tariff.import, 0, sizeof it.tariff.import);
    add_band(&it.tariff.import, 0, 24, 0.3);
    assert_near(cost_of(&it, "night-fill"), cost_of(&it, "follow"), 1e-12);
    forget(&it);
}

static struct gr_backtest_result run_wish(struct made_up *it, void (*wish)(struct gr_strategy *strategy))
{
    struct gr_backtest_result result;
    struct gr_error error = {""};
    it->strategy = strategy_named("planned");
    wish(&it->strategy);
    if (gr_backtest_run(&result, &it->backtest, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
    return result;
}

static void forbid_export(struct gr_strategy *strategy)
{
    strategy->may_export = 0;
}

static void ask_much_for_export(struct gr_strategy *strategy)
{
    strategy->least_gain_per_exported_kwh = 5;
}

static void export_late(struct gr_strategy *strategy)
{
    strategy->export_from_minute = 19 * 60;
    strategy->export_to_minute = 1 * 60;
}

static void be_shy_of_wear(struct gr_strategy *strategy)
{
    strategy->wear_per_kwh = 0.12;
}

static void keep_half(struct gr_strategy *strategy)
{
    strategy->reserve_percent = 50;
}

static size_t count_exports(const struct gr_backtest_result *result, int from_hour, int to_hour,
                            const struct gr_zone *zone)
{
    size_t count = 0;
    for (size_t i = 0; i < result->step_count; i++) {
        int hour = (int)(gr_zone_local_s(zone, result->steps[i].start_s) % 86400 / 3600);
        count += result->steps[i].kind == GR_EXPORT && hour >= from_hour && hour < to_hour;
    }
    return count;
}

static void a_strategy_says_when_the_battery_may_feed_the_grid(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 12, false, 36);
    it.tariff.export.source[0].bands.band[0].price_per_kwh = 0.42;
    struct gr_backtest_result plain = run(&it, "planned");
    struct gr_backtest_result none = run_wish(&it, forbid_export), dear = run_wish(&it, ask_much_for_export);
    struct gr_backtest_result late = run_wish(&it, export_late);
    assert_true(count_exports(&plain, 17, 20, it.zone) > count_exports(&plain, 19, 20, it.zone));
    assert_int_equal(count_exports(&none, 0, 24, it.zone), 0);
    assert_int_equal(count_exports(&dear, 0, 24, it.zone), 0);
    assert_true(count_exports(&late, 19, 24, it.zone) > 0);
    assert_int_equal(count_exports(&late, 1, 19, it.zone), 0);
    gr_backtest_result_free(&plain);
    gr_backtest_result_free(&none);
    gr_backtest_result_free(&dear);
    gr_backtest_result_free(&late);
    forget(&it);
}

/* Energy bought over a period without sun, in which nothing but the battery could be sold. */
static double bought_without_sun(void (*wish)(struct gr_strategy *strategy), double export_price)
{
    struct made_up it;
    make_up(&it, 1800, 6, false, 38);
    memset(it.usage.solar_kw, 0, it.usage.count * sizeof *it.usage.solar_kw);
    it.config.site.array_count = 0;
    it.tariff.export.source[0].bands.band[0].price_per_kwh = export_price;
    struct gr_backtest_result result = run_wish(&it, wish);
    double bought_kwh = result.total.import_kwh;
    gr_backtest_result_free(&result);
    forget(&it);
    return bought_kwh;
}

static void wish_nothing(struct gr_strategy *strategy)
{
    (void)strategy;
}

static void where_nothing_may_be_sold_no_energy_is_bought_to_be_sold(void **state)
{
    (void)state;
    assert_true(bought_without_sun(wish_nothing, 0.9) > 1.1 * bought_without_sun(wish_nothing, 0));
    assert_near(bought_without_sun(forbid_export, 0.9), bought_without_sun(forbid_export, 0), 1e-6);
}

static void a_charge_is_not_kept_once_its_reason_is_gone(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 12, false, 40);
    memset(it.usage.solar_kw, 0, it.usage.count * sizeof *it.usage.solar_kw);
    it.config.site.array_count = 0;
    it.tariff.import.source[0].bands.band[1].price_per_kwh = 0.28; /* a cheap night, else one price */
    for (size_t i = 0; i < it.usage.count; i++) {
        it.usage.load_kw[i] += 1; /* empties the battery with hours to spare: discharging can wait */
    }
    struct gr_backtest_result result = run(&it, "planned");
    double cheapest = INFINITY, dearest = 0;
    size_t cheap = 0, dear = 0;
    for (size_t i = 0; i < result.step_count; i++) {
        cheapest = fmin(cheapest, result.steps[i].import_price);
        dearest = fmax(dearest, result.steps[i].import_price);
    }
    for (size_t i = 0; i < result.step_count; i++) {
        bool charges = result.steps[i].kind == GR_CHARGE;
        cheap += charges && result.steps[i].import_price == cheapest;
        dear += charges && result.steps[i].import_price == dearest;
    }
    assert_true(cheap > 12);
    assert_int_equal(dear, 0);
    gr_backtest_result_free(&result);
    forget(&it);
}

static void cycle_less(struct gr_strategy *strategy)
{
    strategy->cycles_per_day = 0.4;
}

static void cycle_at_will(struct gr_strategy *strategy)
{
    strategy->cycles_per_day = 20;
}

static void a_bound_on_cycles_is_kept_on_the_long_run_and_used(void **state)
{
    (void)state;
    struct made_up it;
    const int days = 12;
    make_up(&it, 1800, days, false, 39);
    struct gr_backtest_result plain = run(&it, "planned");
    struct gr_backtest_result loose = run_wish(&it, cycle_at_will), tight = run_wish(&it, cycle_less);
    assert_true(plain.cycles > 0.6 * days);
    assert_near(loose.total_cost, plain.total_cost, 0);
    assert_true(tight.cycles < 0.5 * days && tight.cycles > 0.3 * days);
    assert_true(tight.total_cost > plain.total_cost);
    /* the bill knows of wear, not of the price on cycles */
    assert_near(tight.total.wear_cost, tight.total.discharge_kwh * it.config.site.battery.wear_per_kwh, 1e-9);
    gr_backtest_result_free(&plain);
    gr_backtest_result_free(&loose);
    gr_backtest_result_free(&tight);
    forget(&it);
}

static void a_strategy_may_spare_the_battery(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 12, false, 37);
    struct gr_backtest_result plain = run(&it, "planned"), shy = run_wish(&it, be_shy_of_wear);
    struct gr_backtest_result kept = run_wish(&it, keep_half);
    assert_true(shy.cycles < plain.cycles);
    /* the bill counts the battery's own wear, whatever the planner was told */
    assert_near(shy.total.wear_cost, 0.02 * shy.total.discharge_kwh, 1e-9);
    for (size_t i = 0; i < kept.step_count; i++) {
        /* it loses what stands, and is filled up once it lacks 2 % of its capacity */
        assert_true(kept.steps[i].stored_kwh >= 5 - 0.25);
    }
    gr_backtest_result_free(&plain);
    gr_backtest_result_free(&shy);
    gr_backtest_result_free(&kept);
    forget(&it);
}

static void without_a_solar_series_there_is_no_sun(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 5, false, 38);
    free(it.usage.solar_kw);
    it.usage.solar_kw = NULL;
    struct gr_backtest_result result = run(&it, "planned");
    assert_true(result.total.solar_kwh == 0);
    assert_int_equal(result.faults, 0);
    gr_backtest_result_free(&result);
    forget(&it);
}

static void usage_before_the_period_is_history(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 1800, 30, false, 39);
    it.backtest.from_s += 20 * 86400;
    for (size_t hour = 0; hour < 24; hour++) {
        it.config.planning.expectation.house_kw[hour] = 4; /* far off */
    }
    double taught = cost_of(&it, "planned");
    struct gr_usage whole = it.usage;
    it.usage.start_s = it.backtest.from_s;
    it.usage.count -= 20 * 48;
    it.usage.load_kw += 20 * 48;
    it.usage.solar_kw += 20 * 48;
    double untaught = cost_of(&it, "planned");
    it.usage = whole;
    assert_true(taught < untaught);
    forget(&it);
}

static void five_minute_usage_is_lived_through_below_the_slot(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 300, 4, false, 40);
    struct gr_backtest_result result = run(&it, "planned");
    assert_int_equal(result.step_count, 4 * 288);
    assert_int_equal(result.decisions, 4 * 48);
    for (size_t i = 1; i < result.step_count; i++) {
        assert_true(i % 6 == 0 || result.steps[i].kind == result.steps[i - 1].kind);
    }
    gr_backtest_result_free(&result);
    forget(&it);
}

static void usage_is_cut_where_prices_change_inside_its_steps(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 3600, 2, true, 41);
    int64_t to_s = it.backtest.to_s;
    assert_int_equal(gr_backtest_step_for(&it.tariff, it.zone, made_up_start_s, to_s, 3600), 1800);
    assert_int_equal(gr_backtest_step_for(&it.tariff, it.zone, made_up_start_s, to_s, 900), 900);
    double first = it.usage.load_kw[0], second = it.usage.load_kw[1];
    assert_int_equal(gr_backtest_split(&it.usage, 1800), GR_OK);
    assert_int_equal(it.usage.count, 96);
    assert_true(it.usage.load_kw[1] == first && it.usage.load_kw[2] == second);
    assert_int_equal(gr_backtest_split(&it.usage, 1000), GR_INVALID);
    gr_backtest_tariff_free(&it.tariff);
    fill_bands(&it.tariff);
    assert_int_equal(gr_backtest_step_for(&it.tariff, it.zone, made_up_start_s, to_s, 3600), 3600);
    forget(&it);
}

static void a_spread_inside_the_slots_keeps_their_energy_and_its_past(void **state)
{
    (void)state;
    struct made_up it, cut;
    make_up(&it, 3600, 3, false, 44);
    make_up(&cut, 3600, 3, false, 44);
    cut.usage.count = 30;
    struct gr_usage coarse = made_up_usage(it.zone, made_up_start_s, 3600, 3, 44);
    it.usage.load_kw[7] = coarse.load_kw[7] = NAN;
    assert_int_equal(gr_backtest_spread(&it.usage, 9, NULL), GR_OK);
    assert_int_equal(gr_backtest_spread(&cut.usage, 9, NULL), GR_OK);
    assert_int_equal(it.usage.count, 12 * coarse.count);
    for (size_t i = 0; i < coarse.count; i++) {
        double load = 0, solar = 0;
        for (size_t k = 12 * i; k < 12 * i + 12; k++) {
            load += it.usage.load_kw[k] / 12;
            solar += it.usage.solar_kw[k] / 12;
            assert_true(k >= 360 || i == 7 || it.usage.load_kw[k] == cut.usage.load_kw[k]);
        }
        assert_true(i == 7 ? isnan(load) : fabs(load - coarse.load_kw[i]) < 1e-12);
        assert_near(solar, coarse.solar_kw[i], 1e-12);
    }
    assert_true(it.usage.load_kw[0] != it.usage.load_kw[1]);
    gr_usage_free(&coarse);
    forget(&it);
    forget(&cut);
}

static void a_spread_that_was_learned_has_the_courses_of_the_past(void **state)
{
    (void)state;
    enum { STEPS = 12 * 400 };
    static double kw[STEPS];
    struct made_up it;
    struct gr_within learned;
    make_up(&it, 3600, 3, false, 44);
    for (size_t i = 0; i < STEPS; i++) {
        kw[i] = i % 12 == 5 ? 2.2 : 0.1; /* always the same part of the hour */
    }
    struct gr_series fine = {.start_s = made_up_start_s, .step_s = 300, .count = STEPS, .kw = kw};
    assert_int_equal(gr_within_learn(&learned, &fine, 3600, NULL), GR_OK);
    struct gr_usage coarse = made_up_usage(it.zone, made_up_start_s, 3600, 3, 44);
    assert_int_equal(gr_backtest_spread(&it.usage, 9, &learned), GR_OK);
    for (size_t i = 0; i < it.usage.count; i++) {
        double share = i % 12 == 5 ? 2.2 / (3.3 / 12) : 0.1 / (3.3 / 12);
        assert_near(it.usage.load_kw[i], share * coarse.load_kw[i / 12], 1e-9);
    }
    gr_within_free(&learned);
    gr_usage_free(&coarse);
    forget(&it);
}

static void missing_prices_are_an_error_that_names_the_part(void **state)
{
    (void)state;
    struct made_up it;
    struct gr_backtest_result result;
    struct gr_error error = {""};
    make_up(&it, 1800, 4, true, 42);
    struct gr_rate_table *table = &it.tariff.export.source[0].table;
    memmove(table->rates + 50, table->rates + 53, (table->count - 53) * sizeof *table->rates);
    table->count -= 3;
    it.strategy = strategy_named("follow");
    assert_int_equal(gr_backtest_run(&result, &it.backtest, &error), GR_NOT_FOUND);
    assert_says(error.text,
                "export prices are missing from 2024-03-26T01:00:00+00:00 to 2024-03-26T02:30:00+00:00");
    assert_int_equal(gr_backtest_tariff_check(&it.tariff, it.zone, made_up_start_s + 2 * 86400,
                                              made_up_start_s + 3 * 86400, &error),
                     GR_OK);
    forget(&it);
}

static void check_refused(struct made_up *it, const char *words)
{
    struct gr_backtest_result result;
    struct gr_error error = {""};
    assert_int_equal(gr_backtest_run(&result, &it->backtest, &error), GR_INVALID);
    assert_says(error.text, words);
}

static void settings_that_make_no_sense_are_refused(void **state)
{
    (void)state;
    struct made_up it;
    make_up(&it, 3600, 4, false, 43);
    it.strategy = strategy_named("planned");
    it.backtest.to_s += 3600;
    check_refused(&it, "whole steps inside the usage");
    it.backtest.to_s -= 3600;
    it.tariff.peak =
        (struct gr_peak_charge){.any = true, .minutes = 15, .days = 1, .weekdays = 127, .per_kw = 1};
    check_refused(&it, "steps of 60 minutes cannot tell");
    it.tariff.peak.any = false;
    it.strategy.reserve_percent = 5;
    check_refused(&it, "below the battery's reserve");
    it.strategy = strategy_named("planned");
    it.strategy.may_export = 1;
    it.config.site.grid.export_limit_kw = 0;
    check_refused(&it, "may_export");
    forget(&it);
}

static void the_share_is_nothing_for_follow_and_one_for_foresight(void **state)
{
    (void)state;
    struct gr_backtest_result follow = {.total_cost = 500}, foresight = {.total_cost = 300};
    struct gr_backtest_result between = {.total_cost = 350};
    assert_near(gr_backtest_share_of_foresight(&follow, &follow, &foresight), 0, 1e-12);
    assert_near(gr_backtest_share_of_foresight(&foresight, &follow, &foresight), 1, 1e-12);
    assert_near(gr_backtest_share_of_foresight(&between, &follow, &foresight), 0.75, 1e-12);
    assert_true(isnan(gr_backtest_share_of_foresight(&between, &follow, &follow)));
}

static void foresight_is_the_bound_where_it_is_proven_within_a_thousandth_of_the_bill(void **state)
{
    (void)state;
    struct gr_backtest_result foresight = {
        .total = {.import_cost = 700, .peak_charge = 200, .standing_charge = 100, .export_income = 900}};
    foresight.may_be_less = 0.99;
    assert_true(gr_backtest_foresight_is_bound(&foresight));
    foresight.may_be_less = 1.01;
    assert_false(gr_backtest_foresight_is_bound(&foresight));
}

/* What it says that it may cost less is no guess: no strategy gets below that. */
static void under_a_peak_charge_no_strategy_is_cheaper_than_foresight_may_be(void **state)
{
    (void)state;
    static const char *const strategies[] = {"none", "follow", "night-fill", "planned"};
    static const struct gr_peak_charge charges[] = {
        {.any = true, .minutes = 60, .days = 1, .weekdays = 127, .per_kw = 9},
        {.any = true,
         .minutes = 60,
         .days = 3,
         .from_minute = 420,
         .to_minute = 1320,
         .weekdays = 31,
         .per_kw = 9},
        {.any = true,
         .minutes = 30,
         .days = 2,
         .weekdays = 127,
         .step = {{1, 5}, {2, 12}, {4, 30}},
         .step_count = 3}};
    for (size_t c = 0; c < sizeof charges / sizeof *charges; c++) {
        struct made_up it;
        struct gr_backtest_result foresight, result;
        make_up(&it, 1800, 12, false, 77 + c);
        it.tariff.peak = charges[c];
        foresight = run(&it, "foresight");
        assert_true(foresight.may_be_less >= 0 &&
                    foresight.may_be_less < 0.2 * foresight.total.import_cost + 5);
        for (size_t k = 0; k < 4; k++) {
            result = run(&it, strategies[k]);
            assert_true(result.total_cost >= foresight.total_cost - foresight.may_be_less - 1e-6);
            gr_backtest_result_free(&result);
        }
        gr_backtest_result_free(&foresight);
        forget(&it);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(foresight_is_the_bound_where_it_is_proven_within_a_thousandth_of_the_bill),
        cmocka_unit_test(under_a_peak_charge_no_strategy_is_cheaper_than_foresight_may_be),
        cmocka_unit_test(nothing_is_cheaper_than_foresight_and_planned_beats_the_plain_rules),
        cmocka_unit_test(a_battery_with_curves_is_planned_and_billed_as_it_is),
        cmocka_unit_test(a_battery_of_another_size_tapers_at_the_same_state_of_charge),
        cmocka_unit_test(the_engine_decides_every_slot_without_a_fault),
        cmocka_unit_test(night_fill_fills_in_the_cheapest_hours_holds_and_follows),
        cmocka_unit_test(night_fill_stops_at_its_level),
        cmocka_unit_test(with_one_price_all_day_night_fill_only_follows),
        cmocka_unit_test(a_strategy_says_when_the_battery_may_feed_the_grid),
        cmocka_unit_test(where_nothing_may_be_sold_no_energy_is_bought_to_be_sold),
        cmocka_unit_test(a_charge_is_not_kept_once_its_reason_is_gone),
        cmocka_unit_test(a_bound_on_cycles_is_kept_on_the_long_run_and_used),
        cmocka_unit_test(a_strategy_may_spare_the_battery),
        cmocka_unit_test(without_a_solar_series_there_is_no_sun),
        cmocka_unit_test(usage_before_the_period_is_history),
        cmocka_unit_test(five_minute_usage_is_lived_through_below_the_slot),
        cmocka_unit_test(usage_is_cut_where_prices_change_inside_its_steps),
        cmocka_unit_test(a_spread_inside_the_slots_keeps_their_energy_and_its_past),
        cmocka_unit_test(a_spread_that_was_learned_has_the_courses_of_the_past),
        cmocka_unit_test(missing_prices_are_an_error_that_names_the_part),
        cmocka_unit_test(settings_that_make_no_sense_are_refused),
        cmocka_unit_test(the_share_is_nothing_for_follow_and_one_for_foresight),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
