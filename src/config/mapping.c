/* How the tables of http and file sources are read, of prices and of weather. */
#include "config/form.h"

#include <string.h>

enum price_unit { PER_KWH, PER_MWH, MINOR_PER_KWH };

static const double scales[] = {[PER_KWH] = 1, [PER_MWH] = 0.001, [MINOR_PER_KWH] = 0.01};

static const struct gr_word formats[] = {{"json", GR_RATES_JSON}, {"csv", GR_RATES_CSV}, {NULL, 0}};
static const struct gr_word units[] = {
    {"per_kwh", PER_KWH}, {"per_mwh", PER_MWH}, {"minor_per_kwh", MINOR_PER_KWH}, {NULL, 0}};
static const struct gr_guess tax_rate[] = {{"a tax rate", 1, 1}, {"percent", 0.01, 1}, {NULL, 0, 0}};
static const struct gr_guess seconds[] = {{"seconds", 1.0 / 60, 0}, {NULL, 0, 0}};

#define SOURCE(member) offsetof(struct gr_source_form, member)
#define MAPPING(member) offsetof(struct gr_source_form, source.mapping.member)

const struct gr_key gr_table_keys[] = {
    {.name = "format",
     .kind = GR_KEY_WORD,
     .offset = SOURCE(format),
     .words = formats,
     .required = true,
     .about = "what the table is written in. JSON: the keys below are JSON Pointers (RFC 6901); CSV (RFC "
              "4180): names of columns, "
              "or \"#1\", \"#2\" by position where there is no header line"},
    {.name = "list",
     .kind = GR_KEY_TEXT,
     .offset = MAPPING(list),
     .size = GR_FIELD_SIZE,
     .standard_text = "\"\", the document itself",
     .about = "JSON: where the array of slots is; a `*` in it stands for every element on the way"},
    {.name = "start",
     .kind = GR_KEY_TEXT,
     .offset = MAPPING(start),
     .size = GR_FIELD_SIZE,
     .required = true,
     .about = "the slot's beginning: RFC 3339, ISO local time or Unix seconds; JSON: relative to an element "
              "of the list"},
    {.name = "end",
     .kind = GR_KEY_TEXT,
     .offset = MAPPING(end),
     .size = GR_FIELD_SIZE,
     .about = "the slot's end, where the table says it"},
    {.name = "duration",
     .kind = GR_KEY_TEXT,
     .offset = MAPPING(duration),
     .size = GR_FIELD_SIZE,
     .about = "the slot's length in minutes or as an ISO 8601 duration, where the table says it"},
    {.name = "start_is_local",
     .kind = GR_KEY_BOOLEAN,
     .offset = MAPPING(start_is_local),
     .standard = 0,
     .about = "whether times without an offset are in the site's time zone; else they are refused"},
    {.name = "slot_minutes",
     .kind = GR_KEY_WHOLE,
     .offset = MAPPING(slot_minutes),
     .unit = "minutes",
     .zero_ok = true,
     .least = 1,
     .greatest = 1440,
     .standard = 0,
     .guesses = seconds,
     .about = "length of a slot where neither end nor duration is given; 0: up to the next start"},
    {.name = "separator",
     .kind = GR_KEY_TEXT,
     .offset = SOURCE(separator),
     .size = 2,
     .standard_text = "\",\"",
     .about = "CSV: the character between columns"},
    {.name = NULL}};

const struct gr_key gr_price_keys[] = {
    {.name = "price",
     .kind = GR_KEY_TEXT,
     .offset = MAPPING(price),
     .size = GR_FIELD_SIZE,
     .required = true,
     .about = "the price"},
    {.name = "unit",
     .kind = GR_KEY_WORD,
     .offset = SOURCE(unit),
     .words = units,
     .required = true,
     .about = "unit of the price: main unit per kWh, main unit per MWh, or hundredths of it per kWh"},
    {.name = "tax_factor",
     .kind = GR_KEY_NUMBER,
     .offset = MAPPING(factor),
     .least = 0.5,
     .greatest = 3,
     .standard = 1,
     .guesses = tax_rate,
     .about = "the price is multiplied by this, 1.05 adds 5 %"},
    {.name = "add_per_kwh",
     .kind = GR_KEY_NUMBER,
     .offset = MAPPING(add_per_kwh),
     .unit = "money/kWh",
     .least = -100000,
     .greatest = 100000,
     .standard = 0,
     .about = "fixed part per kWh (network, levies), added after tax_factor"},
    {.name = NULL}};

/* In kg per kWh; the scales are the same. */
static const struct gr_word carbon_units[] = {{"kg_per_kwh", PER_KWH}, {"g_per_kwh", PER_MWH}, {NULL, 0}};

