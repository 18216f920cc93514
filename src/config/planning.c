/* Groups planning, safety, outputs and events. */
#include "config/form.h"

#include "granary/bridge.h"
#include "granary/history.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct planning_form {
    struct gr_planning planning;
    int path_days;
    char holidays[GR_MOST_HOLIDAYS * 12];
    char strategy_file[GR_PATH_SIZE];
};
#define PLANNING(member) offsetof(struct planning_form, member)

static const int slot_lengths[] = {5, 10, 15, 30, 60, 0};
static const struct gr_guess seconds_to_minutes[] = {{"seconds", 1.0 / 60, 0}, {NULL, 0, 0}};
static const struct gr_guess days_to_hours[] = {{"days", 24, 0}, {NULL, 0, 0}};
static const struct gr_guess ratio[] = {{"a ratio", 100, 0}, {NULL, 0, 0}};

const struct gr_key gr_planning_keys[] = {
    {.name = "slot_minutes",
     .kind = GR_KEY_WHOLE,
     .offset = PLANNING(planning.slot_minutes),
     .unit = "minutes",
     .standard = 30,
     .choices = slot_lengths,
     .guesses = seconds_to_minutes,
     .about = "length of a slot of the plan; as long as the rates' slots, or shorter"},
    {.name = "horizon_hours",
     .kind = GR_KEY_WHOLE,
     .offset = PLANNING(planning.horizon_hours),
     .unit = "hours",
     .least = 12,
     .greatest = 96,
     .standard = 48,
     .guesses = days_to_hours,
     .about = "how far ahead is planned"},
    {.name = "path_days",
     .kind = GR_KEY_WHOLE,
     .offset = PLANNING(path_days),
     .unit = "days",
     .least = 1,
     .greatest = GR_HISTORY_DAYS,
     .standard = 14,
     .about = "how many past days serve as possible courses of the days to come"},
    {.name = "house_profile_kw",
     .kind = GR_KEY_NUMBERS,
     .offset = PLANNING(planning.expectation.house_kw),
     .size = 24,
     .unit = "kW",
     .zero_ok = true,
     .least = 0.005,
     .greatest = 50,
     .standard = 0.4,
     .guesses = gr_guess_kilo,
     .standard_text = "24 times 0.4",
     .about = "typical mean power of the house by local hour, beginning at midnight, without the car; counts "
              "until the history "
              "is long enough"},
    {.name = "usual_clearness",
     .kind = GR_KEY_NUMBER,
     .offset = PLANNING(planning.expectation.usual_clearness),
     .least = 0.05,
     .greatest = 1,
     .standard = 0.6,
     .guesses = gr_guess_percent,
     .about = "share of a clear day's solar energy that an ordinary day brings; counts until the history is "
              "long enough"},
    {.name = "holidays",
     .kind = GR_KEY_TEXT,
     .offset = PLANNING(holidays),
     .size = sizeof((struct planning_form *)0)->holidays,
     .about = "days on which the house lives as on a weekend: dates like \"2026-04-06\", or \"12-25\" for "
              "every year, with "
              "commas between them"},
    {.name = "may_export",
     .kind = GR_KEY_BOOLEAN,
     .offset = PLANNING(planning.may_export),
     .standard = 1,
     .standard_text = "true; false where export_limit_kw is 0",
     .about = "whether the battery may feed the grid by command; your contract and your installation must "
              "allow it"},
    {.name = "floor_percent",
     .kind = GR_KEY_NUMBER,
     .offset = PLANNING(planning.floor_percent),
     .unit = "%",
     .zero_ok = true,
     .least = 1,
     .greatest = 99,
     .standard = NAN,
     .standard_text = "reserve_percent",
     .guesses = ratio,
     .about = "lowest state of charge that a plan may use; at least the reserve"},
    {.name = "full_every_days",
     .kind = GR_KEY_WHOLE,
     .offset = PLANNING(planning.full_every_days),
     .unit = "days",
     .zero_ok = true,
     .least = 1,
     .greatest = 90,
     .standard = 0,
     .about =
         "the battery is charged full once in so many days, when that costs least, so that its cells are "
         "balanced; 0: not asked for"},
    {.name = "full_percent",
     .kind = GR_KEY_NUMBER,
     .offset = PLANNING(planning.full_percent),
     .unit = "%",
     .least = 80,
     .greatest = 100,
     .standard = 99,
     .guesses = ratio,
     .about = "state of charge that counts as full"},
    {.name = "carbon_price_per_kg",
     .kind = GR_KEY_NUMBER,
     .offset = PLANNING(planning.carbon_price_per_kg),
     .unit = "money/kg",
     .zero_ok = true,
     .least = 0.0001,
     .greatest = 1000,
     .standard = 0,
     .about =
         "what a kg of carbon dioxide counts when commands are chosen, on top of the import price; no bill "
         "has it. Needs rates.carbon"},
    {.name = "carbon_credits_export",
     .kind = GR_KEY_BOOLEAN,
     .offset = PLANNING(planning.carbon_credits_export),
     .standard = 0,
     .about = "true: a kWh fed in counts what one imported would have emitted, on top of the export price"},
    {.name = "end_value_factor",
     .kind = GR_KEY_NUMBER,
     .offset = PLANNING(planning.end_value_factor),
     .zero_ok = true,
     .least = 0.05,
     .greatest = 1.5,
     .standard = 0.8,
     .guesses = gr_guess_percent,
     .about =
         "what is left three days after the horizon (at its end where it is shorter than a day) is worth "
         "this times the discharge efficiency times the horizon's median import price"},
    {.name = "strategy_file",
     .kind = GR_KEY_TEXT,
     .offset = PLANNING(strategy_file),
     .size = GR_PATH_SIZE,
     .about = "a strategy as `granary backtest` tries it (docs/backtest.md); what it says goes before the "
              "same key "
              "of the configuration"},
    {.name = NULL}};

