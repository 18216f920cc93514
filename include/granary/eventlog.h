/* The event log: everything that went into the engine and every decision that came out, as text, so that a
 * bug report is a log that replays. It holds no topics, addresses, names of files or secrets. The format is
 * written out in docs/replay.md. Streams and zones are the caller's. */
#ifndef GRANARY_EVENTLOG_H
#define GRANARY_EVENTLOG_H

#include "granary/engine.h"
#include "granary/error.h"

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#define GR_EVENTLOG_LINE_SIZE 1536

/* The settings of an engine's configuration, one "set NAME VALUE" line each, and its sources and bands. */
void gr_eventlog_write_settings(FILE *stream, const struct gr_engine_config *config);

/* Takes one such line, without its newline, into a zeroed configuration. GR_NOT_FOUND for another kind of
 * line, GR_INVALID for one that is wrong. */
int gr_eventlog_read_setting(struct gr_engine_config *config, const char *line, struct gr_error *error);

/* GR_INVALID, naming the setting, for a configuration that no configuration file could have given. */
int gr_eventlog_check_settings(const struct gr_engine_config *config, struct gr_error *error);

/* Everything that a new engine needs to go on as this one will: settings, prices, history, inner state. The
 * engine plans anew at its next turn (gr_engine_save), as the one that replays will. */
void gr_eventlog_write_start(FILE *stream, struct gr_engine *engine, const struct gr_moment *now);

void gr_eventlog_write_event(FILE *stream, const struct gr_event *event);

/* "tick" line and "decision" line. */
void gr_eventlog_write_turn(FILE *stream, const struct gr_moment *now, const struct gr_decision *decision);

/* A sum that tells texts apart by accident, not by attack (FNV-1a, Fowler, Noll, Vo). */
uint64_t gr_eventlog_sum(const void *bytes, size_t length);

/* What a replay found. */
struct gr_replay {
    uint64_t starts, events, decisions;
    uint64_t differing;                                               /* decisions that came out otherwise */
    uint64_t first_line;                                              /* of them; 0: none */
    char logged[GR_EVENTLOG_LINE_SIZE], found[GR_EVENTLOG_LINE_SIZE]; /* of the first one */
    int64_t first_s, last_s; /* moments of the first and the last turn */
};

/* Runs the engine through a log. A line that is cut off at the very end is passed over: the process may have
 * died while it was written. GR_INVALID with "FILE:LINE: ..." for a log that cannot be read, GR_NO_MEMORY. */
int gr_eventlog_replay(struct gr_replay *out, const char *file, const void *bytes, size_t length,
                       int (*load_zone)(struct gr_zone **out, const char *name, struct gr_error *error),
                       struct gr_error *error);

#endif