const struct gr_key gr_carbon_keys[] = {{.name = "intensity",
                                         .kind = GR_KEY_TEXT,
                                         .offset = MAPPING(price),
                                         .size = GR_FIELD_SIZE,
                                         .required = true,
                                         .about = "the carbon dioxide of a kWh"},
                                        {.name = "unit",
                                         .kind = GR_KEY_WORD,
                                         .offset = SOURCE(unit),
                                         .words = carbon_units,
                                         .required = true,
                                         .about = "unit of the intensity"},
                                        {.name = NULL}};

struct field {
    const char *key, *value;
};
#define FIELDS 5

static void list_fields(const struct gr_source_form *form, struct field out[FIELDS])
{
    const struct gr_rate_mapping *mapping = &form->source.mapping;
    const struct field fields[FIELDS] = {{"list", mapping->list},
                                         {"start", mapping->start},
                                         {"end", mapping->end},
                                         {"duration", mapping->duration},
                                         {form->value_key ? form->value_key : "price", mapping->price}};
    memcpy(out, fields, sizeof fields);
}

static void check_json_field(struct gr_reader *reader, const config_setting_t *group,
                             const struct field *field)
{
    struct gr_error error = {""};
    if (gr_json_pointer_check(field->value, &error) != GR_OK) {
        gr_complain(reader, group, field->key, "%s", error.text);
    }
}

static void check_csv_field(struct gr_reader *reader, const config_setting_t *group,
                            const struct field *field, bool by_position)
{
    const char *value = field->value;
    bool is_number = value[0] == '#' && value[1] != '\0' && value[1] != '0' &&
                     strspn(value + 1, "0123456789") == strlen(value + 1);
    if (value[0] == '\0') {
        return;
    }
    if (by_position && !is_number) {
        gr_complain(reader, group, field->key,
                    "found \"%s\" where start goes by position; allowed: \"#1\", \"#2\", ...", value);
    } else if (!by_position && value[0] == '#') {
        gr_complain(reader, group, field->key,
                    "found \"%s\" where start goes by name; allowed: a column's name", value);
    }
}

void gr_mapping_check_value(struct gr_reader *reader, const config_setting_t *group,
                            const struct gr_source_form *form, const char *key, const char *value)
{
    struct field field = {key, value};
    if ((enum gr_rate_format)form->format == GR_RATES_JSON) {
        check_json_field(reader, group, &field);
    } else {
        check_csv_field(reader, group, &field, form->source.mapping.start[0] == '#');
    }
}

static void check_json(struct gr_reader *reader, const config_setting_t *group,
                       const struct gr_source_form *form)
{
    struct field fields[FIELDS];
    list_fields(form, fields);
    for (size_t i = 0; i < FIELDS; i++) {
        check_json_field(reader, group, &fields[i]);
    }
    if (form->separator[0]) {
        gr_complain(reader, group, "separator", "found with format = \"json\"; allowed: only with \"csv\"");
    }
}

static void check_csv(struct gr_reader *reader, const config_setting_t *group,
                      const struct gr_source_form *form)
{
    struct field fields[FIELDS];
    list_fields(form, fields);
    for (size_t i = 1; i < FIELDS; i++) {
        check_csv_field(reader, group, &fields[i], fields[1].value[0] == '#');
    }
    if (fields[0].value[0]) {
        gr_complain(reader, group, "list", "found with format = \"csv\"; allowed: only with \"json\"");
    }
}

static void check_length(struct gr_reader *reader, const config_setting_t *group,
                         const struct gr_rate_mapping *mapping)
{
    int ways = (mapping->end[0] != '\0') + (mapping->duration[0] != '\0') + (mapping->slot_minutes != 0);
    if (ways > 1) {
        gr_complain(reader, group, mapping->slot_minutes ? "slot_minutes" : "duration",
                    "the slot's length is given twice; allowed: one of end, duration and slot_minutes");
    }
}

void gr_mapping_finish(struct gr_reader *reader, const config_setting_t *group, struct gr_source_form *form)
{
    struct gr_rate_mapping *mapping = &form->source.mapping;
    mapping->format = (enum gr_rate_format)form->format;
    mapping->scale = scales[form->unit];
    mapping->separator = form->separator[0] ? form->separator[0] : ',';
    if (mapping->format == GR_RATES_JSON) {
        check_json(reader, group, form);
    } else {
        check_csv(reader, group, form);
    }
    check_length(reader, group, mapping);
    if (mapping->add_per_kwh > form->source.greatest_per_kwh) {
        gr_complain(reader, group, "add_per_kwh",
                    "found %.6g per kWh, which smells of hundredths (%.6g?); allowed: at most %.6g "
                    "(plausible_greatest_per_kwh)",
                    mapping->add_per_kwh, mapping->add_per_kwh / 100, form->source.greatest_per_kwh);
    }
}
