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
    (void)note(&pacer, GR_CHARGE, 3, 0);
    assert_false(note(&pacer, GR_CHARGE, 3.04, 60));
    assert_true(note(&pacer, GR_CHARGE, 3.2, 120));
    assert_true(note(&pacer, GR_REST, 0, 180));
    struct gr_moment moment = at(200);
    assert_int_equal(gr_pacer_changes(&pacer, &moment), 2);
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
        cmocka_unit_test(safety_is_never_paced),
        cmocka_unit_test(the_budget_counts_any_24_hours),
        cmocka_unit_test(the_same_command_again_is_no_change),
        cmocka_unit_test(more_changes_than_the_ring_holds_are_still_counted_as_many),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
