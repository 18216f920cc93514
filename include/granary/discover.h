/* Finding the house's topics: what numbers a broker carries, and which of them are state of charge, battery,
 * grid, solar, house and car power, in what unit and with what sign. Pure: messages and their moments come in
 * as arguments. */
#ifndef GRANARY_DISCOVER_H
#define GRANARY_DISCOVER_H

#include "granary/channel.h"
#include "granary/config.h"
#include "granary/error.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* ---- what was heard ---- */

struct gr_sample {
    int64_t mono_ms;
    double value;
};

/* One number that keeps coming: a plain payload, or a member of a JSON payload. */
struct gr_topic_series {
    char topic[GR_TOPIC_SIZE];
    char pointer[GR_FIELD_SIZE]; /* JSON Pointer; only used where is_json */
    bool is_json;
    unsigned live, retained;              /* messages that had it */
    double least, greatest, last;         /* of them */
    int64_t first_ms, last_ms;            /* of the live ones */
    struct gr_sample *samples;            /* in the order of time, thinned out where they are many; owned */
    size_t count, room, kept_of, skipped; /* one of `kept_of` live ones is kept */
};

struct gr_heard;

int gr_heard_create(struct gr_heard **out);
void gr_heard_free(struct gr_heard *heard);

/* Takes a message apart. What is no number, lies deeper than 6 levels, or is beyond the first 1024 numbers is
 * only counted. GR_NO_MEMORY. */
int gr_heard_note(struct gr_heard *heard, const char *topic, const void *payload, size_t length,
                  bool retained, int64_t mono_ms);

/* The series, sorted by topic and pointer; valid until the next call. */
const struct gr_topic_series *gr_heard_series(struct gr_heard *heard, size_t *count);

/* Messages, and those without any number in them. */
unsigned gr_heard_messages(const struct gr_heard *heard, unsigned *without_number);

/* ---- what it looks like ---- */

enum gr_sureness { GR_GUESS, GR_LIKELY, GR_SURE };

/* "a guess", "likely", "sure". */
const char *gr_sureness_name(enum gr_sureness sureness);

struct gr_finding {
    bool found;
    size_t series; /* index */
    enum gr_unit unit;
    double sign; /* as in struct gr_input */
    enum gr_sureness sureness;
    char why[400]; /* plain words */
};

struct gr_proposal {
    struct gr_finding of[GR_CHANNELS]; /* state of charge and the five powers; the others are never found */
    double miss_kw; /* rms of house - (grid + solar - battery - car); NAN where the house is not measured */
    double least_house_kw, mean_house_kw; /* by the other powers; NAN without grid and battery */
    bool house_holds_car;                 /* the house meter counts the car in: leave it out */
    double
        capacity_kwh; /* usable, by battery power and state of charge; NAN where they did not move enough */
};

/* Weighs every way of giving the roles to the series: by names, by ranges and steps, by the energy balance
 * house = grid + solar - battery - car, and by the state of charge, which follows the battery's power. The
 * margin over the next best way says how sure a finding is. GR_NO_MEMORY. */
int gr_discover(struct gr_proposal *out, const struct gr_topic_series *series, size_t count,
                struct gr_error *error);

/* A configuration to start from, with comments: `mqtt_group` is the text of its group of that name. What was
 * not found stands there under topics that begin with "not-found/". To be freed; NULL without memory. */
char *gr_discover_config(const struct gr_proposal *proposal, const struct gr_topic_series *series,
                         const char *mqtt_group, const char *timezone);

#endif
