/* Every property and alert of the device, once: topics, the Homie description, docs/topics.md and the tests
 * are all held against this table. */
#ifndef GRANARY_DAEMON_PROPERTIES_H
#define GRANARY_DAEMON_PROPERTIES_H

#include <stdbool.h>
#include <stdio.h>

enum gr_property {
    GR_COMMAND_DOCUMENT,
    GR_COMMAND_BAND,
    GR_COMMAND_POWER,
    GR_COMMAND_TARGET,
    GR_COMMAND_VALID_UNTIL,
    GR_COMMAND_REASON,
    GR_COMMAND_SEQUENCE,
    GR_HEALTH_HEARTBEAT,
    GR_HEALTH_MODE,
    GR_HEALTH_FAULT,
    GR_HEALTH_REASON,
    GR_HEALTH_INVERTER,
    GR_HEALTH_CHANGES,
    GR_HEALTH_RATES_UNTIL,
    GR_HEALTH_REFUSED,
    GR_HEALTH_EVENT_SOURCES,
    GR_PLAN_MARGINAL_VALUE,
    GR_PLAN_NEXT_COMMAND,
    GR_PLAN_NEXT_AT,
    GR_PLAN_COST_TODAY,
    GR_PLAN_COST_TODAY_FROM,
    GR_PLAN_COST_TOMORROW,
    GR_PLAN_BACKUP_HOURS,
    GR_PLAN_CAR_CHARGE,
    GR_PLAN_EVENTS,
    GR_PLAN_SLOTS,
    GR_ASK_COMMAND,
    GR_ASK_POWER,
    GR_ASK_TARGET,
    GR_ASK_HOURS,
    GR_ASK_RESERVE,
    GR_ASK_LOAD_FACTOR,
    GR_ASK_NO_EXPORT,
    GR_ASK_PAUSE,
    GR_ASK_REQUEST,
    GR_ASK_ANSWER,
    GR_ASK_ACTIVE,
    GR_PROPERTIES
};

enum gr_node { GR_NODE_COMMAND, GR_NODE_HEALTH, GR_NODE_PLAN, GR_NODE_OVERRIDE, GR_NODES };

struct gr_property_row {
    const char *id, *name, *datatype;
    const char *unit, *format;   /* NULL: none */
    const char *about, *example; /* for docs/topics.md */
    enum gr_node node;
    bool settable;
};

extern const struct gr_property_row gr_properties[GR_PROPERTIES];

/* The id of a node ("command", "health", ...) and its name for people. */
extern const char *const gr_node_ids[GR_NODES], *const gr_node_names[GR_NODES];

/* The property of that node and id; GR_PROPERTIES where there is none. */
enum gr_property gr_property_find(enum gr_node node, const char *id);

/* What the device warns of on `$alert/ID`, as Homie has it. */
enum gr_alert {
    GR_ALERT_FAULT,
    GR_ALERT_INVERTER,
    GR_ALERT_RATES,
    GR_ALERT_EVENTS,
    GR_ALERT_STORE,
    GR_ALERTS
};

struct gr_alert_row {
    const char *id, *about, *example; /* for docs/topics.md */
};

extern const struct gr_alert_row gr_alerts[GR_ALERTS];

/* The tables of docs/topics.md, one for each node and one of alerts. */
void gr_properties_print(FILE *stream);

#endif
