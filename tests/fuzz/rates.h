/* A rate document read by each of some mappings and, where it can be read, checked. True where one can read
 * it. */
#ifndef GRANARY_TESTS_FUZZ_RATES_H
#define GRANARY_TESTS_FUZZ_RATES_H

#include "granary/rates.h"
#include "granary/zone.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

static inline bool read_rates(const struct gr_rate_mapping *mappings, size_t count, const uint8_t *data,
                              size_t size)
{
    static const struct gr_rate_rules rules = {
        .least_per_kwh = -1, .greatest_per_kwh = 2, .cover_to_s = 1, .usual_per_kwh = 0.2};
    struct gr_zone *zone = NULL;
    if (gr_zone_fixed(&zone, "UTC", 3600, NULL) != GR_OK) {
        return false;
    }
    bool good = false;
    for (size_t i = 0; i < count; i++) {
        struct gr_rate_table table = {0};
        struct gr_error error = {""};
        if (gr_rates_read(&table, &mappings[i], zone, data, size, &error) == GR_OK) {
            good = true;
            (void)gr_rates_check(&table, &rules, zone, &error);
            gr_rate_table_free(&table);
        }
    }
    gr_zone_free(zone);
    return good;
}

#endif
