/* Reading what a back-test works on. */
#include "tool/backtest.h"
#include "tool/fine_history.h"
#include "tool/usage_file.h"

#include "granary/civil.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static int refuse(const char *where, const char *text)
{
    (void)fprintf(stderr, "granary backtest: %s: %s\n", where, text);
    return GR_INVALID;
}

static int refuse_twice(const char *things, const char *name)
{
    (void)fprintf(stderr, "granary backtest: two %s are called \"%s\": a result would not say which\n",
                  things, name);
    return GR_INVALID;
}

static void print_complaints(struct gr_complaints *complaints)
{
    gr_complaints_print(stderr, complaints);
    gr_complaints_free(complaints);
}

/* ---- usage ---- */

static const struct {
    const char *word;
    enum gr_usage_unit unit;
} units[] = {{"kwh", GR_USAGE_KWH}, {"wh", GR_USAGE_WH}, {"kw", GR_USAGE_KW}, {"w", GR_USAGE_W}};

static bool take_unit(struct gr_usage_mapping *mapping, const char *word)
{
    for (size_t i = 0; i < sizeof units / sizeof *units; i++) {
        if (strcmp(word, units[i].word) == 0) {
            mapping->unit = units[i].unit;
            return true;
        }
    }
    return false;
}

static bool take_name(char out[GR_FIELD_SIZE], const char *name)
{
    int length = snprintf(out, GR_FIELD_SIZE, "%s", name);
    return length >= 0 && length < GR_FIELD_SIZE;
}

static bool take_column(struct gr_usage_mapping *mapping, const char *key, const char *value)
{
    if (strcmp(key, "start") == 0) {
        return take_name(mapping->start, value);
    }
    if (strcmp(key, "load") == 0) {
        return take_name(mapping->load, value);
    }
    if (strcmp(key, "solar") == 0) {
        return take_name(mapping->solar, value);
    }
    if (strcmp(key, "unit") == 0) {
        return take_unit(mapping, value);
    }
    if (strcmp(key, "times") == 0) {
        mapping->start_is_local = strncmp(value, "local", 5) == 0;
        mapping->start_is_end = strstr(value, "end") != NULL;
        return strcmp(value, "local") == 0 || strcmp(value, "local-end") == 0 || strcmp(value, "end") == 0 ||
               strcmp(value, "start") == 0;
    }
    if (strcmp(key, "separator") == 0) {
        bool tab = strcmp(value, "tab") == 0, semicolon = strcmp(value, "semicolon") == 0;
        mapping->separator = tab ? '\t' : semicolon ? ';' : ',';
        return tab || semicolon || strcmp(value, "comma") == 0;
    }
    return false;
}

/* "start=Time,load=Use,solar=,unit=wh" */
static int read_columns(struct gr_usage_mapping *mapping, const char *columns)
{
    char text[1024];
    int length = snprintf(text, sizeof text, "%s", columns);
    if (length < 0 || (size_t)length >= sizeof text) {
        return refuse("--columns", "too long");
    }
    char *rest = NULL;
    for (char *part = strtok_r(text, ",", &rest); part; part = strtok_r(NULL, ",", &rest)) {
        char *value = strchr(part, '=');
        if (value) {
            *value++ = '\0';
        }
        if (!value || !take_column(mapping, part, value)) {
            (void)fprintf(
                stderr,
                "granary backtest: --columns: found \"%s%s%s\", expected start=, load=, solar= with a "
                "column's name, unit= kwh, wh, kw or w, times= start, end, local or local-end, "
                "separator= comma, semicolon or tab\n",
                part, value ? "=" : "", value ? value : "");
            return GR_INVALID;
        }
    }
    return GR_OK;
}

static void tell_gaps(const char *file, const struct gr_bt_scene *scene)
{
    const struct gr_usage_report *report = &scene->report;
    char first[GR_RFC3339_SIZE];
    if (report->gaps > 0) {
        int32_t offset_s = gr_zone_offset_s(scene->zone, report->first_gap_s);
        (void)fprintf(stderr,
                      "%s: %zu %s without usage, the first from %s, the longest of %.1f hours: left out of "
                      "every bill\n",
                      file, report->gaps, report->gaps == 1 ? "gap" : "gaps",
                      gr_rfc3339_format_local(first, report->first_gap_s, offset_s),
                      (double)report->longest_gap_s / 3600);
    }
}

