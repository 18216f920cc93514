#include "granary/discover.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *const unit_words[] = {
    [GR_UNIT_PERCENT] = "%",       [GR_UNIT_RATIO] = "ratio", [GR_UNIT_KWH] = "kWh",
    [GR_UNIT_WH] = "Wh",           [GR_UNIT_W] = "W",         [GR_UNIT_KW] = "kW",
    [GR_UNIT_BOOLEAN] = "boolean", [GR_UNIT_CELSIUS] = "C",   [GR_UNIT_FAHRENHEIT] = "F"};

/* ---- inputs ---- */

static const char *positive_word(enum gr_channel channel, double sign)
{
    switch (channel) {
    case GR_BATTERY_POWER:
        return sign < 0 ? "discharge" : "charge";
    case GR_GRID_POWER:
        return sign < 0 ? "export" : "import";
    case GR_SOLAR_POWER:
        return sign < 0 ? "consumption" : "production";
    case GR_HOUSE_POWER:
    case GR_CAR_POWER:
        return sign < 0 ? "production" : "consumption";
    case GR_STATE_OF_CHARGE:
    case GR_GRID_PRESENT:
    case GR_INVERTER_AVAILABLE:
    case GR_OUTDOOR_TEMPERATURE:
    case GR_BATTERY_TEMPERATURE:
    case GR_CHANNELS:
        break;
    }
    return NULL;
}

/* A topic that nothing is published on, so that `granary check --live` says so. */
static void print_missing(FILE *stream, enum gr_channel channel, const char *topic, const char *unit)
{
    const char *positive = positive_word(channel, 1);
    fprintf(stream, "    %s = {                          # <-- NOT FOUND: enter the topic\n",
            gr_channel_name(channel));
    fprintf(stream, "        topic = \"not-found/%s\";\n        unit = \"%s\";\n", topic, unit);
    if (positive) {
        fprintf(stream, "        positive = \"%s\";\n", positive);
    }
    fputs("    };\n", stream);
}

static void print_found(FILE *stream, enum gr_channel channel, const struct gr_finding *finding,
                        const struct gr_topic_series *series, const char *before)
{
    char topic[4 * GR_TOPIC_SIZE + 3], pointer[4 * GR_FIELD_SIZE + 3];
    const char *positive = positive_word(channel, finding->sign);
    (void)gr_config_quote(topic, sizeof topic, series->topic); /* both fit, whatever is in them */
    (void)gr_config_quote(pointer, sizeof pointer, series->pointer);
    fprintf(stream, "%s    # %s: %s.\n", before, gr_sureness_name(finding->sureness), finding->why);
    fprintf(stream, "%s    %s = {%s\n", before, gr_channel_name(channel),
            finding->sureness == GR_SURE ? "" : "   # <-- look twice");
    fprintf(stream, "%s        topic = %s;\n", before, topic);
    if (series->is_json) {
        fprintf(stream, "%s        pointer = %s;\n", before, pointer);
    }
    fprintf(stream, "%s        unit = \"%s\";\n", before, unit_words[finding->unit]);
    if (positive) {
        fprintf(stream, "%s        positive = \"%s\";\n", before, positive);
    }
    fprintf(stream, "%s    };\n", before);
}

static void print_inputs(FILE *stream, const struct gr_proposal *proposal,
                         const struct gr_topic_series *series)
{
    static const char *const missing[GR_CHANNELS] = {[GR_STATE_OF_CHARGE] = "state-of-charge",
                                                     [GR_BATTERY_POWER] = "battery-power",
                                                     [GR_GRID_POWER] = "grid-power"};
    fputs("# Where the readings come from, as they looked while Granary listened. \"positive\" is what a "
          "positive number means.\ninputs = {\n",
          stream);
    for (int i = 0; i <= GR_CAR_POWER; i++) {
        enum gr_channel channel = (enum gr_channel)i;
        const struct gr_finding *finding = &proposal->of[channel];
        bool out = channel == GR_HOUSE_POWER && proposal->house_holds_car;
        if (out && finding->found) {
            fputs("    # The house's meter counts the car in; without it the house is worked out from the "
                  "others.\n",
                  stream);
        }
        if (finding->found) {
            print_found(stream, channel, finding, &series[finding->series], out ? "#" : "");
        } else if (missing[channel]) {
            print_missing(stream, channel, missing[channel], channel == GR_STATE_OF_CHARGE ? "%" : "W");
        }
    }
    fputs("};\n\n", stream);
}

/* ---- the rest ---- */

