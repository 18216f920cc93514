/* The battery's curves: lists of points in group battery. */
#include "config/form.h"

#include <math.h>

struct point_form {
    double x, y;
};
#define POINT(member) offsetof(struct point_form, member)

static const struct gr_guess ratio[] = {{"a ratio", 100, 0}, {NULL, 0, 0}};

const struct gr_key gr_taper_keys[] = {
    {.name = "state_of_charge_percent",
     .kind = GR_KEY_NUMBER,
     .offset = POINT(x),
     .unit = "%",
     .required = true,
     .least = 0,
     .greatest = 100,
     .about = "at this state of charge; it rises from point to point"},
    {.name = "power_kw",
     .kind = GR_KEY_NUMBER,
     .offset = POINT(y),
     .unit = "kW",
     .required = true,
     .least = 0.05,
     .greatest = 200,
     .guesses = gr_guess_kilo,
     .about = "this is the greatest power, AC side; straight lines between the points, level before and "
              "behind them"},
    {.name = NULL}};

const struct gr_key gr_loss_keys[] = {
    {.name = "power_kw",
     .kind = GR_KEY_NUMBER,
     .offset = POINT(x),
     .unit = "kW",
     .required = true,
     .least = 0,
     .greatest = 200,
     .guesses = gr_guess_kilo,
     .about = "at this power, AC side; the first point is at 0, and it rises from point to point"},
    {.name = "loss_w",
     .kind = GR_KEY_NUMBER,
     .offset = POINT(y),
     .unit = "W",
     .required = true,
     .least = 0,
     .greatest = 50000,
     .about = "so much is lost; at 0 kW: what the converter takes for itself as soon as it runs. Straight "
              "lines between the points, level behind them"},
    {.name = NULL}};

const struct gr_key gr_temperature_keys[] = {
    {.name = "temperature_c",
     .kind = GR_KEY_NUMBER,
     .offset = POINT(x),
     .unit = "degrees Celsius",
     .required = true,
     .least = -60,
     .greatest = 100,
     .about = "at this temperature of the cells; it rises from point to point"},
    {.name = "power_kw",
     .kind = GR_KEY_NUMBER,
     .offset = POINT(y),
     .unit = "kW",
     .required = true,
     .least = 0,
     .greatest = 200,
     .guesses = gr_guess_kilo,
     .about =
         "this is the greatest power, 0 where it takes none; straight lines between the points, level before "
         "and behind them"},
    {.name = NULL}};

const struct gr_key gr_wear_keys[] = {
    {.name = "from_percent",
     .kind = GR_KEY_NUMBER,
     .offset = POINT(x),
     .unit = "%",
     .required = true,
     .least = 0,
     .greatest = 100,
     .guesses = ratio,
     .about = "from this state of charge up to that of the next entry; the first is at 0"},
    {.name = "wear_per_kwh",
     .kind = GR_KEY_NUMBER,
     .offset = POINT(y),
     .unit = "money/kWh",
     .required = true,
     .least = 0,
     .greatest = 1000,
     .about = "a kWh taken from the store wears so much"},
    {.name = NULL}};

/* A list of points of one kind, and how they are kept. */
struct curve {
    const char *name;
    const struct gr_key *keys;
    double x_unit, y_unit; /* what is kept is the number in the file times this */
    bool from_zero;        /* the first point is at 0 */
};

static void check_point(struct gr_reader *reader, const config_setting_t *group, const struct curve *curve,
                        const struct gr_curve_points *points, const struct point_form *point)
{
    const char *key = curve->keys[0].name, *unit = curve->keys[0].unit;
    double last = points->count > 0 ? points->x[points->count - 1] / curve->x_unit : -INFINITY;
    if (point->x <= last) {
        gr_complain(reader, group, key, "found %.6g %s after %.6g %s; allowed: only to rise", point->x, unit,
                    last, unit);
    } else if (curve->from_zero && points->count == 0 && point->x > 0) {
        gr_complain(reader, group, key, "found %.6g %s in the first entry; allowed: 0 %s", point->x, unit,
                    unit);
    }
}

static void read_curve(struct gr_reader *reader, const config_setting_t *battery, const struct curve *curve,
                       struct gr_curve_points *out)
{
    const config_setting_t *list = gr_list_member(reader, battery, curve->name, false);
    int count = list ? config_setting_length(list) : 0;
    if (list && count == 0) {
        gr_complain(reader, list, NULL, "found no entry; allowed: 1 to %d", GR_MOST_CURVE_POINTS);
    }
    for (int i = 0; i < count; i++) {
        const config_setting_t *group = config_setting_get_elem(list, (unsigned)i);
        struct point_form point;
        if (!config_setting_is_group(group)) {
            gr_complain(reader, group, NULL, "found something else; allowed: a group { ... } for each entry");
            continue;
        }
        if (out->count == GR_MOST_CURVE_POINTS) {
            gr_complain(reader, group, NULL, "found one entry too many; allowed: at most %d",
                        GR_MOST_CURVE_POINTS);
            return;
        }
        gr_form_read(reader, group, (const struct gr_key *const[]){curve->keys, NULL}, &point);
        check_point(reader, group, curve, out, &point);
        out->x[out->count] = point.x * curve->x_unit;
        out->y[out->count++] = point.y * curve->y_unit;
    }
}

