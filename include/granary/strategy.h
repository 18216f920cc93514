/* A strategy: what the planner may do and wants, apart from the house and its tariff. The daemon and the
 * back-test take the same file, so that what was tested is what then runs. */
#ifndef GRANARY_STRATEGY_H
#define GRANARY_STRATEGY_H

#include "granary/engine.h"
#include "granary/error.h"

#include <stdbool.h>

enum gr_strategy_kind {
    GR_STRATEGY_NONE,       /* no battery at all */
    GR_STRATEGY_FOLLOW,     /* the battery covers the house and stores the surplus, always */
    GR_STRATEGY_NIGHT_FILL, /* fills to a set level in the cheapest hours of the day, else follows */
    GR_STRATEGY_PLANNED,    /* the engine, with what it can know at the time */
    GR_STRATEGY_FORESIGHT,  /* the optimum knowing everything: the bound */
    GR_STRATEGY_KINDS
};

/* Where a wish is not given (NAN, or -1 for may_export) it is as configured. Only `planned` has wishes. */
struct gr_strategy {
    char name[GR_NAME_SIZE];
    enum gr_strategy_kind kind;
    double fill_percent;                      /* of night-fill, 1 to 100 */
    int may_export;                           /* -1, 0, 1: whether the battery may feed the grid by command */
    double least_gain_per_exported_kwh;       /* money; 0 or more */
    int export_from_minute, export_to_minute; /* local time in which it may; equal: always */
    double reserve_percent;                   /* at least the battery's own reserve */
    double floor_percent;
    double wear_per_kwh;   /* as the planner is to count it; a bill counts the battery's own */
    double cycles_per_day; /* capacities a day that a plan may take from the store, above 0 */
    double least_gain;     /* money that a change of command must promise */
};

/* One of the strategies that need no file, "none", "follow", "night-fill", "planned", "foresight";
 * GR_NOT_FOUND. */
int gr_strategy_named(struct gr_strategy *out, const char *name);

/* The fixed word of a kind; NULL out of range. */
const char *gr_strategy_kind_name(enum gr_strategy_kind kind);

/* Changes the configuration as the strategy wishes. GR_INVALID, with nothing changed, for a reserve below the
 * configured one or an export where nothing may be exported. */
int gr_strategy_apply(struct gr_engine_config *config, const struct gr_strategy *strategy,
                      struct gr_error *error);

#endif
