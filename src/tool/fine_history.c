#include "tool/fine_history.h"

#include "granary/store.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
#include <unistd.h>

enum { MOST_STEPS = 3651 * 288 }; /* as long as outputs.keep_days_fine may be */

struct reading {
    struct gr_fine_history *out;
    size_t room;
    bool failed;
};

static bool make_room(struct reading *reading, size_t wanted)
{
    if (wanted <= reading->room) {
        return true;
    }
    size_t room = wanted + wanted / 2 + 288;
    double *grown = wanted <= MOST_STEPS ? realloc(reading->out->kw, room * sizeof *grown) : NULL;
    if (grown) {
        reading->out->kw = grown;
        reading->room = room;
    }
    return grown != NULL;
}

static void take(void *context, const struct gr_fine_record *record)
{
    struct reading *reading = context;
    struct gr_series *load = &reading->out->load;
    int64_t start_s = record->means.start_s;
    load->start_s = load->count == 0 ? start_s : load->start_s;
    size_t number = (size_t)((start_s - load->start_s) / GR_FINE_STEP_S);
    if (start_s % GR_FINE_STEP_S != 0 || reading->failed || !make_room(reading, number + 1)) {
        reading->failed = reading->failed || start_s % GR_FINE_STEP_S == 0;
        return;
    }
    for (; load->count < number; load->count++) {
        reading->out->kw[load->count] = NAN;
    }
    reading->out->kw[load->count++] = record->means.house_kw;
}

int gr_fine_history_read(struct gr_fine_history *out, const struct gr_outputs *outputs, const char *program)
{
    struct reading reading = {.out = out};
    struct gr_error error = {""};
    struct gr_store *store = NULL;
    char file[GR_PATH_SIZE + 16];
    const char *folder = gr_state_folder(outputs);
    *out = (struct gr_fine_history){.load = {.step_s = GR_FINE_STEP_S}};
    (void)snprintf(file, sizeof file, "%s/granary.db", folder ? folder : "");
    if (!folder || access(file, R_OK | W_OK) != 0) {
        return GR_NOT_FOUND;
    }
    int status = gr_store_open(&store, file, (int64_t)time(NULL), &error);
    if (status == GR_OK) {
        status = gr_store_each_fine(store, 0, take, &reading, &error);
        gr_store_close(store);
    }
    if (status == GR_OK && reading.failed) {
        status = gr_error_set(&error, GR_NO_MEMORY, "no memory for the five-minute history in %s", file);
    }
    if (status != GR_OK) {
        (void)fprintf(stderr, "%s: %s\n", program, error.text);
        gr_fine_history_free(out);
        return GR_IO;
    }
    out->load.kw = out->kw;
    return out->load.count > 0 ? GR_OK : GR_NOT_FOUND;
}

void gr_fine_history_free(struct gr_fine_history *history)
{
    free(history->kw);
    history->kw = NULL;
    history->load.kw = NULL;
    history->load.count = 0;
}
