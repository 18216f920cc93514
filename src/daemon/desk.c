#include "daemon/desk.h"

#include "bridge/text.h"
#include "config/json_text.h"
#include "daemon/log.h"
#include "granary/civil.h"

#include <inttypes.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The name under which the store keeps what is in force. */
static const char kept_name[] = "overrides";
static const double least_hours = 0.1, greatest_hours = 744;

struct gr_desk {
    char root[2 * GR_NAME_SIZE + 24], filter[2 * GR_NAME_SIZE + 32];
    double hours, power_w, target_percent; /* for the plain topics */
    bool restored, settings_changed;
    char *request, *answer; /* JSON; NULL: none yet */
};

int gr_desk_create(struct gr_desk **out, const struct gr_outputs *outputs, struct gr_error *error)
{
    struct gr_desk *desk = calloc(1, sizeof *desk);
    if (!desk) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for the overrides");
    }
    (void)snprintf(desk->root, sizeof desk->root, "%s/5/%s/override/", outputs->domain, outputs->device);
    (void)snprintf(desk->filter, sizeof desk->filter, "%s+/set", desk->root);
    desk->hours = 2;
    *out = desk;
    return GR_OK;
}

void gr_desk_free(struct gr_desk *desk)
{
    if (desk) {
        free(desk->request);
        free(desk->answer);
        free(desk);
    }
}

const char *gr_desk_filter(const struct gr_desk *desk)
{
    return desk->filter;
}

/* ---- answers ---- */

static void keep_text(char **kept, json_t *document)
{
    free(*kept);
    *kept = gr_json_text(document, JSON_COMPACT | JSON_REAL_PRECISION(6));
    json_decref(document);
}

/* One request on its way; `id` is its own, to be found again in the answer. */
struct request {
    const struct gr_desk_call *call;
    json_t *id;
    char what[GR_REASON_SIZE]; /* that was accepted */
};

static void answer(struct gr_desk *desk, struct request *request, const char *refusal)
{
    const struct gr_desk_call *call = request->call;
    char at[GR_RFC3339_SIZE];
    json_t *document =
        json_pack("{s:b, s:s, s:s}", "accepted", refusal == NULL, refusal ? "reason" : "text",
                  refusal ? refusal : request->what, "at", gr_rfc3339_format(at, call->now->utc_s));
    if (document && request->id) {
        (void)json_object_set(document, "id", request->id);
    }
    keep_text(&desk->answer, document);
    gr_log(refusal ? GR_LOG_WARNING : GR_LOG_NOTICE, "override %s: %s", refusal ? "refused" : "accepted",
           refusal ? refusal : request->what);
    if (gr_bridge_is_up(call->bridge)) {
        gr_device_send_override(call->device, call->bridge, "answer", desk->answer ? desk->answer : "{}");
    }
}

/* ---- the engine ---- */

static int set_override(const struct gr_desk_call *call, const struct gr_override *override,
                        struct request *request, struct gr_error *error)
{
    struct gr_event event = {.kind = GR_EVENT_OVERRIDE, .at = *call->now, .of.override = *override};
    gr_override_describe(request->what, sizeof request->what, override);
    return gr_engine_handle(call->engine, &event, error);
}

static int cancel(const struct gr_desk_call *call, int kind, struct request *request, struct gr_error *error)
{
    struct gr_event event = {.kind = GR_EVENT_CANCEL, .at = *call->now, .of.cancel.kind = kind};
    const char *name = gr_override_name((enum gr_override_kind)kind);
    (void)snprintf(request->what, sizeof request->what, "%s: no longer in force", name ? name : "all");
    return gr_engine_handle(call->engine, &event, error);
}

/* ---- plain topics: one tap ---- */

static int read_plain(double *out, const struct gr_bridge_event *message, double least, double greatest,
                      struct gr_error *error)
{
    const struct gr_input plain = {
        .unit = GR_UNIT_KW, .sign = 1, .scale = 1, .least = -INFINITY, .greatest = INFINITY};
    double value;
    int status = gr_payload_read(&value, &plain, GR_GRID_POWER, 1, message->payload, message->length, error);
    if (status == GR_OK && !(value >= least && value <= greatest)) {
        return gr_error_set(error, GR_INVALID, "found %g; allowed: %g to %g", value, least, greatest);
    }
    *out = status == GR_OK ? value : *out;
    return status;
}

static int read_switch(bool *out, const struct gr_bridge_event *message, struct gr_error *error)
{
    const struct gr_input plain = {.unit = GR_UNIT_BOOLEAN, .sign = 1, .scale = 1};
    double value = 0;
    int status =
        gr_payload_read(&value, &plain, GR_GRID_PRESENT, 1, message->payload, message->length, error);
    *out = value != 0;
    return status;
}

