/* Moments, durations and zones: ISO 8601, RFC 3339, TZif. */
#include "fuzz/fuzz.h"

#include "granary/civil.h"

bool fuzz_take(const uint8_t *data, size_t size)
{
    struct gr_error error = {""};
    struct gr_zone *zone = NULL;
    int64_t moment;
    const char *text = (const char *)data;
    bool good = gr_rfc3339_parse(&moment, text, size) == GR_OK;
    good = gr_local_time_parse(&moment, text, size) == GR_OK || good;
    good = gr_duration_parse(&moment, text, size) == GR_OK || good;
    if (gr_zone_parse(&zone, "fuzz", data, size, &error) == GR_OK) {
        for (int64_t at_s = -4000000000; at_s < 8000000000; at_s += 333333333) {
            int64_t local_s = gr_zone_local_s(zone, at_s);
            (void)gr_zone_utc_s(zone, local_s, 0);
            (void)gr_zone_utc_s(zone, local_s, 1);
            (void)gr_zone_next_change_s(zone, at_s);
            (void)gr_zone_day_start_s(zone, at_s, 1);
        }
        gr_zone_free(zone);
        good = true;
    }
    return good;
}
