/* What an event log needs of an engine. */
#include "engine/internal.h"

#include <stddef.h>
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
    struct gr_peak_meter peak;
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
    now.peak = engine->peak;
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

/* ---- what no engine leaves ---- */

/* Bytes come from outside: what is used as a place, a count, a kind, a moment or a text is looked at. A
 * number may be any; those that are only added up and compared do no harm. */
enum shape { FLAG, KIND, SMALL, COUNT, MOMENT, STEP, TEXT };

struct part {
    size_t offset, count, stride; /* several alike, as far apart */
    enum shape shape;
    int64_t greatest; /* least is 0, but for moments; of a text its room, of a step what it must be */
};

#define ONE(member) offsetof(struct state, member), 1, 0
#define MANY(first, list, many) offsetof(struct state, first), many, sizeof(((struct state *)NULL)->list[0])
#define READINGS(member) MANY(guard.reading[0].member, guard.reading, GR_CHANNELS)
#define ASKED(member) MANY(overrides.of[0].member, overrides.of, GR_OVERRIDE_KINDS)
#define WINDOWS(member) MANY(overrides.windows[0].member, overrides.windows, GR_MOST_WINDOWS)

#define GREATEST_S (INT64_C(1) << 41) /* twice a log's own */
#define GREATEST_MS (INT64_C(1) << 52)
#define A_COUNT (INT64_C(1) << 30)

static const struct part parts[] = {
    {READINGS(seen), FLAG, 1},
    {READINGS(mono_ms), MOMENT, GREATEST_MS},
    {READINGS(candidate_ms), MOMENT, GREATEST_MS},
    {ONE(guard.frozen.mono_ms), MOMENT, GREATEST_MS},
    {ONE(guard.contradicted_ms), MOMENT, GREATEST_MS},
    {ONE(guard.rival_until_ms), MOMENT, GREATEST_MS},
    {ONE(guard.started), FLAG, 1},
    {ONE(guard.link_up), FLAG, 1},
    {ONE(guard.last_utc_s), MOMENT, GREATEST_S},
    {ONE(guard.last_mono_ms), MOMENT, GREATEST_MS},
    {ONE(guard.clock_stepped), FLAG, 1},
    {ONE(guard.well_since_ms), MOMENT, GREATEST_MS},
    {ONE(guard.well), FLAG, 1},
    {ONE(guard.ever_well), FLAG, 1},
    {ONE(pacer.any), FLAG, 1},
    {ONE(pacer.kind), KIND, GR_COMMAND_KINDS - 1},
    {ONE(pacer.since_ms), MOMENT, GREATEST_MS},
    {ONE(pacer.weighed_ms), MOMENT, GREATEST_MS},
    {ONE(pacer.loss_end_ms), MOMENT, GREATEST_MS},
    {MANY(pacer.change_ms[0], pacer.change_ms, GR_MOST_CHANGES), MOMENT, GREATEST_MS},
    {ONE(pacer.changes), COUNT, A_COUNT},
    {ONE(answer.kind), KIND, GR_COMMAND_KINDS - 1},
    {ONE(answer.since_ms), MOMENT, GREATEST_MS},
    {ONE(answer.astray_ms), MOMENT, GREATEST_MS},
    {ONE(answer.repeated), FLAG, 1},
    {ONE(answer.against), FLAG, 1},
    {ONE(answer.refusals), SMALL, A_COUNT},
    {ONE(answer.pause_until_ms), MOMENT, GREATEST_MS},
    {ONE(answer.gauge_ms), MOMENT, GREATEST_MS},
    {ONE(answer.charge_until_ms), MOMENT, GREATEST_MS},
    {ONE(answer.discharge_until_ms), MOMENT, GREATEST_MS},
    {ONE(answer.answer), KIND, GR_ANSWERS - 1},
    {ONE(answer.text), TEXT, GR_REASON_SIZE},
    {ONE(meter.begun), FLAG, 1},
    {ONE(meter.mono_ms), MOMENT, GREATEST_MS},
    {ONE(meter.utc_s), MOMENT, GREATEST_S},
    {ONE(meter.half.step_s), STEP, GR_HISTORY_STEP_S},
    {ONE(meter.half.start_s), MOMENT, GREATEST_S},
    {ONE(meter.fine.step_s), STEP, GR_FINE_STEP_S},
    {ONE(meter.fine.start_s), MOMENT, GREATEST_S},
    {MANY(meter.samples[0], meter.samples, GR_METERS), SMALL, A_COUNT},
    {ONE(peak.month), MOMENT, A_COUNT},
    {ONE(peak.interval), MOMENT, GREATEST_S},
    {ONE(peak.day), SMALL, GR_MONTH_DAYS - 1},
    {ONE(peak.until_s), MOMENT, GREATEST_S},
    {ONE(peak.leveled), FLAG, 1},
    {ONE(peak.level_day), MOMENT, GREATEST_S},
    {ONE(charger.begun), FLAG, 1},
    {ONE(charger.phase), KIND, GR_CHARGER_CHARGES},
    {ONE(charger.mono_ms), MOMENT, GREATEST_MS},
    {ONE(charger.since_ms), MOMENT, GREATEST_MS},
    {ONE(charger.high_ms), MOMENT, GREATEST_MS},
    {MANY(overrides.active[0], overrides.active, GR_OVERRIDE_KINDS), FLAG, 1},
    {ASKED(kind), KIND, GR_OVERRIDE_KINDS - 1},
    {ASKED(command), KIND, GR_COMMAND_KINDS - 1},
    {ASKED(since_s), MOMENT, GREATEST_S},
    {ASKED(until_s), MOMENT, GREATEST_S},
    {ASKED(by), TEXT, GR_NAME_SIZE},
    {ONE(overrides.window_count), COUNT, GR_MOST_WINDOWS},
    {WINDOWS(kind), KIND, GR_WINDOW_KINDS - 1},
    {WINDOWS(source), SMALL, GR_MOST_EVENT_SOURCES - 1},
    {WINDOWS(start_s), MOMENT, GREATEST_S},
    {WINDOWS(end_s), MOMENT, GREATEST_S},
    {ONE(full.since_s), MOMENT, GREATEST_S},
    {ONE(full.known), FLAG, 1},
    {ONE(command.kind), KIND, GR_COMMAND_KINDS - 1},
    {ONE(command.issued_s), MOMENT, GREATEST_S},
    {ONE(command.valid_until_s), MOMENT, GREATEST_S},
    {ONE(command.reason), TEXT, GR_REASON_SIZE},
    {ONE(issued_fault), KIND, GR_FAULTS - 1},
    {ONE(overrides_changed), FLAG, 1},
    {ONE(reissue), FLAG, 1},
    {ONE(decided), FLAG, 1},
};

