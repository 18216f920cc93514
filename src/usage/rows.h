/* The rows of a file of past usage as they stand there, and how they become regular slots. */
#ifndef GRANARY_USAGE_ROWS_H
#define GRANARY_USAGE_ROWS_H

#include "granary/usage.h"
#include "rates/field.h"

enum { GR_USAGE_LOAD, GR_USAGE_SOLAR, GR_USAGE_TEMPERATURE, GR_USAGE_VALUES };

struct gr_usage_row {
    struct gr_moment stamp;
    int64_t stamp_s; /* once resolved */
    size_t line;
    double value[GR_USAGE_VALUES]; /* in the file's unit; NAN: empty */
};

struct gr_usage_rows {
    const struct gr_usage_mapping *mapping;
    const struct gr_zone *zone;
    bool has[GR_USAGE_VALUES];
    bool any_local; /* at least one stamp is a wall-clock reading */
    struct gr_usage_row *row;
    size_t count, capacity;
};

void gr_usage_rows_free(struct gr_usage_rows *rows);
int gr_usage_rows_add(struct gr_usage_rows *rows, const struct gr_usage_row *row, struct gr_error *error);

/* Resolves local times, sorts, drops duplicates, finds the step, refuses what does not fit it, and places the
 * values. The rows are sorted then and equal ones gone. */
int gr_usage_rows_place(struct gr_usage_rows *rows, struct gr_usage *out, struct gr_usage_report *report,
                        struct gr_error *error);

/* Counts gaps and suspicious values, and writes the remarks. GR_NO_MEMORY. */
int gr_usage_look(const struct gr_usage *usage, const struct gr_usage_rows *rows,
                  struct gr_usage_report *report);

#endif
