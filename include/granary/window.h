/* Windows: stretches of time in which somebody outside changes a price, pays for a kWh, or wishes for a state
 * of charge; and reading them from foreign documents. Pure. Moments are Unix seconds, UTC. */
#ifndef GRANARY_WINDOW_H
#define GRANARY_WINDOW_H

#include "granary/error.h"
#include "granary/rates.h"
#include "granary/site.h"
#include "granary/zone.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define GR_MOST_WINDOWS 256 /* of all sources together */
#define GR_MOST_EVENT_SOURCES 4

enum gr_window_kind {
    GR_WINDOW_IMPORT_PRICE,    /* money per kWh bought, instead of the published price */
    GR_WINDOW_EXPORT_PRICE,    /* money per kWh sold, likewise */
    GR_WINDOW_PAYMENT,         /* money for each kWh imported less or exported more */
    GR_WINDOW_STATE_OF_CHARGE, /* percent, to be had at start_s and held until end_s */
    GR_WINDOW_KINDS
};

struct gr_window {
    enum gr_window_kind kind;
    int32_t source;         /* 0 to GR_MOST_EVENT_SOURCES - 1 */
    int64_t start_s, end_s; /* start < end; equal for a state of charge at one moment */
    double value;
};

/* "import_price", "export_price", "payment", "state_of_charge"; NULL out of range. */
const char *gr_window_name(enum gr_window_kind kind);

/* GR_INVALID, with what was found and what is allowed: prices from -1000 to 1000, payments from 0 to 1000
 * money per kWh, percent from 0 to 100, an end after the start. */
int gr_window_check(const struct gr_window *window, struct gr_error *error);

/* ---- reading foreign documents ---- */

enum gr_event_format {
    GR_EVENTS_JSON,    /* a list of somebody's own making, by the pointers below */
    GR_EVENTS_OPENADR3 /* an event, or an array of events, of OpenADR 3 */
};

/* What an event's numbers are in. */
enum gr_event_unit {
    GR_EVENTS_PER_KWH,
    GR_EVENTS_PER_MWH,
    GR_EVENTS_MINOR_PER_KWH,
    GR_EVENTS_PERCENT,
    GR_EVENTS_RATIO,
    GR_EVENTS_KWH
};

/* Pointers are JSON Pointers (RFC 6901) relative to an element of the list; "" where absent. Those of
 * GR_EVENTS_OPENADR3 are not used but for the list. */
struct gr_window_mapping {
    enum gr_event_format format;
    char list[GR_FIELD_SIZE]; /* as for rates; "" is the document itself */
    char id[GR_FIELD_SIZE];   /* what the event is called in messages */
    char start[GR_FIELD_SIZE], end[GR_FIELD_SIZE], duration[GR_FIELD_SIZE], value[GR_FIELD_SIZE];
    char only[GR_FIELD_SIZE]; /* elements in which this is not only_is are passed over */
    char only_is[GR_NAME_SIZE];
    bool start_is_local;
    enum gr_window_kind kind;
    enum gr_event_unit unit;
    double least, greatest; /* plausible prices and payments, money per kWh */
    char currency[8];       /* of the site; an OpenADR event in another one is refused */
    double capacity_kwh;    /* of the battery, for wishes in kWh */
};

#define GR_EVENT_ID_SIZE 64
#define GR_MOST_REFUSED_EVENTS 16

struct gr_told_window {
    struct gr_window window;
    char id[GR_EVENT_ID_SIZE]; /* of the event */
    int priority;              /* lower goes before, as OpenADR has it */
};

struct gr_refused_event {
    char id[GR_EVENT_ID_SIZE], reason[200];
};

/* Zero-initialise, free with gr_told_windows_free. */
struct gr_told_windows {
    struct gr_told_window *windows; /* sorted by start */
    size_t count;
    struct gr_refused_event refused[GR_MOST_REFUSED_EVENTS];
    size_t refused_count; /* may be larger than what `refused` holds */
};

void gr_told_windows_free(struct gr_told_windows *told);

/* Reads a whole document. An event that is not as promised is refused by name, and the others are taken; the
 * document is refused (GR_INVALID, nothing written) where it is none at all: no JSON, no such list, more than
 * GR_MOST_WINDOWS windows. What has ended at now_s, or begins more than 62 days after it, is left out. Where
 * two events speak of the same thing at the same time, the one of the lower `priority` number counts; of two
 * of the same priority that contradict each other the later one in the document is refused. */
int gr_windows_read(struct gr_told_windows *out, const struct gr_window_mapping *mapping,
                    const struct gr_zone *zone, int64_t now_s, const void *bytes, size_t length,
                    struct gr_error *error);

#endif