static void tell_counts(const char *file, const struct gr_usage_report *report)
{
    const struct {
        size_t count;
        const char *one, *many;
    } found[] = {{report->empty_values, "cell is empty", "cells are empty"},
                 {report->duplicates, "row stands twice, taken once", "rows stand twice, taken once"},
                 {report->negative_values, "value is below 0, taken as 0", "values are below 0, taken as 0"},
                 {report->suspect_high, "value is so high that a wrong unit is likely, taken as it is",
                  "values are so high that a wrong unit is likely, taken as they are"}};
    for (size_t i = 0; i < sizeof found / sizeof *found; i++) {
        if (found[i].count > 0) {
            (void)fprintf(stderr, "%s: %zu %s\n", file, found[i].count,
                          found[i].count == 1 ? found[i].one : found[i].many);
        }
    }
    if (report->suspect_high > report->rows / 10) {
        (void)fprintf(stderr, "%s: --columns unit= tells the unit: kwh, wh, kw or w\n", file);
    }
}

static void tell_report(const char *file, const struct gr_bt_scene *scene)
{
    tell_gaps(file, scene);
    tell_counts(file, &scene->report);
    if (scene->report.remarks[0]) {
        (void)fprintf(stderr, "%s: %s\n", file, scene->report.remarks);
    }
    if (!scene->usage.solar_kw) {
        (void)fprintf(stderr,
                      "%s: no solar column: reckoned without panels. Tariffs, filling at cheap hours and "
                      "selling what was stored compare as ever; what the sun is worth stays open\n",
                      file);
    }
}

static int read_usage(struct gr_bt_scene *scene, const struct gr_bt_options *options)
{
    struct gr_usage_mapping mapping = gr_usage_default_mapping();
    struct gr_error error = {""};
    if (options->columns && read_columns(&mapping, options->columns) != GR_OK) {
        return GR_INVALID;
    }
    int rc = gr_usage_load(&scene->usage, &mapping, scene->zone, options->usage_file, &scene->report, &error);
    if (rc != GR_OK) {
        (void)fprintf(stderr, "granary backtest: %s\n", error.text);
        if (rc == GR_INVALID) {
            fputs("granary backtest: --columns tells how such a file is to be read: names, unit, local "
                  "times; see --help\n",
                  stderr);
        }
        return GR_INVALID;
    }
    tell_report(options->usage_file, scene);
    if (!scene->usage.load_kw) {
        return refuse(
            options->usage_file,
            "no load column: a bill needs what the house used (--columns load=NAME names it). What the "
            "sun alone can still do: `granary import` takes it, and the daemon learns the panels "
            "from it");
    }
    return GR_OK;
}

/* ---- period ---- */

static int read_date(const char *option, const char *text, const struct gr_zone *zone, int days, int64_t *out)
{
    char moment[32];
    int64_t local_s;
    (void)snprintf(moment, sizeof moment, "%.20sT00:00", text);
    if (gr_local_time_parse(&local_s, moment, strlen(moment)) != GR_OK) {
        (void)fprintf(stderr, "granary backtest: %s: found \"%s\", expected a date like 2026-03-01\n", option,
                      text);
        return GR_INVALID;
    }
    *out = gr_zone_utc_s(zone, local_s + (int64_t)days * GR_DAY_S, 0);
    return GR_OK;
}

static int read_period(struct gr_bt_scene *scene, const struct gr_bt_options *options)
{
    const struct gr_usage *usage = &scene->usage;
    int64_t end_s = usage->start_s + (int64_t)usage->count * usage->step_s;
    scene->from_s = usage->start_s;
    scene->to_s = end_s;
    if ((options->from && read_date("--from", options->from, scene->zone, 0, &scene->from_s) != GR_OK) ||
        (options->to && read_date("--to", options->to, scene->zone, 1, &scene->to_s) != GR_OK)) {
        return GR_INVALID;
    }
    if (scene->from_s >= scene->to_s) {
        return refuse("--from, --to", "the period ends before it begins");
    }
    if (scene->from_s < usage->start_s || scene->to_s > end_s) {
        char from[GR_RFC3339_SIZE], to[GR_RFC3339_SIZE];
        (void)fprintf(
            stderr,
            "granary backtest: --from and --to do not lie inside the usage, which reaches from %s to %s\n",
            gr_rfc3339_format_local(from, usage->start_s, gr_zone_offset_s(scene->zone, usage->start_s)),
            gr_rfc3339_format_local(to, end_s, gr_zone_offset_s(scene->zone, end_s)));
        return GR_INVALID;
    }
    scene->from_s += (usage->step_s - (scene->from_s - usage->start_s) % usage->step_s) % usage->step_s;
    scene->to_s -= (scene->to_s - usage->start_s) % usage->step_s;
    return GR_OK;
}

