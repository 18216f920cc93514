/* From messages to readings. */
#ifndef GRANARY_DAEMON_INPUTS_H
#define GRANARY_DAEMON_INPUTS_H

#include "granary/bridge.h"
#include "granary/config.h"
#include "granary/engine.h"

/* The topic filters to subscribe, each once; *out holds up to GR_CHANNELS pointers into the configuration.
 * Returns their number. */
size_t gr_inputs_filters(const struct gr_config *config, const char *out[GR_CHANNELS]);

/* Hands every reading in the message to the engine; what is not as promised is counted, logged at growing
 * intervals, and changes nothing. True where at least one reading came in. */
bool gr_inputs_take(const struct gr_config *config, struct gr_engine *engine, struct gr_refusals *refusals,
                    const struct gr_bridge_event *message, const struct gr_moment *now);

#endif
