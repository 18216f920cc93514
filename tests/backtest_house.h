/* Made-up houses and tariffs for tests of the back-test. */
#ifndef GRANARY_TESTS_BACKTEST_HOUSE_H
#define GRANARY_TESTS_BACKTEST_HOUSE_H

#include "granary/backtest.h"
#include "granary/civil.h"
#include "zone_file.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* splitmix64, public domain (Sebastiano Vigna, from memory). */
static inline uint64_t next_random(uint64_t *state)
{
    uint64_t z = (*state += UINT64_C(0x9e3779b97f4a7c15));
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return z ^ (z >> 31);
}

static inline double uniform(uint64_t *state)
{
    return (double)(next_random(state) >> 11) * 0x1p-53;
}

static inline struct gr_engine_config made_up_config(void)
{
    struct gr_engine_config config;
    memset(&config, 0, sizeof config);
    config.site.battery = (struct gr_battery){.capacity_kwh = 10,
                                              .charge_kw = 4,
                                              .discharge_kw = 5,
                                              .charge_efficiency = 0.95,
                                              .discharge_efficiency = 0.94,
                                              .standing_loss_kw = 0.01,
                                              .wear_per_kwh = 0.02};
    config.site.reserve_percent = 10;
    config.site.grid =
        (struct gr_grid){.import_limit_kw = 20, .export_limit_kw = 5, .solar_curtailable = true};
    config.planning = (struct gr_planning){.slot_minutes = 30,
                                           .horizon_hours = 36,
                                           .expectation = {.path_days = 7, .usual_clearness = 0.6},
                                           .may_export = true,
                                           .floor_percent = 10,
                                           .end_value_factor = 0.8};
    for (int hour = 0; hour < 24; hour++) {
        config.planning.expectation.house_kw[hour] = 0.5;
    }
    config.safety = (struct gr_safety){.dwell_s = 600, .least_gain = 0.001, .changes_per_day = 96};
    return config;
}

/* `days` days from a local midnight of the zone's on; arrays to be freed with gr_usage_free. */
static inline struct gr_usage made_up_usage(const struct gr_zone *zone, int64_t start_s, int32_t step_s,
                                            int days, uint64_t seed)
{
    struct gr_usage usage = {
        .start_s = start_s, .step_s = step_s, .count = (size_t)(days * GR_DAY_S / step_s)};
    usage.load_kw = malloc(usage.count * sizeof *usage.load_kw);
    usage.solar_kw = malloc(usage.count * sizeof *usage.solar_kw);
    double clear = 0.7;
    for (size_t i = 0; i < usage.count; i++) {
        int64_t local_s = gr_zone_local_s(zone, start_s + (int64_t)i * step_s);
        double hour = (double)(local_s % GR_DAY_S) / 3600;
        clear = local_s % GR_DAY_S == 0 ? 0.2 + 0.8 * uniform(&seed) : clear;
        double evening = hour >= 17 && hour < 22 ? 1.2 : 0.3;
        usage.load_kw[i] = evening * (0.4 + 1.2 * uniform(&seed)) + (uniform(&seed) < 0.05 ? 3 : 0);
        usage.solar_kw[i] = 4 * clear * fmax(0, sin(M_PI * (hour - 6) / 12)) * (0.8 + 0.4 * uniform(&seed));
    }
    return usage;
}

static inline void add_band(struct gr_tariff *tariff, int from_hour, int to_hour, double price)
{
    tariff->count = 1;
    tariff->source[0].is_bands = true;
    struct gr_rate_bands *bands = &tariff->source[0].bands;
    bands->band[bands->count++] = (struct gr_rate_band){
        .from_minute = from_hour * 60, .to_minute = to_hour * 60, .weekdays = 127, .price_per_kwh = price};
}

/* Cheap nights, dear evenings, paid export. */
static inline void fill_bands(struct gr_backtest_tariff *tariff)
{
    memset(tariff, 0, sizeof *tariff);
    (void)snprintf(tariff->name, sizeof tariff->name, "bands");
    add_band(&tariff->import, 1, 6, 0.10);
    add_band(&tariff->import, 17, 20, 0.45);
    add_band(&tariff->import, 0, 24, 0.28);
    add_band(&tariff->export, 17, 20, 0.25);
    add_band(&tariff->export, 0, 24, 0.08);
    tariff->standing_charge_per_day = 0.40;
}

/* Half-hourly tables, negative prices among them, the next day's known from 13:00. */
static inline void fill_tables(struct gr_backtest_tariff *tariff, int64_t start_s, int days, uint64_t seed)
{
    memset(tariff, 0, sizeof *tariff);
    (void)snprintf(tariff->name, sizeof tariff->name, "tables");
    tariff->published_minute = 13 * 60;
    struct gr_tariff *directions[] = {&tariff->import, &tariff->export};
    size_t count = (size_t)days * 48;
    for (size_t k = 0; k < 2; k++) {
        struct gr_rate_table *table = &directions[k]->source[0].table;
        directions[k]->count = 1;
        table->rates = malloc(count * sizeof *table->rates);
        table->count = count;
        for (size_t i = 0; i < count; i++) {
            int64_t at_s = start_s + (int64_t)i * 1800;
            double shape = 0.15 + 0.12 * sin((double)(at_s % GR_DAY_S) / GR_DAY_S * 4 * M_PI);
            double price = shape + 0.15 * (uniform(&seed) - 0.5);
            table->rates[i] = (struct gr_rate){at_s, at_s + 1800, k == 0 ? price + 0.08 : price};
        }
    }
}

static inline struct gr_strategy strategy_named(const char *name)
{
    struct gr_strategy strategy;
    memset(&strategy, 0, sizeof strategy);
    if (gr_strategy_named(&strategy, name) != GR_OK) {
        abort();
    }
    return strategy;
}

/* What most tests need; `strategy` is set by the test. */
struct made_up {
    struct gr_zone *zone;
    struct gr_engine_config config;
    struct gr_usage usage;
    struct gr_backtest_tariff tariff;
    struct gr_strategy strategy;
    struct gr_backtest backtest;
};

/* 2024-03-25T00:00 in Lisbon; the clock goes forward on the 31st. */
static const int64_t made_up_start_s = 1711324800;

static inline void make_up(struct made_up *it, int32_t step_s, int days, bool tables, uint64_t seed)
{
    it->zone = load_zone("Europe/Lisbon");
    it->config = made_up_config();
    it->usage = made_up_usage(it->zone, made_up_start_s, step_s, days, seed);
    if (tables) {
        fill_tables(&it->tariff, made_up_start_s, days + 1, seed + 1);
    } else {
        fill_bands(&it->tariff);
    }
    it->backtest = (struct gr_backtest){.config = &it->config,
                                        .zone = it->zone,
                                        .usage = &it->usage,
                                        .from_s = made_up_start_s,
                                        .to_s = made_up_start_s + days * GR_DAY_S,
                                        .tariff = &it->tariff,
                                        .strategy = &it->strategy,
                                        .capacity_kwh = 10};
}

static inline void forget(struct made_up *it)
{
    gr_backtest_tariff_free(&it->tariff);
    gr_usage_free(&it->usage);
    gr_zone_free(it->zone);
}

#endif
