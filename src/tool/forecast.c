/* granary forecast: what the learned forecast says, or how good it would have been. */
#include "granary/forecast.h"
#include "granary/config.h"
#include "granary/history.h"
#include "granary/usage.h"
#include "tool/fine_history.h"
#include "tool/forecast_print.h"
#include "tool/read_config.h"
#include "tool/tool.h"
#include "tool/usage_file.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const int64_t reach_s = (int64_t)32 * 3600;
static const int32_t most_fine_s = 900;

struct call {
    const char *usage_file, *zone_name, *weather_file, *config_file;
    bool evaluate, json, car_inside;
};

struct work {
    struct gr_config *config;
    struct gr_zone *zone;
    struct gr_usage usage, weather;
    struct gr_series irradiance;
    struct gr_plant plant;
    struct gr_fine_history fine;
    struct gr_within within;
    struct forecast_findings findings; /* of the two above */
};

static void print_help(FILE *stream)
{
    fputs(
        "Usage: granary forecast --usage FILE.csv [--timezone ZONE] [--weather FILE.csv] [--config CONFIG]\n"
        "                        [--car-inside] [--evaluate] [--json]\n"
        "\n"
        "Learns from past usage and prints a forecast of the 32 hours after its end.\n"
        "\n"
        "  --usage FILE.csv    columns start_utc, load_kwh, solar_kwh (one of the two may be missing)\n"
        "  --timezone ZONE     where the house is, e.g. Europe/Paris; else the configuration's, else UTC\n"
        "  --weather FILE.csv  columns start_utc and irradiance_w_m2 (or ghi_w_m2, poa_w_m2): the irradiance "
        "as "
        "forecast\n"
        "  --config CONFIG     holidays; position and arrays, for the sun's way through the year; what the "
        "readings "
        "say of "
        "them\n"
        "                      is told: scale, wrong angles, shadows; the daemon's five-minute means, for "
        "the "
        "load inside\n"
        "                      half hours\n"
        "  --car-inside        the load includes a car that charges at home: take its blocks of steady power "
        "out "
        "first\n"
        "  --evaluate          walk through the file instead: forecast every day at 16:00 the 32 hours that "
        "follow\n"
        "                      from what lies before, and compare with the truth and with simple forecasts\n"
        "  --json              one JSON object for programs\n"
        "\n"
        "docs/forecast.md explains the figures. Exit status: 0 done, 2 a file or the call is wrong.\n",
        stream);
}

static const char **find_option(struct call *call, const char *name)
{
    const struct {
        const char *name;
        const char **place;
    } options[] = {{"--usage", &call->usage_file},
                   {"--timezone", &call->zone_name},
                   {"--weather", &call->weather_file},
                   {"--config", &call->config_file}};
    for (size_t i = 0; i < sizeof options / sizeof *options; i++) {
        if (strcmp(name, options[i].name) == 0) {
            return options[i].place;
        }
    }
    return NULL;
}

/* Returns -1 to go on, or the exit status. */
static int parse_arguments(struct call *call, int argc, char **argv)
{
    for (int i = 1; i < argc; i++) {
        const char **place = find_option(call, argv[i]);
        if (strcmp(argv[i], "--help") == 0) {
            print_help(stdout);
            return 0;
        }
        if (strcmp(argv[i], "--evaluate") == 0) {
            call->evaluate = true;
        } else if (strcmp(argv[i], "--car-inside") == 0) {
            call->car_inside = true;
        } else if (strcmp(argv[i], "--json") == 0) {
            call->json = true;
        } else if (place && i + 1 < argc) {
            *place = argv[++i];
        } else {
            fprintf(stderr,
                    "granary forecast: \"%s\" is not understood here; `granary forecast --help` tells more\n",
                    argv[i]);
            return 2;
        }
    }
    if (!call->usage_file) {
        fputs("granary forecast: --usage FILE.csv is needed; `granary forecast --help` tells more\n", stderr);
        return 2;
    }
    return -1;
}

/* Irradiance in W/m2 becomes kW/m2 as power in W becomes kW. */
static int read_weather(struct work *work, const char *file, struct gr_error *error)
{
    static const char *const names[] = {"irradiance_w_m2", "irradiance", "ghi_w_m2", "poa_w_m2"};
    struct gr_usage_report report;
    int status = GR_INVALID;
    for (size_t i = 0; status == GR_INVALID && i < sizeof names / sizeof *names; i++) {
        struct gr_usage_mapping mapping = gr_usage_default_mapping();
        struct gr_error last = {""};
        mapping.unit = GR_USAGE_W;
        mapping.load[0] = mapping.temperature[0] = '\0';
        (void)snprintf(mapping.solar, sizeof mapping.solar, "%s", names[i]);
        status = gr_usage_load(&work->weather, &mapping, work->zone, file, &report, &last);
        if (status == GR_OK && !work->weather.solar_kw) {
            gr_usage_free(&work->weather);
            status =
                gr_error_set(&last, GR_INVALID, "%s: no column irradiance_w_m2, ghi_w_m2 or poa_w_m2", file);
        }
        if (status != GR_OK && (i == 0 || status != GR_INVALID)) {
            *error = last;
        }
    }
    work->irradiance = (struct gr_series){.start_s = work->weather.start_s,
                                          .step_s = work->weather.step_s,
                                          .count = work->weather.count,
                                          .kw = work->weather.solar_kw};
    return status;
}

