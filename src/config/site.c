/* Groups site, battery, grid and solar. */
#include "config/form.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

const struct gr_guess gr_guess_kilo[] = {{"watts", 0.001, 0}, {NULL, 0, 0}};
const struct gr_guess gr_guess_percent[] = {{"percent", 0.01, 0}, {NULL, 0, 0}};
const struct gr_guess gr_guess_money[] = {{"hundredths", 0.01, 0}, {NULL, 0, 0}};

static const struct gr_guess watt_hours[] = {{"watt-hours", 0.001, 0}, {NULL, 0, 0}};
static const struct gr_guess kilowatts[] = {{"kilowatts", 1000, 0}, {NULL, 0, 0}};
static const struct gr_guess ratio[] = {{"a ratio", 100, 0}, {NULL, 0, 0}};
static const struct gr_guess from_south[] = {{"degrees counted from south", 1, 180}, {NULL, 0, 0}};

#define SITE(member) offsetof(struct gr_site, member)

const struct gr_key gr_site_keys[] = {
    {.name = "name",
     .kind = GR_KEY_TEXT,
     .offset = SITE(name),
     .size = GR_NAME_SIZE,
     .required = true,
     .about = "what the house is called on topics and in reports"},
    {.name = "timezone",
     .kind = GR_KEY_TEXT,
     .offset = SITE(timezone),
     .size = GR_NAME_SIZE,
     .required = true,
     .about = "time zone of the house and of its rates, as in /usr/share/zoneinfo"},
    {.name = "latitude_deg",
     .kind = GR_KEY_NUMBER,
     .offset = SITE(latitude_deg),
     .unit = "degrees",
     .required = true,
     .least = -90,
     .greatest = 90,
     .about = "north is positive; a tenth of a degree is good enough"},
    {.name = "longitude_deg",
     .kind = GR_KEY_NUMBER,
     .offset = SITE(longitude_deg),
     .unit = "degrees",
     .required = true,
     .least = -180,
     .greatest = 180,
     .about = "east is positive, west is negative"},
    {.name = NULL}};

struct battery_form {
    struct gr_battery battery;
    double reserve_percent, round_trip_efficiency, standing_loss_w;
    int coupling;
    struct gr_dc_inverter inverter;
};
#define BATTERY(member) offsetof(struct battery_form, member)

enum { AC_COUPLED, DC_COUPLED };
static const struct gr_word couplings[] = {{"ac", AC_COUPLED}, {"dc", DC_COUPLED}, {NULL, 0}};

