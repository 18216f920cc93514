/* Reading a group of the file by a table of its keys. The tables are the one place where a key's name, unit,
 * range and default stand: messages, `granary check --keys`, docs/configuration.md and the tests are all held
 * against them. */
#ifndef GRANARY_CONFIG_FORM_H
#define GRANARY_CONFIG_FORM_H

#include "granary/config.h"

#include <libconfig.h>
#include <stdbool.h>
#include <stddef.h>

enum gr_key_kind {
    GR_KEY_NUMBER,  /* double */
    GR_KEY_WHOLE,   /* int */
    GR_KEY_BOOLEAN, /* bool */
    GR_KEY_TEXT,    /* char[size] */
    GR_KEY_WORD,    /* int, one of `words` */
    GR_KEY_CLOCK,   /* int, minutes since local midnight, from "HH:MM" */
    GR_KEY_NUMBERS, /* double[size] */
    GR_KEY_PART     /* a group or a list that has a table of its own and is read by other code */
};

struct gr_word {
    const char *word; /* NULL ends a list */
    int value;
};

/* What a value out of range may have been meant as: factor * value + offset, if that is in range. */
struct gr_guess {
    const char *smell; /* "watts"; NULL ends a list */
    double factor, offset;
};

struct gr_key {
    const char *name; /* NULL ends a table */
    enum gr_key_kind kind;
    bool required;
    bool zero_ok;      /* 0 is allowed besides least to greatest */
    const char *about; /* purpose, for people */
    size_t offset;     /* into the form */
    size_t size;       /* bytes of a text, or how many numbers */
    const char *unit;  /* NULL: none */
    double least, greatest;
    double standard;           /* default of numbers, whole numbers and booleans; NAN: none */
    const char *standard_text; /* default of texts, words and clock times; or what a computed default is */
    const struct gr_guess *guesses;
    const struct gr_word *words;
    const int *choices; /* the whole numbers allowed, ended by 0 */
};

/* A group as it stands in the file, for the reference and for saying where a misplaced key belongs. */
struct gr_group {
    const char *path; /* "battery", "rates.import[].bands[]" */
    const char *about;
    const struct gr_key *keys;
};

/* Every group of the file; ended by a NULL path. */
extern const struct gr_group gr_groups[];

extern const struct gr_key gr_root_keys[], gr_site_keys[], gr_battery_keys[], gr_grid_keys[], gr_solar_keys[],
    gr_mqtt_keys[], gr_inputs_keys[], gr_input_keys[], gr_rates_keys[], gr_bands_source_keys[],
    gr_http_source_keys[], gr_file_source_keys[], gr_table_keys[], gr_price_keys[], gr_weather_http_keys[],
    gr_weather_file_keys[], gr_weather_keys[], gr_band_keys[], gr_planning_keys[], gr_safety_keys[],
    gr_outputs_keys[], gr_actuate_keys[], gr_announce_keys[], gr_appliance_keys[], gr_events_keys[],
    gr_taper_keys[], gr_loss_keys[], gr_wear_keys[], gr_event_source_keys[], gr_event_http_keys[],
    gr_event_file_keys[], gr_carbon_source_keys[], gr_carbon_keys[], gr_price_band_keys[],
    gr_carbon_band_keys[], gr_temperature_keys[];

extern const struct gr_guess gr_guess_kilo[], gr_guess_percent[], gr_guess_money[];

/* One run over one file. */
struct gr_reader {
    struct gr_complaints *complaints;
    const char *file;
    char folder[GR_PATH_SIZE]; /* of the file, "." for the present one */
    bool out_of_memory;
    struct gr_zone *zone; /* of the site; NULL while it is not known */
};

/* ---- complaints ---- */

#define GR_SETTING_PATH_SIZE 160

/* Adds "file:line: path: ..." for a setting; `member` is the name of a key inside it, or NULL for the setting
 * itself. */
void gr_complain(struct gr_reader *reader, const config_setting_t *setting, const char *member,
                 const char *format, ...) __attribute__((format(printf, 4, 5)));

