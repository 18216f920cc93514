#include "daemon/device.h"

#include "config/json_text.h"
#include "daemon/log.h"
#include "daemon/plan_json.h"
#include "daemon/properties.h"
#include "granary/civil.h"
#include "granary/eventlog.h"

#include <inttypes.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { WILLS = 3, DOCUMENTS = 64 };

struct gr_device {
    char root[2 * GR_NAME_SIZE + 8];
    char id[GR_NAME_SIZE], name[GR_NAME_SIZE];
    bool commanding, announcing;
    uint64_t description_version;
    char *published[GR_PROPERTIES]; /* what the broker holds, NULL while unknown */
    char appliance[GR_MOST_APPLIANCES][GR_NAME_SIZE], *appliance_published[GR_MOST_APPLIANCES];
    size_t appliances;
    bool alert_known[GR_ALERTS]; /* what the broker holds; of that the key, NULL where it is not raised */
    char *alert_key[GR_ALERTS];
    char document_topic[GR_TOPIC_SIZE];
    uint64_t sent[DOCUMENTS]; /* sums of the documents sent last */
    size_t sent_count;
    char will_topic[WILLS][GR_TOPIC_SIZE];
    char *will_document;
    struct gr_will wills[WILLS];
    size_t will_count;
};

/* ---- topics ---- */

static const char *node_id(const struct gr_device *device, enum gr_node node)
{
    return node == GR_NODE_COMMAND && !device->commanding ? "advice" : gr_node_ids[node];
}

static void property_topic(const struct gr_device *device, enum gr_property property,
                           char topic[GR_TOPIC_SIZE])
{
    (void)snprintf(topic, GR_TOPIC_SIZE, "%s/%s/%s", device->root,
                   node_id(device, gr_properties[property].node), gr_properties[property].id);
}

/* ---- documents ---- */

static char *write_follow_document(const char *reason)
{
    /* Without times: it must hold for as long as nobody says otherwise. */
    json_t *document =
        json_pack("{s:s, s:i, s:n, s:n, s:n, s:s, s:n}", "command", gr_command_name(GR_FOLLOW), "power_w", 0,
                  "target_percent", "issued", "valid_until", "reason", reason, "sequence");
    char *text = gr_json_text(document, JSON_COMPACT);
    json_decref(document);
    return text;
}

static char *write_command_document(const struct gr_command *command)
{
    char issued[GR_RFC3339_SIZE], until[GR_RFC3339_SIZE];
    json_t *document = json_pack(
        "{s:s, s:I, s:I, s:s, s:s, s:s, s:I}", "command", gr_command_name(command->kind), "power_w",
        (json_int_t)llround(command->power_kw * 1000), "target_percent",
        (json_int_t)llround(command->target_percent), "issued", gr_rfc3339_format(issued, command->issued_s),
        "valid_until", gr_rfc3339_format(until, command->valid_until_s), "reason", command->reason,
        "sequence", (json_int_t)command->sequence);
    char *text = gr_json_text(document, JSON_COMPACT);
    json_decref(document);
    return text;
}

static json_t *describe_property(enum gr_property property)
{
    json_t *object = json_pack("{s:s, s:s}", "name", gr_properties[property].name, "datatype",
                               gr_properties[property].datatype);
    if (gr_properties[property].unit) {
        json_object_set_new(object, "unit", json_string(gr_properties[property].unit));
    }
    if (gr_properties[property].format) {
        json_object_set_new(object, "format", json_string(gr_properties[property].format));
    }
    if (gr_properties[property].settable) {
        json_object_set_new(object, "settable", json_true());
    }
    return object;
}

static json_t *describe_appliances(const struct gr_device *device)
{
    json_t *members = json_object();
    for (size_t i = 0; i < device->appliances; i++) {
        json_object_set_new(members, device->appliance[i],
                            json_pack("{s:s, s:s}", "name", device->appliance[i], "datatype", "json"));
    }
    return json_pack("{s:s, s:o}", "name", "When appliances had best run", "properties", members);
}

