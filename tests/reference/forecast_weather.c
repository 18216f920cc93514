/* Paths drawn to the weather, on real readings: the sun of a plant at Golden, Colorado, under a satellite's
 * irradiance with errors added, and the load of Victoria with the temperature. Open data: see
 * PROVENANCE.md beside each file. */
#include "check.h"
#include "told_irradiance.h"

#include "granary/config.h"
#include "granary/usage.h"
#include "granary/weather.h"
#include "tool/usage_file.h"

#include <stdlib.h>
#include <unistd.h>

#define DATA GRANARY_SHARED_DIR "/data/"

#define SETTING(field, text) (void)snprintf((field), sizeof(field), "%s", (text))

enum { AHEAD = 64, FIRST_DAY = 20 };

struct world {
    struct gr_zone *zone;
    struct gr_usage usage;
    struct gr_history *history;
    struct gr_weather *weather;
    struct gr_site site;
    struct gr_expectation expectation;
    int64_t first, end; /* numbers of whole half hours */
};

/* False, having said so, where the data is not there. */
static bool read_usage(struct gr_usage *out, const char *file, const struct gr_usage_mapping *mapping,
                       const struct gr_zone *zone)
{
    struct gr_error error = {""};
    if (gr_usage_load(out, mapping, zone, file, NULL, &error) != GR_OK) {
        print_message("open data is not here: %s\n", error.text);
        return false;
    }
    return true;
}

static bool open_world(struct world *world, const char *file, const struct gr_usage_mapping *mapping,
                       const char *zone_name)
{
    struct gr_error error = {""};
    *world = (struct world){.expectation = {.path_days = 14, .usual_clearness = 0.6}};
    assert_int_equal(gr_zone_load(&world->zone, zone_name, &error), GR_OK);
    if (!read_usage(&world->usage, file, mapping, world->zone)) {
        gr_zone_free(world->zone);
        return false;
    }
    assert_int_equal(gr_history_create(&world->history), GR_OK);
    assert_int_equal(gr_weather_create(&world->weather), GR_OK);
    int64_t end_s = world->usage.start_s + (int64_t)world->usage.count * world->usage.step_s;
    world->first = (world->usage.start_s + GR_HISTORY_STEP_S - 1) / GR_HISTORY_STEP_S;
    world->end = end_s / GR_HISTORY_STEP_S;
    return true;
}

static void close_world(struct world *world)
{
    gr_weather_free(world->weather);
    gr_history_free(world->history);
    gr_usage_free(&world->usage);
    gr_zone_free(world->zone);
}

static double value_of(const struct world *world, const double *values, int64_t number)
{
    return gr_usage_mean(&world->usage, values, number * GR_HISTORY_STEP_S, (number + 1) * GR_HISTORY_STEP_S);
}

/* Tells the weather from the half hour on, three days ahead. */
static void tell(struct world *world, enum gr_weather_kind kind, const double *values, int64_t number)
{
    struct gr_rate rates[144];
    struct gr_rate_table table = {rates, 0};
    for (int64_t i = number; i < number + 144 && i < world->end; i++) {
        double value = value_of(world, values, i);
        if (!isnan(value)) {
            rates[table.count++] =
                (struct gr_rate){i * GR_HISTORY_STEP_S, (i + 1) * GR_HISTORY_STEP_S, value};
        }
    }
    gr_weather_take(world->weather, kind, &table, number * GR_HISTORY_STEP_S);
}

