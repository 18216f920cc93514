#include "fetch/parts.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MOST_HOPS 3

static size_t take_bytes(char *bytes, size_t one, size_t count, void *context)
{
    struct gr_transfer *transfer = context;
    size_t length = one * count;
    if (length > GR_FETCH_MOST_BYTES - transfer->length) {
        transfer->too_large = true;
        return 0;
    }
    if (transfer->length + length + 1 > transfer->room) {
        size_t room = 2 * (transfer->length + length) + 1024;
        char *larger = realloc(transfer->body, room);
        if (!larger) {
            transfer->no_memory = true;
            return 0;
        }
        transfer->body = larger;
        transfer->room = room;
    }
    memcpy(transfer->body + transfer->length, bytes, length);
    transfer->length += length;
    transfer->body[transfer->length] = '\0';
    return length;
}

static bool set_address(struct gr_transfer *transfer)
{
    CURL *easy = transfer->easy;
    const struct gr_address *here = &transfer->here;
    return curl_easy_setopt(easy, CURLOPT_URL, here->url) == CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_PROTOCOLS_STR, here->scheme) == CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_USERNAME, transfer->at_home ? transfer->home.user : NULL) ==
               CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_PASSWORD, transfer->at_home ? transfer->home.password : NULL) ==
               CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_HTTPHEADER,
                            transfer->at_home ? transfer->headers : transfer->validators) == CURLE_OK;
}

static bool set_limits(struct gr_transfer *transfer)
{
    CURL *easy = transfer->easy;
    long left_ms = transfer->tuning.total_ms - (long)(transfer->spent_us / 1000);
    /* To curl 0 ms would mean no limit at all. */
    return curl_easy_setopt(easy, CURLOPT_TIMEOUT_MS, left_ms > 1 ? left_ms : 1L) == CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_CONNECTTIMEOUT_MS, transfer->tuning.connect_ms) == CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_LOW_SPEED_LIMIT, transfer->tuning.least_bytes_per_s) == CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_LOW_SPEED_TIME, transfer->tuning.slow_for_s) == CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_MAXFILESIZE_LARGE, (curl_off_t)GR_FETCH_MOST_BYTES) == CURLE_OK;
}

static bool set_manners(struct gr_transfer *transfer)
{
    CURL *easy = transfer->easy;
    /* QUICK_EXIT: giving up a transfer must not wait for a name server that does not answer. */
    return curl_easy_setopt(easy, CURLOPT_NOSIGNAL, 1L) == CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_QUICK_EXIT, 1L) == CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_FOLLOWLOCATION, 0L) == CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_USERAGENT, "granary/" GRANARY_VERSION) == CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_ACCEPT_ENCODING, "gzip, deflate") == CURLE_OK;
}

static bool set_trust(struct gr_transfer *transfer)
{
    CURL *easy = transfer->easy;
    const char *ca_file = transfer->tuning.ca_file;
    return curl_easy_setopt(easy, CURLOPT_SSL_VERIFYPEER, 1L) == CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_SSL_VERIFYHOST, 2L) == CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_SSLVERSION, (long)CURL_SSLVERSION_TLSv1_2) == CURLE_OK &&
           (!ca_file || curl_easy_setopt(easy, CURLOPT_CAINFO, ca_file) == CURLE_OK);
}

static bool set_hooks(struct gr_transfer *transfer)
{
    CURL *easy = transfer->easy;
    return curl_easy_setopt(easy, CURLOPT_ERRORBUFFER, transfer->curl_text) == CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_WRITEDATA, transfer) == CURLE_OK &&
           curl_easy_setopt(easy, CURLOPT_WRITEFUNCTION, take_bytes) == CURLE_OK;
}

static bool prepare_hop(struct gr_transfer *transfer)
{
    curl_easy_reset(transfer->easy);
    transfer->length = 0;
    transfer->curl_text[0] = '\0';
    return set_address(transfer) && set_limits(transfer) && set_manners(transfer) && set_trust(transfer) &&
           set_hooks(transfer);
}

