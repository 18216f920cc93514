/* Which refusal is worth a line in the log: the first, and then fewer and fewer while they go on. */
#include "granary/bridge.h"

#include <stdlib.h>
#include <string.h>

#define MOST_ENTRIES 256
#define KEPT_TOPIC_BYTES 256
#define KEPT_REASON_BYTES 128
#define MINUTE_MS ((int64_t)60000)

struct entry {
    char topic[KEPT_TOPIC_BYTES];
    char reason[KEPT_REASON_BYTES]; /* folded */
    int64_t noted_ms, logged_ms;
    uint64_t since_logged;
    size_t step;
    bool used;
};

struct gr_refusals {
    struct entry entries[MOST_ENTRIES];
    uint64_t total;
};

int gr_refusals_create(struct gr_refusals **out)
{
    struct gr_refusals *refusals = calloc(1, sizeof *refusals);
    if (!refusals) {
        return GR_NO_MEMORY;
    }
    *out = refusals;
    return GR_OK;
}

void gr_refusals_free(struct gr_refusals *refusals)
{
    free(refusals);
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

/* The end of the quoted piece that begins at `text`. */
static const char *skip_quoted(const char *text)
{
    text++;
    while (*text != '\0' && *text != '"') {
        text += text[0] == '\\' && text[1] != '\0' ? 2 : 1;
    }
    return *text == '"' ? text + 1 : text;
}

/* Leaves the kind of a reason: whatever is quoted, and every number, may differ from message to message. */
static void fold_reason(char out[KEPT_REASON_BYTES], const char *reason)
{
    size_t used = 0;
    while (*reason != '\0' && used + 1 < KEPT_REASON_BYTES) {
        if (*reason == '"') {
            reason = skip_quoted(reason);
            out[used++] = '"';
        } else if (is_digit(*reason)) {
            reason += strspn(reason, "0123456789.e+-");
            out[used++] = '#';
        } else if (*reason == '-' && is_digit(reason[1])) {
            reason++;
        } else {
            out[used++] = *reason++;
        }
    }
    out[used] = '\0';
}

static struct entry *find_entry(struct gr_refusals *refusals, const char *topic, const char *reason)
{
    for (size_t i = 0; i < MOST_ENTRIES; i++) {
        struct entry *entry = &refusals->entries[i];
        if (entry->used && strcmp(entry->topic, topic) == 0 && strcmp(entry->reason, reason) == 0) {
            return entry;
        }
    }
    return NULL;
}

static struct entry *least_recent(struct gr_refusals *refusals)
{
    struct entry *oldest = &refusals->entries[0];
    for (size_t i = 0; i < MOST_ENTRIES; i++) {
        struct entry *entry = &refusals->entries[i];
        if (!entry->used) {
            return entry;
        }
        if (entry->noted_ms < oldest->noted_ms) {
            oldest = entry;
        }
    }
    return oldest;
}

static int64_t wait_ms(size_t step)
{
    static const int64_t waits_min[] = {1, 10, 60, 360, 1440};
    const size_t last = sizeof waits_min / sizeof waits_min[0] - 1;
    return waits_min[step < last ? step : last] * MINUTE_MS;
}

/* A fault that was gone for long enough is news when it comes back. */
static bool was_quiet(const struct entry *entry, int64_t mono_ms)
{
    int64_t quiet_ms = wait_ms(entry->step) < 60 * MINUTE_MS ? 60 * MINUTE_MS : wait_ms(entry->step);
    return mono_ms - entry->noted_ms > quiet_ms;
}

static bool log_again(struct entry *entry, int64_t mono_ms)
{
    if (was_quiet(entry, mono_ms)) {
        entry->step = 0;
        entry->since_logged = 0;
        return true;
    }
    if (mono_ms - entry->logged_ms < wait_ms(entry->step)) {
        return false;
    }
    entry->step++;
    return true;
}

/* Takes over the entry that was noted longest ago. Where even that one is fresh there is a flood of topics,
 * and a line for each of them would be the very thing this module is here to prevent. */
static bool begin_entry(struct entry *entry, const char *topic, const char *reason, int64_t mono_ms)
{
    bool flood = entry->used && mono_ms - entry->noted_ms < MINUTE_MS;
    *entry = (struct entry){.used = true, .noted_ms = mono_ms, .logged_ms = mono_ms};
    memcpy(entry->topic, topic, KEPT_TOPIC_BYTES);
    memcpy(entry->reason, reason, KEPT_REASON_BYTES);
    return !flood;
}

bool gr_refusals_note(struct gr_refusals *refusals, const char *topic, const char *reason, int64_t mono_ms,
                      uint64_t *count)
{
    char kept_topic[KEPT_TOPIC_BYTES] = "", kind[KEPT_REASON_BYTES] = "";
    bool log_now;
    strncat(kept_topic, topic, KEPT_TOPIC_BYTES - 1);
    fold_reason(kind, reason);
    refusals->total++;
    struct entry *entry = find_entry(refusals, kept_topic, kind);
    if (entry) {
        log_now = log_again(entry, mono_ms);
    } else {
        entry = least_recent(refusals);
        log_now = begin_entry(entry, kept_topic, kind, mono_ms);
    }
    entry->noted_ms = mono_ms;
    *count = ++entry->since_logged;
    if (log_now) {
        entry->since_logged = 0;
        entry->logged_ms = mono_ms;
    }
    return log_now;
}

uint64_t gr_refusals_total(const struct gr_refusals *refusals)
{
    return refusals->total;
}
