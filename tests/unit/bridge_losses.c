/* The bridge loses a real broker, and comes back. */
#include "broker.h"

static void after_a_crash_of_the_broker_it_comes_back_subscribed(void **state)
{
    struct broker *broker = broker_get(state);
    struct client client = client_connect(broker, "client", "house/#");
    broker_kill(broker);
    client_await_text(&client, GR_BRIDGE_DOWN, "lost");
    assert_false(gr_bridge_is_up(client.bridge));
    assert_int_equal(gr_bridge_publish(client.bridge, "house/command", "late", 4, false, 0, NULL), GR_IO);
    broker_run(broker);
    struct client watcher = client_connect(broker, "watcher", "house/#");
    client_await_up(&client);
    client_publish(&client, "house/command", "fresh", false);
    client_await_message(&client, "house/command", "fresh", false);
    /* Had the one from before been kept somewhere, the watcher would see it first. */
    struct gr_bridge_event event = client_await(&watcher, GR_BRIDGE_MESSAGE, NULL);
    assert_int_equal(event.length, 5);
    assert_memory_equal(event.payload, "fresh", 5);
    gr_bridge_event_free(&event);
    client_free(&watcher);
    client_free(&client);
}

static void what_was_on_its_way_when_the_broker_died_is_not_sent_again(void **state)
{
    struct broker *broker = broker_get(state);
    struct client client = client_connect(broker, "client", NULL);
    assert_int_equal(kill(broker->pid, SIGSTOP), 0);
    client_publish(&client, "house/command", "late", false);
    assert_false(gr_bridge_flush(client.bridge, 100));
    broker_kill(broker);
    client_await_text(&client, GR_BRIDGE_DOWN, "lost");
    broker_run(broker);
    struct client watcher = client_connect(broker, "watcher", "house/#");
    client_await_up(&client);
    client_publish(&client, "house/command", "fresh", false);
    client_await_message(&watcher, "house/command", "fresh", false);
    client_free(&watcher);
    client_free(&client);
}

static void it_starts_without_a_broker_and_finds_it_later(void **state)
{
    struct broker *broker = broker_get(state);
    broker_kill(broker);
    struct gr_mqtt mqtt = broker_mqtt(broker, "client");
    struct client client = client_create(&mqtt, NULL, 0, "#");
    client_await_text(&client, GR_BRIDGE_DOWN, "unreachable or refused");
    broker_run(broker);
    client_await_up(&client);
    client_free(&client);
}

static void a_reason_is_told_once_while_it_lasts(void **state)
{
    struct broker *broker = broker_get(state);
    broker_kill(broker);
    struct gr_mqtt mqtt = broker_mqtt(broker, "client");
    struct client client = client_create(&mqtt, NULL, 0, NULL);
    client_await_text(&client, GR_BRIDGE_DOWN, "refused");
    int64_t end_ms = broker_clock_ms() + 2000;
    while (broker_clock_ms() < end_ms) {
        struct gr_bridge_event event;
        client.ahead_ms += 1000;
        assert_false(client_turn(&client, &event, 20));
    }
    client_free(&client);
}

static void a_broker_that_stops_answering_is_left(void **state)
{
    struct broker *broker = broker_get(state);
    struct client client = client_connect(broker, "client", NULL);
    assert_int_equal(kill(broker->pid, SIGSTOP), 0);
    client_publish(&client, "house/command", "x", false);
    client.ahead_ms = 14000;
    client_step(&client);
    assert_true(gr_bridge_is_up(client.bridge));
    assert_in_range(gr_bridge_lag_ms(client.bridge, broker_clock_ms() + client.ahead_ms), 14000, 15000);
    client.ahead_ms = 16500;
    client_await_text(&client, GR_BRIDGE_DOWN, "does not answer");
    assert_int_equal(gr_bridge_publish(client.bridge, "house/command", "x", 1, false, 0, NULL), GR_IO);
    assert_int_equal(kill(broker->pid, SIGCONT), 0);
    client_await_up(&client);
    assert_int_equal(gr_bridge_lag_ms(client.bridge, broker_clock_ms() + client.ahead_ms), 0);
    client_free(&client);
}

static void take_a_turn(struct client *client, bool *stands_by)
{
    struct gr_bridge_event event;
    if (client_turn(client, &event, 5)) {
        *stands_by = *stands_by || event.kind == GR_BRIDGE_TAKEN_OVER;
        gr_bridge_event_free(&event);
    }
    /* A bridge that waits for its next attempt need not wait in real time. */
    client->ahead_ms += gr_bridge_is_up(client->bridge) ? 0 : 20;
}

static void of_two_clients_with_one_id_one_stands_by(void **state)
{
    struct broker *broker = broker_get(state);
    struct client first = client_connect(broker, "same", NULL), second = client_connect(broker, "same", NULL);
    bool first_stands_by = false, second_stands_by = false;
    int64_t end_ms = broker_clock_ms() + (int64_t)3 * BROKER_PATIENCE_MS;
    while (!first_stands_by && !second_stands_by && broker_clock_ms() < end_ms) {
        take_a_turn(&first, &first_stands_by);
        take_a_turn(&second, &second_stands_by);
    }
    assert_int_not_equal(first_stands_by, second_stands_by);
    struct client *quiet = first_stands_by ? &first : &second, *other = first_stands_by ? &second : &first;
    if (!gr_bridge_is_up(other->bridge)) {
        client_await_up(other);
    }
    /* Nine minutes and a half later the other one is still undisturbed; then one more attempt is made. */
    struct gr_bridge_event event;
    quiet->ahead_ms += 570000;
    for (int i = 0; i < 20; i++) {
        assert_false(client_turn(quiet, &event, 20));
        assert_false(client_turn(other, &event, 0));
    }
    quiet->ahead_ms += 40000;
    client_await_up(quiet);
    client_free(&first);
    client_free(&second);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        WITH_BROKER(after_a_crash_of_the_broker_it_comes_back_subscribed),
        WITH_BROKER(what_was_on_its_way_when_the_broker_died_is_not_sent_again),
        WITH_BROKER(it_starts_without_a_broker_and_finds_it_later),
        WITH_BROKER(a_reason_is_told_once_while_it_lasts),
        WITH_BROKER(a_broker_that_stops_answering_is_left),
        WITH_BROKER(of_two_clients_with_one_id_one_stands_by),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
