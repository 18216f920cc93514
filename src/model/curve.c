#include "granary/curve.h"

#include <math.h>

/* Of a power: what the loss leaves of its own power below which nothing is stored is 0, not a hair. */
static const double rounding = 1e-12;

/* The last point at or below x, but never the last of all. */
static size_t find_piece(const struct gr_curve *curve, double x)
{
    size_t i = 0;
    while (i + 2 < curve->count && curve->x[i + 1] <= x) {
        i++;
    }
    return i;
}

double gr_curve_least(const struct gr_curve *curve)
{
    double least = curve->y[0];
    for (size_t i = 1; i < curve->count; i++) {
        least = fmin(least, curve->y[i]);
    }
    return least;
}

double gr_curve_value(const struct gr_curve *curve, double x)
{
    size_t last = curve->count - 1;
    if (x <= curve->x[0] || last == 0) {
        return curve->y[0];
    }
    if (x >= curve->x[last]) {
        return curve->y[last];
    }
    size_t i = find_piece(curve, x);
    return curve->y[i] +
           (curve->y[i + 1] - curve->y[i]) * ((x - curve->x[i]) / (curve->x[i + 1] - curve->x[i]));
}

double gr_curve_stored_kw(const struct gr_curve *charge_loss, double power_kw)
{
    double stored_kw = power_kw - gr_curve_value(charge_loss, power_kw);
    return stored_kw > rounding * power_kw ? stored_kw : 0;
}

double gr_curve_taken_kw(const struct gr_curve *discharge_loss, double power_kw)
{
    return power_kw + gr_curve_value(discharge_loss, power_kw);
}

/* The least power >= 0 at which power + sign * loss(power) is `kw`: it rises from point to point, and with
 * slope 1 behind the last. */
static double power_for(const struct gr_curve *loss, double sign, double kw)
{
    double x = 0, before = sign * gr_curve_value(loss, 0);
    if (kw <= before) {
        return 0;
    }
    for (size_t i = 0; i < loss->count; i++) {
        double here = loss->x[i] + sign * loss->y[i];
        if (loss->x[i] > x && here >= kw) {
            return x + (loss->x[i] - x) * ((kw - before) / (here - before));
        }
        if (loss->x[i] > x) {
            x = loss->x[i];
            before = here;
        }
    }
    return x + (kw - before);
}

double gr_curve_charge_kw(const struct gr_curve *charge_loss, double stored_kw)
{
    return power_for(charge_loss, -1, stored_kw);
}

double gr_curve_discharge_kw(const struct gr_curve *discharge_loss, double taken_kw)
{
    return power_for(discharge_loss, 1, taken_kw);
}

double gr_curve_idle_kw(const struct gr_curve *charge_loss)
{
    return power_for(charge_loss, -1, 0);
}

double gr_curve_logarithmic_mean(double a, double b)
{
    /* Close together the quotient loses its digits; there the mean is the first term of its series. */
    double share = (b - a) / a;
    return fabs(share) < 1e-6 ? (a + b) / 2 : (b - a) / log1p(share);
}

double gr_curve_steps(const struct gr_curve *steps, double low, double high)
{
    double sum = 0;
    for (size_t i = 0; i < steps->count; i++) {
        double from = i == 0 ? 0 : steps->x[i], to = i + 1 < steps->count ? steps->x[i + 1] : INFINITY;
        sum += steps->y[i] * fmax(0, fmin(high, to) - fmax(low, from));
    }
    return sum;
}

static void scale_x(struct gr_curve_points *points, double factor)
{
    for (size_t i = 0; i < points->count; i++) {
        points->x[i] *= factor;
    }
}

void gr_battery_curves_scale(struct gr_battery_curves *curves, double factor)
{
    scale_x(&curves->charge_power, factor);
    scale_x(&curves->discharge_power, factor);
    scale_x(&curves->wear_steps, factor);
}
