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
#define GR_BT_WEEKS 3

struct gr_bt_options {
    const char *config_file, *usage_file, *columns, *csv_file, *report_file;
    const char *from, *to; /* local dates, both included; NULL: as far as the usage goes */
    const char *tariff_file[GR_BT_MOST], *strategy[GR_BT_MOST];
    size_t tariffs, strategies;
    double battery_kwh[GR_BT_MOST];
    size_t sizes;
    double battery_price[GR_BT_MOST]; /* of each size */
    size_t battery_prices;
    double battery_price_per_kwh; /* 0: not given */
    bool know_load, know_solar, know_price, late_readings;
    bool within_slot;
    uint64_t seed;
    bool json, help;
};

/* A stretch of the period that the report shows step by step. */
struct gr_bt_week {
    const char *what; /* "a typical week" */
    int64_t from_s, to_s;
};

/* Everything that the runs read. */
struct gr_bt_scene {
    struct gr_config config;
    struct gr_zone *zone;
    struct gr_usage usage;
    struct gr_usage_report report;
    int64_t from_s, to_s;
    struct gr_backtest_tariff tariff[GR_BT_MOST];
    struct gr_strategy strategy[GR_BT_MOST + 3]; /* none, follow, foresight are there in any case */
    size_t tariffs, strategies, sizes;
    bool is_plain[GR_BT_MOST + 3]; /* one that needs no file: what others are measured by */
    size_t shown;                  /* strategies asked for; those behind serve as measures only */
    double battery_kwh[GR_BT_MOST];
    double battery_price[GR_BT_MOST]; /* of each size, NAN where it was not told */
    struct gr_bt_week week[GR_BT_WEEKS];
    size_t weeks;
    bool know_load, know_solar, know_price, late_readings;
    bool within_slot; /* the usage was spread inside its slots, by the seed */
    size_t courses;   /* past slots whose courses it took, of the daemon's five-minute means; 0: none */
    uint64_t seed;
};

/* Reads all files of the call; mistakes are said on standard error. */
int gr_bt_scene_read(struct gr_bt_scene *scene, const struct gr_bt_options *options);
void gr_bt_scene_free(struct gr_bt_scene *scene);

/* Chooses whole local weeks without gaps, or the first days where there is none. GR_NO_MEMORY. */
int gr_bt_choose_weeks(struct gr_bt_scene *scene);
/* Steps of one of the scene's weeks. */
size_t gr_bt_week_steps(const struct gr_bt_scene *scene, size_t number);

struct gr_bt_run {
    const struct gr_backtest_tariff *tariff;
    const struct gr_strategy *strategy;
    double capacity_kwh;
    bool shown;
    struct gr_backtest_result result;                  /* without its steps */
    struct gr_backtest_step *week[GR_BT_WEEKS];        /* the steps of the scene's weeks */
    double week_start_kwh[GR_BT_WEEKS];                /* stored at their beginning */
    const struct gr_bt_run *none, *follow, *foresight; /* of the same tariff and size */
    double share_of_foresight;                         /* NAN: foresight gains nothing */
    double seconds;                                    /* of processor time */
    int status;
    struct gr_error error;
};

struct gr_bt_runs {
    struct gr_bt_run *run;
    size_t count;
};

/* Runs tariffs x strategies x sizes on all cores, with progress where standard error is a terminal. The first
 * failure is said on standard error. */
int gr_bt_run_all(struct gr_bt_runs *out, const struct gr_bt_scene *scene);
void gr_bt_runs_free(struct gr_bt_runs *runs);

/* ---- comparing ---- */

/* Whether tables have a row for the run: it was asked for and says something that no other does. */
bool gr_bt_is_row(const struct gr_bt_scene *scene, const struct gr_bt_run *run);

/* Which runs are looked at; NULL and 0 leave it open. foresight only where it is named: nobody can have it.
 */
struct gr_bt_pick {
    const struct gr_backtest_tariff *tariff, *but_tariff;
    const struct gr_strategy *strategy;
    double battery_kwh;
};

/* NULL where there is none. */
const struct gr_bt_run *gr_bt_cheapest(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                                       struct gr_bt_pick pick);

/* The cheapest real run with a battery of the size under the tariff; NULL where there is none. */
const struct gr_bt_run *gr_bt_cheapest_battery(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                                               const struct gr_backtest_tariff *tariff, double battery_kwh);

struct gr_bt_ranking {
    const struct gr_bt_run *best, *next; /* next: the cheapest with another tariff */
};
struct gr_bt_ranking gr_bt_rank(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                                struct gr_bt_pick pick);

/* Months of the period in which no other tariff's cheapest run was cheaper than this one. */
size_t gr_bt_months_won(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                        const struct gr_bt_run *best);

/* What foresight saves against follow, the measure of share_of_foresight. */
double gr_bt_foresight_gain(const struct gr_bt_run *run);

/* The run of foresight that is furthest from being proven the least; NULL where all are proven. */
const struct gr_bt_run *gr_bt_unproven(const struct gr_bt_runs *runs);

/* The share of foresight where it tells people something: not without a battery, nor where foresight saves
 * next to nothing. NAN else. */
double gr_bt_telling_share(const struct gr_bt_run *run);

/* Money against no battery under the same tariff, and as a share of foresight's; NAN where that saves none.
 */
double gr_bt_saving(const struct gr_bt_run *run);
double gr_bt_saving_share(const struct gr_bt_run *run);

/* Money a year against no battery, wear not taken off: a price paid for the battery is its wear. */
double gr_bt_saving_per_year(const struct gr_bt_run *run);
double gr_bt_cycles_per_year(const struct gr_bt_run *run);
double gr_bt_battery_price(const struct gr_bt_scene *scene, const struct gr_bt_run *run); /* NAN: not told */
double gr_bt_payback_years(const struct gr_bt_scene *scene,
                           const struct gr_bt_run *run); /* NAN: not known, or never */
/* The real run whose battery has paid for itself first; NULL where none does or no price is known. */
const struct gr_bt_run *gr_bt_soonest_paid(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs);

/* ---- telling ---- */

/* Some 30 lines. */
void gr_bt_print_table(FILE *stream, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs);

/* The object of `--json`, to be released; NULL without memory. `json_t` is declared by <jansson.h>. */
struct json_t;
struct json_t *gr_bt_to_json(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs);

/* One line for each run and month. GR_IO. */
int gr_bt_write_csv(const char *path, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                    struct gr_error *error);

/* One HTML file with everything in it. GR_IO, GR_NO_MEMORY. */
int gr_bt_write_report(const char *path, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                       struct gr_error *error);
/* What its script draws, as JSON that may stand inside a script element; to be freed, NULL without memory. */
char *gr_bt_report_figures(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs);

/* "2026-03" of a month's first moment, "2026-03-01" of a moment's local day. */
char *gr_bt_month(char out[16], const struct gr_zone *zone, int64_t start_s);
char *gr_bt_day(char out[16], const struct gr_zone *zone, int64_t utc_s);

/* "planned, 10 kWh"; "none" has no size. */
char *gr_bt_way(char out[GR_NAME_SIZE + 16], const struct gr_bt_run *run);

/* Whole sentences. */
struct gr_bt_notes {
    char text[16][512];
    size_t count;
};
/* What every figure rests on. */
void gr_bt_assume(struct gr_bt_notes *notes, const struct gr_bt_scene *scene);
/* What they leave open. */
void gr_bt_doubt(struct gr_bt_notes *notes, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs);

#endif