static char *write_description(const struct gr_device *device)
{
    json_t *nodes = json_object();
    for (int node = 0; node < GR_NODES; node++) {
        json_t *members = json_object();
        for (int property = 0; property < GR_PROPERTIES; property++) {
            if ((int)gr_properties[property].node == node) {
                json_object_set_new(members, gr_properties[property].id,
                                    describe_property((enum gr_property)property));
            }
        }
        const char *name =
            node == GR_NODE_COMMAND && !device->commanding ? "What would be commanded" : gr_node_names[node];
        json_object_set_new(nodes, node_id(device, (enum gr_node)node),
                            json_pack("{s:s, s:o}", "name", name, "properties", members));
    }
    if (device->appliances > 0) {
        json_object_set_new(nodes, "appliance", describe_appliances(device));
    }
    json_t *description =
        json_pack("{s:s, s:I, s:s, s:o}", "homie", "5.0", "version", (json_int_t)device->description_version,
                  "name", device->name, "nodes", nodes);
    char *text = gr_json_text(description, JSON_COMPACT);
    json_decref(description);
    return text;
}

static char *write_plan(const struct gr_plan_view *plan)
{
    json_t *slots = gr_plan_to_json(plan);
    char *text = gr_json_text(slots, JSON_COMPACT | JSON_REAL_PRECISION(6));
    json_decref(slots);
    return text;
}

/* ---- life ---- */

static void set_wills(struct gr_device *device)
{
    (void)snprintf(device->will_topic[0], GR_TOPIC_SIZE, "%s/$state", device->root);
    device->wills[0] = (struct gr_will){device->will_topic[0], "lost"};
    device->will_count = 1;
    if (device->commanding) {
        property_topic(device, GR_COMMAND_DOCUMENT, device->will_topic[1]);
        property_topic(device, GR_COMMAND_BAND, device->will_topic[2]);
        device->wills[1] = (struct gr_will){device->will_topic[1], device->will_document};
        device->wills[2] = (struct gr_will){device->will_topic[2], gr_command_name(GR_FOLLOW)};
        device->will_count = WILLS;
    }
}

int gr_device_create(struct gr_device **out, const struct gr_outputs *outputs, const char *site_name,
                     bool commanding, uint64_t description_version, struct gr_error *error)
{
    struct gr_device *device = calloc(1, sizeof *device);
    char *document = write_follow_document("granaryd is not running");
    if (!device || !document) {
        free(device);
        free(document);
        return gr_error_set(error, GR_NO_MEMORY, "no memory for the device");
    }
    (void)snprintf(device->root, sizeof device->root, "%s/5/%s", outputs->domain, outputs->device);
    (void)snprintf(device->id, sizeof device->id, "%s", outputs->device);
    (void)snprintf(device->name, sizeof device->name, "%s", site_name);
    device->commanding = commanding;
    device->description_version = description_version;
    device->will_document = document;
    property_topic(device, GR_COMMAND_DOCUMENT, device->document_topic);
    set_wills(device);
    *out = device;
    return GR_OK;
}

static void forget_published(struct gr_device *device)
{
    for (int i = 0; i < GR_PROPERTIES; i++) {
        free(device->published[i]);
        device->published[i] = NULL;
    }
    for (size_t i = 0; i < device->appliances; i++) {
        free(device->appliance_published[i]);
        device->appliance_published[i] = NULL;
    }
    for (size_t i = 0; i < GR_ALERTS; i++) {
        free(device->alert_key[i]);
        device->alert_key[i] = NULL;
        device->alert_known[i] = false;
    }
}

void gr_device_free(struct gr_device *device)
{
    if (device) {
        forget_published(device);
        free(device->will_document);
        free(device);
    }
}

const struct gr_will *gr_device_wills(const struct gr_device *device, size_t *count)
{
    *count = device->will_count;
    return device->wills;
}

bool gr_device_is_announcing(const struct gr_device *device)
{
    return device->announcing;
}

/* ---- publishing ---- */

static bool send(struct gr_bridge *bridge, const char *topic, const char *text, int expiry_s)
{
    struct gr_error error = {""};
    if (gr_bridge_publish(bridge, topic, text, strlen(text), true, expiry_s, &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "%s could not be published: %s", topic, error.text);
        return false;
    }
    return true;
}

