/* What event sources tell of: prices, payments and wishes for stretches of time, and the plan that prepares.
 */
#include "check.h"

#include "engine_bench.h"

#define WINDOW(of, from_hour, to_hour, is)                                                                   \
    {                                                                                                        \
        .kind = (of), .start_s = midnight_s + (int64_t)((from_hour)*3600.0),                                 \
        .end_s = midnight_s + (int64_t)((to_hour)*3600.0), .value = (is)                                     \
    }

static int tell(struct bench *bench, int32_t source, const struct gr_window *windows, size_t count)
{
    struct gr_error error = {""};
    struct gr_event event = {.kind = GR_EVENT_WINDOWS,
                             .at = bench->now,
                             .of.windows = {.source = source, .list = windows, .count = count}};
    return gr_engine_handle(bench->engine, &event, &error);
}

static const struct gr_plan_slot *slot_at(struct bench *bench, double hour)
{
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    int64_t at_s = midnight_s + (int64_t)(hour * 3600);
    for (size_t t = 0; t < plan.count; t++) {
        if (plan.slots[t].start_s <= at_s && at_s < plan.slots[t].end_s) {
            return &plan.slots[t];
        }
    }
    fail_msg("the plan has no slot at %g h", hour);
    return NULL;
}

static void the_plan_fills_the_battery_before_a_dear_window(void **state)
{
    struct bench *bench = *state;
    const struct gr_window dear = WINDOW(GR_WINDOW_IMPORT_PRICE, 17, 19, 0.9);
    go_to(bench, 12, 0);
    bench->percent = 20;
    tick(bench);
    assert_near(slot_at(bench, 16.9)->stored_kwh, 2.7, 0.2); /* at its reserve, for want of a reason */
    assert_int_equal(tell(bench, 0, &dear, 1), GR_OK);
    tick(bench);
    assert_true(bench->decision.replanned);
    assert_near(slot_at(bench, 17.1)->import_price, 0.9, 1e-12);
    assert_near(slot_at(bench, 16.9)->import_price, 0.3, 1e-12);
    assert_near(slot_at(bench, 19.1)->import_price, 0.3, 1e-12);
    assert_true(slot_at(bench, 16.9)->stored_kwh > 2.7 + 1.6); /* what the house takes in two hours */
    assert_true(slot_at(bench, 17.1)->battery_kw < -0.5);
}

static void the_plan_sells_in_a_window_that_pays_for_it(void **state)
{
    struct bench *bench = *state;
    const struct gr_window paid[] = {WINDOW(GR_WINDOW_PAYMENT, 18, 19, 1.5)};
    go_to(bench, 15, 0);
    bench->percent = 90;
    tick(bench);
    assert_int_not_equal(slot_at(bench, 18.1)->kind, GR_EXPORT);
    assert_int_equal(tell(bench, 2, paid, 1), GR_OK);
    tick(bench);
    assert_int_equal(slot_at(bench, 18.1)->kind, GR_EXPORT);
    assert_near(slot_at(bench, 18.1)->export_price, 1.55, 1e-12);
    assert_near(slot_at(bench, 18.1)->import_price, 1.8, 1e-12);
    const struct gr_window sold[] = {WINDOW(GR_WINDOW_EXPORT_PRICE, 18, 19, 0.7)};
    assert_int_equal(tell(bench, 2, sold, 1), GR_OK);
    tick(bench);
    assert_near(slot_at(bench, 18.1)->export_price, 0.7, 1e-12);
    assert_near(slot_at(bench, 18.1)->import_price, 0.3, 1e-12);
}

static void a_wished_state_of_charge_is_had_at_its_start_and_held_to_its_end(void **state)
{
    struct bench *bench = *state;
    const struct gr_window wish = WINDOW(GR_WINDOW_STATE_OF_CHARGE, 16, 20, 80);
    go_to(bench, 12, 0);
    bench->percent = 30;
    assert_int_equal(tell(bench, 0, &wish, 1), GR_OK);
    tick(bench);
    /* less the standing loss, for which nobody tops a battery up */
    for (int half = 0; half < 9; half++) {
        assert_true(slot_at(bench, 15.9 + half / 2.0)->stored_kwh > 0.785 * 13.5);
    }
    assert_true(slot_at(bench, 23.4)->stored_kwh < 0.79 * 13.5 - 1);
}

