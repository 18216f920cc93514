/* The bridge's calls; how it connects is in connect.c. */
#include "bridge/reason.h"
#include "bridge/state.h"

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* ---- making and ending ---- */

static int check_arguments(const struct gr_mqtt *mqtt, const struct gr_will *wills, size_t will_count,
                           const char *const *filters, size_t filter_count, struct gr_error *error)
{
    int code = GR_OK;
    if (mqtt->host[0] == '\0' || mqtt->client_id[0] == '\0') {
        return gr_error_set(error, GR_INVALID, "mqtt: a host and a client id are needed");
    }
    if (will_count > GR_MOST_WILLS) {
        return gr_error_set(error, GR_INVALID, "mqtt: %zu last wills, at most %d are possible", will_count,
                            GR_MOST_WILLS);
    }
    for (size_t i = 0; i < will_count && code == GR_OK; i++) {
        if (!wills[i].topic || !wills[i].payload) {
            return gr_error_set(error, GR_INVALID, "mqtt: last will %zu has no topic or no payload", i + 1);
        }
        code = gr_topic_check(wills[i].topic, false, error);
    }
    for (size_t i = 0; i < filter_count && code == GR_OK; i++) {
        code = gr_topic_check(filters[i], true, error);
    }
    return code;
}

static bool copy_wills(struct gr_bridge *bridge, const struct gr_will *wills, size_t will_count)
{
    bridge->link_count = will_count > 0 ? will_count : 1;
    for (size_t i = 0; i < will_count; i++) {
        struct gr_last_will *copy = &bridge->wills[i];
        copy->topic = strdup(wills[i].topic);
        copy->payload = strdup(wills[i].payload);
        if (!copy->topic || !copy->payload) {
            return false;
        }
        bridge->links[i].will = *copy;
    }
    return true;
}

static bool holds_filter(const struct gr_bridge *bridge, const char *filter)
{
    for (size_t i = 0; i < bridge->filter_count; i++) {
        if (strcmp(bridge->filters[i], filter) == 0) {
            return true;
        }
    }
    return false;
}

/* Two channels may share a topic; it is subscribed once. */
static bool copy_filters(struct gr_bridge *bridge, const char *const *filters, size_t filter_count)
{
    bridge->filter_count = 0;
    bridge->filters = calloc(filter_count + 1, sizeof *bridge->filters);
    if (!bridge->filters) {
        return false;
    }
    for (size_t i = 0; i < filter_count; i++) {
        if (holds_filter(bridge, filters[i])) {
            continue;
        }
        bridge->filters[bridge->filter_count] = strdup(filters[i]);
        if (!bridge->filters[bridge->filter_count]) {
            return false;
        }
        bridge->filter_count++;
    }
    return true;
}

int gr_bridge_create(struct gr_bridge **out, const struct gr_mqtt *mqtt, const struct gr_will *wills,
                     size_t will_count, const char *const *filters, size_t filter_count, uint64_t jitter_seed,
                     struct gr_error *error)
{
    int code = check_arguments(mqtt, wills, will_count, filters, filter_count, error);
    if (code != GR_OK) {
        return code;
    }
    struct gr_bridge *bridge = calloc(1, sizeof *bridge);
    if (!bridge) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for the MQTT bridge");
    }
    bridge->mqtt = *mqtt;
    bridge->version = mqtt->protocol == 4 ? 4 : 5;
    bridge->backoff.random = jitter_seed;
    bridge->retry_ms = INT64_MIN;
    code = gr_inbox_create(&bridge->inbox, error);
    if (code == GR_OK &&
        (!copy_wills(bridge, wills, will_count) || !copy_filters(bridge, filters, filter_count))) {
        code = gr_error_set(error, GR_NO_MEMORY, "no memory for the MQTT bridge");
    }
    if (code != GR_OK) {
        gr_bridge_free(bridge, 0);
        return code;
    }
    *out = bridge;
    return GR_OK;
}

