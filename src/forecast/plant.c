#include "granary/plant.h"

#include "granary/sun.h"

#include <math.h>
#include <stdlib.h>

enum { WINDOW_DAYS = 12, BEST = 2, MOST_DAYS = 365, SECTORS = 36, LEAST_POINTS = 4, LEAST_SECTOR_DEG = 10 };

static const int64_t day_s = 86400;
static const double least_share = 0.08; /* of the arrays' most: below it little is to be seen */
static const double least_elevation_deg = 5;
enum { TILT_STEP_DEG = 5, AZIMUTH_STEP_DEG = 10, MOST_TURN_DEG = 90 };
static const double clearly_better = 0.75; /* the misfit found / the misfit as configured */
static const double least_tilt_off_deg = 10, least_azimuth_off_deg = 15;
static const double shaded_below = 0.75; /* of the usual ratio */

/* The brightest of some days at one time of day, and where the sun stood on the middle one. */
struct bright {
    double kw;
    int64_t start_s;
    struct gr_sun sun;
};

struct look {
    const struct gr_series *series;
    const struct gr_site *site;
    struct bright *bright;
    size_t count;
    double *ratio; /* room for as many */
    double *model_kw;
};

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double median(double *values, size_t count)
{
    qsort(values, count, sizeof *values, compare_doubles);
    return count > 0 ? values[count / 2] : (double)NAN;
}

/* Mean of the best at one time of day in a window of days; NAN where fewer than half of the days are known.
 */
static double best_of(const struct gr_series *series, size_t first, size_t per_day)
{
    double best[BEST] = {0};
    size_t known = 0;
    for (size_t day = 0; day < WINDOW_DAYS && first + day * per_day < series->count; day++) {
        double kw = series->kw[first + day * per_day];
        known += isnan(kw) ? 0 : 1;
        for (size_t b = 0; b < BEST; b++) {
            if (kw > best[b]) {
                double pushed = best[b];
                best[b] = kw;
                kw = pushed;
            }
        }
    }
    return known >= WINDOW_DAYS / 2 ? (best[0] + best[1]) / BEST : (double)NAN;
}

static void gather(struct look *look)
{
    const struct gr_series *series = look->series;
    size_t per_day = (size_t)(day_s / series->step_s), most = MOST_DAYS * per_day;
    size_t first = series->count > most ? series->count - most : 0;
    for (size_t window = first; window + WINDOW_DAYS / 2 * per_day <= series->count;
         window += WINDOW_DAYS * per_day) {
        for (size_t i = 0; i < per_day && window + i < series->count; i++) {
            double kw = best_of(series, window + i, per_day);
            int64_t start_s =
                series->start_s + (int64_t)(window + i) * series->step_s + WINDOW_DAYS / 2 * day_s;
            struct gr_sun sun =
                gr_sun_at(start_s + series->step_s / 2, look->site->latitude_deg, look->site->longitude_deg);
            if (!isnan(kw) && sun.elevation_deg > least_elevation_deg) {
                look->bright[look->count++] = (struct bright){kw, start_s, sun};
            }
        }
    }
}

static void model(const struct look *look, const struct gr_site *site, double *out_kw)
{
    for (size_t i = 0; i < look->count; i++) {
        int64_t start_s = look->bright[i].start_s;
        out_kw[i] = gr_site_solar_kw(site, start_s, start_s + look->series->step_s, 1);
    }
}

static double most_of(const double *kw, size_t count)
{
    double most = 0;
    for (size_t i = 0; i < count; i++) {
        most = fmax(most, kw[i]);
    }
    return most;
}

/* The usual ratio of what was had to the model, where the model gives enough to tell. */
static double find_scale(const struct look *look)
{
    double least_kw = least_share * most_of(look->model_kw, look->count);
    size_t count = 0;
    for (size_t i = 0; i < look->count; i++) {
        if (look->model_kw[i] > least_kw) {
            look->ratio[count++] = look->bright[i].kw / look->model_kw[i];
        }
    }
    return median(look->ratio, count);
}

/* Mean error of the scaled model / mean power. */
static double misfit(const struct look *look, double scale)
{
    double error = 0, sum = 0;
    for (size_t i = 0; i < look->count; i++) {
        error += fabs(look->bright[i].kw - scale * look->model_kw[i]);
        sum += look->bright[i].kw;
    }
    return error / sum;
}

static double apart_deg(double a, double b)
{
    double apart = fabs(fmod(a - b + 540, 360) - 180);
    return apart;
}

/* Tries other angles of the one array. */
static void turn(const struct look *look, struct gr_plant *out)
{
    struct gr_site site = *look->site;
    struct gr_solar_array *array = &site.arrays[0];
    double tilt_deg = array->tilt_deg, azimuth_deg = array->azimuth_deg;
    for (int tilt = 0; tilt <= 90; tilt += TILT_STEP_DEG) {
        for (int turned = -MOST_TURN_DEG; turned <= MOST_TURN_DEG; turned += AZIMUTH_STEP_DEG) {
            array->tilt_deg = tilt;
            array->azimuth_deg = fmod(azimuth_deg + turned + 360, 360);
            model(look, &site, look->model_kw);
            double found = misfit(look, find_scale(look));
            if (found < out->misfit_found) {
                out->misfit_found = found;
                out->tilt_deg = tilt;
                out->azimuth_deg = array->azimuth_deg;
            }
        }
    }
    bool off = fabs(out->tilt_deg - tilt_deg) >= least_tilt_off_deg ||
               (apart_deg(out->azimuth_deg, azimuth_deg) >= least_azimuth_off_deg && out->tilt_deg >= 10);
    out->turned = off && out->misfit_found < clearly_better * out->misfit_configured;
    if (!out->turned) {
        out->tilt_deg = tilt_deg;
        out->azimuth_deg = azimuth_deg;
        out->misfit_found = out->misfit_configured;
    }
}

