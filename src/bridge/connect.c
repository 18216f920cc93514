/* Connecting, losing and connecting again. All connections are up, or none counts. */
#include "bridge/credentials.h"
#include "bridge/reason.h"
#include "bridge/state.h"

#include <stdio.h>
#include <string.h>

#define CONNECT_MS 20000
#define SUBSCRIBE_MS 15000
#define CLOSE_MS 2000
#define CLOSE_WAIT_MS 500
#define STAND_BY_MS 600000
#define LEAST_LAG_MS 15000
#define LOSS_MS 1000

/* A connection that held for this long is no sign of trouble: the next wait begins at the shortest again. */
#define STEADY_MS 30000

/* Not every broker says that a session was taken over. Two clients with one id then take it from each other
 * for ever; that shows in connections that are lost soon after they came up, again and again, while the
 * broker itself is always there: an attempt that fails in between speaks for a broker that restarts. */
#define MOST_SHORT_LIVES 4

static void destroy_links(struct gr_bridge *bridge)
{
    for (size_t i = 0; i < bridge->link_count; i++) {
        gr_link_destroy(&bridge->links[i]);
    }
    gr_pending_clear(&bridge->pending);
    /* From here on nothing that a callback may still say belongs to an attempt. */
    bridge->generation++;
    gr_inbox_begin(bridge->inbox, bridge->generation);
}

/* Those that the broker still believes in are closed with their will published: what was commanded last must
 * not stay in force while we cannot correct it. */
static void close_links(struct gr_bridge *bridge, const struct gr_report *reports, bool with_will)
{
    for (size_t i = 0; i < bridge->link_count; i++) {
        if (bridge->links[i].handle && reports[i].connected && !reports[i].failed) {
            gr_link_close(&bridge->links[i], with_will, CLOSE_WAIT_MS);
        }
    }
    bridge->phase = GR_PHASE_CLOSING;
    bridge->deadline_ms = bridge->now_ms + CLOSE_MS;
    gr_inbox_wake(bridge->inbox);
}

/* The same reason again and again is told once. */
static void tell_down(struct gr_bridge *bridge, const char *text)
{
    if (strcmp(bridge->told, text) != 0) {
        (void)snprintf(bridge->told, sizeof bridge->told, "%s", text);
        gr_bridge_tell(bridge, GR_BRIDGE_DOWN, NULL, text);
    }
}

static void stand_by(struct gr_bridge *bridge, const char *text)
{
    bridge->stands_by = true;
    bridge->retry_ms = bridge->now_ms + STAND_BY_MS;
    gr_bridge_tell(bridge, GR_BRIDGE_TAKEN_OVER, NULL, text);
}

/* Called as a connection that was up is lost. */
static void judge_life(struct gr_bridge *bridge)
{
    if (bridge->now_ms - bridge->up_since_ms >= STEADY_MS) {
        bridge->backoff.failures = 0;
        bridge->short_lives = 0;
    } else if (bridge->short_lives < MOST_SHORT_LIVES) {
        bridge->short_lives++;
    }
}

/* Puts the blame on another client where the loss itself has no reason. */
static enum gr_failure suspect(const struct gr_bridge *bridge, enum gr_failure failure, char *text,
                               size_t size)
{
    if (failure != GR_FAILURE_PASSING || bridge->short_lives < MOST_SHORT_LIVES) {
        return failure;
    }
    (void)snprintf(text, size,
                   "lost %d times in a row soon after connecting: does another client use the id %s?",
                   MOST_SHORT_LIVES, bridge->mqtt.client_id);
    return GR_FAILURE_TAKEN_OVER;
}

static void fail(struct gr_bridge *bridge, const struct gr_report *reports, enum gr_failure failure,
                 const char *text)
{
    bridge->version = bridge->mqtt.protocol == 4 ? 4 : 5;
    if (bridge->phase == GR_PHASE_CONNECTING) {
        bridge->short_lives = 0;
    }
    if (failure == GR_FAILURE_TAKEN_OVER) {
        stand_by(bridge, text);
    } else {
        bridge->retry_ms =
            bridge->now_ms + gr_backoff_next_ms(&bridge->backoff, failure == GR_FAILURE_SETTINGS);
        tell_down(bridge, text);
    }
    close_links(bridge, reports, failure != GR_FAILURE_TAKEN_OVER);
}