static void print_site(FILE *stream, const char *timezone)
{
    char zone[4 * GR_NAME_SIZE];
    fprintf(stream,
            "# Written by `granary discover`. Lines with an arrow want your eye: nothing on the broker "
            "tells them.\n"
            "# What every key means, and more of them: docs/configuration.md. Then:\n"
            "#   granary check FILE            every mistake at once, or what the file means\n"
            "#   granary check --live FILE     looks at the topics and says what looks wrong\n"
            "#\n"
            "# Caution. Limits of the inverter and of the grid connection are what a competent, licensed "
            "person approved under your\n"
            "# local rules; never enter more. The inverter must keep its own limits whatever is asked of "
            "it.\n\n"
            "site = {\n"
            "    name = \"My house\";               # <-- shown on topics and in reports\n"
            "    timezone = %s;\n"
            "    latitude_deg = 50.0;             # <-- north is positive\n"
            "    longitude_deg = 10.0;            # <-- east is positive, west is negative\n"
            "};\n\n",
            gr_config_quote(zone, sizeof zone, timezone) ? zone : "\"Etc/UTC\"");
}

static void print_battery(FILE *stream, const struct gr_proposal *proposal)
{
    fputs("battery = {\n", stream);
    if (isnan(proposal->capacity_kwh)) {
        fputs("    capacity_kwh = 10.0;             # <-- usable, between 0 % and 100 % of what the "
              "battery reports\n",
              stream);
    } else {
        fprintf(stream,
                "    capacity_kwh = %.1f;             # <-- usable; power and state of charge say about "
                "%.1f kWh\n",
                proposal->capacity_kwh, proposal->capacity_kwh);
    }
    fputs("    charge_kw = 3.0;                 # <-- greatest power in, AC side\n"
          "    discharge_kw = 3.0;              # <-- greatest power out, AC side\n"
          "    round_trip_efficiency = 0.88;    # <-- AC to AC\n"
          "    wear_per_kwh = 0.03;             # <-- price of the battery / all kWh it will give in its "
          "life\n"
          "    reserve_percent = 10;            # kept for an outage; no command goes below it\n"
          "};\n\n"
          "grid = {\n"
          "    import_limit_kw = 5.0;           # <-- of the connection: volts x amperes x phases / 1000, "
          "less a margin\n"
          "    export_limit_kw = 0.0;           # <-- as granted to you; 0 where nothing may be fed in\n",
          stream);
    if (proposal->of[GR_CAR_POWER].found) {
        fputs("    car_charger_side = \"house\";      # <-- \"grid\" where the charger lies before the "
              "inverter's meter\n",
              stream);
    }
    fputs("};\n\n", stream);
}

static void print_solar(FILE *stream, const struct gr_proposal *proposal,
                        const struct gr_topic_series *series)
{
    const struct gr_finding *sun = &proposal->of[GR_SOLAR_POWER];
    if (!sun->found) {
        fputs("# Where there are solar panels, list them here: docs/configuration.md, solar.\n\n", stream);
        return;
    }
    double seen = fmax(fabs(series[sun->series].least), fabs(series[sun->series].greatest));
    fprintf(stream,
            "# One group for each array of panels that look the same way. Seen so far: up to %.2f kW.\n"
            "solar = (\n"
            "    { name = \"roof\";\n"
            "      peak_kw = 5.0;                 # <-- sum of the panels' ratings\n"
            "      tilt_deg = 35;                 # <-- 0 flat, 90 upright\n"
            "      azimuth_deg = 180;             # <-- clockwise from north: 90 east, 180 south, 270 west\n"
            "      inverter_kw = 5.0; }           # <-- AC limit of the inverter\n"
            ");\n\n",
            sun->unit == GR_UNIT_W ? seen / 1000 : seen);
}

static void print_rest(FILE *stream)
{
    fputs("# Prices, taxes and all parts per kWh included. Tables that are published every day: "
          "conf/rates has examples.\n"
          "rates = {\n"
          "    currency = \"EUR\";                # <--\n"
          "    import = (\n"
          "        { kind = \"bands\"; name = \"by time of day\"; bands = (   # <-- the first band that "
          "matches wins\n"
          "            { from = \"23:00\"; to = \"06:00\"; price_per_kwh = 0.15; },\n"
          "            { price_per_kwh = 0.30; } ); }\n"
          "    );\n"
          "    export = (                       # left out: what is fed in earns nothing\n"
          "        { kind = \"bands\"; name = \"feed-in\"; bands = ( { price_per_kwh = 0.06; } ); }   # "
          "<--\n"
          "    );\n"
          "};\n\n"
          "safety = {\n"
          "    commanding = false;              # true once you have watched for some days and agree with "
          "what it would do\n"
          "};\n\n"
          "outputs = {\n"
          "    domain = \"homie\";                # topics begin with homie/5/granary/\n"
          "    device = \"granary\";\n"
          "};\n",
          stream);
}

char *gr_discover_config(const struct gr_proposal *proposal, const struct gr_topic_series *series,
                         const char *mqtt_group, const char *timezone)
{
    char *text = NULL;
    size_t length;
    FILE *stream = open_memstream(&text, &length);
    if (!stream) {
        return NULL;
    }
    print_site(stream, timezone);
    print_battery(stream, proposal);
    print_solar(stream, proposal, series);
    fprintf(stream, "%s\n", mqtt_group);
    print_inputs(stream, proposal, series);
    print_rest(stream);
    if (fclose(stream) != 0) {
        free(text);
        return NULL;
    }
    return text;
}