/* `on` begins one for the set hours; off ends it, where it is in force. */
static int tap(const struct gr_desk *desk, struct request *request, struct gr_override override, bool on,
               struct gr_error *error)
{
    if (!on) {
        int status = cancel(request->call, (int) override.kind, request, error);
        return status == GR_NOT_FOUND ? GR_OK : status;
    }
    override.since_s = request->call->now->utc_s;
    override.until_s = override.since_s + llround(desk->hours * 3600);
    (void)snprintf(override.by, sizeof override.by, "the hub");
    return set_override(request->call, &override, request, error);
}

static int tap_command(const struct gr_desk *desk, struct request *request,
                       const struct gr_bridge_event *message, struct gr_error *error)
{
    char word[16] = "";
    if (message->length < sizeof word) {
        memcpy(word, message->payload, message->length);
    }
    int kind = gr_command_kind_of(word);
    bool none = strcmp(word, "none") == 0, powered = kind == GR_CHARGE || kind == GR_EXPORT;
    bool aims = powered || kind == GR_STORE || kind == GR_SERVE;
    if (kind < 0 && !none) {
        return gr_error_set(error, GR_INVALID, "allowed: none, follow, store, serve, charge, export or rest");
    }
    struct gr_override override = {.kind = GR_OVERRIDE_COMMAND,
                                   .command = none ? GR_FOLLOW : (enum gr_command_kind)kind,
                                   .power_kw = powered ? desk->power_w / 1000 : 0,
                                   .until_percent =
                                       aims && desk->target_percent > 0 ? desk->target_percent : (double)NAN};
    return tap(desk, request, override, !none, error);
}

static int tap_number(const struct gr_desk *desk, struct request *request,
                      const struct gr_bridge_event *message, enum gr_override_kind kind, double none,
                      struct gr_error *error)
{
    struct gr_override override = {.kind = kind, .until_percent = NAN};
    int status = read_plain(&override.value, message, 0, 100, error);
    return status == GR_OK ? tap(desk, request, override, override.value != none, error) : status;
}

static int tap_switch(const struct gr_desk *desk, struct request *request,
                      const struct gr_bridge_event *message, enum gr_override_kind kind,
                      struct gr_error *error)
{
    struct gr_override override = {.kind = kind, .until_percent = NAN};
    bool on;
    int status = read_switch(&on, message, error);
    return status == GR_OK ? tap(desk, request, override, on, error) : status;
}

static int change_setting(struct gr_desk *desk, struct request *request,
                          const struct gr_bridge_event *message, const char *name, struct gr_error *error)
{
    static const char *const names[] = {"hours", "power", "target"};
    static const double least[] = {least_hours, 0, 0}, greatest[] = {greatest_hours, 1e6, 100};
    double *const fields[] = {&desk->hours, &desk->power_w, &desk->target_percent};
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        if (strcmp(name, names[i]) == 0) {
            int status = read_plain(fields[i], message, least[i], greatest[i], error);
            (void)snprintf(request->what, sizeof request->what, "%s is %g for what is asked for next", name,
                           *fields[i]);
            desk->settings_changed = desk->settings_changed || status == GR_OK;
            return status;
        }
    }
    return gr_error_set(error, GR_INVALID, "this topic cannot be set");
}

/* ---- the JSON topic ---- */

/* The kind to cancel; GR_OVERRIDE_KINDS for all, -1 where the request cancels nothing, -2 for nonsense. */
static int find_cancelled(const json_t *document)
{
    const json_t *what = json_object_get(document, "cancel");
    const char *name = json_string_value(what);
    if (!what) {
        return -1;
    }
    if (name && strcmp(name, "all") == 0) {
        return GR_OVERRIDE_KINDS;
    }
    int kind = name ? gr_override_kind_of(name) : -1;
    return kind < 0 ? -2 : kind;
}

static int take_request(struct gr_desk *desk, struct request *request, const struct gr_bridge_event *message,
                        struct gr_error *error)
{
    const struct gr_desk_call *call = request->call;
    struct gr_override override;
    json_t *document = json_loadb(message->payload, message->length, JSON_REJECT_DUPLICATES, NULL);
    int status, kind = find_cancelled(document);
    request->id = json_incref(json_object_get(document, "id"));
    if (kind == -2) {
        status = gr_error_set(
            error, GR_INVALID,
            "cancel: allowed: all, command, reserve, load, no-export, pause, car, price, payment "
            "or wish");
    } else if (kind >= 0) {
        status = cancel(call, kind, request, error);
    } else {
        status = gr_override_parse(&override, message->payload ? message->payload : "", message->length,
                                   call->zone, call->now->utc_s, error);
        status = status == GR_OK ? set_override(call, &override, request, error) : status;
    }
    if (status == GR_OK) {
        keep_text(&desk->request, json_incref(document));
    }
    json_decref(document);
    return status;
}

/* ---- messages ---- */

