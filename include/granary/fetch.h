/* Rate tables over HTTP (libcurl, multi interface) and the pure schedule that says when to ask again. */
#ifndef GRANARY_FETCH_H
#define GRANARY_FETCH_H

#include "granary/error.h"

#include <curl/curl.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define GR_FETCH_MOST_BYTES (1024 * 1024)
#define GR_ETAG_SIZE 256

struct gr_fetch_request {
    const char *url;               /* http or https */
    const char *headers;           /* "Name: value" lines, or NULL; never logged, never sent to another host */
    const char *etag;              /* of the copy we hold, or NULL */
    const char *last_modified;     /* the same */
};

enum gr_fetch_outcome {
    GR_FETCH_BODY,         /* 200 with a body */
    GR_FETCH_NOT_MODIFIED, /* 304 */
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
    char *body;            /* owned by the result, NUL-terminated */
    size_t length;
    char etag[GR_ETAG_SIZE], last_modified[GR_ETAG_SIZE];
    char text[300];        /* plain words, URL without its query, no secrets */
};

void gr_fetch_result_free(struct gr_fetch_result *result);

struct gr_fetch;
int gr_fetch_create(struct gr_fetch **out, struct gr_error *error);
void gr_fetch_free(struct gr_fetch *fetch);

/* Starts a transfer: redirects 3 at most and only to http(s), a redirect from https to http is refused, decoded body capped at
 * GR_FETCH_MOST_BYTES, 30 s in all, low-speed limit. The request is copied. One transfer per id at a time. */
int gr_fetch_start(struct gr_fetch *fetch, int id, const struct gr_fetch_request *request, struct gr_error *error);

/* Waits for transfers or for `fds` (as curl_multi_poll), at most timeout_ms, and moves the transfers on: the daemon's one wait. */
int gr_fetch_wait(struct gr_fetch *fetch, struct curl_waitfd *fds, unsigned fd_count, int timeout_ms,
                  struct gr_error *error);

/* Takes the next finished transfer; false where there is none. */
bool gr_fetch_next(struct gr_fetch *fetch, struct gr_fetch_result *result);

/* GR_INVALID, with the reason, for a URL that is not http(s), or is plain http beyond loopback while allow_plain_http is false. */
int gr_url_check(const char *url, bool allow_plain_http, struct gr_error *error);

/* ---- when to ask (pure) ---- */

struct gr_schedule {
    int64_t next_s;    /* Unix seconds of the next try; 0: at once */
    int failures;      /* in a row */
};

/* After a try: success waits for the next day's hour (wanted_s); not-yet and failures back off 1, 2, 4 ... 60 min, other 4xx hourly;
 * Retry-After is honoured up to 6 h. `jitter` in [0,1) spreads by up to a fifth. */
void gr_schedule_note(struct gr_schedule *schedule, enum gr_fetch_outcome outcome, bool accepted, int64_t retry_after_s,
                      int64_t now_s, int64_t wanted_s, double jitter);

#endif
