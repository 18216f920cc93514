/* A rate document in JSON. */
#include "fuzz/fuzz.h"

#include "granary/rates.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const struct gr_rate_mapping mappings[] = {
        {.format = GR_RATES_JSON,
         .list = "/intervals",
         .start = "/from",
         .end = "/to",
         .price = "/price",
         .scale = 1,
         .factor = 1},
        {.format = GR_RATES_JSON,
         .list = "",
         .start = "/0",
         .price = "/1",
         .slot_minutes = 30,
         .start_is_local = true,
         .scale = 0.01,
         .factor = 1.2},
        {.format = GR_RATES_JSON,
         .list = "/days/*/slots",
         .start = "/start",
         .duration = "/length",
         .price = "/price",
         .scale = 0.001,
         .factor = 1},
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
