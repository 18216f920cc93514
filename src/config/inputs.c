/* Group inputs: where each channel comes from. */
#include "config/form.h"

#include "granary/bridge.h"

#include <math.h>
#include <string.h>

struct input_form {
    struct gr_input input;
    int unit, positive;
    double max_age_s;
};
#define INPUT(member) offsetof(struct input_form, member)

static const struct gr_word all_units[] = {{"%", GR_UNIT_PERCENT},
                                           {"ratio", GR_UNIT_RATIO},
                                           {"kWh", GR_UNIT_KWH},
                                           {"Wh", GR_UNIT_WH},
                                           {"W", GR_UNIT_W},
                                           {"kW", GR_UNIT_KW},
                                           {"boolean", GR_UNIT_BOOLEAN},
                                           {"C", GR_UNIT_CELSIUS},
                                           {"F", GR_UNIT_FAHRENHEIT},
                                           {NULL, 0}};
static const struct gr_word energy_units[] = {
    {"%", GR_UNIT_PERCENT}, {"ratio", GR_UNIT_RATIO}, {"kWh", GR_UNIT_KWH}, {"Wh", GR_UNIT_WH}, {NULL, 0}};
static const struct gr_word power_units[] = {{"W", GR_UNIT_W}, {"kW", GR_UNIT_KW}, {NULL, 0}};
static const struct gr_word temperature_units[] = {
    {"C", GR_UNIT_CELSIUS}, {"F", GR_UNIT_FAHRENHEIT}, {NULL, 0}};
static const struct gr_word boolean_unit[] = {{"boolean", GR_UNIT_BOOLEAN}, {NULL, 0}};

static const struct gr_word all_directions[] = {{"charge", 1},  {"discharge", -1}, {"import", 1},
                                                {"export", -1}, {"production", 1}, {"consumption", -1},
                                                {NULL, 0}};
static const struct gr_word battery_directions[] = {{"charge", 1}, {"discharge", -1}, {NULL, 0}};
static const struct gr_word grid_directions[] = {{"import", 1}, {"export", -1}, {NULL, 0}};
static const struct gr_word solar_directions[] = {{"production", 1}, {"consumption", -1}, {NULL, 0}};
static const struct gr_word load_directions[] = {{"consumption", 1}, {"production", -1}, {NULL, 0}};

/* What differs from channel to channel. */
static const struct {
    const struct gr_word *units, *directions; /* no directions: the key is not allowed */
    bool direction_required;
    const char *direction; /* default */
    double max_age_s;
} traits[GR_CHANNELS] = {
    [GR_STATE_OF_CHARGE] = {energy_units, NULL, false, NULL, 300},
    [GR_BATTERY_POWER] = {power_units, battery_directions, true, NULL, 120},
    [GR_GRID_POWER] = {power_units, grid_directions, true, NULL, 120},
    [GR_SOLAR_POWER] = {power_units, solar_directions, false, "production", 120},
    [GR_HOUSE_POWER] = {power_units, load_directions, false, "consumption", 120},
    [GR_CAR_POWER] = {power_units, load_directions, false, "consumption", 120},
    [GR_GRID_PRESENT] = {boolean_unit, NULL, false, NULL, 3600},
    [GR_INVERTER_AVAILABLE] = {power_units, NULL, false, NULL, 3600},
    [GR_OUTDOOR_TEMPERATURE] = {temperature_units, NULL, false, NULL, 7200},
    [GR_BATTERY_TEMPERATURE] = {temperature_units, NULL, false, NULL, 3600},
};

