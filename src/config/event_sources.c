/* List event_sources: where windows of changed prices, payments and wishes come from. */
#include "config/form.h"

#include <stdlib.h>
#include <string.h>

struct event_form {
    struct gr_event_source out; /* first */
    int kind, format, value_is, unit;
};
#define FORM(member) offsetof(struct event_form, member)
#define SOURCE(member) offsetof(struct event_form, out.source.member)
#define MAPPING(member) offsetof(struct event_form, out.mapping.member)

static const struct gr_word kinds[] = {{"http", GR_SOURCE_HTTP}, {"file", GR_SOURCE_FILE}, {NULL, 0}};
static const struct gr_word formats[] = {
    {"json", GR_EVENTS_JSON}, {"openadr3", GR_EVENTS_OPENADR3}, {NULL, 0}};
static const struct gr_word meanings[] = {{"import_price", GR_WINDOW_IMPORT_PRICE},
                                          {"export_price", GR_WINDOW_EXPORT_PRICE},
                                          {"payment", GR_WINDOW_PAYMENT},
                                          {"state_of_charge", GR_WINDOW_STATE_OF_CHARGE},
                                          {NULL, 0}};
static const struct gr_word units[] = {{"per_kwh", GR_EVENTS_PER_KWH},
                                       {"per_mwh", GR_EVENTS_PER_MWH},
                                       {"minor_per_kwh", GR_EVENTS_MINOR_PER_KWH},
                                       {"percent", GR_EVENTS_PERCENT},
                                       {"ratio", GR_EVENTS_RATIO},
                                       {"kwh", GR_EVENTS_KWH},
                                       {NULL, 0}};
static const struct gr_guess seconds[] = {{"seconds", 1.0 / 60, 0}, {NULL, 0, 0}};

const struct gr_key gr_event_source_keys[] = {
    {.name = "kind",
     .kind = GR_KEY_WORD,
     .offset = FORM(kind),
     .words = kinds,
     .required = true,
     .about = "\"http\": asked for again and again; \"file\": read again when it changes"},
    {.name = "name",
     .kind = GR_KEY_TEXT,
     .offset = SOURCE(name),
     .size = GR_NAME_SIZE,
     .required = true,
     .about = "a word for messages and for the store; no two event sources may share it"},
    {.name = "format",
     .kind = GR_KEY_WORD,
     .offset = FORM(format),
     .words = formats,
     .required = true,
     .about =
         "\"json\": a list that the keys below describe; \"openadr3\": an event, or an array of events, of "
         "OpenADR 3, which needs no more than `list`, where its array is not the document itself"},
    {.name = "list",
     .kind = GR_KEY_TEXT,
     .offset = MAPPING(list),
     .size = GR_FIELD_SIZE,
     .standard_text = "\"\", the document itself",
     .about =
         "JSON Pointer (RFC 6901) of the array of events; a `*` in it stands for every element on the way. "
         "The pointers below are relative to an element of it"},
    {.name = "id",
     .kind = GR_KEY_TEXT,
     .offset = MAPPING(id),
     .size = GR_FIELD_SIZE,
     .about = "what the event is called, for messages"},
    {.name = "start",
     .kind = GR_KEY_TEXT,
     .offset = MAPPING(start),
     .size = GR_FIELD_SIZE,
     .about = "its beginning: RFC 3339, ISO local time or Unix seconds. Needed with \"json\""},
    {.name = "end",
     .kind = GR_KEY_TEXT,
     .offset = MAPPING(end),
     .size = GR_FIELD_SIZE,
     .about =
         "its end, where the document says it; this or duration is needed, but for a state of charge at one "
         "moment"},
    {.name = "duration",
     .kind = GR_KEY_TEXT,
     .offset = MAPPING(duration),
     .size = GR_FIELD_SIZE,
     .about = "its length in minutes or as an ISO 8601 duration, where the document says it"},
    {.name = "start_is_local",
     .kind = GR_KEY_BOOLEAN,
     .offset = MAPPING(start_is_local),
     .standard = 0,
     .about = "whether times without an offset are in the site's time zone; else they are refused"},
    {.name = "value",
     .kind = GR_KEY_TEXT,
     .offset = MAPPING(value),
     .size = GR_FIELD_SIZE,
     .about = "the number. Needed with \"json\""},
    {.name = "value_is",
     .kind = GR_KEY_WORD,
     .offset = FORM(value_is),
     .words = meanings,
     .standard_text = "\"import_price\"",
     .about = "what it means: a price instead of the published one, money for each kWh that is bought less "
              "or sold "
              "more, or a state of charge to have at the start and to hold to the end"},
    {.name = "unit",
     .kind = GR_KEY_WORD,
     .offset = FORM(unit),
     .words = units,
     .standard_text = "\"per_kwh\"; \"percent\" of a state of charge",
     .about =
         "what it is in: main unit per kWh or MWh, hundredths of it per kWh; percent, ratio or stored kWh"},
    {.name = "only",
     .kind = GR_KEY_TEXT,
     .offset = MAPPING(only),
     .size = GR_FIELD_SIZE,
     .about = "a member by which events are chosen: those in which it is not only_is are passed over"},
    {.name = "only_is",
     .kind = GR_KEY_TEXT,
     .offset = MAPPING(only_is),
     .size = GR_NAME_SIZE,
     .about = "and what it must be"},
    {.name = "plausible_least_per_kwh",
     .kind = GR_KEY_NUMBER,
     .offset = MAPPING(least),
     .unit = "money/kWh",
     .least = -1000,
     .greatest = 1000,
     .standard = -2,
     .about = "an event with a price below this is taken for a mistake and refused"},
    {.name = "plausible_greatest_per_kwh",
     .kind = GR_KEY_NUMBER,
     .offset = MAPPING(greatest),
     .unit = "money/kWh",
     .least = -1000,
     .greatest = 1000,
     .standard = 10,
     .about = "a price or payment above this, likewise"},
    {.name = NULL}};

