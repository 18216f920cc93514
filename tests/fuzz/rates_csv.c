/* A rate document in CSV. */
#include "fuzz/fuzz.h"

#include "granary/rates.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const struct gr_rate_mapping mappings[] = {
        {.format = GR_RATES_CSV,
         .start = "start",
         .end = "end",
         .price = "price",
         .scale = 1,
         .factor = 1,
         .separator = 0x2c},
        {.format = GR_RATES_CSV,
         .start = "#1",
         .price = "#2",
         .slot_minutes = 60,
         .start_is_local = true,
         .scale = 1,
         .factor = 1,
         .separator = 0x3b},
    };
    struct gr_zone *zone = NULL;
    if (gr_zone_fixed(&zone, "UTC", 3600, NULL) != GR_OK) {
        return 0;
    }
    for (size_t i = 0; i < sizeof mappings / sizeof mappings[0]; i++) {
        struct gr_rate_table table = {0};
        struct gr_error error = {""};
        const struct gr_rate_rules rules = {
            .least_per_kwh = -1, .greatest_per_kwh = 2, .cover_to_s = 1, .usual_per_kwh = 0.2};
        if (gr_rates_read(&table, &mappings[i], zone, data, size, &error) == GR_OK) {
            (void)gr_rates_check(&table, &rules, zone, &error);
            gr_rate_table_free(&table);
        }
    }
    gr_zone_free(zone);
    return 0;
}
