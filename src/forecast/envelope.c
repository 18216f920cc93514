#include "forecast/envelope.h"

#include "forecast/kernel.h"
#include "forecast/naive.h"

#include <math.h>

enum { DAYS_AROUND = 12, BEST = 3 };

/* Mean of the best values at one time of day over the days around the slot. */
static double best_around(const struct record *record, size_t slot, size_t from)
{
    double best[BEST] = {0};
    size_t step = record->per_day;
    size_t first = slot % step;
    size_t reach = DAYS_AROUND * step;
    first = slot > reach ? slot - reach : first;
    if (slot + step > from) { /* at the end of what is known the window keeps its width */
        size_t last = from - 1 - (from - 1 + step - first % step) % step;
        first = last > 2 * reach ? last - 2 * reach : first % step;
    }
    for (size_t i = first; i < from && i <= slot + reach; i += step) {
        double kw = record->series.kw[i];
        for (size_t b = 0; b < BEST; b++) {
            if (kw > best[b]) {
                double pushed = best[b];
                best[b] = kw;
                kw = pushed;
            }
        }
    }
    return (best[0] + best[1] + best[2]) / BEST;
}

void envelope_fit(struct record *record, size_t from, size_t ahead)
{
    size_t length = (MEMORY_DAYS + 2) * record->per_day;
    size_t first = from > length ? from - length : 0;
    for (size_t i = first; i < from + ahead; i++) {
        record->scale[i] = best_around(record, i, from);
    }
    record_sum(record, first, from);
}