const struct gr_key gr_inputs_keys[] = {
    {.name = "state_of_charge",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .required = true,
     .about = "stored energy as a share of the usable capacity, or as energy"},
    {.name = "battery_power",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .about = "power into or out of the battery, AC side; DC side where battery.coupling is \"dc\""},
    {.name = "grid_power",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .about = "power at the grid meter"},
    {.name = "solar_power",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .about = "power of all solar arrays, likewise"},
    {.name = "house_power",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .about = "what the house draws, without the battery and without the car"},
    {.name = "car_power",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .about = "what the car charger draws"},
    {.name = "grid_present",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .about = "whether there is mains voltage"},
    {.name = "inverter_available",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .about = "the power that the battery's inverter can give or take at present"},
    {.name = "outdoor_temperature",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .about = "air temperature outdoors, which heating and cooling are learned from"},
    {.name = "battery_temperature",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .about = "temperature of the battery's cells, which battery.charge_by_temperature goes by"},
    {.name = NULL}};

const struct gr_key gr_input_keys[] = {
    {.name = "topic",
     .kind = GR_KEY_TEXT,
     .offset = INPUT(input.topic),
     .size = GR_TOPIC_SIZE,
     .required = true,
     .about = "MQTT topic; + stands for one level, # at the end for all that follow"},
    {.name = "pointer",
     .kind = GR_KEY_TEXT,
     .offset = INPUT(input.pointer),
     .size = GR_FIELD_SIZE,
     .standard_text = "none: the payload is the plain value",
     .about = "JSON Pointer (RFC 6901) to the value in a JSON payload; \"\" is the whole document"},
    {.name = "unit",
     .kind = GR_KEY_WORD,
     .offset = INPUT(unit),
     .words = all_units,
     .required = true,
     .about = "unit of the value in the payload. State of charge: %, ratio, kWh or Wh; powers and "
              "inverter_available: W or kW; "
              "grid_present: boolean; outdoor_temperature and battery_temperature: C or F"},
    {.name = "positive",
     .kind = GR_KEY_WORD,
     .offset = INPUT(positive),
     .words = all_directions,
     .about =
         "what a positive value means. Needed for battery_power (charge, discharge) and grid_power (import, "
         "export). solar_power, house_power and car_power (production, consumption) need it only where the "
         "meter "
         "shows production or consumption as negative. The other channels have no direction"},
    {.name = "scale",
     .kind = GR_KEY_NUMBER,
     .offset = INPUT(input.scale),
     .least = 0.000001,
     .greatest = 1000000,
     .standard = 1,
     .about = "factor on the number in the payload, before everything else"},
    {.name = "offset",
     .kind = GR_KEY_NUMBER,
     .offset = INPUT(input.offset),
     .least = -1000000,
     .greatest = 1000000,
     .standard = 0,
     .about = "added after scale, in the unit of the payload"},
    {.name = "max_age_s",
     .kind = GR_KEY_NUMBER,
     .offset = INPUT(max_age_s),
     .unit = "s",
     .least = 1,
     .greatest = 86400,
     .standard_text =
         "120; state of charge 300; grid_present, inverter_available and battery_temperature 3600; "
         "outdoor_temperature 7200",
     .about = "a reading older than this counts as missing"},
    {.name = "least",
     .kind = GR_KEY_NUMBER,
     .offset = INPUT(input.least),
     .least = -10000,
     .greatest = 10000,
     .standard = NAN,
     .standard_text = "what the site can do, with a margin",
     .about = "smallest plausible value, in %, kW or degrees Celsius and with Granary's sign (charge, "
              "import, production and "
              "consumption are "
              "positive); what lies below is refused"},
    {.name = "greatest",
     .kind = GR_KEY_NUMBER,
     .offset = INPUT(input.greatest),
     .least = -10000,
     .greatest = 10000,
     .standard = NAN,
     .standard_text = "what the site can do, with a margin",
     .about = "greatest plausible value, likewise"},
    {.name = NULL}};

#define INPUT_KEYS (sizeof gr_input_keys / sizeof *gr_input_keys)

