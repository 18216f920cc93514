/* What house, car and sun do in one minute: a pure function of scene and minute, so that any step can be had
 * without the ones before it and every battery in the scene meets the same day. */
#include "granary/civil.h"
#include "granary/house.h"
#include "granary/sun.h"

#include <math.h>

enum { noise_minute = 1, noise_runs, noise_day, noise_clouds };

static const int minutes_of_a_run = 4;
static const int64_t cloud_s = 1200; /* clouds come and go in about 20 minutes */

static uint64_t mix(uint64_t x)
{
    x += 0x9e3779b97f4a7c15u;
    x = (x ^ (x >> 30)) * 0xbf58476d1ce4e5b9u;
    x = (x ^ (x >> 27)) * 0x94d049bb133111ebu;
    return x ^ (x >> 31);
}

static uint64_t draw(uint64_t seed, uint64_t stream, int64_t counter)
{
    return mix(mix(mix(seed) ^ stream) ^ (uint64_t)counter);
}

static double uniform(uint64_t seed, uint64_t stream, int64_t counter)
{
    return (double)(draw(seed, stream, counter) >> 11) * 0x1p-53;
}

double gr_house_noise(uint64_t seed, uint64_t stream, int64_t counter)
{
    uint64_t bits = draw(seed, stream, counter);
    double sum = 0;
    for (int part = 0; part < 4; part++) {
        sum += ((double)(bits >> (16 * part) & 0xffff) + 0.5) / 0x10000;
    }
    return (sum - 2) * sqrt(3);
}

static double clamp(double value, double least, double greatest)
{
    return fmin(fmax(value, least), greatest);
}

static int64_t floor_to(int64_t value, int64_t unit)
{
    int64_t rest = value % unit;
    return value - (rest < 0 ? rest + unit : rest);
}

static double local_hour(const struct gr_zone *zone, int64_t utc_s)
{
    int64_t local_s = gr_zone_local_s(zone, utc_s);
    return (double)(local_s - floor_to(local_s, 86400)) / 3600;
}

static double base_kw(const struct gr_house_scene *scene, double hour)
{
    double from_middle = hour < 0.5 ? hour + 23.5 : hour - 0.5;
    int before = (int)from_middle;
    double share = from_middle - before;
    return (1 - share) * scene->house_kw[before] + share * scene->house_kw[(before + 1) % 24];
}

static bool run_starts(const struct gr_house_scene *scene, const struct gr_zone *zone, int64_t minute_s)
{
    double hour = local_hour(zone, minute_s);
    double chance = scene->runs_per_day / (17 * 60);
    return hour >= 6 && hour < 23 && uniform(scene->seed, noise_runs, minute_s / 60) < chance;
}

static double appliance_kw(const struct gr_house_scene *scene, const struct gr_zone *zone, int64_t minute_s)
{
    for (int ago = 0; ago < minutes_of_a_run; ago++) {
        if (run_starts(scene, zone, minute_s - (int64_t)ago * 60)) {
            return scene->kettle_kw;
        }
    }
    return 0;
}

/* A charge that began on the evening before may still run. */
static double car_kw(const struct gr_house_scene *scene, const struct gr_zone *zone, int64_t minute_s)
{
    for (int day = 0; day >= -1; day--) {
        int64_t local_day_s = gr_zone_local_s(zone, gr_zone_day_start_s(zone, minute_s, day));
        int64_t midnight_s = floor_to(local_day_s, 86400);
        int64_t from_s = gr_zone_utc_s(zone, midnight_s + (int64_t)llround(scene->car_from_hour * 3600), 0);
        bool that_day = scene->car_weekdays >> (gr_civil_weekday(midnight_s) - 1) & 1;
        if (that_day && minute_s >= from_s && (double)(minute_s - from_s) < scene->car_hours * 3600) {
            return scene->car_kw;
        }
    }
    return 0;
}

static double passing_clouds(const struct gr_house_scene *scene, int64_t minute_s)
{
    int64_t knot_s = floor_to(minute_s, cloud_s);
    double share = (double)(minute_s - knot_s) / (double)cloud_s;
    double here = gr_house_noise(scene->seed, noise_clouds, knot_s / cloud_s);
    double next = gr_house_noise(scene->seed, noise_clouds, knot_s / cloud_s + 1);
    return (1 - share) * here + share * next;
}

static double clearness_at(const struct gr_house_scene *scene, const struct gr_zone *zone, int64_t minute_s)
{
    int64_t day = floor_to(gr_zone_local_s(zone, minute_s), 86400) / 86400;
    double spread = scene->clearness_spread;
    double of_day =
        clamp(scene->clearness_mean + spread * gr_house_noise(scene->seed, noise_day, day), 0.05, 1);
    double now = of_day * (1 + spread * passing_clouds(scene, minute_s));
    double hour = local_hour(zone, minute_s);
    if (hour >= scene->cloud_from_hour && hour < scene->cloud_to_hour) {
        now *= 1 - scene->cloud_share;
    }
    return clamp(now, 0.02, 1);
}

void gr_house_load_at(struct gr_house_load *out, const struct gr_house_scene *scene,
                      const struct gr_zone *zone, int64_t utc_s)
{
    int64_t minute_s = floor_to(utc_s, 60);
    double noise = gr_house_noise(scene->seed, noise_minute, minute_s / 60);
    double base = base_kw(scene, local_hour(zone, minute_s)) * fmax(1 + scene->noise_share * noise, 0);
    out->house_kw = base + appliance_kw(scene, zone, minute_s);
    double phase = (local_hour(zone, minute_s) - 5) / 24 * 2 * M_PI;
    out->air_c = scene->air_mean_c - scene->air_swing_c * cos(phase);
    out->car_kw = scene->car_kw > 0 ? car_kw(scene, zone, minute_s) : 0;
    out->solar_kw =
        gr_site_solar_kw(&scene->site, minute_s, minute_s + 60, clearness_at(scene, zone, minute_s));
}
