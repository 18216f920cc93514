/* Time zones as data: the pure core never asks the C library for local time. The shell reads a TZif file
 * (RFC 8536, also from the system's zoneinfo) and hands the bytes to gr_zone_parse. */
#ifndef GRANARY_ZONE_H
#define GRANARY_ZONE_H

#include "granary/error.h"

#include <stddef.h>
#include <stdint.h>

struct gr_zone;

#define GR_ZONE_NAME_SIZE 64

/* Parses a TZif file of version 1 to 4, its 64-bit block where there is one, and its POSIX footer for moments
 * after the last transition. On success *out is the caller's, to be freed with gr_zone_free; the name is cut
 * to fit GR_ZONE_NAME_SIZE. GR_INVALID for bytes that are no TZif file or count leap seconds; GR_NO_MEMORY.
 */
int gr_zone_parse(struct gr_zone **out, const char *name, const void *tzif, size_t length,
                  struct gr_error *error);

/* A zone with one offset for ever, for tests and as the fall-back "UTC". */
int gr_zone_fixed(struct gr_zone **out, const char *name, int32_t offset_s, struct gr_error *error);

void gr_zone_free(struct gr_zone *zone);

const char *gr_zone_name(const struct gr_zone *zone);

/* Seconds east of UTC in force at the moment. */
int32_t gr_zone_offset_s(const struct gr_zone *zone, int64_t utc_s);

/* The zone's abbreviation in force at the moment ("CET"); owned by the zone. */
const char *gr_zone_abbreviation(const struct gr_zone *zone, int64_t utc_s);

/* First moment after utc_s at which the offset may change (the clock is put forward or back); INT64_MAX if it
 * never does. */
int64_t gr_zone_next_change_s(const struct gr_zone *zone, int64_t utc_s);

/* Local wall clock in seconds (as gr_civil_seconds of the local fields). */
int64_t gr_zone_local_s(const struct gr_zone *zone, int64_t utc_s);

/* The moment of a wall-clock reading. A reading that occurs twice means the first, or the second where
 * `second` is not 0; one that is skipped means the moment of the jump. */
int64_t gr_zone_utc_s(const struct gr_zone *zone, int64_t local_s, int second);

/* First moment of the local day that lies `days` calendar days after the one that holds utc_s. The length of
 * a local day is gr_zone_day_start_s(z, t, 1) - gr_zone_day_start_s(z, t, 0): 82 800 to 90 000 s, or 0 for a
 * day that a zone skipped. */
int64_t gr_zone_day_start_s(const struct gr_zone *zone, int64_t utc_s, int days);

#endif
