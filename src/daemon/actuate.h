/* Commands in the words of the inverter's bridge: the `actuate` entries of the configuration. */
#ifndef GRANARY_DAEMON_ACTUATE_H
#define GRANARY_DAEMON_ACTUATE_H

#include "granary/bridge.h"
#include "granary/config.h"
#include "granary/engine.h"

struct gr_actuator;

/* The configuration must outlive it. Nothing is ever sent where it does not command. */
int gr_actuator_create(struct gr_actuator **out, const struct gr_config *config, struct gr_error *error);
void gr_actuator_free(struct gr_actuator *actuator);

/* The configuration was replaced by one whose entries are the same. */
void gr_actuator_move(struct gr_actuator *actuator, const struct gr_config *config);

/* What the broker is to send by itself; returns how many, at most GR_MOST_ACTUATE_WILLS. */
size_t gr_actuator_wills(const struct gr_actuator *actuator, struct gr_will out[GR_MOST_ACTUATE_WILLS]);

/* After (re)connecting: last wills may have been sent, so that everything counts as unsent. */
void gr_actuator_forget(struct gr_actuator *actuator);

/* Sends what the command in force asks for, in the order of the list: all of it after a change, else what
 * reads otherwise than before or is due to be repeated. */
void gr_actuator_turn(struct gr_actuator *actuator, struct gr_bridge *bridge,
                      const struct gr_decision *decision, const struct gr_moment *now);

/* Orderly end: follow. False where not all of it could be sent. */
bool gr_actuator_withdraw(struct gr_actuator *actuator, struct gr_bridge *bridge, int64_t now_s);

#endif