/* Adds "file:line: ..." (no line where it is 0). */
void gr_complain_at(struct gr_reader *reader, const char *file, unsigned line, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* "rates.import[0].name"; the root's own path is "". */
void gr_setting_path(const config_setting_t *setting, char out[GR_SETTING_PATH_SIZE]);

/* Puts a text in quotes, cut to fit, with control characters and non-ASCII bytes that are not UTF-8 escaped.
 */
char *gr_quote(char *out, size_t size, const char *text);

/* ---- forms ---- */

/* Fills `form` with defaults and then with what the group says; every mistake is a complaint. `tables` ends
 * with NULL; a key that two tables have is taken from the first. */
void gr_form_read(struct gr_reader *reader, const config_setting_t *group, const struct gr_key *const *tables,
                  void *form);

/* The defaults alone. */
void gr_form_defaults(const struct gr_key *keys, void *form);

/* Reads one value into `field`; false, with a complaint, where it is wrong. */
bool gr_value_read(struct gr_reader *reader, const config_setting_t *setting, const struct gr_key *key,
                   void *field);

/* Whether a group has a key of that name. */
bool gr_given(const config_setting_t *group, const char *name);

/* The named member where it is a group (or list); a complaint where it is missing though required, or
 * something else. */
const config_setting_t *gr_group_member(struct gr_reader *reader, const config_setting_t *parent,
                                        const char *name, bool required);
const config_setting_t *gr_list_member(struct gr_reader *reader, const config_setting_t *parent,
                                       const char *name, bool required);

/* "0, or 1 to 500 W", "one of ..."; what a key allows. */
void gr_key_allowed(const struct gr_key *key, char *out, size_t size);

/* The default in the notation of the file, "" where there is none. */
void gr_key_standard(const struct gr_key *key, char *out, size_t size);

/* A row of the reference: "| `capacity_kwh` | purpose | allowed | default |". */
void gr_key_row(const struct gr_key *key, char *out, size_t size);

/* The key nearest to a misspelt name, or NULL where none is near; `tables` as for gr_form_read. */
const char *gr_nearest_key(const struct gr_key *const *tables, const char *name);
const char *gr_nearest_word(const struct gr_word *words, const char *name);

/* ---- texts inside values ---- */

/* "HH:MM", 00:00 to 24:00; -1 where it is none. */
int gr_clock_time_parse(const char *text);
/* "all", "Mon-Fri", "Sat,Sun", "Fri-Mon"; bit 0 Monday. 0 where it is none. */
unsigned gr_weekdays_parse(const char *text);
/* "11-01..03-31" into month, day, month, day; false where it is none. */
bool gr_season_parse(const char *text, int out[4]);

/* ---- the file's text, looked at beside the library ---- */

/* Whole numbers that the library would wrap, and texts that it would cut. */
void gr_scan_text(struct gr_reader *reader, const char *file);
/* Says what the line of a syntax error holds, and what may be wrong with it. */
void gr_explain_syntax(struct gr_reader *reader, const char *file, int line, const char *why);

/* ---- groups ---- */

void gr_site_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out);
void gr_mqtt_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out);
void gr_inputs_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out);
void gr_rates_group_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out);
void gr_weather_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out);
void gr_event_sources_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out);
void gr_hub_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out);
void gr_planning_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out);

/* The lists of points of group battery, whose numbers are read. */
void gr_curves_read(struct gr_reader *reader, const config_setting_t *battery, struct gr_site *site);
/* Whether losses by power stand in place of the efficiencies. */
bool gr_curves_have_losses(const config_setting_t *battery);

/* Hands each group of a list that may be left out to `read`; complains of more than `most`. */
void gr_entries_read(struct gr_reader *reader, const config_setting_t *root, const char *name, int most,
                     void (*read)(struct gr_reader *reader, const config_setting_t *group,
                                  struct gr_config *out),
                     struct gr_config *out);

/* The bands of one source, of prices or of carbon; `source` is its group. */
void gr_bands_read(struct gr_reader *reader, const config_setting_t *source, struct gr_source *out,
                   bool is_carbon);

/* A rate source as its keys fill it; the mapping keys are those of http and file sources. */
struct gr_source_form {
    struct gr_source source;
    int kind, format, unit;
    char separator[8];
    const char *value_key; /* of the number itself; NULL: "price" */
};
/* The kind of a source decides which keys are allowed, so it is read before the form. False where it cannot
 * be told. */
bool gr_kind_read(struct gr_reader *reader, const config_setting_t *group, const struct gr_key *key,
                  const char *allowed, int *kind);
/* Complains of an address or a path that could not be used, or of a secret file that cannot be read. */
void gr_source_check_place(struct gr_reader *reader, const config_setting_t *group, struct gr_source *source);
/* Complains of a name with other than plain characters. */
void gr_source_check_name(struct gr_reader *reader, const config_setting_t *group, const char *name);
/* Checks that a JSON Pointer or column is one; the form says which is wanted. */
void gr_mapping_check_value(struct gr_reader *reader, const config_setting_t *group,
                            const struct gr_source_form *form, const char *key, const char *value);
/* Checks the mapping keys and completes source.mapping. */
void gr_mapping_finish(struct gr_reader *reader, const config_setting_t *group, struct gr_source_form *form);

/* Turns a relative path into one relative to the configuration's folder. A bare name that is a systemd
 * credential stays. */
void gr_resolve_path(struct gr_reader *reader, const config_setting_t *group, const char *key,
                     char path[GR_PATH_SIZE], bool may_be_credential);
/* Complains where the file a key names cannot be read. */
void gr_need_file(struct gr_reader *reader, const config_setting_t *group, const char *key, const char *path);
void gr_need_secret(struct gr_reader *reader, const config_setting_t *group, const char *key,
                    const char *name);

/* ---- files beside the configuration ---- */

typedef void (*gr_root_reader)(struct gr_reader *reader, const config_setting_t *root, void *out);

/* Parses reader->file and hands its root to `read`. GR_INVALID where that left complaints. */
int gr_part_file_read(struct gr_reader *reader, gr_root_reader read, void *out);

extern const struct gr_key gr_strategy_keys[], gr_tariff_keys[], gr_peak_keys[], gr_peak_step_keys[];

/* Paragraphs of gr_config_print. */
void gr_print_site(FILE *stream, const struct gr_config *config);
void gr_print_rates(FILE *stream, const struct gr_config *config);
void gr_print_weather(FILE *stream, const struct gr_weather_source *weather);
void gr_print_event_sources(FILE *stream, const struct gr_config *config);
/* An address without what may be secret in it, and when a table's slots end. */
void gr_print_url(FILE *stream, const char *url);
void gr_print_slots(FILE *stream, const struct gr_rate_mapping *mapping);

/* Reads the group `peak` of a group, if it is there. */
struct gr_peak_charge;
void gr_peak_group_read(struct gr_reader *reader, const config_setting_t *parent, struct gr_peak_charge *out);

#endif
