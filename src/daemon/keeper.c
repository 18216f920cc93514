#include "daemon/keeper.h"
#include "daemon/log.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static const int64_t commit_ms = 300000; /* kind to a memory card */
static const int64_t retry_ms = 600000;
static const int64_t trim_s = 86400;
static const int64_t full_moved_s = 3600; /* a battery that stays full is not worth a write every turn */
static const char full_name[] = "full charge";

enum { MOST_COMMANDS = 512, MOST_FINE = 24, MOST_SLOTS = 8 };

/* What waits for the next commit. It waits here and not in an open transaction, so that other programs (an
 * import) may write meanwhile. */
struct waiting {
    struct gr_command command[MOST_COMMANDS];
    struct gr_fine_record fine[MOST_FINE];
    struct gr_slot_record slot[MOST_SLOTS];
    size_t commands, fines, slots;
};

struct gr_keeper {
    char file[GR_PATH_SIZE + 16]; /* "": nothing is kept */
    struct gr_store *store;
    bool refuses; /* a write failed not long ago; it was said */
    int64_t refused_ms, committed_ms, tried_ms, trimmed_s;
    int64_t full_since_s; /* as kept */
    struct waiting waiting;
};

/* A clock that went back (another simulation) has reached it too. */
static bool has_passed(int64_t since, int64_t now, int64_t period)
{
    return now < since || now - since >= period;
}

static int open_store(struct gr_keeper *keeper, int64_t now_s, struct gr_error *error)
{
    int status = gr_store_open(&keeper->store, keeper->file, now_s, error);
    if (status != GR_OK) {
        keeper->store = NULL;
    } else if (error->text[0]) {
        gr_log(GR_LOG_WARNING, "%s", error->text);
    }
    return status;
}

int gr_keeper_create(struct gr_keeper **out, const struct gr_outputs *outputs, int64_t now_s,
                     struct gr_error *error)
{
    struct gr_error why = {""};
    const char *folder = gr_state_folder(outputs);
    struct gr_keeper *keeper = calloc(1, sizeof *keeper);
    if (!keeper) {
        return gr_error_set(error, GR_NO_MEMORY, "out of memory");
    }
    if (!folder) {
        gr_log(GR_LOG_WARNING,
               "no outputs.state_directory and no $STATE_DIRECTORY: nothing is kept across restarts");
    } else {
        (void)snprintf(keeper->file, sizeof keeper->file, "%s/granary.db", folder);
        if (open_store(keeper, now_s, &why) != GR_OK) {
            gr_log(GR_LOG_ERROR, "the store cannot be opened, going on without it: %s", why.text);
        }
    }
    *out = keeper;
    return GR_OK;
}

/* Writes what waits in one transaction; where that fails it waits on. */
static int flush(struct gr_keeper *keeper, struct gr_error *error)
{
    struct waiting *waiting = &keeper->waiting;
    int status = GR_OK;
    for (size_t i = 0; status == GR_OK && i < waiting->commands; i++) {
        status = gr_store_put_command(keeper->store, &waiting->command[i], error);
    }
    for (size_t i = 0; status == GR_OK && i < waiting->slots; i++) {
        status = gr_store_put_slot(keeper->store, &waiting->slot[i], error);
    }
    for (size_t i = 0; status == GR_OK && i < waiting->fines; i++) {
        status = gr_store_put_fine(keeper->store, &waiting->fine[i], error);
    }
    if (status == GR_OK) {
        status = gr_store_commit(keeper->store, error);
    }
    if (status == GR_OK) {
        *waiting = (struct waiting){.commands = 0};
    }
    return status;
}

void gr_keeper_free(struct gr_keeper *keeper)
{
    struct gr_error error = {""};
    if (!keeper) {
        return;
    }
    if (keeper->store && flush(keeper, &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "the store refused the last write: %s", error.text);
    }
    gr_store_close(keeper->store);
    free(keeper);
}

bool gr_keeper_is_well(const struct gr_keeper *keeper)
{
    return !keeper->file[0] || (keeper->store && !keeper->refuses);
}

struct gr_store *gr_keeper_store(const struct gr_keeper *keeper)
{
    return keeper->store;
}

/* ---- what was kept ---- */

