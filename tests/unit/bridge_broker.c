/* The bridge against a real broker: connecting, publishing, reading. */
#include "broker.h"

static void a_message_arrives_and_only_the_kept_one_says_so(void **state)
{
    struct broker *broker = broker_get(state);
    struct client sender = client_connect(broker, "sender", NULL);
    client_publish(&sender, "house/soc", "57", true);
    assert_true(gr_bridge_flush(sender.bridge, 5000));
    struct client reader = client_connect(broker, "reader", "house/+");
    client_await_message(&reader, "house/soc", "57", true);
    client_publish(&sender, "house/soc", "58", true);
    client_await_message(&reader, "house/soc", "58", false);
    client_free(&sender);
    client_free(&reader);
}

static void two_hundred_publishes_at_once_all_arrive(void **state)
{
    struct broker *broker = broker_get(state);
    struct client sender = client_connect(broker, "sender", NULL);
    struct client reader = client_connect(broker, "reader", "many/#");
    for (int i = 0; i < 200; i++) {
        char topic[32];
        (void)snprintf(topic, sizeof topic, "many/%d", i);
        client_publish(&sender, topic, "x", false);
    }
    assert_true(gr_bridge_flush(sender.bridge, 10000));
    assert_int_equal(gr_bridge_lag_ms(sender.bridge, broker_clock_ms() + 1000), 0);
    for (int i = 0; i < 200; i++) {
        char topic[32];
        (void)snprintf(topic, sizeof topic, "many/%d", i);
        client_await_message(&reader, topic, "x", false);
    }
    client_free(&sender);
    client_free(&reader);
}

static void nothing_is_published_before_the_connection_is_up(void **state)
{
    struct broker *broker = broker_get(state);
    struct gr_mqtt mqtt = broker_mqtt(broker, "sender");
    struct client sender = client_create(&mqtt, NULL, 0, NULL);
    struct gr_error error;
    assert_int_equal(gr_bridge_publish(sender.bridge, "a", "x", 1, false, 0, &error), GR_IO);
    client_await_up(&sender);
    client_publish(&sender, "a", "x", false);
    assert_int_equal(gr_bridge_publish(sender.bridge, "a/+", "x", 1, false, 0, &error), GR_INVALID);
    assert_int_equal(gr_bridge_publish(sender.bridge, "", "x", 1, false, 0, &error), GR_INVALID);
    client_free(&sender);
}

static void a_message_with_an_expiry_is_gone_after_it(void **state)
{
    struct broker *broker = broker_get(state);
    struct client sender = client_connect(broker, "sender", NULL);
    assert_int_equal(gr_bridge_publish(sender.bridge, "short", "x", 1, true, 1, NULL), GR_OK);
    assert_int_equal(gr_bridge_publish(sender.bridge, "long", "x", 1, true, 3600, NULL), GR_OK);
    assert_true(gr_bridge_flush(sender.bridge, 5000));
    bool gone = false;
    /* The broker tells nobody when a kept message expires, so it is asked anew. */
    for (int i = 0; i < 50 && !gone; i++) {
        struct client reader = client_connect(broker, "reader", "#");
        struct gr_bridge_event event = client_await(&reader, GR_BRIDGE_MESSAGE, NULL);
        gone = strcmp(event.topic, "long") == 0;
        gr_bridge_event_free(&event);
        while (!gone && !client_turn(&reader, &event, 200)) {
        }
        if (!gone) {
            gr_bridge_event_free(&event);
        }
        client_free(&reader);
    }
    assert_true(gone);
    client_free(&sender);
}

static long resident_kb(void)
{
    long pages = 0;
    FILE *file = fopen("/proc/self/statm", "re");
    assert_non_null(file);
    assert_int_equal(fscanf(file, "%*d %ld", &pages), 1); // NOLINT(cert-err34-c)
    (void)fclose(file);
    return pages * sysconf(_SC_PAGESIZE) / 1024;
}

static void send_file_of_ten_megabytes(const struct broker *broker)
{
    char command[256];
    (void)snprintf(command, sizeof command,
                   "head -c 10000000 /dev/zero | mosquitto_pub -h 127.0.0.1 -p %d -q 1 -t house/big -s",
                   broker->port);
    assert_int_equal(system(command), 0); // NOLINT(cert-env33-c)
}

static void a_payload_of_ten_megabytes_does_not_reach_us(void **state)
{
    struct broker *broker = broker_get(state);
    struct client reader = client_connect(broker, "reader", "house/#");
    long before_kb = resident_kb();
    send_file_of_ten_megabytes(broker);
    struct client sender = client_connect(broker, "sender", NULL);
    client_publish(&sender, "house/small", "57", false);
    struct gr_bridge_event event = client_await(&reader, GR_BRIDGE_MESSAGE, NULL);
    assert_string_equal(event.topic, "house/small");
    gr_bridge_event_free(&event);
    assert_true(resident_kb() - before_kb < 5000);
    client_free(&sender);
    client_free(&reader);
}

