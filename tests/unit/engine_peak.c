/* The month's peaks: what is seen of them, and what a plan makes of what they cost. */
#include "check.h"

#include "engine_bench.h"

#include "engine/internal.h"

static const struct gr_peak_charge hourly = {
    .any = true, .minutes = 60, .days = 1, .weekdays = 127, .per_kw = 9};

static int set_up_peak(void **state)
{
    (void)set_up(state);
    struct bench *bench = *state;
    bench->config.peak = hourly;
    bench->config.planning.expectation.path_days = 3;
    bench->percent = 25;
    gr_engine_free(bench->engine);
    gr_zone_free(bench->zone);
    start_bench(bench);
    return 0;
}

/* ---- the meter ---- */

static void note(struct gr_peak_meter *meter, const struct gr_peak_charge *charge, const struct gr_zone *zone,
                 int hour, int minute, double grid_kw)
{
    int64_t from_s = midnight_s + hour * 3600 + minute * 60;
    gr_peak_meter_note(meter, charge, zone, from_s, from_s + 300, grid_kw);
}

static void a_peak_is_the_mean_import_of_an_interval_that_counts(void **state)
{
    struct bench *bench = *state;
    struct gr_peak_charge charge = hourly;
    struct gr_peak_meter meter = {0};
    charge.from_minute = 7 * 60;
    charge.to_minute = 20 * 60;
    for (int minute = 0; minute < 60; minute += 5) {
        note(&meter, &charge, bench->zone, 6, minute, 9); /* too early to count */
    }
    for (int minute = 0; minute < 60; minute += 5) {
        note(&meter, &charge, bench->zone, 7, minute, minute < 30 ? 6 : -6); /* what is fed in is no import */
    }
    note(&meter, &charge, bench->zone, 8, 0, 1);
    assert_near(meter.day_kw[10], 3, 1e-9);
    note(&meter, &charge, bench->zone, 8, 0, 50); /* told twice */
    note(&meter, &charge, bench->zone, 9, 0, 2);  /* of 8:00 to 9:00 five minutes are known */
    assert_near(meter.day_kw[10], 3, 1e-9);
    note(&meter, &charge, bench->zone, 10, 0, 0);
    assert_near(meter.day_kw[10], 3, 1e-9);
    note(&meter, &charge, bench->zone, 24 * 25 + 12, 0, 4); /* 4 April: another month */
    assert_near(meter.day_kw[10], 0, 0);
    note(&meter, &charge, bench->zone, 24 * 25 + 13, 0, 0);
    assert_near(meter.day_kw[4], 4, 1e-9);
}

/* 10 March 2026 is a Tuesday. */
static void hours_that_count_may_pass_midnight(void **state)
{
    (void)state;
    static const struct {
        int from_minute, to_minute, minute;
        unsigned weekdays;
        bool counts;
    } rows[] = {{0, 0, 0, 127, true},          {600, 600, 1000, 127, true},  {420, 1200, 419, 127, false},
                {420, 1200, 420, 127, true},   {420, 1200, 1199, 127, true}, {420, 1200, 1200, 127, false},
                {1320, 360, 1319, 127, false}, {1320, 360, 1320, 127, true}, {1320, 360, 0, 127, true},
                {1320, 360, 359, 127, true},   {1320, 360, 360, 127, false}, {1320, 360, 1320, 2, true},
                {1320, 360, 1320, 125, false}, {420, 1200, 600, 125, false}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_peak_charge charge = hourly;
        charge.from_minute = rows[i].from_minute;
        charge.to_minute = rows[i].to_minute;
        charge.weekdays = rows[i].weekdays;
        if (gr_peak_counts(&charge, midnight_s + rows[i].minute * 60) != rows[i].counts) {
            fail_msg("row %zu", i);
        }
    }
}

/* ---- the plan ---- */

static double highest_import_kw(const struct bench *bench)
{
    struct gr_plan_view view = gr_engine_plan_view(bench->engine);
    double most_kw = 0;
    for (size_t t = 0; t < view.count; t++) {
        most_kw = fmax(most_kw, view.slots[t].grid_kw);
    }
    return most_kw;
}

