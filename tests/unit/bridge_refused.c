/* What a broker may refuse: the password, a subscription, a publish, the version, the certificate; and what
 * is said then. */
#include "fake_broker.h"

static int set_up(void **state)
{
    struct broker *broker = calloc(1, sizeof *broker);
    if (!broker) {
        return -1;
    }
    *state = broker;
    if (broker_is_installed()) {
        broker_prepare(broker);
    }
    return 0;
}

static void run(const char *command)
{
    if (system(command) != 0) { // NOLINT(cert-env33-c)
        fail_msg("this failed: %s", command);
    }
}

static void run_in(const struct broker *broker, const char *commands)
{
    char text[1500];
    (void)snprintf(text, sizeof text, "cd %s && { %s; } >/dev/null 2>&1", broker->folder, commands);
    run(text);
}

/* ---- passwords and access lists ---- */

static void start_with_password(struct broker *broker)
{
    broker_write(broker, "password", "correct\n");
    run_in(broker, "mosquitto_passwd -b -c passwords house correct");
    broker_write(broker, "acl", "user house\ntopic readwrite house/#\ntopic readwrite allowed\n");
    broker_start(broker, "allow_anonymous false\npassword_file %s/passwords\nacl_file %s/acl\n");
}

static struct gr_mqtt with_password(const struct broker *broker, const char *user)
{
    struct gr_mqtt mqtt = broker_mqtt(broker, "client");
    (void)snprintf(mqtt.user, sizeof mqtt.user, "%s", user);
    broker_path(mqtt.password_file, sizeof mqtt.password_file, broker, "password");
    return mqtt;
}

static void the_right_password_is_let_in(void **state)
{
    struct broker *broker = broker_get(state);
    start_with_password(broker);
    struct gr_mqtt mqtt = with_password(broker, "house");
    struct client client = client_create(&mqtt, NULL, 0, "house/#");
    client_await_up(&client);
    client_free(&client);
}

static void a_wrong_password_is_named_and_tried_again_only_after_a_minute(void **state)
{
    struct broker *broker = broker_get(state);
    start_with_password(broker);
    broker_write(broker, "password", "wrong\n");
    for (int protocol = 4; protocol <= 5; protocol++) {
        struct gr_mqtt mqtt = with_password(broker, "house");
        mqtt.protocol = protocol;
        struct client client = client_create(&mqtt, NULL, 0, "house/#");
        client_await_text(&client, GR_BRIDGE_DOWN, "password");
        broker_write(broker, "password", "correct\n");
        struct gr_bridge_event event;
        client.ahead_ms = 50000;
        for (int i = 0; i < 20; i++) {
            assert_false(client_turn(&client, &event, 20));
        }
        /* The file is read anew for each attempt. */
        client.ahead_ms = 76000;
        client_await_up(&client);
        client_free(&client);
        broker_write(broker, "password", "wrong\n");
    }
}

static void a_password_file_that_is_missing_is_named(void **state)
{
    struct broker *broker = broker_get(state);
    start_with_password(broker);
    struct gr_mqtt mqtt = with_password(broker, "house");
    (void)snprintf(mqtt.password_file, sizeof mqtt.password_file, "%s/missing", broker->folder);
    struct client client = client_create(&mqtt, NULL, 0, NULL);
    client_await_text(&client, GR_BRIDGE_DOWN, "missing");
    client_free(&client);
}

static void a_publish_that_is_refused_is_told_with_its_topic(void **state)
{
    struct broker *broker = broker_get(state);
    start_with_password(broker);
    struct gr_mqtt mqtt = with_password(broker, "house");
    struct client client = client_create(&mqtt, NULL, 0, NULL);
    client_await_up(&client);
    client_publish(&client, "allowed", "x", true);
    client_publish(&client, "forbidden", "x", true);
    struct gr_bridge_event event = client_await(&client, GR_BRIDGE_REFUSED, NULL);
    assert_string_equal(event.topic, "forbidden");
    assert_non_null(strstr(event.text, "not authorised"));
    gr_bridge_event_free(&event);
    assert_true(gr_bridge_is_up(client.bridge));
    assert_true(gr_bridge_flush(client.bridge, 5000));
    client_free(&client);
}

