/* The rate sources in plain words. */
#include "config/form.h"

#include <string.h>

static void print_days(FILE *stream, unsigned weekdays)
{
    static const char *const names[7] = {"Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"};
    if (weekdays == 127) {
        fprintf(stream, "every day");
        return;
    }
    const char *comma = "";
    for (unsigned day = 0; day < 7; day++) {
        if (weekdays & (1U << day)) {
            fprintf(stream, "%s%s", comma, names[day]);
            comma = ", ";
        }
    }
}

static void print_bands(FILE *stream, const struct gr_rate_bands *bands)
{
    for (size_t i = 0; i < bands->count; i++) {
        const struct gr_rate_band *band = &bands->band[i];
        fprintf(stream, "    %02d:%02d to %02d:%02d, ", band->from_minute / 60, band->from_minute % 60,
                band->to_minute / 60, band->to_minute % 60);
        print_days(stream, band->weekdays);
        if (band->from_month) {
            fprintf(stream, " from %02d-%02d to %02d-%02d", band->from_month, band->from_day, band->to_month,
                    band->to_day);
        }
        fprintf(stream, ": %.4f\n", band->price_per_kwh);
    }
}

/* The query may hold a key. */
void gr_print_url(FILE *stream, const char *url)
{
    const char *scheme = strstr(url, "://");
    const char *host = scheme ? scheme + 3 : url;
    const char *user = memchr(host, '@', strcspn(host, "/?#"));
    fprintf(stream, "%.*s", (int)(host - url), url);
    host = user ? user + 1 : host;
    size_t shown = strcspn(host, "?#");
    fprintf(stream, "%.*s%s", (int)shown, host, host[shown] ? "?..." : "");
}

static const char *unit_of(double scale)
{
    return scale == 1       ? "the main unit per kWh"
           : scale == 0.001 ? "the main unit per MWh"
                            : "hundredths per kWh";
}

static void print_mapping(FILE *stream, const struct gr_rate_mapping *mapping, bool is_carbon)
{
    fprintf(stream, "    %s; start \"%s\", %s \"%s\" in %s",
            mapping->format == GR_RATES_JSON ? "JSON" : "CSV", mapping->start,
            is_carbon ? "intensity" : "price", mapping->price,
            !is_carbon            ? unit_of(mapping->scale)
            : mapping->scale == 1 ? "kg per kWh"
                                  : "g per kWh");
    if (mapping->factor != 1) {
        fprintf(stream, ", times %.6g", mapping->factor);
    }
    if (mapping->add_per_kwh != 0) {
        fprintf(stream, ", %+.6g per kWh", mapping->add_per_kwh);
    }
    fprintf(stream, ".\n");
    gr_print_slots(stream, mapping);
}

void gr_print_slots(FILE *stream, const struct gr_rate_mapping *mapping)
{
    fprintf(stream, "    Slots end ");
    if (mapping->end[0]) {
        fprintf(stream, "at \"%s\"", mapping->end);
    } else if (mapping->duration[0]) {
        fprintf(stream, "after \"%s\"", mapping->duration);
    } else if (mapping->slot_minutes) {
        fprintf(stream, "after %d minutes", mapping->slot_minutes);
    } else {
        fprintf(stream, "where the next begins");
    }
    fprintf(stream, "; times without an offset are %s.\n", mapping->start_is_local ? "local" : "refused");
}

static void print_source(FILE *stream, const struct gr_source *source, bool is_carbon)
{
    fprintf(stream, "  \"%s\": ", source->name);
    if (source->kind == GR_SOURCE_BANDS) {
        fprintf(stream, "by time of day, the first that matches:\n");
        print_bands(stream, &source->bands);
        return;
    }
    if (source->kind == GR_SOURCE_HTTP) {
        fprintf(stream, "fetched from ");
        gr_print_url(stream, source->url);
        fprintf(stream, "%s, tomorrow's from %02d:%02d.\n",
                source->headers_file[0] ? " with headers of our own" : "", source->fetch_from_minute / 60,
                source->fetch_from_minute % 60);
    } else {
        fprintf(stream, "read from %s.\n", source->path);
    }
    print_mapping(stream, &source->mapping, is_carbon);
    fprintf(stream, "    %s from %.4g to %.4g are believed.\n", is_carbon ? "Intensities" : "Prices",
            source->least_per_kwh, source->greatest_per_kwh);
}

static void print_peak(FILE *stream, const struct gr_config *config)
{
    const struct gr_peak_charge *peak = &config->engine.peak;
    if (!peak->any) {
        return;
    }
    fprintf(stream,
            "\nPeak charge in %s a month\n  For the mean of the %zu highest daily peaks of %d minutes",
            config->currency, peak->days, peak->minutes);
    if (peak->from_minute != peak->to_minute % 1440) {
        fprintf(stream, ", %02d:%02d to %02d:%02d", peak->from_minute / 60, peak->from_minute % 60,
                peak->to_minute / 60, peak->to_minute % 60);
    }
    fprintf(stream, "%s:", peak->weekdays != 127 ? ", on some days of the week" : "");
    if (peak->step_count == 0) {
        fprintf(stream, " %.4g for each kW", peak->per_kw);
    }
    for (size_t i = 0; i < peak->step_count; i++) {
        fprintf(stream, "%s up to %.4g kW %.4g", i > 0 ? "," : "", peak->step[i].up_to_kw,
                peak->step[i].price);
    }
    fprintf(stream, ".\n");
}

void gr_print_rates(FILE *stream, const struct gr_config *config)
{
    fprintf(stream, "\nImport prices in %s per kWh\n", config->currency);
    for (size_t i = 0; i < config->import_count; i++) {
        print_source(stream, &config->import[i], false);
    }
    fprintf(stream, "\nExport prices in %s per kWh\n", config->currency);
    for (size_t i = 0; i < config->export_count; i++) {
        print_source(stream, &config->export[i], false);
    }
    for (size_t i = 0; i < config->carbon_count; i++) {
        fprintf(stream, "%s", i == 0 ? "\nCarbon dioxide in kg per kWh from the grid\n" : "");
        print_source(stream, &config->carbon[i], true);
    }
    print_peak(stream, config);
}
