/* Usage in shorter steps than it came in: where prices change inside a step, a command may change there too.
 */
#include "granary/backtest.h"

#include <stdlib.h>

static bool changes_inside(const struct gr_tariff *tariff, const struct gr_zone *zone, int64_t from_s,
                           int64_t to_s, int64_t step_s)
{
    struct gr_price price;
    double before = 0;
    for (int64_t at_s = from_s; at_s < to_s; at_s = price.until_s) {
        bool known = gr_tariff_at(tariff, zone, at_s, &price) == GR_OK && !price.expected;
        bool inside = (at_s - from_s) % step_s != 0;
        if (known && inside && price.price_per_kwh != before) {
            return true;
        }
        before = price.price_per_kwh;
    }
    return false;
}

int32_t gr_backtest_step_for(const struct gr_backtest_tariff *tariff, const struct gr_zone *zone,
                             int64_t from_s, int64_t to_s, int32_t step_s)
{
    static const int32_t shorter[] = {1800, 900, 300};
    for (size_t i = 0; i < sizeof shorter / sizeof *shorter; i++) {
        if (!changes_inside(&tariff->import, zone, from_s, to_s, step_s) &&
            !changes_inside(&tariff->export, zone, from_s, to_s, step_s)) {
            break;
        }
        step_s = step_s > shorter[i] ? shorter[i] : step_s;
    }
    return step_s;
}

static double *repeat(const double *series, size_t count, size_t times)
{
    double *out = malloc(count * times * sizeof *out);
    for (size_t i = 0; out && i < count * times; i++) {
        out[i] = series[i / times];
    }
    return out;
}

int gr_backtest_split(struct gr_usage *usage, int32_t step_s)
{
    if (step_s <= 0 || usage->step_s % step_s != 0) {
        return GR_INVALID;
    }
    size_t times = (size_t)(usage->step_s / step_s);
    struct gr_usage split = {.start_s = usage->start_s, .step_s = step_s, .count = usage->count * times};
    if ((usage->load_kw && !(split.load_kw = repeat(usage->load_kw, usage->count, times))) ||
        (usage->solar_kw && !(split.solar_kw = repeat(usage->solar_kw, usage->count, times))) ||
        (usage->temperature_c &&
         !(split.temperature_c = repeat(usage->temperature_c, usage->count, times)))) {
        free(split.load_kw);
        free(split.solar_kw);
        return GR_NO_MEMORY;
    }
    free(usage->load_kw);
    free(usage->solar_kw);
    free(usage->temperature_c);
    *usage = split;
    return GR_OK;
}
