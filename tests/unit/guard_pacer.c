#include "check.h"

#include "granary/guard.h"

static struct gr_moment at(int64_t second)
{
    return (struct gr_moment){.utc_s = 1773100800 + second, .mono_ms = second * 1000, .synchronised = true};
}

static const struct gr_safety safety = {.dwell_s = 600, .least_gain = 0.02, .changes_per_day = 5};

static bool allows(const struct gr_pacer *pacer, int64_t second, double gain, bool forced)
{
    struct gr_moment moment = at(second);
    return gr_pacer_allows(pacer, &safety, &moment, gain, forced);
}

static bool note(struct gr_pacer *pacer, enum gr_command_kind kind, double power_kw, int64_t second)
{
    struct gr_moment moment = at(second);
    return gr_pacer_note(pacer, kind, power_kw, &moment);
}

static void a_command_is_kept_for_its_dwell_time(void **state)
{
    (void)state;
    struct gr_pacer pacer;
    gr_pacer_init(&pacer);
    assert_true(allows(&pacer, 0, 0, false));
    (void)note(&pacer, GR_FOLLOW, 0, 0);
    assert_false(allows(&pacer, 599, 1, false));
    assert_true(allows(&pacer, 600, 1, false));
}

static void a_change_must_gain_something(void **state)
{
    (void)state;
    struct gr_pacer pacer;
    gr_pacer_init(&pacer);
    (void)note(&pacer, GR_FOLLOW, 0, 0);
    assert_false(allows(&pacer, 700, 0.019, false));
    assert_true(allows(&pacer, 700, 0.02, false));
}

static void weigh(struct gr_pacer *pacer, int64_t second, double gain, double hours)
{
    struct gr_moment moment = at(second);
    gr_pacer_weigh(pacer, gain, hours, &moment);
}

static void small_gains_left_undone_add_up_to_a_change(void **state)
{
    (void)state;
    struct gr_pacer pacer;
    gr_pacer_init(&pacer);
    (void)note(&pacer, GR_FOLLOW, 0, 0);
    for (int slot = 1; slot <= 4; slot++) {
        weigh(&pacer, slot * 1800, 0.004, 0.5);
        assert_false(allows(&pacer, slot * 1800, 0.004, false));
    }
    weigh(&pacer, 5 * 1800, 0.004, 0.5); /* four are forgone, with the one at hand they are 0.02 */
    assert_true(allows(&pacer, 5 * 1800, 0.004, false));
    (void)note(&pacer, GR_STORE, 0, 5 * 1800);
    weigh(&pacer, 6 * 1800, 0.019, 0.5);
    assert_false(allows(&pacer, 6 * 1800, 0.019, false)); /* a change begins a new account */
}

static void what_is_forgone_goes_by_the_time_that_passed(void **state)
{
    (void)state;
    struct gr_pacer turns, once;
    gr_pacer_init(&turns);
    gr_pacer_init(&once);
    (void)note(&turns, GR_FOLLOW, 0, 0);
    (void)note(&once, GR_FOLLOW, 0, 0);
    for (int second = 0; second <= 900; second += 10) {
        weigh(&turns, second, 0.01 * (1800 - second) / 1800, (1800 - second) / 3600.0);
    }
    weigh(&once, 0, 0.01, 0.5);
    weigh(&once, 900, 0.005, 0.25);
    assert_near(turns.forgone, 0.005, 1e-12);
    assert_near(once.forgone, 0.005, 1e-12);
    weigh(&once, 7200, 0, 0.5); /* nothing is known beyond the slot's end */
    assert_near(once.forgone, 0.01, 1e-12);
}

static void what_was_forgone_is_no_reason_for_a_change_that_gains_nothing(void **state)
{
    (void)state;
    struct gr_pacer pacer;
    gr_pacer_init(&pacer);
    (void)note(&pacer, GR_FOLLOW, 0, 0);
    weigh(&pacer, 0, 0.019, 0.5);
    weigh(&pacer, 1800, 0, 0.5);
    assert_false(allows(&pacer, 1800, 0, false));
    assert_true(allows(&pacer, 1800, 0.001, false));
    weigh(&pacer, 3600, -5, 0.5); /* a wish that costs more takes nothing off the account */
    assert_near(pacer.forgone, 0.019, 1e-12);
}