const struct gr_key gr_battery_keys[] = {
    {.name = "capacity_kwh",
     .kind = GR_KEY_NUMBER,
     .offset = BATTERY(battery.capacity_kwh),
     .unit = "kWh",
     .required = true,
     .least = 0.5,
     .greatest = 1000,
     .guesses = watt_hours,
     .about = "usable capacity: what lies between 0 % and 100 % of the reported state of charge"},
    {.name = "charge_kw",
     .kind = GR_KEY_NUMBER,
     .offset = BATTERY(battery.charge_kw),
     .unit = "kW",
     .required = true,
     .least = 0.1,
     .greatest = 200,
     .guesses = gr_guess_kilo,
     .about = "greatest power into the battery, AC side"},
    {.name = "discharge_kw",
     .kind = GR_KEY_NUMBER,
     .offset = BATTERY(battery.discharge_kw),
     .unit = "kW",
     .required = true,
     .least = 0.1,
     .greatest = 200,
     .guesses = gr_guess_kilo,
     .about = "greatest power out of the battery, AC side"},
    {.name = "round_trip_efficiency",
     .kind = GR_KEY_NUMBER,
     .offset = BATTERY(round_trip_efficiency),
     .least = 0.4,
     .greatest = 1,
     .standard = NAN,
     .guesses = gr_guess_percent,
     .about = "share of the energy put in (AC) that comes out again (AC); split evenly between charging and "
              "discharging. Give this, or the two efficiencies below"},
    {.name = "charge_efficiency",
     .kind = GR_KEY_NUMBER,
     .offset = BATTERY(battery.charge_efficiency),
     .least = 0.5,
     .greatest = 1,
     .standard = NAN,
     .guesses = gr_guess_percent,
     .about = "share of the AC energy that is stored while charging"},
    {.name = "discharge_efficiency",
     .kind = GR_KEY_NUMBER,
     .offset = BATTERY(battery.discharge_efficiency),
     .least = 0.5,
     .greatest = 1,
     .standard = NAN,
     .guesses = gr_guess_percent,
     .about = "share of the stored energy that reaches the AC side while discharging"},
    {.name = "standing_loss_w",
     .kind = GR_KEY_NUMBER,
     .offset = BATTERY(standing_loss_w),
     .unit = "W",
     .zero_ok = true,
     .least = 1,
     .greatest = 1000,
     .standard = 0,
     .guesses = kilowatts,
     .about = "what the battery and its inverter lose all the time while something is stored"},
    {.name = "wear_per_kwh",
     .kind = GR_KEY_NUMBER,
     .offset = BATTERY(battery.wear_per_kwh),
     .unit = "money/kWh",
     .zero_ok = true,
     .least = 0.0001,
     .greatest = 1000,
     .standard = 0,
     .about = "what you count for the ageing of the battery per kWh it gives: no cycle is made that earns "
              "less. The "
              "price of the battery divided by all the kWh it will give in its life is a start"},
    {.name = "reserve_percent",
     .kind = GR_KEY_NUMBER,
     .offset = BATTERY(reserve_percent),
     .unit = "%",
     .zero_ok = true,
     .least = 1,
     .greatest = 95,
     .standard = 10,
     .guesses = ratio,
     .about = "share of the capacity that is kept for an outage; no command discharges below it"},
    {.name = "coupling",
     .kind = GR_KEY_WORD,
     .offset = BATTERY(coupling),
     .words = couplings,
     .standard_text = "\"ac\"",
     .about = "\"ac\": the battery has a converter of its own; \"dc\": it shares one inverter with the sun. "
              "Powers, "
              "efficiencies and losses of the battery, and solar power, are then those of the DC side"},
    {.name = "inverter_kw",
     .kind = GR_KEY_NUMBER,
     .offset = BATTERY(inverter.limit_kw),
     .unit = "kW",
     .least = 0.1,
     .greatest = 200,
     .standard = NAN,
     .guesses = gr_guess_kilo,
     .about = "greatest AC power of that inverter, either way; only with coupling = \"dc\", and needed then"},
    {.name = "inverter_to_ac_efficiency",
     .kind = GR_KEY_NUMBER,
     .offset = BATTERY(inverter.to_ac_efficiency),
     .least = 0.5,
     .greatest = 1,
     .standard = 0.97,
     .guesses = gr_guess_percent,
     .about = "share of the DC side's energy that it gives to the AC side"},
    {.name = "inverter_to_dc_efficiency",
     .kind = GR_KEY_NUMBER,
     .offset = BATTERY(inverter.to_dc_efficiency),
     .least = 0.5,
     .greatest = 1,
     .standard = 0.97,
     .guesses = gr_guess_percent,
     .about = "share of the AC energy that it gives to the DC side while charging from the grid"},
    {.name = "charge_taper",
     .kind = GR_KEY_PART,
     .unit = "a list of at most 12 groups",
     .about = "greatest charging power by state of charge, where it is not charge_kw all the way: most "
              "batteries take less when nearly full"},
    {.name = "discharge_taper",
     .kind = GR_KEY_PART,
     .unit = "a list of at most 12 groups",
     .about = "greatest discharging power by state of charge, likewise"},
    {.name = "charge_by_temperature",
     .kind = GR_KEY_PART,
     .unit = "a list of at most 12 groups",
     .about =
         "greatest charging power by the temperature of the cells, where they take less in the cold or the "
         "heat; needs inputs.battery_temperature"},
    {.name = "charge_losses",
     .kind = GR_KEY_PART,
     .unit = "a list of at most 12 groups",
     .about = "what conversion loses by power while charging; given with discharge_losses, in place of the "
              "efficiencies"},
    {.name = "discharge_losses",
     .kind = GR_KEY_PART,
     .unit = "a list of at most 12 groups",
     .about = "the same while discharging"},
    {.name = "wear_by_level",
     .kind = GR_KEY_PART,
     .unit = "a list of at most 12 groups",
     .about = "wear of a kWh taken from the store by state of charge, on top of wear_per_kwh: deep discharge "
              "may wear more"},
    {.name = NULL}};

