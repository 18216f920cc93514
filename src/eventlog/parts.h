/* What the files of the event log share. */
#ifndef GRANARY_EVENTLOG_PARTS_H
#define GRANARY_EVENTLOG_PARTS_H

#include "granary/eventlog.h"

#include <stdbool.h>

#define GR_EVENTLOG_HEADER "granary-events 1 " GRANARY_VERSION

/* A line, read word by word. */
struct gr_words {
    const char *at;
};

/* The next word, cut at a blank; false at the end or where it does not fit. */
bool gr_words_take(struct gr_words *words, char *out, size_t size);
bool gr_words_number(struct gr_words *words, double *out); /* NAN and infinities too */
bool gr_words_whole(struct gr_words *words, int64_t least, int64_t greatest, int64_t *out);
/* A text in quotes, with \" and \\ inside. */
bool gr_words_text(struct gr_words *words, char *out, size_t size);
bool gr_words_end(const struct gr_words *words);

/* UTC s, monotonic ms, synchronised. */
bool gr_words_moment(struct gr_words *words, struct gr_moment *out);
void gr_eventlog_write_moment(FILE *stream, const struct gr_moment *moment);

void gr_eventlog_write_text(FILE *stream, const char *text);

bool gr_words_direction(struct gr_words *words, enum gr_direction *out);

/* The decision as one line, without its newline. */
void gr_eventlog_describe(char out[GR_EVENTLOG_LINE_SIZE], const struct gr_decision *decision);

#endif
