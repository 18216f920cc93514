/* The engine of the daemon, told step by step what it would have been told. */
#include "backtest/parts.h"

#include "granary/civil.h"
#include "granary/history.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const int validity_s = 3600; /* a step at most */

struct drive {
    struct gr_backtest_work *work;
    struct gr_engine *engine;
    int64_t known_until_s; /* end of the price tables that the engine has */
    int64_t half_hour_s;   /* the one being averaged */
    double house_sum, solar_sum;
    size_t parts;
    struct gr_decision decision;
    bool decided;
};

/* ---- the engine's configuration ---- */

static void strip_tables(struct gr_tariff *out, const struct gr_tariff *tariff)
{
    *out = (struct gr_tariff){.count = tariff->count};
    for (size_t i = 0; i < tariff->count; i++) {
        out->source[i].is_bands = tariff->source[i].is_bands;
        out->source[i].bands = tariff->source[i].bands;
    }
}

static void set_up(struct gr_backtest_work *work)
{
    struct gr_engine_config *config = &work->config;
    int step_minutes = work->backtest->usage->step_s / 60;
    strip_tables(&config->import, &work->backtest->tariff->import);
    strip_tables(&config->export, &work->backtest->tariff->export);
    strip_tables(&config->carbon, &work->backtest->tariff->carbon);
    if (config->planning.slot_minutes < step_minutes) {
        config->planning.slot_minutes = step_minutes;
    }
    if (!work->backtest->usage->solar_kw) {
        config->site.array_count = 0;
    }
    config->site.curves.charge_by_temperature.count = 0; /* usage does not tell it */
    config->peak = work->backtest->tariff->peak;
    config->planning.brief = true;
    config->safety.commanding = true;
    config->safety.trust_clock = true;
    config->safety.in_the_past = true;
    config->safety.validity_s = validity_s;
    config->safety.recovery_s = 0;
    memset(config->safety.max_age_s, 0, sizeof config->safety.max_age_s);
    config->safety.max_age_s[GR_STATE_OF_CHARGE] = 3600;
    config->safety.max_age_s[GR_HOUSE_POWER] = 3600;
    config->safety.max_age_s[GR_SOLAR_POWER] = 3600;
}

/* ---- what is known of the time to come, where a run is given the truth ---- */

static double true_mean(const struct gr_usage *usage, const double *series, int64_t from_s, int64_t to_s)
{
    double sum = 0;
    for (int64_t at_s = from_s; at_s < to_s;) {
        int64_t number = (at_s - usage->start_s) / usage->step_s;
        int64_t end_s = usage->start_s + (number + 1) * usage->step_s;
        end_s = end_s < to_s ? end_s : to_s;
        if (at_s < usage->start_s || number >= (int64_t)usage->count) {
            return NAN;
        }
        sum += series[number] * (double)(end_s - at_s);
        at_s = end_s;
    }
    return sum / (double)(to_s - from_s);
}

static void tell_truth(const void *context, const int64_t *bounds_s, size_t slots, double *house_kw,
                       double *solar_kw)
{
    const struct gr_backtest *backtest = context;
    const struct gr_usage *usage = backtest->usage;
    for (size_t i = 0; i < slots; i++) {
        if (backtest->know_load) {
            house_kw[i] = true_mean(usage, usage->load_kw, bounds_s[i], bounds_s[i + 1]);
        }
        if (backtest->know_solar && usage->solar_kw) {
            solar_kw[i] = true_mean(usage, usage->solar_kw, bounds_s[i], bounds_s[i + 1]);
        }
    }
}

/* ---- events ---- */

static struct gr_moment moment_of(int64_t utc_s)
{
    return (struct gr_moment){.utc_s = utc_s, .mono_ms = utc_s * 1000, .synchronised = true};
}

/* The part of a table that was published since the last time. */
static int publish_source(struct drive *drive, enum gr_direction direction, size_t source,
                          const struct gr_rate_table *table, int64_t now_s, int64_t until_s,
                          struct gr_error *error)
{
    size_t first = 0;
    while (first < table->count && table->rates[first].start_s < drive->known_until_s) {
        first++;
    }
    size_t end = first;
    while (end < table->count && table->rates[end].start_s < until_s) {
        end++;
    }
    struct gr_rate_table part = {.rates = table->rates + first, .count = end - first};
    struct gr_event event = {.kind = GR_EVENT_RATES,
                             .at = moment_of(now_s),
                             .of.rates = {.direction = direction, .source = source, .table = &part}};
    return part.count > 0 ? gr_engine_handle(drive->engine, &event, error) : GR_OK;
}