static int gather(struct work *work, const struct call *call, struct gr_error *error)
{
    struct gr_usage_mapping mapping = gr_usage_default_mapping();
    struct gr_usage_report report;
    struct gr_blocks car;
    const char *zone_name = call->zone_name;
    if (call->config_file) {
        work->config = gr_tool_read_config(call->config_file);
        if (!work->config) {
            (void)gr_error_set(error, GR_INVALID, "%s cannot be used", call->config_file);
            return GR_INVALID;
        }
    }
    if (!zone_name) {
        zone_name = work->config ? work->config->engine.site.timezone : "UTC";
    }
    int status = gr_zone_load(&work->zone, zone_name, error);
    if (status == GR_OK) {
        status = gr_usage_load(&work->usage, &mapping, work->zone, call->usage_file, &report, error);
    }
    if (status == GR_OK && call->car_inside) {
        status = gr_usage_take_car_out(&work->usage, &car, error);
    }
    if (status == GR_OK && call->weather_file) {
        status = read_weather(work, call->weather_file, error);
    }
    return status;
}

/* False where the file has no such column. */
static bool make_lesson(struct gr_lesson *lesson, const struct work *work, enum gr_forecast_kind kind)
{
    const double *kw = kind == GR_FORECAST_LOAD ? work->usage.load_kw : work->usage.solar_kw;
    *lesson = (struct gr_lesson){
        .kind = kind,
        .series = {.start_s = work->usage.start_s,
                   .step_s = work->usage.step_s,
                   .count = work->usage.count,
                   .kw = kw},
        .zone = work->zone,
        .holidays = work->config ? &work->config->engine.planning.expectation.holidays : NULL,
        .site = work->config ? &work->config->engine.site : NULL,
        .weather = work->irradiance.kw ? &work->irradiance : NULL};
    return kw != NULL;
}

static int look_at_arrays(struct work *work, struct gr_error *error)
{
    struct gr_lesson lesson;
    if (!make_lesson(&lesson, work, GR_FORECAST_SUN) || !lesson.site || lesson.site->array_count == 0) {
        return GR_OK;
    }
    int status = gr_plant_look(&work->plant, &lesson.series, lesson.site, error);
    work->findings.plant = status == GR_OK ? &work->plant : NULL;
    return status;
}

/* From the file where its steps are short enough, else from what the daemon kept. */
static int look_inside(struct work *work, struct gr_error *error)
{
    struct gr_lesson lesson;
    const struct gr_series *fine = &lesson.series;
    bool known = make_lesson(&lesson, work, GR_FORECAST_LOAD) && fine->step_s <= most_fine_s;
    if (!known && work->config) {
        known = gr_fine_history_read(&work->fine, &work->config->outputs, "granary forecast") == GR_OK;
        fine = &work->fine.load;
    }
    int status = known ? gr_within_learn(&work->within, fine, GR_HISTORY_STEP_S, error) : GR_NOT_FOUND;
    work->findings.within = status == GR_OK ? &work->within : NULL;
    return status == GR_NOT_FOUND ? GR_OK : status;
}

static int evaluate(const struct work *work, bool json, bool *printed, struct gr_error *error)
{
    struct gr_forecast_score score[FORECAST_PARTS];
    const struct gr_forecast_score *known[FORECAST_PARTS] = {NULL, NULL};
    for (size_t part = 0; part < FORECAST_PARTS; part++) {
        struct gr_lesson lesson;
        if (make_lesson(&lesson, work, (enum gr_forecast_kind)part)) {
            int status = gr_forecast_evaluate(&score[part], &lesson, error);
            if (status != GR_OK) {
                return status;
            }
            known[part] = &score[part];
        }
    }
    *printed = forecast_print_scores(known, &work->findings, json);
    return GR_OK;
}

static int look_ahead(const struct work *work, bool json, bool *printed, struct gr_error *error)
{
    const struct gr_usage *usage = &work->usage;
    struct forecast_table table = {.start_s = usage->start_s + (int64_t)usage->count * usage->step_s,
                                   .step_s = usage->step_s,
                                   .slots = (size_t)(reach_s / usage->step_s),
                                   .zone = work->zone,
                                   .findings = &work->findings};
    struct gr_forecast_slot *room = calloc(FORECAST_PARTS * table.slots, sizeof *room);
    int status = room ? GR_OK : gr_error_set(error, GR_NO_MEMORY, "no memory for a forecast");
    for (size_t part = 0; status == GR_OK && part < FORECAST_PARTS; part++) {
        struct gr_lesson lesson;
        if (make_lesson(&lesson, work, (enum gr_forecast_kind)part)) {
            status = gr_forecast_after(room + part * table.slots, table.slots, &lesson, error);
            table.part[part] = room + part * table.slots;
        }
    }
    if (status == GR_OK) {
        *printed = forecast_print_table(&table, json);
    }
    free(room);
    return status;
}

int gr_tool_forecast(int argc, char **argv)
{
    struct call call = {.usage_file = NULL};
    struct work work = {.config = NULL};
    struct gr_error error = {""};
    bool printed = true;
    int done = parse_arguments(&call, argc, argv);
    if (done >= 0) {
        return done;
    }
    int status = gather(&work, &call, &error);
    if (status == GR_OK) {
        status = look_at_arrays(&work, &error);
    }
    if (status == GR_OK) {
        status = look_inside(&work, &error);
    }
    if (status == GR_OK) {
        status = call.evaluate ? evaluate(&work, call.json, &printed, &error)
                               : look_ahead(&work, call.json, &printed, &error);
    }
    if (status != GR_OK) {
        fprintf(stderr, "granary forecast: %s\n", error.text);
    } else if (!printed) {
        fputs("granary forecast: the standard output cannot be written\n", stderr);
    }
    gr_within_free(&work.within);
    gr_fine_history_free(&work.fine);
    gr_usage_free(&work.usage);
    gr_usage_free(&work.weather);
    gr_zone_free(work.zone);
    free(work.config);
    return status == GR_OK ? !printed : status == GR_NO_MEMORY ? 1 : 2;
}
