/* A real broker on a free loopback port, for tests; and waiting for what a bridge has to say. Every wait is
 * for an event, with a bound that only a failure reaches. */
#ifndef GRANARY_TESTS_BROKER_H
#define GRANARY_TESTS_BROKER_H

#include "granary/bridge.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <poll.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

#define BROKER_PATIENCE_MS 20000

struct broker {
    pid_t pid;
    int port;
    char folder[64];
    char settings[160];
};

static inline int64_t broker_clock_ms(void)
{
    struct timespec now;
    assert_int_equal(clock_gettime(CLOCK_MONOTONIC, &now), 0);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

static inline const char *broker_program(void)
{
    return access("/usr/sbin/mosquitto", X_OK) == 0 ? "/usr/sbin/mosquitto" : "mosquitto";
}

static inline struct sockaddr_in broker_address(int port)
{
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_port = htons((uint16_t)port)};
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    return address;
}

/* A socket that listens on a port of the kernel's choice. */
static inline int broker_listen(int *port)
{
    struct sockaddr_in address = broker_address(0);
    socklen_t size = sizeof address;
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_true(fd >= 0);
    assert_int_equal(bind(fd, (struct sockaddr *)&address, sizeof address), 0);
    assert_int_equal(listen(fd, 16), 0);
    assert_int_equal(getsockname(fd, (struct sockaddr *)&address, &size), 0);
    *port = ntohs(address.sin_port);
    return fd;
}

static inline bool broker_accepts(int port)
{
    struct sockaddr_in address = broker_address(port);
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_true(fd >= 0);
    bool accepted = connect(fd, (struct sockaddr *)&address, sizeof address) == 0;
    (void)close(fd);
    return accepted;
}

static inline void broker_path(char *out, size_t size, const struct broker *broker, const char *name)
{
    (void)snprintf(out, size, "%s/%s", broker->folder, name);
}

static inline void broker_write(const struct broker *broker, const char *name, const char *text)
{
    char path[160];
    broker_path(path, sizeof path, broker, name);
    FILE *file = fopen(path, "we");
    assert_non_null(file);
    assert_true(fputs(text, file) >= 0);
    assert_int_equal(fclose(file), 0);
}

/* Starts the broker in its folder, and waits until it accepts connections. */
static inline void broker_run(struct broker *broker)
{
    int64_t end_ms = broker_clock_ms() + BROKER_PATIENCE_MS;
    broker->pid = fork();
    assert_true(broker->pid >= 0);
    if (broker->pid == 0) {
        int quiet = open("/dev/null", O_WRONLY | O_CLOEXEC);
        (void)dup2(quiet, STDOUT_FILENO);
        (void)dup2(quiet, STDERR_FILENO);
        (void)execlp(broker_program(), "mosquitto", "-c", broker->settings, (char *)NULL);
        _exit(127);
    }
    while (!broker_accepts(broker->port)) {
        int status;
        if (broker_clock_ms() > end_ms || waitpid(broker->pid, &status, WNOHANG) == broker->pid) {
            fail_msg("the broker does not start");
        }
        (void)poll(NULL, 0, 5);
    }
}

/* A folder of its own with a free port; files may be written there before broker_start. */
static inline void broker_prepare(struct broker *broker)
{
    *broker = (struct broker){.folder = "/tmp/granary-broker-XXXXXX"};
    assert_non_null(mkdtemp(broker->folder));
    (void)close(broker_listen(&broker->port));
    broker_path(broker->settings, sizeof broker->settings, broker, "mosquitto.conf");
}

/* `%s` in the settings stands for the folder. */
static inline void broker_start(struct broker *broker, const char *settings)
{
    char text[2000];
    int used = snprintf(text, sizeof text, "user root\nlistener %d 127.0.0.1\n", broker->port);
    for (const char *c = settings; *c != '\0' && used < (int)sizeof text - 100; c++) {
        if (c[0] == '%' && c[1] == 's') {
            used += snprintf(text + used, sizeof text - (size_t)used, "%s", broker->folder);
            c++;
        } else {
            text[used++] = *c;
        }
    }
    text[used] = '\0';
    broker_write(broker, "mosquitto.conf", text);
    broker_run(broker);
}

static inline void broker_kill(struct broker *broker)
{
    if (broker->pid > 0) {
        int status;
        (void)kill(broker->pid, SIGKILL);
        assert_int_equal(waitpid(broker->pid, &status, 0), broker->pid);
        broker->pid = 0;
    }
}

static inline void broker_remove(struct broker *broker)
{
    static const char *const names[] = {"mosquitto.conf", "password", "passwords", "acl",
                                        "ca.pem",         "ca.key",   "host.pem",  "host.key",
                                        "host.csr",       "ext.cnf",  "other.pem"};
    broker_kill(broker);
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        char path[160];
        broker_path(path, sizeof path, broker, names[i]);
        (void)unlink(path);
    }
    (void)rmdir(broker->folder);
}

static inline bool broker_is_installed(void)
{
    return system("command -v mosquitto >/dev/null 2>&1 || test -x /usr/sbin/mosquitto") ==
           0; // NOLINT(cert-env33-c)
}

/* ---- bridges ---- */

