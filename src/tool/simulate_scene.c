/* The scene file: libconfig like the configuration, read by the same strict reader of keys. */
#include "tool/simulate.h"

#include "config/form.h"
#include "granary/civil.h"

#include <libconfig.h>
#include <math.h>
#include <string.h>

/* Values as they stand in the file. */
struct scene_form {
    struct gr_sim_scene scene;
    int seed;
    char car_weekdays[64];
};

#define HOUSE(member) offsetof(struct scene_form, scene.house.member)
#define SCENE(member) offsetof(struct scene_form, scene.member)
#define FORM(member) offsetof(struct scene_form, member)
#define BATTERY(member) offsetof(struct gr_battery, member)

static const struct gr_key root_keys[] = {
    {.name = "start",
     .kind = GR_KEY_TEXT,
     .offset = SCENE(start),
     .size = sizeof((struct scene_form *)0)->scene.start,
     .required = true,
     .about = "local time at which a run begins"},
    {.name = "seed",
     .kind = GR_KEY_WHOLE,
     .offset = FORM(seed),
     .greatest = 1e9,
     .standard = 1,
     .about = "another number is another course of chance"},
    {.name = "start_percent",
     .kind = GR_KEY_NUMBER,
     .offset = HOUSE(start_percent),
     .unit = "%",
     .greatest = 100,
     .standard = 50,
     .about = "state of charge at the start"},
    {.name = "house", .kind = GR_KEY_PART, .unit = "a group { ... }", .required = true, .about = "the load"},
    {.name = "car", .kind = GR_KEY_PART, .unit = "a group { ... }", .about = "a car that charges"},
    {.name = "sun", .kind = GR_KEY_PART, .unit = "a group { ... }", .required = true, .about = "the weather"},
    {.name = "air",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .about = "temperature outdoors and of the battery; 15 degrees where it is left out"},
    {.name = "battery",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .about = "the battery that is really there"},
    {.name = "prices",
     .kind = GR_KEY_PART,
     .unit = "a group { ... }",
     .required = true,
     .about = "the tariff"},
    {.name = NULL}};

static const struct gr_key house_keys[] = {
    {.name = "base_kw",
     .kind = GR_KEY_NUMBERS,
     .offset = HOUSE(house_kw),
     .size = 24,
     .unit = "kW",
     .required = true,
     .greatest = 100,
     .about = "base load by local hour"},
    {.name = "noise_share",
     .kind = GR_KEY_NUMBER,
     .offset = HOUSE(noise_share),
     .greatest = 1,
     .about = "relative spread of the base load from minute to minute"},
    {.name = "appliance_kw",
     .kind = GR_KEY_NUMBER,
     .offset = HOUSE(kettle_kw),
     .unit = "kW",
     .greatest = 100,
     .about = "power of short appliance runs"},
    {.name = "runs_per_day",
     .kind = GR_KEY_NUMBER,
     .offset = HOUSE(runs_per_day),
     .greatest = 200,
     .about = "appliance runs of 4 minutes a day"},
    {.name = NULL}};

static const struct gr_key car_keys[] = {
    {.name = "charge_kw",
     .kind = GR_KEY_NUMBER,
     .offset = HOUSE(car_kw),
     .unit = "kW",
     .required = true,
     .greatest = 100,
     .about = "power of the car charger"},
    {.name = "from_hour",
     .kind = GR_KEY_NUMBER,
     .offset = HOUSE(car_from_hour),
     .unit = "h",
     .required = true,
     .greatest = 24,
     .about = "local hour at which it starts, 22.5 is half past ten"},
    {.name = "hours",
     .kind = GR_KEY_NUMBER,
     .offset = HOUSE(car_hours),
     .unit = "h",
     .required = true,
     .greatest = 24,
     .about = "how long it charges"},
    {.name = "weekdays",
     .kind = GR_KEY_TEXT,
     .offset = FORM(car_weekdays),
     .size = sizeof((struct scene_form *)0)->car_weekdays,
     .required = true,
     .about = "days on which it starts, like \"all\" or \"Mon,Wed-Fri\""},
    {.name = NULL}};

