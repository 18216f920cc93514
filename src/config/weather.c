/* Group weather: where a forecast of sun and temperature comes from. */
#include "config/form.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct weather_form {
    struct gr_source_form form; /* first: the keys of tables reach into it */
    int value_is, refresh_minutes;
    char temperature[GR_FIELD_SIZE];
};
#define WEATHER(member) offsetof(struct weather_form, member)
#define SOURCE(member) offsetof(struct weather_form, form.source.member)

static const struct gr_word kinds[] = {{"http", GR_SOURCE_HTTP}, {"file", GR_SOURCE_FILE}, {NULL, 0}};

enum meaning { W_PER_M2, KW_PER_M2, CLOUD_PERCENT, CLOUD_RATIO, GENERATION_KW, GENERATION_W };

static const struct gr_word meanings[] = {{"irradiance_w_per_m2", W_PER_M2},
                                          {"irradiance_kw_per_m2", KW_PER_M2},
                                          {"cloud_cover_percent", CLOUD_PERCENT},
                                          {"cloud_cover_ratio", CLOUD_RATIO},
                                          {"generation_kw", GENERATION_KW},
                                          {"generation_w", GENERATION_W},
                                          {NULL, 0}};
static const struct {
    enum gr_weather_kind kind;
    double scale;
} meaning_of[] = {
    [W_PER_M2] = {GR_WEATHER_IRRADIANCE, 0.001},      [KW_PER_M2] = {GR_WEATHER_IRRADIANCE, 1},
    [CLOUD_PERCENT] = {GR_WEATHER_CLOUD_COVER, 0.01}, [CLOUD_RATIO] = {GR_WEATHER_CLOUD_COVER, 1},
    [GENERATION_KW] = {GR_WEATHER_GENERATION, 1},     [GENERATION_W] = {GR_WEATHER_GENERATION, 0.001}};

static const struct gr_guess seconds[] = {{"seconds", 1.0 / 60, 0}, {NULL, 0, 0}};

const struct gr_key gr_weather_keys[] = {
    {.name = "kind",
     .kind = GR_KEY_WORD,
     .offset = WEATHER(form.kind),
     .words = kinds,
     .required = true,
     .about = "\"http\": a fetched table; \"file\": a table in a file"},
    {.name = "name",
     .kind = GR_KEY_TEXT,
     .offset = SOURCE(name),
     .size = GR_NAME_SIZE,
     .required = true,
     .about = "a word for messages and for the store"},
    {.name = "value",
     .kind = GR_KEY_TEXT,
     .offset = WEATHER(form.source.mapping.price),
     .size = GR_FIELD_SIZE,
     .about = "what tells of the sun, found like the price of a rate table; left out where only the "
              "temperature is told"},
    {.name = "value_is",
     .kind = GR_KEY_WORD,
     .offset = WEATHER(value_is),
     .words = meanings,
     .standard_text = "\"irradiance_w_per_m2\"",
     .about = "what value means: global irradiance on the level, the share of the sky under clouds, or the "
              "power that all "
              "arrays together will give"},
    {.name = "temperature",
     .kind = GR_KEY_TEXT,
     .offset = WEATHER(temperature),
     .size = GR_FIELD_SIZE,
     .about = "the temperature of the air in degrees Celsius, found likewise"},
    {.name = NULL}};

const struct gr_key gr_weather_http_keys[] = {
    {.name = "url",
     .kind = GR_KEY_TEXT,
     .offset = SOURCE(url),
     .size = GR_URL_SIZE,
     .required = true,
     .about = "http or https address of the table; {year} {month} {day} stand for today's date, {next_year} "
              "{next_month} "
              "{next_day} for tomorrow's"},
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
     .about = "set to true to fetch unencrypted from another machine"},
    {.name = "refresh_minutes",
     .kind = GR_KEY_WHOLE,
     .offset = WEATHER(refresh_minutes),
     .unit = "minutes",
     .least = 10,
     .greatest = 1440,
     .standard = 60,
     .guesses = seconds,
     .about = "how long after a good answer it is asked for again"},
    {.name = NULL}};

const struct gr_key gr_weather_file_keys[] = {
    {.name = "path",
     .kind = GR_KEY_TEXT,
     .offset = SOURCE(path),
     .size = GR_PATH_SIZE,
     .required = true,
     .about = "path of the table, read again when it changes; the placeholders of url are allowed"},
    {.name = NULL}};

static const struct gr_key *const http_tables[] = {gr_weather_keys, gr_weather_http_keys, gr_table_keys,
                                                   NULL};
static const struct gr_key *const file_tables[] = {gr_weather_keys, gr_weather_file_keys, gr_table_keys,
                                                   NULL};

static double all_inverters_kw(const struct gr_site *site)
{
    double sum = 0;
    for (size_t i = 0; i < site->array_count; i++) {
        sum += site->arrays[i].inverter_kw;
    }
    return sum;
}