static inline struct gr_mqtt broker_mqtt(const struct broker *broker, const char *client_id)
{
    struct gr_mqtt mqtt = {.host = "127.0.0.1", .port = broker->port, .protocol = 5, .keep_alive_s = 5};
    (void)snprintf(mqtt.client_id, sizeof mqtt.client_id, "%s", client_id);
    return mqtt;
}

/* A bridge, and how far its clock is ahead of the real one. */
struct client {
    struct gr_bridge *bridge;
    int64_t ahead_ms;
};

static inline struct client client_create(const struct gr_mqtt *mqtt, const struct gr_will *wills,
                                          size_t will_count, const char *filter)
{
    struct client client = {NULL, 0};
    struct gr_error error = {""};
    if (gr_bridge_create(&client.bridge, mqtt, wills, will_count, &filter, filter ? 1 : 0, 1, &error) !=
        GR_OK) {
        fail_msg("%s", error.text);
    }
    return client;
}

static inline void client_free(struct client *client)
{
    gr_bridge_free(client->bridge, 2000);
    client->bridge = NULL;
}

static inline void client_step(struct client *client)
{
    gr_bridge_step(client->bridge, broker_clock_ms() + client->ahead_ms);
}

/* One turn of a loop: waits at most wait_ms, steps, and takes an event where there is one. */
static inline bool client_turn(struct client *client, struct gr_bridge_event *event, int wait_ms)
{
    struct pollfd poll_fd = {.fd = gr_bridge_fd(client->bridge), .events = POLLIN};
    client_step(client);
    if (gr_bridge_next(client->bridge, event)) {
        return true;
    }
    (void)poll(&poll_fd, 1, wait_ms);
    client_step(client);
    return gr_bridge_next(client->bridge, event);
}

/* The next event of this kind (and topic, where not NULL); others are dropped. Fails where none comes. */
static inline struct gr_bridge_event client_await(struct client *client, enum gr_bridge_event_kind kind,
                                                  const char *topic)
{
    int64_t end_ms = broker_clock_ms() + BROKER_PATIENCE_MS;
    char last[512] = "nothing";
    while (broker_clock_ms() < end_ms) {
        struct gr_bridge_event event;
        if (!client_turn(client, &event, 100)) {
            continue;
        }
        if (event.kind == kind && (!topic || (event.topic && strcmp(event.topic, topic) == 0))) {
            return event;
        }
        (void)snprintf(last, sizeof last, "kind %d, %s%.200s", (int)event.kind, event.text,
                       event.topic ? event.topic : "");
        gr_bridge_event_free(&event);
    }
    fail_msg("no event of kind %d for %s came; last: %s", (int)kind, topic ? topic : "any topic", last);
    return (struct gr_bridge_event){0};
}

static inline void client_await_up(struct client *client)
{
    struct gr_bridge_event event = client_await(client, GR_BRIDGE_UP, NULL);
    assert_true(gr_bridge_is_up(client->bridge));
    gr_bridge_event_free(&event);
}

static inline void client_await_text(struct client *client, enum gr_bridge_event_kind kind, const char *words)
{
    struct gr_bridge_event event = client_await(client, kind, NULL);
    if (!strstr(event.text, words)) {
        fail_msg("\"%s\" does not say \"%s\"", event.text, words);
    }
    gr_bridge_event_free(&event);
}

static inline void client_await_message(struct client *client, const char *topic, const char *payload,
                                        bool retained)
{
    struct gr_bridge_event event = client_await(client, GR_BRIDGE_MESSAGE, topic);
    assert_int_equal(event.length, strlen(payload));
    assert_memory_equal(event.payload, payload, event.length);
    assert_int_equal(event.retained, retained);
    gr_bridge_event_free(&event);
}

static inline void client_publish(struct client *client, const char *topic, const char *payload,
                                  bool retained)
{
    struct gr_error error = {""};
    if (gr_bridge_publish(client->bridge, topic, payload, strlen(payload), retained, 0, &error) != GR_OK) {
        fail_msg("%s: %s", topic, error.text);
    }
}

/* ---- one broker per test ---- */

static inline int broker_set_up(void **state)
{
    struct broker *broker = calloc(1, sizeof *broker);
    if (!broker) {
        return -1;
    }
    *state = broker;
    if (broker_is_installed()) {
        broker_prepare(broker);
        broker_start(broker, "allow_anonymous true\n");
    }
    return 0;
}

static inline int broker_tear_down(void **state)
{
    struct broker *broker = *state;
    if (broker->port > 0) {
        broker_remove(broker);
    }
    free(broker);
    return 0;
}

#define WITH_BROKER(test) cmocka_unit_test_setup_teardown(test, broker_set_up, broker_tear_down)

/* The test's broker; the test is skipped where none is installed. */
static inline struct broker *broker_get(void **state)
{
    struct broker *broker = *state;
    if (broker->port == 0) {
        print_message("mosquitto is not installed\n");
        skip();
    }
    return broker;
}

static inline struct client client_connect(const struct broker *broker, const char *id, const char *filter)
{
    struct gr_mqtt mqtt = broker_mqtt(broker, id);
    struct client client = client_create(&mqtt, NULL, 0, filter);
    client_await_up(&client);
    return client;
}

#endif
