/* Curves of the battery: powers and wear by stored energy, losses by power. */
#ifndef GRANARY_CURVE_H
#define GRANARY_CURVE_H

#include <stddef.h>

/* A piecewise-linear curve through points, x strictly rising, level outside; 0 points: there is none. */
struct gr_curve {
    size_t count;
    const double *x, *y;
};

/* The least value; needs at least one point. */
double gr_curve_least(const struct gr_curve *curve);

/* Level outside the points; needs at least one. */
double gr_curve_value(const struct gr_curve *curve, double x);

/* Stored kW that `power_kw` of charging gives, and kW taken from the store by discharging `power_kw` > 0. */
double gr_curve_stored_kw(const struct gr_curve *charge_loss, double power_kw);
double gr_curve_taken_kw(const struct gr_curve *discharge_loss, double power_kw);

/* The other way round: the least power that gives, and the greatest that takes, so much. */
double gr_curve_charge_kw(const struct gr_curve *charge_loss, double stored_kw);
double gr_curve_discharge_kw(const struct gr_curve *discharge_loss, double taken_kw);

/* The power below which charging stores nothing. */
double gr_curve_idle_kw(const struct gr_curve *charge_loss);

/* What passes a stretch in the same time as a power that changes along it in a straight line from a to b. */
double gr_curve_logarithmic_mean(double a, double b);

/* The curve as steps, each y holding from its x up to the next one's (the first below it too), summed from
 * `low` up to `high`; 0 where there are no steps. */
double gr_curve_steps(const struct gr_curve *steps, double low, double high);

/* ---- as a site holds them ---- */

#define GR_MOST_CURVE_POINTS 12

struct gr_curve_points {
    size_t count;
    double x[GR_MOST_CURVE_POINTS], y[GR_MOST_CURVE_POINTS];
};

/* What the single numbers of a battery do not say. Without points each is as those say. */
struct gr_battery_curves {
    struct gr_curve_points charge_power, discharge_power; /* greatest AC power (kW, > 0) by stored energy
                                                             (kWh), besides the battery's own */
    struct gr_curve_points charge_loss, discharge_loss;   /* kW lost by AC power (kW, from 0), in place of the
                                                             efficiency; what is stored, or given, rises with
                                                             the power */
    struct gr_curve_points charge_by_temperature; /* greatest AC power (kW, >= 0) into it by the temperature
                                                     of its cells (degrees Celsius), besides the others */
    struct gr_curve_points wear_steps; /* money per kWh taken from the store at this level (kWh) and up to the
                                          next, besides wear_per_kwh */
};

/* The points stay where they are. */
static inline struct gr_curve gr_curve_of(const struct gr_curve_points *points)
{
    return (struct gr_curve){points->count, points->x, points->y};
}

/* For a battery of another capacity: stored energies times `factor`, powers as they are. */
void gr_battery_curves_scale(struct gr_battery_curves *curves, double factor);

#endif