/* mosquitto 2.0.11 grants every subscription and then delivers nothing, so that this takes another broker. */
static void a_subscription_that_is_refused_is_told_with_its_filter(void **state)
{
    (void)state;
    static const char *const filters[] = {"house/soc", "house/grid", "house/soc", "house/secret"};
    for (int protocol = 4; protocol <= 5; protocol++) {
        for (size_t first = 0; first < 4; first += 3) {
            struct fake_broker fake = {.filters = first == 0 ? 3 : 1};
            fake_start(&fake, FAKE_REFUSES_THE_LAST_FILTER);
            struct broker address = {.port = fake.port};
            struct gr_mqtt mqtt = broker_mqtt(&address, "client");
            struct client client = {NULL, 0};
            mqtt.protocol = protocol;
            assert_int_equal(
                gr_bridge_create(&client.bridge, &mqtt, NULL, 0, filters + first, 4 - first, 1, NULL), GR_OK);
            client_await_text(&client, GR_BRIDGE_DOWN, ": subscription to \"house/secret\"");
            client_free(&client);
            fake_stop(&fake);
        }
    }
}

/* ---- versions ---- */

static void fall_back_from(enum fake_manner manner)
{
    struct fake_broker fake;
    fake_start(&fake, manner);
    struct broker address = {.port = fake.port};
    struct gr_mqtt mqtt = broker_mqtt(&address, "client");
    struct client client = client_create(&mqtt, NULL, 0, "house/#");
    struct gr_bridge_event event = client_await(&client, GR_BRIDGE_UP, NULL);
    assert_string_equal(event.text, "MQTT 3.1.1");
    gr_bridge_event_free(&event);
    assert_int_equal(atomic_load(&fake.modern), 1);
    assert_int_equal(atomic_load(&fake.old), 1);
    client_free(&client);
    fake_stop(&fake);
}

static void a_broker_that_refuses_mqtt_5_is_spoken_to_in_the_older_version(void **state)
{
    (void)state;
    fall_back_from(FAKE_REFUSES_MQTT_5);
}

static void a_broker_that_refuses_it_in_the_older_form_too(void **state)
{
    (void)state;
    fall_back_from(FAKE_REFUSES_AS_3_1_1);
}

static void a_broker_that_closes_on_mqtt_5_too(void **state)
{
    (void)state;
    fall_back_from(FAKE_CLOSES_ON_MQTT_5);
}

static void a_session_that_is_taken_over_is_left_to_the_other_for_ten_minutes(void **state)
{
    (void)state;
    struct fake_broker fake;
    fake_start(&fake, FAKE_IS_TAKEN_OVER);
    struct broker address = {.port = fake.port};
    struct gr_mqtt mqtt = broker_mqtt(&address, "client");
    struct client client = client_create(&mqtt, NULL, 0, "house/#");
    client_await_text(&client, GR_BRIDGE_TAKEN_OVER, "another client has connected with our id");
    assert_false(gr_bridge_is_up(client.bridge));
    struct gr_bridge_event event;
    client.ahead_ms = 595000;
    for (int i = 0; i < 20; i++) {
        assert_false(client_turn(&client, &event, 20));
    }
    assert_int_equal(atomic_load(&fake.modern), 1);
    client.ahead_ms = 605000;
    client_await_text(&client, GR_BRIDGE_TAKEN_OVER, "another client has connected with our id");
    assert_int_equal(atomic_load(&fake.modern), 2);
    client_free(&client);
    fake_stop(&fake);
}

/* ---- TLS ---- */

static void make_certificates(const struct broker *broker)
{
    run_in(
        broker,
        "openssl req -x509 -newkey rsa:2048 -nodes -keyout ca.key -out ca.pem -days 2 -subj '/CN=Test CA'; "
        "openssl req -x509 -newkey rsa:2048 -nodes -keyout ca.key -out other.pem -days 2 -subj '/CN=Other'; "
        "openssl req -x509 -newkey rsa:2048 -nodes -keyout ca.key -out ca.pem -days 2 -subj '/CN=Test CA'; "
        "openssl req -newkey rsa:2048 -nodes -keyout host.key -out host.csr -subj '/CN=localhost'; "
        "printf 'subjectAltName=DNS:localhost' > ext.cnf; "
        "openssl x509 -req -in host.csr -CA ca.pem -CAkey ca.key -set_serial 1 -out host.pem -days 2 "
        "-extfile ext.cnf");
}

