/* The strategy file. */
#include "config/form.h"

#include "granary/strategy.h"

#include <math.h>
#include <string.h>

struct strategy_form {
    struct gr_strategy strategy;
    int kind;
    int export_from, export_to;
    bool may_export;
};
#define FORM(member) offsetof(struct strategy_form, member)
#define WISH(member) offsetof(struct strategy_form, strategy.member)

static const struct gr_word kinds[] = {{"none", GR_STRATEGY_NONE},
                                       {"follow", GR_STRATEGY_FOLLOW},
                                       {"night-fill", GR_STRATEGY_NIGHT_FILL},
                                       {"planned", GR_STRATEGY_PLANNED},
                                       {"foresight", GR_STRATEGY_FORESIGHT},
                                       {NULL, 0}};
static const struct gr_guess ratio[] = {{"a ratio", 100, 0}, {NULL, 0, 0}};

const struct gr_key gr_strategy_keys[] = {
    {.name = "name",
     .kind = GR_KEY_TEXT,
     .offset = WISH(name),
     .size = GR_NAME_SIZE,
     .required = true,
     .about = "what the strategy is called in tables"},
    {.name = "kind",
     .kind = GR_KEY_WORD,
     .offset = FORM(kind),
     .words = kinds,
     .standard_text = "planned",
     .about = "how the battery is run; the daemon runs \"planned\" only"},
    {.name = "fill_percent",
     .kind = GR_KEY_NUMBER,
     .offset = WISH(fill_percent),
     .unit = "%",
     .least = 1,
     .greatest = 100,
     .standard = 100,
     .guesses = ratio,
     .about = "night-fill: level to which the cheapest hours fill"},
    {.name = "may_export",
     .kind = GR_KEY_BOOLEAN,
     .offset = FORM(may_export),
     .standard_text = "planning.may_export",
     .about = "whether the battery may feed the grid by command"},
    {.name = "least_gain_per_exported_kwh",
     .kind = GR_KEY_NUMBER,
     .offset = WISH(least_gain_per_exported_kwh),
     .unit = "money/kWh",
     .least = 0,
     .greatest = 10000,
     .standard = NAN,
     .standard_text = "0",
     .about = "what a kWh fed in by command must promise over the next best use of it"},
    {.name = "export_from",
     .kind = GR_KEY_CLOCK,
     .offset = FORM(export_from),
     .greatest = 1439,
     .standard_text = "00:00",
     .about = "local time from which the battery may feed the grid"},
    {.name = "export_to",
     .kind = GR_KEY_CLOCK,
     .offset = FORM(export_to),
     .greatest = 1440,
     .standard_text = "24:00",
     .about = "and up to which; a time before export_from is on the next day"},
    {.name = "reserve_percent",
     .kind = GR_KEY_NUMBER,
     .offset = WISH(reserve_percent),
     .unit = "%",
     .zero_ok = true,
     .least = 1,
     .greatest = 99,
     .standard = NAN,
     .standard_text = "battery.reserve_percent",
     .guesses = ratio,
     .about = "kept for an outage; at least the battery's own reserve"},
    {.name = "floor_percent",
     .kind = GR_KEY_NUMBER,
     .offset = WISH(floor_percent),
     .unit = "%",
     .zero_ok = true,
     .least = 1,
     .greatest = 99,
     .standard = NAN,
     .standard_text = "planning.floor_percent",
     .guesses = ratio,
     .about = "lowest state of charge that a plan may use"},
    {.name = "wear_per_kwh",
     .kind = GR_KEY_NUMBER,
     .offset = WISH(wear_per_kwh),
     .unit = "money/kWh",
     .least = 0,
     .greatest = 10000,
     .standard = NAN,
     .standard_text = "battery.wear_per_kwh",
     .about = "what a discharged kWh costs the battery in the planner's eyes: more makes it shy"},
    {.name = "cycles_per_day",
     .kind = GR_KEY_NUMBER,
     .offset = WISH(cycles_per_day),
     .least = 0.05,
     .greatest = 20,
     .standard = NAN,
     .standard_text = "no bound",
     .about = "capacities that a plan may take from the battery in a day"},
    {.name = "least_gain",
     .kind = GR_KEY_NUMBER,
     .offset = WISH(least_gain),
     .unit = "money",
     .least = 0,
     .greatest = 10000,
     .standard = NAN,
     .standard_text = "safety.least_gain",
     .about = "what a change of command must save, with what was left undone since the last one"},
    {.name = NULL}};

static void read_root(struct gr_reader *reader, const config_setting_t *root, void *out)
{
    struct strategy_form form;
    memset(&form, 0, sizeof form);
    gr_form_read(reader, root, (const struct gr_key *const[]){gr_strategy_keys, NULL}, &form);
    form.strategy.kind = (enum gr_strategy_kind)form.kind;
    form.strategy.may_export = gr_given(root, "may_export") ? form.may_export : -1;
    if (form.export_from == form.export_to) {
        gr_complain(
            reader, root, "export_to",
            "found the same time as export_from; the whole day is \"00:00\" to \"24:00\", and may_export "
            "= false forbids it");
    }
    bool whole_day = form.export_from == 0 && form.export_to == 1440;
    form.strategy.export_from_minute = whole_day ? 0 : form.export_from;
    form.strategy.export_to_minute = whole_day ? 0 : form.export_to;
    *(struct gr_strategy *)out = form.strategy;
}

int gr_strategy_read(struct gr_strategy *out, const char *file, struct gr_complaints *complaints)
{
    struct gr_reader reader = {.complaints = complaints, .file = file};
    struct gr_strategy strategy;
    int rc = gr_part_file_read(&reader, read_root, &strategy);
    if (rc == GR_OK) {
        *out = strategy;
    }
    return rc;
}
