/* Simulated years of the real engine in a simulated house, with random faults, and what must hold at every
 * turn. */
#ifndef GRANARY_TESTS_CHAOS_H
#define GRANARY_TESTS_CHAOS_H

#include "world/world.h"

#include <stdint.h>

enum chaos_fault {
    CHAOS_SILENT,  /* a channel */
    CHAOS_FROZEN,  /* a channel */
    CHAOS_ABSURD,  /* a channel */
    CHAOS_SPIKE,   /* the state of charge, once */
    CHAOS_WRONG,   /* a channel's sign or unit */
    CHAOS_RARE,    /* a channel comes late */
    CHAOS_JUMP,    /* the meter of charge is recalibrated */
    CHAOS_STEP,    /* the clock is stepped, and put right again */
    CHAOS_UNSURE,  /* the clock is not synchronised */
    CHAOS_LINK,    /* no broker */
    CHAOS_GRID,    /* the mains */
    CHAOS_DEAF,    /* the inverter ignores commands */
    CHAOS_TURNED,  /* it turns their signs round */
    CHAOS_DERATED, /* it gives less */
    CHAOS_RATES,   /* the next tables are not published */
    CHAOS_RESTART, /* the process is killed and started */
    CHAOS_ASLEEP,  /* the machine sleeps */
    CHAOS_FAULTS
};

/* What must be so at every turn. */
enum chaos_law {
    LAW_POWER,    /* no command beyond the battery's powers */
    LAW_IMPORT,   /* no charge that would break the import limit with the load seen */
    LAW_EXPORT,   /* no export that would break the export limit */
    LAW_RESERVE,  /* no command takes from the battery below its reserve */
    LAW_FRESH,    /* no command without a fresh state of charge */
    LAW_FOLLOW,   /* follow in the turn that meets a fault */
    LAW_BUDGET,   /* no more changes than the day's budget, but those that safety asks for */
    LAW_RECOVERY, /* commands again once all is well */
    LAW_VALIDITY, /* every command expires, and is renewed before it does */
    LAW_SEQUENCE, /* sequences rise, over restarts too */
    LAW_ANSWER,   /* an inverter that does not obey is not commanded for long */
    LAW_LEDGER,   /* energy and money add up */
    LAWS
};

const char *chaos_law_name(enum chaos_law law);

struct chaos_report {
    int broken;     /* enum chaos_law, -1: none */
    char text[800]; /* what was seen, and when */
    uint64_t turns, faults[CHAOS_FAULTS], follows, commands, changes;
    double years;
};

/* Runs until a law is broken or the years are over. `spoil` as in struct world; NULL: none. False without
 * memory. */
bool chaos_run(struct chaos_report *out, double years, uint64_t seed,
               void (*spoil)(struct world *world, struct gr_decision *decision, void *context),
               void *context);

#endif
