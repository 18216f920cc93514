/* An engine in a house of its own, told the truth once a minute. */
#ifndef GRANARY_TESTS_ENGINE_BENCH_H
#define GRANARY_TESTS_ENGINE_BENCH_H

#include "check.h"

#include "granary/engine.h"

#include <stdlib.h>

/* A house in UTC with a night band, told the truth once a minute. */
struct bench {
    struct gr_engine *engine;
    struct gr_zone *zone;
    struct gr_engine_config config;
    struct gr_moment now;
    double percent, house_kw, solar_kw, battery_kw, car_kw;
    bool silent; /* sends nothing */
    struct gr_decision decision;
};

static const int64_t midnight_s = 1773100800; /* 2026-03-10T00:00:00Z, a Tuesday */

static inline void fill_config(struct gr_engine_config *config)
{
    *config = (struct gr_engine_config){.site = {.name = "bench",
                                                 .timezone = "UTC",
                                                 .battery = {13.5, 6, 6, 0.95, 0.95, 0.01, 0.02},
                                                 .reserve_percent = 20,
                                                 .grid = {.import_limit_kw = 15, .export_limit_kw = 5}},
                                        .planning = {.slot_minutes = 30,
                                                     .horizon_hours = 48,
                                                     .expectation = {.path_days = 14, .usual_clearness = 0.6},
                                                     .may_export = true,
                                                     .end_value_factor = 0.8},
                                        .safety = {.commanding = true,
                                                   .validity_s = 300,
                                                   .dwell_s = 600,
                                                   .least_gain = 0.01,
                                                   .changes_per_day = 48,
                                                   .recovery_s = 120}};
    for (int hour = 0; hour < 24; hour++) {
        config->planning.expectation.house_kw[hour] = 0.8;
    }
    config->safety.max_age_s[GR_STATE_OF_CHARGE] = 300;
    config->safety.max_age_s[GR_HOUSE_POWER] = 120;
    config->safety.max_age_s[GR_SOLAR_POWER] = 120;
    config->safety.max_age_s[GR_CAR_POWER] = 120;
    config->import.count = 1;
    config->import.source[0] = (struct gr_rate_source){
        .is_bands = true,
        .bands = {.count = 2,
                  .band = {{.from_minute = 30, .to_minute = 330, .weekdays = 127, .price_per_kwh = 0.09},
                           {.from_minute = 0, .to_minute = 1440, .weekdays = 127, .price_per_kwh = 0.30}}}};
    config->export.count = 1;
    config->export.source[0] = (struct gr_rate_source){
        .is_bands = true,
        .bands = {.count = 1,
                  .band = {{.from_minute = 0, .to_minute = 1440, .weekdays = 127, .price_per_kwh = 0.05}}}};
}

static inline void start_bench(struct bench *bench)
{
    struct gr_error error = {""};
    assert_int_equal(gr_zone_fixed(&bench->zone, "UTC", 0, &error), GR_OK);
    assert_int_equal(gr_engine_create(&bench->engine, &bench->config, bench->zone, 41, &error), GR_OK);
    struct gr_event up = {.kind = GR_EVENT_LINK, .at = bench->now, .of.link.up = true};
    assert_int_equal(gr_engine_handle(bench->engine, &up, &error), GR_OK);
}

static inline int set_up(void **state)
{
    struct bench *bench = calloc(1, sizeof *bench);
    fill_config(&bench->config);
    bench->now = (struct gr_moment){.utc_s = midnight_s, .mono_ms = 1000, .synchronised = true};
    bench->percent = 50;
    bench->house_kw = 0.8;
    start_bench(bench);
    *state = bench;
    return 0;
}

static inline int tear_down(void **state)
{
    struct bench *bench = *state;
    gr_engine_free(bench->engine);
    gr_zone_free(bench->zone);
    free(bench);
    return 0;
}

static inline void send(struct bench *bench, enum gr_channel channel, double value)
{
    struct gr_error error = {""};
    struct gr_event event = {.kind = GR_EVENT_READING,
                             .at = bench->now,
                             .of.reading = {.channel = channel, .value = value, .retained = false}};
    assert_int_equal(gr_engine_handle(bench->engine, &event, &error), GR_OK);
}

static inline void tick(struct bench *bench)
{
    if (!bench->silent) {
        send(bench, GR_STATE_OF_CHARGE, bench->percent);
        send(bench, GR_HOUSE_POWER, bench->house_kw);
        send(bench, GR_SOLAR_POWER, bench->solar_kw);
        send(bench, GR_CAR_POWER, bench->car_kw);
    }
    gr_engine_tick(bench->engine, bench->now, &bench->decision);
}

static inline void pass(struct bench *bench, int minutes)
{
    for (int i = 0; i < minutes; i++) {
        bench->now.utc_s += 60;
        bench->now.mono_ms += 60000;
        tick(bench);
    }
}

static inline void go_to(struct bench *bench, int hour, int minute)
{
    int64_t ahead_s = midnight_s + hour * 3600 + minute * 60 - bench->now.utc_s;
    bench->now.utc_s += ahead_s;
    bench->now.mono_ms += ahead_s * 1000;
}

#endif
