/* The parts of `granary backtest`: what is asked for, the runs, and what people see of them. */
#ifndef GRANARY_TOOL_BACKTEST_H
#define GRANARY_TOOL_BACKTEST_H

#include "granary/backtest.h"
#include "granary/config.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#define GR_BT_MOST 64 /* tariffs, strategies or sizes in one call */

struct gr_bt_options {
    const char *config_file, *usage_file, *columns, *csv_file;
    const char *from, *to; /* local dates, both included; NULL: as far as the usage goes */
    const char *tariff_file[GR_BT_MOST], *strategy[GR_BT_MOST];
    size_t tariffs, strategies;
    double battery_kwh[GR_BT_MOST];
    size_t sizes;
    bool know_load, know_solar, know_price, late_readings;
    bool within_slot;
    uint64_t seed;
    bool json, help;
};

/* Everything that the runs read. */
struct gr_bt_scene {
    struct gr_config config;
    struct gr_zone *zone;
    struct gr_usage usage;
    struct gr_usage_report report;
    int64_t from_s, to_s;
    struct gr_backtest_tariff tariff[GR_BT_MOST];
    struct gr_strategy strategy[GR_BT_MOST + 2]; /* `follow` and `foresight` are there in any case */
    size_t tariffs, strategies, sizes;
    size_t shown; /* strategies asked for; those behind serve as measures only */
    double battery_kwh[GR_BT_MOST];
    bool know_load, know_solar, know_price, late_readings;
    bool within_slot; /* the usage was spread inside its slots, by the seed */
    uint64_t seed;
};

/* Reads all files of the call; mistakes are said on standard error. */
int gr_bt_scene_read(struct gr_bt_scene *scene, const struct gr_bt_options *options);
void gr_bt_scene_free(struct gr_bt_scene *scene);

struct gr_bt_run {
    const struct gr_backtest_tariff *tariff;
    const struct gr_strategy *strategy;
    double capacity_kwh;
    bool shown;
    struct gr_backtest_result result;
    double share_of_foresight; /* NAN: foresight gains nothing */
    double seconds;            /* of processor time */
    int status;
    struct gr_error error;
};

struct gr_bt_runs {
    struct gr_bt_run *run;
    size_t count;
};

/* Runs tariffs x strategies x sizes on all cores, with progress where standard error is a terminal. The steps
 * of the results are kept where `keep_steps`. The first failure is said on standard error. */
int gr_bt_run_all(struct gr_bt_runs *out, const struct gr_bt_scene *scene, bool keep_steps);
void gr_bt_runs_free(struct gr_bt_runs *runs);

void gr_bt_print_table(FILE *stream, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs);

/* The object of `--json`, to be released; NULL without memory. `json_t` is declared by <jansson.h>. */
struct json_t;
struct json_t *gr_bt_to_json(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs);

/* One line for each run and month. GR_IO. */
int gr_bt_write_csv(const char *path, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                    struct gr_error *error);

/* "2026-03" of a month's first moment. */
char *gr_bt_month(char out[16], const struct gr_zone *zone, int64_t start_s);

/* What every figure rests on, one sentence each; NULL ends the list. */
extern const char *const gr_bt_assumptions[];

#endif