/* A validator that cannot stand in a header is left out: the request then merely costs a whole body. */
static int add_validator(struct gr_transfer *transfer, const char *name, const char *value)
{
    char line[GR_ETAG_SIZE + 32];
    size_t length = value ? strlen(value) : 0;
    if (length >= GR_ETAG_SIZE || !gr_header_value_ok(value, length)) {
        return GR_OK;
    }
    (void)snprintf(line, sizeof line, "%s: %s", name, value);
    int result = gr_slist_append(&transfer->validators, line);
    return result == GR_OK ? gr_slist_append(&transfer->headers, line) : result;
}

static int copy_request(struct gr_transfer *transfer, const struct gr_fetch_request *request,
                        struct gr_error *error)
{
    int result = gr_address_parse(&transfer->home, request->url, error);
    if (result == GR_OK) {
        result = gr_address_parse(&transfer->here, request->url, error);
    }
    if (result == GR_OK && request->headers) {
        result = gr_headers_append(&transfer->headers, request->headers, error);
    }
    if (result != GR_OK) {
        return result;
    }
    if (add_validator(transfer, "If-None-Match", request->etag) != GR_OK ||
        add_validator(transfer, "If-Modified-Since", request->last_modified) != GR_OK) {
        return gr_error_set(error, GR_NO_MEMORY, "out of memory for a request");
    }
    return GR_OK;
}

int gr_transfer_create(struct gr_transfer **out, int id, const struct gr_fetch_request *request,
                       const struct gr_fetch_tuning *tuning, struct gr_error *error)
{
    struct gr_transfer *transfer = calloc(1, sizeof *transfer);
    if (!transfer) {
        return gr_error_set(error, GR_NO_MEMORY, "out of memory for a transfer");
    }
    transfer->result.id = id;
    transfer->tuning = *tuning;
    transfer->at_home = true;
    transfer->easy = curl_easy_init();
    int result = transfer->easy ? copy_request(transfer, request, error)
                                : gr_error_set(error, GR_NO_MEMORY, "out of memory for a transfer");
    if (result == GR_OK && !prepare_hop(transfer)) {
        result = gr_error_set(error, GR_NO_MEMORY, "out of memory for a transfer");
    }
    if (result != GR_OK) {
        gr_transfer_free(transfer);
        return result;
    }
    *out = transfer;
    return GR_OK;
}

void gr_transfer_free(struct gr_transfer *transfer)
{
    if (!transfer) {
        return;
    }
    curl_easy_cleanup(transfer->easy);
    curl_slist_free_all(transfer->validators);
    curl_slist_free_all(transfer->headers);
    gr_address_free(&transfer->home);
    gr_address_free(&transfer->here);
    free(transfer->body);
    gr_fetch_result_free(&transfer->result);
    free(transfer);
}

static void say(struct gr_transfer *transfer, enum gr_fetch_outcome outcome, const char *what)
{
    struct gr_fetch_result *result = &transfer->result;
    result->outcome = outcome;
    (void)snprintf(result->text, sizeof result->text, "%.140s: %.150s", transfer->here.shown, what);
    /* curl's words may quote what a server sent, such as the names in a certificate. */
    for (char *c = result->text; *c; c++) {
        if ((unsigned char)*c < 0x20 || *c == 0x7f) {
            *c = '?';
        }
    }
}

void gr_transfer_fail(struct gr_transfer *transfer, const char *why)
{
    say(transfer, GR_FETCH_FAILED, why);
}

static void copy_header(const struct gr_transfer *transfer, const char *name, char out[GR_ETAG_SIZE])
{
    struct curl_header *header = NULL;
    out[0] = '\0';
    if (curl_easy_header(transfer->easy, name, 0, CURLH_HEADER, -1, &header) == CURLHE_OK &&
        strlen(header->value) < GR_ETAG_SIZE && gr_header_value_ok(header->value, strlen(header->value))) {
        memcpy(out, header->value, strlen(header->value) + 1);
    }
}

static enum gr_fetch_outcome outcome_of(long status)
{
    if (status == 204 || status == 404 || status == 425) {
        return GR_FETCH_NOT_YET;
    }
    if (status == 429 || (status >= 500 && status <= 599)) {
        return GR_FETCH_BUSY;
    }
    return status >= 400 && status <= 499 ? GR_FETCH_REFUSED : GR_FETCH_FAILED;
}

