/* What came in on the topics of the inputs while `granary check --live` was looking. */
#ifndef GRANARY_TOOL_WATCH_H
#define GRANARY_TOOL_WATCH_H

#include "granary/config.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#define GR_SHOWN_PAYLOAD_SIZE 84

struct gr_watch {
    unsigned live, retained;
    bool varied;      /* two live payloads differed */
    bool valued;      /* `value` is set */
    double value;     /* last one that could be read, in our units */
    int64_t first_ms; /* of the first live payload */
    int64_t mono_ms;  /* of the last live payload */
    int64_t greatest_gap_ms;
    char payload[GR_SHOWN_PAYLOAD_SIZE]; /* the last one, escaped and cut */
    char refusal[400];                   /* why the last payload was refused; "" */
};

/* Takes a payload into account for every channel that listens to its topic. */
void gr_watch_note(struct gr_watch watches[GR_CHANNELS], const struct gr_config *config, const char *topic,
                   const void *payload, size_t length, bool retained, int64_t mono_ms);

/* Whether every configured channel has said enough: powers must have come four times over ten seconds, to
 * tell a frozen one. */
bool gr_watch_enough(const struct gr_watch watches[GR_CHANNELS], const struct gr_config *config);

/* Judges one channel; false, with the reason, where something is wrong. */
bool gr_watch_judge(const struct gr_watch watches[GR_CHANNELS], const struct gr_config *config,
                    enum gr_channel channel, char *verdict, size_t size);

/* Prints the table and the energy balance; returns how many things are wrong. */
unsigned gr_watch_print(FILE *stream, const struct gr_watch watches[GR_CHANNELS],
                        const struct gr_config *config, int64_t now_mono_ms);

#endif
