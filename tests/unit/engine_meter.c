/* Means over half hours and five minutes. */
#include "check.h"

#include "engine/internal.h"

static const int64_t noon_s = 1773144000; /* 2026-03-10T12:00:00Z */

struct run {
    struct gr_meter meter;
    struct gr_moment now;
    double seen[GR_METERS];
    struct gr_decision decision;
    int halves, fines;
};

static void begin(struct run *run, int64_t utc_s)
{
    memset(run, 0, sizeof *run);
    gr_meter_init(&run->meter);
    run->now = (struct gr_moment){.utc_s = utc_s, .mono_ms = 5000, .synchronised = true};
}

static void turn(struct run *run, int64_t seconds)
{
    run->now.utc_s += seconds;
    run->now.mono_ms += seconds * 1000;
    gr_meter_turn(&run->meter, &run->now, run->seen, &run->decision);
    run->halves += run->decision.record_due;
    run->fines += run->decision.fine_due;
}

static void see(struct run *run, double house_kw, double percent)
{
    run->seen[GR_METER_HOUSE] = house_kw;
    run->seen[GR_METER_PERCENT] = percent;
}

static void five_minutes_end_in_one_record_with_means_and_samples(void **state)
{
    (void)state;
    struct run run;
    begin(&run, noon_s);
    see(&run, 2, 40);
    turn(&run, 0);
    for (int i = 0; i < 29; i++) {
        gr_meter_count(&run.meter, GR_METER_HOUSE);
        if (i == 14) {
            see(&run, 4, 60);
        }
        turn(&run, 10);
        assert_false(run.decision.fine_due);
    }
    gr_meter_count(&run.meter, GR_METER_PERCENT);
    turn(&run, 10);
    assert_true(run.decision.fine_due);
    assert_false(run.decision.record_due);
    const struct gr_fine_record *fine = &run.decision.fine;
    assert_int_equal(fine->means.start_s, noon_s);
    assert_near(fine->means.house_kw, 3, 1e-9); /* 150 s of each, from the turn on at which it was seen */
    assert_near(fine->means.state_of_charge_percent, 50, 1e-9);
    assert_int_equal(fine->samples.house, 29);
    assert_int_equal(fine->samples.state_of_charge, 1);
    assert_int_equal(fine->samples.grid, 0);
    for (int i = 0; i < 30; i++) {
        turn(&run, 10);
    }
    assert_int_equal(run.fines, 2);
    assert_int_equal(fine->means.start_s, noon_s + 300);
    assert_int_equal(fine->samples.house, 0);
    assert_near(fine->means.house_kw, 4, 1e-9);
}

static void turns_need_not_meet_the_bounds(void **state)
{
    (void)state;
    struct run run;
    begin(&run, noon_s + 7);
    see(&run, 1, 50);
    turn(&run, 0);
    for (int i = 0; i < 300; i++) {
        see(&run, 1 + i % 3, 50 + i % 2);
        turn(&run, 13);
    }
    assert_int_equal(run.fines, 13); /* 3907 s after noon: 13 bounds of 300 s, 2 of 1800 s */
    assert_int_equal(run.halves, 2);
}

static void the_mean_of_six_five_minutes_is_that_of_their_half_hour(void **state)
{
    (void)state;
    struct run run;
    double sum = 0;
    begin(&run, noon_s);
    turn(&run, 0);
    for (int i = 0; !run.decision.record_due; i++) {
        see(&run, i * 7 % 11, 50);
        turn(&run, 7);
        sum += run.decision.fine_due ? run.decision.fine.means.house_kw : 0;
    }
    assert_int_equal(run.fines, 6);
    assert_near(run.decision.record.house_kw, sum / 6, 1e-9);
}

static void less_than_half_of_the_time_gives_no_mean(void **state)
{
    (void)state;
    static const struct {
        int known_s;
        bool has_mean;
    } rows[] = {{140, false}, {150, true}, {300, true}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct run run;
        begin(&run, noon_s);
        see(&run, 3, 50);
        turn(&run, 0);
        for (int at_s = 10; at_s <= 300; at_s += 10) {
            see(&run, at_s < rows[i].known_s ? 3 : NAN, 50);
            turn(&run, 10);
        }
        assert_true(run.decision.fine_due);
        assert_true(isnan(run.decision.fine.means.house_kw) != rows[i].has_mean);
        assert_near(run.decision.fine.means.solar_kw, 0, 0);
    }
}

static void the_half_hour_keeps_the_state_of_charge_at_its_end(void **state)
{
    (void)state;
    struct run run;
    begin(&run, noon_s);
    turn(&run, 0);
    for (int minute = 1; minute <= 30; minute++) {
        see(&run, 1, minute);
        turn(&run, 60);
    }
    assert_true(run.decision.record_due);
    assert_near(run.decision.record.state_of_charge_percent, 30, 0);
}

static void a_long_pause_or_a_clock_that_steps_spoils_the_time_it_touches(void **state)
{
    (void)state;
    struct run run;
    begin(&run, noon_s);
    see(&run, 2, 50);
    turn(&run, 0);
    turn(&run, 100);
    gr_meter_count(&run.meter, GR_METER_HOUSE);
    turn(&run, 700); /* longer than ten minutes */
    assert_int_equal(run.fines, 0);
    turn(&run, 100);
    assert_true(run.decision.fine_due); /* noon + 600 to noon + 900, of which the last 100 s are known */
    assert_true(isnan(run.decision.fine.means.house_kw));
    assert_int_equal(run.decision.fine.samples.house, 0);
    run.now.utc_s += 3600; /* the wall clock alone */
    turn(&run, 10);
    assert_false(run.decision.fine_due);
}

static void a_pause_over_two_bounds_ends_the_first_five_minutes_only(void **state)
{
    (void)state;
    struct run run;
    begin(&run, noon_s);
    see(&run, 2, 50);
    turn(&run, 0);
    turn(&run, 200);
    turn(&run, 450);
    assert_true(run.decision.fine_due);
    assert_int_equal(run.decision.fine.means.start_s, noon_s);
    assert_near(run.decision.fine.means.house_kw, 2, 1e-9);
    turn(&run, 250);
    assert_int_equal(run.decision.fine.means.start_s, noon_s + 600);
    assert_near(run.decision.fine.means.house_kw, 2, 1e-9);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(five_minutes_end_in_one_record_with_means_and_samples),
        cmocka_unit_test(turns_need_not_meet_the_bounds),
        cmocka_unit_test(the_mean_of_six_five_minutes_is_that_of_their_half_hour),
        cmocka_unit_test(less_than_half_of_the_time_gives_no_mean),
        cmocka_unit_test(the_half_hour_keeps_the_state_of_charge_at_its_end),
        cmocka_unit_test(a_long_pause_or_a_clock_that_steps_spoils_the_time_it_touches),
        cmocka_unit_test(a_pause_over_two_bounds_ends_the_first_five_minutes_only),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