static void slots_end_where_a_window_begins(void **state)
{
    struct bench *bench = *state;
    const struct gr_window odd[] = {WINDOW(GR_WINDOW_IMPORT_PRICE, 17.25, 18.1, 0.8)};
    go_to(bench, 12, 0);
    assert_int_equal(tell(bench, 0, odd, 1), GR_OK);
    tick(bench);
    assert_int_equal(slot_at(bench, 17.2)->end_s, midnight_s + 17 * 3600 + 900);
    assert_near(slot_at(bench, 17.2)->import_price, 0.3, 1e-12);
    assert_near(slot_at(bench, 17.3)->import_price, 0.8, 1e-12);
    assert_int_equal(slot_at(bench, 18.05)->end_s, midnight_s + 18 * 3600 + 360);
    assert_near(slot_at(bench, 18.2)->import_price, 0.3, 1e-12);
}

static void an_edge_within_a_minute_of_a_slots_end_is_shared_out(void **state)
{
    struct bench *bench = *state;
    const struct gr_window odd[] = {WINDOW(GR_WINDOW_IMPORT_PRICE, 17 + 1.0 / 120, 18, 0.9)};
    go_to(bench, 12, 0);
    assert_int_equal(tell(bench, 0, odd, 1), GR_OK);
    tick(bench);
    assert_int_equal(slot_at(bench, 17.1)->end_s - slot_at(bench, 17.1)->start_s, 1800);
    assert_near(slot_at(bench, 17.1)->import_price, 0.3 + 0.6 * 59 / 60, 1e-12);
}

static void what_a_source_no_longer_tells_of_is_gone_and_others_stay(void **state)
{
    struct bench *bench = *state;
    const struct gr_window first[] = {WINDOW(GR_WINDOW_IMPORT_PRICE, 17, 18, 0.8),
                                      WINDOW(GR_WINDOW_IMPORT_PRICE, 20, 21, 0.7)};
    const struct gr_window second[] = {WINDOW(GR_WINDOW_IMPORT_PRICE, 17, 19, 0.6)};
    go_to(bench, 12, 0);
    assert_int_equal(tell(bench, 0, first, 2), GR_OK);
    assert_int_equal(tell(bench, 1, second, 1), GR_OK);
    tick(bench);
    assert_near(slot_at(bench, 17.1)->import_price, 0.8, 1e-12); /* the first source goes before */
    assert_near(slot_at(bench, 18.1)->import_price, 0.6, 1e-12);
    assert_near(slot_at(bench, 20.1)->import_price, 0.7, 1e-12);
    assert_int_equal(tell(bench, 0, &first[1], 1), GR_OK);
    tick(bench);
    assert_near(slot_at(bench, 17.1)->import_price, 0.6, 1e-12);
    assert_near(slot_at(bench, 20.1)->import_price, 0.7, 1e-12);
    assert_int_equal(tell(bench, 0, NULL, 0), GR_OK);
    tick(bench);
    assert_near(slot_at(bench, 20.1)->import_price, 0.3, 1e-12);
}

static void the_same_once_more_makes_no_new_plan(void **state)
{
    struct bench *bench = *state;
    const struct gr_window dear[] = {WINDOW(GR_WINDOW_IMPORT_PRICE, 17, 19, 0.9)};
    go_to(bench, 12, 0);
    assert_int_equal(tell(bench, 0, dear, 1), GR_OK);
    tick(bench);
    bench->now.utc_s += 10;
    bench->now.mono_ms += 10000;
    assert_int_equal(tell(bench, 0, dear, 1), GR_OK);
    tick(bench);
    assert_false(bench->decision.replanned);
}