static void send_attribute(struct gr_device *device, struct gr_bridge *bridge, const char *name,
                           const char *text)
{
    char topic[GR_TOPIC_SIZE];
    (void)snprintf(topic, sizeof topic, "%s/%s", device->root, name);
    (void)send(bridge, topic, text, 0);
}

/* Homie sends an empty string as one zero byte, since an empty retained payload would delete the topic. */
static void send_text(struct gr_device *device, struct gr_bridge *bridge, enum gr_property property,
                      const char *text, int expiry_s)
{
    char topic[GR_TOPIC_SIZE];
    property_topic(device, property, topic);
    bool sent = text[0] ? send(bridge, topic, text, expiry_s)
                        : gr_bridge_publish(bridge, topic, "", 1, true, expiry_s, NULL) == GR_OK;
    free(device->published[property]);
    device->published[property] = sent ? strdup(text) : NULL;
}

void gr_device_update(struct gr_device *device, struct gr_bridge *bridge, enum gr_property property,
                      const char *text)
{
    if (!device->published[property] || strcmp(device->published[property], text) != 0) {
        send_text(device, bridge, property, text, 0);
    }
}

static void update_number(struct gr_device *device, struct gr_bridge *bridge, enum gr_property property,
                          uint64_t number)
{
    char text[24];
    (void)snprintf(text, sizeof text, "%" PRIu64, number);
    gr_device_update(device, bridge, property, text);
}

void gr_device_announce(struct gr_device *device, struct gr_bridge *bridge)
{
    char *description = write_description(device);
    forget_published(device);
    send_attribute(device, bridge, "$state", "init");
    if (description) {
        send_attribute(device, bridge, "$description", description);
    }
    free(description);
    device->announcing = true;
}

/* ---- whose document it is ---- */

static void remember(struct gr_device *device, const char *document)
{
    device->sent[device->sent_count++ % DOCUMENTS] = gr_eventlog_sum(document, strlen(document));
}

const char *gr_device_document_topic(const struct gr_device *device)
{
    return device->document_topic;
}

static bool is_an_end(const void *payload, size_t length)
{
    json_t *document = json_loadb(payload, length, 0, NULL);
    bool is_end = json_is_object(document) && json_is_null(json_object_get(document, "sequence"));
    json_decref(document);
    return is_end;
}

enum gr_author gr_device_author(const struct gr_device *device, const void *payload, size_t length)
{
    uint64_t sum = gr_eventlog_sum(payload, length);
    for (size_t i = 0; i < DOCUMENTS && i < device->sent_count; i++) {
        if (device->sent[i] == sum) {
            return GR_AUTHOR_OURSELVES;
        }
    }
    return is_an_end(payload, length) ? GR_AUTHOR_ANOTHERS_END : GR_AUTHOR_ANOTHER;
}

static void send_command(struct gr_device *device, struct gr_bridge *bridge, const struct gr_command *command)
{
    char number[24], until[GR_RFC3339_SIZE];
    int expiry_s = (int)(command->valid_until_s - command->issued_s);
    /* The figures before the word: a hub that acts on the band finds the power already there. */
    (void)snprintf(number, sizeof number, "%lld", llround(command->power_kw * 1000));
    send_text(device, bridge, GR_COMMAND_POWER, number, expiry_s);
    (void)snprintf(number, sizeof number, "%lld", llround(command->target_percent));
    send_text(device, bridge, GR_COMMAND_TARGET, number, expiry_s);
    send_text(device, bridge, GR_COMMAND_VALID_UNTIL, gr_rfc3339_format(until, command->valid_until_s),
              expiry_s);
    send_text(device, bridge, GR_COMMAND_REASON, command->reason, expiry_s);
    (void)snprintf(number, sizeof number, "%" PRIu64, command->sequence);
    send_text(device, bridge, GR_COMMAND_SEQUENCE, number, expiry_s);
    send_text(device, bridge, GR_COMMAND_BAND, gr_command_name(command->kind), expiry_s);
    char *document = write_command_document(command);
    if (document) {
        remember(device, document);
        send_text(device, bridge, GR_COMMAND_DOCUMENT, document, expiry_s);
    } else { /* sent with the next turn */
        free(device->published[GR_COMMAND_DOCUMENT]);
        device->published[GR_COMMAND_DOCUMENT] = NULL;
    }
    free(document);
}

