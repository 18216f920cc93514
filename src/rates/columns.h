/* Columns of a CSV document, by header name or by position "#n", and its records as fields. */
#ifndef GRANARY_RATES_COLUMNS_H
#define GRANARY_RATES_COLUMNS_H

#include "csv.h"
#include "field.h"

#define GR_MOST_WANTED 4
#define GR_NO_COLUMN ((size_t)-1)

struct gr_columns {
    const char *name[GR_MOST_WANTED]; /* "": not wanted; outlives the reading */
    bool optional[GR_MOST_WANTED];    /* no error where the header lacks it */
    size_t wanted;                    /* how many of them are used */
    size_t at[GR_MOST_WANTED];        /* GR_NO_COLUMN where it is not wanted or not there */
    size_t count;                     /* columns of the document; 0 until a line was read */
};

/* Finds the columns; reads the header where at least one goes by name. */
int gr_columns_find(struct gr_columns *columns, struct gr_csv *csv, struct gr_error *error);

struct gr_record {
    struct gr_csv_field text[GR_MOST_WANTED];
    struct gr_field field[GR_MOST_WANTED]; /* zeros where there is no such column */
    char where[32];                        /* "line 3" */
    size_t line;
};

/* The next record that is not a blank line; *more is false at the end. Every record must have as many fields
 * as the first line. The record's fields point into it. */
int gr_columns_next(struct gr_columns *columns, struct gr_csv *csv, struct gr_record *out, bool *more,
                    struct gr_error *error);

#endif
