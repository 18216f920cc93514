/* Time-of-day bands of a rate source. */
#include "config/form.h"

#include "granary/civil.h"

#include <math.h>
#include <string.h>

struct band_form {
    int from, to;
    char days[64], season[16];
    double price_per_kwh;
};
#define BAND(member) offsetof(struct band_form, member)

const struct gr_key gr_band_keys[] = {
    {.name = "from",
     .kind = GR_KEY_CLOCK,
     .offset = BAND(from),
     .least = 0,
     .greatest = 1439,
     .standard_text = "00:00",
     .about = "the band begins at this local time"},
    {.name = "to",
     .kind = GR_KEY_CLOCK,
     .offset = BAND(to),
     .least = 0,
     .greatest = 1440,
     .standard_text = "24:00",
     .about = "and ends at this one; a time before `from` is on the next day"},
    {.name = "days",
     .kind = GR_KEY_TEXT,
     .offset = BAND(days),
     .size = 64,
     .standard_text = "\"all\"",
     .about = "days on which the band begins: \"all\", \"Mon-Fri\", \"Sat,Sun\""},
    {.name = "season",
     .kind = GR_KEY_TEXT,
     .offset = BAND(season),
     .size = 16,
     .standard_text = "the whole year",
     .about = "first and last day of the season, \"11-01..03-31\" (month-day), may run over the year's end"},
    {.name = NULL}};

const struct gr_key gr_price_band_keys[] = {
    {.name = "price_per_kwh",
     .kind = GR_KEY_NUMBER,
     .offset = BAND(price_per_kwh),
     .unit = "money/kWh",
     .required = true,
     .least = -100000,
     .greatest = 100000,
     .about = "price in the currency's main unit, taxes included; may be negative"},
    {.name = NULL}};

static const struct gr_guess grams[] = {{"grams", 0.001, 0}, {NULL, 0, 0}};

const struct gr_key gr_carbon_band_keys[] = {
    {.name = "carbon_kg_per_kwh",
     .kind = GR_KEY_NUMBER,
     .offset = BAND(price_per_kwh),
     .unit = "kg/kWh",
     .required = true,
     .least = 0,
     .greatest = 10,
     .guesses = grams,
     .about = "carbon dioxide that a kWh from the grid stands for in this band"},
    {.name = NULL}};

static void read_season(struct gr_reader *reader, const config_setting_t *group, const char *text,
                        struct gr_rate_band *band)
{
    int season[4];
    if (!gr_season_parse(text, season)) {
        gr_complain(reader, group, "season",
                    "found \"%s\"; allowed: first and last day as \"MM-DD..MM-DD\", e.g. \"11-01..03-31\"",
                    text);
        return;
    }
    band->from_month = season[0];
    band->from_day = season[1];
    band->to_month = season[2];
    band->to_day = season[3];
}

static void read_days(struct gr_reader *reader, const config_setting_t *group, const char *text,
                      struct gr_rate_band *band)
{
    band->weekdays = gr_weekdays_parse(text);
    if (band->weekdays == 0) {
        gr_complain(reader, group, "days",
                    "found \"%s\"; allowed: \"all\", or days like \"Mon-Fri\" or \"Sat,Sun\" (Mon Tue Wed "
                    "Thu Fri Sat Sun)",
                    text);
        band->weekdays = 127;
    }
}

static bool read_band(struct gr_reader *reader, const config_setting_t *group, const struct gr_key *value,
                      struct gr_rate_band *band)
{
    size_t before = reader->complaints->count;
    struct band_form form = {.days = "all"};
    gr_form_read(reader, group, (const struct gr_key *const[]){gr_band_keys, value, NULL}, &form);
    *band = (struct gr_rate_band){
        .from_minute = form.from, .to_minute = form.to, .weekdays = 127, .price_per_kwh = form.price_per_kwh};
    read_days(reader, group, form.days, band);
    if (form.season[0]) {
        read_season(reader, group, form.season, band);
    }
    if (form.from == form.to) {
        gr_complain(reader, group, "to",
                    "found the same time as `from`; a whole day is \"00:00\" to \"24:00\"");
    }
    return reader->complaints->count == before;
}