/* The table as it is for one channel. */
static void keys_of(enum gr_channel channel, struct gr_key out[INPUT_KEYS])
{
    size_t count = 0;
    for (const struct gr_key *key = gr_input_keys; key->name; key++) {
        struct gr_key own = *key;
        if (key->offset == INPUT(unit)) {
            own.words = traits[channel].units;
        } else if (key->offset == INPUT(positive) && !traits[channel].directions) {
            own.kind = GR_KEY_PART;
        } else if (key->offset == INPUT(positive)) {
            own.words = traits[channel].directions;
            own.required = traits[channel].direction_required;
            own.standard_text = traits[channel].direction;
            own.about = "what a positive value means";
        } else if (key->offset == INPUT(max_age_s)) {
            own.standard = traits[channel].max_age_s;
        }
        out[count++] = own;
    }
    out[count] = (struct gr_key){.name = NULL};
}

struct range {
    double least, greatest;
};

/* Meters overshoot and connections are overdrawn for a while, so a reading is refused only well beyond the
 * limits. */
static double with_margin(double power_kw)
{
    return 1.5 * power_kw + 0.5;
}

static double solar_kw(const struct gr_site *site)
{
    double sum = 0;
    for (size_t i = 0; i < site->array_count; i++) {
        sum += fmin(site->arrays[i].peak_kw, site->arrays[i].inverter_kw);
    }
    return sum;
}

/* At night meters show a few watts the wrong way round. */
#define LEAST_ONE_SIDED_KW (-0.2)

static struct range plausible(enum gr_channel channel, const struct gr_site *site)
{
    const struct gr_battery *battery = &site->battery;
    double solar = solar_kw(site), import = with_margin(site->grid.import_limit_kw);
    double given = solar + battery->discharge_kw;
    switch (channel) {
    case GR_BATTERY_POWER:
        return (struct range){-with_margin(battery->discharge_kw), with_margin(battery->charge_kw)};
    case GR_GRID_POWER:
        return (struct range){-with_margin(fmax(given, site->grid.export_limit_kw)), import};
    case GR_SOLAR_POWER:
        return (struct range){LEAST_ONE_SIDED_KW, with_margin(solar)};
    case GR_HOUSE_POWER:
        return (struct range){LEAST_ONE_SIDED_KW, import + with_margin(given)};
    case GR_CAR_POWER:
        return (struct range){LEAST_ONE_SIDED_KW, import};
    case GR_GRID_PRESENT:
        return (struct range){0, 1};
    case GR_INVERTER_AVAILABLE:
        return (struct range){0, with_margin(solar + fmax(battery->charge_kw, battery->discharge_kw))};
    case GR_OUTDOOR_TEMPERATURE:
    case GR_BATTERY_TEMPERATURE:
        return (struct range){-60, 60};
    case GR_STATE_OF_CHARGE:
    case GR_CHANNELS:
        break;
    }
    return (struct range){0, 100};
}

static void settle_range(struct gr_reader *reader, const config_setting_t *group, enum gr_channel channel,
                         const struct gr_site *site, struct gr_input *input)
{
    struct range usual = plausible(channel, site);
    input->least = isnan(input->least) ? usual.least : input->least;
    input->greatest = isnan(input->greatest) ? usual.greatest : input->greatest;
    if (input->least >= input->greatest) {
        gr_complain(reader, group, gr_given(group, "greatest") ? "greatest" : "least",
                    "found %.6g to %.6g as the plausible range; allowed: the least below the greatest",
                    input->least, input->greatest);
    }
}

static void check_topic(struct gr_reader *reader, const config_setting_t *group, const struct gr_input *input)
{
    struct gr_error error = {""};
    if (input->topic[0] && gr_topic_check(input->topic, true, &error) != GR_OK) {
        gr_complain(reader, group, "topic", "%s", error.text);
    }
    if (input->is_json && gr_json_pointer_check(input->pointer, &error) != GR_OK) {
        gr_complain(reader, group, "pointer", "%s", error.text);
    }
}

