#include "granary/civil.h"
#include "granary/history.h"
#include "tool/import.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

static const double same_kw = 1e-3; /* files are rounded */

/* The half hours of the file, and how they meet those of the store. */
struct halves {
    struct gr_slot_record *record;
    size_t count;
    size_t old;       /* left out: older than what is kept */
    size_t conflicts; /* known already, with another value */
    int64_t first_conflict_s;
};

static int64_t floor_half(int64_t moment_s)
{
    int64_t rest_s = (moment_s % GR_HISTORY_STEP_S + GR_HISTORY_STEP_S) % GR_HISTORY_STEP_S;
    return moment_s - rest_s;
}

/* One for every half hour of the period, known or not. */
static int make_halves(struct halves *out, const struct gr_usage *usage)
{
    int64_t start_s = floor_half(usage->start_s);
    int64_t end_s = usage->start_s + (int64_t)usage->count * usage->step_s;
    size_t count = (size_t)((end_s - start_s + GR_HISTORY_STEP_S - 1) / GR_HISTORY_STEP_S);
    *out = (struct halves){.record = malloc(count * sizeof *out->record), .count = count};
    for (size_t i = 0; out->record && i < count; i++) {
        int64_t from_s = start_s + (int64_t)i * GR_HISTORY_STEP_S, to_s = from_s + GR_HISTORY_STEP_S;
        out->record[i] = (struct gr_slot_record){
            .start_s = from_s,
            .house_kw = usage->load_kw ? gr_usage_mean(usage, usage->load_kw, from_s, to_s) : (double)NAN,
            .solar_kw = usage->solar_kw ? gr_usage_mean(usage, usage->solar_kw, from_s, to_s) : (double)NAN,
            .battery_kw = NAN,
            .grid_kw = NAN,
            .car_kw = NAN,
            .state_of_charge_percent = NAN,
            .outdoor_c = usage->temperature_c ? gr_usage_mean(usage, usage->temperature_c, from_s, to_s)
                                              : (double)NAN};
    }
    return out->record ? GR_OK : GR_NO_MEMORY;
}

static bool differ(double kept, double read)
{
    return !isnan(kept) && !isnan(read) && fabs(kept - read) > same_kw;
}

/* What the file does not know is left as it was. */
static void meet(void *context, const struct gr_slot_record *kept)
{
    struct halves *halves = context;
    int64_t index = (kept->start_s - halves->record[0].start_s) / GR_HISTORY_STEP_S;
    if (kept->start_s < halves->record[0].start_s || index >= (int64_t)halves->count ||
        halves->record[index].start_s != kept->start_s) {
        return;
    }
    struct gr_slot_record *record = &halves->record[index];
    if ((differ(kept->house_kw, record->house_kw) || differ(kept->solar_kw, record->solar_kw)) &&
        halves->conflicts++ == 0) {
        halves->first_conflict_s = kept->start_s;
    }
    struct gr_slot_record read = *record;
    *record = *kept;
    record->house_kw = isnan(read.house_kw) ? kept->house_kw : read.house_kw;
    record->solar_kw = isnan(read.solar_kw) ? kept->solar_kw : read.solar_kw;
    record->outdoor_c = isnan(kept->outdoor_c) ? read.outdoor_c : kept->outdoor_c;
}

/* Drops what says nothing and what the daemon would forget the same day. */
static void drop_useless(struct halves *halves, int64_t keep_from_s)
{
    size_t kept = 0;
    for (size_t i = 0; i < halves->count; i++) {
        const struct gr_slot_record *record = &halves->record[i];
        bool says_nothing = isnan(record->house_kw) && isnan(record->solar_kw) && isnan(record->outdoor_c);
        halves->old += !says_nothing && record->start_s < keep_from_s;
        if (!says_nothing && record->start_s >= keep_from_s) {
            halves->record[kept++] = *record;
        }
    }
    halves->count = kept;
}

