/* Where the sun stands and what it gives: published models only, each named at its function.
 * Angles in degrees; azimuth clockwise from north; irradiance in W/m2; powers in kW. Nothing here can fail.
 */
#ifndef GRANARY_SUN_H
#define GRANARY_SUN_H

#include "granary/site.h"

#include <stddef.h>
#include <stdint.h>

struct gr_sun {
    double elevation_deg; /* geometric, without refraction, as seen from the surface of the Earth; < 0 below
                             the horizon */
    double azimuth_deg;   /* 0 to 360 */
    double distance_au;
};

/* Within 0.02 degrees for the years 1950 to 2050 (Meeus, Astronomical Algorithms 2nd ed., chapter 25, low
 * accuracy, with parallax). Latitude -90 to 90, north +; longitude east +. At the poles the azimuth is that
 * of the meridian given. */
struct gr_sun gr_sun_at(int64_t utc_s, double latitude_deg, double longitude_deg);

/* Refraction for air of 1010 hPa and 10 degrees C (Saemundsson, in Meeus chapter 16), degrees to add to a
 * geometric elevation; 0 once the whole sun is below the horizon (elevation below -50'). */
double gr_sun_refraction_deg(double elevation_deg);

/* Clear-sky global horizontal irradiance after Haurwitz (1945); zenith angle is apparent. 0 below the
 * horizon. */
double gr_clear_sky_haurwitz(double apparent_zenith_deg);

/* Extraterrestrial normal irradiance: 1361 W/m2 at 1 au. */
double gr_extraterrestrial(double distance_au);

/* Diffuse and beam parts of global irradiance after Erbs, Klein and Duffie (1982). Beyond a zenith angle of
 * 87 degrees all of it is diffuse. Global irradiance below 0 counts as 0. */
void gr_erbs(double global, double zenith_deg, double extraterrestrial, double *beam_normal, double *diffuse);

/* Irradiance on a tilted plane, Hay and Davies (1980) sky, ground albedo 0.2. The elevation in `sun` is taken
 * as given: add the refraction first where it matters. */
double gr_plane_of_array(double tilt_deg, double azimuth_deg, const struct gr_sun *sun, double global,
                         double beam_normal, double diffuse, double extraterrestrial);

/* DC power after PVWatts version 5 (Dobos, NREL/TP-6A20-62641, 2014), kW for a rating in kW. Never below 0.
 */
double gr_pvwatts_dc(double plane_irradiance, double cell_deg_c, double peak_kw, double gamma_per_k);
/* AC power of an inverter with AC limit ac_limit_kw (its DC limit is that divided by nominal efficiency
 * 0.96). */
double gr_pvwatts_ac(double dc_kw, double ac_limit_kw);

/* AC power of an array at the moment: clear sky (Haurwitz) scaled by `clearness` (1 = clear sky, below 0
 * counts as 0), split after Erbs, put on the plane, air at 15 degrees C, cell temperature after Ross with a
 * NOCT of 45 degrees C, -0.35 % per K, losses of 14.08 % (PVWatts default set), inverter. */
double gr_array_kw(const struct gr_solar_array *array, double latitude_deg, double longitude_deg,
                   int64_t utc_s, double clearness);

/* All arrays of a site, mean over [start_s, end_s) (sampled every 5 minutes or finer); an interval without
 * length gives the power at its start. */
double gr_site_solar_kw(const struct gr_site *site, int64_t start_s, int64_t end_s, double clearness);

/* The same for `count` clearnesses at once, the sun found once: out_kw[i] belongs to clearness[i]. */
void gr_site_solar_levels_kw(const struct gr_site *site, int64_t start_s, int64_t end_s,
                             const double *clearness, size_t count, double *out_kw);

#endif
