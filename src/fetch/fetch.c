#include "fetch/parts.h"

#include <stdlib.h>

struct gr_fetch {
    CURLM *multi;
    struct gr_fetch_tuning tuning;
    struct gr_transfer *running, *done; /* done: in the order in which they ended */
};

void gr_fetch_result_free(struct gr_fetch_result *result)
{
    free(result->body);
    result->body = NULL;
    result->length = 0;
}

int gr_fetch_create(struct gr_fetch **out, struct gr_error *error)
{
    struct gr_fetch *fetch = calloc(1, sizeof *fetch);
    if (!fetch) {
        return gr_error_set(error, GR_NO_MEMORY, "out of memory for transfers");
    }
    if (curl_global_init(CURL_GLOBAL_DEFAULT) != CURLE_OK) {
        free(fetch);
        return gr_error_set(error, GR_IO, "libcurl cannot be initialised");
    }
    fetch->tuning = (struct gr_fetch_tuning){
        .total_ms = 30000, .connect_ms = 10000, .least_bytes_per_s = 50, .slow_for_s = 15};
    fetch->multi = curl_multi_init();
    if (!fetch->multi) {
        gr_fetch_free(fetch);
        return gr_error_set(error, GR_NO_MEMORY, "out of memory for transfers");
    }
    *out = fetch;
    return GR_OK;
}

void gr_fetch_tune(struct gr_fetch *fetch, const struct gr_fetch_tuning *tuning)
{
    fetch->tuning = *tuning;
}

static void free_list(struct gr_transfer *list)
{
    while (list) {
        struct gr_transfer *next = list->next;
        gr_transfer_free(list);
        list = next;
    }
}

void gr_fetch_free(struct gr_fetch *fetch)
{
    if (!fetch) {
        return;
    }
    for (struct gr_transfer *transfer = fetch->running; transfer; transfer = transfer->next) {
        (void)curl_multi_remove_handle(fetch->multi, transfer->easy);
    }
    free_list(fetch->running);
    free_list(fetch->done);
    (void)curl_multi_cleanup(fetch->multi);
    curl_global_cleanup();
    free(fetch);
}

static bool has_id(const struct gr_transfer *list, int id)
{
    while (list && list->result.id != id) {
        list = list->next;
    }
    return list != NULL;
}

int gr_fetch_start(struct gr_fetch *fetch, int id, const struct gr_fetch_request *request,
                   struct gr_error *error)
{
    struct gr_transfer *transfer = NULL;
    if (has_id(fetch->running, id) || has_id(fetch->done, id)) {
        return gr_error_set(error, GR_INVALID, "transfer %d is still under way", id);
    }
    int result = gr_transfer_create(&transfer, id, request, &fetch->tuning, error);
    if (result != GR_OK) {
        return result;
    }
    CURLMcode code = curl_multi_add_handle(fetch->multi, transfer->easy);
    if (code != CURLM_OK) {
        gr_transfer_free(transfer);
        return gr_error_set(error, GR_IO, "transfer %d cannot start: %s", id, curl_multi_strerror(code));
    }
    transfer->next = fetch->running;
    fetch->running = transfer;
    return GR_OK;
}

/* Moves a transfer from the running ones to the end of the done ones. */
static void finish(struct gr_fetch *fetch, struct gr_transfer *transfer)
{
    struct gr_transfer **place = &fetch->running;
    while (*place != transfer) {
        place = &(*place)->next;
    }
    *place = transfer->next;
    for (place = &fetch->done; *place; place = &(*place)->next) {
    }
    *place = transfer;
    transfer->next = NULL;
}

static struct gr_transfer *find_running(const struct gr_fetch *fetch, const CURL *easy)
{
    struct gr_transfer *transfer = fetch->running;
    while (transfer && transfer->easy != easy) {
        transfer = transfer->next;
    }
    return transfer;
}

/* Takes what curl has ended, and starts the next hop of what was redirected. */
static void collect(struct gr_fetch *fetch)
{
    int left = 0;
    for (CURLMsg *message = NULL; (message = curl_multi_info_read(fetch->multi, &left));) {
        CURLcode code = message->data.result;
        struct gr_transfer *transfer = find_running(fetch, message->easy_handle);
        (void)curl_multi_remove_handle(fetch->multi, transfer->easy);
        bool again = gr_transfer_hop_done(transfer, code);
        if (again && curl_multi_add_handle(fetch->multi, transfer->easy) != CURLM_OK) {
            gr_transfer_fail(transfer, "out of memory");
            again = false;
        }
        if (!again) {
            finish(fetch, transfer);
        }
    }
}

int gr_fetch_wait(struct gr_fetch *fetch, struct curl_waitfd *fds, unsigned fd_count, int timeout_ms,
                  struct gr_error *error)
{
    int running = 0;
    for (unsigned i = 0; i < fd_count; i++) {
        fds[i].revents = 0;
    }
    CURLMcode code = curl_multi_poll(fetch->multi, fds, fd_count, fetch->done ? 0 : timeout_ms, NULL);
    if (code != CURLM_OK) {
        return gr_error_set(error, GR_IO, "cannot wait for transfers: %s", curl_multi_strerror(code));
    }
    code = curl_multi_perform(fetch->multi, &running);
    if (code != CURLM_OK) {
        return gr_error_set(error, GR_IO, "cannot move transfers on: %s", curl_multi_strerror(code));
    }
    collect(fetch);
    return GR_OK;
}

bool gr_fetch_next(struct gr_fetch *fetch, struct gr_fetch_result *result)
{
    struct gr_transfer *transfer = fetch->done;
    if (!transfer) {
        return false;
    }
    fetch->done = transfer->next;
    *result = transfer->result;
    transfer->result.body = NULL; /* the caller's now */
    gr_transfer_free(transfer);
    return true;
}