/* What may be believed, in the units of weather.h. */
static void set_plausible(struct gr_source *source, enum gr_weather_kind kind, const struct gr_site *site)
{
    static const double most_irradiance_kw = 1.6; /* enhanced by the edge of a cloud; from memory */
    double inverters_kw = all_inverters_kw(site);
    source->least_per_kwh = kind == GR_WEATHER_GENERATION ? -0.1 : -0.01;
    source->greatest_per_kwh = kind == GR_WEATHER_CLOUD_COVER  ? 1.01
                               : kind == GR_WEATHER_IRRADIANCE ? most_irradiance_kw
                               : inverters_kw > 0              ? 1.5 * inverters_kw
                                                               : 100;
}

/* The temperature stands in the same rows as the value; alone it takes the value's place. */
static void finish_mapping(struct gr_reader *reader, const config_setting_t *group, struct weather_form *form,
                           struct gr_weather_source *out)
{
    struct gr_rate_mapping *mapping = &form->form.source.mapping;
    form->form.value_key = out->tells_sun ? "value" : "temperature";
    if (!out->tells_sun) {
        memcpy(mapping->price, form->temperature, sizeof mapping->price);
    }
    gr_mapping_finish(reader, group, &form->form);
    out->temperature = *mapping;
    if (out->tells_sun) {
        memcpy(out->temperature.price, form->temperature, sizeof mapping->price);
        mapping->scale = meaning_of[form->value_is].scale;
    }
    if (out->tells_sun && out->tells_temperature) {
        gr_mapping_check_value(reader, group, &form->form, "temperature", form->temperature);
    }
}

static void finish(struct gr_reader *reader, const config_setting_t *group, struct weather_form *form,
                   struct gr_config *config)
{
    struct gr_weather_source *out = &config->weather;
    struct gr_source *source = &form->form.source;
    out->tells_sun = gr_given(group, "value");
    out->tells_temperature = gr_given(group, "temperature");
    if (!out->tells_sun && !out->tells_temperature) {
        gr_complain(reader, group, "value", "missing; needed: value, temperature or both");
        return;
    }
    if (!out->tells_sun && gr_given(group, "value_is")) {
        gr_complain(reader, group, "value_is", "found without value; allowed: only with it");
    }
    finish_mapping(reader, group, form, out);
    if (out->tells_sun) {
        out->kind = meaning_of[form->value_is].kind;
        set_plausible(source, out->kind, &config->engine.site);
    }
    gr_source_check_name(reader, group, source->name);
    gr_source_check_place(reader, group, source);
    out->source = *source;
    out->refresh_minutes = form->refresh_minutes;
    out->configured = true;
}

void gr_weather_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out)
{
    const config_setting_t *group = gr_group_member(reader, root, "weather", false);
    int kind = GR_SOURCE_HTTP;
    if (!group || !gr_kind_read(reader, group, &gr_weather_keys[0], "\"http\" or \"file\"", &kind)) {
        return;
    }
    struct weather_form *form = calloc(1, sizeof *form);
    if (!form) {
        reader->out_of_memory = true;
        return;
    }
    form->form.source.mapping.factor = 1;
    gr_form_read(reader, group, kind == GR_SOURCE_HTTP ? http_tables : file_tables, form);
    form->form.source.kind = (enum gr_source_kind)kind;
    finish(reader, group, form, out);
    free(form);
}

/* ---- in plain words ---- */

static const char *words_of(const struct gr_weather_source *weather)
{
    for (size_t i = 0; i < sizeof meaning_of / sizeof *meaning_of; i++) {
        if (meaning_of[i].kind == weather->kind && meaning_of[i].scale == weather->source.mapping.scale) {
            return meanings[i].word;
        }
    }
    return "unknown";
}

void gr_print_weather(FILE *stream, const struct gr_weather_source *weather)
{
    const struct gr_source *source = &weather->source;
    if (!weather->configured) {
        return;
    }
    fprintf(stream, "\nWeather\n  \"%s\": ", source->name);
    if (source->kind == GR_SOURCE_HTTP) {
        fprintf(stream, "fetched from ");
        gr_print_url(stream, source->url);
        fprintf(stream, "%s, every %d minutes.\n", source->headers_file[0] ? " with headers of our own" : "",
                weather->refresh_minutes);
    } else {
        fprintf(stream, "read from %s.\n", source->path);
    }
    fprintf(stream, "    %s; start \"%s\"", source->mapping.format == GR_RATES_JSON ? "JSON" : "CSV",
            source->mapping.start);
    if (weather->tells_sun) {
        fprintf(stream, ", \"%s\" is %s", source->mapping.price, words_of(weather));
    }
    if (weather->tells_temperature) {
        fprintf(stream, ", \"%s\" is the temperature", weather->temperature.price);
    }
    fprintf(stream, ".\n");
    gr_print_slots(stream, &source->mapping);
}