static void tell_metered(struct bench *bench, int64_t from_s, double grid_kw)
{
    struct gr_event event = {
        .kind = GR_EVENT_METERED, .at = bench->now, .of.metered = {from_s, from_s + 3600, grid_kw}};
    assert_int_equal(gr_engine_handle(bench->engine, &event, NULL), GR_OK);
}

static void a_cheap_night_is_used_slowly_where_the_peak_is_paid_for(void **state)
{
    struct bench *bench = *state;
    tick(bench);
    double with_kw = highest_import_kw(bench);
    bench->config.peak.any = false;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, NULL), GR_OK);
    pass(bench, 1);
    assert_true(highest_import_kw(bench) > 5);
    assert_true(with_kw < 4);
    assert_true(with_kw > 0.8);
}

static void a_peak_that_the_month_has_had_is_free_again(void **state)
{
    struct bench *bench = *state;
    tell_metered(bench, midnight_s - 5 * 86400, 12);
    tick(bench);
    assert_true(highest_import_kw(bench) > 5);
}

static void of_two_days_that_count_one_high_one_frees_nothing(void **state)
{
    struct bench *bench = *state;
    bench->config.peak.days = 2;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, NULL), GR_OK);
    tell_metered(bench, midnight_s - 5 * 86400, 12);
    tick(bench);
    assert_true(highest_import_kw(bench) < 4.5);
    tell_metered(bench, midnight_s - 4 * 86400, 12);
    pass(bench, 31);
    assert_true(highest_import_kw(bench) > 5);
}

/* A month costs 10 up to 2 kW, 30 up to 4 and 60 beyond: beyond 6 kW no kW costs anything more. */
static void under_steps_a_kw_costs_until_the_last_of_them(void **state)
{
    struct bench *bench = *state;
    bench->config.peak.step[0] = (struct gr_peak_step){2, 10};
    bench->config.peak.step[1] = (struct gr_peak_step){4, 30};
    bench->config.peak.step[2] = (struct gr_peak_step){6, 60};
    bench->config.peak.step_count = 3;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, NULL), GR_OK);
    tick(bench);
    assert_true(highest_import_kw(bench) < 4.5);
    bench->config.peak.days = 2;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, NULL), GR_OK);
    tell_metered(bench, midnight_s - 5 * 86400, 14); /* with none on another day the mean is 7 */
    pass(bench, 1);
    assert_true(highest_import_kw(bench) > 5);
}

static void a_charge_leaves_the_house_its_room_below_the_level(void **state)
{
    struct bench *bench = *state;
    tick(bench);
    pass(bench, 60);
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
    double quiet_kw = bench->decision.command.power_kw;
    assert_true(quiet_kw > 1 && quiet_kw + 0.8 < 4.5);
    assert_non_null(strstr(bench->decision.command.reason, "month's peak"));
    bench->house_kw = 2.3;
    pass(bench, 15);
    bool charges = bench->decision.command.kind == GR_CHARGE;
    assert_true(!charges || bench->decision.command.power_kw < quiet_kw - 0.5);
}

static void a_state_that_is_loaded_knows_of_the_peaks(void **state)
{
    struct bench *bench = *state;
    struct gr_engine *other = NULL;
    void *saved = calloc(1, gr_engine_state_size());
    tell_metered(bench, midnight_s - 5 * 86400, 12);
    tick(bench);
    gr_engine_save(bench->engine, saved);
    assert_int_equal(gr_engine_create(&other, &bench->config, bench->zone, 41, NULL), GR_OK);
    assert_int_equal(gr_engine_load(other, saved, NULL), GR_OK);
    gr_engine_free(bench->engine);
    bench->engine = other;
    pass(bench, 1);
    assert_true(highest_import_kw(bench) > 5);
    free(saved);
}

static void a_stretch_without_length_or_power_is_refused(void **state)
{
    struct bench *bench = *state;
    struct gr_event event = {
        .kind = GR_EVENT_METERED, .at = bench->now, .of.metered = {midnight_s, midnight_s, 1}};
    assert_int_equal(gr_engine_handle(bench->engine, &event, NULL), GR_INVALID);
    event.of.metered.to_s += 300;
    event.of.metered.grid_kw = NAN;
    assert_int_equal(gr_engine_handle(bench->engine, &event, NULL), GR_INVALID);
}

