#include "eventlog/parts.h"

#include <inttypes.h>
#include <math.h>
#include <stddef.h>
#include <string.h>

enum kind { NUMBER, WHOLE, COUNT, FLAG, SIDE, TEXT };

struct setting {
    const char *name;
    enum kind kind;
    size_t offset, count, stride; /* several of a kind, as far apart */
    double least, greatest;
};

#define AT(member) offsetof(struct gr_engine_config, member)
#define ONE(member) AT(member), 1, 0
#define MANY(member, many) AT(member), many, sizeof(double)
#define ARRAYS(member) AT(site.arrays[0].member), GR_MAX_ARRAYS, sizeof(struct gr_solar_array)

#define PEAK_STEPS(member) AT(peak.step[0].member), GR_MAX_PEAK_STEPS, sizeof(struct gr_peak_step)

#define CURVE(name)                                                                                          \
    {"site.curves." #name ".count", COUNT, ONE(site.curves.name.count), 0, GR_MOST_CURVE_POINTS},            \
        {"site.curves." #name ".x", NUMBER, MANY(site.curves.name.x, GR_MOST_CURVE_POINTS), 0, 1e6},         \
    {                                                                                                        \
        "site.curves." #name ".y", NUMBER, MANY(site.curves.name.y, GR_MOST_CURVE_POINTS), 0, 1e6            \
    }

/* Every member of the engine's configuration but what back-tests alone use. The ranges are those that keep
 * the engine from harm, whatever a log says; the configuration's own are narrower. */
static const struct setting settings[] = {
    {"site.name", TEXT, ONE(site.name), 0, 0},
    {"site.timezone", TEXT, ONE(site.timezone), 0, 0},
    {"site.latitude_deg", NUMBER, ONE(site.latitude_deg), -90, 90},
    {"site.longitude_deg", NUMBER, ONE(site.longitude_deg), -180, 180},
    {"site.battery.capacity_kwh", NUMBER, ONE(site.battery.capacity_kwh), 0.01, 1e6},
    {"site.battery.charge_kw", NUMBER, ONE(site.battery.charge_kw), 0, 1e6},
    {"site.battery.discharge_kw", NUMBER, ONE(site.battery.discharge_kw), 0, 1e6},
    {"site.battery.charge_efficiency", NUMBER, ONE(site.battery.charge_efficiency), 0.01, 1},
    {"site.battery.discharge_efficiency", NUMBER, ONE(site.battery.discharge_efficiency), 0.01, 1},
    {"site.battery.standing_loss_kw", NUMBER, ONE(site.battery.standing_loss_kw), 0, 1e3},
    {"site.battery.wear_per_kwh", NUMBER, ONE(site.battery.wear_per_kwh), 0, 1e6},
    CURVE(charge_power),
    CURVE(discharge_power),
    CURVE(charge_loss),
    CURVE(discharge_loss),
    CURVE(wear_steps),
    {"site.curves.charge_by_temperature.count", COUNT, ONE(site.curves.charge_by_temperature.count), 0,
     GR_MOST_CURVE_POINTS},
    {"site.curves.charge_by_temperature.x", NUMBER,
     MANY(site.curves.charge_by_temperature.x, GR_MOST_CURVE_POINTS), -273, 1e3},
    {"site.curves.charge_by_temperature.y", NUMBER,
     MANY(site.curves.charge_by_temperature.y, GR_MOST_CURVE_POINTS), 0, 1e6},
    {"site.dc_coupled", FLAG, ONE(site.dc_coupled), 0, 1},
    {"site.inverter.limit_kw", NUMBER, ONE(site.inverter.limit_kw), 0, 1e6},
    {"site.inverter.to_ac_efficiency", NUMBER, ONE(site.inverter.to_ac_efficiency), 0, 1},
    {"site.inverter.to_dc_efficiency", NUMBER, ONE(site.inverter.to_dc_efficiency), 0, 1},
    {"site.reserve_percent", NUMBER, ONE(site.reserve_percent), 0, 100},
    {"site.grid.import_limit_kw", NUMBER, ONE(site.grid.import_limit_kw), 0, 1e6},
    {"site.grid.export_limit_kw", NUMBER, ONE(site.grid.export_limit_kw), 0, 1e6},
    {"site.grid.solar_curtailable", FLAG, ONE(site.grid.solar_curtailable), 0, 1},
    {"site.grid.car_side", SIDE, ONE(site.grid.car_side), 0, GR_CAR_ON_HOUSE_SIDE},
    {"site.grid.car_charger_kw", NUMBER, ONE(site.grid.car_charger_kw), 0, 1e6},
    {"peak.any", FLAG, ONE(peak.any), 0, 1},
    {"peak.minutes", WHOLE, ONE(peak.minutes), 0, 60},
    {"peak.days", COUNT, ONE(peak.days), 0, GR_MONTH_DAYS},
    {"peak.from_minute", WHOLE, ONE(peak.from_minute), 0, 1440},
    {"peak.to_minute", WHOLE, ONE(peak.to_minute), 0, 1440},
    {"peak.weekdays", WHOLE, ONE(peak.weekdays), 0, 127},
    {"peak.per_kw", NUMBER, ONE(peak.per_kw), 0, 1e9},
    {"peak.step.up_to_kw", NUMBER, PEAK_STEPS(up_to_kw), 0, 1e6},
    {"peak.step.price", NUMBER, PEAK_STEPS(price), 0, 1e9},
    {"peak.step_count", COUNT, ONE(peak.step_count), 0, GR_MAX_PEAK_STEPS},
    {"site.arrays.name", TEXT, ARRAYS(name), 0, 0},
    {"site.arrays.peak_kw", NUMBER, ARRAYS(peak_kw), 0, 1e6},
    {"site.arrays.tilt_deg", NUMBER, ARRAYS(tilt_deg), 0, 180},
    {"site.arrays.azimuth_deg", NUMBER, ARRAYS(azimuth_deg), -360, 360},
    {"site.arrays.inverter_kw", NUMBER, ARRAYS(inverter_kw), 0, 1e6},
    {"site.array_count", COUNT, ONE(site.array_count), 0, GR_MAX_ARRAYS},
    {"planning.slot_minutes", WHOLE, ONE(planning.slot_minutes), 5, 60},
    {"planning.horizon_hours", WHOLE, ONE(planning.horizon_hours), 12, 96},
    {"planning.expectation.house_kw", NUMBER, MANY(planning.expectation.house_kw, 24), 0, 1e6},
    {"planning.expectation.path_days", COUNT, ONE(planning.expectation.path_days), 1, GR_HISTORY_DAYS},
    {"planning.expectation.usual_clearness", NUMBER, ONE(planning.expectation.usual_clearness), 0, 1},
    {"planning.expectation.holidays", WHOLE, AT(planning.expectation.holidays.date), GR_MOST_HOLIDAYS,
     sizeof(int), 0, 99991231},
    {"planning.may_export", FLAG, ONE(planning.may_export), 0, 1},
    {"planning.least_gain_per_exported_kwh", NUMBER, ONE(planning.least_gain_per_exported_kwh), 0, 1e6},
    {"planning.export_from_minute", WHOLE, ONE(planning.export_from_minute), 0, 1440},
    {"planning.export_to_minute", WHOLE, ONE(planning.export_to_minute), 0, 1440},
    {"planning.floor_percent", NUMBER, ONE(planning.floor_percent), 0, 100},
    {"planning.cycles_per_day", NUMBER, ONE(planning.cycles_per_day), 0, 1000},
    {"planning.brief", FLAG, ONE(planning.brief), 0, 1},
    {"planning.full_every_days", WHOLE, ONE(planning.full_every_days), 0, 365},
    {"planning.full_percent", NUMBER, ONE(planning.full_percent), 0, 100},
    {"planning.carbon_price_per_kg", NUMBER, ONE(planning.carbon_price_per_kg), 0, 1e6},
    {"planning.carbon_credits_export", FLAG, ONE(planning.carbon_credits_export), 0, 1},
    {"planning.end_value_factor", NUMBER, ONE(planning.end_value_factor), 0, 100},
    {"safety.commanding", FLAG, ONE(safety.commanding), 0, 1},
    {"safety.validity_s", WHOLE, ONE(safety.validity_s), 1, 86400},
    {"safety.dwell_s", WHOLE, ONE(safety.dwell_s), 0, 86400},
    {"safety.least_gain", NUMBER, ONE(safety.least_gain), 0, 1e6},
    {"safety.changes_per_day", WHOLE, ONE(safety.changes_per_day), 0, GR_MOST_CHANGES},
    {"safety.trust_clock", FLAG, ONE(safety.trust_clock), 0, 1},
    {"safety.in_the_past", FLAG, ONE(safety.in_the_past), 0, 1},
    {"safety.recovery_s", WHOLE, ONE(safety.recovery_s), 0, 86400},
    {"safety.answer_s", WHOLE, ONE(safety.answer_s), 0, 86400},
    {"safety.max_age_s", NUMBER, MANY(safety.max_age_s, GR_CHANNELS), 0, 1e7},
};
enum { SETTINGS = sizeof settings / sizeof settings[0] };

/* ---- writing ---- */

static void write_value(FILE *stream, enum kind kind, const void *field)
{
    switch (kind) {
    case NUMBER:
        (void)fprintf(stream, " %.17g", *(const double *)field);
        return;
    case WHOLE:
        (void)fprintf(stream, " %d", *(const int *)field);
        return;
    case COUNT:
        (void)fprintf(stream, " %zu", *(const size_t *)field);
        return;
    case FLAG:
        (void)fprintf(stream, " %d", *(const bool *)field);
        return;
    case SIDE:
        (void)fprintf(stream, " %d", (int)*(const enum gr_car_side *)field);
        return;
    case TEXT:
        gr_eventlog_write_text(stream, field);
        return;
    }
}

static void write_sources(FILE *stream, enum gr_direction direction, const struct gr_tariff *tariff)
{
    const char *name = gr_direction_name(direction);
    for (size_t i = 0; i < tariff->count; i++) {
        const struct gr_rate_source *source = &tariff->source[i];
        (void)fprintf(stream, "source %s %s\n", name, source->is_bands ? "bands" : "table");
        for (size_t k = 0; source->is_bands && k < source->bands.count; k++) {
            const struct gr_rate_band *band = &source->bands.band[k];
            (void)fprintf(stream, "band %s %d %d %u %d %d %d %d %.17g\n", name, band->from_minute,
                          band->to_minute, band->weekdays, band->from_month, band->from_day, band->to_month,
                          band->to_day, band->price_per_kwh);
        }
    }
}

void gr_eventlog_write_settings(FILE *stream, const struct gr_engine_config *config)
{
    for (size_t i = 0; i < SETTINGS; i++) {
        (void)fprintf(stream, "set %s", settings[i].name);
        for (size_t k = 0; k < settings[i].count; k++) {
            write_value(stream, settings[i].kind,
                        (const char *)config + settings[i].offset + k * settings[i].stride);
        }
        (void)fputc('\n', stream);
    }
    write_sources(stream, GR_IMPORT, &config->import);
    write_sources(stream, GR_EXPORT_DIRECTION, &config->export);
    write_sources(stream, GR_CARBON, &config->carbon);
}

/* ---- reading ---- */

static bool read_value(struct gr_words *words, const struct setting *setting, void *field)
{
    int64_t whole = 0;
    if (setting->kind == TEXT) {
        return gr_words_text(words, field, GR_NAME_SIZE);
    }
    if (setting->kind == NUMBER) {
        double *value = field;
        return gr_words_number(words, value) && *value >= setting->least && *value <= setting->greatest;
    }
    if (!gr_words_whole(words, (int64_t)setting->least, (int64_t)setting->greatest, &whole)) {
        return false;
    }
    if (setting->kind == COUNT) {
        *(size_t *)field = (size_t)whole;
    } else if (setting->kind == FLAG) {
        *(bool *)field = whole == 1;
    } else if (setting->kind == SIDE) {
        *(enum gr_car_side *)field = (enum gr_car_side)whole;
    } else {
        *(int *)field = (int)whole;
    }
    return true;
}

static int read_named(struct gr_engine_config *config, struct gr_words *words, struct gr_error *error)
{
    char name[48];
    if (!gr_words_take(words, name, sizeof name)) {
        return gr_error_set(error, GR_INVALID, "a setting without a name");
    }
    for (size_t i = 0; i < SETTINGS; i++) {
        bool good = strcmp(settings[i].name, name) == 0;
        if (!good) {
            continue;
        }
        for (size_t k = 0; good && k < settings[i].count; k++) {
            good =
                read_value(words, &settings[i], (char *)config + settings[i].offset + k * settings[i].stride);
        }
        return good && gr_words_end(words)
                   ? GR_OK
                   : gr_error_set(error, GR_INVALID, "%s: not what this setting may be", name);
    }
    return gr_error_set(error, GR_INVALID, "no setting is called \"%s\"", name);
}

static struct gr_tariff *tariff_of(struct gr_engine_config *config, enum gr_direction direction)
{
    return direction == GR_IMPORT   ? &config->import
           : direction == GR_CARBON ? &config->carbon
                                    : &config->export;
}

static int read_source(struct gr_engine_config *config, struct gr_words *words, struct gr_error *error)
{
    enum gr_direction direction;
    char kind[8];
    if (!gr_words_direction(words, &direction) || !gr_words_take(words, kind, sizeof kind) ||
        (strcmp(kind, "bands") != 0 && strcmp(kind, "table") != 0) || !gr_words_end(words)) {
        return gr_error_set(error, GR_INVALID, "expected: source import|export|carbon bands|table");
    }
    struct gr_tariff *tariff = tariff_of(config, direction);
    if (tariff->count == GR_MAX_SOURCES) {
        return gr_error_set(error, GR_INVALID, "more than %d sources", GR_MAX_SOURCES);
    }
    tariff->source[tariff->count++].is_bands = strcmp(kind, "bands") == 0;
    return GR_OK;
}

static int read_band(struct gr_engine_config *config, struct gr_words *words, struct gr_error *error)
{
    static const int64_t most[] = {1440, 1440, 127, 12, 31, 12, 31};
    enum gr_direction direction;
    int64_t whole[7];
    double price = NAN;
    bool good = gr_words_direction(words, &direction);
    for (size_t i = 0; i < 7; i++) {
        good = good && gr_words_whole(words, 0, most[i], &whole[i]);
    }
    good = good && gr_words_number(words, &price) && isfinite(price) && gr_words_end(words);
    struct gr_tariff *tariff = good ? tariff_of(config, direction) : NULL;
    struct gr_rate_source *source = tariff && tariff->count > 0 ? &tariff->source[tariff->count - 1] : NULL;
    if (!source || !source->is_bands || source->bands.count == GR_MAX_BANDS) {
        return gr_error_set(error, GR_INVALID, "not a band of a source of bands");
    }
    source->bands.band[source->bands.count++] = (struct gr_rate_band){.from_minute = (int)whole[0],
                                                                      .to_minute = (int)whole[1],
                                                                      .weekdays = (unsigned)whole[2],
                                                                      .from_month = (int)whole[3],
                                                                      .from_day = (int)whole[4],
                                                                      .to_month = (int)whole[5],
                                                                      .to_day = (int)whole[6],
                                                                      .price_per_kwh = price};
    return GR_OK;
}

int gr_eventlog_read_setting(struct gr_engine_config *config, const char *line, struct gr_error *error)
{
    struct gr_words words = {line};
    char kind[8] = "";
    (void)gr_words_take(&words, kind, sizeof kind);
    if (strcmp(kind, "set") == 0) {
        return read_named(config, &words, error);
    }
    if (strcmp(kind, "source") == 0) {
        return read_source(config, &words, error);
    }
    if (strcmp(kind, "band") == 0) {
        return read_band(config, &words, error);
    }
    return GR_NOT_FOUND;
}

int gr_eventlog_check_settings(const struct gr_engine_config *config, struct gr_error *error)
{
    int minutes = config->planning.slot_minutes;
    const struct gr_peak_charge *peak = &config->peak;
    if (peak->any && (peak->days < 1 || (peak->minutes != 5 && peak->minutes != 15 && peak->minutes != 30 &&
                                         peak->minutes != 60))) {
        return gr_error_set(error, GR_INVALID,
                            "peak.minutes is none of 5, 15, 30, 60, or peak.days is missing");
    }
    if (minutes != 5 && minutes != 10 && minutes != 15 && minutes != 30 && minutes != 60) {
        return gr_error_set(error, GR_INVALID,
                            "planning.slot_minutes is missing or none of 5, 10, 15, 30, 60");
    }
    if (!(config->site.battery.capacity_kwh > 0) || !(config->site.battery.charge_efficiency > 0) ||
        !(config->site.battery.discharge_efficiency > 0) || config->planning.horizon_hours == 0 ||
        config->planning.expectation.path_days == 0 || config->safety.validity_s == 0) {
        return gr_error_set(error, GR_INVALID, "settings are missing: the battery's, planning's or safety's");
    }
    const struct gr_dc_inverter *inverter = &config->site.inverter;
    if (config->site.dc_coupled && !(inverter->to_ac_efficiency > 0 && inverter->to_dc_efficiency > 0)) {
        return gr_error_set(error, GR_INVALID, "settings are missing: the inverter's efficiencies");
    }
    return GR_OK;
}