static int take_property(struct gr_desk *desk, struct request *request, const char *name,
                         const struct gr_bridge_event *message, struct gr_error *error)
{
    if (message->retained) {
        return gr_error_set(error, GR_INVALID,
                            "a retained message would be obeyed again after each restart; send it without "
                            "the retain flag");
    }
    if (message->oversized) {
        return gr_error_set(error, GR_INVALID, "the payload is larger than 64 kB");
    }
    if (strcmp(name, "request") == 0) {
        return take_request(desk, request, message, error);
    }
    if (strcmp(name, "command") == 0) {
        return tap_command(desk, request, message, error);
    }
    if (strcmp(name, "reserve") == 0) {
        return tap_number(desk, request, message, GR_OVERRIDE_RESERVE, 0, error);
    }
    if (strcmp(name, "load-factor") == 0) {
        return tap_number(desk, request, message, GR_OVERRIDE_LOAD, 1, error);
    }
    if (strcmp(name, "no-export") == 0) {
        return tap_switch(desk, request, message, GR_OVERRIDE_NO_EXPORT, error);
    }
    if (strcmp(name, "pause") == 0) {
        return tap_switch(desk, request, message, GR_OVERRIDE_PAUSE, error);
    }
    return change_setting(desk, request, message, name, error);
}

bool gr_desk_take(struct gr_desk *desk, const struct gr_desk_call *call,
                  const struct gr_bridge_event *message)
{
    struct gr_error error = {""};
    struct request request = {.call = call};
    char name[24] = "", shown[GR_ESCAPED_SIZE], refusal[600];
    if (!gr_topic_matches(desk->filter, message->topic)) {
        return false;
    }
    const char *start = message->topic + strlen(desk->root);
    size_t length = strcspn(start, "/");
    (void)snprintf(name, sizeof name, "%.*s", (int)length, start);
    if (take_property(desk, &request, name, message, &error) == GR_OK) {
        answer(desk, &request, NULL);
    } else {
        gr_escape(shown, message->payload ? message->payload : "", message->length);
        (void)snprintf(refusal, sizeof refusal, "%s: \"%s\": %s", name, shown, error.text);
        answer(desk, &request, refusal);
    }
    json_decref(request.id);
    return true;
}

/* ---- what is in force ---- */

/* A request that would bring the override about again, with its beginning. */
static json_t *write_override(const struct gr_override *override)
{
    char since[GR_RFC3339_SIZE], until[GR_RFC3339_SIZE];
    json_t *document = json_pack("{s:s, s:s, s:s, s:s}", "override", gr_override_name(override->kind),
                                 "since", gr_rfc3339_format(since, override->since_s), "until",
                                 gr_rfc3339_format(until, override->until_s), "by", override->by);
    if (override->kind == GR_OVERRIDE_COMMAND) {
        json_object_set_new(document, "command", json_string(gr_command_name(override->command)));
        if (override->power_kw > 0) {
            json_object_set_new(document, "power_w", json_integer(llround(override->power_kw * 1000)));
        }
        if (!isnan(override->until_percent)) {
            json_object_set_new(document, "until_percent", json_real(override->until_percent));
        }
    } else if (gr_override_value_name(override->kind)) {
        json_object_set_new(document, gr_override_value_name(override->kind), json_real(override->value));
    }
    if (override->kind == GR_OVERRIDE_CAR) {
        json_object_set_new(document, "power_w", json_integer(llround(override->power_kw * 1000)));
    }
    return document;
}

static json_t *real_or_null(double value)
{
    return isnan(value) ? json_null() : json_real(value);
}

static json_t *write_active(const struct gr_override_view *views, size_t count,
                            const struct gr_decision *decision)
{
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++) {
        char text[GR_REASON_SIZE];
        json_t *document = write_override(&views[i].override);
        gr_override_describe(text, sizeof text, &views[i].override);
        json_object_set_new(document, "text", json_string(text));
        json_object_set_new(document, "cost", real_or_null(views[i].cost));
        json_object_set_new(document, "import_kwh", real_or_null(views[i].import_kwh));
        if (views[i].override.kind == GR_OVERRIDE_COMMAND && decision->held_back[0]) {
            json_object_set_new(document, "held_back", json_string(decision->held_back));
        }
        (void)json_array_append_new(list, document);
    }
    return list;
}

static void send_number(const struct gr_desk_call *call, const char *id, double value)
{
    char text[32];
    (void)snprintf(text, sizeof text, "%.6g", value);
    gr_device_update_override(call->device, call->bridge, id, text);
}