static const struct gr_key sun_keys[] = {{.name = "clearness_mean",
                                          .kind = GR_KEY_NUMBER,
                                          .offset = HOUSE(clearness_mean),
                                          .required = true,
                                          .greatest = 1,
                                          .about = "share of a clear sky that an ordinary day has"},
                                         {.name = "clearness_spread",
                                          .kind = GR_KEY_NUMBER,
                                          .offset = HOUSE(clearness_spread),
                                          .greatest = 1,
                                          .about = "how much days, and the clouds of one day, differ"},
                                         {.name = "cloud_from_hour",
                                          .kind = GR_KEY_NUMBER,
                                          .offset = HOUSE(cloud_from_hour),
                                          .unit = "h",
                                          .greatest = 24,
                                          .about = "a bank of cloud comes at this local hour every day"},
                                         {.name = "cloud_to_hour",
                                          .kind = GR_KEY_NUMBER,
                                          .offset = HOUSE(cloud_to_hour),
                                          .unit = "h",
                                          .greatest = 24,
                                          .about = "and leaves at this one"},
                                         {.name = "cloud_share",
                                          .kind = GR_KEY_NUMBER,
                                          .offset = HOUSE(cloud_share),
                                          .greatest = 1,
                                          .about = "share of the clearness that it takes"},
                                         {.name = NULL}};

static const struct gr_key air_keys[] = {{.name = "mean_c",
                                          .kind = GR_KEY_NUMBER,
                                          .offset = HOUSE(air_mean_c),
                                          .unit = "degrees Celsius",
                                          .least = -60,
                                          .greatest = 60,
                                          .standard = 15,
                                          .about = "mean of the day"},
                                         {.name = "swing_c",
                                          .kind = GR_KEY_NUMBER,
                                          .offset = HOUSE(air_swing_c),
                                          .unit = "degrees",
                                          .greatest = 30,
                                          .about = "so much colder at 05:00, and warmer at 17:00"},
                                         {.name = NULL}};

/* Ranges of the configuration; what is missing here is as configured. */
static const struct gr_key battery_keys[] = {{.name = "capacity_kwh",
                                              .kind = GR_KEY_NUMBER,
                                              .offset = BATTERY(capacity_kwh),
                                              .unit = "kWh",
                                              .least = 0.5,
                                              .greatest = 1000,
                                              .standard = NAN,
                                              .about = "usable capacity"},
                                             {.name = "charge_kw",
                                              .kind = GR_KEY_NUMBER,
                                              .offset = BATTERY(charge_kw),
                                              .unit = "kW",
                                              .least = 0.1,
                                              .greatest = 200,
                                              .standard = NAN,
                                              .about = "greatest power into the battery"},
                                             {.name = "discharge_kw",
                                              .kind = GR_KEY_NUMBER,
                                              .offset = BATTERY(discharge_kw),
                                              .unit = "kW",
                                              .least = 0.1,
                                              .greatest = 200,
                                              .standard = NAN,
                                              .about = "greatest power out of the battery"},
                                             {.name = "charge_efficiency",
                                              .kind = GR_KEY_NUMBER,
                                              .offset = BATTERY(charge_efficiency),
                                              .least = 0.5,
                                              .greatest = 1,
                                              .standard = NAN,
                                              .about = "share of the AC energy that is stored"},
                                             {.name = "discharge_efficiency",
                                              .kind = GR_KEY_NUMBER,
                                              .offset = BATTERY(discharge_efficiency),
                                              .least = 0.5,
                                              .greatest = 1,
                                              .standard = NAN,
                                              .about = "share of the stored energy that reaches the AC side"},
                                             {.name = "standing_loss_kw",
                                              .kind = GR_KEY_NUMBER,
                                              .offset = BATTERY(standing_loss_kw),
                                              .unit = "kW",
                                              .greatest = 1,
                                              .standard = NAN,
                                              .about = "lost all the time while something is stored"},
                                             {.name = NULL}};

static const struct gr_key price_keys[] = {
    {.name = "import_per_kwh",
     .kind = GR_KEY_NUMBERS,
     .offset = SCENE(import_price),
     .size = GR_SIM_HALF_HOURS,
     .unit = "money/kWh",
     .required = true,
     .least = -100,
     .greatest = 100000,
     .about = "price paid, by local half hour"},
    {.name = "export_per_kwh",
     .kind = GR_KEY_NUMBERS,
     .offset = SCENE(export_price),
     .size = GR_SIM_HALF_HOURS,
     .unit = "money/kWh",
     .required = true,
     .least = -100,
     .greatest = 100000,
     .about = "price earned, by local half hour"},
    {.name = "swing",
     .kind = GR_KEY_NUMBER,
     .offset = SCENE(price_swing),
     .greatest = 0.3,
     .about = "relative spread of the prices from day to day"},
    {.name = "published",
     .kind = GR_KEY_CLOCK,
     .offset = SCENE(publish_minute),
     .greatest = 1439,
     .standard_text = "16:00",
     .about = "local time at which the next day's prices are published"},
    {.name = NULL}};