const struct gr_key gr_event_http_keys[] = {
    {.name = "url",
     .kind = GR_KEY_TEXT,
     .offset = SOURCE(url),
     .size = GR_URL_SIZE,
     .required = true,
     .about = "http or https address of the events; {year} {month} {day} stand for today's date"},
    {.name = "headers_file",
     .kind = GR_KEY_TEXT,
     .offset = SOURCE(headers_file),
     .size = GR_PATH_SIZE,
     .about = "file with \"Name: value\" lines to send along (an access key), or the name of a systemd "
              "credential"},
    {.name = "allow_plain_http",
     .kind = GR_KEY_BOOLEAN,
     .offset = SOURCE(allow_plain_http),
     .standard = 0,
     .about = "set to true to fetch unencrypted from another machine; events then come from whoever is on "
              "the way"},
    {.name = "poll_minutes",
     .kind = GR_KEY_WHOLE,
     .offset = FORM(out.poll_minutes),
     .unit = "minutes",
     .least = 1,
     .greatest = 1440,
     .standard = 10,
     .guesses = seconds,
     .about = "how often it is asked for"},
    {.name = NULL}};

const struct gr_key gr_event_file_keys[] = {
    {.name = "path",
     .kind = GR_KEY_TEXT,
     .offset = SOURCE(path),
     .size = GR_PATH_SIZE,
     .required = true,
     .about = "path of the events, read again when it changes; the placeholders of url are allowed"},
    {.name = NULL}};

static const struct gr_key *const http_tables[] = {gr_event_source_keys, gr_event_http_keys, NULL};
static const struct gr_key *const file_tables[] = {gr_event_source_keys, gr_event_file_keys, NULL};

static void check_pointers(struct gr_reader *reader, const config_setting_t *group,
                           const struct gr_window_mapping *mapping)
{
    const struct {
        const char *key, *pointer;
    } fields[] = {{"list", mapping->list},         {"id", mapping->id},
                  {"start", mapping->start},       {"end", mapping->end},
                  {"duration", mapping->duration}, {"value", mapping->value},
                  {"only", mapping->only}};
    for (size_t i = 0; i < sizeof fields / sizeof fields[0]; i++) {
        struct gr_error error = {""};
        if (gr_json_pointer_check(fields[i].pointer, &error) != GR_OK) {
            gr_complain(reader, group, fields[i].key, "%s", error.text);
        }
    }
}

/* An OpenADR event says all of this itself. */
static void check_openadr(struct gr_reader *reader, const config_setting_t *group)
{
    static const char *const own[] = {"id",    "start",    "end",  "duration", "start_is_local",
                                      "value", "value_is", "unit", "only",     "only_is"};
    for (size_t i = 0; i < sizeof own / sizeof own[0]; i++) {
        if (gr_given(group, own[i])) {
            gr_complain(reader, group, own[i],
                        "found with format = \"openadr3\", which says it itself; allowed: with \"json\"");
        }
    }
}

static void check_json(struct gr_reader *reader, const config_setting_t *group,
                       const struct gr_window_mapping *mapping)
{
    bool is_wish = mapping->kind == GR_WINDOW_STATE_OF_CHARGE;
    bool in_share = mapping->unit == GR_EVENTS_PERCENT || mapping->unit == GR_EVENTS_RATIO ||
                    mapping->unit == GR_EVENTS_KWH;
    static const char *const needed[] = {"start", "value"};
    for (size_t i = 0; i < sizeof needed / sizeof needed[0]; i++) {
        if (!gr_given(group, needed[i])) {
            gr_complain(reader, group, needed[i], "missing; needed with format = \"json\"");
        }
    }
    if (mapping->end[0] && mapping->duration[0]) {
        gr_complain(reader, group, "duration", "the length is given twice; allowed: one of end and duration");
    }
    if (!mapping->end[0] && !mapping->duration[0] && !is_wish) {
        gr_complain(reader, group, "end", "missing; needed: end or duration");
    }
    if (is_wish != in_share) {
        gr_complain(reader, group, "unit", "found with value_is = \"%s\"; allowed: %s",
                    gr_window_name(mapping->kind),
                    is_wish ? "percent, ratio or kwh" : "per_kwh, per_mwh or minor_per_kwh");
    }
    if (gr_given(group, "only") != gr_given(group, "only_is")) {
        gr_complain(reader, group, gr_given(group, "only") ? "only_is" : "only",
                    "missing; needed: only and only_is together");
    }
}

