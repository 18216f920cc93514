#include "forecast/envelope.h"

#include "forecast/kernel.h"

#include <math.h>

enum { DAYS_AROUND = 12, BEST = 3 };

static const double low_sun_share =
    0.05; /* of the arrays' best: below it a ratio to the clear sky tells nothing */

/* First slot to look at, at the slot's time of day. At the end of what is known the window keeps its width.
 */
static size_t window_start(const struct record *record, size_t slot, size_t from)
{
    size_t step = record->per_day;
    size_t reach = DAYS_AROUND * step;
    if (slot + step > from) {
        size_t last = from - 1 - (from - 1 + step - slot % step) % step;
        return last > 2 * reach ? last - 2 * reach : slot % step;
    }
    return slot > reach ? slot - reach : slot % step;
}

/* Mean of the best values at one time of day over the days around the slot. Where the arrays are known, the
 * values are ratios to their clear sky, which carries them through the season. */
static double best_around(const struct record *record, size_t slot, size_t from, double low_kw)
{
    const double *clear_kw = record->clear_kw && record->clear_kw[slot] > low_kw ? record->clear_kw : NULL;
    double best[BEST] = {0};
    size_t last = slot + DAYS_AROUND * record->per_day;
    for (size_t i = window_start(record, slot, from); i < from && i <= last; i += record->per_day) {
        double value = record->series.kw[i];
        if (clear_kw) {
            value = clear_kw[i] > low_kw ? value / clear_kw[i] : 0;
        }
        for (size_t b = 0; b < BEST; b++) {
            if (value > best[b]) {
                double pushed = best[b];
                best[b] = value;
                value = pushed;
            }
        }
    }
    return (best[0] + best[1] + best[2]) / BEST * (clear_kw ? clear_kw[slot] : 1);
}

void envelope_fit(struct record *record, size_t from, size_t ahead)
{
    size_t length = (MEMORY_DAYS + 2) * record->per_day;
    size_t first = from > length ? from - length : 0;
    double most_kw = 0;
    for (size_t i = first; record->clear_kw && i < from + ahead; i++) {
        most_kw = fmax(most_kw, record->clear_kw[i]);
    }
    for (size_t i = first; i < from + ahead; i++) {
        record->scale[i] = best_around(record, i, from, low_sun_share * most_kw);
    }
    record_sum(record, first, from);
}