uint64_t gr_keeper_last_sequence(const struct gr_keeper *keeper, int64_t now_s)
{
    struct gr_error error = {""};
    uint64_t sequence = 0;
    if (keeper->store && gr_store_last_sequence(keeper->store, &sequence, &error) == GR_OK) {
        return sequence;
    }
    if (error.text[0]) {
        gr_log(GR_LOG_WARNING, "the last sequence cannot be read: %s", error.text);
    }
    return keeper->file[0] && now_s > 0 ? (uint64_t)now_s : 0;
}

struct restoring {
    struct gr_engine *engine;
    const struct gr_moment *now;
};

static void restore_slot(void *context, const struct gr_slot_record *record)
{
    const struct restoring *restoring = context;
    struct gr_event event = {.kind = GR_EVENT_HISTORY,
                             .at = *restoring->now,
                             .of.history = {.start_s = record->start_s,
                                            .house_kw = record->house_kw,
                                            .solar_kw = record->solar_kw,
                                            .outdoor_c = record->outdoor_c}};
    (void)gr_engine_handle(restoring->engine, &event, NULL);
}

int gr_history_restore(struct gr_store *store, struct gr_engine *engine, const struct gr_moment *now,
                       struct gr_error *error)
{
    struct restoring restoring = {engine, now};
    int64_t from_s = now->utc_s > 0 ? now->utc_s - (int64_t)(GR_HISTORY_DAYS + 1) * 86400 : 0;
    return gr_store_each_slot(store, from_s, restore_slot, &restoring, error);
}

void gr_keeper_restore(const struct gr_keeper *keeper, struct gr_engine *engine, const struct gr_moment *now)
{
    struct gr_error error = {""};
    if (keeper->store && gr_history_restore(keeper->store, engine, now, &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "the stored history cannot be read: %s", error.text);
    }
}

/* Five minutes are handed over in stretches of one interval of the peak charge. */
struct metering {
    struct gr_engine *engine;
    const struct gr_moment *now;
    int64_t length_s, from_s, to_s;
    double import_kws; /* kW x s */
};

static void end_stretch(struct metering *metering)
{
    int64_t seconds = metering->to_s - metering->from_s;
    if (seconds > 0) {
        struct gr_event event = {
            .kind = GR_EVENT_METERED,
            .at = *metering->now,
            .of.metered = {metering->from_s, metering->to_s, metering->import_kws / (double)seconds}};
        (void)gr_engine_handle(metering->engine, &event, NULL);
    }
    metering->import_kws = 0;
    metering->from_s = metering->to_s;
}

static void restore_metered(void *context, const struct gr_fine_record *record)
{
    struct metering *metering = context;
    int64_t start_s = record->means.start_s;
    if (isnan(record->means.grid_kw) || start_s + GR_FINE_STEP_S > metering->now->utc_s) {
        return;
    }
    if (start_s != metering->to_s || start_s % metering->length_s == 0) {
        end_stretch(metering);
        metering->from_s = start_s;
    }
    metering->to_s = start_s + GR_FINE_STEP_S;
    metering->import_kws += fmax(0, record->means.grid_kw) * GR_FINE_STEP_S;
}

void gr_keeper_restore_peaks(const struct gr_keeper *keeper, struct gr_engine *engine,
                             const struct gr_moment *now)
{
    const struct gr_peak_charge *peak = &gr_engine_config_of(engine)->peak;
    const int64_t month_s = INT64_C(31) * 86400;
    struct gr_error error = {""};
    if (!keeper->store || !peak->any || now->utc_s < month_s) {
        return;
    }
    struct metering metering = {.engine = engine, .now = now, .length_s = (int64_t)peak->minutes * 60};
    if (gr_store_each_fine(keeper->store, now->utc_s - month_s, restore_metered, &metering, &error) !=
        GR_OK) {
        gr_log(GR_LOG_WARNING, "the month's peaks cannot be read: %s", error.text);
    }
    end_stretch(&metering);
}

void gr_keeper_restore_full(const struct gr_keeper *keeper, struct gr_engine *engine,
                            const struct gr_moment *now)
{
    struct gr_error error = {""};
    char *text = NULL;
    if (keeper->store && gr_store_get_text(keeper->store, full_name, &text, &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "the last full charge cannot be read: %s", error.text);
    }
    if (text) {
        struct gr_event event = {
            .kind = GR_EVENT_FULL, .at = *now, .of.full.since_s = strtoll(text, NULL, 10)};
        (void)gr_engine_handle(engine, &event, NULL); /* what is not of the past is not taken */
        free(text);
    }
}

/* ---- keeping ---- */

