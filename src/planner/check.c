#include "planner/work.h"

#include "granary/error.h"
#include "granary/planner.h"

#include <math.h>

/* Far above anything a house can mean, and small enough that no sum overflows. */
#define MOST 1e9

/* And the other way round: no division by it overflows. */
#define LEAST 1e-6

struct range {
    const char *name, *unit;
    double low, high;
};

/* Also false for what is not a number. */
static bool lies_in(const struct range *range, double value)
{
    return value >= range->low && value <= range->high;
}

static int check_value(const struct range *range, double value, struct gr_error *error)
{
    if (lies_in(range, value)) {
        return GR_OK;
    }
    return gr_error_set(error, GR_INVALID, "%s: found %.9g%s, allowed is %g to %.9g", range->name, value,
                        range->unit, range->low, range->high);
}

/* `place` is what an entry of the array belongs to: a slot, a point. */
static int check_array(const struct range *range, const char *place, const double *values, size_t count,
                       struct gr_error *error)
{
    if (!values) {
        return gr_error_set(error, GR_INVALID, "%s: missing", range->name);
    }
    for (size_t i = 0; i < count; i++) {
        if (!lies_in(range, values[i])) {
            return gr_error_set(error, GR_INVALID, "%s, %s %zu: found %.9g%s, allowed is %g to %.9g",
                                range->name, place, i, values[i], range->unit, range->low, range->high);
        }
    }
    return GR_OK;
}

static int check_battery(const struct gr_battery *battery, struct gr_error *error)
{
    const struct {
        struct range range;
        double value;
    } members[] = {
        {{"battery.capacity_kwh", " kWh", 0, MOST}, battery->capacity_kwh},
        {{"battery.charge_kw", " kW", 0, MOST}, battery->charge_kw},
        {{"battery.discharge_kw", " kW", 0, MOST}, battery->discharge_kw},
        {{"battery.charge_efficiency", "", LEAST, 1}, battery->charge_efficiency},
        {{"battery.discharge_efficiency", "", LEAST, 1}, battery->discharge_efficiency},
        {{"battery.standing_loss_kw", " kW", 0, MOST}, battery->standing_loss_kw},
        {{"battery.wear_per_kwh", " per kWh", 0, MOST}, battery->wear_per_kwh},
    };
    int rc = GR_OK;
    for (size_t i = 0; i < sizeof members / sizeof *members && !rc; i++) {
        rc = check_value(&members[i].range, members[i].value, error);
    }
    return rc;
}

int gr_problem_check_course(const struct gr_problem *problem, struct gr_error *error)
{
    const struct range load = {"load_kw", " kW", 0, MOST}, solar = {"solar_kw", " kW", 0, MOST},
                       dc_solar = {"dc_solar_kw", " kW", 0, MOST};
    int rc = check_array(&load, "slot", problem->load_kw, problem->slots, error);
    if (!rc && (problem->solar_kw || !problem->dc_solar_kw)) {
        rc = check_array(&solar, "slot", problem->solar_kw, problem->slots, error);
    }
    if (!rc && problem->dc_solar_kw) {
        rc = check_array(&dc_solar, "slot", problem->dc_solar_kw, problem->slots, error);
    }
    return rc;
}

int gr_problem_check_prices(const struct gr_problem *problem, struct gr_error *error)
{
    const struct range import = {"import_price", " per kWh", -MOST, MOST},
                       export = {"export_price", " per kWh", -MOST, MOST};
    int rc = check_array(&import, "slot", problem->import_price, problem->slots, error);
    return rc ? rc : check_array(&export, "slot", problem->export_price, problem->slots, error);
}

static int check_arrays(const struct gr_problem *problem, struct gr_error *error)
{
    const struct range hours = {"hours", " h", 1e-15, 1e5},
                       floor = {"battery.floor_kwh", " kWh", 0, problem->battery.capacity_kwh};
    int rc = check_array(&hours, "slot", problem->hours, problem->slots, error);
    rc = rc ? rc : gr_problem_check_course(problem, error);
    rc = rc ? rc : gr_problem_check_prices(problem, error);
    return rc ? rc : check_array(&floor, "slot", problem->floor_kwh, problem->slots, error);
}

