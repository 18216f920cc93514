/* Lists actuate, announce and appliances. */
#include "granary/hub.h"
#include "config/form.h"
#include "granary/bridge.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const struct gr_word commands[] = {
    {"follow", GR_FOLLOW}, {"store", GR_STORE}, {"serve", GR_SERVE},       {"charge", GR_CHARGE},
    {"export", GR_EXPORT}, {"rest", GR_REST},   {"any", GR_COMMAND_KINDS}, {NULL, 0}};
static const struct gr_word subjects[] = {
    {"device", GR_ANNOUNCE_DEVICE}, {"property", GR_ANNOUNCE_PROPERTY}, {NULL, 0}};
static const struct gr_word settables[] = {
    {"any", GR_ANNOUNCE_ANY}, {"yes", GR_ANNOUNCE_SETTABLE}, {"no", GR_ANNOUNCE_READ_ONLY}, {NULL, 0}};

#define ACTUATE(member) offsetof(struct gr_actuate, member)

const struct gr_key gr_actuate_keys[] = {
    {.name = "command",
     .kind = GR_KEY_WORD,
     .offset = ACTUATE(command),
     .words = commands,
     .required = true,
     .about = "the command with which this is sent; entries for one command go out in the order of the list"},
    {.name = "topic",
     .kind = GR_KEY_TEXT,
     .offset = ACTUATE(topic),
     .size = GR_HUB_TOPIC_SIZE,
     .required = true,
     .about = "MQTT topic, a template"},
    {.name = "payload",
     .kind = GR_KEY_TEXT,
     .offset = ACTUATE(payload),
     .size = GR_HUB_PAYLOAD_SIZE,
     .required = true,
     .about = "payload, a template: `${power_w}`, `${target_percent:.0}`, `${reason:json}`; docs/wiring.md "
              "has all"},
    {.name = "retain",
     .kind = GR_KEY_BOOLEAN,
     .offset = ACTUATE(retain),
     .standard = 0,
     .about = "whether the broker keeps the message for whoever subscribes later"},
    {.name = "repeat_s",
     .kind = GR_KEY_WHOLE,
     .offset = ACTUATE(repeat_s),
     .unit = "s",
     .zero_ok = true,
     .least = 10,
     .greatest = 3600,
     .standard = 0,
     .about = "sent again after this time, for a bridge that forgets; 0: only where it changes"},
    {.name = "will",
     .kind = GR_KEY_BOOLEAN,
     .offset = ACTUATE(will),
     .standard = 0,
     .about = "true: the broker also publishes it by itself, retained, when granaryd is gone; for `follow`, "
              "with a "
              "payload without `${...}`"},
    {.name = NULL}};

#define ANNOUNCE(member) offsetof(struct gr_announce, member)

const struct gr_key gr_announce_keys[] = {
    {.name = "of",
     .kind = GR_KEY_WORD,
     .offset = ANNOUNCE(of),
     .words = subjects,
     .required = true,
     .about = "one message about the device, or one about each property"},
    {.name = "topic",
     .kind = GR_KEY_TEXT,
     .offset = ANNOUNCE(topic),
     .size = GR_HUB_TOPIC_SIZE,
     .required = true,
     .about = "MQTT topic, a template"},
    {.name = "payload",
     .kind = GR_KEY_TEXT,
     .offset = ANNOUNCE(payload),
     .size = GR_HUB_PAYLOAD_SIZE,
     .required = true,
     .about = "payload, a template; it is published retained, and withdrawn when it is no longer configured"},
    {.name = "kinds",
     .kind = GR_KEY_TEXT,
     .offset = ANNOUNCE(kinds),
     .size = 96,
     .standard_text = "all",
     .about = "only properties of these kinds: number, choice, switch, moment, text, document; commas "
              "between them"},
    {.name = "nodes",
     .kind = GR_KEY_TEXT,
     .offset = ANNOUNCE(nodes),
     .size = 96,
     .standard_text = "all",
     .about = "only properties of these nodes: command, health, plan, override, as docs/topics.md has them"},
    {.name = "settable",
     .kind = GR_KEY_WORD,
     .offset = ANNOUNCE(settable),
     .words = settables,
     .standard_text = "any",
     .about = "only properties that can be set, or only those that cannot"},
    {.name = NULL}};

/* ---- checks ---- */

static void check_pattern(struct gr_reader *reader, const config_setting_t *group, const char *key,
                          const char *pattern, const struct gr_template_value *values, size_t count)
{
    struct gr_error error = {""};
    if (pattern[0] && gr_template_check(pattern, values, count, &error) != GR_OK) {
        gr_complain(reader, group, key, "%s", error.text);
    }
}

