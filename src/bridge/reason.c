#include "bridge/reason.h"

#include <stdio.h>
#include <string.h>

struct reason {
    int code;
    const char *words;
    enum gr_failure failure;
};

/* MQTT 5.0, section 2.4. */
static const struct reason reasons[] = {
    {128, "unspecified error", GR_FAILURE_PASSING},
    {129, "malformed packet", GR_FAILURE_SETTINGS},
    {130, "protocol error", GR_FAILURE_SETTINGS},
    {131, "refused for a reason of the broker's own", GR_FAILURE_PASSING},
    {132, "the broker does not speak this version of MQTT", GR_FAILURE_VERSION},
    {133, "the client id is not allowed", GR_FAILURE_SETTINGS},
    {134, "wrong user or password", GR_FAILURE_SETTINGS},
    {135, "not authorised (user, password or access list)", GR_FAILURE_SETTINGS},
    {136, "the broker is not available", GR_FAILURE_PASSING},
    {137, "the broker is busy", GR_FAILURE_PASSING},
    {138, "banned by the broker", GR_FAILURE_SETTINGS},
    {139, "the broker is shutting down", GR_FAILURE_PASSING},
    {140, "wrong method of authentication", GR_FAILURE_SETTINGS},
    {141, "the broker has not heard from us for too long", GR_FAILURE_PASSING},
    {142, "another client has connected with our id", GR_FAILURE_TAKEN_OVER},
    {143, "topic filter not allowed", GR_FAILURE_SETTINGS},
    {144, "topic not allowed", GR_FAILURE_SETTINGS},
    {147, "too many messages at once", GR_FAILURE_PASSING},
    {149, "packet too large", GR_FAILURE_PASSING},
    {150, "too many messages in a short time", GR_FAILURE_PASSING},
    {151, "quota exceeded", GR_FAILURE_PASSING},
    {152, "closed by the broker's administrator", GR_FAILURE_PASSING},
    {153, "payload of a wrong format", GR_FAILURE_PASSING},
    {154, "the broker keeps no retained messages", GR_FAILURE_SETTINGS},
    {155, "the broker knows no QoS 1", GR_FAILURE_SETTINGS},
    {156, "the broker wants another server to be used", GR_FAILURE_PASSING},
    {157, "the broker has moved", GR_FAILURE_PASSING},
    {159, "connecting too often", GR_FAILURE_PASSING},
    {160, "longest connection time reached", GR_FAILURE_PASSING},
    {162, "the broker allows no wildcards", GR_FAILURE_SETTINGS},
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
