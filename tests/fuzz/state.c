/* The inner state of an engine, as an event log carries it: a good one with some bytes changed. Each change
 * is a place (three bytes), how many bytes (one), and the bytes. */
#include "fuzz/fuzz.h"

#include "world/world.h"

#include <stdlib.h>
#include <string.h>

struct scene {
    struct world world;
    struct gr_engine *engine;
    unsigned char *good, *changed;
    size_t size;
};

/* An evening with windows and an override. */
static bool live(struct world *world)
{
    world_init(world);
    world->config.planning.slot_minutes = 60;
    world->config.planning.horizon_hours = 12;
    world->config.planning.expectation.path_days = 3;
    world->config.site.grid.car_charger_kw = 7;
    world->config.site.array_count = 1;
    world->config.site.arrays[0] = (struct gr_solar_array){.peak_kw = 4, .tilt_deg = 35, .inverter_kw = 4};
    if (!world_begin(world)) {
        return false;
    }
    struct gr_rate sky = {world->true_s + 3600, world->true_s + 90000, 0.4};
    const struct gr_rate_table table = {&sky, 1};
    const struct gr_window payment = {.kind = GR_WINDOW_PAYMENT,
                                      .start_s = world->true_s + 1000,
                                      .end_s = world->true_s + 8000,
                                      .value = 1};
    const struct gr_event events[] = {{.kind = GR_EVENT_WINDOWS,
                                       .at = world->now,
                                       .of.windows = {.source = 3, .list = &payment, .count = 1}},
                                      {.kind = GR_EVENT_WEATHER,
                                       .at = world->now,
                                       .of.weather = {.kind = GR_WEATHER_CLOUD_COVER, .table = &table}},
                                      {.kind = GR_EVENT_OVERRIDE,
                                       .at = world->now,
                                       .of.override = {.kind = GR_OVERRIDE_RESERVE,
                                                       .value = 40,
                                                       .since_s = world->true_s,
                                                       .until_s = world->true_s + 90000,
                                                       .by = "the attic"}}};
    for (size_t i = 0; i < sizeof events / sizeof events[0]; i++) {
        (void)gr_engine_handle(world->engine, &events[i], NULL);
    }
    for (int i = 0; i < 20; i++) {
        world_turn(world, 300);
    }
    return true;
}

static struct scene *find_scene(void)
{
    static struct scene scene;
    if (scene.engine || !live(&scene.world)) {
        return scene.engine ? &scene : NULL;
    }
    scene.size = gr_engine_state_size();
    scene.good = calloc(1, scene.size);
    scene.changed = calloc(1, scene.size);
    if (!scene.good || !scene.changed ||
        gr_engine_create(&scene.engine, &scene.world.config, scene.world.zone, 0, NULL) != GR_OK) {
        free(scene.good);
        free(scene.changed);
        world_end(&scene.world);
        scene.engine = NULL;
        return NULL;
    }
    gr_engine_save(scene.world.engine, scene.good);
    memcpy(scene.changed, scene.good, scene.size);
    return &scene;
}

/* Puts the changes in, or the good bytes back. */
static void change(struct scene *scene, const uint8_t *data, size_t size, bool back)
{
    while (size > 4) {
        size_t at = ((size_t)data[0] << 16 | (size_t)data[1] << 8 | data[2]) % scene->size;
        size_t most = scene->size - at < size - 4 ? scene->size - at : size - 4;
        size_t count = data[3] < most ? data[3] : most;
        memcpy(scene->changed + at, back ? scene->good + at : data + 4, count);
        data += 4 + count;
        size -= 4 + count;
    }
}

/* Two turns, the second one with readings. */
static void go_on(struct scene *scene)
{
    struct gr_decision decision;
    struct gr_moment now = scene->world.now;
    for (int turn = 0; turn < 2; turn++) {
        now.utc_s += 10;
        now.mono_ms += 10000;
        gr_engine_tick(scene->engine, now, &decision);
        for (int channel = 0; channel < GR_CHANNELS; channel++) {
            const struct gr_event event = {.kind = GR_EVENT_READING,
                                           .at = now,
                                           .of.reading = {.channel = (enum gr_channel)channel,
                                                          .value = channel == GR_STATE_OF_CHARGE ? 50 : 1}};
            (void)gr_engine_handle(scene->engine, &event, NULL);
        }
    }
}

bool fuzz_take(const uint8_t *data, size_t size)
{
    struct scene *scene = find_scene();
    if (!scene) {
        return false;
    }
    change(scene, data, size, false);
    bool good = gr_engine_load(scene->engine, scene->changed, NULL) == GR_OK;
    if (good) {
        go_on(scene);
    }
    change(scene, data, size, true);
    return good;
}
