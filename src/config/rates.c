/* Group rates: the sources of import and export prices. */
#include "config/form.h"

#include "granary/fetch.h"

#include <stdlib.h>
#include <string.h>

struct rates_form {
    char currency[8];
};

const struct gr_key gr_rates_keys[] = {
    {.name = "currency",
     .kind = GR_KEY_TEXT,
     .offset = offsetof(struct rates_form, currency),
     .size = 4,
     .required = true,
     .about = "ISO 4217 code, for display; all money in the file is in its main unit"},
    {.name = "import",
     .kind = GR_KEY_PART,
     .unit = "a list of 1 to 4 groups",
     .required = true,
     .about =
         "sources of the price paid, in order of preference: the first that knows a moment gives its price"},
    {.name = "export",
     .kind = GR_KEY_PART,
     .unit = "a list of at most 4 groups",
     .about = "sources of the price earned, likewise; left out, what is fed in earns nothing"},
    {.name = "carbon",
     .kind = GR_KEY_PART,
     .unit = "a list of at most 4 groups",
     .about =
         "sources of the carbon dioxide that a kWh from the grid stands for, likewise; left out, none is "
         "reckoned"},
    {.name = "peak",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .about = "monthly charge for high power; left out, there is none"},
    {.name = NULL}};

static const struct gr_word kinds[] = {
    {"bands", GR_SOURCE_BANDS}, {"http", GR_SOURCE_HTTP}, {"file", GR_SOURCE_FILE}, {NULL, 0}};

#define SOURCE(member) offsetof(struct gr_source_form, member)

#define COMMON_KEYS                                                                                          \
    {.name = "kind",                                                                                         \
     .kind = GR_KEY_WORD,                                                                                    \
     .offset = SOURCE(kind),                                                                                 \
     .words = kinds,                                                                                         \
     .required = true,                                                                                       \
     .about = "\"bands\": prices by time of day; \"http\": fetched tables; \"file\": tables in a file"},     \
        {.name = "name",                                                                                     \
         .kind = GR_KEY_TEXT,                                                                                \
         .offset = SOURCE(source.name),                                                                      \
         .size = GR_NAME_SIZE,                                                                               \
         .required = true,                                                                                   \
         .about = "a word for messages and for the store; no two sources may share it"},                     \
        {.name = "plausible_least_per_kwh",                                                                  \
         .kind = GR_KEY_NUMBER,                                                                              \
         .offset = SOURCE(source.least_per_kwh),                                                             \
         .unit = "money/kWh",                                                                                \
         .least = -100000,                                                                                   \
         .greatest = 100000,                                                                                 \
         .standard = -2,                                                                                     \
         .about = "a price below this is taken for a mistake, and its whole table refused"},                 \
    {                                                                                                        \
        .name = "plausible_greatest_per_kwh", .kind = GR_KEY_NUMBER,                                         \
        .offset = SOURCE(source.greatest_per_kwh), .unit = "money/kWh", .least = -100000,                    \
        .greatest = 100000, .standard = 5,                                                                   \
        .about = "a price above this, likewise; raise it where the currency's unit is small"                 \
    }

const struct gr_key gr_bands_source_keys[] = {
    COMMON_KEYS,
    {.name = "bands",
     .kind = GR_KEY_PART,
     .unit = "a list of 1 to 48 groups",
     .required = true,
     .about = "the first band in the list that matches gives the price; together they cover the whole week"},
    {.name = NULL}};

const struct gr_key gr_http_source_keys[] = {
    COMMON_KEYS,
    {.name = "url",
     .kind = GR_KEY_TEXT,
     .offset = SOURCE(source.url),
     .size = GR_URL_SIZE,
     .required = true,
     .about =
         "http or https address of the table; {year} {month} {day} stand for the local day whose prices are "
         "wanted (today, "
         "and from fetch_from on tomorrow), {next_year} {next_month} {next_day} for the day after that one"},
    {.name = "headers_file",
     .kind = GR_KEY_TEXT,
     .offset = SOURCE(source.headers_file),
     .size = GR_PATH_SIZE,
     .about = "file with \"Name: value\" lines to send along (an access key), or the name of a systemd "
              "credential"},
    {.name = "allow_plain_http",
     .kind = GR_KEY_BOOLEAN,
     .offset = SOURCE(source.allow_plain_http),
     .standard = 0,
     .about = "set to true to fetch unencrypted from another machine"},
    {.name = "fetch_from",
     .kind = GR_KEY_CLOCK,
     .offset = SOURCE(source.fetch_from_minute),
     .least = 0,
     .greatest = 1439,
     .standard_text = "16:00",
     .about = "local time from which tomorrow's table is asked for"},
    {.name = NULL}};

