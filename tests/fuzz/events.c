/* A document of events, as a list of somebody's own making and as OpenADR 3. */
#include "fuzz/fuzz.h"

#include "granary/window.h"

bool fuzz_take(const uint8_t *data, size_t size)
{
    static const struct gr_window_mapping mappings[] = {
        {.format = GR_EVENTS_JSON,
         .list = "/events",
         .id = "/ref",
         .start = "/from",
         .end = "/to",
         .value = "/pay",
         .start_is_local = true,
         .kind = GR_WINDOW_PAYMENT,
         .least = 0,
         .greatest = 5},
        {.format = GR_EVENTS_JSON,
         .list = "/events/*/parts",
         .start = "/at",
         .duration = "/for",
         .value = "/soc",
         .only = "/type",
         .only_is = "wish",
         .kind = GR_WINDOW_STATE_OF_CHARGE,
         .unit = GR_EVENTS_KWH,
         .capacity_kwh = 10},
        {.format = GR_EVENTS_OPENADR3, .least = -2, .greatest = 5, .currency = "EUR", .capacity_kwh = 10},
    };
    struct gr_zone *zone = NULL;
    if (gr_zone_fixed(&zone, "UTC", 3600, NULL) != GR_OK) {
        return false;
    }
    bool good = false;
    for (size_t i = 0; i < sizeof mappings / sizeof mappings[0]; i++) {
        struct gr_told_windows told = {.count = 0};
        struct gr_error error = {""};
        if (gr_windows_read(&told, &mappings[i], zone, 1768435200, data, size, &error) == GR_OK) {
            good = true;
            gr_told_windows_free(&told);
        }
    }
    gr_zone_free(zone);
    return good;
}
