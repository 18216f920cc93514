/* What a tariff says about a stretch of the past. */
#include "granary/backtest.h"
#include "granary/civil.h"

#include <string.h>

void gr_backtest_tariff_free(struct gr_backtest_tariff *tariff)
{
    gr_tariff_free(&tariff->import);
    gr_tariff_free(&tariff->export);
    gr_tariff_free(&tariff->carbon);
    memset(tariff, 0, sizeof *tariff);
}

int gr_backtest_price(const struct gr_tariff *tariff, const struct gr_zone *zone, int64_t from_s,
                      int64_t to_s, double *price_per_kwh, int64_t *missing_s)
{
    double sum = 0;
    for (int64_t at_s = from_s; at_s < to_s;) {
        struct gr_price price;
        if (gr_tariff_at(tariff, zone, at_s, &price) != GR_OK || price.expected) {
            *missing_s = at_s;
            return GR_NOT_FOUND;
        }
        int64_t until_s = price.until_s < to_s ? price.until_s : to_s;
        sum += price.price_per_kwh * (double)(until_s - at_s);
        at_s = until_s;
    }
    *price_per_kwh = sum / (double)(to_s - from_s);
    return GR_OK;
}

/* End of the stretch without prices that begins at from_s. */
static int64_t find_missing_end(const struct gr_tariff *tariff, const struct gr_zone *zone, int64_t from_s,
                                int64_t to_s)
{
    static const int64_t stride_s = 300; /* no price slot is shorter */
    int64_t at_s = from_s;
    while (at_s < to_s && gr_tariff_known_until_s(tariff, zone, at_s) == at_s) {
        at_s += stride_s - at_s % stride_s;
    }
    return at_s < to_s ? at_s : to_s;
}

static int check_direction(const struct gr_tariff *tariff, const char *name, const char *what,
                           const struct gr_zone *zone, int64_t from_s, int64_t to_s, struct gr_error *error)
{
    char from[GR_RFC3339_SIZE], to[GR_RFC3339_SIZE];
    for (int64_t at_s = from_s; at_s < to_s;) {
        int64_t until_s = gr_tariff_known_until_s(tariff, zone, at_s);
        if (until_s == at_s) {
            int64_t end_s = find_missing_end(tariff, zone, at_s, to_s);
            return gr_error_set(error, GR_NOT_FOUND, "tariff \"%s\": %s are missing from %s to %s", name,
                                what, gr_rfc3339_format_local(from, at_s, gr_zone_offset_s(zone, at_s)),
                                gr_rfc3339_format_local(to, end_s, gr_zone_offset_s(zone, end_s)));
        }
        at_s = until_s;
    }
    return GR_OK;
}

int gr_backtest_tariff_check(const struct gr_backtest_tariff *tariff, const struct gr_zone *zone,
                             int64_t from_s, int64_t to_s, struct gr_error *error)
{
    int rc = check_direction(&tariff->import, tariff->name, "import prices", zone, from_s, to_s, error);
    rc = rc ? rc : check_direction(&tariff->export, tariff->name, "export prices", zone, from_s, to_s, error);
    bool done = rc != GR_OK || tariff->carbon.count == 0;
    return done ? rc
                : check_direction(&tariff->carbon, tariff->name, "rates.carbon", zone, from_s, to_s, error);
}