static const struct gr_word car_sides[] = {
    {"grid", GR_CAR_ON_GRID_SIDE}, {"house", GR_CAR_ON_HOUSE_SIDE}, {NULL, 0}};

#define GRID(member) offsetof(struct grid_form, member)
struct grid_form {
    struct gr_grid grid;
    int car_side;
};

const struct gr_key gr_grid_keys[] = {
    {.name = "import_limit_kw",
     .kind = GR_KEY_NUMBER,
     .offset = GRID(grid.import_limit_kw),
     .unit = "kW",
     .required = true,
     .least = 0.5,
     .greatest = 500,
     .guesses = gr_guess_kilo,
     .about = "greatest power the connection may draw (volts x amperes x phases / 1000, less a margin)"},
    {.name = "export_limit_kw",
     .kind = GR_KEY_NUMBER,
     .offset = GRID(grid.export_limit_kw),
     .unit = "kW",
     .required = true,
     .zero_ok = true,
     .least = 0.1,
     .greatest = 500,
     .guesses = gr_guess_kilo,
     .about = "greatest power that may be fed in; 0 where nothing may"},
    {.name = "solar_curtailable",
     .kind = GR_KEY_BOOLEAN,
     .offset = GRID(grid.solar_curtailable),
     .standard = 1,
     .about = "whether the inverter holds solar back by itself at the export limit"},
    {.name = "car_charger_side",
     .kind = GR_KEY_WORD,
     .offset = GRID(car_side),
     .words = car_sides,
     .standard_text = "house",
     .about = "where the car charger is wired: \"house\" where the inverter's meter sees it as load (the "
              "battery would feed "
              "the car), \"grid\" where it lies before that meter"},
    {.name = "car_charger_kw",
     .kind = GR_KEY_NUMBER,
     .offset = GRID(grid.car_charger_kw),
     .unit = "kW",
     .zero_ok = true,
     .least = 6,
     .greatest = 50,
     .guesses = gr_guess_kilo,
     .standard = 0,
     .standard_text = "0: the car has a topic of its own, or there is none",
     .about =
         "power of a car charger without a topic of its own: a load that rises by just that and stays for "
         "five minutes is taken for the car"},
    {.name = NULL}};

#define ARRAY(member) offsetof(struct gr_solar_array, member)

const struct gr_key gr_solar_keys[] = {
    {.name = "name",
     .kind = GR_KEY_TEXT,
     .offset = ARRAY(name),
     .size = GR_NAME_SIZE,
     .required = true,
     .about = "a word for this array"},
    {.name = "peak_kw",
     .kind = GR_KEY_NUMBER,
     .offset = ARRAY(peak_kw),
     .unit = "kW",
     .required = true,
     .least = 0.05,
     .greatest = 500,
     .guesses = gr_guess_kilo,
     .about = "sum of the panels' ratings"},
    {.name = "tilt_deg",
     .kind = GR_KEY_NUMBER,
     .offset = ARRAY(tilt_deg),
     .unit = "degrees",
     .required = true,
     .least = 0,
     .greatest = 90,
     .about = "0 lies flat, 90 stands upright"},
    {.name = "azimuth_deg",
     .kind = GR_KEY_NUMBER,
     .offset = ARRAY(azimuth_deg),
     .unit = "degrees",
     .required = true,
     .least = 0,
     .greatest = 360,
     .guesses = from_south,
     .about = "where the panels look, clockwise from north: 90 east, 180 south, 270 west"},
    {.name = "inverter_kw",
     .kind = GR_KEY_NUMBER,
     .offset = ARRAY(inverter_kw),
     .unit = "kW",
     .required = true,
     .least = 0.05,
     .greatest = 500,
     .guesses = gr_guess_kilo,
     .about = "greatest AC power of the inverter these panels feed"},
    {.name = NULL}};

