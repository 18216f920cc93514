/* The events' part of the feed. */
#include "config/json_text.h"
#include "daemon/feed_item.h"
#include "daemon/log.h"
#include "granary/civil.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { KEPT_NAME_SIZE = 2 * GR_NAME_SIZE };

static void kept_name(char out[KEPT_NAME_SIZE], const struct gr_feed_item *item)
{
    (void)snprintf(out, KEPT_NAME_SIZE, "events of %s", item->source->name);
}

/* ---- JSON ---- */

static json_t *write_window(const struct gr_told_window *told)
{
    char start[GR_RFC3339_SIZE], end[GR_RFC3339_SIZE];
    const struct gr_window *window = &told->window;
    return json_pack("{s:s, s:s, s:s, s:s, s:f}", "id", told->id, "kind", gr_window_name(window->kind),
                     "start", gr_rfc3339_format(start, window->start_s), "end",
                     gr_rfc3339_format(end, window->end_s), "value", window->value);
}

static json_t *write_windows(const struct gr_told_windows *told)
{
    json_t *list = json_array();
    for (size_t i = 0; list && i < told->count; i++) {
        (void)json_array_append_new(list, write_window(&told->windows[i]));
    }
    return list;
}

json_t *gr_feed_windows(const struct gr_feed *feed, int64_t now_s)
{
    json_t *list = json_array();
    for (size_t i = 0; list && i < feed->count; i++) {
        const struct gr_feed_item *item = &feed->items[i];
        for (size_t k = 0; item->events && k < item->told.count; k++) {
            if (item->told.windows[k].window.end_s > now_s) {
                json_t *window = write_window(&item->told.windows[k]);
                (void)json_object_set_new(window, "source", json_string(item->source->name));
                (void)json_array_append_new(list, window);
            }
        }
    }
    return list;
}

static json_t *write_refused(const struct gr_told_windows *told)
{
    json_t *list = json_array();
    for (size_t i = 0; i < told->refused_count && i < GR_MOST_REFUSED_EVENTS; i++) {
        (void)json_array_append_new(
            list, json_pack("{s:s, s:s}", "id", told->refused[i].id, "reason", told->refused[i].reason));
    }
    return list;
}

json_t *gr_feed_event_sources(const struct gr_feed *feed)
{
    json_t *list = json_array();
    for (size_t i = 0; list && i < feed->count; i++) {
        const struct gr_feed_item *item = &feed->items[i];
        char since[GR_RFC3339_SIZE];
        if (item->events) {
            (void)json_array_append_new(list, json_pack("{s:s, s:s, s:s, s:s, s:o}", "source",
                                                        item->source->name, "state", item->state, "since",
                                                        gr_rfc3339_format(since, item->state_since_s), "why",
                                                        item->why, "refused", write_refused(&item->told)));
        }
    }
    return list;
}

/* ---- how a source fares ---- */

void gr_feed_note_events(struct gr_feed_item *item, const char *state, const char *why,
                         const struct gr_moment *now)
{
    bool same =
        item->state && strcmp(item->state, state) == 0 && strncmp(item->why, why, sizeof item->why - 1) == 0;
    bool known = item->state && strcmp(item->state, "waiting") != 0;
    if (!same && strcmp(state, "ok") != 0 && strcmp(state, "waiting") != 0) {
        gr_log(GR_LOG_WARNING, "events: %s: %s; %zu windows known before stay until their end",
               item->source->name, why, item->told.count);
    } else if (!same && known) {
        gr_log(GR_LOG_NOTICE, "events: %s: answers again", item->source->name);
    }
    if (!item->state || strcmp(item->state, state) != 0) {
        item->state_since_s = now->utc_s;
    }
    item->state = state;
    (void)snprintf(item->why, sizeof item->why, "%s", why);
}

/* ---- taking over ---- */

static int tell_engine(const struct gr_feed *feed, const struct gr_feed_item *item,
                       const struct gr_told_windows *told, const struct gr_moment *now,
                       struct gr_error *error)
{
    struct gr_window windows[GR_MOST_WINDOWS];
    struct gr_event event = {
        .kind = GR_EVENT_WINDOWS,
        .at = *now,
        .of.windows = {.source = (int32_t)item->index, .list = windows, .count = told->count}};
    for (size_t i = 0; told->windows && i < told->count; i++) {
        windows[i] = told->windows[i].window;
    }
    return gr_engine_handle(feed->engine, &event, error);
}

static void log_windows(const struct gr_feed_item *item)
{
    for (size_t i = 0; i < item->told.refused_count && i < GR_MOST_REFUSED_EVENTS; i++) {
        gr_log(GR_LOG_WARNING, "events: %s: %s refused: %s", item->source->name, item->told.refused[i].id,
               item->told.refused[i].reason);
    }
    gr_log(GR_LOG_INFO, "events: %s: %zu windows, %zu events refused", item->source->name, item->told.count,
           item->told.refused_count);
}

