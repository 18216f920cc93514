#include "check.h"

#include "granary/guard.h"

static const double capacity_kwh = 10, greatest_kw = 5;
static const int64_t start_s = 1773100800; /* 2026-03-10T00:00:00Z */

static struct gr_safety usual_safety(void)
{
    struct gr_safety safety = {.commanding = true, .validity_s = 300, .dwell_s = 600, .recovery_s = 120};
    safety.max_age_s[GR_STATE_OF_CHARGE] = 300;
    safety.max_age_s[GR_BATTERY_POWER] = 120;
    return safety;
}

static struct gr_moment at(int64_t second)
{
    return (struct gr_moment){
        .utc_s = start_s + second, .mono_ms = 5000 + second * 1000, .synchronised = true};
}

static void tell(struct gr_guard *guard, enum gr_channel channel, double value, int64_t second)
{
    struct gr_moment moment = at(second);
    gr_guard_reading(guard, channel, value, false, &moment, greatest_kw, capacity_kwh);
}

static enum gr_fault look(struct gr_guard *guard, int64_t second, char text[GR_REASON_SIZE])
{
    struct gr_safety safety = usual_safety();
    struct gr_moment moment = at(second);
    gr_guard_turn(guard, &moment);
    return gr_guard_look(guard, &safety, &moment, capacity_kwh, text);
}

static struct gr_guard linked_guard(void)
{
    struct gr_guard guard;
    gr_guard_init(&guard);
    guard.link_up = true;
    return guard;
}

static void nothing_is_trusted_before_the_first_live_state_of_charge(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    struct gr_moment moment = at(0);
    char text[GR_REASON_SIZE];
    assert_int_equal(look(&guard, 0, text), GR_FAULT_STARTING);
    gr_guard_reading(&guard, GR_STATE_OF_CHARGE, 50, true, &moment, greatest_kw, capacity_kwh);
    assert_int_equal(look(&guard, 1, text), GR_FAULT_STARTING);
    tell(&guard, GR_STATE_OF_CHARGE, 50, 2);
    assert_int_equal(look(&guard, 2, text), GR_FAULT_NONE);
}

static void an_old_state_of_charge_is_a_fault_that_names_its_age(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    char text[GR_REASON_SIZE];
    tell(&guard, GR_STATE_OF_CHARGE, 50, 0);
    assert_int_equal(look(&guard, 300, text), GR_FAULT_NONE);
    assert_int_equal(look(&guard, 301, text), GR_FAULT_STATE_OF_CHARGE);
    assert_says(text, "301 s old");
}

static void a_lone_outlier_is_dropped(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    tell(&guard, GR_STATE_OF_CHARGE, 50, 0);
    tell(&guard, GR_STATE_OF_CHARGE, 0, 60);
    assert_near(guard.reading[GR_STATE_OF_CHARGE].value, 50, 0);
    tell(&guard, GR_STATE_OF_CHARGE, 50.5, 120);
    assert_near(guard.reading[GR_STATE_OF_CHARGE].value, 50.5, 0);
}

static void an_outlier_that_is_delivered_twice_is_still_a_lone_one(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    tell(&guard, GR_STATE_OF_CHARGE, 50, 0);
    tell(&guard, GR_STATE_OF_CHARGE, 0, 60);
    tell(&guard, GR_STATE_OF_CHARGE, 0, 60);
    tell(&guard, GR_STATE_OF_CHARGE, 0, 64);
    assert_near(guard.reading[GR_STATE_OF_CHARGE].value, 50, 0);
    tell(&guard, GR_STATE_OF_CHARGE, 0, 65);
    assert_near(guard.reading[GR_STATE_OF_CHARGE].value, 0, 0);
}

static void a_jump_is_confirmed_by_a_battery_that_moves_on(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    tell(&guard, GR_STATE_OF_CHARGE, 20, 0);
    tell(&guard, GR_STATE_OF_CHARGE, 60, 60);
    tell(&guard, GR_STATE_OF_CHARGE, 64, 360); /* 5 kW for 5 minutes */
    assert_near(guard.reading[GR_STATE_OF_CHARGE].value, 64, 0);
}

