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

#define TEST(function) cmocka_unit_test_setup_teardown(function, set_up_peak, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(a_peak_is_the_mean_import_of_an_interval_that_counts),
        TEST(a_cheap_night_is_used_slowly_where_the_peak_is_paid_for),
        TEST(a_peak_that_the_month_has_had_is_free_again),
        TEST(of_two_days_that_count_one_high_one_frees_nothing),
        TEST(a_charge_leaves_the_house_its_room_below_the_level),
        TEST(a_state_that_is_loaded_knows_of_the_peaks),
        TEST(a_stretch_without_length_or_power_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