static void tls_lets_in_only_the_right_name_with_the_right_authority(void **state)
{
    struct broker *broker = broker_get(state);
    static const struct {
        const char *host, *authority, *words; /* words NULL: comes up */
    } rows[] = {
        {"localhost", "ca.pem", NULL},
        {"127.0.0.1", "ca.pem", "certificate is not for this name"},
        {"localhost", "other.pem", "certificate verify failed"},
        {"localhost", "", "certificate verify failed"},
        {"localhost", "missing.pem", "missing.pem cannot be read"},
    };
    make_certificates(broker);
    broker_start(broker, "allow_anonymous true\ncertfile %s/host.pem\nkeyfile %s/host.key\n");
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct gr_mqtt mqtt = broker_mqtt(broker, "client");
        static const struct gr_will wills[] = {{"a", "lost"}, {"b", "follow"}};
        mqtt.tls = true;
        (void)snprintf(mqtt.host, sizeof mqtt.host, "%s", rows[i].host);
        if (rows[i].authority[0] != '\0') {
            broker_path(mqtt.ca_file, sizeof mqtt.ca_file, broker, rows[i].authority);
        }
        struct client client = client_create(&mqtt, wills, 2, "house/#");
        if (rows[i].words) {
            client_await_text(&client, GR_BRIDGE_DOWN, rows[i].words);
        } else {
            client_await_up(&client);
        }
        client_free(&client);
    }
}

static void a_plain_client_of_a_tls_port_is_told_so(void **state)
{
    struct broker *broker = broker_get(state);
    make_certificates(broker);
    broker_start(broker, "allow_anonymous true\ncertfile %s/host.pem\nkeyfile %s/host.key\n");
    struct gr_mqtt mqtt = broker_mqtt(broker, "client");
    struct client client = client_create(&mqtt, NULL, 0, NULL);
    client_await_text(&client, GR_BRIDGE_DOWN, "expect TLS");
    client_free(&client);
}

static void a_name_that_does_not_exist_is_told_so(void **state)
{
    (void)state;
    struct gr_mqtt mqtt = {.host = "no.such.host.invalid", .port = 1883, .protocol = 5, .client_id = "x"};
    mqtt.keep_alive_s = 5;
    struct client client = client_create(&mqtt, NULL, 0, NULL);
    client_await_text(&client, GR_BRIDGE_DOWN, "no.such.host.invalid");
    client_free(&client);
}

#define WITH_REFUSING_BROKER(test) cmocka_unit_test_setup_teardown(test, set_up, broker_tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        WITH_REFUSING_BROKER(the_right_password_is_let_in),
        WITH_REFUSING_BROKER(a_wrong_password_is_named_and_tried_again_only_after_a_minute),
        WITH_REFUSING_BROKER(a_password_file_that_is_missing_is_named),
        WITH_REFUSING_BROKER(a_publish_that_is_refused_is_told_with_its_topic),
        WITH_REFUSING_BROKER(a_subscription_that_is_refused_is_told_with_its_filter),
        cmocka_unit_test(a_broker_that_refuses_mqtt_5_is_spoken_to_in_the_older_version),
        cmocka_unit_test(a_broker_that_refuses_it_in_the_older_form_too),
        cmocka_unit_test(a_broker_that_closes_on_mqtt_5_too),
        cmocka_unit_test(a_session_that_is_taken_over_is_left_to_the_other_for_ten_minutes),
        WITH_REFUSING_BROKER(tls_lets_in_only_the_right_name_with_the_right_authority),
        WITH_REFUSING_BROKER(a_plain_client_of_a_tls_port_is_told_so),
        cmocka_unit_test(a_name_that_does_not_exist_is_told_so),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