#define SAFETY(member) offsetof(struct gr_safety, member)

static const struct gr_guess time_in_s[] = {{"minutes", 60, 0}, {"milliseconds", 0.001, 0}, {NULL, 0, 0}};

const struct gr_key gr_safety_keys[] = {
    {.name = "commanding",
     .kind = GR_KEY_BOOLEAN,
     .offset = SAFETY(commanding),
     .standard = 0,
     .about = "false: Granary only observes, and publishes what it would command; true: it commands"},
    {.name = "validity_s",
     .kind = GR_KEY_WHOLE,
     .offset = SAFETY(validity_s),
     .unit = "s",
     .least = 60,
     .greatest = 3600,
     .standard = 300,
     .guesses = time_in_s,
     .about = "a command expires after this time; it is renewed at half of it"},
    {.name = "dwell_s",
     .kind = GR_KEY_WHOLE,
     .offset = SAFETY(dwell_s),
     .unit = "s",
     .zero_ok = true,
     .least = 10,
     .greatest = 7200,
     .standard = 600,
     .guesses = time_in_s,
     .about = "a command is kept at least this long, unless safety asks otherwise"},
    {.name = "least_gain",
     .kind = GR_KEY_NUMBER,
     .offset = SAFETY(least_gain),
     .unit = "money",
     .least = 0,
     .greatest = 10000,
     .standard = 0.002,
     .about =
         "what a change of command must save, with what was left undone since the last one: what you count "
         "for a change"},
    {.name = "changes_per_day",
     .kind = GR_KEY_WHOLE,
     .offset = SAFETY(changes_per_day),
     .least = 4,
     .greatest = 480,
     .standard = 48,
     .about =
         "changes of command in any 24 hours; inverters keep their settings in flash memory, which wears"},
    {.name = "recovery_s",
     .kind = GR_KEY_WHOLE,
     .offset = SAFETY(recovery_s),
     .unit = "s",
     .zero_ok = true,
     .least = 10,
     .greatest = 3600,
     .standard = 120,
     .guesses = time_in_s,
     .about = "after a fault all must be well for this long before commands resume"},
    {.name = "answer_s",
     .kind = GR_KEY_WHOLE,
     .offset = SAFETY(answer_s),
     .unit = "s",
     .zero_ok = true,
     .least = 20,
     .greatest = 1800,
     .standard = 120,
     .guesses = time_in_s,
     .about =
         "the battery's power must answer a command within this time; else the command is repeated once, "
         "and then given up for a while; 0: not watched"},
    {.name = "trust_clock",
     .kind = GR_KEY_BOOLEAN,
     .offset = SAFETY(trust_clock),
     .standard = 0,
     .about = "true: command although the system does not say that its clock is synchronised, for a machine "
              "whose clock is kept right by other means"},
    {.name = NULL}};

