/* What the files of the fetch module share among themselves. */
#ifndef GRANARY_FETCH_PARTS_H
#define GRANARY_FETCH_PARTS_H

#include "granary/fetch.h"

/* A URL taken apart. All texts are owned and never NULL after success, but for user and password. */
struct gr_address {
    char *url;   /* as sent: without credentials and fragment */
    char *shown; /* for messages: without credentials, query and fragment */
    char *scheme, *host, *port;
    char *user, *password; /* decoded; NULL where the URL has none */
};

/* GR_INVALID for what is no http(s) URL. *out is overwritten; on error it needs no free. */
int gr_address_parse(struct gr_address *out, const char *url, struct gr_error *error);
void gr_address_free(struct gr_address *address);

/* Same scheme, host and port: RFC 6454. */
bool gr_address_same_origin(const struct gr_address *one, const struct gr_address *other);

/* Appends the checked lines to *list; on error the list stays usable and is still the caller's. */
int gr_headers_append(struct curl_slist **list, const char *text, struct gr_error *error);

/* Appends one line to *list. */
int gr_slist_append(struct curl_slist **list, const char *line);

/* True for a text that may stand as a header's value. */
bool gr_header_value_ok(const char *value, size_t length);

struct gr_fetch_tuning {
    long total_ms, connect_ms;
    long least_bytes_per_s, slow_for_s; /* slower than this for so long ends the transfer */
    const char *ca_file;                /* NULL: the authorities that the system trusts */
};

/* For tests that cannot wait 30 s or have an authority of their own; holds for transfers started from now on.
 */
void gr_fetch_tune(struct gr_fetch *fetch, const struct gr_fetch_tuning *tuning);

/* One transfer with all its redirects. They are followed here, not by curl: curl 7.88 sends custom headers on
 * to whatever host a redirect names (only Authorization and Cookie stay behind). */
struct gr_transfer {
    struct gr_transfer *next;
    CURL *easy;
    struct gr_address home, here;            /* as asked; of this hop */
    struct curl_slist *validators, *headers; /* headers: for home only, validators included */
    struct gr_fetch_tuning tuning;
    bool at_home; /* no redirect has left home's origin so far */
    int hops;
    curl_off_t spent_us; /* by the hops before this one */
    char *body;
    size_t length, room;
    bool too_large, no_memory;
    char curl_text[CURL_ERROR_SIZE];
    struct gr_fetch_result result;
};

int gr_transfer_create(struct gr_transfer **out, int id, const struct gr_fetch_request *request,
                       const struct gr_fetch_tuning *tuning, struct gr_error *error);
void gr_transfer_free(struct gr_transfer *transfer);

/* What curl reported for this hop: true where the transfer is to be added again for the next hop, false where
 * its result is complete. */
bool gr_transfer_hop_done(struct gr_transfer *transfer, CURLcode code);

/* Points the transfer at the address of a redirect. Returns why the redirect is refused (nothing is changed
 * then), or NULL. */
const char *gr_transfer_move_to(struct gr_transfer *transfer, const char *url);

/* Completes the result as failed. */
void gr_transfer_fail(struct gr_transfer *transfer, const char *why);

#endif
