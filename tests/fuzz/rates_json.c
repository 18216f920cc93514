/* A rate document in JSON. */
#include "fuzz/fuzz.h"
#include "fuzz/rates.h"

bool fuzz_take(const uint8_t *data, size_t size)
{
    static const struct gr_rate_mapping mappings[] = {
        {.format = GR_RATES_JSON,
         .list = "/board/rows",
         .start = "/span/opens",
         .end = "/span/shuts",
         .price = "/amount/net",
         .scale = 0.001,
         .factor = 1.2,
         .add_per_kwh = 0.065},
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
         .start = "/t",
         .duration = "/minutes",
         .price = "/cents",
         .scale = 0.01,
         .factor = 1},
    };
    return read_rates(mappings, sizeof mappings / sizeof mappings[0], data, size);
}
