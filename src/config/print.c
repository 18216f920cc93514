#include "config/form.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char *unit_name(enum gr_unit unit)
{
    static const char *const names[] = {[GR_UNIT_PERCENT] = "percent",
                                        [GR_UNIT_RATIO] = "a ratio from 0 to 1",
                                        [GR_UNIT_KWH] = "kWh",
                                        [GR_UNIT_WH] = "Wh",
                                        [GR_UNIT_W] = "W",
                                        [GR_UNIT_KW] = "kW",
                                        [GR_UNIT_BOOLEAN] = "true or false",
                                        [GR_UNIT_CELSIUS] = "degrees Celsius",
                                        [GR_UNIT_FAHRENHEIT] = "degrees Fahrenheit"};
    return names[unit];
}

/* What a positive payload says, as far as the channel has a direction. */
static const char *direction(enum gr_channel channel, double sign)
{
    switch (channel) {
    case GR_BATTERY_POWER:
        return sign > 0 ? ", positive while charging" : ", positive while discharging";
    case GR_GRID_POWER:
        return sign > 0 ? ", positive while importing" : ", positive while exporting";
    case GR_SOLAR_POWER:
    case GR_HOUSE_POWER:
    case GR_CAR_POWER:
        return sign > 0 ? "" : ", shown negative by the meter";
    default:
        return "";
    }
}

static void print_input(FILE *stream, enum gr_channel channel, const struct gr_config *config)
{
    const struct gr_input *input = &config->inputs[channel];
    fprintf(stream, "  %-20s", gr_channel_name(channel));
    if (!input->configured) {
        fprintf(stream, "not configured\n");
        return;
    }
    fprintf(stream, "%s", input->topic);
    if (input->is_json) {
        fprintf(stream, ", JSON at \"%s\"", input->pointer);
    }
    fprintf(stream, ", in %s%s", unit_name(input->unit), direction(channel, input->sign));
    if (input->scale != 1 || input->offset != 0) {
        fprintf(stream, ", number x %.6g %+.6g", input->scale, input->offset);
    }
    fprintf(stream, ";\n%22smissing after %g s", "", config->engine.safety.max_age_s[channel]);
    if (channel != GR_GRID_PRESENT) {
        fprintf(stream, "; believed from %.4g to %.4g %s", input->least, input->greatest,
                gr_channel_unit(channel));
    }
    fprintf(stream, "\n");
}

static void print_mqtt(FILE *stream, const struct gr_mqtt *mqtt)
{
    fprintf(stream, "\nBroker\n  %s, port %d, %s, %s.\n", mqtt->host, mqtt->port,
            mqtt->protocol == 5 ? "MQTT 5 (3.1.1 where it is refused)" : "MQTT 3.1.1",
            mqtt->tls ? "encrypted with TLS" : "not encrypted");
    fprintf(stream, "  We are \"%s\"", mqtt->client_id);
    if (mqtt->user[0]) {
        fprintf(stream, ", user \"%s\" with %s", mqtt->user,
                mqtt->password_file[0] ? "a password" : "no password");
    } else {
        fprintf(stream, ", without a user");
    }
    fprintf(stream, "%s.\n", mqtt->certificate_file[0] ? ", with a certificate of our own" : "");
    fprintf(stream, "  Should Granary or its machine die, the broker publishes `follow` within %d s.\n",
            mqtt->keep_alive_s * 3 / 2);
}

static void print_secret(FILE *stream, const char *what, const char *name)
{
    char *text = NULL;
    struct gr_error error = {""};
    if (!name[0]) {
        return;
    }
    if (gr_secret_read(&text, name, &error) == GR_OK) {
        explicit_bzero(text, strlen(text));
        free(text);
    }
    if (error.text[0]) {
        fprintf(stream, "  Note on the %s: %s.\n", what, error.text);
    }
}

static void print_secrets(FILE *stream, const struct gr_config *config)
{
    print_secret(stream, "password", config->mqtt.password_file);
    for (size_t i = 0; i < config->import_count; i++) {
        print_secret(stream, config->import[i].name, config->import[i].headers_file);
    }
    for (size_t i = 0; i < config->export_count; i++) {
        print_secret(stream, config->export[i].name, config->export[i].headers_file);
    }
    for (size_t i = 0; i < config->carbon_count; i++) {
        print_secret(stream, config->carbon[i].name, config->carbon[i].headers_file);
    }
    print_secret(stream, config->weather.source.name, config->weather.source.headers_file);
    for (size_t i = 0; i < config->event_source_count; i++) {
        const struct gr_source *source = &config->event_sources[i].source;
        print_secret(stream, source->name, source->headers_file);
    }
}

