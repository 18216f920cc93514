/* Why a connection failed, in plain words, and what follows from it. */
#ifndef GRANARY_BRIDGE_REASON_H
#define GRANARY_BRIDGE_REASON_H

#include "bridge/inbox.h"
#include "granary/config.h"

enum gr_failure {
    GR_FAILURE_PASSING,   /* try again soon */
    GR_FAILURE_SETTINGS,  /* will not go away by itself: try again rarely */
    GR_FAILURE_VERSION,   /* the broker does not speak MQTT 5 */
    GR_FAILURE_CLOSED,    /* closed without a word before the connection was accepted */
    GR_FAILURE_TAKEN_OVER /* somebody else connected with our id */
};

/* Words for an MQTT 5 reason code (128 and above); never NULL. */
const char *gr_reason_words(int reason);

/* Judges a failed connection; `text` is filled with one line. `version` is the MQTT version tried, 5 or 4. */
enum gr_failure gr_failure_of(const struct gr_report *report, const struct gr_mqtt *mqtt, int version,
                              char *text, size_t size);

#endif