/* Solar time runs with the longitude; no civil time is further than this from it. */
#define MOST_HOURS_FROM_THE_SUN 4.0

/* A minus sign forgotten, or latitude and longitude exchanged, puts the sun on the wrong side of the day. */
static void check_longitude(struct gr_reader *reader, const config_setting_t *group,
                            const struct gr_site *site)
{
    if (strcmp(site->timezone, "UTC") == 0 || strncmp(site->timezone, "Etc/", 4) == 0 ||
        isnan(site->longitude_deg)) {
        return;
    }
    double clock_h = gr_zone_offset_s(reader->zone, 1705276800) / 3600.0; /* 15 January 2024 */
    double apart_h = remainder(clock_h - site->longitude_deg / 15, 24);
    if (fabs(apart_h) > MOST_HOURS_FROM_THE_SUN) {
        gr_complain(
            reader, group, "longitude_deg",
            "found %.6g degrees, where the sun is %.1f hours off the clock of %s; allowed: degrees east of "
            "Greenwich, west is negative",
            site->longitude_deg, fabs(apart_h), site->timezone);
    }
}

static void read_site(struct gr_reader *reader, const config_setting_t *root, struct gr_site *site)
{
    const config_setting_t *group = gr_group_member(reader, root, "site", true);
    if (!group) {
        return;
    }
    gr_form_read(reader, group, (const struct gr_key *const[]){gr_site_keys, NULL}, site);
    if (site->timezone[0]) {
        struct gr_error error = {""};
        if (gr_zone_load(&reader->zone, site->timezone, &error) == GR_OK) {
            check_longitude(reader, group, site);
        } else {
            gr_complain(reader, group, "timezone", "%s", error.text);
        }
    }
}

static void check_losses(struct gr_reader *reader, const config_setting_t *group, bool has_efficiency)
{
    bool charge = gr_given(group, "charge_losses"), discharge = gr_given(group, "discharge_losses");
    if (has_efficiency) {
        gr_complain(reader, group, charge ? "charge_losses" : "discharge_losses",
                    "found beside an efficiency; allowed: losses by power, or efficiencies");
    }
    if (charge != discharge) {
        gr_complain(reader, group, charge ? "discharge_losses" : "charge_losses",
                    "missing beside its counterpart; needed: a list ( { ... }, { ... } )");
    }
}

static void check_efficiency(struct gr_reader *reader, const config_setting_t *group,
                             struct battery_form *form)
{
    bool round_trip = gr_given(group, "round_trip_efficiency");
    bool charge = gr_given(group, "charge_efficiency"), discharge = gr_given(group, "discharge_efficiency");
    if (gr_curves_have_losses(group)) {
        check_losses(reader, group, round_trip || charge || discharge);
        return;
    }
    if (round_trip && (charge || discharge)) {
        gr_complain(
            reader, group, charge ? "charge_efficiency" : "discharge_efficiency",
            "found beside round_trip_efficiency; allowed: that one, or the two of charging and discharging");
    } else if (!round_trip && !charge && !discharge) {
        gr_complain(reader, group, "round_trip_efficiency",
                    "missing; needed: 0.4 to 1, or charge_efficiency and discharge_efficiency");
    } else if (charge != discharge) {
        gr_complain(reader, group, charge ? "discharge_efficiency" : "charge_efficiency",
                    "missing beside its counterpart; needed: 0.5 to 1");
    }
    if (round_trip) {
        form->battery.charge_efficiency = form->battery.discharge_efficiency =
            sqrt(form->round_trip_efficiency);
    }
}