const struct gr_key gr_file_source_keys[] = {
    COMMON_KEYS,
    {.name = "path",
     .kind = GR_KEY_TEXT,
     .offset = SOURCE(source.path),
     .size = GR_PATH_SIZE,
     .required = true,
     .about = "path of the table, read again when it changes; the placeholders of url are allowed"},
    {.name = NULL}};

/* Of a carbon source, in place of those of the same name above. */
const struct gr_key gr_carbon_source_keys[] = {
    {.name = "plausible_least_per_kwh",
     .kind = GR_KEY_NUMBER,
     .offset = SOURCE(source.least_per_kwh),
     .unit = "kg/kWh",
     .greatest = 10,
     .about = "an intensity below this is taken for a mistake, and its whole table refused"},
    {.name = "plausible_greatest_per_kwh",
     .kind = GR_KEY_NUMBER,
     .offset = SOURCE(source.greatest_per_kwh),
     .unit = "kg/kWh",
     .greatest = 10,
     .standard = 2,
     .about = "an intensity above this, likewise"},
    {.name = NULL}};

static const struct gr_key *const carbon_bands_tables[] = {gr_carbon_source_keys, gr_bands_source_keys, NULL};
static const struct gr_key *const carbon_http_tables[] = {gr_carbon_source_keys, gr_http_source_keys,
                                                          gr_table_keys, gr_carbon_keys, NULL};
static const struct gr_key *const carbon_file_tables[] = {gr_carbon_source_keys, gr_file_source_keys,
                                                          gr_table_keys, gr_carbon_keys, NULL};
static const struct gr_key *const bands_tables[] = {gr_bands_source_keys, NULL};
static const struct gr_key *const http_tables[] = {gr_http_source_keys, gr_table_keys, gr_price_keys, NULL};
static const struct gr_key *const file_tables[] = {gr_file_source_keys, gr_table_keys, gr_price_keys, NULL};
static const struct gr_key *const *const tables_of[2][3] = {
    {[GR_SOURCE_BANDS] = bands_tables, [GR_SOURCE_HTTP] = http_tables, [GR_SOURCE_FILE] = file_tables},
    {[GR_SOURCE_BANDS] = carbon_bands_tables,
     [GR_SOURCE_HTTP] = carbon_http_tables,
     [GR_SOURCE_FILE] = carbon_file_tables}};

bool gr_kind_read(struct gr_reader *reader, const config_setting_t *group, const struct gr_key *key,
                  const char *allowed, int *kind)
{
    const config_setting_t *setting = config_setting_get_member(group, "kind");
    if (!setting) {
        gr_complain(reader, group, "kind", "missing; needed: %s", allowed);
        return false;
    }
    return gr_value_read(reader, setting, key, kind);
}

void gr_source_check_name(struct gr_reader *reader, const config_setting_t *group, const char *name)
{
    static const char allowed[] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 ._-";
    if (name[strspn(name, allowed)] != '\0') {
        gr_complain(reader, group, "name",
                    "found \"%s\"; allowed: letters, digits, space, full stop, hyphen and underscore", name);
    }
}

static void check_name(struct gr_reader *reader, const config_setting_t *group,
                       const struct gr_config *config, const char *name)
{
    gr_source_check_name(reader, group, name);
    const struct gr_source *lists[] = {config->import, config->export, config->carbon};
    size_t counts[] = {config->import_count, config->export_count, config->carbon_count};
    for (size_t list = 0; list < sizeof counts / sizeof *counts; list++) {
        for (size_t i = 0; i < counts[list]; i++) {
            if (*name && strcmp(lists[list][i].name, name) == 0) {
                gr_complain(reader, group, "name",
                            "found \"%s\" a second time; allowed: one name for each source", name);
            }
        }
    }
}

