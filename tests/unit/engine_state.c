#include "check.h"

#include "world/world.h"

#include <stdlib.h>

struct saved {
    struct world world;
    struct gr_engine *other;
    size_t size;
    unsigned char *state, *spoilt;
};

/* An evening with an override and windows, so that all of a state is in use. */
static int set_up(void **state)
{
    struct saved *saved = calloc(1, sizeof *saved);
    struct world *world = &saved->world;
    world_init(world);
    world->config.planning.slot_minutes = 60;
    world->config.planning.horizon_hours = 12;
    world->config.planning.expectation.path_days = 3;
    assert_true(world_begin(world));
    const struct gr_window payment = {.kind = GR_WINDOW_PAYMENT,
                                      .start_s = world->true_s + 1000,
                                      .end_s = world->true_s + 8000,
                                      .value = 1.25};
    const struct gr_event told = {.kind = GR_EVENT_WINDOWS,
                                  .at = world->now,
                                  .of.windows = {.source = 3, .list = &payment, .count = 1}};
    assert_int_equal(gr_engine_handle(world->engine, &told, NULL), GR_OK);
    const struct gr_event asked = {.kind = GR_EVENT_OVERRIDE,
                                   .at = world->now,
                                   .of.override = {.kind = GR_OVERRIDE_RESERVE,
                                                   .value = 40,
                                                   .until_percent = NAN,
                                                   .since_s = world->true_s,
                                                   .until_s = world->true_s + 7200,
                                                   .by = "who stays in the attic"}};
    assert_int_equal(gr_engine_handle(world->engine, &asked, NULL), GR_OK);
    for (int i = 0; i < 20; i++) {
        world_turn(world, 300);
    }
    saved->size = gr_engine_state_size();
    saved->state = calloc(1, saved->size);
    saved->spoilt = calloc(1, saved->size);
    gr_engine_save(world->engine, saved->state);
    memcpy(saved->spoilt, saved->state, saved->size);
    assert_int_equal(gr_engine_create(&saved->other, &world->config, world->zone, 0, NULL), GR_OK);
    *state = saved;
    return 0;
}

static int tear_down(void **state)
{
    struct saved *saved = *state;
    gr_engine_free(saved->other);
    world_end(&saved->world);
    free(saved->state);
    free(saved->spoilt);
    free(saved);
    return 0;
}

/* The turn after loading. */
static struct gr_decision decide(struct saved *saved)
{
    struct gr_decision decision;
    struct gr_moment now = saved->world.now;
    now.utc_s += 10;
    now.mono_ms += 10000;
    gr_engine_tick(saved->other, now, &decision);
    return decision;
}

static void what_an_engine_leaves_another_one_goes_on_with(void **state)
{
    struct saved *saved = *state;
    assert_int_equal(gr_engine_load(saved->other, saved->state, NULL), GR_OK);
    struct gr_decision decision = decide(saved);
    assert_int_equal(decision.fault, saved->world.decision.fault);
    assert_int_equal(decision.fault, GR_FAULT_NONE);
    assert_int_equal(decision.command.kind, saved->world.decision.command.kind);
    assert_true(decision.command.sequence >= saved->world.decision.command.sequence);
}

/* Bytes of a log come from outside: whatever one of them is, the state is refused, or the engine lives with
 * it (the sanitizers tell). */
static void a_state_with_one_byte_spoilt_is_refused_or_does_no_harm(void **state)
{
    struct saved *saved = *state;
    static const unsigned char spoils[] = {0x7f, 0x80, 0xff};
    size_t refused = 0, taken = 0;
    for (size_t i = 0; i < saved->size; i += i < 24000 ? 1 : 97) {
        saved->spoilt[i] ^= spoils[i % sizeof spoils];
        if (gr_engine_load(saved->other, saved->spoilt, NULL) != GR_OK) {
            refused++;
        } else if (taken++ % 23 == 0) {
            (void)decide(saved);
        }
        saved->spoilt[i] = saved->state[i];
    }
    print_message("%zu of %zu bytes refused, %zu taken\n", refused, saved->size, taken);
    assert_true(refused > 5000);
    assert_true(taken > 5000);
}

static void refused(struct saved *saved)
{
    struct gr_error error = {""};
    assert_int_equal(gr_engine_load(saved->other, saved->spoilt, &error), GR_INVALID);
    assert_string_equal(error.text, "a state that no engine leaves");
    memcpy(saved->spoilt, saved->state, saved->size);
}

static unsigned char *find(struct saved *saved, const void *bytes, size_t length)
{
    for (size_t i = 0; i + length <= saved->size; i++) {
        if (memcmp(saved->spoilt + i, bytes, length) == 0) {
            return saved->spoilt + i;
        }
    }
    fail_msg("not in the state");
    return NULL;
}

static void a_text_without_an_end_is_refused(void **state)
{
    struct saved *saved = *state;
    memset(find(saved, "who stays", 9), 'x', GR_NAME_SIZE);
    refused(saved);
    const char *reason = saved->world.decision.command.reason;
    memset(find(saved, reason, strlen(reason)), 'x', GR_REASON_SIZE);
    refused(saved);
}

/* The meter divides by the length of its half hours and five minutes. */
static void a_time_of_no_length_is_refused(void **state)
{
    struct saved *saved = *state;
    const int64_t half[] = {1800, (saved->world.now.utc_s - saved->world.now.utc_s % 1800)};
    memset(find(saved, half, sizeof half), 0, sizeof half[0]);
    refused(saved);
}

static void weather_of_a_half_hour_that_has_another_place_is_refused(void **state)
{
    struct saved *saved = *state;
    const int64_t none = INT64_MIN;
    *find(saved, &none, sizeof none) = 1;
    refused(saved);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(what_an_engine_leaves_another_one_goes_on_with, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_state_with_one_byte_spoilt_is_refused_or_does_no_harm, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(a_text_without_an_end_is_refused, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_time_of_no_length_is_refused, set_up, tear_down),
        cmocka_unit_test_setup_teardown(weather_of_a_half_hour_that_has_another_place_is_refused, set_up,
                                        tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
