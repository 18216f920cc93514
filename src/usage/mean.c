#include "granary/usage.h"

#include <math.h>

double gr_usage_mean(const struct gr_usage *usage, const double *values, int64_t from_s, int64_t to_s)
{
    double sum = 0, known_s = 0;
    int64_t end_s = usage->start_s + (int64_t)usage->count * usage->step_s;
    int64_t at_s = from_s > usage->start_s ? from_s : usage->start_s;
    while (at_s < to_s && at_s < end_s) {
        int64_t slot = (at_s - usage->start_s) / usage->step_s;
        int64_t until_s = usage->start_s + (slot + 1) * usage->step_s;
        until_s = until_s < to_s ? until_s : to_s;
        if (!isnan(values[slot])) {
            sum += values[slot] * (double)(until_s - at_s);
            known_s += (double)(until_s - at_s);
        }
        at_s = until_s;
    }
    return known_s > 0 && 2 * known_s >= (double)(to_s - from_s) ? sum / known_s : (double)NAN;
}