#define OUTPUTS(member) offsetof(struct gr_outputs, member)

const struct gr_key gr_outputs_keys[] = {
    {.name = "domain",
     .kind = GR_KEY_TEXT,
     .offset = OUTPUTS(domain),
     .size = GR_NAME_SIZE,
     .standard_text = "\"homie\"",
     .about = "first level of the topics that are published"},
    {.name = "device",
     .kind = GR_KEY_TEXT,
     .offset = OUTPUTS(device),
     .size = GR_NAME_SIZE,
     .standard_text = "\"granary\"",
     .about = "device id on the topics: a to z, 0 to 9 and hyphen"},
    {.name = "state_directory",
     .kind = GR_KEY_TEXT,
     .offset = OUTPUTS(state_directory),
     .size = GR_PATH_SIZE,
     .standard_text = "$STATE_DIRECTORY, which systemd sets",
     .about = "folder for the database of history, rates and ledger"},
    {.name = "keep_days",
     .kind = GR_KEY_WHOLE,
     .offset = OUTPUTS(keep_days),
     .unit = "days",
     .least = 40,
     .greatest = 7300,
     .standard = 1100,
     .about = "half hours of load, sun, battery and grid are kept this long"},
    {.name = "keep_days_fine",
     .kind = GR_KEY_WHOLE,
     .offset = OUTPUTS(keep_days_fine),
     .least = 1,
     .greatest = 3650,
     .standard = 400,
     .about = "their means over 5 minutes, and the commands, are kept this many days"},
    {.name = NULL}};

#define EVENTS(member) offsetof(struct gr_events, member)

const struct gr_key gr_events_keys[] = {
    {.name = "record",
     .kind = GR_KEY_BOOLEAN,
     .offset = EVENTS(record),
     .standard = 0,
     .about = "true: write down what goes into each decision and what comes out, for `granary replay` "
              "(docs/replay.md)"},
    {.name = "files",
     .kind = GR_KEY_WHOLE,
     .offset = EVENTS(files),
     .least = 2,
     .greatest = 100,
     .standard = 8,
     .about = "how many files of this record are kept; the oldest is dropped for a new one"},
    {.name = "file_megabytes",
     .kind = GR_KEY_WHOLE,
     .offset = EVENTS(file_megabytes),
     .unit = "MB",
     .least = 1,
     .greatest = 100,
     .standard = 4,
     .about = "size at which a new file is begun; a day fills some 5 MB"},
    {.name = NULL}};

static void check_floor(struct gr_reader *reader, const config_setting_t *place, bool given,
                        struct gr_config *out)
{
    struct gr_planning *planning = &out->engine.planning;
    double reserve = out->engine.site.reserve_percent;
    if (isnan(planning->floor_percent)) {
        planning->floor_percent = reserve;
    } else if (given && planning->floor_percent < reserve) {
        gr_complain(reader, place, "floor_percent",
                    "found %.6g %%, below battery.reserve_percent; allowed: %.6g to 99 %%",
                    planning->floor_percent, reserve);
    }
}

static void check_export(struct gr_reader *reader, const config_setting_t *group, struct gr_config *out)
{
    bool nothing_may = out->engine.site.grid.export_limit_kw == 0;
    if (nothing_may && gr_given(group, "may_export") && out->engine.planning.may_export) {
        gr_complain(reader, group, "may_export",
                    "found true where grid.export_limit_kw is 0; allowed: false");
    }
    out->engine.planning.may_export = out->engine.planning.may_export && !nothing_may;
}