static void send_health(struct gr_device *device, struct gr_bridge *bridge,
                        const struct gr_decision *decision, const struct gr_device_health *health)
{
    char until[GR_RFC3339_SIZE];
    const char *mode = !decision->commanding              ? "observing"
                       : decision->fault == GR_FAULT_NONE ? "commanding"
                                                          : "fallback";
    gr_device_update(device, bridge, GR_HEALTH_MODE, mode);
    gr_device_update(device, bridge, GR_HEALTH_FAULT, gr_fault_name(decision->fault));
    /* Its seconds would change at every turn; the fault's name tells what is new. */
    if (device->announcing || decision->issue) {
        gr_device_update(device, bridge, GR_HEALTH_REASON, decision->fault_text);
    }
    gr_device_update(device, bridge, GR_HEALTH_INVERTER, gr_answer_name(decision->answer));
    update_number(device, bridge, GR_HEALTH_CHANGES, (uint64_t)decision->changes_today);
    gr_device_update(device, bridge, GR_HEALTH_RATES_UNTIL, gr_rfc3339_format(until, health->rates_until_s));
    update_number(device, bridge, GR_HEALTH_REFUSED, health->refused_messages);
    update_number(device, bridge, GR_HEALTH_HEARTBEAT, health->heartbeat);
}

/* Nothing takes the place of what is not known. */
static void update_decimal(struct gr_device *device, struct gr_bridge *bridge, enum gr_property property,
                           double value, int decimals)
{
    char text[40];
    if (isfinite(value)) {
        (void)snprintf(text, sizeof text, "%.*f", decimals, value + 0.0);
        gr_device_update(device, bridge, property, text);
    }
}

static void send_car(struct gr_device *device, struct gr_bridge *bridge, const struct gr_outline *outline)
{
    char start[GR_RFC3339_SIZE], end[GR_RFC3339_SIZE];
    json_t *document = json_object();
    if (outline->car_end_s > 0) {
        json_object_set_new(document, "start", json_string(gr_rfc3339_format(start, outline->car_start_s)));
        json_object_set_new(document, "end", json_string(gr_rfc3339_format(end, outline->car_end_s)));
        json_object_set_new(document, "power_kw", json_real(outline->car_kw));
        json_object_set_new(document, "cost", json_real(outline->car_cost));
    }
    char *text = gr_json_text(document, JSON_COMPACT | JSON_REAL_PRECISION(5));
    gr_device_update(device, bridge, GR_PLAN_CAR_CHARGE, text ? text : "{}");
    free(text);
    json_decref(document);
}

static void send_outline(struct gr_device *device, struct gr_bridge *bridge, const struct gr_outline *outline)
{
    char at[GR_RFC3339_SIZE];
    if (outline->next_s > 0) {
        gr_device_update(device, bridge, GR_PLAN_NEXT_COMMAND, gr_command_name(outline->next));
        gr_device_update(device, bridge, GR_PLAN_NEXT_AT, gr_rfc3339_format(at, outline->next_s));
    }
    send_car(device, bridge, outline);
    update_decimal(device, bridge, GR_PLAN_COST_TOMORROW, outline->cost_tomorrow, 2);
    update_decimal(device, bridge, GR_PLAN_BACKUP_HOURS, outline->backup_hours, 1);
}

void gr_device_publish(struct gr_device *device, struct gr_bridge *bridge, const struct gr_decision *decision,
                       const struct gr_plan_view *plan, const struct gr_outline *outline,
                       const struct gr_device_health *health)
{
    char number[32];
    bool lacking = !device->published[GR_COMMAND_DOCUMENT] || !device->published[GR_COMMAND_BAND];
    /* Where somebody else commands, silence is what standing by means. */
    if ((decision->issue || lacking) && decision->fault != GR_FAULT_RIVAL) {
        send_command(device, bridge, &decision->command);
    }
    if (decision->replanned || (device->announcing && plan->count > 0)) {
        char *slots = write_plan(plan);
        gr_device_update(device, bridge, GR_PLAN_SLOTS, slots ? slots : "[]");
        free(slots);
    }
    if (decision->fault == GR_FAULT_NONE) {
        (void)snprintf(number, sizeof number, "%.4f", decision->marginal_value_per_kwh);
        gr_device_update(device, bridge, GR_PLAN_MARGINAL_VALUE, number);
    }
    send_outline(device, bridge, outline);
    send_health(device, bridge, decision, health);
    if (device->announcing) {
        send_attribute(device, bridge, "$state", "ready");
        device->announcing = false;
    }
}

