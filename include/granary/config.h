/* The configuration file (libconfig), read once into plain structs. conf/granary.conf shows and explains
 * every key. Groups: site, battery, grid, solar, mqtt, inputs, rates, weather, event_sources, planning,
 * safety, outputs, events. */
#ifndef GRANARY_CONFIG_H
#define GRANARY_CONFIG_H

#include "granary/backtest.h"
#include "granary/channel.h"
#include "granary/engine.h"
#include "granary/error.h"
#include "granary/hub.h"
#include "granary/rates.h"
#include "granary/site.h"
#include "granary/strategy.h"
#include "granary/window.h"
#include "granary/zone.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

#define GR_PATH_SIZE 512
#define GR_TOPIC_SIZE 256
#define GR_URL_SIZE 1024

struct gr_mqtt {
    char host[256];
    int port;                     /* 1883, or 8883 with TLS */
    int protocol;                 /* 5 (default, falls back to 3.1.1 when refused) or 4 (3.1.1 only) */
    char client_id[GR_NAME_SIZE]; /* made from the site's name and the machine's id where not given */
    char user[256];
    char password_file[GR_PATH_SIZE]; /* a path, or the name of a systemd credential */
    bool allow_plaintext;             /* user and password may go unencrypted to another machine */
    bool tls;
    char ca_file[GR_PATH_SIZE];          /* "": the system's authorities */
    char certificate_file[GR_PATH_SIZE]; /* client certificate */
    char key_file[GR_PATH_SIZE];
    int keep_alive_s; /* 5 to 60; 10 */
};

enum gr_unit {
    GR_UNIT_PERCENT,
    GR_UNIT_RATIO,
    GR_UNIT_KWH,
    GR_UNIT_WH,
    GR_UNIT_W,
    GR_UNIT_KW,
    GR_UNIT_BOOLEAN,
    GR_UNIT_CELSIUS,
    GR_UNIT_FAHRENHEIT
};

/* How a channel's value is found in a payload. */
struct gr_input {
    bool configured;
    char topic[GR_TOPIC_SIZE];   /* MQTT topic filter; the newest message that matches counts */
    char pointer[GR_FIELD_SIZE]; /* JSON Pointer; only used where is_json */
    bool is_json;                /* a pointer was given; else the payload is the plain value */
    enum gr_unit unit;
    double sign;            /* +1 where the topic's positive direction is ours, else -1 */
    double scale, offset;   /* value = sign * (scale * number + offset), then the unit's conversion */
    double least, greatest; /* plausible range, in our units and sign; outside is refused */
};

enum gr_source_kind { GR_SOURCE_BANDS, GR_SOURCE_HTTP, GR_SOURCE_FILE };

struct gr_source {
    enum gr_source_kind kind;
    char name[GR_NAME_SIZE]; /* for messages and the store; unique among all sources */
    struct gr_rate_bands bands;
    char url[GR_URL_SIZE];   /* {year} {month} {day} of the wanted local day, two and four digits; {next_year}
                                {next_month}   {next_day} of the day after it */
    char path[GR_PATH_SIZE]; /* the same placeholders are allowed; read again when it changes */
    char headers_file[GR_PATH_SIZE]; /* "Name: value" lines, secret */
    bool allow_plain_http;           /* http:// beyond loopback is refused without it */
    int fetch_from_minute;           /* local minute of the day from which tomorrow's table is asked for */
    struct gr_rate_mapping mapping;
    double least_per_kwh, greatest_per_kwh; /* plausible */
};

/* A forecast of the weather, read like a rate table: the mapping's price is the number that tells of the sun,
 * or of the temperature where nothing tells of the sun. */
struct gr_weather_source {
    bool configured;
    struct gr_source source; /* of kind http or file; plausible values in the units of weather.h */
    int refresh_minutes;     /* of kind http */
    bool tells_sun, tells_temperature;
    enum gr_weather_kind kind;          /* of the sun */
    struct gr_rate_mapping temperature; /* where tells_temperature */
};

/* Where windows of changed prices, payments and wishes come from (window.h). */
struct gr_event_source {
    struct gr_source source; /* of kind http or file; its rates mapping is not used */
    int poll_minutes;        /* of kind http */
    struct gr_window_mapping mapping;
};

struct gr_outputs {
    char domain[GR_NAME_SIZE];          /* first topic level: "homie" */
    char device[GR_NAME_SIZE];          /* device id: a-z, 0-9, hyphen */
    char state_directory[GR_PATH_SIZE]; /* for the store; $STATE_DIRECTORY where not given */
    int keep_days;                      /* half hours of history; 1100 */
    int keep_days_fine;                 /* five-minute means and commands; 400 */
};

/* A record of all that goes into the engine and comes out (eventlog.h), in the state folder. */
struct gr_events {
    bool record;
    int files;          /* of a ring, the oldest of which is dropped; 8 */
    int file_megabytes; /* 4 */
};

