#include "bridge/reason.h"

#include <stdio.h>
#include <string.h>

struct reason {
    const char *words;
    int code;
    enum gr_failure failure;
};

/* MQTT 5.0, section 2.4. */
static const struct reason reasons[] = {
    {"unspecified error", 128, GR_FAILURE_PASSING},
    {"malformed packet", 129, GR_FAILURE_SETTINGS},
    {"protocol error", 130, GR_FAILURE_SETTINGS},
    {"refused for a reason of the broker's own", 131, GR_FAILURE_PASSING},
    {"the broker does not speak this version of MQTT", 132, GR_FAILURE_VERSION},
    {"the client id is not allowed", 133, GR_FAILURE_SETTINGS},
    {"wrong user or password", 134, GR_FAILURE_SETTINGS},
    {"not authorised (user, password or access list)", 135, GR_FAILURE_SETTINGS},
    {"the broker is not available", 136, GR_FAILURE_PASSING},
    {"the broker is busy", 137, GR_FAILURE_PASSING},
    {"banned by the broker", 138, GR_FAILURE_SETTINGS},
    {"the broker is shutting down", 139, GR_FAILURE_PASSING},
    {"wrong method of authentication", 140, GR_FAILURE_SETTINGS},
    {"the broker has not heard from us for too long", 141, GR_FAILURE_PASSING},
    {"another client has connected with our id", 142, GR_FAILURE_TAKEN_OVER},
    {"topic filter not allowed", 143, GR_FAILURE_SETTINGS},
    {"topic not allowed", 144, GR_FAILURE_SETTINGS},
    {"too many messages at once", 147, GR_FAILURE_PASSING},
    {"packet too large", 149, GR_FAILURE_PASSING},
    {"too many messages in a short time", 150, GR_FAILURE_PASSING},
    {"quota exceeded", 151, GR_FAILURE_PASSING},
    {"closed by the broker's administrator", 152, GR_FAILURE_PASSING},
    {"payload of a wrong format", 153, GR_FAILURE_PASSING},
    {"the broker keeps no retained messages", 154, GR_FAILURE_SETTINGS},
    {"the broker knows no QoS 1", 155, GR_FAILURE_SETTINGS},
    {"the broker wants another server to be used", 156, GR_FAILURE_PASSING},
    {"the broker has moved", 157, GR_FAILURE_PASSING},
    {"connecting too often", 159, GR_FAILURE_PASSING},
    {"longest connection time reached", 160, GR_FAILURE_PASSING},
    {"the broker allows no wildcards", 162, GR_FAILURE_SETTINGS},
};

static const struct reason *find_reason(int code)
{
    for (size_t i = 0; i < sizeof reasons / sizeof reasons[0]; i++) {
        if (reasons[i].code == code) {
            return &reasons[i];
        }
    }
    return &reasons[0];
}

/* The return codes of a 3.1.1 CONNACK (section 3.2.2.3 there), which an old broker also sends to an MQTT 5
 * client. */
static int modern_code(int code)
{
    static const int modern[] = {0, 132, 133, 136, 134, 135};
    return code > 0 && code < (int)(sizeof modern / sizeof modern[0]) ? modern[code] : code;
}

const char *gr_reason_words(int reason)
{
    return find_reason(modern_code(reason))->words;
}

static enum gr_failure judge_unconnected(const struct gr_report *report, const struct gr_mqtt *mqtt,
                                         char *text, size_t size)
{
    /* The library tells failures before CONNACK apart only by its words. */
    if (strstr(report->text, "completion")) {
        (void)snprintf(text, size, "%s:%d closes the connection at once (a broker%s?)", mqtt->host,
                       mqtt->port, mqtt->tls ? "" : ", or does it expect TLS");
        return GR_FAILURE_CLOSED;
    }
    if (report->tls[0] != '\0') {
        (void)snprintf(text, size, "TLS with %s:%d fails: %s", mqtt->host, mqtt->port, report->tls);
        return GR_FAILURE_SETTINGS;
    }
    if (strstr(report->text, "timeout")) {
        (void)snprintf(text, size, "%s:%d does not answer", mqtt->host, mqtt->port);
    } else if (report->text[0] == '\0') {
        (void)snprintf(text, size, "the name %s is not found", mqtt->host);
    } else {
        (void)snprintf(text, size, "no connection to %s:%d: unreachable or refused%s", mqtt->host, mqtt->port,
                       mqtt->tls ? ", or its certificate is not for this name" : "");
    }
    return GR_FAILURE_PASSING;
}

enum gr_failure gr_failure_of(const struct gr_report *report, const struct gr_mqtt *mqtt, int version,
                              char *text, size_t size)
{
    if (report->reason != 0) {
        const struct reason *reason = find_reason(modern_code(report->reason));
        const char *refused = report->connected ? "" : "connection refused: ";
        (void)snprintf(text, size, "%s%s%s%s", refused, reason->words, report->text[0] != '\0' ? ": " : "",
                       report->text);
        /* Where even 3.1.1 is refused there is no older version to fall back to. */
        return reason->failure == GR_FAILURE_VERSION && version == 4 ? GR_FAILURE_SETTINGS : reason->failure;
    }
    if (!report->connected) {
        return judge_unconnected(report, mqtt, text, size);
    }
    (void)snprintf(text, size, "connection to %s:%d lost", mqtt->host, mqtt->port);
    return GR_FAILURE_PASSING;
}
