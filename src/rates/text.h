/* How foreign texts, prices and moments are shown in messages. */
#ifndef GRANARY_RATES_TEXT_H
#define GRANARY_RATES_TEXT_H

#include "granary/zone.h"

/* Writes the text with every byte that is not printable ASCII as \xNN, cut with "..." to fit. Returns `out`.
 */
char *gr_text_escape(char *out, size_t size, const char *text, size_t length);

/* Steps over a byte order mark of UTF-8 (Unicode Standard, section 2.13) at the beginning. */
void gr_text_skip_mark(const char **text, size_t *length);

#define GR_QUOTED_SIZE 56
/* The same in single quotes. */
char *gr_text_quote(char out[GR_QUOTED_SIZE], const char *text, size_t length);

#define GR_MOMENT_SIZE 72
/* "2026-10-25T01:30:00+01:00 (2026-10-25T00:30:00Z)"; UTC alone where zone is NULL. */
char *gr_text_moment(char out[GR_MOMENT_SIZE], const struct gr_zone *zone, int64_t utc_s);

#endif
