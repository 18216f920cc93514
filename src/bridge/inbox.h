/* The one place where the library's threads and the loop meet: a mutex, never held over a call of the
 * library, and an eventfd. Whatever an earlier attempt to connect has to say is dropped. */
#ifndef GRANARY_BRIDGE_INBOX_H
#define GRANARY_BRIDGE_INBOX_H

#include "granary/bridge.h"

#define GR_MOST_PENDING 1024

/* What one connection has reported since the attempt began. */
struct gr_report {
    int receive_maximum; /* publishes that the broker takes at once; 0 where it does not say */
    int reason;          /* MQTT 5 reason code, or the return code of a 3.1.1 CONNACK; 0 where none came */
    bool connected;      /* the broker has accepted the connection */
    bool granted;        /* and every subscription */
    bool closed;         /* our own disconnecting is done */
    bool failed;         /* refused, lost, or a subscription refused */
    char text[120];      /* the library's words, or "" */
    char tls[120];       /* the first complaint of the TLS library, or "" */
};

struct gr_ack {
    int token;
    int reason; /* MQTT 5 reason code: 128 and above are refusals; -1 where the connection ended first */
};

struct gr_inbox;

int gr_inbox_create(struct gr_inbox **out, struct gr_error *error);
void gr_inbox_free(struct gr_inbox *inbox);
int gr_inbox_fd(const struct gr_inbox *inbox);

/* ---- the loop's side ---- */

/* Begins an attempt: forgets reports and acknowledgements, keeps messages. */
void gr_inbox_begin(struct gr_inbox *inbox, unsigned generation);

/* Copies the reports of the first `count` connections. */
void gr_inbox_reports(struct gr_inbox *inbox, struct gr_report *out, size_t count);

/* Takes all acknowledgements (at most GR_MOST_PENDING); returns how many. */
size_t gr_inbox_acks(struct gr_inbox *inbox, struct gr_ack out[GR_MOST_PENDING]);

bool gr_inbox_message(struct gr_inbox *inbox, struct gr_bridge_event *event);
uint64_t gr_inbox_shed(struct gr_inbox *inbox);

/* Makes the eventfd readable, or quiet where nothing waits. */
void gr_inbox_wake(struct gr_inbox *inbox);
void gr_inbox_settle(struct gr_inbox *inbox);

/* Makes the eventfd quiet whatever waits, for a wait of its own; gr_inbox_wake afterwards. */
void gr_inbox_hush(struct gr_inbox *inbox);

/* ---- the library's side ---- */

enum gr_news { GR_NEWS_CONNECTED, GR_NEWS_GRANTED, GR_NEWS_CLOSED, GR_NEWS_FAILED, GR_NEWS_TLS };

/* `value` is a Receive Maximum for GR_NEWS_CONNECTED, a reason for GR_NEWS_FAILED. */
void gr_inbox_report(struct gr_inbox *inbox, unsigned generation, size_t link, enum gr_news news, int value,
                     const char *text);
void gr_inbox_acknowledge(struct gr_inbox *inbox, unsigned generation, int token, int reason);
void gr_inbox_put(struct gr_inbox *inbox, unsigned generation, const char *topic, size_t topic_length,
                  const void *payload, size_t length, bool retained);

#endif