static void read_planning(struct gr_reader *reader, const config_setting_t *group, struct gr_config *out)
{
    struct planning_form form;
    memset(&form, 0, sizeof form);
    gr_form_read(reader, group, (const struct gr_key *const[]){gr_planning_keys, NULL}, &form);
    out->engine.planning = form.planning;
    out->engine.planning.expectation.path_days = (size_t)form.path_days;
    struct gr_error error = {""};
    if (gr_holidays_parse(&out->engine.planning.expectation.holidays, form.holidays, &error) != GR_OK) {
        gr_complain(reader, group, "holidays", "%s", error.text);
    }
    memcpy(out->strategy_file, form.strategy_file, sizeof out->strategy_file);
    gr_resolve_path(reader, group, "strategy_file", out->strategy_file, false);
    check_floor(reader, group, gr_given(group, "floor_percent"), out);
    check_export(reader, group, out);
}

static void read_safety(struct gr_reader *reader, const config_setting_t *group, struct gr_config *out)
{
    gr_form_read(reader, group, (const struct gr_key *const[]){gr_safety_keys, NULL}, &out->engine.safety);
}

static void read_events(struct gr_reader *reader, const config_setting_t *group, struct gr_config *out)
{
    gr_form_read(reader, group, (const struct gr_key *const[]){gr_events_keys, NULL}, &out->events);
}

static void read_outputs(struct gr_reader *reader, const config_setting_t *group, struct gr_config *out)
{
    struct gr_outputs *outputs = &out->outputs;
    (void)snprintf(outputs->domain, sizeof outputs->domain, "homie");
    (void)snprintf(outputs->device, sizeof outputs->device, "granary");
    gr_form_read(reader, group, (const struct gr_key *const[]){gr_outputs_keys, NULL}, outputs);
    size_t length = strlen(outputs->device);
    if (length == 0 || strspn(outputs->device, "abcdefghijklmnopqrstuvwxyz0123456789-") != length ||
        outputs->device[0] == '-' || outputs->device[length - 1] == '-') {
        gr_complain(reader, group, "device",
                    "found \"%s\"; allowed: a to z, 0 to 9, and hyphens between them", outputs->device);
    }
    struct gr_error error = {""};
    if (gr_topic_check(outputs->domain, false, &error) != GR_OK) {
        gr_complain(reader, group, "domain", "%s", error.text);
    } else if (strchr(outputs->domain, '/') || outputs->domain[0] == '$') {
        gr_complain(reader, group, "domain",
                    "found \"%s\"; allowed: one topic level, without / and not beginning with $",
                    outputs->domain);
    }
    gr_resolve_path(reader, group, "state_directory", outputs->state_directory, false);
}

/* A strategy has wishes for several groups, so it comes when all are read. */
static void read_strategy(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out)
{
    struct gr_strategy strategy;
    struct gr_error error = {""};
    if (!out->strategy_file[0] ||
        gr_strategy_read(&strategy, out->strategy_file, reader->complaints) != GR_OK) {
        return;
    }
    const config_setting_t *group = config_setting_get_member(root, "planning");
    if (strategy.kind != GR_STRATEGY_PLANNED) {
        gr_complain(reader, group, "strategy_file", "found a strategy of kind \"%s\"; allowed: \"planned\"",
                    gr_strategy_kind_name(strategy.kind));
    } else if (gr_strategy_apply(&out->engine, &strategy, &error) != GR_OK) {
        gr_complain(reader, group, "strategy_file", "%s", error.text);
    }
}

void gr_planning_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out)
{
    static const struct {
        const char *name;
        void (*read)(struct gr_reader *reader, const config_setting_t *group, struct gr_config *out);
    } groups[] = {{"planning", read_planning},
                  {"safety", read_safety},
                  {"outputs", read_outputs},
                  {"events", read_events}};
    config_t nothing;
    config_init(&nothing);
    for (size_t i = 0; i < sizeof groups / sizeof *groups; i++) {
        const config_setting_t *group = gr_group_member(reader, root, groups[i].name, false);
        groups[i].read(reader, group ? group : config_root_setting(&nothing), out);
    }
    config_destroy(&nothing);
    read_strategy(reader, root, out);
}