static void a_jump_that_is_believed_is_told(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    struct gr_moment first = at(0), second = at(60), third = at(120);
    assert_false(gr_guard_reading(&guard, GR_STATE_OF_CHARGE, 40, false, &first, greatest_kw, capacity_kwh));
    assert_false(gr_guard_reading(&guard, GR_STATE_OF_CHARGE, 75, false, &second, greatest_kw, capacity_kwh));
    assert_true(gr_guard_reading(&guard, GR_STATE_OF_CHARGE, 75, false, &third, greatest_kw, capacity_kwh));
}

static void powers_that_contradict_each_other_for_five_minutes_are_a_fault(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    char text[GR_REASON_SIZE] = "";
    struct gr_moment begun = at(0), later = at(299), end = at(300);
    gr_guard_balance(&guard, -2, 3, &begun);
    assert_int_equal(gr_guard_look_at_balance(&guard, &later, text), GR_FAULT_NONE);
    assert_int_equal(gr_guard_look_at_balance(&guard, &end, text), GR_FAULT_POWER);
    assert_says(text, "contradict");
    gr_guard_balance(&guard, -0.2, 3, &end);
    assert_int_equal(gr_guard_look_at_balance(&guard, &end, text), GR_FAULT_NONE);
    gr_guard_balance(&guard, NAN, 3, &end);
    assert_int_equal(guard.contradicted_ms, -1);
}

static void a_jump_that_a_second_reading_confirms_is_believed(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    tell(&guard, GR_STATE_OF_CHARGE, 40, 0);
    tell(&guard, GR_STATE_OF_CHARGE, 55, 60);
    tell(&guard, GR_STATE_OF_CHARGE, 55.5, 120);
    assert_near(guard.reading[GR_STATE_OF_CHARGE].value, 55.5, 0);
}

static void a_jump_held_back_does_not_freshen_the_reading(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    char text[GR_REASON_SIZE];
    tell(&guard, GR_STATE_OF_CHARGE, 40, 0);
    tell(&guard, GR_STATE_OF_CHARGE, 95, 290);
    assert_int_equal(look(&guard, 301, text), GR_FAULT_STATE_OF_CHARGE);
}

static void a_state_of_charge_that_stands_still_while_energy_moves_is_a_fault(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    char text[GR_REASON_SIZE];
    for (int64_t second = 0; second <= 600; second += 60) {
        tell(&guard, GR_STATE_OF_CHARGE, 50, second);
        tell(&guard, GR_BATTERY_POWER, 4, second);
    }
    /* 4 kW for 10 min is 0.67 kWh, more than 5 % of 10 kWh */
    assert_int_equal(look(&guard, 600, text), GR_FAULT_STATE_OF_CHARGE);
    assert_says(text, "stands at 50.0 %");
    tell(&guard, GR_STATE_OF_CHARGE, 51, 610);
    assert_int_equal(look(&guard, 610, text), GR_FAULT_NONE);
}

static void a_full_battery_that_takes_a_balancing_charge_is_not_frozen(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    char text[GR_REASON_SIZE];
    for (int64_t second = 0; second <= 3600; second += 60) {
        tell(&guard, GR_STATE_OF_CHARGE, 100, second);
        tell(&guard, GR_BATTERY_POWER, 1, second);
    }
    assert_int_equal(look(&guard, 3600, text), GR_FAULT_NONE);
}

static void a_stepped_clock_is_a_fault_for_one_turn(void **state)
{
    (void)state;
    static const int64_t steps_s[] = {31, -31, 3600, -86400, 315360000};
    for (size_t i = 0; i < sizeof steps_s / sizeof *steps_s; i++) {
        struct gr_guard guard = linked_guard();
        struct gr_safety safety = usual_safety();
        struct gr_moment moment = at(0);
        char text[GR_REASON_SIZE];
        tell(&guard, GR_STATE_OF_CHARGE, 50, 0);
        gr_guard_turn(&guard, &moment);
        moment = at(10);
        moment.utc_s += steps_s[i];
        gr_guard_turn(&guard, &moment);
        assert_int_equal(gr_guard_look(&guard, &safety, &moment, capacity_kwh, text), GR_FAULT_CLOCK);
        moment.utc_s += 10;
        moment.mono_ms += 10000;
        gr_guard_turn(&guard, &moment);
        assert_int_equal(gr_guard_look(&guard, &safety, &moment, capacity_kwh, text), GR_FAULT_NONE);
    }
}