/* A topic is checked as it comes out with ordinary values. */
static void check_topic(struct gr_reader *reader, const config_setting_t *group, const char *pattern,
                        const struct gr_template_value *values, size_t count)
{
    struct gr_error error = {""};
    char *topic = NULL;
    if (pattern[0] && (gr_template_fill(&topic, pattern, values, count, &error) != GR_OK ||
                       gr_topic_check(topic, false, &error) != GR_OK)) {
        gr_complain(reader, group, "topic", "%s", error.text);
    }
    free(topic);
}

static void check_own(struct gr_reader *reader, const config_setting_t *group, const char *topic,
                      const struct gr_config *config)
{
    char own[2 * GR_NAME_SIZE + 8];
    (void)snprintf(own, sizeof own, "%s/5/%s/", config->outputs.domain, config->outputs.device);
    if (strncmp(topic, own, strlen(own)) == 0) {
        gr_complain(reader, group, "topic",
                    "found a topic that Granary itself publishes; allowed: another one");
    }
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        const struct gr_input *input = &config->inputs[channel];
        if (input->configured && gr_topic_matches(input->topic, topic)) {
            gr_complain(reader, group, "topic",
                        "found the topic from which inputs.%s is read; allowed: another one",
                        gr_channel_name((enum gr_channel)channel));
        }
    }
}

/* ---- actuate ---- */

static void read_actuate(struct gr_reader *reader, const config_setting_t *group, struct gr_config *out)
{
    struct gr_actuate *entry = &out->actuate[out->actuate_count];
    struct gr_template_value values[GR_ACTUATE_VALUES];
    struct gr_actuate_room room;
    const struct gr_command sample = {.kind = GR_CHARGE,
                                      .power_kw = 1.2345,
                                      .target_percent = 80,
                                      .valid_until_s = 300,
                                      .reason = "sample"};
    gr_form_read(reader, group, (const struct gr_key *const[]){gr_actuate_keys, NULL}, entry);
    gr_actuate_values(values, &room, &sample, &out->engine.site.battery);
    check_pattern(reader, group, "payload", entry->payload, values, entry->will ? 0 : GR_ACTUATE_VALUES);
    check_topic(reader, group, entry->topic, values, entry->will ? 0 : GR_ACTUATE_VALUES);
    check_own(reader, group, entry->topic, out);
    if (entry->will && entry->command != GR_FOLLOW) {
        gr_complain(reader, group, "will", "found with another command; allowed: with command = \"follow\"");
    }
    out->actuate_count++;
}

/* A bridge that is told nothing keeps doing what it was told last. */
static void check_coverage(struct gr_reader *reader, const config_setting_t *list,
                           const struct gr_config *out)
{
    bool covered[GR_COMMAND_KINDS + 1] = {false};
    size_t wills = 0;
    for (size_t i = 0; i < out->actuate_count; i++) {
        covered[out->actuate[i].command] = true;
        wills += out->actuate[i].will;
    }
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        bool needed = kind != GR_EXPORT || out->engine.planning.may_export;
        if (needed && !covered[kind] && !covered[GR_COMMAND_KINDS]) {
            gr_complain(reader, list, NULL,
                        "no entry says what the bridge is told with \"%s\"; it would go on with what it was "
                        "told before",
                        gr_command_name((enum gr_command_kind)kind));
        }
    }
    for (size_t i = 0; i < out->actuate_count; i++) {
        for (size_t k = 0; k < out->actuate_count; k++) {
            if (out->actuate[k].will && !out->actuate[i].retain &&
                strcmp(out->actuate[i].topic, out->actuate[k].topic) == 0) {
                gr_complain(
                    reader, config_setting_get_elem(list, (unsigned)i), "retain",
                    "missing on the topic of a will, which the broker retains: a later message that is not "
                    "would leave it standing; needed: true");
            }
        }
    }
    if (wills > GR_MOST_ACTUATE_WILLS) {
        gr_complain(reader, list, NULL, "found %zu entries with will = true; allowed: at most %d", wills,
                    GR_MOST_ACTUATE_WILLS);
    }
}

/* ---- announce ---- */

static void check_list(struct gr_reader *reader, const config_setting_t *group, const char *key,
                       const char *list, const char *const *words)
{
    while (*list) {
        list += strspn(list, " ,");
        size_t length = strcspn(list, " ,");
        bool found = length == 0;
        for (size_t i = 0; words[i]; i++) {
            found = found || (strlen(words[i]) == length && memcmp(words[i], list, length) == 0);
        }
        if (!found) {
            gr_complain(reader, group, key, "found \"%.*s\"; `granary check --keys` lists what is allowed",
                        (int)length, list);
        }
        list += length;
    }
}

