/* The parts of `granary simulate`: the scene, its prices, the readings that the daemon's configuration asks
 * for, the hub that obeys commands, and what people see of it. */
#ifndef GRANARY_TOOL_SIMULATE_H
#define GRANARY_TOOL_SIMULATE_H

#include "granary/config.h"
#include "granary/house.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#define GR_SIM_HALF_HOURS 48

struct gr_sim_options {
    const char *config_file, *scene_file, *start, *clock_topic;
    const char *rates_directory; /* NULL: prices are not published */
    double days, speed;          /* speed 0: as fast as the daemon answers */
    int step_s;
    bool json, help;
    bool alone; /* no daemon is waited for */
};

struct gr_sim_scene {
    struct gr_house_scene house; /* its site is the configuration's, with the battery that is really there */
    double import_price[GR_SIM_HALF_HOURS], export_price[GR_SIM_HALF_HOURS]; /* per kWh, by local half hour */
    double price_swing; /* relative standard spread of a day's prices, both directions together */
    int publish_minute; /* local minute at which the next day's prices are published */
    char start[32];     /* local time at which a run begins, "" where the file says nothing */
};

/* Reads a scene file on top of the daemon's configuration; every mistake is added to `complaints` as
 * "file:line: key: ...". */
int gr_sim_scene_read(struct gr_sim_scene *out, const char *file, const struct gr_config *config,
                      struct gr_complaints *complaints);

/* ---- prices ---- */

/* Price of the half hour that holds the moment, rounded to four decimals as it is published. */
double gr_sim_price(const struct gr_sim_scene *scene, enum gr_direction direction, const struct gr_zone *zone,
                    int64_t utc_s);

/* Publishes the prices of the local day that holds utc_s as DIR/import-YYYY-MM-DD.json and
 * DIR/export-YYYY-MM-DD.json, each whole or not at all. GR_IO. */
int gr_sim_publish_rates(const struct gr_sim_scene *scene, const struct gr_zone *zone, const char *currency,
                         const char *directory, int64_t utc_s, int64_t published_s, struct gr_error *error);

/* ---- readings: the input mapping the other way round ---- */

struct gr_sim_topic {
    const char *topic;
    enum gr_channel channel[GR_CHANNELS];
    size_t channels;
};

struct gr_sim_readings {
    const struct gr_input *inputs; /* of the configuration, which must outlive this */
    double capacity_kwh;           /* the configured one, for a state of charge given as energy */
    struct gr_sim_topic topic[GR_CHANNELS];
    size_t topics;
};

/* GR_INVALID, naming the input, for a topic with a wildcard or for inputs that cannot stand in one payload.
 */
int gr_sim_readings_init(struct gr_sim_readings *out, const struct gr_config *config, struct gr_error *error);

/* The payload of a topic for the channels' values, to be freed; NULL without memory. */
char *gr_sim_readings_payload(const struct gr_sim_readings *readings, size_t topic,
                              const double value[GR_CHANNELS]);

/* ---- hub ---- */

struct gr_sim_hub {
    struct gr_inverter inverter;
    char reason[GR_REASON_SIZE];
};

void gr_sim_hub_init(struct gr_sim_hub *hub);

/* Takes a command document. GR_INVALID with the reason for one that a hub must not obey: the house then
 * follows. */
int gr_sim_hub_take(struct gr_sim_hub *hub, const void *payload, size_t length, struct gr_error *error);

/* What is in force, follow after a command's end. */
enum gr_command_kind gr_sim_hub_kind(const struct gr_sim_hub *hub, int64_t utc_s);

/* ---- the run's account ---- */

enum gr_sim_house { GR_SIM_GRANARY, GR_SIM_FOLLOWING, GR_SIM_BARE, GR_SIM_HOUSES };

/* Sums of one half hour, for its line. */
struct gr_sim_half_hour {
    int64_t start_s;
    double seconds;
    struct gr_house_flow sum; /* kW x seconds; stored_kwh is the last one */
    double seconds_of[GR_COMMAND_KINDS];
    double power_kw[GR_COMMAND_KINDS];
    char reason[GR_COMMAND_KINDS][GR_REASON_SIZE];
};

struct gr_sim_account {
    struct gr_bill bill[GR_SIM_HOUSES];
    double stored_kwh[GR_SIM_HOUSES];
    double start_kwh;
    double left_price; /* of the run so far: mean import price x discharge efficiency, per stored kWh */
    double import_price_sum;
    int64_t from_s, to_s;
    uint64_t steps, answered, changes;
};

/* Money that the energy left at the end, more than at the start, is worth. */
double gr_sim_left_value(const struct gr_sim_account *account, enum gr_sim_house house);
double gr_sim_total(const struct gr_sim_account *account, enum gr_sim_house house);

/* What the output is about: the width of its lines and whether the scene has a car. */
struct gr_sim_view {
    FILE *stream;
    const struct gr_config *config;
    const struct gr_zone *zone;
    const struct gr_sim_scene *scene;
    int width;
    int64_t day_shown; /* local day of the last line; -1: none yet */
    int kind_shown;    /* its command; -1 likewise */
};

void gr_sim_print_header(struct gr_sim_view *view, const struct gr_sim_options *options, int64_t from_s);
void gr_sim_print_half_hour(struct gr_sim_view *view, const struct gr_sim_half_hour *half_hour);
void gr_sim_print_bills(struct gr_sim_view *view, const struct gr_sim_account *account);
int gr_sim_print_json(struct gr_sim_view *view, const struct gr_sim_account *account);

/* ---- the run ---- */

/* Runs the house from start_s and prints what comes of it. GR_INVALID for a configuration that cannot be
 * simulated, GR_IO where the broker or the folder for the prices refuses; both are said on standard error.
 * SIGINT and SIGTERM end the run early, with its bill. */
int gr_sim_run(const struct gr_sim_options *options, const struct gr_config *config,
               const struct gr_zone *zone, const struct gr_sim_scene *scene, int64_t start_s);

#endif
