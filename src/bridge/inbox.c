#include "bridge/inbox.h"
#include "bridge/ring.h"

#include <errno.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

struct gr_inbox {
    pthread_mutex_t mutex;
    int fd;
    /* all below: under the mutex */
    unsigned generation;
    bool has_news; /* reports or acknowledgements that the loop has not seen */
    struct gr_report reports[GR_MOST_WILLS];
    struct gr_ack acks[GR_MOST_PENDING];
    size_t ack_count;
    struct gr_ring ring;
};

int gr_inbox_create(struct gr_inbox **out, struct gr_error *error)
{
    struct gr_inbox *inbox = calloc(1, sizeof *inbox);
    if (!inbox) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for the MQTT inbox");
    }
    inbox->fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (inbox->fd < 0) {
        int code = gr_error_set(error, GR_IO, "no eventfd for MQTT: errno %d", errno);
        free(inbox);
        return code;
    }
    (void)pthread_mutex_init(&inbox->mutex, NULL);
    *out = inbox;
    return GR_OK;
}

void gr_inbox_free(struct gr_inbox *inbox)
{
    if (!inbox) {
        return;
    }
    gr_ring_clear(&inbox->ring);
    (void)pthread_mutex_destroy(&inbox->mutex);
    (void)close(inbox->fd);
    free(inbox);
}

int gr_inbox_fd(const struct gr_inbox *inbox)
{
    return inbox->fd;
}

static void lock(struct gr_inbox *inbox)
{
    (void)pthread_mutex_lock(&inbox->mutex);
}

static void unlock(struct gr_inbox *inbox)
{
    (void)pthread_mutex_unlock(&inbox->mutex);
}

/* ---- the loop's side ---- */

void gr_inbox_begin(struct gr_inbox *inbox, unsigned generation)
{
    lock(inbox);
    inbox->generation = generation;
    inbox->ack_count = 0;
    memset(inbox->reports, 0, sizeof inbox->reports);
    unlock(inbox);
}

void gr_inbox_reports(struct gr_inbox *inbox, struct gr_report *out, size_t count)
{
    lock(inbox);
    memcpy(out, inbox->reports, count * sizeof *out);
    inbox->has_news = inbox->ack_count > 0;
    unlock(inbox);
}

size_t gr_inbox_acks(struct gr_inbox *inbox, struct gr_ack out[GR_MOST_PENDING])
{
    lock(inbox);
    size_t count = inbox->ack_count;
    memcpy(out, inbox->acks, count * sizeof *out);
    inbox->ack_count = 0;
    unlock(inbox);
    return count;
}

bool gr_inbox_message(struct gr_inbox *inbox, struct gr_bridge_event *event)
{
    lock(inbox);
    bool found = gr_ring_take(&inbox->ring, event);
    unlock(inbox);
    return found;
}

uint64_t gr_inbox_shed(struct gr_inbox *inbox)
{
    lock(inbox);
    uint64_t shed = inbox->ring.shed;
    unlock(inbox);
    return shed;
}

void gr_inbox_wake(struct gr_inbox *inbox)
{
    (void)eventfd_write(inbox->fd, 1);
}

void gr_inbox_hush(struct gr_inbox *inbox)
{
    eventfd_t ignored;
    (void)eventfd_read(inbox->fd, &ignored);
}

void gr_inbox_settle(struct gr_inbox *inbox)
{
    lock(inbox);
    if (inbox->ring.count == 0 && !inbox->has_news) {
        gr_inbox_hush(inbox);
    }
    unlock(inbox);
}

/* ---- the library's side ---- */

static void keep_text(char *out, size_t size, const char *text)
{
    if (text && out[0] == '\0') {
        (void)snprintf(out, size, "%s", text);
    }
}

/* The first failure is the cause, except that a reason from the broker says more than none. */
static void keep_failure(struct gr_report *report, int reason, const char *text)
{
    if (report->reason == 0 && reason != 0) {
        report->reason = reason;
        report->text[0] = '\0';
    }
    keep_text(report->text, sizeof report->text, text);
    report->failed = true;
}

static void keep_news(struct gr_report *report, enum gr_news news, int value, const char *text)
{
    switch (news) {
    case GR_NEWS_CONNECTED:
        report->connected = true;
        report->receive_maximum = value;
        break;
    case GR_NEWS_GRANTED:
        report->granted = true;
        break;
    case GR_NEWS_CLOSED:
        report->closed = true;
        break;
    case GR_NEWS_FAILED:
        keep_failure(report, value, text);
        break;
    case GR_NEWS_TLS:
        keep_text(report->tls, sizeof report->tls, text);
        break;
    }
}

void gr_inbox_report(struct gr_inbox *inbox, unsigned generation, size_t link, enum gr_news news, int value,
                     const char *text)
{
    lock(inbox);
    if (generation == inbox->generation) {
        keep_news(&inbox->reports[link], news, value, text);
        inbox->has_news = true;
        gr_inbox_wake(inbox);
    }
    unlock(inbox);
}

void gr_inbox_acknowledge(struct gr_inbox *inbox, unsigned generation, int token, int reason)
{
    lock(inbox);
    if (generation == inbox->generation && inbox->ack_count < GR_MOST_PENDING) {
        inbox->acks[inbox->ack_count++] = (struct gr_ack){token, reason};
        inbox->has_news = true;
        gr_inbox_wake(inbox);
    }
    unlock(inbox);
}

void gr_inbox_put(struct gr_inbox *inbox, unsigned generation, const char *topic, size_t topic_length,
                  const void *payload, size_t length, bool retained)
{
    lock(inbox);
    if (generation == inbox->generation) {
        gr_ring_put(&inbox->ring, topic, topic_length, payload, length, retained);
        gr_inbox_wake(inbox);
    }
    unlock(inbox);
}