/* Some brokers refuse MQTT 5 in words, older ones by closing the connection. */
static void fall_back(struct gr_bridge *bridge, const struct gr_report *reports)
{
    bridge->version = 4;
    bridge->retry_ms = bridge->now_ms;
    close_links(bridge, reports, false);
}

static bool wants_older_version(const struct gr_bridge *bridge, enum gr_failure failure)
{
    return bridge->version == 5 && bridge->phase == GR_PHASE_CONNECTING &&
           (failure == GR_FAILURE_VERSION || failure == GR_FAILURE_CLOSED);
}

/* Of several connections that failed, one that was taken over or refused for a reason explains the others. */
static size_t find_failed(const struct gr_report *reports, size_t count)
{
    size_t found = count;
    for (size_t i = 0; i < count; i++) {
        if (reports[i].failed && (found == count || (reports[found].reason == 0 && reports[i].reason != 0))) {
            found = i;
        }
    }
    return found;
}

/* True where a connection has failed; the attempt, or the time of being up, is then over. */
static bool handle_failure(struct gr_bridge *bridge, const struct gr_report *reports)
{
    size_t failed = find_failed(reports, bridge->link_count);
    char text[200];
    if (failed == bridge->link_count) {
        return false;
    }
    enum gr_failure failure =
        gr_failure_of(&reports[failed], &bridge->mqtt, bridge->version, text, sizeof text);
    if (wants_older_version(bridge, failure)) {
        fall_back(bridge, reports);
        return true;
    }
    if (bridge->phase == GR_PHASE_UP) {
        judge_life(bridge);
        failure = suspect(bridge, failure, text, sizeof text);
    }
    fail(bridge, reports, failure, text);
    return true;
}

/* ---- one function per phase ---- */

/* On failure *kind says whether it lies in what is configured, or in the library and may soon pass. */
static int open_links(struct gr_bridge *bridge, enum gr_failure *kind, struct gr_error *error)
{
    struct gr_link_attempt attempt = {.mqtt = &bridge->mqtt, .version = bridge->version};
    char *password = NULL;
    int code = gr_tls_files_check(&bridge->mqtt, error);
    if (code == GR_OK) {
        code = gr_password_read(&password, &bridge->mqtt, error);
    }
    attempt.password = password;
    *kind = code == GR_OK ? GR_FAILURE_PASSING : GR_FAILURE_SETTINGS;
    for (size_t i = 0; i < bridge->link_count && code == GR_OK; i++) {
        attempt.tag = (struct gr_link_tag){.inbox = bridge->inbox,
                                           .generation = bridge->generation,
                                           .link = i,
                                           .filters = bridge->filters,
                                           .filter_count = bridge->filter_count};
        code = gr_link_open(&bridge->links[i], &attempt, error);
    }
    gr_password_wipe(password);
    return code;
}

static void step_waiting(struct gr_bridge *bridge)
{
    struct gr_error error = {""};
    enum gr_failure kind;
    if (bridge->now_ms < bridge->retry_ms) {
        return;
    }
    bridge->stands_by = false;
    bridge->generation++;
    gr_inbox_begin(bridge->inbox, bridge->generation);
    bridge->phase = GR_PHASE_CONNECTING;
    bridge->deadline_ms = bridge->now_ms + CONNECT_MS;
    if (open_links(bridge, &kind, &error) != GR_OK) {
        const struct gr_report none[GR_MOST_WILLS] = {{0}};
        fail(bridge, none, kind, error.text);
    }
}

static void come_up(struct gr_bridge *bridge)
{
    bridge->phase = GR_PHASE_UP;
    bridge->up_since_ms = bridge->now_ms;
    bridge->lost_ms = 0;
    bridge->told[0] = '\0';
    gr_bridge_tell(bridge, GR_BRIDGE_UP, NULL, bridge->version == 5 ? "MQTT 5" : "MQTT 3.1.1");
}

