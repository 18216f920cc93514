/* The worked examples of conf/weather: each fragment is a whole group of a configuration, and its sample
 * document is read as it says. All of it is invented. */
#include "check.h"

#include "config/slurp.h"
#include "config_fragment.h"
#include "granary/config.h"
#include "granary/weather.h"

#include <stdlib.h>
#include <unistd.h>

#define FOLDER GRANARY_SOURCE_DIR "/conf/weather/"

static const int64_t day_s = 1777852800; /* 2026-05-04T00:00:00Z */

/* Europe/Lisbon is an hour ahead of UTC in May. */
static struct gr_config *configure(const char *fragment)
{
    struct gr_config *config = read_fragment("weather = {\n", FOLDER, fragment, "};\n");
    assert_true(config->weather.configured);
    return config;
}

static struct gr_rate_table read_sample(const struct gr_config *config, const struct gr_rate_mapping *mapping,
                                        const char *sample)
{
    char path[600];
    char *bytes = NULL;
    size_t length = 0;
    struct gr_zone *zone = NULL;
    struct gr_rate_table table = {0};
    struct gr_error error = {""};
    (void)snprintf(path, sizeof path, FOLDER "%s", sample);
    assert_int_equal(gr_slurp(&bytes, &length, path, 65536, &error), GR_OK);
    assert_int_equal(gr_zone_load(&zone, config->engine.site.timezone, &error), GR_OK);
    if (gr_rates_read(&table, mapping, zone, bytes, length, &error) != GR_OK) {
        fail_msg("%s: %s", sample, error.text);
    }
    gr_zone_free(zone);
    free(bytes);
    return table;
}

static int hold(const struct gr_rate_table *table, const struct gr_config *config, int64_t now_s,
                struct gr_error *error)
{
    struct gr_zone *zone = NULL;
    assert_int_equal(gr_zone_load(&zone, config->engine.site.timezone, NULL), GR_OK);
    const struct gr_source *source = &config->weather.source;
    int status = gr_weather_check(table, config->weather.kind, source->least_per_kwh,
                                  source->greatest_per_kwh, zone, now_s, error);
    gr_zone_free(zone);
    return status;
}

static void nested_hours_tell_irradiance_and_air(void **state)
{
    (void)state;
    struct gr_error error = {""};
    struct gr_config *config = configure("nested-hours.conf");
    struct gr_rate_table sun = read_sample(config, &config->weather.source.mapping, "nested-hours.json");
    struct gr_rate_table air = read_sample(config, &config->weather.temperature, "nested-hours.json");
    assert_int_equal(config->weather.kind, GR_WEATHER_IRRADIANCE);
    assert_int_equal(sun.count, 8);
    assert_int_equal(sun.rates[5].start_s, day_s + 11 * 3600);
    assert_int_equal(sun.rates[5].end_s, day_s + 12 * 3600);
    assert_near(sun.rates[5].price_per_kwh, 0.61, 1e-12);
    assert_near(air.rates[5].price_per_kwh, 14.2, 1e-12);
    assert_int_equal(hold(&sun, config, day_s + 8 * 3600, &error), GR_OK);
    assert_int_equal(hold(&sun, config, day_s + 9 * 3600, &error), GR_INVALID);
    assert_says(error.text, "it ends at 2026-05-04T15:00:00+01:00, which is no forecast");
    sun.rates[2].price_per_kwh = 340; /* as it is, the unit forgotten */
    assert_int_equal(hold(&sun, config, day_s, &error), GR_INVALID);
    assert_says(error.text,
                "the irradiance at 2026-05-04T09:00:00+01:00 is 340 kW/m2, but -0.01 to 1.6 is plausible");
    gr_rate_table_free(&sun);
    gr_rate_table_free(&air);
    free(config);
}

static void expected_generation_is_read_with_local_times(void **state)
{
    (void)state;
    struct gr_error error = {""};
    struct gr_config *config = configure("generation.conf");
    struct gr_rate_table sun = read_sample(config, &config->weather.source.mapping, "generation.csv");
    assert_int_equal(config->weather.kind, GR_WEATHER_GENERATION);
    assert_false(config->weather.tells_temperature);
    assert_int_equal(sun.count, 6);
    assert_int_equal(sun.rates[0].start_s, day_s + 7 * 3600);
    assert_near(sun.rates[5].price_per_kwh, 2.38, 1e-12);
    sun.rates[1].price_per_kwh = NAN;
    assert_int_equal(hold(&sun, config, day_s, &error), GR_INVALID);
    gr_rate_table_free(&sun);
    free(config);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nested_hours_tell_irradiance_and_air),
        cmocka_unit_test(expected_generation_is_read_with_local_times),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
