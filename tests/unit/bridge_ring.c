/* The ring between the library's thread and the loop, and the waits between two attempts: no broker, no
 * thread. */
#include "bridge/backoff.h"
#include "bridge/ring.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static int set_up(void **state)
{
    *state = calloc(1, sizeof(struct gr_ring));
    return *state ? 0 : -1;
}

static int tear_down(void **state)
{
    gr_ring_clear(*state);
    free(*state);
    return 0;
}

static void put(struct gr_ring *ring, const char *topic, const char *payload, bool retained)
{
    gr_ring_put(ring, topic, strlen(topic), payload, strlen(payload), retained);
}

static void put_bytes(struct gr_ring *ring, const char *topic, size_t length)
{
    char *payload = calloc(1, length + 1);
    assert_non_null(payload);
    gr_ring_put(ring, topic, strlen(topic), payload, length, false);
    free(payload);
}

static void take(struct gr_ring *ring, const char *topic, const char *payload, bool retained)
{
    struct gr_bridge_event event;
    assert_true(gr_ring_take(ring, &event));
    assert_int_equal(event.kind, GR_BRIDGE_MESSAGE);
    assert_string_equal(event.topic, topic);
    assert_int_equal(event.length, strlen(payload));
    assert_memory_equal(event.payload, payload, event.length);
    assert_int_equal(event.retained, retained);
    gr_bridge_event_free(&event);
}

static void messages_come_out_in_their_order(void **state)
{
    struct gr_bridge_event event;
    put(*state, "a", "1", true);
    put(*state, "b", "2", false);
    take(*state, "a", "1", true);
    put(*state, "c", "", false);
    take(*state, "b", "2", false);
    take(*state, "c", "", false);
    assert_false(gr_ring_take(*state, &event));
}

static void the_newest_message_of_a_topic_takes_the_place_of_the_older(void **state)
{
    struct gr_ring *ring = *state;
    put(ring, "a", "old", true);
    put(ring, "ab", "other", false);
    put(ring, "a", "new", false);
    assert_int_equal(ring->shed, 1);
    take(ring, "a", "new", false);
    take(ring, "ab", "other", false);
    assert_int_equal(ring->bytes, 0);
}

static void a_topic_need_not_end_in_nul(void **state)
{
    gr_ring_put(*state, "abc", 2, "x", 1, false);
    take(*state, "ab", "x", false);
}

static void of_too_many_topics_the_oldest_go(void **state)
{
    struct gr_ring *ring = *state;
    char topic[32];
    for (int i = 0; i < GR_RING_TOPICS + 10; i++) {
        (void)snprintf(topic, sizeof topic, "t/%d", i);
        put(ring, topic, "x", false);
    }
    assert_int_equal(ring->count, GR_RING_TOPICS);
    assert_int_equal(ring->shed, 10);
    take(ring, "t/10", "x", false);
}

static void of_too_many_bytes_the_oldest_go(void **state)
{
    struct gr_ring *ring = *state;
    const size_t big = GR_MOST_PAYLOAD_BYTES;
    static const char *const topics[] = {"a", "b", "c", "d", "e"};
    for (size_t i = 0; i < 5; i++) {
        put_bytes(ring, topics[i], big);
        assert_true(ring->bytes <= GR_RING_BYTES);
    }
    assert_int_equal(ring->shed, 1);
    struct gr_bridge_event event;
    assert_true(gr_ring_take(ring, &event));
    assert_string_equal(event.topic, "b");
    assert_int_equal(event.length, big);
    gr_bridge_event_free(&event);
}

static void a_topic_that_grows_pushes_out_others_but_not_itself(void **state)
{
    struct gr_ring *ring = *state;
    put(ring, "grows", "x", false);
    static const char *const topics[] = {"b", "c", "d", "e"};
    for (size_t i = 0; i < 4; i++) {
        put_bytes(ring, topics[i], GR_MOST_PAYLOAD_BYTES - 1);
    }
    put_bytes(ring, "grows", GR_MOST_PAYLOAD_BYTES);
    assert_true(ring->bytes <= GR_RING_BYTES);
    size_t seen = 0;
    bool kept = false;
    struct gr_bridge_event event;
    while (gr_ring_take(ring, &event)) {
        kept = kept || (strcmp(event.topic, "grows") == 0 && event.length == GR_MOST_PAYLOAD_BYTES);
        seen++;
        gr_bridge_event_free(&event);
    }
    assert_true(kept);
    assert_int_equal(seen, 4);
    assert_int_equal(ring->bytes, 0);
}

static void a_payload_above_the_cap_is_announced_without_its_bytes(void **state)
{
    struct gr_ring *ring = *state;
    struct gr_bridge_event event;
    put_bytes(ring, "big", GR_MOST_PAYLOAD_BYTES + 1);
    assert_int_equal(ring->shed, 1);
    assert_true(gr_ring_take(ring, &event));
    assert_true(event.oversized);
    assert_int_equal(event.length, 0);
    gr_bridge_event_free(&event);
}

static void random_traffic_keeps_within_the_bounds_and_counts_every_message(void **state)
{
    struct gr_ring *ring = *state;
    uint64_t random = 20261125, taken = 0;
    const uint64_t put_count = 20000;
    print_message("seed %llu\n", (unsigned long long)random);
    for (uint64_t i = 0; i < put_count; i++) {
        char topic[32];
        random = random * 6364136223846793005u + 1442695040888963407u;
        (void)snprintf(topic, sizeof topic, "t/%u", (unsigned)(random >> 40) % 2000u);
        put_bytes(ring, topic, (size_t)(random >> 33) % 1000u);
        assert_true(ring->bytes <= GR_RING_BYTES && ring->count <= GR_RING_TOPICS);
        struct gr_bridge_event event;
        if ((random >> 60) == 0 && gr_ring_take(ring, &event)) {
            gr_bridge_event_free(&event);
            taken++;
        }
    }
    assert_int_equal(taken + ring->shed + ring->count, put_count);
}

static void waits_double_up_to_a_minute_and_differ(void **state)
{
    (void)state;
    static const int64_t least_ms[] = {1000, 2000, 4000, 8000, 16000, 32000, 48000, 48000};
    struct gr_backoff one = {.random = 1}, other = {.random = 2};
    bool differ = false;
    for (size_t i = 0; i < sizeof least_ms / sizeof least_ms[0]; i++) {
        int64_t a_ms = gr_backoff_next_ms(&one, false), b_ms = gr_backoff_next_ms(&other, false);
        assert_in_range(a_ms, least_ms[i], least_ms[i] * 5 / 4);
        assert_in_range(b_ms, least_ms[i], least_ms[i] * 5 / 4);
        differ = differ || a_ms != b_ms;
    }
    assert_true(differ);
    assert_in_range(gr_backoff_next_ms(&one, true), 60000, 75000);
}

#define WITH_RING(test) cmocka_unit_test_setup_teardown(test, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        WITH_RING(messages_come_out_in_their_order),
        WITH_RING(the_newest_message_of_a_topic_takes_the_place_of_the_older),
        WITH_RING(a_topic_need_not_end_in_nul),
        WITH_RING(of_too_many_topics_the_oldest_go),
        WITH_RING(of_too_many_bytes_the_oldest_go),
        WITH_RING(a_topic_that_grows_pushes_out_others_but_not_itself),
        WITH_RING(a_payload_above_the_cap_is_announced_without_its_bytes),
        WITH_RING(random_traffic_keeps_within_the_bounds_and_counts_every_message),
        cmocka_unit_test(waits_double_up_to_a_minute_and_differ),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