static void check_coupling(struct gr_reader *reader, const config_setting_t *group,
                           const struct battery_form *form)
{
    static const char *const keys[] = {"inverter_kw", "inverter_to_ac_efficiency",
                                       "inverter_to_dc_efficiency"};
    for (size_t i = 0; i < sizeof keys / sizeof *keys && form->coupling == AC_COUPLED; i++) {
        if (gr_given(group, keys[i])) {
            gr_complain(reader, group, keys[i], "found without coupling = \"dc\"; allowed: only with it");
        }
    }
    if (form->coupling == DC_COUPLED && !gr_given(group, "inverter_kw")) {
        gr_complain(reader, group, "inverter_kw", "missing; needed with coupling = \"dc\": 0.1 to 200 kW");
    }
}

static void read_battery(struct gr_reader *reader, const config_setting_t *root, struct gr_site *site)
{
    const config_setting_t *group = gr_group_member(reader, root, "battery", true);
    if (!group) {
        return;
    }
    struct battery_form form = {0};
    gr_form_read(reader, group, (const struct gr_key *const[]){gr_battery_keys, NULL}, &form);
    check_efficiency(reader, group, &form);
    form.battery.standing_loss_kw = form.standing_loss_w / 1000;
    site->battery = form.battery;
    check_coupling(reader, group, &form);
    site->dc_coupled = form.coupling == DC_COUPLED;
    site->inverter = site->dc_coupled ? form.inverter : (struct gr_dc_inverter){0, 0, 0};
    site->reserve_percent = form.reserve_percent;
    gr_curves_read(reader, group, site);
}

static void read_grid(struct gr_reader *reader, const config_setting_t *root, struct gr_site *site)
{
    const config_setting_t *group = gr_group_member(reader, root, "grid", true);
    if (!group) {
        return;
    }
    struct grid_form form = {0};
    gr_form_read(reader, group, (const struct gr_key *const[]){gr_grid_keys, NULL}, &form);
    site->grid = form.grid;
    site->grid.car_side = (enum gr_car_side)form.car_side;
}

static void check_array_name(struct gr_reader *reader, const config_setting_t *group,
                             const struct gr_site *site)
{
    const struct gr_solar_array *last = &site->arrays[site->array_count];
    for (size_t i = 0; i < site->array_count; i++) {
        if (last->name[0] && strcmp(site->arrays[i].name, last->name) == 0) {
            gr_complain(reader, group, "name", "found \"%s\" a second time; allowed: one name for each array",
                        last->name);
        }
    }
}

static void read_solar(struct gr_reader *reader, const config_setting_t *root, struct gr_site *site)
{
    const config_setting_t *list = gr_list_member(reader, root, "solar", false);
    for (int i = 0; list && i < config_setting_length(list); i++) {
        const config_setting_t *group = config_setting_get_elem(list, (unsigned)i);
        if (!config_setting_is_group(group)) {
            gr_complain(reader, group, NULL, "found something else; allowed: a group { ... } for each array");
        } else if (site->array_count == GR_MAX_ARRAYS) {
            gr_complain(reader, group, NULL, "found one array too many; allowed: at most %d", GR_MAX_ARRAYS);
            return;
        } else {
            gr_form_read(reader, group, (const struct gr_key *const[]){gr_solar_keys, NULL},
                         &site->arrays[site->array_count]);
            check_array_name(reader, group, site);
            site->array_count++;
        }
    }
}

void gr_site_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out)
{
    struct gr_site *site = &out->engine.site;
    read_site(reader, root, site);
    read_battery(reader, root, site);
    read_grid(reader, root, site);
    read_solar(reader, root, site);
}
