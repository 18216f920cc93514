#include "granary/peak.h"

#include "granary/civil.h"

int64_t gr_peak_interval(const struct gr_zone *zone, int64_t moment_s, int64_t length_s)
{
    int32_t beside_hour_s = (gr_zone_offset_s(zone, moment_s) % 3600 + 3600) % 3600;
    return (moment_s + beside_hour_s) / length_s;
}

bool gr_peak_counts(const struct gr_peak_charge *charge, int64_t local_s)
{
    int minute = (int)(local_s % GR_DAY_S / 60);
    int from = charge->from_minute, to = charge->to_minute;
    bool on_day = charge->weekdays >> (gr_civil_weekday(local_s) - 1) & 1;
    bool in_time = from < to ? minute >= from && minute < to : from == to || minute >= from || minute < to;
    return on_day && in_time;
}

double gr_peak_mean_kw(const struct gr_peak_charge *charge, const double *day_kw, size_t count)
{
    double highest_kw[GR_MONTH_DAYS] = {0}, sum = 0;
    size_t days = charge->days < GR_MONTH_DAYS ? charge->days : GR_MONTH_DAYS;
    for (size_t i = 0; i < count; i++) {
        size_t k = days;
        for (; k > 0 && highest_kw[k - 1] < day_kw[i]; k--) {
            if (k < days) {
                highest_kw[k] = highest_kw[k - 1];
            }
        }
        if (k < days) {
            highest_kw[k] = day_kw[i];
        }
    }
    for (size_t k = 0; k < days; k++) {
        sum += highest_kw[k];
    }
    return sum / (double)days;
}

double gr_peak_price(const struct gr_peak_charge *charge, double mean_kw)
{
    if (charge->step_count == 0) {
        return charge->per_kw * mean_kw;
    }
    size_t i = 0;
    while (i + 1 < charge->step_count && mean_kw > charge->step[i].up_to_kw) {
        i++;
    }
    return charge->step[i].price;
}
