/* For hubs and bridges with words of their own: what to send them with each command, and how to announce the
 * device to them. Templates are those of template.h. */
#ifndef GRANARY_HUB_H
#define GRANARY_HUB_H

#include "granary/command.h"
#include "granary/site.h"
#include "granary/template.h"

#include <stdbool.h>
#include <stddef.h>

#define GR_HUB_TOPIC_SIZE 256
#define GR_HUB_PAYLOAD_SIZE 2048
#define GR_MOST_ACTUATE 32
#define GR_MOST_ACTUATE_WILLS 4
#define GR_MOST_ANNOUNCE 16

/* One message to the inverter's bridge. */
struct gr_actuate {
    int command;                   /* enum gr_command_kind; GR_COMMAND_KINDS: with every one */
    char topic[GR_HUB_TOPIC_SIZE]; /* templates */
    char payload[GR_HUB_PAYLOAD_SIZE];
    bool retain;
    int repeat_s; /* sent again after this; 0: only where it changes */
    bool will;    /* the broker sends it by itself when the daemon is gone; fixed text, for follow only */
};

enum gr_announce_of { GR_ANNOUNCE_DEVICE, GR_ANNOUNCE_PROPERTY };
enum gr_announce_settable { GR_ANNOUNCE_ANY, GR_ANNOUNCE_SETTABLE, GR_ANNOUNCE_READ_ONLY };

/* One retained message about the device, or about each of its properties that the filters let through. */
struct gr_announce {
    int of;                        /* enum gr_announce_of */
    char topic[GR_HUB_TOPIC_SIZE]; /* templates */
    char payload[GR_HUB_PAYLOAD_SIZE];
    char kinds[96], nodes[96]; /* words with commas between them; "": all */
    int settable;              /* enum gr_announce_settable */
};

/* ---- what stands for the names in an actuate template ---- */

#define GR_ACTUATE_VALUES 12

struct gr_actuate_room {
    char issued[32], valid_until[32];
};

/* The values live as long as `room` and the command. */
void gr_actuate_values(struct gr_template_value out[GR_ACTUATE_VALUES], struct gr_actuate_room *room,
                       const struct gr_command *command, const struct gr_battery *battery);

/* ---- and in an announce template ---- */

/* A property, or the device where `property` is NULL. */
struct gr_announced {
    const char *root;   /* "homie/5/granary" */
    const char *device; /* id */
    const char *site;
    const char *node, *property, *name, *datatype, *unit, *format; /* unit and format may be NULL */
    bool settable;
};

#define GR_ANNOUNCE_VALUES 18

struct gr_announce_room {
    char id[160], state_topic[GR_HUB_TOPIC_SIZE], set_topic[GR_HUB_TOPIC_SIZE + 8],
        availability_topic[GR_HUB_TOPIC_SIZE], words[512];
};

void gr_announce_values(struct gr_template_value out[GR_ANNOUNCE_VALUES], struct gr_announce_room *room,
                        const struct gr_announced *what);

/* "number", "choice", "switch", "moment", "text" or "document", after the Homie datatype. */
const char *gr_announce_kind(const char *datatype);

/* Whether an entry speaks of this (a property for GR_ANNOUNCE_PROPERTY, else the device). */
bool gr_announce_wants(const struct gr_announce *entry, const struct gr_announced *what);

#endif