static void an_unset_or_unsynchronised_clock_is_a_fault(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    struct gr_safety safety = usual_safety();
    struct gr_moment moment = at(0);
    char text[GR_REASON_SIZE];
    tell(&guard, GR_STATE_OF_CHARGE, 50, 0);
    gr_guard_turn(&guard, &moment);
    moment.synchronised = false;
    assert_int_equal(gr_guard_look(&guard, &safety, &moment, capacity_kwh, text), GR_FAULT_CLOCK);
    moment = (struct gr_moment){.utc_s = 86400, .mono_ms = 5000, .synchronised = true};
    assert_int_equal(gr_guard_look(&guard, &safety, &moment, capacity_kwh, text), GR_FAULT_CLOCK);
    assert_says(text, "before 2026");
    safety.in_the_past = true;
    assert_int_equal(gr_guard_look(&guard, &safety, &moment, capacity_kwh, text), GR_FAULT_NONE);
}

static void a_clock_that_is_trusted_need_not_be_synchronised(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    struct gr_safety safety = usual_safety();
    struct gr_moment moment = at(0);
    char text[GR_REASON_SIZE];
    moment.synchronised = false;
    safety.trust_clock = true;
    tell(&guard, GR_STATE_OF_CHARGE, 50, 0);
    gr_guard_turn(&guard, &moment);
    assert_int_equal(gr_guard_look(&guard, &safety, &moment, capacity_kwh, text), GR_FAULT_NONE);
}

static void faults_have_names_of_their_own(void **state)
{
    (void)state;
    for (int fault = 0; fault < GR_FAULTS; fault++) {
        const char *name = gr_fault_name((enum gr_fault)fault);
        assert_non_null(name);
        for (int other = 0; other < fault; other++) {
            assert_string_not_equal(name, gr_fault_name((enum gr_fault)other));
        }
    }
    assert_null(gr_fault_name(GR_FAULTS));
}

static void no_link_and_no_grid_are_faults(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    char text[GR_REASON_SIZE];
    tell(&guard, GR_STATE_OF_CHARGE, 50, 0);
    tell(&guard, GR_GRID_PRESENT, 0, 0);
    assert_int_equal(look(&guard, 1, text), GR_FAULT_GRID_ABSENT);
    tell(&guard, GR_GRID_PRESENT, 1, 2);
    assert_int_equal(look(&guard, 2, text), GR_FAULT_NONE);
    guard.link_up = false;
    assert_int_equal(look(&guard, 3, text), GR_FAULT_LINK);
}

static void an_absent_grid_that_the_broker_remembers_counts_until_a_live_message_says_otherwise(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    struct gr_moment moment = at(0);
    char text[GR_REASON_SIZE];
    tell(&guard, GR_STATE_OF_CHARGE, 50, 0);
    gr_guard_reading(&guard, GR_GRID_PRESENT, 0, true, &moment, greatest_kw, capacity_kwh);
    assert_int_equal(look(&guard, 1, text), GR_FAULT_GRID_ABSENT);
    tell(&guard, GR_GRID_PRESENT, 1, 2);
    gr_guard_reading(&guard, GR_GRID_PRESENT, 0, true, &moment, greatest_kw, capacity_kwh);
    assert_int_equal(look(&guard, 3, text), GR_FAULT_NONE);
}

static enum gr_fault settle(struct gr_guard *guard, enum gr_fault fault, int64_t second)
{
    struct gr_safety safety = usual_safety();
    struct gr_moment moment = at(second);
    char text[GR_REASON_SIZE];
    return gr_guard_settle(guard, &safety, fault, &moment, text);
}

static void after_a_plain_start_commands_begin_at_once(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    assert_int_equal(settle(&guard, GR_FAULT_STARTING, 0), GR_FAULT_STARTING);
    assert_int_equal(settle(&guard, GR_FAULT_NONE, 10), GR_FAULT_NONE);
}