/* A file that root begins must belong to the daemon's user, who owns the folder. */
static void hand_over(const char *folder, const char *file)
{
    struct stat status;
    if (geteuid() == 0 && stat(folder, &status) == 0 && chown(file, status.st_uid, status.st_gid) != 0) {
        (void)fprintf(stderr, "granary import: %s cannot be given to the owner of its folder\n", file);
    }
}

static int refuse_conflicts(const struct gr_import *job, const struct halves *halves)
{
    char at[GR_RFC3339_SIZE];
    int64_t first_s = halves->first_conflict_s;
    gr_rfc3339_format_local(at, first_s, gr_zone_offset_s(job->zone, first_s));
    (void)fprintf(stderr,
                  "granary import: %zu half hours are known already with other values, the first at %s; "
                  "nothing was written (--replace overwrites them)\n",
                  halves->conflicts, at);
    return 1;
}

static void say_done(const struct gr_import *job, const struct halves *halves, const char *file,
                     int64_t now_s)
{
    int64_t end_s = job->usage.start_s + (int64_t)job->usage.count * job->usage.step_s;
    printf("Kept %zu half hours in %s, %zu of them in place of what was known.\n", halves->count, file,
           halves->conflicts);
    if (halves->old > 0) {
        printf("%zu half hours are older than outputs.keep_days (%d days) and were left out.\n", halves->old,
               job->config->outputs.keep_days);
    }
    if (now_s - end_s > (int64_t)GR_HISTORY_DAYS * 86400) {
        printf("It ends %lld days ago: plans are made from the last %d days.\n",
               (long long)((now_s - end_s) / 86400), GR_HISTORY_DAYS);
    }
    puts("A daemon that runs takes it over when it is told to read its configuration again (SIGHUP), or at "
         "its next start.");
}

static int write_halves(const struct gr_import *job, struct gr_store *store, struct halves *halves,
                        const char *file, int64_t now_s)
{
    struct gr_error error = {""};
    int code = gr_store_each_slot(store, halves->record[0].start_s, meet, halves, &error);
    if (code == GR_OK && halves->conflicts > 0 && !job->replace) {
        return refuse_conflicts(job, halves);
    }
    if (code == GR_OK) {
        drop_useless(halves, now_s - (int64_t)job->config->outputs.keep_days * 86400);
        code = gr_store_put_slots(store, halves->record, halves->count, &error);
    }
    if (code != GR_OK) {
        (void)fprintf(stderr, "granary import: %s; nothing was written. Another program may hold the file\n",
                      error.text);
        return 1;
    }
    say_done(job, halves, file, now_s);
    return 0;
}

int gr_import_keep(struct gr_import *job, int64_t now_s)
{
    struct gr_error error = {""};
    struct gr_store *store = NULL;
    struct halves halves = {0};
    char file[GR_PATH_SIZE + 16];
    const char *folder = gr_state_folder(&job->config->outputs);
    int status = 1;
    if (job->dry_run) {
        puts("Nothing was written: --dry-run.");
        return 0;
    }
    if (!folder) {
        (void)fprintf(stderr,
                      "granary import: %s has no outputs.state_directory and $STATE_DIRECTORY is not "
                      "set: nowhere to keep it\n",
                      job->config_file);
        return 2;
    }
    (void)snprintf(file, sizeof file, "%s/granary.db", folder);
    if (make_halves(&halves, &job->usage) != GR_OK) {
        (void)fputs("granary import: out of memory\n", stderr);
    } else if (gr_store_open(&store, file, now_s, &error) != GR_OK) {
        (void)fprintf(stderr, "granary import: %s\n", error.text);
    } else {
        if (error.text[0]) {
            (void)fprintf(stderr, "granary import: %s\n", error.text);
        }
        hand_over(folder, file);
        status = write_halves(job, store, &halves, file, now_s);
    }
    gr_store_close(store);
    free(halves.record);
    return status;
}