/* An address is checked as it will be on some day. 15 January 2024. */
static void check_url(struct gr_reader *reader, const config_setting_t *group, const struct gr_source *source)
{
    char url[GR_URL_SIZE];
    struct gr_error error = {""};
    if (source->url[0] && reader->zone &&
        (gr_fill_date(url, sizeof url, source->url, reader->zone, 1705276800, &error) != GR_OK ||
         gr_url_check(url, source->allow_plain_http, &error) != GR_OK)) {
        gr_complain(reader, group, "url", "%s", error.text);
    }
}

static void check_path(struct gr_reader *reader, const config_setting_t *group, struct gr_source *source)
{
    char path[GR_PATH_SIZE];
    struct gr_error error = {""};
    gr_resolve_path(reader, group, "path", source->path, false);
    if (source->path[0] && reader->zone &&
        gr_fill_date(path, sizeof path, source->path, reader->zone, 1705276800, &error) != GR_OK) {
        gr_complain(reader, group, "path", "%s", error.text);
    }
}

void gr_source_check_place(struct gr_reader *reader, const config_setting_t *group, struct gr_source *source)
{
    if (source->kind == GR_SOURCE_HTTP) {
        check_url(reader, group, source);
        gr_resolve_path(reader, group, "headers_file", source->headers_file, true);
        gr_need_secret(reader, group, "headers_file", source->headers_file);
    } else {
        check_path(reader, group, source);
    }
}

static void check_plausible(struct gr_reader *reader, const config_setting_t *group,
                            const struct gr_source *source)
{
    if (source->least_per_kwh >= source->greatest_per_kwh) {
        gr_complain(reader, group,
                    gr_given(group, "plausible_greatest_per_kwh") ? "plausible_greatest_per_kwh"
                                                                  : "plausible_least_per_kwh",
                    "found %.6g to %.6g as the plausible range; allowed: the least below the greatest",
                    source->least_per_kwh, source->greatest_per_kwh);
    }
}

static void finish_source(struct gr_reader *reader, const config_setting_t *group,
                          struct gr_source_form *form, bool is_carbon)
{
    struct gr_source *source = &form->source;
    check_plausible(reader, group, source);
    if (source->kind == GR_SOURCE_BANDS) {
        gr_bands_read(reader, group, source, is_carbon);
        return;
    }
    if (is_carbon) {
        form->value_key = "intensity";
        source->mapping.factor = 1;
    }
    gr_mapping_finish(reader, group, form);
    gr_source_check_place(reader, group, source);
}

static void read_source(struct gr_reader *reader, const config_setting_t *group,
                        const struct gr_config *config, struct gr_source *out, bool is_carbon)
{
    int kind = GR_SOURCE_BANDS;
    if (!gr_kind_read(reader, group, &gr_bands_source_keys[0], "\"bands\", \"http\" or \"file\"", &kind)) {
        return;
    }
    struct gr_source_form *form = calloc(1, sizeof *form);
    if (!form) {
        reader->out_of_memory = true;
        return;
    }
    gr_form_read(reader, group, tables_of[is_carbon][kind], form);
    form->source.kind = (enum gr_source_kind)kind;
    check_name(reader, group, config, form->source.name);
    finish_source(reader, group, form, is_carbon);
    *out = form->source;
    free(form);
}

/* Gaps of a band source are filled by sources behind it; the last one has nobody behind it. */
static void check_cover(struct gr_reader *reader, const config_setting_t *list,
                        const struct gr_source *sources, size_t count)
{
    if (count == 0 || sources[count - 1].kind != GR_SOURCE_BANDS || sources[count - 1].bands.count == 0) {
        return;
    }
    struct gr_error missing = {""};
    if (gr_rate_bands_check(&sources[count - 1].bands, &missing) != GR_OK) {
        const config_setting_t *group = config_setting_get_elem(list, (unsigned)count - 1);
        gr_complain(reader, group, "bands",
                    "no band covers %s; needed: bands for every moment of the week and the year",
                    missing.text);
    }
}