/* ---- tariffs and strategies ---- */

static int read_tariffs(struct gr_bt_scene *scene, const struct gr_bt_options *options)
{
    struct gr_complaints complaints = {0};
    struct gr_error error = {""};
    if (options->tariffs == 0) {
        if (gr_tariff_of_config(&scene->tariff[0], &scene->config, scene->zone, &error) != GR_OK) {
            return refuse(options->config_file, error.text);
        }
        scene->tariffs = 1;
    }
    for (size_t i = 0; i < options->tariffs; i++) {
        if (gr_tariff_file_read(&scene->tariff[i], options->tariff_file[i], &scene->config, scene->zone,
                                &complaints) == GR_OK) {
            scene->tariffs++;
        }
    }
    bool wrong = complaints.count > 0 || scene->tariffs == 0;
    print_complaints(&complaints);
    for (size_t i = 0; !wrong && i < scene->tariffs; i++) {
        for (size_t k = 0; k < i; k++) {
            if (strcmp(scene->tariff[i].name, scene->tariff[k].name) == 0) {
                return refuse_twice("tariffs", scene->tariff[i].name);
            }
        }
    }
    for (size_t i = 0; !wrong && i < scene->tariffs; i++) {
        if (gr_backtest_tariff_check(&scene->tariff[i], scene->zone, scene->from_s, scene->to_s, &error) !=
            GR_OK) {
            return refuse(options->tariffs ? options->tariff_file[i] : options->config_file, error.text);
        }
    }
    return wrong ? GR_INVALID : GR_OK;
}

/* As the house was seen to be inside slots, where the daemon kept that long enough; else by a guess. */
static int spread_inside(struct gr_bt_scene *scene)
{
    struct gr_fine_history fine;
    struct gr_within learned = {.count = 0};
    if (gr_fine_history_read(&fine, &scene->config.outputs, "granary backtest") == GR_OK) {
        (void)gr_within_learn(&learned, &fine.load, scene->usage.step_s, NULL);
    }
    scene->courses = learned.count;
    int rc = gr_backtest_spread(&scene->usage, scene->seed, learned.count > 0 ? &learned : NULL);
    gr_within_free(&learned);
    gr_fine_history_free(&fine);
    return rc;
}

/* One grid for all tariffs, so that their bills compare. */
static int fit_steps(struct gr_bt_scene *scene)
{
    int32_t given_s = scene->usage.step_s, step_s = given_s;
    if (scene->within_slot) {
        return spread_inside(scene);
    }
    for (size_t i = 0; i < scene->tariffs; i++) {
        step_s = gr_backtest_step_for(&scene->tariff[i], scene->zone, scene->from_s, scene->to_s, step_s);
    }
    if (step_s == given_s) {
        return GR_OK;
    }
    (void)fprintf(
        stderr,
        "granary backtest: prices change inside the usage's slots of %d minutes: cut into %d minutes\n",
        given_s / 60, step_s / 60);
    return gr_backtest_split(&scene->usage, step_s);
}

static bool has_plain(const struct gr_bt_scene *scene, enum gr_strategy_kind kind)
{
    for (size_t i = 0; i < scene->strategies; i++) {
        if (scene->is_plain[i] && scene->strategy[i].kind == kind) {
            return true;
        }
    }
    return false;
}

static void want_plain(struct gr_bt_scene *scene, enum gr_strategy_kind kind)
{
    if (!has_plain(scene, kind)) {
        scene->is_plain[scene->strategies] = true;
        (void)gr_strategy_named(&scene->strategy[scene->strategies++], gr_strategy_kind_name(kind));
    }
}