static void read_group(struct gr_reader *reader, const config_setting_t *root, const char *name,
                       bool required, const struct gr_key *keys, void *form)
{
    const config_setting_t *group = gr_group_member(reader, root, name, required);
    if (group) {
        gr_form_read(reader, group, (const struct gr_key *const[]){keys, NULL}, form);
    }
}

static void read_car(struct gr_reader *reader, const config_setting_t *root, struct scene_form *form)
{
    const config_setting_t *group = gr_group_member(reader, root, "car", false);
    if (!group) {
        return;
    }
    gr_form_read(reader, group, (const struct gr_key *const[]){car_keys, NULL}, form);
    form->scene.house.car_weekdays = gr_weekdays_parse(form->car_weekdays);
    if (gr_given(group, "weekdays") && form->scene.house.car_weekdays == 0) {
        gr_complain(reader, group, "weekdays",
                    "found \"%s\"; allowed: days like \"all\", \"Mon-Fri\", \"Sat,Sun\"", form->car_weekdays);
    }
}

static void keep_configured(double *value, double configured)
{
    *value = isnan(*value) ? configured : *value;
}

/* Curves are the configured battery's: by state of charge they go with the capacity, and losses by power
 * stand back behind an efficiency. */
static void fit_curves(struct gr_battery_curves *curves, const struct gr_battery *own,
                       const struct gr_battery *configured)
{
    gr_battery_curves_scale(curves, own->capacity_kwh / configured->capacity_kwh);
    curves->charge_loss.count = isnan(own->charge_efficiency) ? curves->charge_loss.count : 0;
    curves->discharge_loss.count = isnan(own->discharge_efficiency) ? curves->discharge_loss.count : 0;
}

static void read_battery(struct gr_reader *reader, const config_setting_t *root, struct gr_site *site)
{
    struct gr_battery own, *battery = &site->battery;
    gr_form_defaults(battery_keys, &own);
    read_group(reader, root, "battery", false, battery_keys, &own);
    keep_configured(&own.capacity_kwh, battery->capacity_kwh);
    fit_curves(&site->curves, &own, battery);
    keep_configured(&own.charge_kw, battery->charge_kw);
    keep_configured(&own.discharge_kw, battery->discharge_kw);
    keep_configured(&own.charge_efficiency, battery->charge_efficiency);
    keep_configured(&own.discharge_efficiency, battery->discharge_efficiency);
    keep_configured(&own.standing_loss_kw, battery->standing_loss_kw);
    own.wear_per_kwh = battery->wear_per_kwh;
    *battery = own;
}

static void read_root(struct gr_reader *reader, const config_setting_t *root, void *out)
{
    struct scene_form *form = out;
    int64_t local_s;
    gr_form_read(reader, root, (const struct gr_key *const[]){root_keys, NULL}, form);
    read_group(reader, root, "house", true, house_keys, form);
    read_group(reader, root, "sun", true, sun_keys, form);
    read_group(reader, root, "prices", true, price_keys, form);
    gr_form_defaults(air_keys, form);
    read_group(reader, root, "air", false, air_keys, form);
    read_car(reader, root, form);
    read_battery(reader, root, &form->scene.house.site);
    if (gr_given(root, "start") &&
        gr_local_time_parse(&local_s, form->scene.start, strlen(form->scene.start)) != GR_OK) {
        gr_complain(reader, root, "start", "found \"%s\"; allowed: a local time like 2026-03-10T00:00",
                    form->scene.start);
    }
}

int gr_sim_scene_read(struct gr_sim_scene *out, const char *file, const struct gr_config *config,
                      struct gr_complaints *complaints)
{
    struct gr_reader reader = {.complaints = complaints, .file = file};
    struct scene_form form = {.scene.house.site = config->engine.site};
    int rc = gr_part_file_read(&reader, read_root, &form);
    if (rc != GR_OK) {
        return rc;
    }
    form.scene.house.seed = (uint64_t)form.seed;
    *out = form.scene;
    return GR_OK;
}
