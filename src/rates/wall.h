/* Readings of a wall clock in foreign documents: which moments they mean. */
#ifndef GRANARY_RATES_WALL_H
#define GRANARY_RATES_WALL_H

#include "field.h"

/* GR_INVALID, naming the field, for a reading that the clock skips when it is put forward. The end of a slot
 * may be the reading at which that happens: the moment of the jump. */
int gr_wall_exists(const struct gr_zone *zone, const struct gr_field *field, const struct gr_moment *moment,
                   bool is_end, struct gr_error *error);

/* The moment meant. Where a reading occurs twice, the entry before it in the document tells which is meant:
 * it lies between the two occurrences once the clock has been put back. previous_s is INT64_MIN at the
 * beginning; `backwards`: the document runs from new to old. *occurs_twice: so it does, and the first is
 * meant. */
int64_t gr_wall_resolve(const struct gr_zone *zone, const struct gr_moment *moment, bool backwards,
                        int64_t previous_s, bool *occurs_twice);

#endif