static void check_price(struct gr_reader *reader, const config_setting_t *group,
                        const struct gr_source *source, const struct gr_key *value, double price)
{
    if (isnan(price) || (price >= source->least_per_kwh && price <= source->greatest_per_kwh)) {
        return;
    }
    double meant = price / 100;
    char guess[80] = "";
    bool is_price = value == gr_price_band_keys;
    if (is_price && meant >= source->least_per_kwh && meant <= source->greatest_per_kwh) {
        (void)snprintf(guess, sizeof guess, ", which smells of hundredths (%.6g per kWh?)", meant);
    }
    gr_complain(reader, group, value->name,
                "found %.6g per kWh%s; allowed: %.6g to %.6g (plausible_least_per_kwh and "
                "plausible_greatest_per_kwh of the "
                "source move this)",
                price, guess, source->least_per_kwh, source->greatest_per_kwh);
}

/* Which bands ever give the price, asked of the rates module itself: each band is priced with its own number.
 * 28 years hold every weekday on every date. */
static void find_used(const struct gr_rate_bands *bands, const struct gr_zone *utc, bool used[GR_MAX_BANDS])
{
    static const struct gr_civil first = {.year = 2024, .month = 1, .day = 1},
                                 last = {.year = 2052, .month = 1, .day = 1};
    struct gr_rate_bands marked = *bands;
    for (size_t i = 0; i < marked.count; i++) {
        marked.band[i].price_per_kwh = (double)i;
    }
    size_t unused = marked.count;
    int64_t until_s = 0, end_s = gr_civil_seconds(&last);
    for (int64_t at = gr_civil_seconds(&first); at < end_s && unused > 0; at = until_s) {
        double price = 0;
        bool found = gr_rate_bands_at(&marked, utc, at, &price, &until_s) == GR_OK;
        if (found && !used[(size_t)price]) {
            used[(size_t)price] = true;
            unused--;
        }
        if (until_s <= at) {
            return;
        }
    }
}

static void check_hidden(struct gr_reader *reader, const config_setting_t *list,
                         const struct gr_rate_bands *bands)
{
    struct gr_zone *utc = NULL;
    if (gr_zone_fixed(&utc, "UTC", 0, NULL) != GR_OK) {
        reader->out_of_memory = true;
        return;
    }
    bool used[GR_MAX_BANDS] = {false};
    find_used(bands, utc, used);
    for (size_t i = 0; i < bands->count; i++) {
        if (!used[i]) {
            gr_complain(reader, config_setting_get_elem(list, (unsigned)i), NULL,
                        "this band never holds, because bands before it cover it; the first that matches "
                        "wins, so put it first");
        }
    }
    gr_zone_free(utc);
}

static bool read_list(struct gr_reader *reader, const config_setting_t *list, const struct gr_key *value,
                      struct gr_source *out)
{
    bool good = true;
    int count = config_setting_length(list);
    if (count < 1 || count > GR_MAX_BANDS) {
        gr_complain(reader, list, NULL, "found %d bands; allowed: 1 to %d", count, GR_MAX_BANDS);
        return false;
    }
    for (int i = 0; i < count; i++) {
        const config_setting_t *group = config_setting_get_elem(list, (unsigned)i);
        if (!config_setting_is_group(group)) {
            gr_complain(reader, group, NULL, "found something else; allowed: a group { ... } for each band");
            good = false;
            continue;
        }
        struct gr_rate_band *band = &out->bands.band[out->bands.count++];
        good = read_band(reader, group, value, band) && good;
        check_price(reader, group, out, value, band->price_per_kwh);
    }
    return good;
}

void gr_bands_read(struct gr_reader *reader, const config_setting_t *source, struct gr_source *out,
                   bool is_carbon)
{
    const struct gr_key *value = is_carbon ? gr_carbon_band_keys : gr_price_band_keys;
    const config_setting_t *list = gr_list_member(reader, source, "bands", true);
    if (list && read_list(reader, list, value, out)) {
        check_hidden(reader, list, &out->bands);
    }
}
