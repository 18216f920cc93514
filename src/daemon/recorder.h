/* The event log on disk: a ring of files in the state folder, each of which replays by itself. */
#ifndef GRANARY_DAEMON_RECORDER_H
#define GRANARY_DAEMON_RECORDER_H

#include "granary/config.h"
#include "granary/engine.h"

struct gr_recorder;

/* Begins a new file, events.log, where events.record is set and there is a state folder; older ones become
 * events.1.log, events.2.log, ... It listens to the engine until gr_recorder_free, which comes before the
 * engine's end. That a file cannot be written is logged and tried again ten minutes later. GR_NO_MEMORY. */
int gr_recorder_create(struct gr_recorder **out, const struct gr_config *config, struct gr_engine *engine,
                       const struct gr_moment *now, struct gr_error *error);

/* Writes what is pending; NULL is fine. */
void gr_recorder_free(struct gr_recorder *recorder);

#endif
