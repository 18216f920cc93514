/* Days off on which a house lives as on a Sunday: dates of one year, or of every year. */
#ifndef GRANARY_HOLIDAYS_H
#define GRANARY_HOLIDAYS_H

#include "granary/error.h"

#include <stdbool.h>
#include <stdint.h>

#define GR_MOST_HOLIDAYS 48

/* Each is year * 10000 + month * 100 + day, the year 0 for every year; the first 0 ends the list. */
struct gr_holidays {
    int date[GR_MOST_HOLIDAYS];
};

/* Reads dates like "2026-04-06" and "12-25" with commas between them; "" is an empty list. GR_INVALID with
 * what was found, *out untouched. */
int gr_holidays_parse(struct gr_holidays *out, const char *text, struct gr_error *error);

/* `day` counts from 1970-01-01 on the wall clock. */
bool gr_is_holiday(const struct gr_holidays *holidays, int64_t day);

/* Saturday, Sunday or a holiday. */
bool gr_is_day_off(const struct gr_holidays *holidays, int64_t day);

#endif
