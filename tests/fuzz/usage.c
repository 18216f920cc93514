/* A householder's CSV of past usage. */
#include "fuzz/fuzz.h"

#include "granary/usage.h"

bool fuzz_take(const uint8_t *data, size_t size)
{
    struct gr_usage usage;
    struct gr_usage_report report;
    struct gr_error error = {""};
    struct gr_usage_mapping mapping = gr_usage_default_mapping();
    struct gr_zone *zone = NULL;
    bool good = gr_zone_fixed(&zone, "UTC", -7200, NULL) == GR_OK &&
                gr_usage_read(&usage, &mapping, zone, data, size, &report, &error) == GR_OK;
    if (good) {
        gr_usage_free(&usage);
    }
    gr_zone_free(zone);
    return good;
}
