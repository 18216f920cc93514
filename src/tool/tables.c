#include "tool/tables.h"

#include "config/slurp.h"
#include "granary/civil.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct item {
    const struct gr_source *source;
    const struct gr_weather_source *weather; /* NULL: of prices */
    bool pending, good;
    struct gr_rate_table table;
    char text[500]; /* what is wrong */
};

struct gr_tables {
    const struct gr_zone *zone;
    int64_t now_s;
    struct item items[GR_DIRECTIONS * GR_MAX_SOURCES + 1];
    size_t count;
};

static void add_sources(struct gr_tables *tables, const struct gr_source *sources, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (sources[i].kind != GR_SOURCE_BANDS) {
            tables->items[tables->count++] = (struct item){.source = &sources[i]};
        }
    }
}

int gr_tables_create(struct gr_tables **out, const struct gr_config *config, const struct gr_zone *zone,
                     int64_t now_s)
{
    struct gr_tables *tables = calloc(1, sizeof *tables);
    if (!tables) {
        return GR_NO_MEMORY;
    }
    tables->zone = zone;
    tables->now_s = now_s;
    add_sources(tables, config->import, config->import_count);
    add_sources(tables, config->export, config->export_count);
    add_sources(tables, config->carbon, config->carbon_count);
    if (config->weather.configured) {
        tables->items[tables->count++] =
            (struct item){.source = &config->weather.source, .weather = &config->weather};
    }
    *out = tables;
    return GR_OK;
}

void gr_tables_free(struct gr_tables *tables)
{
    for (size_t i = 0; tables && i < tables->count; i++) {
        gr_rate_table_free(&tables->items[i].table);
    }
    free(tables);
}

static void fail(struct item *item, const char *why)
{
    (void)snprintf(item->text, sizeof item->text, "%s", why);
}

/* Of a document that tells both, the sun is kept for the print. */
static void take_weather(struct gr_tables *tables, struct item *item, const void *bytes, size_t length)
{
    static const double most_air_c = 60;
    const struct gr_weather_source *weather = item->weather;
    const struct gr_source *source = item->source;
    struct gr_error error = {""};
    struct gr_rate_table air = {0};
    item->good = true;
    if (weather->tells_sun) {
        item->good =
            gr_rates_read(&item->table, &source->mapping, tables->zone, bytes, length, &error) == GR_OK &&
            gr_weather_check(&item->table, weather->kind, source->least_per_kwh, source->greatest_per_kwh,
                             tables->zone, tables->now_s, &error) == GR_OK;
    }
    if (item->good && weather->tells_temperature) {
        item->good =
            gr_rates_read(&air, &weather->temperature, tables->zone, bytes, length, &error) == GR_OK &&
            gr_weather_check(&air, GR_WEATHER_TEMPERATURE, -most_air_c, most_air_c, tables->zone,
                             tables->now_s, &error) == GR_OK;
    }
    if (!weather->tells_sun) {
        item->table = air;
    } else {
        gr_rate_table_free(&air);
    }
    if (!item->good) {
        fail(item, error.text);
    }
}

static void take_rates(struct gr_tables *tables, struct item *item, const void *bytes, size_t length)
{
    struct gr_error error = {""};
    struct gr_rate_rules rules = {.least_per_kwh = item->source->least_per_kwh,
                                  .greatest_per_kwh = item->source->greatest_per_kwh};
    if (gr_rates_read(&item->table, &item->source->mapping, tables->zone, bytes, length, &error) != GR_OK ||
        gr_rates_check(&item->table, &rules, tables->zone, &error) != GR_OK) {
        fail(item, error.text);
    } else if (!gr_rate_table_at(&item->table, tables->now_s)) {
        fail(item, "the table holds no price for the present moment");
    } else {
        item->good = true;
    }
}

static void take(struct gr_tables *tables, struct item *item, const void *bytes, size_t length)
{
    if (item->weather) {
        take_weather(tables, item, bytes, length);
    } else {
        take_rates(tables, item, bytes, length);
    }
}