/* The moment of reading goes with it, since it may have been told long before a restart. */
static void keep(const struct gr_feed *feed, struct gr_feed_item *item)
{
    struct gr_error error = {""};
    char name[KEPT_NAME_SIZE], at[GR_RFC3339_SIZE];
    json_t *document = json_pack("{s:s, s:o}", "told", gr_rfc3339_format(at, item->told_s), "windows",
                                 write_windows(&item->told));
    char *text = gr_json_text(document, JSON_COMPACT);
    kept_name(name, item);
    item->stored = text && gr_store_put_text(feed->store, name, text, &error) == GR_OK;
    if (!item->stored) {
        gr_log(GR_LOG_WARNING, "events: %s: will not survive a restart: %s", item->source->name, error.text);
    }
    free(text);
    json_decref(document);
}

static bool is_told_alike(const struct gr_told_windows *a, const struct gr_told_windows *b)
{
    json_t *one = json_pack("[o, o]", write_windows(a), write_refused(a));
    json_t *other = json_pack("[o, o]", write_windows(b), write_refused(b));
    bool alike = one && other && json_equal(one, other) == 1;
    json_decref(one);
    json_decref(other);
    return alike;
}

bool gr_feed_accept_events(struct gr_feed *feed, struct gr_feed_item *item, const void *bytes, size_t length,
                           const struct gr_moment *now)
{
    struct gr_error error = {""};
    struct gr_told_windows told = {.count = 0};
    int status =
        gr_windows_read(&told, &item->events->mapping, feed->zone, now->utc_s, bytes, length, &error);
    if (status == GR_OK) {
        status = tell_engine(feed, item, &told, now, &error);
    }
    if (status != GR_OK) {
        gr_told_windows_free(&told);
        gr_feed_note_events(item, "refused", error.text, now);
        return false;
    }
    bool alike = item->is_told && is_told_alike(&item->told, &told);
    gr_told_windows_free(&item->told);
    item->told = told;
    item->is_told = true;
    item->told_s = now->utc_s;
    gr_feed_note_events(item, "ok", "", now);
    if (!alike) {
        log_windows(item);
    }
    if (feed->store && (!alike || !item->stored)) {
        keep(feed, item);
    }
    return true;
}

/* ---- after a restart ---- */

static bool read_moment(const json_t *object, const char *name, int64_t *out)
{
    const char *text = json_string_value(json_object_get(object, name));
    return text && gr_rfc3339_parse(out, text, strlen(text)) == GR_OK;
}

static bool read_window(const json_t *object, int64_t now_s, struct gr_told_window *out)
{
    const char *kind = json_string_value(json_object_get(object, "kind"));
    const char *id = json_string_value(json_object_get(object, "id"));
    int found = 0;
    *out = (struct gr_told_window){.window.value = json_number_value(json_object_get(object, "value"))};
    while (kind && found < GR_WINDOW_KINDS && strcmp(gr_window_name((enum gr_window_kind)found), kind) != 0) {
        found++;
    }
    out->window.kind = (enum gr_window_kind)found;
    (void)snprintf(out->id, sizeof out->id, "%s", id ? id : "");
    return kind && read_moment(object, "start", &out->window.start_s) &&
           read_moment(object, "end", &out->window.end_s) && out->window.end_s > now_s &&
           gr_window_check(&out->window, NULL) == GR_OK;
}

void gr_feed_restore_events(struct gr_feed *feed, struct gr_feed_item *item, const struct gr_moment *now)
{
    struct gr_error error = {""};
    char name[KEPT_NAME_SIZE], *text = NULL;
    kept_name(name, item);
    if (!feed->store || gr_store_get_text(feed->store, name, &text, &error) != GR_OK || !text) {
        if (error.text[0]) {
            gr_log(GR_LOG_WARNING, "events: %s: those of before cannot be read: %s", item->source->name,
                   error.text);
        }
        return;
    }
    json_t *document = json_loads(text, 0, NULL), *one;
    size_t index;
    item->is_told = read_moment(document, "told", &item->told_s);
    item->told.windows = calloc(GR_MOST_WINDOWS, sizeof *item->told.windows);
    json_array_foreach(json_object_get(document, "windows"), index, one)
    {
        if (item->told.windows && item->told.count < GR_MOST_WINDOWS &&
            read_window(one, now->utc_s, &item->told.windows[item->told.count])) {
            item->told.count++;
        }
    }
    item->stored = item->is_told;
    if (item->told.count > 0 && tell_engine(feed, item, &item->told, now, &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "events: %s: those of before are dropped: %s", item->source->name, error.text);
        item->told.count = 0;
    }
    json_decref(document);
    free(text);
}