/* What goes in pairs: the one is needed where the other is given. */
static int check_pairs(const struct gr_problem *problem, struct gr_error *error)
{
    const struct {
        struct range range;
        const double *values, *other;
    } arrays[] = {
        {{"slot_import_peak_per_kwh", " per kWh", 0, MOST},
         problem->slot_import_peak_per_kwh,
         problem->slot_import_peak_kw},
        {{"slot_import_peak_kw", " kW", 0, INFINITY},
         problem->slot_import_peak_kw,
         problem->slot_import_peak_per_kwh},
        {{"slot_least_kw", " kW", -INFINITY, INFINITY}, problem->slot_least_kw, problem->slot_most_kw},
        {{"slot_most_kw", " kW", -INFINITY, INFINITY}, problem->slot_most_kw, problem->slot_least_kw},
    };
    const struct range outside = {"outside_per_kwh", " per kWh", 0, MOST};
    int rc = check_value(&outside, problem->outside_per_kwh, error);
    for (size_t i = 0; i < sizeof arrays / sizeof *arrays && !rc; i++) {
        if (arrays[i].values || arrays[i].other) {
            rc = check_array(&arrays[i].range, "slot", arrays[i].values, problem->slots, error);
        }
    }
    return rc;
}

/* What may be left out. */
static int check_optional(const struct gr_problem *problem, struct gr_error *error)
{
    double capacity_kwh = problem->battery.capacity_kwh;
    const struct {
        struct range range;
        const double *values;
    } arrays[] = {
        {{"grid.import_limit_kw", " kW", 0, INFINITY}, problem->slot_import_limit_kw},
        {{"grid.export_limit_kw", " kW", 0, INFINITY}, problem->slot_export_limit_kw},
        {{"battery.charge_kw", " kW", 0, MOST}, problem->slot_charge_kw},
        {{"battery.discharge_kw", " kW", 0, MOST}, problem->slot_discharge_kw},
        {{"battery.wanted_kwh", " kWh", 0, capacity_kwh}, problem->wanted_kwh},
        {{"carbon_kg_per_kwh", " kg per kWh", 0, MOST}, problem->carbon_kg_per_kwh},
        {{"slot_import_soft_kw", " kW", 0, INFINITY}, problem->slot_import_soft_kw},
    };
    const struct range wanted = {"wanted_per_kwh", " per kWh", 0, MOST};
    const struct range discharged = {"battery.most_discharged_kwh", " kWh", 0, MOST};
    const struct range carbon = {"carbon_price_per_kg", " per kg", 0, MOST};
    int rc = check_value(&wanted, problem->wanted_per_kwh, error);
    rc = rc ? rc : check_value(&carbon, problem->carbon_price_per_kg, error);
    rc = rc ? rc : check_value(&discharged, problem->most_discharged_kwh, error);
    for (size_t i = 0; i < sizeof arrays / sizeof *arrays && !rc; i++) {
        if (arrays[i].values) {
            rc = check_array(&arrays[i].range, "slot", arrays[i].values, problem->slots, error);
        }
    }
    return rc ? rc : check_pairs(problem, error);
}

/* x: name and range of the argument, y: of the value. */
static int check_curve(const struct range *x, const struct range *y, const struct gr_curve *curve,
                       struct gr_error *error)
{
    if (curve->count == 0) {
        return GR_OK;
    }
    int rc = check_array(x, "point", curve->x, curve->count, error);
    rc = rc ? rc : check_array(y, "point", curve->y, curve->count, error);
    for (size_t i = 1; i < curve->count && !rc; i++) {
        if (!(curve->x[i] > curve->x[i - 1])) {
            rc = gr_error_set(error, GR_INVALID,
                              "%s, point %zu: found %.9g%s after %.9g%s, allowed is only to rise", x->name, i,
                              curve->x[i], x->unit, curve->x[i - 1], x->unit);
        }
    }
    return rc;
}

