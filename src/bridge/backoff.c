#include "bridge/backoff.h"

/* SplitMix64 (Steele, Lea, Flood 2014). */
static uint64_t draw(uint64_t *state)
{
    uint64_t z = *state += 0x9e3779b97f4a7c15u;
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

int64_t gr_backoff_next_ms(struct gr_backoff *backoff, bool slow)
{
    int64_t base_ms = 60000;
    if (!slow) {
        unsigned doublings = backoff->failures < 6 ? backoff->failures : 6;
        base_ms = (int64_t)1000 << doublings;
        base_ms = base_ms < 48000 ? base_ms : 48000;
        backoff->failures++;
    }
    return base_ms + (int64_t)(draw(&backoff->random) % (uint64_t)(base_ms / 4));
}
