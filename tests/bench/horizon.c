/* What a shorter planning horizon costs, by living through past usage: run by hand, not by ctest.
 *
 *     bench_horizon CONFIG USAGE TARIFF [--from DATE --to DATE]
 *
 * One line for each horizon: hours, total cost of the whole run, decisions, how many of them differ from the
 * longest horizon's at the same moment with the same stored energy, and what those cost more by the longest
 * horizon's value function, added up. Money as in the tariff. The first two tell what was paid; the last two
 * leave out that runs part ways, since all decide at the longest run's moments. */
#include "engine/internal.h"
#include "scene.h"

#include <math.h>
#include <stdlib.h>

enum { HORIZONS = 7 };
static const int hours_of[HORIZONS] = {12, 18, 24, 36, 48, 72, 96};
static const int longest = HORIZONS - 1;
static const double same_kw = 0.05; /* powers nearer than this are one command */

struct bench {
    struct gr_bt_scene scene;
    struct gr_engine *shadow[HORIZONS]; /* each with its own horizon, told the same */
    size_t decisions, differ[HORIZONS];
    double regret[HORIZONS], cost[HORIZONS];
};

static void fail(const char *text)
{
    (void)fprintf(stderr, "bench_horizon: %s\n", text);
    exit(1);
}

/* ---- decisions at the same moments ---- */

static void pass_on(void *context, const struct gr_event *event)
{
    struct bench *bench = context;
    for (int h = 0; h < HORIZONS; h++) {
        if (gr_engine_handle(bench->shadow[h], event, NULL) != GR_OK) {
            fail("an event was refused");
        }
    }
}

/* What the command would cost more than the longest horizon's own, by its value function. */
static double regret_of(struct gr_engine *engine, const struct gr_moment *now,
                        const struct gr_decision *seen_by, const struct gr_command *command)
{
    const struct gr_seen seen = {.stored_kwh = seen_by->stored_kwh,
                                 .house_kw = seen_by->house_kw,
                                 .solar_kw = seen_by->solar_kw,
                                 .steady_house_kw = engine->meter.smooth[GR_METER_HOUSE],
                                 .steady_solar_kw = engine->meter.smooth[GR_METER_SOLAR],
                                 .car_known = true,
                                 .charge_available_kw = INFINITY,
                                 .discharge_available_kw = INFINITY};
    struct gr_wish wish;
    char held_back[GR_REASON_SIZE];
    engine->pacer.any = true;
    engine->pacer.kind = command->kind;
    engine->pacer.power_kw = command->power_kw;
    if (gr_engine_decide(engine, now, &seen, &wish, held_back, NULL) != GR_OK) {
        fail("no decision");
    }
    return fmax(0, wish.gain);
}

static void compare(void *context, const struct gr_moment *now, const struct gr_decision *decision)
{
    struct bench *bench = context;
    struct gr_decision of[HORIZONS];
    (void)decision;
    for (int h = 0; h < HORIZONS; h++) {
        gr_pacer_init(&bench->shadow[h]->pacer); /* nothing in force: the best command is wanted */
        gr_engine_tick(bench->shadow[h], *now, &of[h]);
    }
    bench->decisions++;
    const struct gr_command *best = &of[longest].command;
    for (int h = 0; h < longest; h++) {
        const struct gr_command *other = &of[h].command;
        if (other->kind != best->kind || fabs(other->power_kw - best->power_kw) > same_kw) {
            bench->differ[h]++;
            bench->regret[h] += regret_of(bench->shadow[longest], now, &of[longest], other);
        }
    }
}

static void forget_shadows(struct bench *bench)
{
    for (int h = 0; h < HORIZONS; h++) {
        gr_engine_free(bench->shadow[h]);
        bench->shadow[h] = NULL;
    }
}

static void watch(void *context, struct gr_engine *engine)
{
    struct bench *bench = context;
    const struct gr_engine_tap tap = {.event = pass_on, .turn = compare, .context = bench};
    for (int h = 0; h < HORIZONS; h++) {
        struct gr_engine_config config = *gr_engine_config_of(engine);
        config.planning.horizon_hours = hours_of[h];
        config.safety.least_gain = 0;
        if (gr_engine_create(&bench->shadow[h], &config, bench->scene.zone, 0, NULL) != GR_OK) {
            fail("no memory");
        }
    }
    gr_engine_set_tap(engine, &tap);
}

/* ---- whole runs ---- */

static void run(struct bench *bench, int h)
{
    struct gr_bt_scene *scene = &bench->scene;
    struct gr_engine_config config = scene->config.engine;
    struct gr_backtest_result result;
    struct gr_error error = {""};
    config.planning.horizon_hours = hours_of[h];
    struct gr_backtest backtest = {.config = &config,
                                   .zone = scene->zone,
                                   .usage = &scene->usage,
                                   .from_s = scene->from_s,
                                   .to_s = scene->to_s,
                                   .tariff = &scene->tariff[0],
                                   .strategy = &scene->strategy[0],
                                   .capacity_kwh = config.site.battery.capacity_kwh,
                                   .watch = h == longest ? watch : NULL,
                                   .watch_context = bench};
    if (gr_backtest_run(&result, &backtest, &error) != GR_OK) {
        fail(error.text);
    }
    bench->cost[h] = result.total_cost;
    gr_backtest_result_free(&result);
    forget_shadows(bench);
}

int main(int argc, char **argv)
{
    static struct bench bench;
    struct gr_bt_options options = {.tariffs = 1, .strategies = 1, .strategy = {"planned"}};
    if (!read_scene(&bench.scene, &options, argc, argv)) {
        return 2;
    }
    for (int h = 0; h < HORIZONS; h++) {
        run(&bench, h);
    }
    for (int h = 0; h < HORIZONS; h++) {
        printf("%d %.4f %zu %zu %.4f\n", hours_of[h], bench.cost[h], bench.decisions, bench.differ[h],
               bench.regret[h]);
    }
    gr_bt_scene_free(&bench.scene);
    return 0;
}