/* Median share of the usual of what came while the sun stood in a sector of the sky; NAN where little was
 * seen. Of the shaded moments the highest sun is kept. */
static double look_into(const struct look *look, size_t sector, double scale, double *highest_deg)
{
    double least_kw = least_share * most_of(look->model_kw, look->count);
    size_t count = 0, shaded = 0;
    *highest_deg = 0;
    for (size_t i = 0; i < look->count; i++) {
        const struct bright *bright = &look->bright[i];
        bool inside = (size_t)(bright->sun.azimuth_deg / LEAST_SECTOR_DEG) % SECTORS == sector;
        if (!inside || !(look->model_kw[i] > least_kw)) {
            continue;
        }
        double share = bright->kw / (scale * look->model_kw[i]);
        count++;
        if (share < shaded_below) {
            look->ratio[shaded++] = share;
            *highest_deg = fmax(*highest_deg, bright->sun.elevation_deg);
        }
    }
    return shaded >= LEAST_POINTS && shaded * 3 >= count ? median(look->ratio, shaded) : (double)NAN;
}

static void find_shadows(const struct look *look, struct gr_plant *out)
{
    bool open = false;
    for (size_t sector = 0; sector < SECTORS; sector++) {
        double highest_deg, share = look_into(look, sector, out->scale, &highest_deg);
        if (isnan(share)) {
            open = false;
            continue;
        }
        double from_deg = (double)sector * LEAST_SECTOR_DEG;
        if (!open && out->shadows == GR_MOST_SHADOWS) {
            return;
        }
        if (!open) {
            out->shadow[out->shadows++] = (struct gr_shadow){from_deg, from_deg, 0, 1};
        }
        struct gr_shadow *shadow = &out->shadow[out->shadows - 1];
        shadow->azimuth_to_deg = from_deg + LEAST_SECTOR_DEG;
        shadow->elevation_below_deg = fmax(shadow->elevation_below_deg, highest_deg);
        shadow->share = fmin(shadow->share, share);
        open = true;
    }
}

static size_t days_with_sun(const struct gr_series *series)
{
    size_t per_day = (size_t)(day_s / series->step_s), days = 0;
    for (size_t first = 0; first + per_day <= series->count; first += per_day) {
        double most_kw = 0;
        for (size_t i = first; i < first + per_day; i++) {
            most_kw = fmax(most_kw, series->kw[i]);
        }
        days += most_kw > 0;
    }
    return days < MOST_DAYS ? days : MOST_DAYS;
}

static void find_all(struct look *look, struct gr_plant *out)
{
    gather(look);
    model(look, look->site, look->model_kw);
    out->scale = find_scale(look);
    out->misfit_configured = misfit(look, out->scale);
    out->misfit_found = out->misfit_configured;
    struct gr_site site = *look->site;
    if (site.array_count == 1) {
        turn(look, out);
        site.arrays[0].tilt_deg = out->tilt_deg;
        site.arrays[0].azimuth_deg = out->azimuth_deg;
    }
    model(look, &site, look->model_kw);
    out->scale = find_scale(look);
    find_shadows(look, out);
}

int gr_plant_look(struct gr_plant *out, const struct gr_series *series, const struct gr_site *site,
                  struct gr_error *error)
{
    *out = (struct gr_plant){.scale = NAN};
    if (site->array_count == 0) {
        return gr_error_set(error, GR_INVALID, "no arrays are configured to hold the readings against");
    }
    if (series->step_s < 300 || series->step_s > 3600 || 3600 % series->step_s != 0) {
        return gr_error_set(error, GR_INVALID, "slots of %d s, a divisor of 3600 from 300 on expected",
                            (int)series->step_s);
    }
    out->tilt_deg = site->arrays[0].tilt_deg;
    out->azimuth_deg = site->arrays[0].azimuth_deg;
    out->days = days_with_sun(series);
    if (out->days < GR_PLANT_DAYS) {
        return GR_OK;
    }
    size_t most = (MOST_DAYS / WINDOW_DAYS + 2) * (size_t)(day_s / series->step_s);
    struct look look = {.series = series,
                        .site = site,
                        .bright = malloc(most * sizeof *look.bright),
                        .ratio = malloc(most * sizeof *look.ratio),
                        .model_kw = malloc(most * sizeof *look.model_kw)};
    bool roomy = look.bright && look.ratio && look.model_kw;
    if (roomy) {
        find_all(&look, out);
    }
    free(look.bright);
    free(look.ratio);
    free(look.model_kw);
    return roomy ? GR_OK : gr_error_set(error, GR_NO_MEMORY, "no memory to look at the arrays");
}
