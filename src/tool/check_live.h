/* `granary check --live`: what really comes from the broker and the rate sources, held against the
 * configuration. */
#ifndef GRANARY_TOOL_CHECK_LIVE_H
#define GRANARY_TOOL_CHECK_LIVE_H

#include "granary/config.h"

/* Looks for so many seconds at most and prints what it found. 0: nothing is wrong, 1: something is. */
int gr_check_live(const struct gr_config *config, int seconds);

#endif