static int publish_direction(struct drive *drive, enum gr_direction direction, const struct gr_tariff *tariff,
                             int64_t now_s, int64_t until_s, struct gr_error *error)
{
    int rc = GR_OK;
    for (size_t i = 0; i < tariff->count && rc == GR_OK; i++) {
        if (!tariff->source[i].is_bands) {
            rc = publish_source(drive, direction, i, &tariff->source[i].table, now_s, until_s, error);
        }
    }
    return rc;
}

/* Tomorrow's prices are known from the publishing hour on. */
static int64_t find_published_until_s(const struct gr_backtest *backtest, int64_t now_s)
{
    int64_t local_s = gr_zone_local_s(backtest->zone, now_s);
    int minute = (int)(local_s % GR_DAY_S / 60);
    if (backtest->know_price) {
        return INT64_MAX;
    }
    return gr_zone_day_start_s(backtest->zone, now_s, minute >= backtest->tariff->published_minute ? 2 : 1);
}

static int publish(struct drive *drive, int64_t now_s, struct gr_error *error)
{
    const struct gr_backtest *backtest = drive->work->backtest;
    int64_t until_s = find_published_until_s(backtest, now_s);
    if (until_s <= drive->known_until_s) {
        return GR_OK;
    }
    const struct gr_tariff *const tariffs[GR_DIRECTIONS] = {
        &backtest->tariff->import, &backtest->tariff->export, &backtest->tariff->carbon};
    int rc = GR_OK;
    for (int i = 0; i < GR_DIRECTIONS && rc == GR_OK; i++) {
        rc = publish_direction(drive, (enum gr_direction)i, tariffs[i], now_s, until_s, error);
    }
    drive->known_until_s = until_s;
    return rc;
}

/* Half hours are averaged from shorter steps and cut from longer ones. */
static void close_half_hour(struct drive *drive)
{
    if (drive->parts > 0) {
        double parts = (double)drive->parts;
        const struct gr_usage *usage = drive->work->backtest->usage;
        struct gr_event event = {
            .kind = GR_EVENT_HISTORY,
            .at = moment_of(drive->half_hour_s),
            .of.history = {.start_s = drive->half_hour_s,
                           .house_kw = drive->house_sum / parts,
                           .solar_kw = drive->solar_sum / parts,
                           .outdoor_c = usage->temperature_c
                                            ? gr_usage_mean(usage, usage->temperature_c, drive->half_hour_s,
                                                            drive->half_hour_s + GR_HISTORY_STEP_S)
                                            : (double)NAN}};
        (void)gr_engine_handle(drive->engine, &event, NULL);
    }
    drive->parts = 0;
    drive->house_sum = drive->solar_sum = 0;
}

static void remember(struct drive *drive, int64_t start_s, double house_kw, double solar_kw)
{
    int64_t end_s = start_s + drive->work->backtest->usage->step_s;
    for (int64_t at_s = start_s; at_s < end_s; at_s += GR_HISTORY_STEP_S) {
        int64_t half_hour_s = at_s - at_s % GR_HISTORY_STEP_S;
        if (half_hour_s != drive->half_hour_s) {
            close_half_hour(drive);
            drive->half_hour_s = half_hour_s;
        }
        drive->house_sum += house_kw;
        drive->solar_sum += solar_kw;
        drive->parts++;
        if (half_hour_s + GR_HISTORY_STEP_S <= end_s) {
            close_half_hour(drive);
        }
    }
}

/* What the house did before the period began. */
static void remember_the_past(struct drive *drive)
{
    const struct gr_backtest *backtest = drive->work->backtest;
    const struct gr_usage *usage = backtest->usage;
    size_t before = (size_t)((backtest->from_s - usage->start_s) / usage->step_s);
    size_t most = (size_t)(GR_HISTORY_DAYS * GR_DAY_S / usage->step_s);
    for (size_t i = before > most ? before - most : 0; i < before; i++) {
        double solar_kw = usage->solar_kw ? usage->solar_kw[i] : 0;
        if (!isnan(usage->load_kw[i]) && !isnan(solar_kw)) {
            remember(drive, usage->start_s + (int64_t)i * usage->step_s, usage->load_kw[i], solar_kw);
        }
    }
}