static void read_input(struct gr_reader *reader, const config_setting_t *group, enum gr_channel channel,
                       struct gr_config *out)
{
    struct gr_key keys[INPUT_KEYS];
    keys_of(channel, keys);
    struct input_form form = {.positive = 1};
    gr_form_read(reader, group, (const struct gr_key *const[]){keys, NULL}, &form);
    struct gr_input *input = &form.input;
    input->configured = true;
    input->is_json = gr_given(group, "pointer");
    input->unit = (enum gr_unit)form.unit;
    input->sign = form.positive;
    if (!traits[channel].directions && gr_given(group, "positive")) {
        gr_complain(reader, group, "positive", "found on a channel that has no direction; leave the key out");
    }
    settle_range(reader, group, channel, &out->engine.site, input);
    check_topic(reader, group, input);
    out->inputs[channel] = *input;
    out->engine.safety.max_age_s[channel] = form.max_age_s;
}

/* The same value for two channels is a line that was copied and not changed. */
static void check_twins(struct gr_reader *reader, const config_setting_t *group,
                        const struct gr_input *inputs)
{
    for (int a = 0; a < GR_CHANNELS; a++) {
        for (int b = 0; b < a; b++) {
            const struct gr_input *one = &inputs[a], *other = &inputs[b];
            if (one->topic[0] && strcmp(one->topic, other->topic) == 0 &&
                strcmp(one->pointer, other->pointer) == 0) {
                gr_complain(reader, config_setting_get_member(group, gr_channel_name((enum gr_channel)a)),
                            "topic",
                            "found the same value as for %s; allowed: a topic, or a pointer, of its own",
                            gr_channel_name((enum gr_channel)b));
            }
        }
    }
}

/* Net load is house less solar, or grid less battery. */
static void check_net_load(struct gr_reader *reader, const config_setting_t *group,
                           const struct gr_config *config)
{
    const struct gr_input *inputs = config->inputs;
    bool house = inputs[GR_HOUSE_POWER].configured, grid = inputs[GR_GRID_POWER].configured;
    if (!house && !grid) {
        gr_complain(reader, group, "house_power", "missing, as is grid_power; needed: one of them at least");
    } else if (!house && !inputs[GR_BATTERY_POWER].configured) {
        gr_complain(reader, group, "battery_power",
                    "missing; needed beside grid_power where there is no house_power");
    }
    if (config->engine.site.grid.car_charger_kw > 0 && inputs[GR_CAR_POWER].configured) {
        gr_complain(
            reader, config_setting_get_member(group, "car_power"), NULL,
            "found although grid.car_charger_kw says that the car has no topic of its own; allowed: one "
            "of the two");
    }
    if (config->engine.site.array_count > 0 && !inputs[GR_SOLAR_POWER].configured) {
        gr_complain(reader, group, "solar_power", "missing; needed where there are solar arrays");
    }
}

static void check_temperature(struct gr_reader *reader, const config_setting_t *group,
                              const struct gr_config *config)
{
    bool has_curve = config->engine.site.curves.charge_by_temperature.count > 0;
    bool is_read = config->inputs[GR_BATTERY_TEMPERATURE].configured;
    if (has_curve && !is_read) {
        gr_complain(reader, group, "battery_temperature",
                    "missing; needed for battery.charge_by_temperature");
    } else if (is_read && !has_curve) {
        gr_complain(reader, config_setting_get_member(group, "battery_temperature"), NULL,
                    "found without battery.charge_by_temperature; nothing goes by it");
    }
}

void gr_inputs_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out)
{
    const config_setting_t *group = gr_group_member(reader, root, "inputs", true);
    if (!group) {
        return;
    }
    char none;
    gr_form_read(reader, group, (const struct gr_key *const[]){gr_inputs_keys, NULL}, &none);
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        const char *name = gr_channel_name((enum gr_channel)channel);
        const config_setting_t *input = gr_group_member(reader, group, name, channel == GR_STATE_OF_CHARGE);
        if (input) {
            read_input(reader, input, (enum gr_channel)channel, out);
        }
    }
    check_twins(reader, group, out->inputs);
    check_net_load(reader, group, out);
    check_temperature(reader, group, out);
}
