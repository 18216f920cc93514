/* The daemon's clock: the system's, or one that a simulation shares over MQTT. */
#ifndef GRANARY_DAEMON_CLOCK_H
#define GRANARY_DAEMON_CLOCK_H

#include "granary/guard.h"

#include <stddef.h>

/* The system's clocks, read together. Ages run on the boot-time clock, so that a suspended machine's readings
 * grow old too. */
struct gr_moment gr_clock_read(void);

/* The monotonic clock in ms, for network time-outs. */
int64_t gr_clock_mono_ms(void);

/* A simulation's clock message, {"utc_s": ..., "step": ...}; with "mono_ms" the monotonic clock goes its own
 * way, and "synchronised": false says that the wall clock is not to be trusted. False where the payload is
 * something else. */
bool gr_clock_parse(const void *payload, size_t length, struct gr_moment *out, int64_t *step);

#endif
