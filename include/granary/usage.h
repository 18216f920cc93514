/* Past usage of a house: half-hourly (or 5-, 15-, 60-minute) energy of load and sun, read from a CSV file of
 * the householder's. By default the columns `start_utc` (ISO 8601, UTC), `load_kwh`, `solar_kwh`; anything
 * else by mapping. Pure: the shell reads the file. */
#ifndef GRANARY_USAGE_H
#define GRANARY_USAGE_H

#include "granary/error.h"
#include "granary/rates.h"
#include "granary/zone.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Regular slots of step_s from start_s on; NAN where a value is missing. Zero-initialise, free with
 * gr_usage_free. */
struct gr_usage {
    int64_t start_s;
    int32_t step_s; /* 300, 900, 1800 or 3600 */
    size_t count;
    double *load_kw;       /* mean power of the slot; NULL without such a column */
    double *solar_kw;      /* NULL without such a column */
    double *temperature_c; /* outdoor; NULL without such a column */
};

void gr_usage_free(struct gr_usage *usage);

enum gr_usage_unit { GR_USAGE_KWH, GR_USAGE_WH, GR_USAGE_KW, GR_USAGE_W };

/* A column that bears its default name is taken only where the header has it (load or solar must be there);
 * one of any other name must be there. Where all go by position, a first line whose start holds no figure
 * counts as a header. */
struct gr_usage_mapping {
    char start[GR_FIELD_SIZE];       /* header name or "#n"; default start_utc. Times as in rates.h */
    char load[GR_FIELD_SIZE];        /* "" if absent; default load_kwh */
    char solar[GR_FIELD_SIZE];       /* "" if absent; default solar_kwh */
    char temperature[GR_FIELD_SIZE]; /* "" if absent; default temperature_c */
    enum gr_usage_unit unit;
    bool start_is_local; /* texts without an offset are in the given zone */
    bool start_is_end;   /* the column holds the slots' ends */
    char separator;      /* 0: comma, semicolon or tab, whichever is most on the first line. Where it is no
                            comma, numbers may have a decimal comma */
};

struct gr_usage_mapping gr_usage_default_mapping(void);

/* What was found on the way: nothing here is an error. */
struct gr_usage_report {
    size_t rows;            /* duplicates included */
    size_t gaps;            /* stretches of slots without a load (or solar, where there is no load) */
    size_t duplicates;      /* rows that say the same as another */
    size_t negative_values; /* of load and solar: they count as 0 */
    size_t empty_values;   /* empty cells, "null", "nan", "n/a", "-"; temperatures beyond -90 to 70 degrees */
    size_t suspect_high;   /* values of load and solar above 100 kW, or above 20 times the 99 % quantile (and
                              1 kW): a unit slip in single rows. They are left as they are */
    int64_t first_gap_s;   /* its start; 0 without gaps */
    int64_t longest_gap_s; /* a length; 0 without gaps */
    char
        remarks[400]; /* plain words: "looks like watt-hours", "no clock change found where one was due", ...;
                         "" where nothing is suspicious */
};

/* Reads a whole file of at most 64 MB and 2 200 000 slots. GR_INVALID names line, column, what was found and
 * what was expected; GR_NO_MEMORY; nothing is written on error, else *out is overwritten, not freed. `zone`
 * serves for local times, messages and remarks; NULL is fine where no time is local; `report` may be NULL.
 * Duplicates: equal ones once, different ones are an error that names both lines. Rows may be unordered, but
 * where the clock is put back the order tells the two hours apart. */
int gr_usage_read(struct gr_usage *out, const struct gr_usage_mapping *mapping, const struct gr_zone *zone,
                  const void *bytes, size_t length, struct gr_usage_report *report, struct gr_error *error);

/* Mean of a column's known values over from_s to to_s, weighted with their length; NAN where less than half
 * of the time is known. */
double gr_usage_mean(const struct gr_usage *usage, const double *values, int64_t from_s, int64_t to_s);

/* A series of prices from CSV is read with gr_rates_read (rates.h). */

#endif
