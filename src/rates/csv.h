/* Comma-separated values, RFC 4180, field by field. A bare line feed ends a record as well. */
#ifndef GRANARY_RATES_CSV_H
#define GRANARY_RATES_CSV_H

#include "granary/error.h"

#include <stdbool.h>
#include <stddef.h>

#define GR_CSV_FIELD_SIZE 128

struct gr_csv {
    const char *at, *end;
    char separator;
    size_t line; /* of the next byte, from 1 */
};

struct gr_csv_field {
    char text[GR_CSV_FIELD_SIZE]; /* without quotes; not NUL-terminated */
    size_t length;                /* GR_CSV_FIELD_SIZE + 1 where the field is longer than its room */
    bool ends_record;
};

/* Reads the next field; at the end of the document an empty one, as it may follow a last separator. A new
 * record begins only where at < end. GR_INVALID where quotes are wrong. */
int gr_csv_next(struct gr_csv *csv, struct gr_csv_field *out, struct gr_error *error);

#endif
