/* What planning on possible courses of the days to come gains over planning on their mean, by living through
 * past usage: run by hand, not by ctest.
 *
 *     bench_mean CONFIG USAGE TARIFF [--from DATE --to DATE]
 *
 * One line: total cost of `follow`, of `foresight`, of `planned`, and of the same engine whose paths are all
 * told their own mean before each plan. Money as in the tariff. */
#include "engine/internal.h"
#include "scene.h"

#include <math.h>
#include <stdlib.h>

static const double lean_half_life_s = 3600; /* as the engine's own */

struct bench {
    struct gr_bt_scene scene;
    const struct gr_engine *engine; /* of the run under way */
};

static void fail(const char *text)
{
    (void)fprintf(stderr, "bench_mean: %s\n", text);
    exit(1);
}

/* The mean of the paths that the engine is just making, leaning to what is seen as they do. */
static void tell_mean(const void *context, const int64_t *bounds_s, size_t slots, double *house_kw,
                      double *solar_kw)
{
    const struct gr_engine *engine = ((const struct bench *)context)->engine;
    const struct gr_engine_config *config = &engine->config;
    struct gr_paths paths;
    if (gr_paths_build(&paths, engine->history, &config->planning.expectation, &config->site, engine->zone,
                       bounds_s, slots, NULL) != GR_OK) {
        fail("no paths");
    }
    gr_paths_lean(&paths, bounds_s, engine->meter.smooth[GR_METER_HOUSE],
                  engine->meter.smooth[GR_METER_SOLAR], lean_half_life_s);
    for (size_t t = 0; t < slots; t++) {
        gr_paths_mean(&paths, t, &house_kw[t], &solar_kw[t]);
    }
    gr_paths_free(&paths);
}

static void watch(void *context, struct gr_engine *engine)
{
    ((struct bench *)context)->engine = engine;
}

static double run(struct bench *bench, size_t strategy, bool on_mean)
{
    struct gr_bt_scene *scene = &bench->scene;
    struct gr_engine_config config = scene->config.engine;
    struct gr_backtest_result result;
    struct gr_error error = {""};
    if (on_mean) {
        config.known = (struct gr_foreknowledge){.fill = tell_mean, .context = bench};
    }
    struct gr_backtest backtest = {.config = &config,
                                   .zone = scene->zone,
                                   .usage = &scene->usage,
                                   .from_s = scene->from_s,
                                   .to_s = scene->to_s,
                                   .tariff = &scene->tariff[0],
                                   .strategy = &scene->strategy[strategy],
                                   .capacity_kwh = config.site.battery.capacity_kwh,
                                   .watch = watch,
                                   .watch_context = bench};
    if (gr_backtest_run(&result, &backtest, &error) != GR_OK) {
        fail(error.text);
    }
    double cost = result.total_cost;
    gr_backtest_result_free(&result);
    return cost;
}

int main(int argc, char **argv)
{
    static struct bench bench;
    struct gr_bt_options options = {
        .tariffs = 1, .strategies = 3, .strategy = {"follow", "foresight", "planned"}};
    if (!read_scene(&bench.scene, &options, argc, argv)) {
        return 2;
    }
    for (size_t strategy = 0; strategy < 3; strategy++) {
        printf("%.4f ", run(&bench, strategy, false));
    }
    printf("%.4f\n", run(&bench, 2, true));
    gr_bt_scene_free(&bench.scene);
    return 0;
}
