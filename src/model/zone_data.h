/* What a zone is made of; shared by its parsers and its queries. */
#ifndef GRANARY_ZONE_DATA_H
#define GRANARY_ZONE_DATA_H

#include "granary/zone.h"

#include <stdbool.h>

/* Offsets RFC 8536 section 3.2 calls usual; everything else is refused. */
#define GR_LEAST_OFFSET_S (-89999)
#define GR_MOST_OFFSET_S 93599

#define GR_ABBREVIATION_SIZE 32

enum gr_rule_day {
    GR_DAY_JULIAN,  /* Jn: 1 to 365, 29 February is never counted */
    GR_DAY_OF_YEAR, /* n: 0 to 365, it is counted */
    GR_DAY_OF_MONTH /* Mm.w.d */
};

/* A yearly moment on the local clock in force until then. */
struct gr_rule_date {
    enum gr_rule_day kind;
    int day;         /* of the year; of the week (0 Sunday) for GR_DAY_OF_MONTH */
    int month, week; /* GR_DAY_OF_MONTH only; week 5 is the last one */
    int32_t time_s;  /* -167 h to 167 h */
};

/* The TZ string of POSIX.1-2017 chapter 8.3 with the extensions of RFC 8536 section 3.3.1. Offsets are east
 * of UTC. */
struct gr_posix_tz {
    int32_t standard_s,
        summer_s; /* "summer" is the second name; it may be the smaller offset, and fall in winter */
    char standard_name[GR_ABBREVIATION_SIZE], summer_name[GR_ABBREVIATION_SIZE];
    bool has_summer;
    struct gr_rule_date summer_starts, summer_ends;
};

/* GR_INVALID where the text is no such string. */
int gr_posix_tz_parse(struct gr_posix_tz *out, const char *text, size_t length);

/* Whether the second name is in force. */
bool gr_posix_tz_is_summer(const struct gr_posix_tz *rule, int64_t utc_s);

/* First change after the moment; INT64_MAX without a second name. */
int64_t gr_posix_tz_next_change_s(const struct gr_posix_tz *rule, int64_t utc_s);

struct gr_zone_type {
    int32_t offset_s;
    unsigned char name_at; /* index into names */
};

struct gr_zone {
    char name[GR_ZONE_NAME_SIZE];
    size_t transition_count;
    int64_t *transitions; /* ascending */
    unsigned char *types_after;
    size_t type_count; /* type 0 holds before the first transition */
    struct gr_zone_type *types;
    char *names;   /* NUL-terminated abbreviations, end to end */
    bool has_rule; /* the rule holds from the last transition on */
    struct gr_posix_tz rule;
};

#endif
