/* The plan as JSON, the same on the topic and from the tool. */
#ifndef GRANARY_DAEMON_PLAN_JSON_H
#define GRANARY_DAEMON_PLAN_JSON_H

#include "granary/engine.h"

#include <jansson.h>

/* An array with one object per slot; NULL without memory. The caller owns it. */
json_t *gr_plan_to_json(const struct gr_plan_view *plan);

#endif