static void before_mqtt_5_a_payload_that_is_too_big_arrives_without_its_bytes(void **state)
{
    struct broker *broker = broker_get(state);
    struct gr_mqtt mqtt = broker_mqtt(broker, "reader");
    mqtt.protocol = 4;
    struct client reader = client_create(&mqtt, NULL, 0, "house/#");
    client_await_text(&reader, GR_BRIDGE_UP, "MQTT 3.1.1");
    send_file_of_ten_megabytes(broker);
    struct gr_bridge_event event = client_await(&reader, GR_BRIDGE_MESSAGE, "house/big");
    assert_true(event.oversized);
    assert_int_equal(event.length, 0);
    assert_int_equal(gr_bridge_shed(reader.bridge), 1);
    gr_bridge_event_free(&event);
    client_free(&reader);
}

static void in_a_flood_the_newest_value_of_each_topic_is_kept(void **state)
{
    struct broker *broker = broker_get(state);
    struct client reader = client_connect(broker, "reader", "flood/#");
    struct client sender = client_connect(broker, "sender", "flood/end");
    for (int i = 0; i < 500; i++) {
        char value[16];
        (void)snprintf(value, sizeof value, "%d", i);
        client_publish(&sender, "flood/a", value, false);
        client_publish(&sender, "flood/end", value, false);
        if (i % 100 == 99) {
            assert_true(gr_bridge_flush(sender.bridge, 10000));
        }
    }
    /* The reader has not been asked in all that time. What the broker still had on its way is awaited by its
     * echo. */
    uint64_t seen = 0;
    char newest[16] = "";
    while (strcmp(newest, "499") != 0) {
        struct gr_bridge_event event = client_await(&reader, GR_BRIDGE_MESSAGE, NULL);
        if (strcmp(event.topic, "flood/a") == 0) {
            (void)snprintf(newest, sizeof newest, "%.*s", (int)event.length, (char *)event.payload);
        }
        seen++;
        gr_bridge_event_free(&event);
    }
    assert_true(gr_bridge_shed(reader.bridge) > 0);
    assert_in_range(seen + gr_bridge_shed(reader.bridge), 999, 1000);
    client_free(&sender);
    client_free(&reader);
}

static void many_bridges_come_and_go_without_a_trace(void **state)
{
    struct broker *broker = broker_get(state);
    static const struct gr_will wills[] = {{"a", "lost"}, {"b", "follow"}};
    struct gr_mqtt mqtt = broker_mqtt(broker, "client");
    for (int i = 0; i < 20; i++) {
        struct client client = client_create(&mqtt, wills, 2, "#");
        for (int turns = 0; turns < i; turns++) {
            struct gr_bridge_event event;
            if (client_turn(&client, &event, 1)) {
                gr_bridge_event_free(&event);
            }
        }
        gr_bridge_free(client.bridge, i % 3 == 0 ? 0 : 1000);
    }
    struct client client = client_create(&mqtt, wills, 2, "#");
    client_await_up(&client);
    client_free(&client);
}

static void nonsense_is_refused_before_anything_is_connected(void **state)
{
    (void)state;
    static const struct {
        const char *host, *will, *filter, *words;
    } rows[] = {
        {"", "a", "b", "host"},
        {"127.0.0.1", "a/#", "b", "must not contain"},
        {"127.0.0.1", "a", "b+", "stand alone"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct gr_mqtt mqtt = {.client_id = "x", .port = 1};
        struct gr_will will = {rows[i].will, "x"};
        struct gr_bridge *bridge = NULL;
        struct gr_error error = {""};
        (void)snprintf(mqtt.host, sizeof mqtt.host, "%s", rows[i].host);
        assert_int_equal(gr_bridge_create(&bridge, &mqtt, &will, 1, &rows[i].filter, 1, 1, &error),
                         GR_INVALID);
        assert_non_null(strstr(error.text, rows[i].words));
    }
    gr_bridge_free(NULL, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        WITH_BROKER(a_message_arrives_and_only_the_kept_one_says_so),
        WITH_BROKER(two_hundred_publishes_at_once_all_arrive),
        WITH_BROKER(nothing_is_published_before_the_connection_is_up),
        WITH_BROKER(a_message_with_an_expiry_is_gone_after_it),
        WITH_BROKER(a_payload_of_ten_megabytes_does_not_reach_us),
        WITH_BROKER(before_mqtt_5_a_payload_that_is_too_big_arrives_without_its_bytes),
        WITH_BROKER(in_a_flood_the_newest_value_of_each_topic_is_kept),
        WITH_BROKER(many_bridges_come_and_go_without_a_trace),
        cmocka_unit_test(nonsense_is_refused_before_anything_is_connected),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
