/* What an event log needs of an engine. */
#include "engine/internal.h"

#include <string.h>

/* All that a turn leaves for the next one, but prices, history and plan. */
struct state {
    struct gr_guard guard;
    struct gr_pacer pacer;
    struct gr_answer_watch answer;
    struct gr_meter meter;
    struct gr_charger charger;
    struct gr_overrides overrides;
    struct gr_override_cost override_cost[GR_OVERRIDE_KINDS];
    struct gr_fullness full;
    struct gr_command command;
    enum gr_fault issued_fault;
    uint64_t sequence;
    bool overrides_changed, reissue, decided;
};

void gr_engine_set_tap(struct gr_engine *engine, const struct gr_engine_tap *tap)
{
    engine->tap = tap ? *tap : (struct gr_engine_tap){.context = NULL};
}

const struct gr_engine_config *gr_engine_config_of(const struct gr_engine *engine)
{
    return &engine->config;
}

const struct gr_tariff *gr_engine_tariff(const struct gr_engine *engine, enum gr_direction direction)
{
    return &engine->tariffs[direction];
}

static const char *const direction_names[GR_DIRECTIONS] = {"import", "export", "carbon"};

const char *gr_direction_name(enum gr_direction direction)
{
    return (unsigned)direction < GR_DIRECTIONS ? direction_names[direction] : NULL;
}

enum gr_direction gr_direction_named(const char *name)
{
    int direction = 0;
    while (direction < GR_DIRECTIONS && strcmp(direction_names[direction], name) != 0) {
        direction++;
    }
    return (enum gr_direction)direction;
}

const struct gr_history *gr_engine_history(const struct gr_engine *engine)
{
    return engine->history;
}

const struct gr_weather *gr_engine_weather(const struct gr_engine *engine)
{
    return engine->weather;
}

size_t gr_engine_state_size(void)
{
    return sizeof(struct state) + gr_weather_size();
}

void gr_engine_save(struct gr_engine *engine, void *state)
{
    struct state now;
    memset(&now, 0, sizeof now);
    now.guard = engine->guard;
    now.pacer = engine->pacer;
    now.answer = engine->answer;
    now.meter = engine->meter;
    now.charger = engine->charger;
    now.overrides = engine->overrides;
    memcpy(now.override_cost, engine->override_cost, sizeof now.override_cost);
    now.overrides_changed = engine->overrides_changed;
    now.full = engine->full;
    now.command = engine->command;
    now.issued_fault = engine->issued_fault;
    now.sequence = engine->sequence;
    now.reissue = engine->reissue;
    now.decided = engine->decided;
    memcpy(state, &now, sizeof now);
    gr_weather_save(engine->weather, (char *)state + sizeof now);
    gr_engine_plan_free(&engine->plan);
    engine->replan = true;
}

void gr_engine_load(struct gr_engine *engine, const void *state)
{
    struct state then;
    memcpy(&then, state, sizeof then);
    gr_weather_load(engine->weather, (const char *)state + sizeof then);
    engine->guard = then.guard;
    engine->pacer = then.pacer;
    engine->answer = then.answer;
    engine->meter = then.meter;
    engine->charger = then.charger;
    engine->overrides = then.overrides;
    memcpy(engine->override_cost, then.override_cost, sizeof then.override_cost);
    engine->overrides_changed = then.overrides_changed;
    engine->full = then.full;
    engine->command = then.command;
    engine->issued_fault = then.issued_fault;
    engine->sequence = then.sequence;
    engine->reissue = then.reissue;
    engine->decided = then.decided;
    gr_engine_plan_free(&engine->plan);
    engine->replan = true;
}