static void finish(struct gr_reader *reader, const config_setting_t *group, struct event_form *form,
                   struct gr_config *config)
{
    struct gr_window_mapping *mapping = &form->out.mapping;
    form->out.source.kind = (enum gr_source_kind)form->kind;
    mapping->format = (enum gr_event_format)form->format;
    mapping->kind = (enum gr_window_kind)form->value_is;
    mapping->unit = (enum gr_event_unit)form->unit;
    if (mapping->kind == GR_WINDOW_STATE_OF_CHARGE && !gr_given(group, "unit")) {
        mapping->unit = GR_EVENTS_PERCENT;
    }
    mapping->capacity_kwh = config->engine.site.battery.capacity_kwh;
    memcpy(mapping->currency, config->currency, sizeof mapping->currency);
    check_pointers(reader, group, mapping);
    if (mapping->format == GR_EVENTS_OPENADR3) {
        check_openadr(reader, group);
    } else {
        check_json(reader, group, mapping);
    }
    if (mapping->least >= mapping->greatest) {
        gr_complain(reader, group, "plausible_greatest_per_kwh",
                    "found %.6g to %.6g as the plausible range; allowed: the least below the greatest",
                    mapping->least, mapping->greatest);
    }
    gr_source_check_name(reader, group, form->out.source.name);
    gr_source_check_place(reader, group, &form->out.source);
}

static void read_event_source(struct gr_reader *reader, const config_setting_t *group, struct gr_config *out)
{
    int kind = GR_SOURCE_HTTP;
    if (!gr_kind_read(reader, group, &gr_event_source_keys[0], "\"http\" or \"file\"", &kind)) {
        return;
    }
    struct event_form *form = calloc(1, sizeof *form);
    if (!form) {
        reader->out_of_memory = true;
        return;
    }
    gr_form_read(reader, group, kind == GR_SOURCE_HTTP ? http_tables : file_tables, form);
    form->kind = kind;
    finish(reader, group, form, out);
    for (size_t i = 0; i < out->event_source_count; i++) {
        if (strcmp(out->event_sources[i].source.name, form->out.source.name) == 0) {
            gr_complain(reader, group, "name",
                        "found \"%s\" a second time; allowed: one name for each source",
                        form->out.source.name);
        }
    }
    out->event_sources[out->event_source_count++] = form->out;
    free(form);
}

void gr_event_sources_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out)
{
    gr_entries_read(reader, root, "event_sources", GR_MOST_EVENT_SOURCES, read_event_source, out);
}

/* ---- in plain words ---- */

static void print_event_source(FILE *stream, const struct gr_event_source *events)
{
    static const char *const words[] = {[GR_WINDOW_IMPORT_PRICE] = "import prices",
                                        [GR_WINDOW_EXPORT_PRICE] = "export prices",
                                        [GR_WINDOW_PAYMENT] = "payments per kWh reduced or exported",
                                        [GR_WINDOW_STATE_OF_CHARGE] = "states of charge wished for"};
    const struct gr_source *source = &events->source;
    const struct gr_window_mapping *mapping = &events->mapping;
    fprintf(stream, "  \"%s\": ", source->name);
    if (source->kind == GR_SOURCE_HTTP) {
        fprintf(stream, "asked for at ");
        gr_print_url(stream, source->url);
        fprintf(stream, "%s, every %d minutes.\n", source->headers_file[0] ? " with headers of our own" : "",
                events->poll_minutes);
    } else {
        fprintf(stream, "read from %s.\n", source->path);
    }
    if (mapping->format == GR_EVENTS_OPENADR3) {
        fprintf(stream, "    Events of OpenADR 3: prices, export prices and states of charge.\n");
    } else {
        fprintf(stream, "    JSON; start \"%s\", \"%s\" are %s.\n", mapping->start, mapping->value,
                words[mapping->kind]);
    }
    fprintf(stream, "    Prices and payments from %.4g to %.4g are believed.\n", mapping->least,
            mapping->greatest);
}

void gr_print_event_sources(FILE *stream, const struct gr_config *config)
{
    if (config->event_source_count > 0) {
        fprintf(stream, "\nEvents\n");
    }
    for (size_t i = 0; i < config->event_source_count; i++) {
        print_event_source(stream, &config->event_sources[i]);
    }
}
