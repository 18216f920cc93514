/* When to try again. */
#ifndef GRANARY_BRIDGE_BACKOFF_H
#define GRANARY_BRIDGE_BACKOFF_H

#include <stdbool.h>
#include <stdint.h>

struct gr_backoff {
    uint64_t random;   /* state of the jitter */
    unsigned failures; /* in a row */
};

/* Milliseconds to wait after one more failure: 1 s doubled up to 48 s, plus up to a quarter; always 60 s and
 * up to a quarter more for a `slow` one. */
int64_t gr_backoff_next_ms(struct gr_backoff *backoff, bool slow);

#endif
