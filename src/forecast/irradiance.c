#include "granary/sun.h"

#include <math.h>

static const double ground_albedo = 0.2;
static const double inverter_efficiency = 0.96; /* nominal */

static double radians(double degrees)
{
    return degrees * (3.14159265358979323846 / 180);
}

double gr_clear_sky_haurwitz(double apparent_zenith_deg)
{
    double cos_zenith = cos(radians(apparent_zenith_deg));
    return cos_zenith > 0 ? 1098 * cos_zenith * exp(-0.059 / cos_zenith) : 0;
}

double gr_extraterrestrial(double distance_au)
{
    return 1361 / (distance_au * distance_au);
}

static double diffuse_fraction(double kt)
{
    if (kt <= 0.22) {
        return 1 - 0.09 * kt;
    }
    if (kt <= 0.8) {
        return 0.9511 + kt * (-0.1604 + kt * (4.388 + kt * (-16.638 + kt * 12.336)));
    }
    return 0.165;
}

void gr_erbs(double global, double zenith_deg, double extraterrestrial, double *beam_normal, double *diffuse)
{
    *beam_normal = 0;
    *diffuse = fmax(global, 0);
    /* Closer to the horizon the quotient by cos(zenith) is not to be trusted: all of it counts as diffuse. */
    if (global <= 0 || zenith_deg > 87) {
        return;
    }
    double cos_zenith = cos(radians(zenith_deg));
    double kt = fmin(global / (extraterrestrial * fmax(cos_zenith, 0.065)), 1);
    *diffuse = global * diffuse_fraction(kt);
    *beam_normal = (global - *diffuse) / cos_zenith;
}

double gr_plane_of_array(double tilt_deg, double azimuth_deg, const struct gr_sun *sun, double global,
                         double beam_normal, double diffuse, double extraterrestrial)
{
    double cos_tilt = cos(radians(tilt_deg));
    double cos_zenith = sin(radians(sun->elevation_deg));
    double cos_incidence = cos_tilt * cos_zenith + sin(radians(tilt_deg)) * cos(radians(sun->elevation_deg)) *
                                                       cos(radians(sun->azimuth_deg - azimuth_deg));
    double facing = fmax(cos_incidence, 0);
    double anisotropy = beam_normal / extraterrestrial;
    double circumsolar = anisotropy * facing / fmax(cos_zenith, 0.01745);
    double sky = diffuse * (circumsolar + (1 - anisotropy) * (1 + cos_tilt) / 2);
    double ground = global * ground_albedo * (1 - cos_tilt) / 2;
    return beam_normal * facing + sky + ground;
}

double gr_pvwatts_dc(double plane_irradiance, double cell_deg_c, double peak_kw, double gamma_per_k)
{
    return fmax(plane_irradiance / 1000 * peak_kw * (1 + gamma_per_k * (cell_deg_c - 25)), 0);
}

double gr_pvwatts_ac(double dc_kw, double ac_limit_kw)
{
    if (!(dc_kw > 0) || !(ac_limit_kw > 0)) {
        return 0;
    }
    double load = dc_kw * inverter_efficiency / ac_limit_kw; /* share of the DC limit */
    double efficiency = inverter_efficiency / 0.9637 * (-0.0162 * load - 0.0059 / load + 0.9858);
    return fmin(fmax(efficiency * dc_kw, 0), ac_limit_kw);
}
