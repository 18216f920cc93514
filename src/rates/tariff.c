#include "table.h"

#include "granary/civil.h"

/* Expected prices: the mean of so many days, not more than so many days back. */
#define MEAN_OF_DAYS 7
#define LOOK_BACK_DAYS 28

#define LOOK_AHEAD_S (14 * (int64_t)GR_DAY_S)

void gr_tariff_free(struct gr_tariff *tariff)
{
    for (size_t i = 0; i < tariff->count; i++) {
        gr_rate_table_free(&tariff->source[i].table);
    }
    tariff->count = 0;
}

static void cut(int64_t *until_s, int64_t at_s)
{
    if (at_s < *until_s) {
        *until_s = at_s;
    }
}

/* A table's answer, and how long it stays the same; INT64_MAX where the table ends before the moment. */
static int table_price(const struct gr_rate_table *table, int64_t utc_s, double *price, int64_t *until_s)
{
    size_t found = gr_rate_table_find(table, utc_s);
    if (found == table->count) {
        *until_s = INT64_MAX;
        return GR_NOT_FOUND;
    }
    const struct gr_rate *rate = &table->rates[found];
    if (rate->start_s > utc_s) {
        *until_s = rate->start_s;
        return GR_NOT_FOUND;
    }
    *until_s = rate->end_s;
    *price = rate->price_per_kwh;
    return GR_OK;
}

/* The first source that knows the moment. *until_s takes account of the sources before it, which may begin to
 * speak. */
static int published_price(const struct gr_tariff *tariff, const struct gr_zone *zone, bool tables_only,
                           int64_t utc_s, double *price, int64_t *until_s)
{
    *until_s = INT64_MAX;
    for (size_t i = 0; i < tariff->count; i++) {
        const struct gr_rate_source *source = &tariff->source[i];
        int64_t until;
        int rc;
        if (!source->is_bands) {
            rc = table_price(&source->table, utc_s, price, &until);
        } else if (!tables_only) {
            rc = gr_rate_bands_at(&source->bands, zone, utc_s, price, &until);
        } else {
            continue;
        }
        cut(until_s, until);
        if (rc == GR_OK) {
            return GR_OK;
        }
    }
    return GR_NOT_FOUND;
}

/* *until_s is cut wherever one of the days looked at changes its price, or begins to have one, or its clock
 * is changed. */
static int expected_price(const struct gr_tariff *tariff, const struct gr_zone *zone, int64_t utc_s,
                          double *price, int64_t *until_s)
{
    int64_t local = gr_zone_local_s(zone, utc_s);
    int64_t first_s = utc_s - (LOOK_BACK_DAYS + 1) * (int64_t)GR_DAY_S;
    bool even = gr_zone_next_change_s(zone, first_s) > utc_s + GR_DAY_S; /* no clock is changed meanwhile */
    double sum = 0;
    int known = 0;
    cut(until_s, even ? INT64_MAX : gr_zone_next_change_s(zone, utc_s));
    cut(until_s, utc_s + GR_DAY_S);
    for (int days = 1; days <= LOOK_BACK_DAYS && known < MEAN_OF_DAYS; days++) {
        int64_t back_s = (int64_t)days * GR_DAY_S;
        int64_t then = even ? utc_s - back_s : gr_zone_utc_s(zone, local - back_s, 0);
        int64_t until;
        double price_then;
        if (published_price(tariff, zone, true, then, &price_then, &until) == GR_OK) {
            sum += price_then;
            known++;
        }
        cut(&until, even ? INT64_MAX : gr_zone_next_change_s(zone, then));
        cut(&until, then + GR_DAY_S);
        cut(until_s, utc_s + until - then);
    }
    if (known == 0) {
        return GR_NOT_FOUND;
    }
    *price = sum / known;
    return GR_OK;
}

int gr_tariff_at(const struct gr_tariff *tariff, const struct gr_zone *zone, int64_t utc_s,
                 struct gr_price *out)
{
    out->expected = false;
    int rc = published_price(tariff, zone, false, utc_s, &out->price_per_kwh, &out->until_s);
    if (rc == GR_NOT_FOUND) {
        out->expected = true;
        rc = expected_price(tariff, zone, utc_s, &out->price_per_kwh, &out->until_s);
    }
    return rc;
}

int64_t gr_tariff_known_until_s(const struct gr_tariff *tariff, const struct gr_zone *zone, int64_t from_s)
{
    int64_t known_until = from_s, until;
    double price;
    while (known_until < from_s + LOOK_AHEAD_S &&
           published_price(tariff, zone, false, known_until, &price, &until) == GR_OK) {
        known_until = until;
    }
    cut(&known_until, from_s + LOOK_AHEAD_S);
    return known_until;
}
