/* Prices through time: rate tables, time-of-day bands, readers of foreign documents, merging of sources.
 * Prices are money per kWh in the site's currency, of any sign; moments are Unix seconds, UTC. */
#ifndef GRANARY_RATES_H
#define GRANARY_RATES_H

#include "granary/error.h"
#include "granary/site.h"
#include "granary/zone.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* ---- tables ---- */

struct gr_rate {
    int64_t start_s, end_s; /* start < end */
    double price_per_kwh;
};

/* Sorted by start, no two overlap; gaps may be there. Zero-initialise, free with gr_rate_table_free. */
struct gr_rate_table {
    struct gr_rate *rates;
    size_t count;
};

void gr_rate_table_free(struct gr_rate_table *table);

/* Deep copy; *out is overwritten, not freed. */
int gr_rate_table_copy(struct gr_rate_table *out, const struct gr_rate_table *table);

/* The rate in force at the moment, or NULL. */
const struct gr_rate *gr_rate_table_at(const struct gr_rate_table *table, int64_t utc_s);

/* `table` becomes its own slots overlaid by `newer` (which wins where both speak), less what ended before
 * keep_from_s. On GR_NO_MEMORY `table` is unchanged. */
int gr_rate_table_merge(struct gr_rate_table *table, const struct gr_rate_table *newer, int64_t keep_from_s);

/* Median of the absolute prices, slot by slot; 0 for an empty table. GR_NO_MEMORY. */
int gr_rate_table_median(double *out, const struct gr_rate_table *table);

/* ---- bands ---- */

#define GR_MAX_BANDS 48

/* A band holds on the local days that match weekday and season, from from_minute up to to_minute of local
 * wall-clock time; to_minute <= from_minute runs past midnight and belongs to the day on which it begins. */
struct gr_rate_band {
    int from_minute, to_minute; /* 0 to 1440 */
    unsigned weekdays;          /* bit 0 Monday ... bit 6 Sunday; 127 every day */
    int from_month, from_day;   /* season, inclusive, may run past the year's end; */
    int to_month, to_day;       /* all four 0: the whole year */
    double price_per_kwh;
};

/* The first band in the list that matches wins. */
struct gr_rate_bands {
    struct gr_rate_band band[GR_MAX_BANDS];
    size_t count;
};

/* Price at the moment and the next moment at which it may change (never beyond the end of the local day).
 * GR_NOT_FOUND, with *until_s still set, where no band matches. On days when the clock is changed wall-clock
 * time rules. */
int gr_rate_bands_at(const struct gr_rate_bands *bands, const struct gr_zone *zone, int64_t utc_s,
                     double *price_per_kwh, int64_t *until_s);

/* Names in *missing the first minute of the year that no band covers ("Sunday 03:30 in January (from 1
 * January on)"; every date is tried on every weekday, 29 February too); GR_NOT_FOUND then, GR_OK where the
 * bands cover everything. */
int gr_rate_bands_check(const struct gr_rate_bands *bands, struct gr_error *missing);

/* ---- reading foreign documents ---- */

enum gr_rate_format { GR_RATES_JSON, GR_RATES_CSV };

#define GR_FIELD_SIZE 128

/* How to read a document of somebody else's making. For JSON the fields are JSON Pointers (RFC 6901) relative
 * to a list element; for CSV (RFC 4180) they are header names, or "#1", "#2", ... for columns by position
 * without a header. */
