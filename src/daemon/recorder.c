#include "daemon/recorder.h"

#include "daemon/log.h"
#include "granary/eventlog.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const int64_t flush_ms = 60000; /* kind to a memory card */
static const int64_t retry_ms = 600000;

struct gr_recorder {
    struct gr_events settings;
    struct gr_engine *engine;
    char folder[GR_PATH_SIZE];
    FILE *stream; /* NULL: nothing is written at present */
    struct gr_moment now;
    int64_t flushed_ms, tried_ms;
};

static void name_file(const struct gr_recorder *recorder, int number, char out[GR_PATH_SIZE + 32])
{
    if (number == 0) {
        (void)snprintf(out, GR_PATH_SIZE + 32, "%s/events.log", recorder->folder);
    } else {
        (void)snprintf(out, GR_PATH_SIZE + 32, "%s/events.%d.log", recorder->folder, number);
    }
}

/* Every file becomes the next older one; the last one goes. */
static void turn_ring(const struct gr_recorder *recorder)
{
    char from[GR_PATH_SIZE + 32], to[GR_PATH_SIZE + 32];
    for (int number = recorder->settings.files - 1; number > 0; number--) {
        name_file(recorder, number - 1, from);
        name_file(recorder, number, to);
        (void)rename(from, to);
    }
}

static void give_up(struct gr_recorder *recorder, const char *why)
{
    gr_log(GR_LOG_WARNING, "events: %s/events.log cannot be written: %s; tried again in 10 minutes",
           recorder->folder, why);
    if (recorder->stream) {
        (void)fclose(recorder->stream);
        recorder->stream = NULL;
    }
    recorder->tried_ms = recorder->now.mono_ms;
}

static void begin_file(struct gr_recorder *recorder)
{
    char name[GR_PATH_SIZE + 32];
    if (recorder->stream) {
        (void)fclose(recorder->stream);
    }
    turn_ring(recorder);
    name_file(recorder, 0, name);
    recorder->stream = fopen(name, "we");
    recorder->flushed_ms = recorder->now.mono_ms;
    if (!recorder->stream) {
        give_up(recorder, strerror(errno));
        return;
    }
    gr_eventlog_write_start(recorder->stream, recorder->engine, &recorder->now);
}

/* ---- what the engine tells ---- */

static void note_event(void *context, const struct gr_event *event)
{
    struct gr_recorder *recorder = context;
    if (recorder->stream) {
        gr_eventlog_write_event(recorder->stream, event);
    }
}

static void note_change(void *context)
{
    struct gr_recorder *recorder = context;
    if (recorder->stream) {
        gr_eventlog_write_start(recorder->stream, recorder->engine, &recorder->now);
    }
}

static void look_after(struct gr_recorder *recorder)
{
    int64_t greatest = (int64_t)recorder->settings.file_megabytes * 1000000;
    if (recorder->now.mono_ms - recorder->flushed_ms >= flush_ms ||
        recorder->now.mono_ms < recorder->flushed_ms) {
        recorder->flushed_ms = recorder->now.mono_ms;
        (void)fflush(recorder->stream);
    }
    if (ferror(recorder->stream)) {
        give_up(recorder, strerror(errno));
    } else if (ftell(recorder->stream) >= greatest) {
        begin_file(recorder);
    }
}

static void note_turn(void *context, const struct gr_moment *now, const struct gr_decision *decision)
{
    struct gr_recorder *recorder = context;
    recorder->now = *now;
    if (recorder->stream) {
        gr_eventlog_write_turn(recorder->stream, now, decision);
        look_after(recorder);
    } else if (now->mono_ms - recorder->tried_ms >= retry_ms) {
        begin_file(recorder);
    }
}

/* ---- life ---- */

int gr_recorder_create(struct gr_recorder **out, const struct gr_config *config, struct gr_engine *engine,
                       const struct gr_moment *now, struct gr_error *error)
{
    const char *folder = gr_state_folder(&config->outputs);
    *out = NULL;
    if (!config->events.record) {
        return GR_OK;
    }
    if (!folder) {
        gr_log(GR_LOG_WARNING, "events.record: there is no state folder to record in");
        return GR_OK;
    }
    struct gr_recorder *recorder = calloc(1, sizeof *recorder);
    if (!recorder) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for the recorder");
    }
    recorder->settings = config->events;
    recorder->engine = engine;
    recorder->now = *now;
    (void)snprintf(recorder->folder, sizeof recorder->folder, "%s", folder);
    begin_file(recorder);
    const struct gr_engine_tap tap = {
        .event = note_event, .turn = note_turn, .changed = note_change, .context = recorder};
    gr_engine_set_tap(engine, &tap);
    *out = recorder;
    return GR_OK;
}

void gr_recorder_free(struct gr_recorder *recorder)
{
    if (recorder) {
        gr_engine_set_tap(recorder->engine, NULL);
        if (recorder->stream) {
            (void)fclose(recorder->stream);
        }
        free(recorder);
    }
}