/* What is left of the power after the loss (sign -1), or what it takes with the loss (+1), must rise. */
static int check_loss(const char *name, const struct gr_curve *loss, double sign, struct gr_error *error)
{
    const struct range kw = {name, " kW", 0, MOST};
    int rc = check_curve(&kw, &kw, loss, error);
    if (!rc && loss->count > 0 && loss->x[0] != 0) {
        rc = gr_error_set(error, GR_INVALID, "%s, point 0: found %.9g kW, allowed is 0 kW", name, loss->x[0]);
    }
    for (size_t i = 1; i < loss->count && !rc; i++) {
        double width = loss->x[i] - loss->x[i - 1], more = loss->y[i] - loss->y[i - 1];
        if (!(width + sign * more >= LEAST * width)) {
            rc = gr_error_set(
                error, GR_INVALID,
                "%s, point %zu: found a loss of %.9g kW after %.9g kW, which is more than the power "
                "rises by",
                name, i, loss->y[i], loss->y[i - 1]);
        }
    }
    return rc;
}

static int check_power(const char *name, const struct gr_curve *power, const struct gr_curve *loss,
                       struct gr_error *error)
{
    const struct range kwh = {name, " kWh", 0, MOST}, kw = {name, " kW", 1e-3, MOST};
    int rc = check_curve(&kwh, &kw, power, error);
    for (size_t i = 0; i < power->count && loss && loss->count > 0 && !rc; i++) {
        double idle_kw = gr_curve_idle_kw(loss);
        if (!(power->y[i] > idle_kw)) {
            rc = gr_error_set(error, GR_INVALID, "%s, point %zu: found %.9g kW, the loss alone takes %.9g kW",
                              name, i, power->y[i], idle_kw);
        }
    }
    return rc;
}

static int check_windows(const struct gr_problem *problem, struct gr_error *error)
{
    const struct range full = {"battery.full_kwh", " kWh", 0, problem->battery.capacity_kwh};
    if (problem->full_windows == 0) {
        return GR_OK;
    }
    int rc = check_value(&full, problem->full_kwh, error);
    for (size_t i = 0; i < problem->full_windows && !rc; i++) {
        size_t slot = problem->full_by[i];
        if (slot >= problem->slots || (i > 0 && slot <= problem->full_by[i - 1])) {
            rc = gr_error_set(error, GR_INVALID,
                              "battery.full_by, entry %zu: found slot %zu, allowed is to rise up to %zu", i,
                              slot, problem->slots - 1);
        }
    }
    return rc;
}

static int check_inverter(const struct gr_problem *problem, struct gr_error *error)
{
    const struct range limit = {"inverter.limit_kw", " kW", 0, MOST};
    const struct range to_ac = {"inverter.to_ac_efficiency", "", LEAST, 1};
    const struct range to_dc = {"inverter.to_dc_efficiency", "", LEAST, 1};
    if (!problem->dc_solar_kw) {
        return GR_OK;
    }
    int rc = check_value(&limit, problem->inverter.limit_kw, error);
    rc = rc ? rc : check_value(&to_ac, problem->inverter.to_ac_efficiency, error);
    return rc ? rc : check_value(&to_dc, problem->inverter.to_dc_efficiency, error);
}

static int check_days(const struct gr_problem *problem, struct gr_error *error)
{
    const size_t *day = problem->peak->day;
    for (size_t t = 0; t < problem->slots; t++) {
        size_t before = t > 0 ? day[t - 1] : 0;
        if (day[t] != before && (t == 0 || day[t] != before + 1)) {
            return gr_error_set(
                error, GR_INVALID,
                "peak.day, slot %zu: found %zu after %zu, allowed is to begin at 0 and rise by 1", t, day[t],
                before);
        }
    }
    return GR_OK;
}