static void start_http(struct gr_tables *tables, struct item *item, struct gr_fetch *fetch)
{
    struct gr_error error = {""};
    char url[GR_URL_SIZE];
    char *headers = NULL;
    const char *secret = item->source->headers_file;
    if (gr_fill_date(url, sizeof url, item->source->url, tables->zone, tables->now_s, &error) != GR_OK ||
        (secret[0] && gr_secret_read(&headers, secret, &error) != GR_OK)) {
        fail(item, error.text);
        return;
    }
    const struct gr_fetch_request request = {.url = url, .headers = headers};
    item->pending = gr_fetch_start(fetch, (int)(item - tables->items), &request, &error) == GR_OK;
    fail(item, item->pending ? "no answer in the time given" : error.text);
    if (headers) {
        explicit_bzero(headers, strlen(headers));
    }
    free(headers);
}

static void read_file(struct gr_tables *tables, struct item *item)
{
    struct gr_error error = {""};
    char path[GR_PATH_SIZE];
    char *bytes = NULL;
    size_t length = 0;
    if (gr_fill_date(path, sizeof path, item->source->path, tables->zone, tables->now_s, &error) != GR_OK ||
        gr_slurp(&bytes, &length, path, GR_FETCH_MOST_BYTES, &error) != GR_OK) {
        fail(item, error.text);
        return;
    }
    take(tables, item, bytes, length);
    free(bytes);
}

void gr_tables_start(struct gr_tables *tables, struct gr_fetch *fetch)
{
    for (size_t i = 0; i < tables->count; i++) {
        if (tables->items[i].source->kind == GR_SOURCE_HTTP) {
            start_http(tables, &tables->items[i], fetch);
        } else {
            read_file(tables, &tables->items[i]);
        }
    }
}

unsigned gr_tables_step(struct gr_tables *tables, struct gr_fetch *fetch)
{
    struct gr_fetch_result result;
    unsigned pending = 0;
    while (gr_fetch_next(fetch, &result)) {
        struct item *item = &tables->items[result.id];
        item->pending = false;
        if (result.outcome == GR_FETCH_BODY) {
            take(tables, item, result.body, result.length);
        } else {
            fail(item, result.text);
        }
        gr_fetch_result_free(&result);
    }
    for (size_t i = 0; i < tables->count; i++) {
        pending += tables->items[i].pending;
    }
    return pending;
}

static int compare_prices(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static void print_span(FILE *stream, const struct gr_tables *tables, const struct item *item)
{
    const struct gr_rate_table *table = &item->table;
    const struct gr_weather_source *weather = item->weather;
    const char *unit = weather ? "" : " per kWh";
    char from[GR_RFC3339_SIZE], to[GR_RFC3339_SIZE];
    double *prices = malloc(table->count * sizeof *prices);
    if (!prices) {
        return;
    }
    for (size_t i = 0; i < table->count; i++) {
        prices[i] = table->rates[i].price_per_kwh;
    }
    qsort(prices, table->count, sizeof *prices, compare_prices);
    int64_t from_s = table->rates[0].start_s, to_s = table->rates[table->count - 1].end_s;
    gr_rfc3339_format_local(from, from_s, gr_zone_offset_s(tables->zone, from_s));
    gr_rfc3339_format_local(to, to_s, gr_zone_offset_s(tables->zone, to_s));
    fprintf(stream, "    %zu slots from %s to %s;\n    ", table->count, from, to);
    if (weather) {
        fprintf(stream, "%s: ", gr_weather_name(weather->tells_sun ? weather->kind : GR_WEATHER_TEMPERATURE));
    }
    fprintf(stream, "least %.4f, median %.4f, greatest %.4f%s\n", prices[0], prices[table->count / 2],
            prices[table->count - 1], unit);
    free(prices);
}

unsigned gr_tables_print(FILE *stream, const struct gr_tables *tables)
{
    unsigned wrong = 0;
    for (size_t i = 0; i < tables->count; i++) {
        const struct item *item = &tables->items[i];
        if (i == 0 || item->weather) {
            fprintf(stream, "\n%s, live\n", item->weather ? "Weather" : "Rates");
        }
        fprintf(stream, "  \"%s\": %s\n", item->source->name, item->good ? "good" : item->text);
        if (item->table.count > 0) {
            print_span(stream, tables, item);
        }
        wrong += !item->good;
    }
    return wrong;
}