static void tell(struct drive *drive, int64_t now_s, enum gr_channel channel, double value)
{
    struct gr_event event = {
        .kind = GR_EVENT_READING, .at = moment_of(now_s), .of.reading = {.channel = channel, .value = value}};
    (void)gr_engine_handle(drive->engine, &event, NULL);
}

/* ---- the run ---- */

/* The step whose powers are seen at the moment of decision; NULL where none is. */
static const struct gr_backtest_step *step_in_sight(const struct drive *drive, size_t i)
{
    const struct gr_backtest_step *steps = drive->work->steps;
    if (!drive->work->backtest->late_readings) {
        return &steps[i];
    }
    return i > 0 && !steps[i - 1].gap ? &steps[i - 1] : NULL;
}

static int decide(struct drive *drive, size_t i, struct gr_error *error)
{
    struct gr_backtest_work *work = drive->work;
    int64_t now_s = work->steps[i].start_s;
    const struct gr_backtest_step *seen = step_in_sight(drive, i);
    double percent = gr_backtest_stored_before(work, i) / work->battery.capacity_kwh * 100;
    int rc = publish(drive, now_s, error);
    if (rc != GR_OK) {
        return rc;
    }
    tell(drive, now_s, GR_STATE_OF_CHARGE, percent);
    if (seen) {
        tell(drive, now_s, GR_HOUSE_POWER, seen->house_kw);
        tell(drive, now_s, GR_SOLAR_POWER, seen->solar_kw);
    }
    gr_engine_tick(drive->engine, moment_of(now_s), &drive->decision);
    drive->decided = true;
    work->result->decisions++;
    work->result->plans += drive->decision.replanned;
    work->result->changes += drive->decision.changed;
    work->result->faults += drive->decision.fault != GR_FAULT_NONE;
    return GR_OK;
}

/* What the grid meter saw of a step, for the month's peaks. */
static void tell_metered(struct drive *drive, const struct gr_backtest_step *step)
{
    int64_t end_s = step->start_s + drive->work->backtest->usage->step_s;
    struct gr_event event = {.kind = GR_EVENT_METERED,
                             .at = moment_of(end_s),
                             .of.metered = {step->start_s, end_s, step->grid_kw}};
    (void)gr_engine_handle(drive->engine, &event, NULL);
}

static bool is_decision_due(const struct drive *drive, size_t i)
{
    int64_t slot_s = (int64_t)drive->work->config.planning.slot_minutes * 60;
    return !drive->decided || (drive->work->steps[i].start_s - drive->work->backtest->from_s) % slot_s == 0;
}

static int live_step(struct drive *drive, size_t i, struct gr_error *error)
{
    struct gr_backtest_work *work = drive->work;
    const struct gr_backtest_step *step = &work->steps[i];
    int rc = is_decision_due(drive, i) ? decide(drive, i, error) : GR_OK;
    if (rc != GR_OK) {
        return rc;
    }
    gr_backtest_act(work, i, drive->decision.command.kind, drive->decision.command.power_kw);
    remember(drive, step->start_s, step->house_kw, step->solar_kw);
    if (work->config.peak.any) {
        tell_metered(drive, step);
    }
    return GR_OK;
}

static int drive_through(struct drive *drive, struct gr_error *error)
{
    struct gr_backtest_work *work = drive->work;
    int rc = GR_OK;
    for (size_t i = 0; rc == GR_OK && i < work->count; i++) {
        if (work->steps[i].gap) {
            gr_backtest_skip(work, i);
            drive->decided = false;
        } else {
            rc = live_step(drive, i, error);
        }
        gr_backtest_report(work, i + 1);
    }
    return rc;
}

int gr_backtest_planned(struct gr_backtest_work *work, struct gr_error *error)
{
    struct drive drive = {.work = work, .known_until_s = INT64_MIN, .half_hour_s = INT64_MIN};
    set_up(work);
    if (work->backtest->know_load || work->backtest->know_solar) {
        work->config.known = (struct gr_foreknowledge){.fill = tell_truth, .context = work->backtest};
    }
    int rc = gr_engine_create(&drive.engine, &work->config, work->backtest->zone, 0, error);
    if (rc == GR_OK) {
        if (work->backtest->watch) {
            work->backtest->watch(work->backtest->watch_context, drive.engine);
        }
        struct gr_event up = {.kind = GR_EVENT_LINK, .of.link.up = true};
        (void)gr_engine_handle(drive.engine, &up, NULL);
        remember_the_past(&drive);
        rc = drive_through(&drive, error);
        gr_engine_free(drive.engine);
    }
    return rc;
}
