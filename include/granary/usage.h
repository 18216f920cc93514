/* Past usage of a house: half-hourly (or 5-, 15-, 60-minute) energy of load and sun, read from a CSV file of the householder's.
 * By default the columns `start_utc` (ISO 8601, UTC), `load_kwh`, `solar_kwh`; anything else by mapping. Pure: the shell reads the file. */
#ifndef GRANARY_USAGE_H
#define GRANARY_USAGE_H

#include "granary/error.h"
#include "granary/rates.h"
#include "granary/zone.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Regular slots of step_s from start_s on; NAN where a value is missing. Zero-initialise, free with gr_usage_free. */
struct gr_usage {
    int64_t start_s;
    int32_t step_s;       /* 300, 900, 1800 or 3600 */
    size_t count;
    double *load_kw;      /* mean power of the slot; NULL without such a column */
    double *solar_kw;     /* NULL without such a column */
    double *temperature_c; /* outdoor; NULL without such a column */
};

void gr_usage_free(struct gr_usage *usage);

enum gr_usage_unit { GR_USAGE_KWH, GR_USAGE_WH, GR_USAGE_KW, GR_USAGE_W };

struct gr_usage_mapping {
    char start[GR_FIELD_SIZE];       /* header name or "#n"; default start_utc */
    char load[GR_FIELD_SIZE];        /* "" if absent; default load_kwh */
    char solar[GR_FIELD_SIZE];       /* "" if absent; default solar_kwh */
    char temperature[GR_FIELD_SIZE]; /* "" if absent */
    enum gr_usage_unit unit;
    bool start_is_local;             /* texts without an offset are in the given zone */
    bool start_is_end;               /* the column holds the slots' ends */
    char separator;
};

/* The default mapping; load, solar and temperature are taken only where the header has them. */
struct gr_usage_mapping gr_usage_default_mapping(void);

/* What was found on the way: nothing here is an error. */
struct gr_usage_report {
    size_t rows, gaps, duplicates, negative_values, empty_values;
    size_t suspect_high;   /* values above 100 kW, or above 20 times the 99 % quantile: a unit slip in single rows */
    int64_t first_gap_s, longest_gap_s;
    char remarks[400];     /* plain words: "looks like watt-hours", "no clock change found where one was due", ... */
};

/* Reads a whole file. Errors name line, column, what was found and what was expected; nothing is written on error. Duplicates: equal ones
 * once, different ones are an error that names both lines. Rows may be unordered. */
int gr_usage_read(struct gr_usage *out, const struct gr_usage_mapping *mapping, const struct gr_zone *zone,
                  const void *bytes, size_t length, struct gr_usage_report *report, struct gr_error *error);

/* A series of prices from CSV is read with gr_rates_read (rates.h). */

#endif