static void safety_is_never_paced(void **state)
{
    (void)state;
    struct gr_pacer pacer;
    gr_pacer_init(&pacer);
    for (int i = 0; i < 100; i++) {
        (void)note(&pacer, i % 2 ? GR_FOLLOW : GR_CHARGE, i % 2 ? 0 : 3, i);
    }
    assert_true(allows(&pacer, 100, -1, true));
    assert_false(allows(&pacer, 10000, 1, false));
}

static void the_budget_counts_any_24_hours(void **state)
{
    (void)state;
    struct gr_pacer pacer;
    gr_pacer_init(&pacer);
    (void)note(&pacer, GR_FOLLOW, 0, 0);
    for (int i = 1; i <= 5; i++) {
        assert_true(allows(&pacer, i * 3600, 1, false));
        assert_true(note(&pacer, i % 2 ? GR_STORE : GR_FOLLOW, 0, i * 3600));
    }
    struct gr_moment moment = at(6 * 3600);
    assert_int_equal(gr_pacer_changes(&pacer, &moment), 5);
    assert_false(allows(&pacer, 6 * 3600, 1, false));
    assert_true(allows(&pacer, 25 * 3600, 1, false));
}

static void the_same_command_again_is_no_change(void **state)
{
    (void)state;
    struct gr_pacer pacer;
    gr_pacer_init(&pacer);
    (void)note(&pacer, GR_CHARGE, 3, 0); /* from the follow of before */
    assert_false(note(&pacer, GR_CHARGE, 3.04, 60));
    assert_true(note(&pacer, GR_CHARGE, 3.2, 120));
    assert_true(note(&pacer, GR_REST, 0, 180));
    struct gr_moment moment = at(200);
    assert_int_equal(gr_pacer_changes(&pacer, &moment), 3);
}

static void changes_of_an_earlier_process_count_until_they_are_a_day_old(void **state)
{
    (void)state;
    struct gr_pacer before, after;
    int64_t at_s[GR_MOST_CHANGES];
    gr_pacer_init(&before);
    gr_pacer_init(&after);
    (void)note(&before, GR_FOLLOW, 0, 0);
    (void)note(&before, GR_CHARGE, 3, 3600);
    (void)note(&before, GR_REST, 0, 7200);
    struct gr_moment end = at(8000), start = {.utc_s = end.utc_s + 1000, .mono_ms = 5000};
    size_t count = gr_pacer_moments(&before, &end, at_s);
    assert_int_equal(count, 2);
    assert_int_equal(end.utc_s - at_s[0], 8000 - 3600);
    at_s[count++] = start.utc_s + 99; /* the clock went back: as if it were now */
    at_s[count++] = start.utc_s - 86400;
    gr_pacer_restore(&after, at_s, count, &start);
    assert_int_equal(gr_pacer_changes(&after, &start), 3);
    (void)note(&after, GR_FOLLOW, 0, 0);
    struct gr_moment later = {.utc_s = at_s[0] + 86400,
                              .mono_ms = 5000 + (at_s[0] + 86400 - start.utc_s) * 1000};
    assert_int_equal(gr_pacer_changes(&after, &later), 2);
}

static void more_changes_than_the_ring_holds_are_still_counted_as_many(void **state)
{
    (void)state;
    struct gr_pacer pacer;
    gr_pacer_init(&pacer);
    for (int i = 0; i < 3 * GR_MOST_CHANGES; i++) {
        (void)note(&pacer, i % 2 ? GR_FOLLOW : GR_REST, 0, i);
    }
    struct gr_moment moment = at(3 * GR_MOST_CHANGES);
    assert_int_equal(gr_pacer_changes(&pacer, &moment), GR_MOST_CHANGES);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_command_is_kept_for_its_dwell_time),
        cmocka_unit_test(a_change_must_gain_something),
        cmocka_unit_test(small_gains_left_undone_add_up_to_a_change),
        cmocka_unit_test(what_is_forgone_goes_by_the_time_that_passed),
        cmocka_unit_test(what_was_forgone_is_no_reason_for_a_change_that_gains_nothing),
        cmocka_unit_test(safety_is_never_paced),
        cmocka_unit_test(the_budget_counts_any_24_hours),
        cmocka_unit_test(the_same_command_again_is_no_change),
        cmocka_unit_test(changes_of_an_earlier_process_count_until_they_are_a_day_old),
        cmocka_unit_test(more_changes_than_the_ring_holds_are_still_counted_as_many),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
