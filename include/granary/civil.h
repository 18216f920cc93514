/* Calendar arithmetic on the proleptic Gregorian calendar, and the text forms of moments.
 * Moments are int64_t Unix seconds, UTC, unless a name says "local". Days have 86 400 s here: leap seconds
 * do not exist in Unix time. */
#ifndef GRANARY_CIVIL_H
#define GRANARY_CIVIL_H

#include "granary/error.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct gr_civil {
    int year, month, day;     /* month 1-12, day 1-31 */
    int hour, minute, second; /* 0-23, 0-59, 0-59 */
};

#define GR_DAY_S 86400

/* Seconds since 1970-01-01T00:00:00 on the same clock (UTC in, UTC out; local in, local out). Fields beyond
 * their range carry over (minute 90 is one hour and a half). */
int64_t gr_civil_seconds(const struct gr_civil *civil);

/* The inverse of gr_civil_seconds; moments beyond some two thousand million years are clamped. */
struct gr_civil gr_civil_from_seconds(int64_t seconds);

/* Days from 1970-01-01 to the day that holds the moment, on the moment's own clock. */
int64_t gr_civil_day(int64_t seconds);

/* ISO 8601 weekday of a moment on its own clock: 1 Monday to 7 Sunday. */
int gr_civil_weekday(int64_t seconds);

/* True for a date that exists, years 1 to 9999. */
bool gr_civil_is_date(int year, int month, int day);

/* RFC 3339 date-time with its offset ("2026-10-25T01:30:00+01:00", "...Z", lower case t and z allowed, a
 * space instead of T allowed as in its section 5.6 note); fractions of a second are cut, second 60 counts as
 * the next minute's 0. Two forms of ISO 8601 are taken as well: no seconds ("2026-10-25T01:30Z") and an
 * offset without colon ("+0100"). A time without an offset is refused: GR_INVALID, *out untouched. */
int gr_rfc3339_parse(int64_t *out, const char *text, size_t length);

/* ISO 8601 local date-time without offset ("2026-10-25T01:30", seconds optional); *out is in local seconds.
 */
int gr_local_time_parse(int64_t *out_local, const char *text, size_t length);

#define GR_RFC3339_SIZE 32
/* "2026-11-25T09:04:19Z" for years 0 to 9999, else clamped to that range. Returns `out`. */
char *gr_rfc3339_format(char out[GR_RFC3339_SIZE], int64_t utc_s);
/* The same moment as local time with its numeric offset: "2026-11-25T10:04:19+01:00". */
char *gr_rfc3339_format_local(char out[GR_RFC3339_SIZE], int64_t utc_s, int32_t offset_s);

/* ISO 8601 duration of fixed length: weeks, days (of 86 400 s), hours, minutes, whole seconds ("PT30M",
 * "P1DT2H"). Years and months are refused: GR_INVALID. */
int gr_duration_parse(int64_t *out_s, const char *text, size_t length);

#endif