static void read_strategy(struct gr_bt_scene *scene, const char *word, struct gr_complaints *complaints)
{
    struct gr_strategy *strategy = &scene->strategy[scene->strategies];
    bool plain = gr_strategy_named(strategy, word) == GR_OK;
    if (plain || gr_strategy_read(strategy, word, complaints) == GR_OK) {
        scene->is_plain[scene->strategies++] = plain;
    }
}

static int read_strategies(struct gr_bt_scene *scene, const struct gr_bt_options *options)
{
    struct gr_complaints complaints = {0};
    for (size_t i = 0; i < options->strategies; i++) {
        read_strategy(scene, options->strategy[i], &complaints);
    }
    bool wrong = complaints.count > 0;
    print_complaints(&complaints);
    for (int kind = 0; options->strategies == 0 && kind < GR_STRATEGY_KINDS; kind++) {
        want_plain(scene, (enum gr_strategy_kind)kind);
    }
    for (size_t i = 0; !wrong && i < scene->strategies; i++) {
        for (size_t k = 0; k < i; k++) {
            if (strcmp(scene->strategy[i].name, scene->strategy[k].name) == 0) {
                return refuse_twice("strategies", scene->strategy[i].name);
            }
        }
    }
    scene->shown = scene->strategies;
    want_plain(scene, GR_STRATEGY_NONE);
    want_plain(scene, GR_STRATEGY_FOLLOW);
    want_plain(scene, GR_STRATEGY_FORESIGHT);
    return wrong ? GR_INVALID : GR_OK;
}

/* ---- sizes ---- */

static int read_sizes(struct gr_bt_scene *scene, const struct gr_bt_options *options)
{
    scene->sizes = options->sizes;
    memcpy(scene->battery_kwh, options->battery_kwh, sizeof scene->battery_kwh);
    if (scene->sizes == 0) {
        scene->battery_kwh[scene->sizes++] = scene->config.engine.site.battery.capacity_kwh;
    }
    if (options->battery_prices > 0 && options->battery_prices != scene->sizes) {
        (void)fprintf(
            stderr, "granary backtest: --battery-price: found %zu prices, expected one for each of %zu %s\n",
            options->battery_prices, scene->sizes, scene->sizes == 1 ? "size" : "sizes");
        return GR_INVALID;
    }
    for (size_t i = 0; i < scene->sizes; i++) {
        double each = options->battery_prices > 0 ? options->battery_price[i] : NAN;
        bool by_kwh = options->battery_price_per_kwh > 0;
        scene->battery_price[i] = by_kwh ? options->battery_price_per_kwh * scene->battery_kwh[i] : each;
    }
    return GR_OK;
}

/* ---- all of it ---- */

static int read_config(struct gr_bt_scene *scene, const char *file)
{
    struct gr_complaints complaints = {0};
    struct gr_error error = {""};
    int rc = gr_config_read(&scene->config, file, &complaints);
    print_complaints(&complaints);
    if (rc == GR_OK && gr_zone_load(&scene->zone, scene->config.engine.site.timezone, &error) != GR_OK) {
        rc = refuse(file, error.text);
    }
    return rc;
}

int gr_bt_scene_read(struct gr_bt_scene *scene, const struct gr_bt_options *options)
{
    scene->within_slot = options->within_slot;
    scene->seed = options->seed;
    int rc = read_config(scene, options->config_file);
    rc = rc ? rc : read_usage(scene, options);
    rc = rc ? rc : read_period(scene, options);
    rc = rc ? rc : read_tariffs(scene, options);
    rc = rc ? rc : fit_steps(scene);
    rc = rc ? rc : read_strategies(scene, options);
    rc = rc ? rc : read_sizes(scene, options);
    rc = rc || !options->report_file ? rc : gr_bt_choose_weeks(scene);
    scene->know_load = options->know_load;
    scene->know_solar = options->know_solar;
    scene->know_price = options->know_price;
    scene->late_readings = options->late_readings;
    return rc;
}

void gr_bt_scene_free(struct gr_bt_scene *scene)
{
    for (size_t i = 0; i < scene->tariffs; i++) {
        gr_backtest_tariff_free(&scene->tariff[i]);
    }
    gr_usage_free(&scene->usage);
    gr_zone_free(scene->zone);
}
