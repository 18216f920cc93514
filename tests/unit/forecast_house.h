/* A house with a zone and a history, for the tests of paths. Include after cmocka.h. */
#ifndef GRANARY_TESTS_FORECAST_HOUSE_H
#define GRANARY_TESTS_FORECAST_HOUSE_H

#include "granary/civil.h"
#include "granary/history.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HOUSE_MOST_SLOTS 800

struct house {
    struct gr_history *history;
    struct gr_zone *zone;
    struct gr_site site;
    struct gr_expectation expectation;
    struct gr_paths paths;
    int64_t bounds_s[HOUSE_MOST_SLOTS + 1];
    size_t slots;
};

static inline struct gr_zone *house_zone(const char *name)
{
    char path[200];
    static const size_t most = 100000;
    struct gr_zone *zone = NULL;
    (void)snprintf(path, sizeof path, "/usr/share/zoneinfo/%s", name);
    FILE *file = fopen(path, "rb");
    unsigned char *bytes = malloc(most);
    if (file && bytes) {
        size_t length = fread(bytes, 1, most, file);
        (void)gr_zone_parse(&zone, name, bytes, length, NULL);
    }
    free(bytes);
    if (file) {
        (void)fclose(file);
    }
    return zone;
}

/* "" means UTC without a file. The profile is 1 kW all day; 14 path days; no arrays. */
static inline struct house *house_new(const char *zone_name)
{
    struct house *house = calloc(1, sizeof *house);
    assert_non_null(house);
    assert_int_equal(gr_history_create(&house->history), GR_OK);
    if (*zone_name) {
        house->zone = house_zone(zone_name);
    } else {
        assert_int_equal(gr_zone_fixed(&house->zone, "UTC", 0, NULL), GR_OK);
    }
    if (!house->zone) {
        print_message("time zone %s is not installed\n", zone_name);
        skip();
    }
    house->expectation.path_days = 14;
    house->expectation.usual_clearness = 0.6;
    for (size_t hour = 0; hour < 24; hour++) {
        house->expectation.house_kw[hour] = 1;
    }
    house->site.latitude_deg = 48;
    return house;
}

static inline void house_free(struct house *house)
{
    gr_paths_free(&house->paths);
    gr_history_free(house->history);
    gr_zone_free(house->zone);
    free(house);
}

static inline void house_add_array(struct house *house)
{
    house->site.arrays[house->site.array_count++] =
        (struct gr_solar_array){.peak_kw = 5, .tilt_deg = 35, .azimuth_deg = 180, .inverter_kw = 5};
}

static inline int64_t local_moment(const struct house *house, int year, int month, int day, int hour,
                                   int minute)
{
    struct gr_civil civil = {year, month, day, hour, minute, 0};
    return gr_zone_utc_s(house->zone, gr_civil_seconds(&civil), 0);
}

/* Local calendar day since 1970-01-01. */
static inline int64_t day_number(const struct house *house, int64_t utc_s)
{
    return gr_zone_local_s(house->zone, utc_s) / 86400;
}

static inline double wall_hour(const struct house *house, int64_t utc_s)
{
    return (double)(gr_zone_local_s(house->zone, utc_s) % 86400) / 3600;
}

/* Equal slots from start_s on; builds the paths and checks what must hold for all of them. */
static inline void house_build(struct house *house, int64_t start_s, size_t slots, int64_t slot_s)
{
    struct gr_error error = {""};
    gr_paths_free(&house->paths);
    assert_true(slots <= HOUSE_MOST_SLOTS);
    house->slots = slots;
    for (size_t i = 0; i <= slots; i++) {
        house->bounds_s[i] = start_s + (int64_t)i * slot_s;
    }
    int code = gr_paths_build(&house->paths, house->history, &house->expectation, &house->site, house->zone,
                              house->bounds_s, slots, &error);
    assert_string_equal(error.text, "");
    assert_int_equal(code, GR_OK);
    assert_int_equal(house->paths.slots, slots);
    double sum = 0;
    for (size_t i = 0; i < house->paths.count; i++) {
        assert_true(house->paths.weight[i] >= 0);
        sum += house->paths.weight[i];
    }
    assert_true(fabs(sum - 1) < 1e-12);
    for (size_t i = 0; i < house->paths.count * slots; i++) {
        assert_true(isfinite(house->paths.load_kw[i]) && house->paths.load_kw[i] >= 0);
        assert_true(isfinite(house->paths.solar_kw[i]) && house->paths.solar_kw[i] >= 0);
    }
}

/* ---- the drawing of paths to the present level, worked out once more ---- */

typedef int (*house_read)(const struct gr_history *history, int64_t start_s, double *kw);

static inline double house_mean(const struct house *house, house_read read, int64_t end_s, int half_hours)
{
    double sum = 0;
    int known = 0;
    for (int64_t t = end_s - half_hours * INT64_C(1800); t < end_s; t += 1800) {
        double kw;
        if (read(house->history, t, &kw) == GR_OK) {
            sum += kw;
            known++;
        }
    }
    return known * 2 >= half_hours ? sum / known : (double)NAN;
}

/* Logarithm of the level before the horizon over that at the same time `age` days before; 0: not known. */
static inline double house_log_ratio(const struct house *house, house_read read, int age, int half_hours)
{
    int64_t now_s = house->bounds_s[0] / 1800 * 1800;
    double added_kw = 0.05 * house_mean(house, read, now_s, 7 * 48);
    double now_kw = house_mean(house, read, now_s, half_hours);
    double then_kw = house_mean(house, read, now_s - age * INT64_C(86400), half_hours);
    double ratio = log((now_kw + added_kw) / (then_kw + added_kw));
    return isfinite(ratio) ? ratio : 0;
}

static inline bool house_knows_day(const struct house *house, int age)
{
    int64_t day = day_number(house, house->bounds_s[0]) - age;
    int known = 0, total = 0;
    for (int64_t t = gr_zone_utc_s(house->zone, day * 86400, 0);
         t < gr_zone_utc_s(house->zone, (day + 1) * 86400, 0); t += 1800) {
        double kw;
        known += gr_history_house(house->history, t, &kw) == GR_OK;
        total++;
    }
    return total > 0 && known * 10 >= total * 9;
}

static inline double house_draw_factor(double log_ratio, double share)
{
    return exp(share * fmin(fmax(log_ratio, -0.7), 0.7));
}

/* Takes back how the paths of past days were drawn to the present level and weighed by likeness, so that a
 * test finds the days' own courses; the weights then do not add up to 1. */
static inline void house_undraw(struct house *house)
{
    size_t path = 0;
    for (int age = 1; age <= GR_HISTORY_DAYS && path < house->expectation.path_days; age++) {
        if (!house_knows_day(house, age)) {
            continue;
        }
        double load = house_log_ratio(house, gr_history_house, age, 48);
        double late = house_log_ratio(house, gr_history_house, age, 4);
        double solar = house_log_ratio(house, gr_history_solar, age, 48);
        for (size_t i = path * house->slots; i < (path + 1) * house->slots; i++) {
            house->paths.load_kw[i] /= house_draw_factor(load, 0.5);
            house->paths.solar_kw[i] /= house_draw_factor(solar, 0.3);
        }
        house->paths.weight[path++] /= exp(-0.7 * fabs(load) - 0.3 * fabs(late));
    }
}

static inline double path_load(const struct house *house, size_t path, size_t slot)
{
    return house->paths.load_kw[path * house->slots + slot];
}

static inline double path_solar(const struct house *house, size_t path, size_t slot)
{
    return house->paths.solar_kw[path * house->slots + slot];
}

#endif