struct gr_rate_mapping {
    enum gr_rate_format format;
    char list[GR_FIELD_SIZE];  /* JSON Pointer of the array; "" is the document itself; a "*" token stands for
                                  each  element of an array or member of an object on the way */
    char start[GR_FIELD_SIZE]; /* RFC 3339, ISO local time, or Unix seconds (1973 to 2286); required */
    char end[GR_FIELD_SIZE];   /* written like start; "" if absent; goes before duration */
    char duration[GR_FIELD_SIZE]; /* minutes as a number or ISO 8601 duration; "" if absent; goes before
                                     slot_minutes */
    char price[GR_FIELD_SIZE];    /* required: number, or a string that holds nothing but a number */
    bool start_is_local;          /* times without an offset are in the site's zone; else they are refused */
    int slot_minutes;   /* length where neither end nor duration is mapped; 0: up to the next start, the last
                           slot   being as long as the one before */
    double scale;       /* price unit to money per kWh: 1, 0.001 (per MWh), 0.01 (minor units) */
    double factor;      /* tax, e.g. 1.05; applied after scale */
    double add_per_kwh; /* fixed part per kWh, added after factor */
    char separator;     /* CSV: ',' by default */
};

/* What a document must look like as a whole before it may replace anything. */
struct gr_rate_rules {
    double least_per_kwh, greatest_per_kwh; /* plausible prices, inclusive */
    int64_t cover_from_s, cover_to_s; /* what it must cover without a gap; equal: nothing asked. A document of
                                         another day is refused by this, whatever its address said */
    double usual_per_kwh; /* median of the last days' absolute prices, 0 if unknown: a document whose own
                             median is more than 20 times larger or smaller smells of a wrong unit */
    size_t most_slots;    /* 0: 5000 */
};

/* Reads a whole document; *out is overwritten, not freed. Elements may stand in any order. Duplicates and
 * overlaps: slots with the same bounds and price are taken once, any other is an error. Errors name the
 * element or line, the field, what was found, and what was expected. Nothing is written on error. `bytes`
 * need not be NUL-terminated. Local times: a reading that occurs twice means the first occurrence, then the
 * second, as the order of the elements tells (which may run backwards); one that is skipped is an error. A
 * document without a single price is an error. */
int gr_rates_read(struct gr_rate_table *out, const struct gr_rate_mapping *mapping,
                  const struct gr_zone *zone, const void *bytes, size_t length, struct gr_error *error);

/* Holds a table against the rules: size, wrong unit, absurd prices, gaps inside, wrong day. Messages name
 * moments in the zone's time and in UTC. */
int gr_rates_check(const struct gr_rate_table *table, const struct gr_rate_rules *rules,
                   const struct gr_zone *zone, struct gr_error *error);

/* JSON Pointer (RFC 6901) into a jansson value, borrowed from root; NULL with a message for bad syntax or a
 * missing member. Member names of more than 255 bytes are not looked for. `json_t` is declared by
 * <jansson.h>. */
struct json_t;
struct json_t *gr_json_pointer(struct json_t *root, const char *pointer, struct gr_error *error);

/* GR_INVALID with a message where the text is no JSON Pointer. */
int gr_json_pointer_check(const char *pointer, struct gr_error *error);

/* ---- a tariff: sources in order of preference, continued by what is expected ---- */

#define GR_MAX_SOURCES 4

struct gr_rate_source {
    bool is_bands;
    struct gr_rate_bands bands; /* where is_bands */
    struct gr_rate_table table; /* else: published slots, past days included; owned by the source */
};

/* Import or export. The first source that knows a moment gives its price. */
struct gr_tariff {
    struct gr_rate_source source[GR_MAX_SOURCES];
    size_t count;
};

void gr_tariff_free(struct gr_tariff *tariff);

struct gr_price {
    double price_per_kwh;
    int64_t until_s; /* the price, or its absence, holds at least up to here */
    bool expected; /* not published: the mean of the same wall-clock time of the last 7 of the 28 earlier days
                      that a table knows */
};

/* GR_NOT_FOUND where nothing is published and no earlier day knows the slot; until_s is set then too. */
int gr_tariff_at(const struct gr_tariff *tariff, const struct gr_zone *zone, int64_t utc_s,
                 struct gr_price *out);

/* End of the unbroken stretch of published prices that begins at from_s; from_s itself if there is none.
 * Looks ahead 14 days at most. */
int64_t gr_tariff_known_until_s(const struct gr_tariff *tariff, const struct gr_zone *zone, int64_t from_s);

#endif
