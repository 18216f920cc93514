/* What the daemon keeps in a real store, and what a new engine knows of it. */
#include "engine_bench.h"

#include "daemon/keeper.h"
#include "engine/internal.h"
#include "store_file.h"

struct kept {
    struct store_file at;
    struct gr_outputs outputs;
    struct gr_keeper *keeper;
    struct bench *bench;
};

static void open_keeper(struct kept *kept)
{
    struct gr_error error = {""};
    assert_int_equal(gr_keeper_create(&kept->keeper, &kept->outputs, kept->bench->now.utc_s, &error), GR_OK);
    assert_non_null(gr_keeper_store(kept->keeper));
}

static int set_up_kept(void **state)
{
    struct kept *kept = calloc(1, sizeof *kept);
    (void)set_up(state);
    kept->bench = *state;
    kept->bench->config.peak =
        (struct gr_peak_charge){.any = true, .minutes = 60, .days = 1, .weekdays = 127, .per_kw = 9};
    assert_int_equal(store_file_make(&kept->at), 0);
    (void)snprintf(kept->outputs.state_directory, sizeof kept->outputs.state_directory, "%s",
                   kept->at.folder);
    kept->outputs.keep_days = kept->outputs.keep_days_fine = 400;
    open_keeper(kept);
    *state = kept;
    return 0;
}

static int tear_down_kept(void **state)
{
    struct kept *kept = *state;
    void *bench = kept->bench;
    gr_keeper_free(kept->keeper);
    store_file_remove(&kept->at);
    free(kept);
    return tear_down(&bench);
}

/* So many five minutes from a time of a day of March on, as they came out of the engine. */
static void keep_metered(struct kept *kept, int day, int hour, int minute, int count, double grid_kw)
{
    int64_t from_s = midnight_s + (day - 10) * 86400 + hour * 3600 + minute * 60;
    for (int i = 0; i < count; i++) {
        struct gr_decision decision = {
            .fine_due = true,
            .fine.means = {.start_s = from_s + i * (int64_t)GR_FINE_STEP_S, .grid_kw = grid_kw}};
        kept->bench->now.mono_ms += 300000;
        gr_keeper_note(kept->keeper, &decision, &kept->outputs, &kept->bench->now);
    }
}

/* The process ends, and one begins that has nothing but the store. Returns its peaks by the day. */
static const double *start_anew(struct kept *kept)
{
    struct bench *bench = kept->bench;
    gr_keeper_free(kept->keeper);
    gr_engine_free(bench->engine);
    gr_zone_free(bench->zone);
    start_bench(bench);
    open_keeper(kept);
    gr_keeper_restore_peaks(kept->keeper, bench->engine, &bench->now);
    gr_peak_meter_note(&bench->engine->peak, &bench->config.peak, bench->zone, bench->now.utc_s + 3600,
                       bench->now.utc_s + 7200, 0); /* ends the interval that was open */
    return bench->engine->peak.day_kw;
}

static void the_month_s_peaks_are_known_again_after_a_restart(void **state)
{
    struct kept *kept = *state;
    keep_metered(kept, 0, 18, 0, 12, 11); /* the last day of February */
    keep_metered(kept, 3, 6, 55, 1, 8);
    keep_metered(kept, 3, 7, 0, 12, 5);
    keep_metered(kept, 3, 8, 0, 12, 2);
    keep_metered(kept, 9, 20, 0, 6, 6); /* half an hour at 6 kW, half an hour that feeds in */
    keep_metered(kept, 9, 20, 30, 6, -4);
    const double *day_kw = start_anew(kept);
    assert_near(day_kw[3], 8, 1e-9);
    assert_near(day_kw[9], 3, 1e-9);
    double sum_kw = 0;
    for (int day = 0; day < GR_MONTH_DAYS; day++) {
        sum_kw += day_kw[day];
    }
    assert_near(sum_kw, 11, 1e-9);
}

static void what_the_meter_did_not_tell_of_is_in_no_peak(void **state)
{
    struct kept *kept = *state;
    keep_metered(kept, 3, 7, 0, 3, 6);
    keep_metered(kept, 3, 7, 15, 6, NAN);
    keep_metered(kept, 3, 7, 45, 3, 4);
    keep_metered(kept, 10, 0, 0, 1, 20); /* the clock was put back: not over yet */
    const double *day_kw = start_anew(kept);
    assert_near(day_kw[3], 5, 1e-9);
    assert_near(day_kw[10], 0, 0);
}

static void peaks_of_a_quarter_of_an_hour_are_not_those_of_the_hour(void **state)
{
    struct kept *kept = *state;
    kept->bench->config.peak.minutes = 15;
    keep_metered(kept, 3, 7, 0, 6, 2);
    keep_metered(kept, 3, 7, 30, 3, 7);
    keep_metered(kept, 3, 7, 45, 3, 1);
    assert_near(start_anew(kept)[3], 7, 1e-9);
}

#define TEST(function) cmocka_unit_test_setup_teardown(function, set_up_kept, tear_down_kept)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(the_month_s_peaks_are_known_again_after_a_restart),
        TEST(what_the_meter_did_not_tell_of_is_in_no_peak),
        TEST(peaks_of_a_quarter_of_an_hour_are_not_those_of_the_hour),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