static int64_t read_whole(const unsigned char *at, enum shape shape)
{
    int32_t small = *at;
    int64_t large;
    if (shape == COUNT || shape == MOMENT || shape == STEP) {
        memcpy(&large, at, sizeof large);
        return large;
    }
    if (shape == KIND || shape == SMALL) {
        memcpy(&small, at, sizeof small);
    }
    return small;
}

static bool is_sound(const unsigned char *at, enum shape shape, int64_t greatest)
{
    if (shape == TEXT) {
        return memchr(at, 0, (size_t)greatest) != NULL;
    }
    int64_t value = read_whole(at, shape), least = shape == MOMENT ? -greatest : shape == STEP ? greatest : 0;
    return value >= least && value <= greatest;
}

static bool is_left_by_an_engine(const unsigned char *state)
{
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        for (size_t k = 0; k < parts[i].count; k++) {
            const unsigned char *at = state + parts[i].offset + k * parts[i].stride;
            if (!is_sound(at, parts[i].shape, parts[i].greatest)) {
                return false;
            }
        }
    }
    return true;
}

int gr_engine_load(struct gr_engine *engine, const void *state, struct gr_error *error)
{
    struct state then;
    if (!is_left_by_an_engine(state) ||
        !gr_weather_load(engine->weather, (const char *)state + sizeof then)) {
        return gr_error_set(error, GR_INVALID, "a state that no engine leaves");
    }
    memcpy(&then, state, sizeof then);
    engine->guard = then.guard;
    engine->pacer = then.pacer;
    engine->answer = then.answer;
    engine->meter = then.meter;
    engine->charger = then.charger;
    engine->overrides = then.overrides;
    memcpy(engine->override_cost, then.override_cost, sizeof then.override_cost);
    engine->overrides_changed = then.overrides_changed;
    engine->full = then.full;
    engine->peak = then.peak;
    engine->command = then.command;
    engine->issued_fault = then.issued_fault;
    engine->sequence = then.sequence;
    engine->reissue = then.reissue;
    engine->decided = then.decided;
    gr_engine_plan_free(&engine->plan);
    engine->replan = true;
    return GR_OK;
}
