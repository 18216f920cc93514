/* The tariff file of a back-test: the same group `rates` as the configuration has, and what a bill holds
 * beside it. */
#include "config/form.h"
#include "config/slurp.h"

#include "granary/backtest.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const size_t greatest_table = (size_t)64 * 1024 * 1024;

struct tariff_form {
    struct gr_backtest_tariff tariff;
    double tax_factor;
};

#define TARIFF(member) offsetof(struct tariff_form, member)

static const int settlements[] = {15, 30, 60, 0};
static const struct gr_guess tax_rate[] = {{"a tax rate", 1, 1}, {"percent", 0.01, 1}, {NULL, 0, 0}};

const struct gr_key gr_tariff_keys[] = {
    {.name = "name",
     .kind = GR_KEY_TEXT,
     .offset = TARIFF(tariff.name),
     .size = GR_NAME_SIZE,
     .required = true,
     .about = "what the tariff is called in tables"},
    {.name = "rates",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .required = true,
     .about = "prices, written as in the configuration; sources of kind \"bands\" and \"file\""},
    {.name = "published",
     .kind = GR_KEY_CLOCK,
     .offset = TARIFF(tariff.published_minute),
     .greatest = 1440,
     .standard_text = "16:00",
     .about = "local time at which the next day's table is published; bands are known for ever"},
    {.name = "standing_charge_per_day",
     .kind = GR_KEY_NUMBER,
     .offset = TARIFF(tariff.standing_charge_per_day),
     .unit = "money/day",
     .greatest = 100000,
     .about = "what the contract costs each day, whatever is used"},
    {.name = "tax_factor",
     .kind = GR_KEY_NUMBER,
     .offset = TARIFF(tax_factor),
     .least = 0.5,
     .greatest = 3,
     .standard = 1,
     .guesses = tax_rate,
     .about = "import prices, standing charge and peak charge are multiplied by this; export prices are not"},
    {.name = "settlement_minutes",
     .kind = GR_KEY_WHOLE,
     .offset = TARIFF(tariff.settlement_minutes),
     .unit = "minutes",
     .choices = settlements,
     .standard = 0,
     .standard_text = "a slot of the usage",
     .about = "import and export are set off against each other over so long, by the local clock"},
    {.name = "peak",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .about = "monthly charge for high power"},
    {.name = NULL}};

/* ---- prices ---- */

static int load_table(struct gr_rate_table *out, const struct gr_source *source, const struct gr_zone *zone,
                      struct gr_error *error)
{
    char *text = NULL;
    size_t length = 0;
    if (strchr(source->path, '{')) {
        return gr_error_set(error, GR_INVALID,
                            "found a path with placeholders; a back-test reads one table for the whole time");
    }
    int rc = gr_slurp(&text, &length, source->path, greatest_table, error);
    if (rc == GR_OK) {
        rc = gr_rates_read(out, &source->mapping, zone, text, length, error);
    }
    free(text);
    return rc;
}

static int check_plausible(const struct gr_rate_table *table, const struct gr_source *source,
                           struct gr_error *error)
{
    for (size_t i = 0; i < table->count; i++) {
        double price = table->rates[i].price_per_kwh;
        if (!(price >= source->least_per_kwh && price <= source->greatest_per_kwh)) {
            return gr_error_set(
                error, GR_INVALID,
                "%s: price %zu is %.6g per kWh; allowed: %.6g to %.6g (plausible_least_per_kwh, "
                "plausible_greatest_per_kwh)",
                source->path, i + 1, price, source->least_per_kwh, source->greatest_per_kwh);
        }
    }
    return GR_OK;
}

static int fill_source(struct gr_rate_source *out, const struct gr_source *source, const struct gr_zone *zone,
                       struct gr_error *error)
{
    switch (source->kind) {
    case GR_SOURCE_BANDS:
        out->is_bands = true;
        out->bands = source->bands;
        return GR_OK;
    case GR_SOURCE_FILE: {
        int rc = load_table(&out->table, source, zone, error);
        return rc ? rc : check_plausible(&out->table, source, error);
    }
    case GR_SOURCE_HTTP:
        break;
    }
    return gr_error_set(
        error, GR_INVALID,
        "found a source of kind \"http\"; a back-test needs the past: allowed are \"bands\" and "
        "\"file\"");
}

static int fill_direction(struct gr_tariff *out, const struct gr_source *sources, size_t count,
                          const struct gr_zone *zone, struct gr_error *error)
{
    for (size_t i = 0; i < count; i++) {
        struct gr_error cause = {""};
        out->count = i + 1;
        int rc = fill_source(&out->source[i], &sources[i], zone, &cause);
        if (rc != GR_OK) {
            return gr_error_set(error, rc, "rates source \"%s\": %.300s", sources[i].name, cause.text);
        }
    }
    return GR_OK;
}