/* The loss may not grow faster than the power that causes it: a stronger charge stores more. */
static void check_losses(struct gr_reader *reader, const config_setting_t *battery, const char *name,
                         const struct gr_curve_points *loss)
{
    const config_setting_t *list = config_setting_get_member(battery, name);
    for (size_t i = 1; i < loss->count; i++) {
        double power_kw = loss->x[i] - loss->x[i - 1], more_kw = loss->y[i] - loss->y[i - 1];
        if (fabs(more_kw) >= power_kw) {
            gr_complain(
                reader, config_setting_get_elem(list, (unsigned)i), "loss_w",
                "found %.6g W after %.6g W, while the power rises by %.6g W; allowed: a change of less "
                "than that",
                1000 * loss->y[i], 1000 * loss->y[i - 1], 1000 * power_kw);
        }
    }
}

/* A battery whose converter takes all that the taper lets in would never be full. */
static void check_taper(struct gr_reader *reader, const config_setting_t *battery,
                        const struct gr_battery_curves *curves)
{
    const config_setting_t *list = config_setting_get_member(battery, "charge_taper");
    struct gr_curve loss = gr_curve_of(&curves->charge_loss);
    double idle_kw = loss.count > 0 ? gr_curve_idle_kw(&loss) : 0;
    for (size_t i = 0; i < curves->charge_power.count; i++) {
        if (curves->charge_power.y[i] <= idle_kw) {
            gr_complain(reader, config_setting_get_elem(list, (unsigned)i), "power_kw",
                        "found %.6g kW, of which the losses leave nothing; allowed: more than %.6g kW",
                        curves->charge_power.y[i], idle_kw);
        }
    }
}

/* The one number that stands for the losses where one is needed, as in the value of what is left: that at
 * half of the greatest power. */
static void check_efficiency(struct gr_reader *reader, const config_setting_t *battery, const char *name,
                             double efficiency)
{
    if (efficiency < 0.4) {
        gr_complain(reader, config_setting_get_member(battery, name), NULL,
                    "found losses that leave %.2g of a kWh at half of the greatest power; allowed: 0.4 to 1",
                    efficiency);
    }
}

static void take_efficiencies(struct gr_reader *reader, const config_setting_t *battery, struct gr_site *site)
{
    struct gr_curve charge = gr_curve_of(&site->curves.charge_loss),
                    discharge = gr_curve_of(&site->curves.discharge_loss);
    double charge_kw = site->battery.charge_kw / 2, discharge_kw = site->battery.discharge_kw / 2;
    if (charge.count > 0 && discharge.count > 0) {
        site->battery.charge_efficiency = gr_curve_stored_kw(&charge, charge_kw) / charge_kw;
        site->battery.discharge_efficiency = discharge_kw / gr_curve_taken_kw(&discharge, discharge_kw);
        check_efficiency(reader, battery, "charge_losses", site->battery.charge_efficiency);
        check_efficiency(reader, battery, "discharge_losses", site->battery.discharge_efficiency);
    }
}

bool gr_curves_have_losses(const config_setting_t *battery)
{
    return gr_given(battery, "charge_losses") || gr_given(battery, "discharge_losses");
}

void gr_curves_read(struct gr_reader *reader, const config_setting_t *battery, struct gr_site *site)
{
    double percent = site->battery.capacity_kwh / 100;
    struct gr_battery_curves *curves = &site->curves;
    const struct curve charge_taper = {"charge_taper", gr_taper_keys, percent, 1, false};
    const struct curve discharge_taper = {"discharge_taper", gr_taper_keys, percent, 1, false};
    const struct curve charge_losses = {"charge_losses", gr_loss_keys, 1, 1e-3, true};
    const struct curve discharge_losses = {"discharge_losses", gr_loss_keys, 1, 1e-3, true};
    const struct curve temperature = {"charge_by_temperature", gr_temperature_keys, 1, 1, false};
    const struct curve wear = {"wear_by_level", gr_wear_keys, percent, 1, true};
    read_curve(reader, battery, &charge_taper, &curves->charge_power);
    read_curve(reader, battery, &discharge_taper, &curves->discharge_power);
    read_curve(reader, battery, &charge_losses, &curves->charge_loss);
    read_curve(reader, battery, &discharge_losses, &curves->discharge_loss);
    read_curve(reader, battery, &temperature, &curves->charge_by_temperature);
    read_curve(reader, battery, &wear, &curves->wear_steps);
    check_losses(reader, battery, "charge_losses", &curves->charge_loss);
    check_losses(reader, battery, "discharge_losses", &curves->discharge_loss);
    check_taper(reader, battery, curves);
    take_efficiencies(reader, battery, site);
}