static void a_persons_price_goes_before_a_sources(void **state)
{
    struct bench *bench = *state;
    const struct gr_window dear[] = {WINDOW(GR_WINDOW_IMPORT_PRICE, 17, 19, 0.9)};
    go_to(bench, 12, 0);
    assert_int_equal(tell(bench, 0, dear, 1), GR_OK);
    struct gr_event event = {.kind = GR_EVENT_OVERRIDE,
                             .at = bench->now,
                             .of.override = {.kind = GR_OVERRIDE_PRICE,
                                             .value = 0.5,
                                             .until_percent = NAN,
                                             .since_s = midnight_s + 17 * 3600,
                                             .until_s = midnight_s + 18 * 3600}};
    assert_int_equal(gr_engine_handle(bench->engine, &event, NULL), GR_OK);
    tick(bench);
    assert_near(slot_at(bench, 17.1)->import_price, 0.5, 1e-12);
    assert_near(slot_at(bench, 18.1)->import_price, 0.9, 1e-12);
}

static void windows_that_cannot_be_are_refused_whole(void **state)
{
    struct bench *bench = *state;
    static const struct gr_window wrong[] = {
        WINDOW(GR_WINDOW_IMPORT_PRICE, 17, 17, 0.9),    WINDOW(GR_WINDOW_IMPORT_PRICE, 17, 18, 2000),
        WINDOW(GR_WINDOW_PAYMENT, 17, 18, -1),          WINDOW(GR_WINDOW_STATE_OF_CHARGE, 17, 18, 101),
        WINDOW(GR_WINDOW_STATE_OF_CHARGE, 17, 18, NAN), WINDOW(GR_WINDOW_KINDS, 17, 18, 1)};
    struct gr_window good[2] = {WINDOW(GR_WINDOW_IMPORT_PRICE, 17, 18, 0.8)};
    go_to(bench, 12, 0);
    assert_int_equal(tell(bench, 0, good, 1), GR_OK);
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        good[1] = wrong[i];
        assert_int_equal(tell(bench, 0, good, 2), GR_INVALID);
    }
    assert_int_equal(tell(bench, GR_MOST_EVENT_SOURCES, good, 1), GR_INVALID);
    tick(bench);
    assert_near(slot_at(bench, 17.1)->import_price, 0.8, 1e-12);
}

static void all_sources_share_the_room(void **state)
{
    struct bench *bench = *state;
    struct gr_window many[GR_MOST_WINDOWS];
    for (size_t i = 0; i < GR_MOST_WINDOWS; i++) {
        many[i] = (struct gr_window){.kind = GR_WINDOW_IMPORT_PRICE,
                                     .start_s = midnight_s + (int64_t)i * 600,
                                     .end_s = midnight_s + (int64_t)i * 600 + 600,
                                     .value = (double)i / 1000};
    }
    assert_int_equal(tell(bench, 0, many, GR_MOST_WINDOWS), GR_OK);
    assert_int_equal(tell(bench, 1, many, 1), GR_INVALID);
    assert_int_equal(tell(bench, 0, many, 10), GR_OK);
    assert_int_equal(tell(bench, 1, many, GR_MOST_WINDOWS - 10), GR_OK);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(the_plan_fills_the_battery_before_a_dear_window, set_up, tear_down),
        cmocka_unit_test_setup_teardown(the_plan_sells_in_a_window_that_pays_for_it, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_wished_state_of_charge_is_had_at_its_start_and_held_to_its_end,
                                        set_up, tear_down),
        cmocka_unit_test_setup_teardown(slots_end_where_a_window_begins, set_up, tear_down),
        cmocka_unit_test_setup_teardown(an_edge_within_a_minute_of_a_slots_end_is_shared_out, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(what_a_source_no_longer_tells_of_is_gone_and_others_stay, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(the_same_once_more_makes_no_new_plan, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_persons_price_goes_before_a_sources, set_up, tear_down),
        cmocka_unit_test_setup_teardown(windows_that_cannot_be_are_refused_whole, set_up, tear_down),
        cmocka_unit_test_setup_teardown(all_sources_share_the_room, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
