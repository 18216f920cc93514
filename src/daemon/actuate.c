#include "daemon/actuate.h"

#include "daemon/log.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct gr_actuator {
    const struct gr_config *config;
    char *sent[GR_MOST_ACTUATE]; /* payload, NULL: none since the connection or the command before */
    int64_t sent_ms[GR_MOST_ACTUATE];
    int kind; /* that was sent last; -1: none */
    char *will_topic[GR_MOST_ACTUATE_WILLS], *will_payload[GR_MOST_ACTUATE_WILLS];
    size_t will_count;
};

/* Their texts are fixed, but for $$. */
static int fill_wills(struct gr_actuator *actuator, struct gr_error *error)
{
    const struct gr_config *config = actuator->config;
    int status = GR_OK;
    for (size_t i = 0; status == GR_OK && config->engine.safety.commanding && i < config->actuate_count;
         i++) {
        size_t at = actuator->will_count;
        if (config->actuate[i].will && at < GR_MOST_ACTUATE_WILLS) {
            status = gr_template_fill(&actuator->will_topic[at], config->actuate[i].topic, NULL, 0, error);
            if (status == GR_OK) {
                status =
                    gr_template_fill(&actuator->will_payload[at], config->actuate[i].payload, NULL, 0, error);
            }
            actuator->will_count++;
        }
    }
    return status;
}

int gr_actuator_create(struct gr_actuator **out, const struct gr_config *config, struct gr_error *error)
{
    struct gr_actuator *actuator = calloc(1, sizeof *actuator);
    if (!actuator) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for the messages to the inverter's bridge");
    }
    actuator->config = config;
    actuator->kind = -1;
    *out = actuator;
    return fill_wills(actuator, error);
}

void gr_actuator_free(struct gr_actuator *actuator)
{
    if (actuator) {
        gr_actuator_forget(actuator);
        for (size_t i = 0; i < GR_MOST_ACTUATE_WILLS; i++) {
            free(actuator->will_topic[i]);
            free(actuator->will_payload[i]);
        }
        free(actuator);
    }
}

void gr_actuator_move(struct gr_actuator *actuator, const struct gr_config *config)
{
    actuator->config = config;
}

size_t gr_actuator_wills(const struct gr_actuator *actuator, struct gr_will out[GR_MOST_ACTUATE_WILLS])
{
    for (size_t i = 0; i < actuator->will_count; i++) {
        out[i] = (struct gr_will){actuator->will_topic[i], actuator->will_payload[i]};
    }
    return actuator->will_count;
}

void gr_actuator_forget(struct gr_actuator *actuator)
{
    for (size_t i = 0; i < GR_MOST_ACTUATE; i++) {
        free(actuator->sent[i]);
        actuator->sent[i] = NULL;
    }
    actuator->kind = -1;
}

static void send(struct gr_actuator *actuator, struct gr_bridge *bridge, size_t index, const char *topic,
                 char *payload, int64_t now_ms)
{
    struct gr_error error = {""};
    if (gr_bridge_publish(bridge, topic, payload, strlen(payload), actuator->config->actuate[index].retain, 0,
                          &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "%s could not be published: %s", topic, error.text);
        free(payload);
        payload = NULL; /* tried again with the next turn */
    }
    free(actuator->sent[index]);
    actuator->sent[index] = payload;
    actuator->sent_ms[index] = now_ms;
}

/* Sends one entry, where it is new or due. */
static void turn_entry(struct gr_actuator *actuator, struct gr_bridge *bridge, size_t index,
                       const struct gr_template_value *values, int64_t now_ms)
{
    struct gr_error error = {""};
    const struct gr_actuate *entry = &actuator->config->actuate[index];
    char *topic = NULL, *payload = NULL;
    bool due = entry->repeat_s > 0 && (now_ms < actuator->sent_ms[index] ||
                                       now_ms - actuator->sent_ms[index] >= (int64_t)entry->repeat_s * 1000);
    if (gr_template_fill(&topic, entry->topic, values, GR_ACTUATE_VALUES, &error) != GR_OK ||
        gr_template_fill(&payload, entry->payload, values, GR_ACTUATE_VALUES, &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "actuate[%zu]: %s", index, error.text);
    } else if (!actuator->sent[index] || strcmp(actuator->sent[index], payload) != 0 || due) {
        send(actuator, bridge, index, topic, payload, now_ms);
        payload = NULL;
    }
    free(topic);
    free(payload);
}

static void turn_all(struct gr_actuator *actuator, struct gr_bridge *bridge, const struct gr_command *command,
                     int64_t now_ms)
{
    struct gr_template_value values[GR_ACTUATE_VALUES];
    struct gr_actuate_room room;
    const struct gr_config *config = actuator->config;
    gr_actuate_values(values, &room, command, &config->engine.site.battery);
    for (size_t i = 0; i < config->actuate_count; i++) {
        int kind = config->actuate[i].command;
        if (kind == (int)command->kind || kind == GR_COMMAND_KINDS) {
            turn_entry(actuator, bridge, i, values, now_ms);
        }
    }
    actuator->kind = (int)command->kind;
}

void gr_actuator_turn(struct gr_actuator *actuator, struct gr_bridge *bridge,
                      const struct gr_decision *decision, const struct gr_moment *now)
{
    if (!decision->commanding || actuator->config->actuate_count == 0) {
        return;
    }
    /* A command that differs is told whole and in order, whatever was told for one of before. */
    if (decision->changed || actuator->kind != (int)decision->command.kind) {
        gr_actuator_forget(actuator);
    }
    turn_all(actuator, bridge, &decision->command, now->mono_ms);
}

/* Whether all that is to be told for `follow` was. */
static bool has_told_follow(const struct gr_actuator *actuator)
{
    for (size_t i = 0; i < actuator->config->actuate_count; i++) {
        int kind = actuator->config->actuate[i].command;
        if ((kind == (int)GR_FOLLOW || kind == GR_COMMAND_KINDS) && !actuator->sent[i]) {
            return false;
        }
    }
    return true;
}

bool gr_actuator_withdraw(struct gr_actuator *actuator, struct gr_bridge *bridge, int64_t now_s)
{
    const struct gr_config *config = actuator->config;
    const struct gr_command follow = {.kind = GR_FOLLOW,
                                      .target_percent = config->engine.site.reserve_percent,
                                      .issued_s = now_s,
                                      .valid_until_s = now_s + config->engine.safety.validity_s,
                                      .reason = "granaryd was stopped"};
    if (!config->engine.safety.commanding || config->actuate_count == 0 || !gr_bridge_is_up(bridge)) {
        return true;
    }
    gr_actuator_forget(actuator);
    turn_all(actuator, bridge, &follow, 0);
    return has_told_follow(actuator);
}
