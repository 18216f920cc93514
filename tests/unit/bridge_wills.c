/* Last wills: what the broker publishes when the process, or only one of its connections, is gone. The
 * process that is killed is this program again, started with arguments. */
#include "broker.h"

static const struct gr_will wills[] = {
    {"house/state", "lost"}, {"house/command", "follow"}, {"house/third", "end"}};

/* Publishes "here" on every will's topic, and then stays until it is killed. */
static _Noreturn void live(const char *port, const char *protocol)
{
    struct broker broker = {.port = atoi(port)}; // NOLINT(cert-err34-c)
    struct gr_mqtt mqtt = broker_mqtt(&broker, "house");
    mqtt.protocol = atoi(protocol); // NOLINT(cert-err34-c)
    struct client client = client_create(&mqtt, wills, 3, NULL);
    client_await_up(&client);
    for (size_t i = 0; i < 3; i++) {
        client_publish(&client, wills[i].topic, "here", true);
    }
    for (;;) {
        struct gr_bridge_event event;
        if (client_turn(&client, &event, 500)) {
            gr_bridge_event_free(&event);
        }
    }
}

static pid_t start_house(const struct broker *broker, const char *protocol)
{
    char port[16];
    (void)snprintf(port, sizeof port, "%d", broker->port);
    pid_t pid = fork();
    assert_true(pid >= 0);
    if (pid == 0) {
        (void)execl("/proc/self/exe", "bridge_wills", "--live", port, protocol, (char *)NULL);
        _exit(127);
    }
    return pid;
}

static void kill_house_and_await_wills(struct broker *broker, const char *protocol)
{
    struct client watcher = client_connect(broker, "watcher", "house/#");
    pid_t house = start_house(broker, protocol);
    bool seen[3] = {false, false, false};
    int status;
    for (size_t i = 0; i < 3; i++) {
        client_await_message(&watcher, wills[i].topic, "here", false);
    }
    assert_int_equal(kill(house, SIGKILL), 0);
    assert_int_equal(waitpid(house, &status, 0), house);
    int64_t killed_ms = broker_clock_ms();
    for (size_t count = 0; count < 3; count++) {
        struct gr_bridge_event event = client_await(&watcher, GR_BRIDGE_MESSAGE, NULL);
        for (size_t i = 0; i < 3; i++) {
            seen[i] = seen[i] ||
                      (strcmp(event.topic, wills[i].topic) == 0 && event.length == strlen(wills[i].payload) &&
                       memcmp(event.payload, wills[i].payload, event.length) == 0);
        }
        gr_bridge_event_free(&event);
    }
    assert_true(seen[0] && seen[1] && seen[2]);
    print_message("wills seen %d ms after the kill\n", (int)(broker_clock_ms() - killed_ms));
    /* Whoever asks later learns it too. */
    struct client late = client_connect(broker, "late", "house/command");
    client_await_message(&late, "house/command", "follow", true);
    client_free(&late);
    client_free(&watcher);
}

static void a_killed_process_leaves_the_wills_of_all_its_connections(void **state)
{
    kill_house_and_await_wills(broker_get(state), "5");
}

static void before_mqtt_5_a_killed_process_leaves_them_too(void **state)
{
    kill_house_and_await_wills(broker_get(state), "4");
}

static void an_orderly_end_publishes_no_will(void **state)
{
    struct broker *broker = broker_get(state);
    for (int protocol = 4; protocol <= 5; protocol++) {
        struct client watcher = client_connect(broker, "watcher", "house/#");
        struct gr_mqtt mqtt = broker_mqtt(broker, "house");
        mqtt.protocol = protocol;
        struct client house = client_create(&mqtt, wills, 3, NULL);
        client_await_up(&house);
        client_publish(&house, "house/state", "disconnected", false);
        assert_true(gr_bridge_flush(house.bridge, 5000));
        client_free(&house);
        client_await_message(&watcher, "house/state", "disconnected", false);
        /* A will would have been published before this. */
        struct client later = client_connect(broker, "later", NULL);
        client_publish(&later, "house/later", "x", false);
        struct gr_bridge_event event = client_await(&watcher, GR_BRIDGE_MESSAGE, NULL);
        assert_string_equal(event.topic, "house/later");
        gr_bridge_event_free(&event);
        client_free(&later);
        client_free(&watcher);
    }
}

/* A client that takes an idle connection's id is the way to make a broker end just that connection. */
static void lose_an_idle_connection(struct broker *broker, int protocol)
{
    struct client watcher = client_connect(broker, "watcher", "house/#");
    struct gr_mqtt mqtt = broker_mqtt(broker, "house");
    mqtt.protocol = protocol;
    struct client house = client_create(&mqtt, wills, 3, NULL);
    client_await_up(&house);
    client_publish(&house, "house/command", "charge", true);
    client_await_message(&watcher, "house/command", "charge", false);
    struct client thief = client_connect(broker, "house-1", NULL);
    client_await_text(&house, GR_BRIDGE_DOWN, "lost");
    /* The main connection still held, and so did the other idle one: their wills must come as well. */
    struct gr_bridge_event event;
    bool state_seen = false, third_seen = false;
    int64_t end_ms = broker_clock_ms() + BROKER_PATIENCE_MS;
    while (!(state_seen && third_seen) && broker_clock_ms() < end_ms) {
        client_step(&house);
        if (client_turn(&watcher, &event, 20)) {
            state_seen = state_seen || strcmp(event.topic, "house/state") == 0;
            third_seen = third_seen || strcmp(event.topic, "house/third") == 0;
            gr_bridge_event_free(&event);
        }
    }
    assert_true(state_seen && third_seen);
    client_free(&thief);
    if (!gr_bridge_is_up(house.bridge)) {
        client_await_up(&house);
    }
    client_free(&house);
    client_free(&watcher);
}

static void the_loss_of_one_connection_ends_in_every_will_and_a_new_start(void **state)
{
    lose_an_idle_connection(broker_get(state), 5);
}

static void before_mqtt_5_the_loss_of_one_connection_ends_so_too(void **state)
{
    lose_an_idle_connection(broker_get(state), 4);
}

int main(int count, char **arguments)
{
    const struct CMUnitTest tests[] = {
        WITH_BROKER(a_killed_process_leaves_the_wills_of_all_its_connections),
        WITH_BROKER(before_mqtt_5_a_killed_process_leaves_them_too),
        WITH_BROKER(an_orderly_end_publishes_no_will),
        WITH_BROKER(the_loss_of_one_connection_ends_in_every_will_and_a_new_start),
        WITH_BROKER(before_mqtt_5_the_loss_of_one_connection_ends_so_too),
    };
    if (count == 4 && strcmp(arguments[1], "--live") == 0) {
        live(arguments[2], arguments[3]);
    }
    return cmocka_run_group_tests(tests, NULL, NULL);
}