/* An appliance that somebody starts when it is cheap. */
struct gr_appliance {
    char name[GR_NAME_SIZE]; /* its property's id: a-z, 0-9, hyphen */
    double kw, hours;
    int ready_by_minute; /* local; -1: any time within a day */
};

#define GR_MOST_APPLIANCES 8

struct gr_config {
    char file[GR_PATH_SIZE];
    struct gr_engine_config engine; /* site, planning, safety; bands of the rate sources are filled in too */
    struct gr_mqtt mqtt;
    struct gr_input inputs[GR_CHANNELS];
    char currency[8]; /* ISO 4217 code, for display */
    struct gr_source import[GR_MAX_SOURCES], export[GR_MAX_SOURCES];
    size_t import_count, export_count;
    struct gr_source carbon[GR_MAX_SOURCES]; /* kg of carbon dioxide per kWh imported for prices */
    size_t carbon_count;
    struct gr_weather_source weather;
    struct gr_event_source event_sources[GR_MOST_EVENT_SOURCES];
    size_t event_source_count;
    struct gr_outputs outputs;
    struct gr_events events;
    struct gr_actuate actuate[GR_MOST_ACTUATE]; /* in the order in which they are sent */
    size_t actuate_count;
    struct gr_announce announce[GR_MOST_ANNOUNCE];
    size_t announce_count;
    struct gr_appliance appliances[GR_MOST_APPLIANCES];
    size_t appliance_count;
    char strategy_file[GR_PATH_SIZE]; /* "" where none is given; the engine's configuration has its wishes */
};

/* One thing wrong with a file. */
struct gr_complaint {
    char text[400]; /* "granary.conf:12: battery.capacity_kwh: 13500 smells of watt-hours (13.5 kWh?); allowed
                       are 0.5 to 1000" */
};

struct gr_complaints {
    struct gr_complaint *items;
    size_t count;
};

void gr_complaints_free(struct gr_complaints *complaints);
/* One line each. */
void gr_complaints_print(FILE *stream, const struct gr_complaints *complaints);

/* Reads and checks the whole file; every mistake is added to `complaints`. GR_OK only where there is none;
 * then *out is filled (no ownership: plain data, large; allocate it). Secret files named in it must exist and
 * be readable, their content is not kept here. */
int gr_config_read(struct gr_config *out, const char *file, struct gr_complaints *complaints);

/* Reads and checks a group `mqtt = { ... };` alone, from a text, for tools that have no configuration yet.
 * Paths are relative to the present folder. */
int gr_mqtt_read_text(struct gr_mqtt *out, const char *text, struct gr_complaints *complaints);

/* Writes a text in the quotes and with the escapes of the file; false where it does not fit. */
bool gr_config_quote(char *out, size_t size, const char *text);

/* Reads a strategy file; conf/strategies/ holds examples. Every mistake is a complaint, *out is then
 * untouched. */
int gr_strategy_read(struct gr_strategy *out, const char *file, struct gr_complaints *complaints);

/* Reads a tariff file with the tables it names, for a back-test of that configuration; conf/tariffs/ holds
 * examples. *out is overwritten, to be freed with gr_backtest_tariff_free; empty after complaints. */
int gr_tariff_file_read(struct gr_backtest_tariff *out, const char *file, const struct gr_config *config,
                        struct gr_zone *zone, struct gr_complaints *complaints);

/* The tariff of the configuration itself; GR_INVALID where it has sources other than bands and single files.
 */
int gr_tariff_of_config(struct gr_backtest_tariff *out, const struct gr_config *config,
                        const struct gr_zone *zone, struct gr_error *error);

/* The effective configuration in plain words, defaults included, secrets left out. */
void gr_config_print(FILE *stream, const struct gr_config *config);

/* Loads a zone of the system's zoneinfo by name ("Europe/London"); names that leave its folder are refused.
 */
int gr_zone_load(struct gr_zone **out, const char *name, struct gr_error *error);

/* The folder of the store: outputs.state_directory, else $STATE_DIRECTORY, else NULL. Not the caller's. */
const char *gr_state_folder(const struct gr_outputs *outputs);

/* Reads a secret: `name` is looked up in $CREDENTIALS_DIRECTORY first where it has no slash, else as a path.
 * The text is allocated, one newline at the end removed, at most 64 kB. Warn (in *error, returning GR_OK)
 * where others may read the file. */
int gr_secret_read(char **out, const char *name, struct gr_error *error);

/* Fills a URL's or path's placeholders for the local day that holds utc_s. GR_INVALID for an unknown
 * placeholder or a result that is too long. */
int gr_fill_date(char *out, size_t size, const char *pattern, const struct gr_zone *zone, int64_t utc_s,
                 struct gr_error *error);

#endif
