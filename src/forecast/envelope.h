/* What a clear sky gives at each time of each day, learned from the best days around. Internal to
 * src/forecast. */
#ifndef GRANARY_FORECAST_ENVELOPE_H
#define GRANARY_FORECAST_ENVELOPE_H

#include "forecast/record.h"

/* Sets the scale of the slots of the last months before `from` and of the `ahead` slots after it, from what
 * lies before `from`, and sums anew. */
void envelope_fit(struct record *record, size_t from, size_t ahead);

#endif
