/* Topic names and topic filters, MQTT 5.0 section 4.7. */
#include "bridge/text.h"
#include "granary/bridge.h"

#include <string.h>

/* Section 1.5.4: a string carries a length of two bytes. */
#define MOST_TOPIC_BYTES 65535

static size_t level_length(const char *level)
{
    return strcspn(level, "/");
}

static bool level_matches(const char *filter, size_t filter_length, const char *topic, size_t topic_length)
{
    if (filter_length == 1 && filter[0] == '+') {
        return true;
    }
    return filter_length == topic_length && memcmp(filter, topic, topic_length) == 0;
}

bool gr_topic_matches(const char *filter, const char *topic)
{
    if (topic[0] == '$' && (filter[0] == '+' || filter[0] == '#')) {
        return false;
    }
    for (;;) {
        size_t wanted = level_length(filter), found = level_length(topic);
        if (wanted == 1 && filter[0] == '#') {
            return true;
        }
        if (!level_matches(filter, wanted, topic, found)) {
            return false;
        }
        filter += wanted;
        topic += found;
        /* "sport/#" also stands for "sport" itself, section 4.7.1.2. */
        if (*topic == '\0') {
            return *filter == '\0' || strcmp(filter, "/#") == 0;
        }
        if (*filter == '\0') {
            return false;
        }
        filter++;
        topic++;
    }
}

/* NULL, or what is wrong with one level. */
static const char *level_fault(const char *level, size_t length, bool wildcards_allowed)
{
    bool plus = memchr(level, '+', length) != NULL;
    bool hash = memchr(level, '#', length) != NULL;
    if (!plus && !hash) {
        return NULL;
    }
    if (!wildcards_allowed) {
        return "a topic that is published to must not contain + or #";
    }
    if (length > 1) {
        return "+ and # must stand alone between slashes";
    }
    return hash && level[length] != '\0' ? "# must be the last level" : NULL;
}

static const char *levels_fault(const char *topic, bool wildcards_allowed)
{
    for (;;) {
        size_t length = level_length(topic);
        const char *fault = level_fault(topic, length, wildcards_allowed);
        if (fault || topic[length] == '\0') {
            return fault;
        }
        topic += length + 1;
    }
}

static bool holds_control_character(const char *topic)
{
    for (const unsigned char *c = (const unsigned char *)topic; *c != '\0'; c++) {
        /* C2 80 to C2 9F are U+0080 to U+009F; section 1.5.4 lets a broker close the connection over any of
         * them. */
        if (*c < 0x20 || *c == 0x7F || (*c == 0xC2 && c[1] < 0xA0)) {
            return true;
        }
    }
    return false;
}

static const char *topic_fault(const char *topic, bool wildcards_allowed)
{
    size_t length = strlen(topic);
    if (length == 0) {
        return "a topic has at least one character";
    }
    if (length > MOST_TOPIC_BYTES) {
        return "a topic has at most 65535 bytes";
    }
    if (!gr_utf8_valid(topic, length)) {
        return "a topic must be UTF-8";
    }
    if (holds_control_character(topic)) {
        return "a topic must not contain control characters";
    }
    if (strncmp(topic, "$share/", 7) == 0) {
        return "a shared subscription would pass on only a part of the messages";
    }
    return levels_fault(topic, wildcards_allowed);
}

int gr_topic_check(const char *topic, bool wildcards_allowed, struct gr_error *error)
{
    const char *fault = topic_fault(topic, wildcards_allowed);
    if (!fault) {
        return GR_OK;
    }
    char shown[GR_ESCAPED_SIZE];
    gr_escape(shown, topic, strlen(topic));
    return gr_error_set(error, GR_INVALID, "topic \"%s\": %s", shown, fault);
}
