/* Curves of the battery: powers by stored energy, losses by power. */
#ifndef GRANARY_PLANNER_CURVE_H
#define GRANARY_PLANNER_CURVE_H

#include "granary/planner.h"

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

#endif