static void build(struct world *world, int64_t number, struct gr_paths *paths, int64_t *bounds_s)
{
    struct gr_error error = {""};
    for (int64_t i = 0; i <= AHEAD; i++) {
        bounds_s[i] = (number + i) * GR_HISTORY_STEP_S;
    }
    if (gr_paths_build(paths, world->history, &world->expectation, &world->site, world->zone, bounds_s, AHEAD,
                       &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
}

struct errors {
    double absolute, square, count;
};

static void add_error(struct errors *errors, double forecast, double truth)
{
    if (!isnan(forecast) && !isnan(truth)) {
        errors->absolute += fabs(forecast - truth);
        errors->square += (forecast - truth) * (forecast - truth);
        errors->count++;
    }
}

struct outcome {
    struct errors yesterday, paths, guided;
    struct gr_sun_promise promise; /* the last one */
};

static bool is_hour(const struct world *world, int64_t number, int64_t hour)
{
    int64_t local_s = gr_zone_local_s(world->zone, number * GR_HISTORY_STEP_S);
    return local_s % 86400 == hour * 3600;
}

/* The known value 24 h before, or 48 h where that lies ahead. */
static double before(const struct world *world, const double *values, int64_t now, int64_t number)
{
    return value_of(world, values, number - (number - 48 < now ? 48 : 96));
}

static void score(struct world *world, int64_t number, bool sun, const double *values, struct outcome *out)
{
    int64_t bounds_s[AHEAD + 1];
    struct gr_paths paths;
    double plain[AHEAD], load_kw, solar_kw;
    build(world, number, &paths, bounds_s);
    for (size_t i = 0; i < AHEAD; i++) {
        gr_paths_mean(&paths, i, &load_kw, &solar_kw);
        plain[i] = sun ? solar_kw : load_kw;
    }
    out->promise = gr_weather_guide(world->weather, &paths, world->history, &world->site, bounds_s);
    for (size_t i = 0; i < AHEAD && number + (int64_t)i < world->end; i++) {
        double truth = value_of(world, values, number + (int64_t)i);
        gr_paths_mean(&paths, i, &load_kw, &solar_kw);
        add_error(&out->yesterday, before(world, values, number, number + (int64_t)i), truth);
        add_error(&out->paths, plain[i], truth);
        add_error(&out->guided, sun ? solar_kw : load_kw, truth);
    }
    gr_paths_free(&paths);
}

static double mae(const struct errors *errors)
{
    return errors->absolute / errors->count;
}

static double rmse(const struct errors *errors)
{
    return sqrt(errors->square / errors->count);
}

static void print_outcome(const char *name, const struct outcome *out)
{
    print_message("%s: against yesterday, MAE %.3f of paths alone, %.3f with weather; RMSE %.3f, %.3f; trust "
                  "%.2f, spread %.2f\n",
                  name, mae(&out->paths) / mae(&out->yesterday), mae(&out->guided) / mae(&out->yesterday),
                  rmse(&out->paths) / rmse(&out->yesterday), rmse(&out->guided) / rmse(&out->yesterday),
                  out->promise.trust, out->promise.spread);
}

/* ---- the sun ---- */

static bool open_plant(struct world *world)
{
    struct gr_usage_mapping power = gr_usage_default_mapping(), sky = gr_usage_default_mapping();
    static const char file[] = DATA "pv/serf-east/serf_east_2016.csv";
    struct gr_usage irradiance = {0};
    SETTING(power.solar, "ac_kw");
    SETTING(sky.solar, "ghi_w_m2");
    power.load[0] = power.temperature[0] = sky.load[0] = sky.temperature[0] = '\0';
    power.unit = GR_USAGE_KW;
    sky.unit = GR_USAGE_W;
    if (!open_world(world, file, &power, "America/Denver")) {
        return false;
    }
    assert_true(read_usage(&irradiance, file, &sky, world->zone));
    world->usage.load_kw = irradiance.solar_kw; /* told; freed with the rest */
    return true;
}

static struct outcome live_under(double size, bool arrays)
{
    struct world world;
    struct outcome out = {.promise = {0}};
    if (!open_plant(&world)) {
        return out;
    }
    if (arrays) { /* tilt and azimuth are not documented: about right is what a householder gives */
        world.site = (struct gr_site){.latitude_deg = 39.74, .longitude_deg = -105.18, .array_count = 1};
        world.site.arrays[0] =
            (struct gr_solar_array){.peak_kw = 6, .tilt_deg = 45, .azimuth_deg = 158, .inverter_kw = 6};
    }
    double error = spoil(world.usage.load_kw, world.usage.count, size, 5);
    for (int64_t number = world.first; number < world.end; number++) {
        if (is_hour(&world, number, 16) && number > world.first + FIRST_DAY * 48) {
            tell(&world, GR_WEATHER_IRRADIANCE, world.usage.load_kw, number);
            score(&world, number, true, world.usage.solar_kw, &out);
        } else if (is_hour(&world, number, 16)) {
            tell(&world, GR_WEATHER_IRRADIANCE, world.usage.load_kw, number);
        }
        gr_history_put(world.history, number * GR_HISTORY_STEP_S, 0.5,
                       value_of(&world, world.usage.solar_kw, number));
    }
    print_message("error of the irradiance %.3f%s\n", error, arrays ? ", arrays configured" : "");
    print_outcome("sun", &out);
    close_world(&world);
    return out;
}

static void check_sun(double size, double most_share, bool arrays)
{
    struct outcome out = live_under(size, arrays);
    if (out.guided.count == 0) {
        skip();
        return;
    }
    assert_true(rmse(&out.guided) < most_share * rmse(&out.yesterday));
    /* Even where what is told is of no use at all. */
    assert_true(rmse(&out.guided) < 1.03 * rmse(&out.paths));
    assert_true(mae(&out.guided) < 1.03 * mae(&out.paths));
}

static void the_sun_follows_irradiance_as_far_as_it_can_be_trusted(void **state)
{
    (void)state;
    check_sun(0, 0.75, false);
    check_sun(0.225, 0.75, false);
    check_sun(0.33, 0.8, false);
    check_sun(1.5, 0.9, false);
}

static void known_arrays_do_no_harm(void **state)
{
    (void)state;
    check_sun(0, 0.75, true);
    check_sun(0.225, 0.75, true);
}

/* ---- the load ---- */

/* The whole state of Victoria, which heats and cools with electricity; in MWh, which is as good as kWh here.
 */
static bool open_victoria(struct world *world)
{
    struct gr_usage_mapping mapping = gr_usage_default_mapping();
    char unpacked[] = "/tmp/granary-victoria-XXXXXX", command[400];
    int file = mkstemp(unpacked);
    assert_true(file >= 0);
    (void)close(file);
    (void)snprintf(command, sizeof command, "gzip -dc %s > %s 2> /dev/null",
                   DATA "aggregates/vic-elec/vic_elec_2012-2014.csv.gz", unpacked);
    SETTING(mapping.load, "demand_mwh");
    SETTING(mapping.temperature, "temp_c");
    mapping.solar[0] = '\0';
    bool known = system(command) == 0 && open_world(world, unpacked, &mapping, "Australia/Melbourne");
    (void)remove(unpacked);
    world->end = known ? world->first + 365 * 48 : 0;
    return known;
}

/* A year with temperatures told, or measured by a thermometer that shows more_c too much, or both. */
static struct outcome live_with_temperature(const char *name, bool told, bool measured, double more_c)
{
    struct world world;
    struct outcome out = {.promise = {0}};
    if (!open_victoria(&world)) {
        return out;
    }
    for (int64_t number = world.first; number < world.end; number++) {
        if (is_hour(&world, number, 16)) {
            if (told) {
                tell(&world, GR_WEATHER_TEMPERATURE, world.usage.temperature_c, number);
            }
            if (number > world.first + 28 * 48) {
                score(&world, number, false, world.usage.load_kw, &out);
            }
        }
        gr_history_put(world.history, number * GR_HISTORY_STEP_S,
                       value_of(&world, world.usage.load_kw, number), NAN);
        if (measured) {
            gr_history_put_outdoor(world.history, number * GR_HISTORY_STEP_S,
                                   value_of(&world, world.usage.temperature_c, number) + more_c);
        }
    }
    print_outcome(name, &out);
    close_world(&world);
    return out;
}

static void check_load(const char *name, bool told, bool measured, double more_c, double most_share)
{
    struct outcome out = live_with_temperature(name, told, measured, more_c);
    if (out.guided.count == 0) {
        skip();
        return;
    }
    assert_true(rmse(&out.guided) < most_share * rmse(&out.paths));
}

static void heating_and_cooling_follow_the_temperature_that_is_told(void **state)
{
    (void)state;
    check_load("temperature told", true, false, 0, 0.92);
}

static void a_thermometer_in_the_sun_is_set_right_against_what_is_told(void **state)
{
    (void)state;
    check_load("told and measured", true, true, 3, 0.92);
}

static void a_thermometer_alone_does_no_harm(void **state)
{
    (void)state;
    check_load("measured alone", false, true, 0, 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_sun_follows_irradiance_as_far_as_it_can_be_trusted),
        cmocka_unit_test(known_arrays_do_no_harm),
        cmocka_unit_test(heating_and_cooling_follow_the_temperature_that_is_told),
        cmocka_unit_test(a_thermometer_in_the_sun_is_set_right_against_what_is_told),
        cmocka_unit_test(a_thermometer_alone_does_no_harm),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
