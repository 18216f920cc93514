/* A request to override the plan. */
#include "fuzz/fuzz.h"

#include "granary/override.h"

bool fuzz_take(const uint8_t *data, size_t size)
{
    struct gr_override override;
    struct gr_error error = {""};
    struct gr_zone *zone = NULL;
    const struct gr_override_limits limits = {.battery = {10, 3, 3, 0.95, 0.95, 0, 0},
                                              .reserve_percent = 10,
                                              .may_export = true,
                                              .state_of_charge_percent = 50};
    bool good = gr_zone_fixed(&zone, "UTC", 0, NULL) == GR_OK &&
                gr_override_parse(&override, (const char *)data, size, zone, 1773100800, &error) == GR_OK;
    if (good) {
        (void)gr_override_check(&override, &limits, 1773100800, &error);
    }
    gr_zone_free(zone);
    return good;
}
