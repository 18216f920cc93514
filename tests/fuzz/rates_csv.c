/* A rate document in CSV. */
#include "fuzz/fuzz.h"
#include "fuzz/rates.h"

bool fuzz_take(const uint8_t *data, size_t size)
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
        {.format = GR_RATES_CSV,
         .start = "starts",
         .price = "price per kWh",
         .start_is_local = true,
         .slot_minutes = 30,
         .scale = 1,
         .factor = 1,
         .separator = 0x3b},
    };
    return read_rates(mappings, sizeof mappings / sizeof mappings[0], data, size);
}
