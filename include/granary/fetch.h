/* Rate tables over HTTP (libcurl, multi interface) and the pure schedule that says when to ask again. */
#ifndef GRANARY_FETCH_H
#define GRANARY_FETCH_H

#include "granary/error.h"
#include "granary/zone.h"

#include <curl/curl.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define GR_FETCH_MOST_BYTES ((size_t)1 << 20)
#define GR_ETAG_SIZE 256

struct gr_fetch_request {
    const char *url;           /* http or https; a user and password in it go to its own origin only */
    const char *headers;       /* "Name: value" lines, or NULL; never logged, never sent to another origin */
    const char *etag;          /* of the copy we hold; NULL or "" if none */
    const char *last_modified; /* the same */
};

enum gr_fetch_outcome {
    GR_FETCH_BODY,         /* 200 with a body */
    GR_FETCH_NOT_MODIFIED, /* 304 to a request that carried a validator; without one it counts as failed */
    GR_FETCH_NOT_YET,      /* 404, 425 or 204: the table is not there yet */
    GR_FETCH_BUSY,         /* 429, 5xx: asked to wait, retry_after_s is set where the server said so */
    GR_FETCH_REFUSED,      /* other 4xx: our fault, retry slowly */
    GR_FETCH_FAILED        /* network, TLS, size, time: text says what */
};

struct gr_fetch_result {
    int id;
    enum gr_fetch_outcome outcome;
    long status;           /* HTTP status, 0 if none */
    int64_t retry_after_s; /* 0: not said */
    char *body;            /* owned by the result, NUL-terminated; NULL unless GR_FETCH_BODY */
    size_t length;
    char etag[GR_ETAG_SIZE], last_modified[GR_ETAG_SIZE]; /* "" if not said or too long to keep */
    char text[300]; /* plain words for every outcome, URL without its query and credentials, no secrets */
};

void gr_fetch_result_free(struct gr_fetch_result *result);

struct gr_fetch;
int gr_fetch_create(struct gr_fetch **out, struct gr_error *error);

/* Transfers under way are dropped. */
void gr_fetch_free(struct gr_fetch *fetch);

/* Starts a transfer: redirects 3 at most and only to http(s), a redirect from https to http is refused,
 * decoded body capped at GR_FETCH_MOST_BYTES, 30 s in all, low-speed limit. The request is copied. One
 * transfer per id at a time: GR_INVALID while the result of the last one is not yet taken, and for a bad URL
 * or bad header lines. */
int gr_fetch_start(struct gr_fetch *fetch, int id, const struct gr_fetch_request *request,
                   struct gr_error *error);

/* Waits for transfers or for `fds` (as curl_multi_poll), at most timeout_ms, and moves the transfers on: the
 * daemon's one wait. Returns at once while a result waits to be taken. A signal ends the wait with GR_OK.
 * GR_IO without having waited where polling is impossible: the caller must not turn that into a busy loop. */
int gr_fetch_wait(struct gr_fetch *fetch, struct curl_waitfd *fds, unsigned fd_count, int timeout_ms,
                  struct gr_error *error);

/* Takes the next finished transfer, to be freed with gr_fetch_result_free; false where there is none. */
bool gr_fetch_next(struct gr_fetch *fetch, struct gr_fetch_result *result);

/* GR_INVALID, with the reason, for a URL that is not http(s), or is plain http beyond loopback (127.0.0.0/8,
 * ::1, localhost) while allow_plain_http is false. */
int gr_url_check(const char *url, bool allow_plain_http, struct gr_error *error);

/* GR_INVALID, with the line number but never the content, for text that is not "Name: value" lines (RFC 9110
 * section 5: a token, a value without control characters). Empty lines are passed over. Names that Granary or
 * curl sets are refused. */
int gr_fetch_headers_check(const char *text, struct gr_error *error);

/* ---- when to ask (pure) ---- */

struct gr_schedule {
    int64_t next_s; /* Unix seconds of the next try; 0: at once */
    int failures;   /* in a row */
};

/* After a try. Success is a body or a 304 with `accepted` (the table was taken, or what we hold covers what
 * is wanted): then the next try is at wanted_s, up to a minute later by jitter, never within a minute of now.
 * Everything else backs off 1, 2, 4 ... 60 min, GR_FETCH_REFUSED a whole hour each time. A longer Retry-After
 * is honoured up to 6 h. `jitter` in [0,1) makes the wait longer by up to a fifth of itself, 12 min at most;
 * never shorter. */
void gr_schedule_note(struct gr_schedule *schedule, enum gr_fetch_outcome outcome, bool accepted,
                      int64_t retry_after_s, int64_t now_s, int64_t wanted_s, double jitter);

/* The next moment strictly after now_s at which local wall clocks show fetch_from_minute (0 to 1439): when to
 * want tomorrow's table. A reading that occurs twice counts the first time only; one that is skipped counts
 * at the jump. */
int64_t gr_schedule_wanted_s(const struct gr_zone *zone, int64_t now_s, int fetch_from_minute);

#endif
