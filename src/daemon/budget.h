/* The day's budget of commands outlives the process: when the command changed is kept in the store, before
 * anybody sees the change. Without a store it begins anew at each start, as it must. */
#ifndef GRANARY_DAEMON_BUDGET_H
#define GRANARY_DAEMON_BUDGET_H

#include "granary/engine.h"
#include "granary/store.h"

#include <stdbool.h>
#include <stdint.h>

struct gr_budget {
    bool restored, refused;
    int64_t newest_s; /* as kept last */
    int kind;         /* the command kept with it; -1: none yet */
};

#define GR_BUDGET_UNKNOWN ((struct gr_budget){.kind = -1})

/* Once, at the first turn with a store: tells the engine what was spent before. A command that was in force
 * at the end of the process before has become `follow` since, which is one change more. */
void gr_budget_restore(struct gr_budget *budget, struct gr_engine *engine, struct gr_store *store,
                       const struct gr_moment *now);

/* At each turn; writes where the command changed. */
void gr_budget_note(struct gr_budget *budget, const struct gr_engine *engine, struct gr_store *store,
                    const struct gr_decision *decision, const struct gr_moment *now);

#endif
