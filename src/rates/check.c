#include "granary/rates.h"
#include "text.h"

#include <math.h>
#include <stdlib.h>

#define USUAL_MOST_SLOTS 5000
#define SUSPICIOUS_FACTOR 20.0

static int check_count(const struct gr_rate_table *table, const struct gr_rate_rules *rules,
                       struct gr_error *error)
{
    size_t most = rules->most_slots > 0 ? rules->most_slots : USUAL_MOST_SLOTS;
    if (table->count == 0) {
        return gr_error_set(error, GR_INVALID, "it holds no prices");
    }
    if (table->count > most) {
        return gr_error_set(error, GR_INVALID, "it holds %zu slots, at most %zu are taken", table->count,
                            most);
    }
    return GR_OK;
}

/* Written so that a price that is no number is refused too. */
static int check_prices(const struct gr_rate_table *table, const struct gr_rate_rules *rules,
                        const struct gr_zone *zone, struct gr_error *error)
{
    char at[GR_MOMENT_SIZE];
    for (size_t i = 0; i < table->count; i++) {
        double price = table->rates[i].price_per_kwh;
        if (!(price >= rules->least_per_kwh && price <= rules->greatest_per_kwh)) {
            return gr_error_set(error, GR_INVALID,
                                "the price at %s is %.6g per kWh, but %.6g to %.6g per kWh is plausible",
                                gr_text_moment(at, zone, table->rates[i].start_s), price,
                                rules->least_per_kwh, rules->greatest_per_kwh);
        }
    }
    return GR_OK;
}

static int check_gaps(const struct gr_rate_table *table, const struct gr_zone *zone, struct gr_error *error)
{
    char from[GR_MOMENT_SIZE], to[GR_MOMENT_SIZE];
    for (size_t i = 1; i < table->count; i++) {
        int64_t end = table->rates[i - 1].end_s, start = table->rates[i].start_s;
        if (end != start) {
            return gr_error_set(error, GR_INVALID, "gap in the prices from %s to %s",
                                gr_text_moment(from, zone, end), gr_text_moment(to, zone, start));
        }
    }
    return GR_OK;
}

static int check_cover(const struct gr_rate_table *table, const struct gr_rate_rules *rules,
                       const struct gr_zone *zone, struct gr_error *error)
{
    char from[GR_MOMENT_SIZE], to[GR_MOMENT_SIZE], asked_from[GR_MOMENT_SIZE], asked_to[GR_MOMENT_SIZE];
    int64_t start = table->rates[0].start_s, end = table->rates[table->count - 1].end_s;
    if (rules->cover_from_s == rules->cover_to_s ||
        (start <= rules->cover_from_s && end >= rules->cover_to_s)) {
        return GR_OK;
    }
    bool elsewhere = end <= rules->cover_from_s || start >= rules->cover_to_s;
    return gr_error_set(error, GR_INVALID, "it covers %s to %s, but %s to %s was asked for: %s",
                        gr_text_moment(from, zone, start), gr_text_moment(to, zone, end),
                        gr_text_moment(asked_from, zone, rules->cover_from_s),
                        gr_text_moment(asked_to, zone, rules->cover_to_s),
                        elsewhere ? "wrong day" : "incomplete");
}

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

int gr_rate_table_median(double *out, const struct gr_rate_table *table)
{
    if (table->count == 0) {
        *out = 0;
        return GR_OK;
    }
    double *sizes = malloc(table->count * sizeof *sizes);
    if (!sizes) {
        return GR_NO_MEMORY;
    }
    for (size_t i = 0; i < table->count; i++) {
        sizes[i] = fabs(table->rates[i].price_per_kwh);
    }
    qsort(sizes, table->count, sizeof *sizes, compare_doubles);
    *out = (sizes[(table->count - 1) / 2] + sizes[table->count / 2]) / 2;
    free(sizes);
    return GR_OK;
}

static int check_unit(const struct gr_rate_table *table, const struct gr_rate_rules *rules,
                      struct gr_error *error)
{
    double median;
    if (!(rules->usual_per_kwh > 0)) {
        return GR_OK;
    }
    if (gr_rate_table_median(&median, table) != GR_OK) {
        return gr_error_set(error, GR_NO_MEMORY, "out of memory");
    }
    if (median > SUSPICIOUS_FACTOR * rules->usual_per_kwh) {
        return gr_error_set(
            error, GR_INVALID,
            "the median price is %.6g per kWh, %.3g times the usual %.6g: the unit may be wrong", median,
            median / rules->usual_per_kwh, rules->usual_per_kwh);
    }
    if (median * SUSPICIOUS_FACTOR < rules->usual_per_kwh) {
        return gr_error_set(
            error, GR_INVALID,
            "the median price is %.6g per kWh, a small part (%.3g) of the usual %.6g: the unit may be "
            "wrong",
            median, median / rules->usual_per_kwh, rules->usual_per_kwh);
    }
    return GR_OK;
}

int gr_rates_check(const struct gr_rate_table *table, const struct gr_rate_rules *rules,
                   const struct gr_zone *zone, struct gr_error *error)
{
    int rc = check_count(table, rules, error);
    if (rc == GR_OK) { /* before the prices one by one: a wrong unit makes every one of them absurd */
        rc = check_unit(table, rules, error);
    }
    if (rc == GR_OK) {
        rc = check_prices(table, rules, zone, error);
    }
    if (rc == GR_OK) {
        rc = check_gaps(table, zone, error);
    }
    if (rc == GR_OK) {
        rc = check_cover(table, rules, zone, error);
    }
    return rc;
}
