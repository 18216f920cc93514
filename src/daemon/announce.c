#include "daemon/announce.h"

#include "config/json_text.h"
#include "daemon/log.h"
#include "daemon/properties.h"

#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The name under which the store keeps the topics that hold an announcement. */
static const char kept_name[] = "announced";

static void publish(struct gr_bridge *bridge, const char *topic, const char *payload)
{
    struct gr_error error = {""};
    if (gr_bridge_publish(bridge, topic, payload, strlen(payload), true, 0, &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "%s could not be published: %s", topic, error.text);
    }
}

static void announce_one(const struct gr_announce *entry, const struct gr_announced *what,
                         struct gr_bridge *bridge, json_t *topics)
{
    struct gr_template_value values[GR_ANNOUNCE_VALUES];
    struct gr_announce_room room;
    struct gr_error error = {""};
    char *topic = NULL, *payload = NULL;
    gr_announce_values(values, &room, what);
    if (gr_template_fill(&topic, entry->topic, values, GR_ANNOUNCE_VALUES, &error) != GR_OK ||
        gr_topic_check(topic, false, &error) != GR_OK ||
        gr_template_fill(&payload, entry->payload, values, GR_ANNOUNCE_VALUES, &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "announce: %s", error.text);
    } else {
        publish(bridge, topic, payload);
        (void)json_array_append_new(topics, json_string(topic));
    }
    free(topic);
    free(payload);
}

static void announce_entry(const struct gr_announce *entry, const struct gr_device *device,
                           struct gr_bridge *bridge, json_t *topics)
{
    struct gr_announced what;
    for (int i = 0; i <= GR_PROPERTIES; i++) {
        gr_device_describe(device, (enum gr_property)i, &what);
        if (gr_announce_wants(entry, &what)) {
            announce_one(entry, &what, bridge, topics);
        }
    }
}

static bool holds(const json_t *topics, const char *topic)
{
    size_t index;
    json_t *one;
    json_array_foreach(topics, index, one)
    {
        if (strcmp(json_string_value(one), topic) == 0) {
            return true;
        }
    }
    return false;
}

/* An empty retained message deletes the one before. */
static void withdraw(struct gr_bridge *bridge, struct gr_store *store, const json_t *topics)
{
    char *text = NULL;
    size_t index;
    json_t *one;
    (void)gr_store_get_text(store, kept_name, &text, NULL);
    json_t *before = text ? json_loads(text, 0, NULL) : NULL;
    json_array_foreach(before, index, one)
    {
        const char *topic = json_string_value(one);
        if (topic && !holds(topics, topic)) {
            gr_log(GR_LOG_NOTICE, "%s is no longer announced and is taken back", topic);
            publish(bridge, topic, "");
        }
    }
    json_decref(before);
    free(text);
}

static void keep(struct gr_store *store, const json_t *topics)
{
    struct gr_error error = {""};
    char *text = gr_json_text(topics, JSON_COMPACT);
    if (text && gr_store_put_text(store, kept_name, text, &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "what is announced will not be taken back: %s", error.text);
    }
    free(text);
}

void gr_announce_all(const struct gr_config *config, const struct gr_device *device, struct gr_bridge *bridge,
                     struct gr_store *store)
{
    json_t *topics = json_array();
    for (size_t i = 0; i < config->announce_count; i++) {
        announce_entry(&config->announce[i], device, bridge, topics);
    }
    if (store) {
        withdraw(bridge, store, topics);
        keep(store, topics);
    }
    json_decref(topics);
}