static int fill_prices(struct gr_backtest_tariff *out, const struct gr_config *config,
                       const struct gr_zone *zone, struct gr_error *error)
{
    int rc = fill_direction(&out->import, config->import, config->import_count, zone, error);
    rc = rc ? rc : fill_direction(&out->export, config->export, config->export_count, zone, error);
    return rc ? rc : fill_direction(&out->carbon, config->carbon, config->carbon_count, zone, error);
}

/* The carbon of the grid is the same under every tariff: where a tariff file tells none, that of the
 * configuration serves, as far as it reaches into the past. */
static int borrow_carbon(struct gr_backtest_tariff *out, const struct gr_config *config,
                         const struct gr_zone *zone, struct gr_error *error)
{
    for (size_t i = 0; i < config->carbon_count; i++) {
        if (config->carbon[i].kind == GR_SOURCE_HTTP || strchr(config->carbon[i].path, '{')) {
            return GR_OK;
        }
    }
    return fill_direction(&out->carbon, config->carbon, config->carbon_count, zone, error);
}

static void tax(struct gr_backtest_tariff *tariff, double factor)
{
    for (size_t i = 0; i < tariff->import.count; i++) {
        struct gr_rate_source *source = &tariff->import.source[i];
        for (size_t k = 0; k < source->bands.count; k++) {
            source->bands.band[k].price_per_kwh *= factor;
        }
        for (size_t k = 0; k < source->table.count; k++) {
            source->table.rates[k].price_per_kwh *= factor;
        }
    }
    tariff->standing_charge_per_day *= factor;
    tariff->peak.per_kw *= factor;
    for (size_t i = 0; i < tariff->peak.step_count; i++) {
        tariff->peak.step[i].price *= factor;
    }
}

/* ---- the file ---- */

struct reading {
    struct gr_backtest_tariff *out;
    const struct gr_config *config; /* of the house */
    const struct gr_zone *zone;
};

static void read_rates(struct gr_reader *reader, const config_setting_t *root, const struct reading *reading,
                       struct tariff_form *form)
{
    struct gr_config *priced = calloc(1, sizeof *priced);
    struct gr_error error = {""};
    size_t before = reader->complaints->count;
    if (!priced) {
        reader->out_of_memory = true;
        return;
    }
    gr_rates_group_read(reader, root, priced);
    const config_setting_t *group = config_setting_get_member(root, "rates");
    if (group && reader->complaints->count == before) {
        if (strcmp(priced->currency, reading->config->currency) != 0) {
            gr_complain(reader, group, "currency", "found %s; allowed: %s, the currency of the configuration",
                        priced->currency, reading->config->currency);
        } else if (fill_prices(&form->tariff, priced, reading->zone, &error) != GR_OK ||
                   (priced->carbon_count == 0 &&
                    borrow_carbon(&form->tariff, reading->config, reading->zone, &error) != GR_OK)) {
            gr_complain(reader, group, NULL, "%s", error.text);
        }
    }
    free(priced);
}

static void read_root(struct gr_reader *reader, const config_setting_t *root, void *out)
{
    const struct reading *reading = out;
    struct tariff_form *form = calloc(1, sizeof *form);
    if (!form) {
        reader->out_of_memory = true;
        return;
    }
    gr_form_read(reader, root, (const struct gr_key *const[]){gr_tariff_keys, NULL}, form);
    gr_peak_group_read(reader, root, &form->tariff.peak);
    read_rates(reader, root, reading, form);
    tax(&form->tariff, form->tax_factor);
    *reading->out = form->tariff;
    free(form);
}

int gr_tariff_file_read(struct gr_backtest_tariff *out, const char *file, const struct gr_config *config,
                        struct gr_zone *zone, struct gr_complaints *complaints)
{
    struct gr_reader reader = {.complaints = complaints, .file = file, .zone = zone};
    struct reading reading = {.out = out, .config = config, .zone = zone};
    memset(out, 0, sizeof *out);
    int rc = gr_part_file_read(&reader, read_root, &reading);
    if (rc != GR_OK) {
        gr_backtest_tariff_free(out);
    }
    return rc;
}

int gr_tariff_of_config(struct gr_backtest_tariff *out, const struct gr_config *config,
                        const struct gr_zone *zone, struct gr_error *error)
{
    memset(out, 0, sizeof *out);
    (void)snprintf(out->name, sizeof out->name, "configured");
    for (size_t i = 0; i < config->import_count; i++) {
        int from = config->import[i].fetch_from_minute;
        out->published_minute = from > out->published_minute ? from : out->published_minute;
    }
    out->peak = config->engine.peak;
    int rc = fill_prices(out, config, zone, error);
    if (rc != GR_OK) {
        gr_backtest_tariff_free(out);
    }
    return rc;
}