/* The day's peak after two hours that went as they go now. */
static double peak_of_now(struct bench *bench)
{
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, NULL), GR_OK);
    for (int minute = 0; minute < 140; minute++) {
        if (minute == 10) { /* the five minutes before are of another house */
            memset(&bench->engine->peak, 0, sizeof bench->engine->peak);
        }
        send(bench, GR_BATTERY_POWER, bench->battery_kw);
        if (bench->silent) {
            send(bench, GR_STATE_OF_CHARGE, bench->percent);
            send(bench, GR_HOUSE_POWER, bench->house_kw);
            send(bench, GR_SOLAR_POWER, bench->solar_kw);
        }
        pass(bench, 1);
    }
    return bench->engine->peak.day_kw[10];
}

/* 3 kW of the house, 1 of the car and 0.5 into the battery. */
static void without_a_meter_of_the_grid_its_power_follows_from_the_others(void **state)
{
    struct bench *bench = *state;
    bench->config.safety.max_age_s[GR_BATTERY_POWER] = 120;
    bench->house_kw = 3;
    bench->car_kw = 1;
    bench->battery_kw = 0.5;
    assert_near(peak_of_now(bench), 4.5, 1e-9);
    bench->config.safety.max_age_s[GR_CAR_POWER] = 0;
    assert_near(peak_of_now(bench), 3.5, 1e-9);
    bench->config.safety.max_age_s[GR_CAR_POWER] = 120;
    bench->silent = true; /* but for the three, and so of the car */
    assert_near(peak_of_now(bench), 3.5, 1e-9);
    bench->config.site.dc_coupled = true; /* an inverter between: nobody knows */
    bench->config.site.inverter = (struct gr_dc_inverter){6, 0.96, 0.95};
    assert_near(peak_of_now(bench), 0, 0);
}

/* Whoever keeps the past tells of it again, in intervals of the new length and hours. */
static void peaks_of_other_hours_are_forgotten_and_those_at_another_price_are_not(void **state)
{
    struct bench *bench = *state;
    struct gr_peak_charge changed[] = {hourly, hourly, hourly, hourly, hourly, hourly, hourly};
    changed[0].per_kw = 7;
    changed[1].days = 3;
    changed[2].any = false;
    changed[3].minutes = 15;
    changed[4].weekdays = 31;
    changed[5].from_minute = 420;
    changed[6].to_minute = 1200;
    for (size_t i = 0; i < sizeof changed / sizeof *changed; i++) {
        bench->config.peak = hourly;
        assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, NULL), GR_OK);
        memset(&bench->engine->peak, 0, sizeof bench->engine->peak);
        tell_metered(bench, midnight_s - 5 * 86400, 12);
        tell_metered(bench, midnight_s - 4 * 86400, 0);
        assert_near(bench->engine->peak.day_kw[5], 12, 1e-9);
        bench->config.peak = changed[i];
        assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, NULL), GR_OK);
        assert_near(bench->engine->peak.day_kw[5], i < 2 ? 12 : 0, 1e-9);
    }
    tell_metered(bench, midnight_s - 3 * 86400, 12);
    bench->config.peak.any = false;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, NULL), GR_OK);
    tell_metered(bench, midnight_s - 3 * 86400, 12); /* nobody asks */
    assert_int_equal(bench->engine->peak.until_s, 0);
}

#define TEST(function) cmocka_unit_test_setup_teardown(function, set_up_peak, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(a_peak_is_the_mean_import_of_an_interval_that_counts),
        TEST(hours_that_count_may_pass_midnight),
        TEST(a_cheap_night_is_used_slowly_where_the_peak_is_paid_for),
        TEST(a_peak_that_the_month_has_had_is_free_again),
        TEST(of_two_days_that_count_one_high_one_frees_nothing),
        TEST(under_steps_a_kw_costs_until_the_last_of_them),
        TEST(a_charge_leaves_the_house_its_room_below_the_level),
        TEST(a_state_that_is_loaded_knows_of_the_peaks),
        TEST(without_a_meter_of_the_grid_its_power_follows_from_the_others),
        TEST(peaks_of_other_hours_are_forgotten_and_those_at_another_price_are_not),
        TEST(a_stretch_without_length_or_power_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