static void print_holidays(FILE *stream, const struct gr_holidays *holidays)
{
    size_t count = 0;
    while (count < GR_MOST_HOLIDAYS && holidays->date[count] != 0) {
        count++;
    }
    if (count > 0) {
        fprintf(stream, "  %zu holidays are lived like weekend days.\n", count);
    }
}

static void print_carbon(FILE *stream, const struct gr_planning *planning, const char *currency)
{
    if (planning->carbon_price_per_kg > 0) {
        fprintf(stream, "  A kg of carbon dioxide counts %.4g %s, %s.\n", planning->carbon_price_per_kg,
                currency,
                planning->carbon_credits_export ? "imported or spared by export" : "in imports alone");
    }
}

static void print_planning(FILE *stream, const struct gr_engine_config *engine, const char *currency)
{
    const struct gr_planning *planning = &engine->planning;
    double day_kwh = 0;
    for (size_t i = 0; i < 24; i++) {
        day_kwh += planning->expectation.house_kw[i];
    }
    fprintf(
        stream,
        "\nPlanning\n  %d hours ahead in slots of %d minutes, over the last %zu days as possible courses.\n",
        planning->horizon_hours, planning->slot_minutes, planning->expectation.path_days);
    fprintf(stream,
            "  Until there is a history: a house of %.1f kWh a day, and %.0f %% of a clear day's sun.\n",
            day_kwh, 100 * planning->expectation.usual_clearness);
    fprintf(stream,
            "  Plans use the battery down to %.4g %% (%.2f kWh). The battery %s feed the grid by command.\n",
            planning->floor_percent, planning->floor_percent / 100 * engine->site.battery.capacity_kwh,
            planning->may_export ? "may" : "does not");
    print_holidays(stream, &planning->expectation.holidays);
    print_carbon(stream, planning, currency);
    fprintf(stream, "  What is left at the end counts %.0f %% of the usual import price.\n",
            100 * planning->end_value_factor);
}

static void print_safety(FILE *stream, const struct gr_safety *safety, const char *currency)
{
    fprintf(stream, "\nSafety\n  %s\n",
            safety->commanding
                ? "Granary COMMANDS the battery."
                : "Granary only observes and publishes what it would command (commanding = false).");
    fprintf(stream, "  A command expires after %d s and is renewed at half of that.\n", safety->validity_s);
    fprintf(
        stream,
        "  It stands for at least %d s, changes for at least %.4g %s, and at most %d times in 24 hours.\n",
        safety->dwell_s, safety->least_gain, currency, safety->changes_per_day);
    fprintf(stream, "  After a fault all must be well for %d s before commands resume.\n",
            safety->recovery_s);
    if (safety->trust_clock) {
        fprintf(stream, "  The clock is trusted even where the system does not call it synchronised.\n");
    }
}

static void print_outputs(FILE *stream, const struct gr_outputs *outputs)
{
    fprintf(stream, "\nOutputs\n  Device \"%s\" under %s/. Database in %s.\n", outputs->device,
            outputs->domain,
            outputs->state_directory[0] ? outputs->state_directory
                                        : "the folder that systemd gives ($STATE_DIRECTORY)");
    fprintf(stream, "  Half hours are kept for %d days, means over 5 minutes for %d.\n", outputs->keep_days,
            outputs->keep_days_fine);
}

void gr_config_print(FILE *stream, const struct gr_config *config)
{
    fprintf(stream, "%s is valid. It says, with all that it left to defaults:\n", config->file);
    gr_print_site(stream, config);
    gr_print_rates(stream, config);
    gr_print_weather(stream, &config->weather);
    gr_print_event_sources(stream, config);
    print_mqtt(stream, &config->mqtt);
    fprintf(stream, "\nInputs\n");
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        print_input(stream, (enum gr_channel)channel, config);
    }
    print_planning(stream, &config->engine, config->currency);
    print_safety(stream, &config->engine.safety, config->currency);
    print_outputs(stream, &config->outputs);
    print_secrets(stream, config);
}
