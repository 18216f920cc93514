#include "granary/sun.h"

#include <math.h>

static const int64_t sample_s = 300;
static const double air_deg_c = 15;
static const double noct_deg_c =
    45; /* nominal operating cell temperature: at 800 W/m2 in air of 20 degrees C */
static const double gamma_per_k = -0.0035;
static const double losses =
    0.14075660688264469; /* PVWatts default set: 2, 3, 0, 2, 2, 0.5, 1.5, 1, 0 and 3 % */

/* All that the arrays of one place have in common at one moment. */
struct sky {
    struct gr_sun sun; /* as seen through the air */
    double clear_global, extraterrestrial;
};

static struct sky look_up(double latitude_deg, double longitude_deg, int64_t utc_s)
{
    struct sky sky = {.sun = gr_sun_at(utc_s, latitude_deg, longitude_deg)};
    sky.sun.elevation_deg += gr_sun_refraction_deg(sky.sun.elevation_deg);
    sky.clear_global = gr_clear_sky_haurwitz(90 - sky.sun.elevation_deg);
    sky.extraterrestrial = gr_extraterrestrial(sky.sun.distance_au);
    return sky;
}

/* Irradiance under one clearness, shared by the arrays. */
struct light {
    double global, beam_normal, diffuse;
};

static struct light split_light(const struct sky *sky, double clearness)
{
    struct light light = {.global = sky->clear_global * fmax(clearness, 0)};
    gr_erbs(light.global, 90 - sky->sun.elevation_deg, sky->extraterrestrial, &light.beam_normal,
            &light.diffuse);
    return light;
}

static double convert(const struct gr_solar_array *array, const struct sky *sky, const struct light *light)
{
    double plane = gr_plane_of_array(array->tilt_deg, array->azimuth_deg, &sky->sun, light->global,
                                     light->beam_normal, light->diffuse, sky->extraterrestrial);
    double cell_deg_c = air_deg_c + (noct_deg_c - 20) / 800 * plane; /* Ross */
    double dc_kw = gr_pvwatts_dc(plane, cell_deg_c, array->peak_kw, gamma_per_k) * (1 - losses);
    return gr_pvwatts_ac(dc_kw, array->inverter_kw);
}

double gr_array_kw(const struct gr_solar_array *array, double latitude_deg, double longitude_deg,
                   int64_t utc_s, double clearness)
{
    struct sky sky = look_up(latitude_deg, longitude_deg, utc_s);
    if (!(sky.clear_global > 0)) {
        return 0;
    }
    struct light light = split_light(&sky, clearness);
    return convert(array, &sky, &light);
}

static void add_sample(const struct gr_site *site, int64_t utc_s, const double *clearness, size_t count,
                       double *sum_kw)
{
    struct sky sky = look_up(site->latitude_deg, site->longitude_deg, utc_s);
    if (!(sky.clear_global > 0)) {
        return;
    }
    for (size_t i = 0; i < count; i++) {
        struct light light = split_light(&sky, clearness[i]);
        for (size_t a = 0; a < site->array_count; a++) {
            sum_kw[i] += convert(&site->arrays[a], &sky, &light);
        }
    }
}

void gr_site_solar_levels_kw(const struct gr_site *site, int64_t start_s, int64_t end_s,
                             const double *clearness, size_t count, double *out_kw)
{
    int64_t length_s = end_s > start_s ? end_s - start_s : 0;
    int64_t samples = length_s > sample_s ? (length_s + sample_s - 1) / sample_s : 1;
    for (size_t i = 0; i < count; i++) {
        out_kw[i] = 0;
    }
    if (site->array_count == 0) {
        return;
    }
    for (int64_t n = 0; n < samples; n++) {
        int64_t middle_s = start_s + length_s * (2 * n + 1) / (2 * samples);
        add_sample(site, middle_s, clearness, count, out_kw);
    }
    for (size_t i = 0; i < count; i++) {
        out_kw[i] /= (double)samples;
    }
}

double gr_site_solar_kw(const struct gr_site *site, int64_t start_s, int64_t end_s, double clearness)
{
    double kw;
    gr_site_solar_levels_kw(site, start_s, end_s, &clearness, 1, &kw);
    return kw;
}