/* The plain topics show what is in force, and the settings for what comes next. */
static void publish_plain(const struct gr_desk *desk, const struct gr_desk_call *call,
                          const struct gr_override_view *views, size_t count)
{
    const struct gr_override *of[GR_OVERRIDE_KINDS] = {NULL};
    for (size_t i = 0; i < count; i++) {
        of[views[i].override.kind] = &views[i].override;
    }
    const struct gr_override *command = of[GR_OVERRIDE_COMMAND];
    gr_device_update_override(call->device, call->bridge, "command",
                              command ? gr_command_name(command->command) : "none");
    send_number(call, "reserve", of[GR_OVERRIDE_RESERVE] ? round(of[GR_OVERRIDE_RESERVE]->value) : 0);
    send_number(call, "load-factor", of[GR_OVERRIDE_LOAD] ? of[GR_OVERRIDE_LOAD]->value : 1);
    gr_device_update_override(call->device, call->bridge, "no-export",
                              of[GR_OVERRIDE_NO_EXPORT] ? "true" : "false");
    gr_device_update_override(call->device, call->bridge, "pause", of[GR_OVERRIDE_PAUSE] ? "true" : "false");
    send_number(call, "hours", desk->hours);
    send_number(call, "power", round(desk->power_w));
    send_number(call, "target", round(desk->target_percent));
}

static void keep(struct gr_desk *desk, const struct gr_override_view *views, size_t count,
                 struct gr_store *store)
{
    struct gr_error error = {""};
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++) {
        (void)json_array_append_new(list, write_override(&views[i].override));
    }
    json_t *document = json_pack("{s:f, s:f, s:f, s:o}", "hours", desk->hours, "power_w", desk->power_w,
                                 "target_percent", desk->target_percent, "active", list);
    char *text = gr_json_text(document, JSON_COMPACT);
    if (text && gr_store_put_text(store, kept_name, text, &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "the overrides will not survive a restart: %s", error.text);
    }
    free(text);
    json_decref(document);
}

void gr_desk_publish(struct gr_desk *desk, const struct gr_desk_call *call,
                     const struct gr_decision *decision, struct gr_store *store)
{
    struct gr_override_view views[GR_OVERRIDE_KINDS];
    size_t count = gr_engine_overrides(call->engine, views);
    if ((decision->overrides_changed || desk->settings_changed) && store) {
        keep(desk, views, count, store);
    }
    desk->settings_changed = false;
    if (!gr_bridge_is_up(call->bridge)) {
        return;
    }
    char *active = NULL;
    keep_text(&active, write_active(views, count, decision));
    gr_device_update_override(call->device, call->bridge, "active", active ? active : "[]");
    free(active);
    publish_plain(desk, call, views, count);
    gr_device_update_override(call->device, call->bridge, "request", desk->request ? desk->request : "{}");
    gr_device_update_override(call->device, call->bridge, "answer", desk->answer ? desk->answer : "{}");
}

/* ---- after a restart ---- */

static void restore_one(const struct gr_desk_call *call, json_t *document)
{
    struct gr_error error = {""};
    struct request request = {.call = call};
    struct gr_override override;
    const char *text = json_string_value(json_object_get(document, "since"));
    int64_t since_s = call->now->utc_s;
    if (text) {
        (void)gr_rfc3339_parse(&since_s, text, strlen(text));
    }
    (void)json_object_del(document, "since");
    char *json = gr_json_text(document, JSON_COMPACT);
    int status = json ? gr_override_parse(&override, json, strlen(json), call->zone, call->now->utc_s, &error)
                      : GR_NO_MEMORY;
    if (status == GR_OK) {
        override.since_s = since_s;
        status = set_override(call, &override, &request, &error);
    }
    gr_log(GR_LOG_NOTICE, "override of before the restart: %s%s", status == GR_OK ? "" : "dropped, ",
           status == GR_OK ? request.what : error.text);
    free(json);
}

static double number_or(const json_t *document, const char *name, double standard, double least,
                        double greatest)
{
    const json_t *value = json_object_get(document, name);
    double number = json_is_number(value) ? json_number_value(value) : standard;
    return number >= least && number <= greatest ? number : standard;
}

void gr_desk_restore(struct gr_desk *desk, const struct gr_desk_call *call, struct gr_store *store)
{
    char *text = NULL;
    struct gr_error error = {""};
    if (desk->restored || !store) {
        return;
    }
    desk->restored = true;
    if (gr_store_get_text(store, kept_name, &text, &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "the overrides of before the restart cannot be read: %s", error.text);
        return;
    }
    json_t *document = text ? json_loads(text, 0, NULL) : NULL;
    size_t index;
    json_t *one;
    json_array_foreach(json_object_get(document, "active"), index, one)
    {
        restore_one(call, one);
    }
    desk->hours = number_or(document, "hours", desk->hours, least_hours, greatest_hours);
    desk->power_w = number_or(document, "power_w", desk->power_w, 0, 1e6);
    desk->target_percent = number_or(document, "target_percent", desk->target_percent, 0, 100);
    json_decref(document);
    free(text);
}
