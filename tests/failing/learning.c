/* What is learned from a made-up past, and what a broker's numbers are. */
#include "backtest_house.h"

#include "failing/torture.h"
#include "granary/block.h"
#include "granary/discover.h"
#include "granary/forecast.h"
#include "granary/plant.h"
#include "granary/within.h"

#define STEPS (5 * 48)
#define FINE_STEPS (7 * 288)
#define HOURS (40 * 24)

static double load_kw[STEPS], sun_kw[STEPS], irradiance[STEPS], fine_kw[FINE_STEPS], sun_by_hour_kw[HOURS];
static struct gr_zone *zone;
static const struct gr_site site = {
    .latitude_deg = 38.7,
    .longitude_deg = -9.1,
    .array_count = 1,
    .arrays = {{.peak_kw = 4, .tilt_deg = 30, .azimuth_deg = 180, .inverter_kw = 4}}};

void learning_prepare(void)
{
    uint64_t random = 1;
    zone = load_zone("Europe/Lisbon");
    for (int i = 0; i < STEPS; i++) {
        irradiance[i] = fmax(0, sin(M_PI * (i % 48 - 12) / 24));
        sun_kw[i] = 3 * irradiance[i];
        load_kw[i] = 0.3 + uniform(&random) + (i % 48 < 6 ? 7 : 0);
    }
    for (int i = 0; i < HOURS; i++) {
        sun_by_hour_kw[i] = fmax(0, 3 * sin(M_PI * (i % 24 - 6) / 12));
    }
    for (int i = 0; i < FINE_STEPS; i++) {
        fine_kw[i] = 0.2 + uniform(&random);
    }
}

void learning_end(void)
{
    gr_zone_free(zone);
}

static void judge(int status, const struct gr_error *error, const char *what)
{
    require(status == GR_OK || (status == GR_NO_MEMORY && error->text[0] != '\0'), what);
}

static struct gr_series series_of(const double *kw, int32_t step_s, size_t count)
{
    return (struct gr_series){made_up_start_s, step_s, count, kw};
}

void learning_run(void *context)
{
    static struct gr_forecast_slot slots[96];
    static double car_kw[STEPS];
    struct gr_error error = {""};
    struct gr_forecast_score score;
    struct gr_blocks blocks;
    struct gr_plant plant;
    struct gr_within within;
    const struct gr_series told = series_of(irradiance, 1800, STEPS);
    struct gr_lesson lesson = {
        .kind = GR_FORECAST_LOAD, .series = series_of(load_kw, 1800, STEPS), .zone = zone};
    (void)context;
    judge(gr_forecast_after(slots, 48, &lesson, &error), &error, "the forecast of the load says why");
    judge(gr_forecast_evaluate(&score, &lesson, &error), &error, "the score says why");
    lesson = (struct gr_lesson){.kind = GR_FORECAST_SUN,
                                .series = series_of(sun_kw, 1800, STEPS),
                                .zone = zone,
                                .site = &site,
                                .weather = &told};
    judge(gr_forecast_after(slots, 96, &lesson, &error), &error, "the forecast of the sun says why");
    judge(gr_blocks_separate(&blocks, car_kw, &lesson.series, &error), &error,
          "the search for a car says why");
    const struct gr_series by_hour = series_of(sun_by_hour_kw, 3600, HOURS);
    judge(gr_plant_look(&plant, &by_hour, &site, &error), &error, "the look at the arrays says why");
    const struct gr_series fine = series_of(fine_kw, 300, FINE_STEPS);
    int status = gr_within_learn(&within, &fine, 1800, &error);
    judge(status, &error, "what is learned within the slots says why");
    if (status == GR_OK) {
        gr_within_free(&within);
    }
}

/* ---- what a broker tells ---- */

static int hear(struct gr_heard *heard, int minute)
{
    char text[80];
    double house = minute % 7 < 3 ? 2.5 : 0.6, battery = minute % 20 < 10 ? 1.5 : -0.4;
    int64_t at_ms = 60000 * (int64_t)minute;
    int status = GR_OK;
    const struct {
        const char *topic;
        double value;
    } told[] = {{"home/battery/soc", 50 + 0.2 * minute},
                {"home/battery/power", 1000 * battery},
                {"home/grid/power", 1000 * (house + battery)},
                {"home/load/power", 1000 * house}};
    for (size_t i = 0; status == GR_OK && i < sizeof told / sizeof *told; i++) {
        int length = snprintf(text, sizeof text, "{\"value\": %.3f, \"at\": [%d]}", told[i].value, minute);
        status = gr_heard_note(heard, told[i].topic, text, (size_t)length, false, at_ms);
    }
    return status;
}

void discovery_run(void *context)
{
    struct gr_heard *heard = NULL;
    struct gr_proposal proposal;
    struct gr_error error = {""};
    size_t count = 0;
    int status = gr_heard_create(&heard);
    (void)context;
    for (int minute = 0; status == GR_OK && minute < 60; minute++) {
        status = hear(heard, minute);
    }
    const struct gr_topic_series *series = status == GR_OK ? gr_heard_series(heard, &count) : NULL;
    require(status == GR_OK || status == GR_NO_MEMORY, "listening says why");
    status = series ? gr_discover(&proposal, series, count, &error) : GR_NO_MEMORY;
    require(!series || status == GR_OK || error.text[0] != '\0', "the search for topics says why");
    if (status == GR_OK) {
        free(gr_discover_config(&proposal, series, "host = \"localhost\";", "Europe/Lisbon"));
    }
    gr_heard_free(heard);
}