static void read_announce(struct gr_reader *reader, const config_setting_t *group, struct gr_config *out)
{
    static const char *const kinds[] = {"number", "choice", "switch", "moment", "text", "document", NULL};
    static const char *const nodes[] = {"command", "advice", "health", "plan", "override", NULL};
    struct gr_announce *entry = &out->announce[out->announce_count];
    struct gr_template_value values[GR_ANNOUNCE_VALUES];
    struct gr_announce_room room;
    struct gr_announced sample = {
        .root = "homie/5/granary", .device = out->outputs.device, .site = "sample", .name = "Sample"};
    gr_form_read(reader, group, (const struct gr_key *const[]){gr_announce_keys, NULL}, entry);
    if (entry->of == GR_ANNOUNCE_PROPERTY) {
        sample.node = "health";
        sample.property = "changes";
        sample.datatype = "integer";
        sample.format = "0:";
    }
    gr_announce_values(values, &room, &sample);
    check_pattern(reader, group, "payload", entry->payload, values, GR_ANNOUNCE_VALUES);
    check_topic(reader, group, entry->topic, values, GR_ANNOUNCE_VALUES);
    check_own(reader, group, entry->topic, out);
    check_list(reader, group, "kinds", entry->kinds, kinds);
    check_list(reader, group, "nodes", entry->nodes, nodes);
    if (entry->of == GR_ANNOUNCE_PROPERTY && entry->topic[0] && !strstr(entry->topic, "${id") &&
        !strstr(entry->topic, "${property") && !strstr(entry->topic, "${state_topic")) {
        gr_complain(reader, group, "topic",
                    "every property would be announced on the same topic; needed: ${id} in it");
    }
    out->announce_count++;
}

/* ---- appliances ---- */

#define APPLIANCE(member) offsetof(struct gr_appliance, member)

const struct gr_key gr_appliance_keys[] = {
    {.name = "name",
     .kind = GR_KEY_TEXT,
     .offset = APPLIANCE(name),
     .size = GR_NAME_SIZE,
     .required = true,
     .about = "id of its property `appliance/NAME`: a to z, 0 to 9 and hyphen"},
    {.name = "power_kw",
     .kind = GR_KEY_NUMBER,
     .offset = APPLIANCE(kw),
     .unit = "kW",
     .least = 0.01,
     .greatest = 50,
     .required = true,
     .guesses = gr_guess_kilo,
     .about = "mean power of a run"},
    {.name = "run_hours",
     .kind = GR_KEY_NUMBER,
     .offset = APPLIANCE(hours),
     .unit = "hours",
     .least = 0.1,
     .greatest = 24,
     .required = true,
     .about = "how long a run takes, in one piece"},
    {.name = "ready_by",
     .kind = GR_KEY_CLOCK,
     .offset = APPLIANCE(ready_by_minute),
     .least = 0,
     .greatest = 1439,
     .about = "local time by which it has ended; left out: any time within a day"},
    {.name = NULL}};

static void read_appliance(struct gr_reader *reader, const config_setting_t *group, struct gr_config *out)
{
    struct gr_appliance *appliance = &out->appliances[out->appliance_count];
    gr_form_read(reader, group, (const struct gr_key *const[]){gr_appliance_keys, NULL}, appliance);
    if (!gr_given(group, "ready_by")) {
        appliance->ready_by_minute = -1;
    }
    if (appliance->name[strspn(appliance->name, "abcdefghijklmnopqrstuvwxyz0123456789-")]) {
        gr_complain(reader, group, "name", "found \"%s\"; allowed: a to z, 0 to 9 and hyphen",
                    appliance->name);
    }
    for (size_t i = 0; i < out->appliance_count; i++) {
        if (strcmp(out->appliances[i].name, appliance->name) == 0) {
            gr_complain(reader, group, "name", "found \"%s\" a second time; allowed: each once",
                        appliance->name);
        }
    }
    out->appliance_count++;
}

/* ---- the lists ---- */

void gr_entries_read(struct gr_reader *reader, const config_setting_t *root, const char *name, int most,
                     void (*read)(struct gr_reader *reader, const config_setting_t *group,
                                  struct gr_config *out),
                     struct gr_config *out)
{
    const config_setting_t *list = gr_list_member(reader, root, name, false);
    int count = list ? config_setting_length(list) : 0;
    if (count > most) {
        gr_complain(reader, list, NULL, "found %d entries; allowed: at most %d", count, most);
        return;
    }
    for (int i = 0; i < count; i++) {
        const config_setting_t *group = config_setting_get_elem(list, (unsigned)i);
        if (config_setting_is_group(group)) {
            read(reader, group, out);
        } else {
            gr_complain(reader, group, NULL, "found something else; allowed: a group { ... }");
        }
    }
}

void gr_hub_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out)
{
    gr_entries_read(reader, root, "actuate", GR_MOST_ACTUATE, read_actuate, out);
    gr_entries_read(reader, root, "appliances", GR_MOST_APPLIANCES, read_appliance, out);
    gr_entries_read(reader, root, "announce", GR_MOST_ANNOUNCE, read_announce, out);
    if (out->actuate_count > 0) {
        check_coverage(reader, config_setting_get_member(root, "actuate"), out);
    }
}