void gr_device_describe(const struct gr_device *device, enum gr_property property, struct gr_announced *out)
{
    *out = (struct gr_announced){
        .root = device->root, .device = device->id, .site = device->name, .name = device->name};
    if (property < GR_PROPERTIES) {
        const struct gr_property_row *row = &gr_properties[property];
        out->node = node_id(device, row->node);
        out->property = row->id;
        out->name = row->name;
        out->datatype = row->datatype;
        out->unit = row->unit;
        out->format = row->format;
        out->settable = row->settable;
    }
}

void gr_device_update_override(struct gr_device *device, struct gr_bridge *bridge, const char *id,
                               const char *text)
{
    enum gr_property property = gr_property_find(GR_NODE_OVERRIDE, id);
    if (property < GR_PROPERTIES) {
        gr_device_update(device, bridge, property, text);
    }
}

void gr_device_send_override(struct gr_device *device, struct gr_bridge *bridge, const char *id,
                             const char *text)
{
    enum gr_property property = gr_property_find(GR_NODE_OVERRIDE, id);
    if (property < GR_PROPERTIES) {
        send_text(device, bridge, property, text, 0);
    }
}

void gr_device_add_appliance(struct gr_device *device, const char *id)
{
    if (device->appliances < GR_MOST_APPLIANCES) {
        (void)snprintf(device->appliance[device->appliances++], GR_NAME_SIZE, "%s", id);
    }
}

void gr_device_update_appliance(struct gr_device *device, struct gr_bridge *bridge, size_t index,
                                const char *text)
{
    char topic[GR_TOPIC_SIZE], **published = &device->appliance_published[index];
    if (*published && strcmp(*published, text) == 0) {
        return;
    }
    (void)snprintf(topic, sizeof topic, "%s/appliance/%s", device->root, device->appliance[index]);
    bool sent = send(bridge, topic, text, 0);
    free(*published);
    *published = sent ? strdup(text) : NULL;
}

/* A retained message without a byte removes what is there (Homie 5.0, "Alerts"). */
void gr_device_alert(struct gr_device *device, struct gr_bridge *bridge, enum gr_alert alert, const char *key,
                     const char *text)
{
    char topic[GR_TOPIC_SIZE], **held = &device->alert_key[alert];
    bool same = key && *held ? strcmp(key, *held) == 0 : !key && !*held;
    if (device->alert_known[alert] && same) {
        return;
    }
    (void)snprintf(topic, sizeof topic, "%s/$alert/%s", device->root, gr_alerts[alert].id);
    device->alert_known[alert] = send(bridge, topic, key ? text : "", 0);
    free(*held);
    *held = key ? strdup(key) : NULL;
}

bool gr_device_withdraw(struct gr_device *device, struct gr_bridge *bridge)
{
    if (!gr_bridge_is_up(bridge)) {
        return true;
    }
    bool told = true;
    if (device->commanding) {
        char *document = write_follow_document("granaryd was stopped");
        send_text(device, bridge, GR_COMMAND_POWER, "0", 0);
        send_text(device, bridge, GR_COMMAND_BAND, gr_command_name(GR_FOLLOW), 0);
        if (document) {
            remember(device, document);
            send_text(device, bridge, GR_COMMAND_DOCUMENT, document, 0);
        }
        told = document && device->published[GR_COMMAND_DOCUMENT] && device->published[GR_COMMAND_BAND] &&
               device->published[GR_COMMAND_POWER];
        free(document);
    }
    for (int alert = 0; alert < GR_ALERTS; alert++) {
        gr_device_alert(device, bridge, (enum gr_alert)alert, NULL, NULL);
    }
    send_attribute(device, bridge, "$state", "disconnected");
    return told;
}