static int keep_full(struct gr_keeper *keeper, int64_t since_s, struct gr_error *error)
{
    char text[32];
    if (since_s == 0 || !has_passed(keeper->full_since_s, since_s, full_moved_s)) {
        return GR_OK;
    }
    keeper->full_since_s = since_s;
    (void)snprintf(text, sizeof text, "%" PRId64, since_s);
    return gr_store_put_text(keeper->store, full_name, text, error);
}

/* Says the first refusal, and when there has been none for a while and something was written. */
static void tell(struct gr_keeper *keeper, const struct gr_moment *now, int status, bool committed,
                 const struct gr_error *error)
{
    if (status != GR_OK) {
        keeper->refused_ms = now->mono_ms;
    }
    if (status != GR_OK && !keeper->refuses) {
        keeper->refuses = true;
        keeper->tried_ms = now->mono_ms;
        gr_log(GR_LOG_ERROR, "the store refused a write, commands go on without it: %s", error->text);
    } else if (committed && keeper->refuses && has_passed(keeper->refused_ms, now->mono_ms, retry_ms)) {
        keeper->refuses = false;
        gr_log(GR_LOG_NOTICE, "the store takes writes again");
    }
}

/* A disk that refuses for long costs what is oldest: there is no end to what would wait. */
static bool is_full(const struct waiting *waiting)
{
    return waiting->commands == MOST_COMMANDS || waiting->fines == MOST_FINE || waiting->slots == MOST_SLOTS;
}

static void queue(struct waiting *waiting, const struct gr_decision *decision)
{
    if (is_full(waiting)) {
        *waiting = (struct waiting){.commands = 0};
    }
    if (decision->issue) {
        waiting->command[waiting->commands++] = decision->command;
    }
    if (decision->fine_due) {
        waiting->fine[waiting->fines++] = decision->fine;
    }
    if (decision->record_due) {
        waiting->slot[waiting->slots++] = decision->record;
    }
}

static void trim(struct gr_keeper *keeper, const struct gr_outputs *outputs, const struct gr_moment *now,
                 int *status, struct gr_error *error)
{
    if (*status == GR_OK && has_passed(keeper->trimmed_s, now->utc_s, trim_s)) {
        keeper->trimmed_s = now->utc_s;
        *status = gr_store_trim(keeper->store, now->utc_s - (int64_t)outputs->keep_days * 86400,
                                now->utc_s - (int64_t)outputs->keep_days_fine * 86400, error);
    }
}

void gr_keeper_note(struct gr_keeper *keeper, const struct gr_decision *decision,
                    const struct gr_outputs *outputs, const struct gr_moment *now)
{
    struct gr_error error = {""};
    bool committed = false;
    int status = GR_OK;
    if (!keeper->store) {
        return;
    }
    if (decision->issue) { /* at once: nobody may see a sequence that is not covered */
        status = gr_store_cover_sequence(keeper->store, decision->command.sequence, &error);
    }
    status = status == GR_OK ? keep_full(keeper, decision->full_since_s, &error) : status;
    queue(&keeper->waiting, decision);
    if (has_passed(keeper->committed_ms, now->mono_ms, commit_ms) || is_full(&keeper->waiting)) {
        keeper->committed_ms = now->mono_ms;
        int other = flush(keeper, &error);
        trim(keeper, outputs, now, &other, &error);
        other = other == GR_OK ? gr_store_commit(keeper->store, &error) : other;
        status = status == GR_OK ? other : status;
        committed = status == GR_OK;
    }
    tell(keeper, now, status, committed, &error);
}

bool gr_keeper_retry(struct gr_keeper *keeper, const struct gr_moment *now, int64_t system_now_s)
{
    struct gr_error error = {""};
    if (!keeper->file[0] || (keeper->store && !keeper->refuses) ||
        !has_passed(keeper->tried_ms, now->mono_ms, retry_ms)) {
        return false;
    }
    bool had_one = keeper->store != NULL;
    keeper->tried_ms = now->mono_ms;
    gr_store_close(keeper->store);
    keeper->store = NULL;
    int status = open_store(keeper, system_now_s, &error);
    if (status == GR_OK && !had_one) {
        gr_log(GR_LOG_NOTICE, "the store is open now: %s", keeper->file);
    } else if (status != GR_OK && had_one) {
        gr_log(GR_LOG_ERROR, "the store cannot be opened again, going on without it: %s", error.text);
    }
    return true;
}