static void take_body(struct gr_transfer *transfer)
{
    char what[64];
    struct gr_fetch_result *result = &transfer->result;
    if (transfer->length == 0) {
        gr_transfer_fail(transfer, "status 200 with an empty body");
        return;
    }
    (void)snprintf(what, sizeof what, "%zu bytes", transfer->length);
    say(transfer, GR_FETCH_BODY, what);
    copy_header(transfer, "ETag", result->etag);
    copy_header(transfer, "Last-Modified", result->last_modified);
    result->body = transfer->body;
    result->length = transfer->length;
    transfer->body = NULL; /* the result's now */
    transfer->room = 0;
}

static void take_answer(struct gr_transfer *transfer)
{
    char what[64];
    struct gr_fetch_result *result = &transfer->result;
    curl_off_t retry_after = 0;
    (void)curl_easy_getinfo(transfer->easy, CURLINFO_RETRY_AFTER, &retry_after);
    result->retry_after_s = retry_after > 0 ? retry_after : 0;
    if (result->status == 200) {
        take_body(transfer);
    } else if (result->status == 304 && transfer->validators) {
        say(transfer, GR_FETCH_NOT_MODIFIED, "not modified");
        copy_header(transfer, "ETag", result->etag);
        copy_header(transfer, "Last-Modified", result->last_modified);
    } else {
        (void)snprintf(what, sizeof what, "unexpected status %ld", result->status);
        enum gr_fetch_outcome outcome = outcome_of(result->status);
        say(transfer, outcome, outcome == GR_FETCH_FAILED ? what : what + strlen("unexpected "));
    }
}

static bool is_redirect(long status)
{
    return status == 301 || status == 302 || status == 303 || status == 307 || status == 308;
}

const char *gr_transfer_move_to(struct gr_transfer *transfer, const char *url)
{
    struct gr_address there;
    bool secure = strcmp(transfer->here.scheme, "https") == 0;
    if (transfer->hops >= MOST_HOPS) {
        return "more than 3 redirects";
    }
    if (gr_address_parse(&there, url, NULL) != GR_OK) {
        return "redirect to something that is no http or https address";
    }
    if (secure && strcmp(there.scheme, "https") != 0) {
        gr_address_free(&there);
        return "redirect from https to plain http";
    }
    transfer->hops++;
    gr_address_free(&transfer->here);
    transfer->here = there;
    transfer->at_home = transfer->at_home && gr_address_same_origin(&transfer->home, &there);
    return NULL;
}

static bool follow(struct gr_transfer *transfer, const char *url)
{
    curl_off_t took_us = 0;
    (void)curl_easy_getinfo(transfer->easy, CURLINFO_TOTAL_TIME_T, &took_us);
    transfer->spent_us += took_us;
    const char *why = gr_transfer_move_to(transfer, url);
    if (!why && !prepare_hop(transfer)) {
        why = "out of memory";
    }
    if (why) {
        gr_transfer_fail(transfer, why);
    }
    return !why;
}

static const char *why_failed(const struct gr_transfer *transfer, CURLcode code)
{
    if (transfer->too_large || code == CURLE_FILESIZE_EXCEEDED) {
        return "the body is larger than 1 MiB";
    }
    if (transfer->no_memory) {
        return "out of memory for the body";
    }
    return transfer->curl_text[0] ? transfer->curl_text : curl_easy_strerror(code);
}

bool gr_transfer_hop_done(struct gr_transfer *transfer, CURLcode code)
{
    char *url = NULL;
    (void)curl_easy_getinfo(transfer->easy, CURLINFO_RESPONSE_CODE, &transfer->result.status);
    if (code != CURLE_OK) {
        gr_transfer_fail(transfer, why_failed(transfer, code));
        return false;
    }
    (void)curl_easy_getinfo(transfer->easy, CURLINFO_REDIRECT_URL, &url);
    if (is_redirect(transfer->result.status) && url) {
        return follow(transfer, url);
    }
    take_answer(transfer);
    return false;
}
