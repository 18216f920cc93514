/* What `granary forecast` prints. */
#ifndef GRANARY_TOOL_FORECAST_PRINT_H
#define GRANARY_TOOL_FORECAST_PRINT_H

#include "granary/forecast.h"
#include "granary/plant.h"
#include "granary/within.h"

#define FORECAST_PARTS 2 /* load and sun, in the order of enum gr_forecast_kind */

/* What the readings say beside the forecast; NULL where nothing is known. */
struct forecast_findings {
    const struct gr_plant *plant;   /* the arrays */
    const struct gr_within *within; /* the load inside half hours */
};

/* Figures of load and sun; NULL where the file has no such column. Returns false where the output fails. */
bool forecast_print_scores(const struct gr_forecast_score *const scores[FORECAST_PARTS],
                           const struct forecast_findings *findings, bool json);

/* Forecasts of `slots` slots from start_s on; NULL where the file has no such column. */
struct forecast_table {
    int64_t start_s;
    int32_t step_s;
    size_t slots;
    const struct gr_zone *zone;
    const struct gr_forecast_slot *part[FORECAST_PARTS];
    const struct forecast_findings *findings;
};

bool forecast_print_table(const struct forecast_table *table, bool json);

#endif
