/* What a network asks for the highest powers of a month. Pure. Powers in kW, moments in Unix seconds, UTC. */
#ifndef GRANARY_PEAK_H
#define GRANARY_PEAK_H

#include "granary/zone.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define GR_MAX_PEAK_STEPS 16
#define GR_MONTH_DAYS 32 /* room for a month's daily peaks by the day's number, 1 to 31 */

struct gr_peak_step {
    double up_to_kw; /* rising; the last holds beyond its end too */
    double price;    /* money per month */
};

/* A peak is the mean import over an interval of the local clock; the month pays for the mean of its highest
 * daily peaks, a day without one counting as 0 kW. */
struct gr_peak_charge {
    bool any;
    int minutes;                /* length of an interval: 5, 15, 30 or 60 */
    size_t days;                /* mean of so many highest daily peaks of the month, >= 1 */
    int from_minute, to_minute; /* local time in which peaks count; equal: always */
    unsigned weekdays;          /* bit 0 Monday ... bit 6 Sunday */
    double per_kw;              /* money per kW and month; where there are no steps */
    struct gr_peak_step step[GR_MAX_PEAK_STEPS];
    size_t step_count;
};

/* Number of the interval of length_s that a moment falls into. They begin with the local clock's hour,
 * wherever the zone puts that hour. Clock changes are of whole hours nearly everywhere, so that the hours of
 * a day stay apart. */
int64_t gr_peak_interval(const struct gr_zone *zone, int64_t moment_s, int64_t length_s);

/* Whether imports at a local moment count. */
bool gr_peak_counts(const struct gr_peak_charge *charge, int64_t local_s);

/* Mean of the highest `charge->days` of so many daily peaks, which stay as they are. */
double gr_peak_mean_kw(const struct gr_peak_charge *charge, const double *day_kw, size_t count);

/* Money for a whole month of that mean. */
double gr_peak_price(const struct gr_peak_charge *charge, double mean_kw);

#endif