/* Just after the machine has started the monotonic clock shows less than the recovery time. */
static void a_start_right_after_the_machines_own_needs_no_recovery(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    struct gr_safety safety = usual_safety();
    char text[GR_REASON_SIZE];
    for (int64_t second = 1; second < 20; second += 9) {
        struct gr_moment moment = {.utc_s = start_s + second, .mono_ms = second * 1000, .synchronised = true};
        assert_int_equal(gr_guard_settle(&guard, &safety, GR_FAULT_NONE, &moment, text), GR_FAULT_NONE);
    }
}

static void after_a_fault_all_must_be_well_for_the_recovery_time(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    assert_int_equal(settle(&guard, GR_FAULT_NONE, 0), GR_FAULT_NONE);
    assert_int_equal(settle(&guard, GR_FAULT_STATE_OF_CHARGE, 10), GR_FAULT_STATE_OF_CHARGE);
    assert_int_equal(settle(&guard, GR_FAULT_NONE, 20), GR_FAULT_RECOVERING);
    assert_int_equal(settle(&guard, GR_FAULT_NONE, 139), GR_FAULT_RECOVERING);
    assert_int_equal(settle(&guard, GR_FAULT_NONE, 140), GR_FAULT_NONE);
}

static void a_new_fault_starts_the_recovery_anew(void **state)
{
    (void)state;
    struct gr_guard guard = linked_guard();
    assert_int_equal(settle(&guard, GR_FAULT_NONE, 0), GR_FAULT_NONE);
    assert_int_equal(settle(&guard, GR_FAULT_LINK, 10), GR_FAULT_LINK);
    assert_int_equal(settle(&guard, GR_FAULT_NONE, 20), GR_FAULT_RECOVERING);
    assert_int_equal(settle(&guard, GR_FAULT_LINK, 100), GR_FAULT_LINK);
    assert_int_equal(settle(&guard, GR_FAULT_NONE, 110), GR_FAULT_RECOVERING);
    assert_int_equal(settle(&guard, GR_FAULT_NONE, 229), GR_FAULT_RECOVERING);
    assert_int_equal(settle(&guard, GR_FAULT_NONE, 230), GR_FAULT_NONE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_is_trusted_before_the_first_live_state_of_charge),
        cmocka_unit_test(an_old_state_of_charge_is_a_fault_that_names_its_age),
        cmocka_unit_test(a_lone_outlier_is_dropped),
        cmocka_unit_test(an_outlier_that_is_delivered_twice_is_still_a_lone_one),
        cmocka_unit_test(a_jump_is_confirmed_by_a_battery_that_moves_on),
        cmocka_unit_test(a_jump_that_is_believed_is_told),
        cmocka_unit_test(powers_that_contradict_each_other_for_five_minutes_are_a_fault),
        cmocka_unit_test(a_jump_that_a_second_reading_confirms_is_believed),
        cmocka_unit_test(a_jump_held_back_does_not_freshen_the_reading),
        cmocka_unit_test(a_state_of_charge_that_stands_still_while_energy_moves_is_a_fault),
        cmocka_unit_test(a_full_battery_that_takes_a_balancing_charge_is_not_frozen),
        cmocka_unit_test(a_stepped_clock_is_a_fault_for_one_turn),
        cmocka_unit_test(an_unset_or_unsynchronised_clock_is_a_fault),
        cmocka_unit_test(a_clock_that_is_trusted_need_not_be_synchronised),
        cmocka_unit_test(faults_have_names_of_their_own),
        cmocka_unit_test(no_link_and_no_grid_are_faults),
        cmocka_unit_test(an_absent_grid_that_the_broker_remembers_counts_until_a_live_message_says_otherwise),
        cmocka_unit_test(after_a_plain_start_commands_begin_at_once),
        cmocka_unit_test(a_start_right_after_the_machines_own_needs_no_recovery),
        cmocka_unit_test(after_a_fault_all_must_be_well_for_the_recovery_time),
        cmocka_unit_test(a_new_fault_starts_the_recovery_anew),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