static int check_peak(const struct gr_problem *problem, struct gr_error *error)
{
    const struct gr_peak *peak = problem->peak;
    const struct range per_kw = {"peak.per_kw", " per kW", 0, MOST}, seen = {"peak.seen_kw", " kW", 0, MOST};
    const struct range kw = {"peak.steps (kW)", " kW", 0, MOST}, money = {"peak.steps (money)", "", 0, MOST};
    const struct range mean_of = {"peak.mean_of", "", 1, 1000};
    if (!peak) {
        return GR_OK;
    }
    int rc = check_value(&per_kw, peak->per_kw, error);
    rc = rc ? rc : check_value(&mean_of, (double)peak->mean_of, error);
    rc = rc || peak->seen == 0 ? rc : check_array(&seen, "entry", peak->seen_kw, peak->seen, error);
    rc = rc ? rc : check_curve(&kw, &money, &peak->steps, error);
    for (size_t i = 1; i < peak->steps.count && !rc; i++) {
        if (!(peak->steps.y[i] >= peak->steps.y[i - 1])) {
            rc = gr_error_set(error, GR_INVALID,
                              "peak.steps, point %zu: found %.9g after %.9g, allowed is not to fall", i,
                              peak->steps.y[i], peak->steps.y[i - 1]);
        }
    }
    return rc ? rc : check_days(problem, error);
}

static int check_curves(const struct gr_problem *problem, struct gr_error *error)
{
    const struct range kwh = {"battery.wear_steps (kWh)", " kWh", 0, MOST};
    const struct range wear = {"battery.wear_steps (money)", " per kWh", 0, MOST};
    const struct range change = {"change_cost", "", 0, MOST};
    int rc = check_loss("battery.charge_loss_points", &problem->charge_loss, -1, error);
    rc = rc ? rc : check_loss("battery.discharge_loss_points", &problem->discharge_loss, 1, error);
    rc =
        rc ? rc
           : check_power("battery.charge_power_points", &problem->charge_power, &problem->charge_loss, error);
    rc = rc ? rc : check_power("battery.discharge_power_points", &problem->discharge_power, NULL, error);
    rc = rc ? rc : check_curve(&kwh, &wear, &problem->wear_steps, error);
    rc = rc ? rc : check_value(&change, problem->change_cost, error);
    if (!rc && (unsigned)problem->first_kind >= GR_COMMAND_KINDS) {
        rc = gr_error_set(error, GR_INVALID, "first_command: found command %d, there is none",
                          (int)problem->first_kind);
    }
    return rc ? rc : check_windows(problem, error);
}

static int check_end(const struct gr_problem *problem, struct gr_error *error)
{
    size_t count = problem->end_points;
    if (count == 0) {
        return GR_OK;
    }
    const struct range kwh = {"end_value_points (kWh)", " kWh", -MOST, MOST};
    const struct range value = {"end_value_points (value)", "", -MOST, MOST};
    int rc = check_array(&kwh, "point", problem->end_kwh, count, error);
    rc = rc ? rc : check_array(&value, "point", problem->end_value, count, error);
    for (size_t i = 1; i < count && !rc; i++) {
        if (!(problem->end_kwh[i] > problem->end_kwh[i - 1])) {
            rc = gr_error_set(
                error, GR_INVALID,
                "end_value_points, point %zu: found %.9g kWh after %.9g kWh, allowed is only to rise", i,
                problem->end_kwh[i], problem->end_kwh[i - 1]);
        }
    }
    return rc;
}

int gr_problem_check(const struct gr_problem *problem, struct gr_error *error)
{
    if (problem->slots == 0) {
        return gr_error_set(error, GR_INVALID, "hours: found no slots, at least one is needed");
    }
    const struct range start = {"battery.start_kwh", " kWh", 0, problem->battery.capacity_kwh};
    const struct range import = {"grid.import_limit_kw", " kW", 0, INFINITY};
    const struct range export = {"grid.export_limit_kw", " kW", 0, INFINITY};
    const struct range penalty = {"penalty_per_kwh", " per kWh", 0, MOST};
    int rc = check_battery(&problem->battery, error);
    rc = rc ? rc : check_value(&start, problem->start_kwh, error);
    rc = rc ? rc : check_value(&import, problem->import_limit_kw, error);
    rc = rc ? rc : check_value(&export, problem->export_limit_kw, error);
    rc = rc ? rc : check_value(&penalty, problem->penalty_per_kwh, error);
    rc = rc ? rc : check_arrays(problem, error);
    rc = rc ? rc : check_optional(problem, error);
    rc = rc ? rc : check_curves(problem, error);
    rc = rc ? rc : check_inverter(problem, error);
    rc = rc ? rc : check_peak(problem, error);
    return rc ? rc : check_end(problem, error);
}