static size_t window_of(const struct gr_report *main)
{
    bool fewer = main->receive_maximum > 0 && main->receive_maximum < GR_MOST_IN_FLIGHT;
    return fewer ? (size_t)main->receive_maximum : GR_MOST_IN_FLIGHT;
}

static void begin_subscribing(struct gr_bridge *bridge, const struct gr_report *reports)
{
    struct gr_error error = {""};
    bridge->phase = GR_PHASE_SUBSCRIBING;
    bridge->window = window_of(&reports[0]);
    bridge->deadline_ms = bridge->now_ms + SUBSCRIBE_MS;
    if (bridge->filter_count == 0) {
        come_up(bridge);
    } else if (gr_link_subscribe(&bridge->links[0], &error) != GR_OK) {
        fail(bridge, reports, GR_FAILURE_PASSING, error.text);
    }
}

static bool is_overdue(const struct gr_bridge *bridge)
{
    return bridge->now_ms >= bridge->deadline_ms;
}

static void step_connecting(struct gr_bridge *bridge, const struct gr_report *reports)
{
    for (size_t i = 0; i < bridge->link_count; i++) {
        if (!reports[i].connected) {
            if (is_overdue(bridge)) {
                fail(bridge, reports, GR_FAILURE_PASSING, "the broker does not answer");
            }
            return;
        }
    }
    begin_subscribing(bridge, reports);
}

static void step_subscribing(struct gr_bridge *bridge, const struct gr_report *reports)
{
    if (reports[0].granted) {
        come_up(bridge);
    } else if (is_overdue(bridge)) {
        fail(bridge, reports, GR_FAILURE_PASSING, "the broker does not answer the subscriptions");
    }
}

static void step_up(struct gr_bridge *bridge, const struct gr_report *reports)
{
    int64_t limit_ms = 3000 * (int64_t)bridge->mqtt.keep_alive_s;
    limit_ms = limit_ms > LEAST_LAG_MS ? limit_ms : LEAST_LAG_MS;
    if (gr_bridge_lag_ms(bridge, bridge->now_ms) > limit_ms) {
        judge_life(bridge);
        fail(bridge, reports, GR_FAILURE_PASSING, "the broker does not answer");
    } else if (bridge->lost_ms && bridge->now_ms - bridge->lost_ms >= LOSS_MS) {
        fail(bridge, reports, GR_FAILURE_PASSING, "the MQTT library lost a message");
    }
}

/* The broker's reason may come a moment after the loss itself. */
static void note_late_reason(struct gr_bridge *bridge, const struct gr_report *reports)
{
    for (size_t i = 0; i < bridge->link_count && !bridge->stands_by; i++) {
        if (reports[i].reason == MQTTREASONCODE_SESSION_TAKEN_OVER) {
            stand_by(bridge, gr_reason_words(reports[i].reason));
        }
    }
}

static void step_closing(struct gr_bridge *bridge, const struct gr_report *reports)
{
    note_late_reason(bridge, reports);
    for (size_t i = 0; i < bridge->link_count && !is_overdue(bridge); i++) {
        bool open = bridge->links[i].handle && reports[i].connected && !reports[i].failed;
        if (open && !reports[i].closed) {
            return;
        }
    }
    destroy_links(bridge);
    bridge->phase = GR_PHASE_WAITING;
}

void gr_bridge_step(struct gr_bridge *bridge, int64_t mono_ms)
{
    struct gr_report reports[GR_MOST_WILLS];
    bridge->now_ms = mono_ms;
    gr_bridge_collect(bridge);
    gr_inbox_reports(bridge->inbox, reports, bridge->link_count);
    bool connected = bridge->phase != GR_PHASE_WAITING && bridge->phase != GR_PHASE_CLOSING;
    if (connected && handle_failure(bridge, reports)) {
        return;
    }
    switch (bridge->phase) {
    case GR_PHASE_WAITING:
        step_waiting(bridge);
        break;
    case GR_PHASE_CONNECTING:
        step_connecting(bridge, reports);
        break;
    case GR_PHASE_SUBSCRIBING:
        step_subscribing(bridge, reports);
        break;
    case GR_PHASE_UP:
        step_up(bridge, reports);
        break;
    case GR_PHASE_CLOSING:
        step_closing(bridge, reports);
        break;
    }
}
