/* Errors with context: the message is set once, where the cause is known, and passed up untouched. */
#ifndef GRANARY_ERROR_H
#define GRANARY_ERROR_H

enum {
    GR_OK = 0,
    GR_INVALID = -1, /* input from outside is not what was promised; the message says what and where */
    GR_NO_MEMORY = -2,
    GR_NOT_FOUND = -3,
    GR_IO = -4 /* the outside world refused: file, socket, database */
};

struct gr_error {
    char text[400]; /* one short line, no newline at the end; empty while nothing went wrong */
};

/* Writes the message (cut to fit) and returns `code`, so that a failing function can end in one line.
 * `error` may be NULL where the caller does not care. */
int gr_error_set(struct gr_error *error, int code, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

#endif
