/* An event log, replayed: whole, or what comes after a start that is put before it. The settings of that
 * start are written here and now, so that they are never those of another version. */
#include "fuzz/fuzz.h"

#include "granary/eventlog.h"
#include "world/world.h"

#include <stdlib.h>
#include <string.h>

enum { MOST_TICKS = 30 }; /* each may plan */

static int fixed_zone(struct gr_zone **out, const char *name, struct gr_error *error)
{
    return gr_zone_fixed(out, name, 3600, error);
}

/* A short horizon, and an import price that may be told. */
static char *write_start(size_t *length)
{
    struct world world;
    char *text = NULL;
    FILE *stream = open_memstream(&text, length);
    if (!stream) {
        return NULL;
    }
    world_init(&world);
    world.config.planning.slot_minutes = 60;
    world.config.planning.horizon_hours = 12;
    world.config.planning.expectation.path_days = 3;
    world.config.import.source[1] = world.config.import.source[0];
    world.config.import.source[0].is_bands = false;
    world.config.import.count = 2;
    (void)fputs("granary-events 1 0\n", stream);
    gr_eventlog_write_settings(stream, &world.config);
    (void)fputs("begin\n", stream);
    (void)fclose(stream);
    return text;
}

/* What comes before one tick too many. */
static size_t length_with_few_ticks(const char *text, size_t length)
{
    int ticks = 0;
    size_t at = 0;
    while (at < length) {
        ticks += text[at] == 't';
        if (ticks > MOST_TICKS) {
            break;
        }
        const char *newline = memchr(text + at, '\n', length - at);
        at = newline ? (size_t)(newline - text) + 1 : length;
    }
    return at;
}

/* start + text */
static char *join(const char *start, size_t start_length, const char *text, size_t length)
{
    char *joined = malloc(start_length + length + 1);
    if (joined) {
        memcpy(joined, start, start_length);
        memcpy(joined + start_length, text, length);
    }
    return joined;
}

bool fuzz_take(const uint8_t *data, size_t size)
{
    static const char header[] = "granary-events ";
    static char *start;
    static size_t start_length;
    struct gr_replay replay;
    struct gr_error error = {""};
    bool whole = size >= sizeof header && memcmp(data, header, sizeof header - 1) == 0;
    start = start ? start : write_start(&start_length);
    if (!start) {
        return false;
    }
    size_t before = whole ? 0 : start_length, length = length_with_few_ticks((const char *)data, size);
    char *text = join(start, before, (const char *)data, length);
    bool good =
        text && gr_eventlog_replay(&replay, "fuzz.log", text, before + length, fixed_zone, &error) == GR_OK;
    free(text);
    return good;
}