static void read_sources(struct gr_reader *reader, const config_setting_t *list,
                         const struct gr_config *config, struct gr_source *sources, size_t *count)
{
    bool is_carbon = sources == config->carbon;
    int found = config_setting_length(list);
    if (found > GR_MAX_SOURCES) {
        gr_complain(reader, list, NULL, "found %d sources; allowed: at most %d", found, GR_MAX_SOURCES);
        found = GR_MAX_SOURCES;
    }
    for (int i = 0; i < found; i++) {
        const config_setting_t *group = config_setting_get_elem(list, (unsigned)i);
        if (config_setting_is_group(group)) {
            read_source(reader, group, config, &sources[*count], is_carbon);
        } else {
            gr_complain(reader, group, NULL,
                        "found something else; allowed: a group { ... } for each source");
        }
        ++*count;
    }
    check_cover(reader, list, sources, *count);
}

/* The engine asks for an export price at every moment. */
static void add_unpaid_export(struct gr_config *config)
{
    config->export[0] = (struct gr_source){
        .kind = GR_SOURCE_BANDS,
        .name = "unpaid",
        .bands = {.band = {{.from_minute = 0, .to_minute = 1440, .weekdays = 127}}, .count = 1},
        .least_per_kwh = -2,
        .greatest_per_kwh = 5,
    };
    config->export_count = 1;
}

static void fill_tariff(struct gr_tariff *tariff, const struct gr_source *sources, size_t count)
{
    tariff->count = count;
    for (size_t i = 0; i < count; i++) {
        tariff->source[i].is_bands = sources[i].kind == GR_SOURCE_BANDS;
        tariff->source[i].bands = sources[i].bands;
    }
}

static void check_currency(struct gr_reader *reader, const config_setting_t *group, const char *currency)
{
    if (*currency && (strlen(currency) != 3 || strspn(currency, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") != 3)) {
        gr_complain(reader, group, "currency", "found \"%s\"; allowed: an ISO 4217 code like \"EUR\"",
                    currency);
    }
}

/* Planning is read before. */
static void check_carbon(struct gr_reader *reader, const config_setting_t *root,
                         const struct gr_config *config)
{
    const struct gr_planning *planning = &config->engine.planning;
    const config_setting_t *group = config_setting_get_member(root, "planning");
    if (!group) {
        return;
    }
    if (planning->carbon_price_per_kg > 0 && config->carbon_count == 0) {
        gr_complain(
            reader, group, "carbon_price_per_kg",
            "found %.6g, but no rates.carbon says what a kWh stands for; needed: a source there, or 0",
            planning->carbon_price_per_kg);
    }
    if (planning->carbon_credits_export && !(planning->carbon_price_per_kg > 0)) {
        gr_complain(reader, group, "carbon_credits_export",
                    "found true, but carbon counts nothing; needed: carbon_price_per_kg above 0, or false");
    }
}

void gr_rates_group_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out)
{
    const config_setting_t *group = gr_group_member(reader, root, "rates", true);
    if (!group) {
        return;
    }
    struct rates_form form = {""};
    gr_form_read(reader, group, (const struct gr_key *const[]){gr_rates_keys, NULL}, &form);
    check_currency(reader, group, form.currency);
    memcpy(out->currency, form.currency, sizeof out->currency);
    const config_setting_t *import = gr_list_member(reader, group, "import", true);
    if (import) {
        read_sources(reader, import, out, out->import, &out->import_count);
        if (config_setting_length(import) == 0) {
            gr_complain(reader, import, NULL, "found no source; needed: 1 to %d import sources",
                        GR_MAX_SOURCES);
        }
    }
    const config_setting_t *export = gr_list_member(reader, group, "export", false);
    if (export) {
        read_sources(reader, export, out, out->export, &out->export_count);
    }
    if (out->export_count == 0) {
        add_unpaid_export(out);
    }
    const config_setting_t *carbon = gr_list_member(reader, group, "carbon", false);
    if (carbon) {
        read_sources(reader, carbon, out, out->carbon, &out->carbon_count);
    }
    check_carbon(reader, root, out);
    gr_peak_group_read(reader, group, &out->engine.peak);
    fill_tariff(&out->engine.import, out->import, out->import_count);
    fill_tariff(&out->engine.export, out->export, out->export_count);
    fill_tariff(&out->engine.carbon, out->carbon, out->carbon_count);
}