static int64_t clock_ms(void)
{
    struct timespec now;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/* Waits for the library to report something, until end_ms; false where the time is over. */
static bool wait_for_news(struct gr_bridge *bridge, int64_t end_ms)
{
    int64_t left_ms = end_ms - clock_ms();
    struct pollfd poll_fd = {.fd = gr_inbox_fd(bridge->inbox), .events = POLLIN};
    if (left_ms <= 0) {
        return false;
    }
    int ready = poll(&poll_fd, 1, (int)left_ms);
    return ready > 0 || (ready < 0 && errno == EINTR);
}

static bool all_ended(struct gr_bridge *bridge)
{
    struct gr_report reports[GR_MOST_WILLS];
    gr_inbox_hush(bridge->inbox);
    gr_inbox_reports(bridge->inbox, reports, bridge->link_count);
    for (size_t i = 0; i < bridge->link_count; i++) {
        if (bridge->links[i].handle && reports[i].connected && !reports[i].failed && !reports[i].closed) {
            return false;
        }
    }
    return true;
}

static void end_links(struct gr_bridge *bridge, bool with_wills, int timeout_ms)
{
    int64_t end_ms = clock_ms() + timeout_ms;
    struct gr_report reports[GR_MOST_WILLS];
    gr_inbox_reports(bridge->inbox, reports, bridge->link_count);
    for (size_t i = 0; i < bridge->link_count; i++) {
        if (bridge->links[i].handle && reports[i].connected && !reports[i].failed) {
            gr_link_close(&bridge->links[i], with_wills, timeout_ms);
        }
    }
    while (!all_ended(bridge) && wait_for_news(bridge, end_ms)) {
    }
    for (size_t i = 0; i < bridge->link_count; i++) {
        gr_link_destroy(&bridge->links[i]);
    }
}

static void end(struct gr_bridge *bridge, bool with_wills, int timeout_ms)
{
    if (!bridge) {
        return;
    }
    if (bridge->inbox) {
        end_links(bridge, with_wills, timeout_ms);
    }
    gr_inbox_free(bridge->inbox);
    gr_pending_clear(&bridge->pending);
    for (size_t i = 0; i < bridge->own_count; i++) {
        gr_bridge_event_free(&bridge->own[i]);
    }
    for (size_t i = 0; i < bridge->filter_count; i++) {
        free(bridge->filters[i]);
    }
    free(bridge->filters);
    for (size_t i = 0; i < GR_MOST_WILLS; i++) {
        free(bridge->wills[i].topic);
        free(bridge->wills[i].payload);
    }
    free(bridge);
}

void gr_bridge_free(struct gr_bridge *bridge, int timeout_ms)
{
    end(bridge, false, timeout_ms);
}

void gr_bridge_abandon(struct gr_bridge *bridge, int timeout_ms)
{
    end(bridge, true, timeout_ms);
}

/* ---- events ---- */

void gr_bridge_event_free(struct gr_bridge_event *event)
{
    free(event->topic);
    free(event->payload);
    event->topic = NULL;
    event->payload = NULL;
}

static void drop_first(struct gr_bridge *bridge)
{
    bridge->own_count--;
    memmove(bridge->own, bridge->own + 1, bridge->own_count * sizeof bridge->own[0]);
}

void gr_bridge_tell(struct gr_bridge *bridge, enum gr_bridge_event_kind kind, const char *topic,
                    const char *text)
{
    if (bridge->own_count == GR_MOST_OWN_EVENTS) {
        if (kind == GR_BRIDGE_REFUSED) {
            return;
        }
        gr_bridge_event_free(&bridge->own[0]);
        drop_first(bridge);
    }
    struct gr_bridge_event *event = &bridge->own[bridge->own_count++];
    *event = (struct gr_bridge_event){.kind = kind, .topic = topic ? strdup(topic) : NULL};
    (void)snprintf(event->text, sizeof event->text, "%s", text);
    gr_inbox_wake(bridge->inbox);
}

int gr_bridge_fd(const struct gr_bridge *bridge)
{
    return gr_inbox_fd(bridge->inbox);
}

bool gr_bridge_next(struct gr_bridge *bridge, struct gr_bridge_event *event)
{
    if (bridge->own_count > 0) {
        *event = bridge->own[0];
        drop_first(bridge);
        return true;
    }
    if (gr_inbox_message(bridge->inbox, event)) {
        return true;
    }
    gr_inbox_settle(bridge->inbox);
    return false;
}

bool gr_bridge_is_up(const struct gr_bridge *bridge)
{
    return bridge->phase == GR_PHASE_UP;
}

uint64_t gr_bridge_shed(const struct gr_bridge *bridge)
{
    return gr_inbox_shed(bridge->inbox);
}

/* ---- publishing ---- */

/* Hands as many publishes to the library as the broker takes at once. A failure is that of the publish
 * dropped last. */
static int send_pending(struct gr_bridge *bridge, struct gr_error *error)
{
    struct gr_pending *pending = &bridge->pending;
    int code = GR_OK;
    while (bridge->phase == GR_PHASE_UP && pending->in_flight < bridge->window &&
           pending->in_flight < pending->count) {
        struct gr_pending_publish *item = &pending->items[pending->in_flight];
        if (gr_link_publish(&bridge->links[0], item, error) == GR_OK) {
            pending->in_flight++;
        } else {
            code = GR_IO;
            gr_pending_drop(pending, pending->in_flight);
        }
    }
    return code;
}

int gr_bridge_publish(struct gr_bridge *bridge, const char *topic, const void *payload, size_t length,
                      bool retained, int expiry_s, struct gr_error *error)
{
    struct gr_publish publish = {topic, payload, length, retained, expiry_s};
    int code = gr_topic_check(topic, false, error);
    if (code != GR_OK) {
        return code;
    }
    if (bridge->phase != GR_PHASE_UP) {
        return gr_error_set(error, GR_IO, "no connection to the broker");
    }
    if (length > GR_MOST_PAYLOAD_BYTES) {
        return gr_error_set(error, GR_INVALID, "payload for %s has %zu bytes, at most %zu are sent", topic,
                            length, GR_MOST_PAYLOAD_BYTES);
    }
    if (!gr_pending_add(&bridge->pending, &publish, bridge->now_ms)) {
        return gr_error_set(error, GR_IO, "%zu publishes wait for the broker already", bridge->pending.count);
    }
    return send_pending(bridge, error);
}

/* Whoever published believes that it is on its way. Mostly the connection is lost, which its own report will
 * say; else gr_bridge_step ends it, and after it all is published anew. */
static void note_loss(struct gr_bridge *bridge)
{
    bridge->lost_ms = bridge->lost_ms ? bridge->lost_ms : bridge->now_ms;
}

void gr_bridge_collect(struct gr_bridge *bridge)
{
    struct gr_ack acks[GR_MOST_PENDING];
    size_t count = gr_inbox_acks(bridge->inbox, acks);
    for (size_t i = 0; i < count; i++) {
        size_t index = gr_pending_find(&bridge->pending, acks[i].token);
        if (index == bridge->pending.count) {
            continue;
        }
        if (acks[i].reason >= 128) {
            gr_bridge_tell(bridge, GR_BRIDGE_REFUSED, bridge->pending.items[index].topic,
                           gr_reason_words(acks[i].reason));
        }
        if (acks[i].reason < 0) {
            note_loss(bridge);
        }
        gr_pending_drop(&bridge->pending, index);
    }
    if (send_pending(bridge, NULL) != GR_OK) {
        note_loss(bridge);
    }
}

int64_t gr_bridge_lag_ms(const struct gr_bridge *bridge, int64_t mono_ms)
{
    return gr_pending_lag_ms(&bridge->pending, mono_ms);
}

bool gr_bridge_flush(struct gr_bridge *bridge, int timeout_ms)
{
    int64_t end_ms = clock_ms() + timeout_ms;
    struct gr_report report = {0};
    bool waiting = true;
    while (waiting) {
        gr_inbox_hush(bridge->inbox);
        gr_bridge_collect(bridge);
        gr_inbox_reports(bridge->inbox, &report, 1);
        waiting = bridge->phase == GR_PHASE_UP && bridge->pending.count > 0 && !report.failed &&
                  wait_for_news(bridge, end_ms);
    }
    /* What else has come in the meantime is still to be told. */
    gr_inbox_wake(bridge->inbox);
    return bridge->pending.count == 0 && bridge->lost_ms == 0;
}
