/* One field of a foreign document, and what it is taken for. */
#ifndef GRANARY_RATES_FIELD_H
#define GRANARY_RATES_FIELD_H

#include "granary/rates.h"

enum gr_field_kind { GR_FIELD_TEXT, GR_FIELD_NUMBER, GR_FIELD_OTHER };

struct gr_field {
    const char *where; /* "line 3", "element /prices/3" */
    const char *name;  /* as the mapping calls it */
    enum gr_field_kind kind;
    const char *text; /* GR_FIELD_OTHER: what it is, for the message */
    size_t length;
    double number;
};

/* A moment, or a reading of the site's wall clock. */
struct gr_moment {
    bool is_local;
    int64_t s;
};

/* Sets a message that names the field, what was found in it, and what was expected; returns GR_INVALID. */
int gr_field_refuse(const struct gr_field *field, const char *expected, struct gr_error *error);

/* A finite number, also written as a text. The decimal point is a point, whatever the locale. */
int gr_field_number(double *out, const struct gr_field *field, struct gr_error *error);

/* A time with its offset, Unix seconds or, where local_allowed, a wall-clock time. */
int gr_field_moment(struct gr_moment *out, const struct gr_field *field, bool local_allowed,
                    struct gr_error *error);

/* Minutes or an ISO 8601 duration: above 0 s, up to 366 days. */
int gr_field_duration(int64_t *out_s, const struct gr_field *field, struct gr_error *error);

#endif
