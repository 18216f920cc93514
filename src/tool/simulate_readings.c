/* Readings as a real house would publish them: the daemon's input mapping the other way round. */
#include "tool/simulate.h"

#include "config/json_text.h"
#include "granary/channel.h"

#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static double in_unit(const struct gr_input *input, double value, double capacity_kwh)
{
    switch (input->unit) {
    case GR_UNIT_RATIO:
        return value / 100;
    case GR_UNIT_KWH:
        return value / 100 * capacity_kwh;
    case GR_UNIT_WH:
        return value / 100 * capacity_kwh * 1000;
    case GR_UNIT_W:
        return value * 1000;
    case GR_UNIT_FAHRENHEIT:
        return value * 1.8 + 32;
    case GR_UNIT_PERCENT:
    case GR_UNIT_KW:
    case GR_UNIT_CELSIUS:
    case GR_UNIT_BOOLEAN:
        break;
    }
    return value;
}

/* Three decimals in the topic's unit are what a meter shows; four more where the unit is a share of one. */
static double published_number(const struct gr_input *input, double value, double capacity_kwh)
{
    double fine = input->unit == GR_UNIT_RATIO ? 1e7 : 1e3;
    double number = (in_unit(input, value, capacity_kwh) * input->sign - input->offset) / input->scale;
    return round(number * fine) / fine + 0.0; /* no "-0" */
}

static json_t *encode(const struct gr_sim_readings *readings, enum gr_channel channel, double value)
{
    const struct gr_input *input = &readings->inputs[channel];
    if (input->unit == GR_UNIT_BOOLEAN) {
        return json_boolean((value >= 0.5) == (input->sign > 0));
    }
    return json_real(published_number(input, value, readings->capacity_kwh));
}

/* Copies the token that begins at *pointer, "~1" and "~0" undone (RFC 6901 section 4), and moves behind it.
 */
static void take_token(const char **pointer, char token[GR_FIELD_SIZE])
{
    size_t length = 0;
    const char *at = *pointer + 1;
    for (; *at && *at != '/'; at++) {
        char c = *at;
        if (c == '~' && at[1]) {
            c = *++at == '1' ? '/' : '~';
        }
        token[length++] = c;
    }
    token[length] = '\0';
    *pointer = at;
}

/* Puts a value where the pointer says, making objects on the way; -1 where something else stands there. Takes
 * `value`. */
static int put(json_t *root, const char *pointer, json_t *value)
{
    char token[GR_FIELD_SIZE];
    json_t *place = root;
    for (take_token(&pointer, token); *pointer; take_token(&pointer, token)) {
        json_t *next = json_object_get(place, token);
        if (!next && json_object_set_new(place, token, json_object()) == 0) {
            next = json_object_get(place, token);
        }
        if (!json_is_object(next)) {
            json_decref(value);
            return -1;
        }
        place = next;
    }
    if (json_object_get(place, token)) {
        json_decref(value);
        return -1;
    }
    return json_object_set_new(place, token, value);
}

static bool has_members(const struct gr_input *input)
{
    return input->is_json && input->pointer[0] != '\0';
}

static json_t *build(const struct gr_sim_readings *readings, const struct gr_sim_topic *topic,
                     const double value[GR_CHANNELS])
{
    if (topic->channels == 1 && !has_members(&readings->inputs[topic->channel[0]])) {
        return encode(readings, topic->channel[0], value[topic->channel[0]]);
    }
    json_t *root = json_object();
    for (size_t i = 0; i < topic->channels; i++) {
        enum gr_channel channel = topic->channel[i];
        const struct gr_input *input = &readings->inputs[channel];
        if (!has_members(input) ||
            put(root, input->pointer, encode(readings, channel, value[channel])) != 0) {
            json_decref(root);
            return NULL;
        }
    }
    return root;
}

char *gr_sim_readings_payload(const struct gr_sim_readings *readings, size_t topic,
                              const double value[GR_CHANNELS])
{
    json_t *document = build(readings, &readings->topic[topic], value);
    char *text = gr_json_text(document, JSON_ENCODE_ANY | JSON_COMPACT | JSON_REAL_PRECISION(10));
    json_decref(document);
    return text;
}

static struct gr_sim_topic *topic_of(struct gr_sim_readings *readings, const char *name)
{
    for (size_t i = 0; i < readings->topics; i++) {
        if (strcmp(readings->topic[i].topic, name) == 0) {
            return &readings->topic[i];
        }
    }
    struct gr_sim_topic *topic = &readings->topic[readings->topics++];
    *topic = (struct gr_sim_topic){.topic = name};
    return topic;
}

static int check_topics(const struct gr_sim_readings *readings, struct gr_error *error)
{
    static const double zeros[GR_CHANNELS] = {0};
    for (size_t i = 0; i < readings->topics; i++) {
        const struct gr_sim_topic *topic = &readings->topic[i];
        json_t *document = build(readings, topic, zeros);
        if (!document) {
            return gr_error_set(
                error, GR_INVALID,
                "inputs.%s and another input read the same place of topic \"%s\": one payload "
                "cannot hold both",
                gr_channel_name(topic->channel[topic->channels - 1]), topic->topic);
        }
        json_decref(document);
    }
    return GR_OK;
}

int gr_sim_readings_init(struct gr_sim_readings *out, const struct gr_config *config, struct gr_error *error)
{
    *out = (struct gr_sim_readings){.inputs = config->inputs,
                                    .capacity_kwh = config->engine.site.battery.capacity_kwh};
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        const struct gr_input *input = &config->inputs[channel];
        if (!input->configured) {
            continue;
        }
        struct gr_sim_topic *topic = topic_of(out, input->topic);
        topic->channel[topic->channels++] = (enum gr_channel)channel;
    }
    return check_topics(out, error);
}
