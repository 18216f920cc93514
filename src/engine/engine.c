#include "engine/internal.h"

#include "granary/civil.h"
#include "granary/coupling.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const int64_t replan_after_ms = 300000;
static const int64_t keep_rates_s =
    INT64_C(35) * 86400; /* as long as the history: expected rates look back */

/* ---- life ---- */

static int take_tariff(struct gr_tariff *out, const struct gr_tariff *configured, struct gr_error *error)
{
    memset(out, 0, sizeof *out);
    out->count = configured->count;
    for (size_t i = 0; i < configured->count; i++) {
        out->source[i].is_bands = configured->source[i].is_bands;
        out->source[i].bands = configured->source[i].bands;
        if (gr_rate_table_copy(&out->source[i].table, &configured->source[i].table) != GR_OK) {
            gr_tariff_free(out);
            return gr_error_set(error, GR_NO_MEMORY, "no memory for the rate tables");
        }
    }
    return GR_OK;
}

static void free_tariffs(struct gr_tariff tariffs[GR_DIRECTIONS])
{
    for (int i = 0; i < GR_DIRECTIONS; i++) {
        gr_tariff_free(&tariffs[i]);
    }
}

static int take_tariffs(struct gr_tariff out[GR_DIRECTIONS], const struct gr_engine_config *config,
                        struct gr_error *error)
{
    const struct gr_tariff *const configured[GR_DIRECTIONS] = {&config->import, &config->export,
                                                               &config->carbon};
    memset(out, 0, GR_DIRECTIONS * sizeof *out);
    for (int i = 0; i < GR_DIRECTIONS; i++) {
        if (take_tariff(&out[i], configured[i], error) != GR_OK) {
            free_tariffs(out);
            return GR_NO_MEMORY;
        }
    }
    return GR_OK;
}

int gr_engine_create(struct gr_engine **out, const struct gr_engine_config *config,
                     const struct gr_zone *zone, uint64_t last_sequence, struct gr_error *error)
{
    struct gr_engine *engine = calloc(1, sizeof *engine);
    if (!engine || gr_history_create(&engine->history) != GR_OK ||
        gr_weather_create(&engine->weather) != GR_OK || gr_planner_create(&engine->planner) != GR_OK) {
        gr_engine_free(engine);
        return gr_error_set(error, GR_NO_MEMORY, "no memory for the engine");
    }
    engine->config = *config;
    engine->zone = zone;
    engine->sequence = last_sequence;
    gr_guard_init(&engine->guard);
    gr_pacer_init(&engine->pacer);
    gr_answer_init(&engine->answer);
    gr_meter_init(&engine->meter);
    gr_charger_init(&engine->charger);
    engine->temperature_kw = INFINITY;
    for (int kind = 0; kind < GR_OVERRIDE_KINDS; kind++) {
        engine->override_cost[kind] = (struct gr_override_cost){NAN, NAN};
    }
    if (take_tariffs(engine->tariffs, config, error) != GR_OK) {
        gr_engine_free(engine);
        return GR_NO_MEMORY;
    }
    *out = engine;
    return GR_OK;
}

void gr_engine_free(struct gr_engine *engine)
{
    if (!engine) {
        return;
    }
    gr_engine_plan_free(&engine->plan);
    free_tariffs(engine->tariffs);
    gr_history_free(engine->history);
    gr_weather_free(engine->weather);
    gr_planner_free(engine->planner);
    free(engine);
}

/* Published tables move over to a source of the same kind at the same place. */
static void keep_tables(struct gr_tariff *fresh, struct gr_tariff *old)
{
    for (size_t i = 0; i < fresh->count && i < old->count; i++) {
        if (!fresh->source[i].is_bands && !old->source[i].is_bands && fresh->source[i].table.count == 0) {
            fresh->source[i].table = old->source[i].table;
            memset(&old->source[i].table, 0, sizeof old->source[i].table);
        }
    }
}

static void tell_changed(const struct gr_engine *engine)
{
    if (engine->tap.changed) {
        engine->tap.changed(engine->tap.context);
    }
}

int gr_engine_reconfigure(struct gr_engine *engine, const struct gr_engine_config *config,
                          const struct gr_zone *zone, struct gr_error *error)
{
    struct gr_tariff fresh[GR_DIRECTIONS];
    if (take_tariffs(fresh, config, error) != GR_OK) {
        return GR_NO_MEMORY;
    }
    for (int i = 0; i < GR_DIRECTIONS; i++) {
        keep_tables(&fresh[i], &engine->tariffs[i]);
        gr_tariff_free(&engine->tariffs[i]);
        engine->tariffs[i] = fresh[i];
        engine->habits[i].learned = false;
    }
    const struct gr_peak_charge *before = &engine->config.peak, *after = &config->peak;
    if (before->any != after->any || before->minutes != after->minutes ||
        before->weekdays != after->weekdays || before->from_minute != after->from_minute ||
        before->to_minute != after->to_minute) {
        memset(&engine->peak, 0, sizeof engine->peak); /* whoever keeps the past tells of it again */
    }
    engine->peak.leveled = false;
    engine->config = *config;
    engine->zone = zone;
    engine->overrides.window_count = 0; /* whoever tells of them does so again */
    gr_weather_forget_arrays(engine->weather);
    gr_engine_plan_free(&engine->plan);
    engine->reissue = true;
    tell_changed(engine);
    return GR_OK;
}

void gr_engine_raise_sequence(struct gr_engine *engine, uint64_t last_sequence)
{
    if (last_sequence > engine->sequence) {
        engine->sequence = last_sequence;
        tell_changed(engine);
    }
}

size_t gr_engine_changes(const struct gr_engine *engine, const struct gr_moment *now,
                         int64_t out_s[GR_MOST_CHANGES])
{
    return gr_pacer_moments(&engine->pacer, now, out_s);
}

void gr_engine_restore_changes(struct gr_engine *engine, const int64_t *at_s, size_t count,
                               const struct gr_moment *now)
{
    if (count > 0) {
        gr_pacer_restore(&engine->pacer, at_s, count, now);
        tell_changed(engine);
    }
}

/* ---- events ---- */

static bool is_configured(const struct gr_engine *engine, enum gr_channel channel)
{
    return engine->config.safety.max_age_s[channel] > 0;
}

static int take_rates(struct gr_engine *engine, const struct gr_event *event, struct gr_error *error)
{
    enum gr_direction direction = event->of.rates.direction;
    if ((unsigned)direction >= GR_DIRECTIONS) {
        return gr_error_set(error, GR_INVALID, "rates of an unknown direction %d", (int)direction);
    }
    struct gr_tariff *tariff = &engine->tariffs[direction];
    size_t source = event->of.rates.source;
    if (source >= tariff->count || tariff->source[source].is_bands) {
        return gr_error_set(error, GR_INVALID, "rates for source %zu, which takes none", source);
    }
    if (gr_rate_table_merge(&tariff->source[source].table, event->of.rates.table,
                            event->at.utc_s - keep_rates_s) != GR_OK) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for a rate table");
    }
    engine->habits[direction].learned = false;
    engine->replan = true;
    return GR_OK;
}

static int take_weather(struct gr_engine *engine, const struct gr_event *event, struct gr_error *error)
{
    if ((unsigned)event->of.weather.kind >= GR_WEATHER_KINDS) {
        return gr_error_set(error, GR_INVALID, "weather of an unknown kind %d", (int)event->of.weather.kind);
    }
    gr_weather_take(engine->weather, event->of.weather.kind, event->of.weather.table, event->at.utc_s);
    engine->replan = true;
    return GR_OK;
}

/* Where the load is computed from the balance, a reading of the grid counts as one of the house. */
static void count_sample(struct gr_engine *engine, enum gr_channel channel)
{
    static const int meter_of[GR_CHANNELS] = {[GR_STATE_OF_CHARGE] = GR_METER_PERCENT,
                                              [GR_BATTERY_POWER] = GR_METER_BATTERY,
                                              [GR_GRID_POWER] = GR_METER_GRID,
                                              [GR_SOLAR_POWER] = GR_METER_SOLAR,
                                              [GR_HOUSE_POWER] = GR_METER_HOUSE,
                                              [GR_CAR_POWER] = GR_METER_CAR,
                                              [GR_GRID_PRESENT] = GR_METERS,
                                              [GR_INVERTER_AVAILABLE] = GR_METERS,
                                              [GR_OUTDOOR_TEMPERATURE] = GR_METER_OUTDOOR,
                                              [GR_BATTERY_TEMPERATURE] = GR_METERS};
    if (meter_of[channel] < GR_METERS) {
        gr_meter_count(&engine->meter, meter_of[channel]);
    }
    if (channel == GR_GRID_POWER && !is_configured(engine, GR_HOUSE_POWER)) {
        gr_meter_count(&engine->meter, GR_METER_HOUSE);
    }
}

static int take_reading(struct gr_engine *engine, const struct gr_event *event, struct gr_error *error)
{
    enum gr_channel channel = event->of.reading.channel;
    if ((unsigned)channel >= GR_CHANNELS || !isfinite(event->of.reading.value)) {
        return gr_error_set(error, GR_INVALID, "a reading without channel or value");
    }
    if (!event->of.reading.retained) {
        count_sample(engine, channel);
    }
    const struct gr_battery *battery = &engine->config.site.battery;
    if (gr_guard_reading(&engine->guard, channel, event->of.reading.value, event->of.reading.retained,
                         &event->at, fmax(battery->charge_kw, battery->discharge_kw),
                         battery->capacity_kwh)) {
        gr_answer_jumped(&engine->answer);
        engine->replan = true;
    }
    return GR_OK;
}

static int take_override(struct gr_engine *engine, const struct gr_event *event, struct gr_error *error)
{
    const struct gr_override *override = &event->of.override;
    double percent = NAN;
    (void)gr_guard_fresh(&engine->guard, &engine->config.safety, GR_STATE_OF_CHARGE, &event->at, &percent);
    const struct gr_override_limits limits = {
        .battery = engine->config.site.battery,
        .reserve_percent = fmax(engine->config.site.reserve_percent, engine->config.planning.floor_percent),
        .may_export = engine->config.planning.may_export && engine->config.site.grid.export_limit_kw > 0,
        .state_of_charge_percent = percent};
    int status = gr_override_check(override, &limits, event->at.utc_s, error);
    if (status == GR_OK) {
        engine->overrides.active[override->kind] = true;
        engine->overrides.of[override->kind] = *override;
        engine->override_cost[override->kind] = (struct gr_override_cost){NAN, NAN};
        engine->overrides_changed = engine->replan = true;
    }
    return status;
}

static int cancel_overrides(struct gr_engine *engine, int which, struct gr_error *error)
{
    bool any = false;
    for (int kind = 0; kind < GR_OVERRIDE_KINDS; kind++) {
        if (engine->overrides.active[kind] && (which == kind || which == GR_OVERRIDE_KINDS)) {
            engine->overrides.active[kind] = false;
            any = true;
        }
    }
    if (!any) {
        return gr_error_set(error, GR_NOT_FOUND, "no such override is in force");
    }
    engine->overrides_changed = engine->replan = true;
    return GR_OK;
}

static int take_windows(struct gr_engine *engine, const struct gr_event *event, struct gr_error *error)
{
    int32_t source = event->of.windows.source;
    for (size_t i = 0; i < event->of.windows.count; i++) {
        struct gr_window window = event->of.windows.list[i];
        window.source = source;
        if (gr_window_check(&window, error) != GR_OK) {
            return GR_INVALID;
        }
    }
    if (source < 0 || source >= GR_MOST_EVENT_SOURCES ||
        !gr_overrides_have_room(&engine->overrides, source, event->of.windows.count)) {
        return gr_error_set(error, GR_INVALID, "found %zu windows; allowed: %d of all sources together",
                            event->of.windows.count, GR_MOST_WINDOWS);
    }
    if (gr_overrides_put_windows(&engine->overrides, source, event->of.windows.list,
                                 event->of.windows.count)) {
        engine->replan = true;
    }
    return GR_OK;
}

static int take_metered(struct gr_engine *engine, const struct gr_event *event, struct gr_error *error)
{
    int64_t from_s = event->of.metered.from_s, to_s = event->of.metered.to_s;
    double grid_kw = event->of.metered.grid_kw;
    if (!(from_s < to_s && to_s - from_s <= GR_DAY_S && isfinite(grid_kw))) {
        return gr_error_set(error, GR_INVALID, "a metered stretch without length or power");
    }
    if (engine->config.peak.any) {
        gr_peak_meter_note(&engine->peak, &engine->config.peak, engine->zone, from_s, to_s, grid_kw);
    }
    return GR_OK;
}

static int take_event(struct gr_engine *engine, const struct gr_event *event, struct gr_error *error)
{
    switch (event->kind) {
    case GR_EVENT_READING:
        return take_reading(engine, event, error);
    case GR_EVENT_RATES:
        return take_rates(engine, event, error);
    case GR_EVENT_WEATHER:
        return take_weather(engine, event, error);
    case GR_EVENT_HISTORY:
        gr_history_put(engine->history, event->of.history.start_s, event->of.history.house_kw,
                       event->of.history.solar_kw);
        gr_history_put_outdoor(engine->history, event->of.history.start_s, event->of.history.outdoor_c);
        return GR_OK;
    case GR_EVENT_LINK:
        engine->reissue = engine->reissue || (event->of.link.up && !engine->guard.link_up);
        engine->guard.link_up = event->of.link.up;
        return GR_OK;
    case GR_EVENT_OVERRIDE:
        return take_override(engine, event, error);
    case GR_EVENT_CANCEL:
        return cancel_overrides(engine, event->of.cancel.kind, error);
    case GR_EVENT_FULL:
        return gr_engine_take_full(engine, event, error);
    case GR_EVENT_METERED:
        return take_metered(engine, event, error);
    case GR_EVENT_RIVAL:
        engine->reissue = engine->reissue || event->of.rival.gone;
        gr_guard_rival(&engine->guard, event->of.rival.gone, &event->at);
        return GR_OK;
    case GR_EVENT_WINDOWS:
        return take_windows(engine, event, error);
    }
    return gr_error_set(error, GR_INVALID, "an event of unknown kind %d", (int)event->kind);
}

int gr_engine_handle(struct gr_engine *engine, const struct gr_event *event, struct gr_error *error)
{
    int status = take_event(engine, event, error);
    if (status == GR_OK && engine->tap.event) {
        engine->tap.event(engine->tap.context, event);
    }
    return status;
}

struct gr_battery gr_engine_battery(const struct gr_engine *engine)
{
    struct gr_battery battery = engine->config.site.battery;
    battery.charge_kw = fmin(battery.charge_kw, fmin(engine->answer.charge_kw, engine->temperature_kw));
    battery.discharge_kw = fmin(battery.discharge_kw, engine->answer.discharge_kw);
    return battery;
}

/* ---- one turn ---- */

static double fresh_or_nan(const struct gr_engine *engine, enum gr_channel channel,
                           const struct gr_moment *now)
{
    double value = NAN;
    (void)gr_guard_fresh(&engine->guard, &engine->config.safety, channel, now, &value);
    return value;
}

void gr_engine_feel_battery(struct gr_engine *engine, const struct gr_moment *now)
{
    struct gr_curve power = gr_curve_of(&engine->config.site.curves.charge_by_temperature);
    double battery_c = fresh_or_nan(engine, GR_BATTERY_TEMPERATURE, now);
    engine->temperature_kw = power.count == 0   ? INFINITY
                             : isnan(battery_c) ? gr_curve_least(&power)
                                                : gr_curve_value(&power, battery_c);
}

/* A meter at night may show a few watts the other way, and smoothing would carry them on for hours. */
static double fresh_or_nan_from_zero(const struct gr_engine *engine, enum gr_channel channel,
                                     const struct gr_moment *now)
{
    double value = fresh_or_nan(engine, channel, now);
    return value < 0 ? 0 : value;
}

/* Battery and grid are read at slightly different moments: a small negative rest is no load. */
static double house_from_balance(struct gr_engine *engine, const struct gr_seen *seen,
                                 const struct gr_moment *now)
{
    double drawn_kw = gr_site_drawn_kw(&engine->config.site, seen->battery_kw, seen->solar_kw);
    double rest_kw = seen->grid_kw - drawn_kw - seen->car_kw;
    double greatest_kw =
        fmax(fmax(fabs(seen->grid_kw), fabs(seen->battery_kw)), fmax(seen->solar_kw, seen->car_kw));
    gr_guard_balance(&engine->guard, rest_kw, greatest_kw, now);
    return isnan(rest_kw) ? NAN : fmax(0, rest_kw);
}

/* A car without a topic of its own. What was smoothed and planned before it came, or went, is out of date. */
static void tell_car_from_house(struct gr_engine *engine, struct gr_seen *seen, const struct gr_moment *now)
{
    double power_kw = engine->config.site.grid.car_charger_kw;
    if (!(power_kw > 0) || is_configured(engine, GR_CAR_POWER)) {
        return;
    }
    enum gr_charger_phase before = engine->charger.phase;
    seen->car_kw = gr_charger_turn(&engine->charger, power_kw, seen->house_kw, now->mono_ms);
    seen->house_kw -= seen->car_kw;
    if ((before == GR_CHARGER_CHARGES) != (engine->charger.phase == GR_CHARGER_CHARGES)) {
        engine->meter.smooth[GR_METER_HOUSE] = NAN;
        engine->replan = true;
    }
}

static void see(struct gr_engine *engine, const struct gr_moment *now, struct gr_seen *seen)
{
    double percent = fresh_or_nan(engine, GR_STATE_OF_CHARGE, now);
    double available_kw = fresh_or_nan(engine, GR_INVERTER_AVAILABLE, now);
    double car_kw = fresh_or_nan_from_zero(engine, GR_CAR_POWER, now);
    *seen = (struct gr_seen){.state_of_charge_percent = percent,
                             .stored_kwh = percent / 100 * engine->config.site.battery.capacity_kwh,
                             .battery_kw = fresh_or_nan(engine, GR_BATTERY_POWER, now),
                             .grid_kw = fresh_or_nan(engine, GR_GRID_POWER, now),
                             .outdoor_c = fresh_or_nan(engine, GR_OUTDOOR_TEMPERATURE, now),
                             .car_known = !is_configured(engine, GR_CAR_POWER) || !isnan(car_kw),
                             .car_kw = isnan(car_kw) ? 0 : car_kw,
                             .charge_available_kw = isnan(available_kw) ? INFINITY : available_kw};
    seen->discharge_available_kw = seen->charge_available_kw;
    gr_engine_feel_battery(engine, now);
    seen->charge_available_kw = fmin(seen->charge_available_kw, engine->temperature_kw);
    seen->solar_kw =
        is_configured(engine, GR_SOLAR_POWER) ? fresh_or_nan_from_zero(engine, GR_SOLAR_POWER, now) : 0;
    seen->house_kw = is_configured(engine, GR_HOUSE_POWER)
                         ? fresh_or_nan_from_zero(engine, GR_HOUSE_POWER, now)
                         : house_from_balance(engine, seen, now);
    tell_car_from_house(engine, seen, now);
}

static enum gr_fault say(char text[GR_REASON_SIZE], enum gr_fault fault, const char *words)
{
    (void)snprintf(text, GR_REASON_SIZE, "%s", words);
    return fault;
}

/* Compares the battery with what it was told; what it was seen to give counts as its limit. */
static void watch_answer(struct gr_engine *engine, const struct gr_moment *now, struct gr_seen *seen)
{
    const struct gr_answer_seen battery = {.battery_kw = seen->battery_kw,
                                           .battery_ms = engine->guard.reading[GR_BATTERY_POWER].mono_ms,
                                           .state_of_charge_percent = seen->state_of_charge_percent,
                                           .grid_kw = seen->grid_kw,
                                           .solar_kw = seen->solar_kw,
                                           .temperature_kw = engine->temperature_kw,
                                           .site = &engine->config.site};
    enum gr_answer before = engine->answer.answer;
    bool may_repeat = gr_pacer_changes(&engine->pacer, now) < engine->config.safety.changes_per_day;
    if (gr_answer_turn(&engine->answer, &engine->config.safety, &battery, may_repeat, now)) {
        gr_pacer_repeat(&engine->pacer, now);
        engine->reissue = true;
    }
    if (engine->answer.answer == GR_ANSWER_LIMITED && before != GR_ANSWER_LIMITED) {
        engine->replan = true;
    }
    seen->charge_available_kw = fmin(seen->charge_available_kw, engine->answer.charge_kw);
    seen->discharge_available_kw = fmin(seen->discharge_available_kw, engine->answer.discharge_kw);
}

static enum gr_fault look_at_world(const struct gr_engine *engine, const struct gr_moment *now,
                                   const struct gr_seen *seen, char text[GR_REASON_SIZE])
{
    enum gr_fault fault = gr_guard_look(&engine->guard, &engine->config.safety, now,
                                        engine->config.site.battery.capacity_kwh, text);
    if (fault != GR_FAULT_NONE) {
        return fault;
    }
    fault = gr_answer_look(&engine->answer, now, text);
    if (fault == GR_FAULT_NONE) {
        fault = gr_guard_look_at_balance(&engine->guard, now, text);
    }
    if (fault != GR_FAULT_NONE) {
        return fault;
    }
    if (isnan(seen->house_kw) || isnan(seen->solar_kw)) {
        return say(text, GR_FAULT_POWER,
                   "the power readings are missing or too old to tell the house's load");
    }
    struct gr_price price;
    if (gr_tariff_at(&engine->tariffs[GR_IMPORT], engine->zone, now->utc_s, &price) != GR_OK ||
        price.expected) {
        return say(text, GR_FAULT_RATES, "no published import price for this moment");
    }
    return GR_FAULT_NONE;
}

static bool is_plan_due(const struct gr_engine *engine, const struct gr_moment *now)
{
    const struct gr_engine_plan *plan = &engine->plan;
    return engine->replan || !plan->made || now->mono_ms - plan->made_mono_ms >= replan_after_ms ||
           now->utc_s >= plan->horizon.bounds_s[1] || now->utc_s < plan->horizon.bounds_s[0];
}

static enum gr_fault plan_and_decide(struct gr_engine *engine, const struct gr_moment *now,
                                     const struct gr_seen *seen, struct gr_wish *wish,
                                     struct gr_decision *out, char text[GR_REASON_SIZE])
{
    struct gr_error error = {""};
    if (is_plan_due(engine, now)) {
        if (gr_engine_make_plan(engine, *now, seen->stored_kwh, seen->steady_house_kw, seen->steady_solar_kw,
                                &error) != GR_OK) {
            (void)snprintf(text, GR_REASON_SIZE, "the planner failed: %.200s", error.text);
            return GR_FAULT_PLANNER;
        }
        engine->replan = false;
        out->replanned = true;
        out->plan_error = engine->plan.values.error;
    }
    if (gr_engine_decide(engine, now, seen, wish, out->held_back, &error) != GR_OK) {
        (void)snprintf(text, GR_REASON_SIZE, "no decision could be made: %.200s", error.text);
        return GR_FAULT_PLANNER;
    }
    return GR_FAULT_NONE;
}

/* What a change that cannot wait may lead to without any budget: less of the same, or no discharge. */
static bool is_safer(const struct gr_pacer *pacer, const struct gr_wish *wish)
{
    return wish->kind == GR_REST || wish->kind == GR_STORE ||
           (wish->kind == pacer->kind && wish->power_kw < pacer->power_kw);
}

/* The budget spent, a wish for something else than the command in force ends in follow: a command that has
 * lost its reason may be the wrong one, follow never is. */
static enum gr_fault apply_budget(const struct gr_engine *engine, const struct gr_moment *now,
                                  const struct gr_wish *wish, char text[GR_REASON_SIZE])
{
    const struct gr_pacer *pacer = &engine->pacer;
    bool same = pacer->any && pacer->kind == wish->kind && pacer->power_kw == wish->power_kw;
    int changes = gr_pacer_changes(pacer, now);
    bool wanted =
        wish->forced ? !is_safer(pacer, wish) : gr_pacer_gains(pacer, &engine->config.safety, wish->gain);
    if (same || changes < engine->config.safety.changes_per_day || !wanted) {
        return GR_FAULT_NONE;
    }
    (void)snprintf(text, GR_REASON_SIZE, "%d changes of command in 24 h are as many as allowed", changes);
    return GR_FAULT_BUDGET;
}

static void set_command(struct gr_engine *engine, const struct gr_moment *now, const struct gr_wish *wish,
                        const char *reason, struct gr_decision *out)
{
    struct gr_command *command = &engine->command;
    const struct gr_safety *safety = &engine->config.safety;
    bool first = !engine->pacer.any;
    out->changed = gr_pacer_note(&engine->pacer, wish->kind, wish->power_kw, now) || first;
    bool due = now->utc_s - command->issued_s >= safety->validity_s / 2 || now->utc_s < command->issued_s;
    out->issue = out->changed || due || engine->reissue || out->fault != engine->issued_fault;
    if (!out->issue) {
        return;
    }
    engine->reissue = false;
    engine->issued_fault = out->fault;
    command->kind = wish->kind;
    command->power_kw = engine->pacer.power_kw;
    command->target_percent = wish->target_percent;
    command->issued_s = now->utc_s;
    command->valid_until_s = now->utc_s + safety->validity_s;
    command->sequence = ++engine->sequence;
    (void)snprintf(command->reason, sizeof command->reason, "%s", reason);
    /* What the plan would now aim at, and has not told, is no excuse. */
    gr_answer_told(&engine->answer, command->kind, command->power_kw, command->target_percent, now);
}

static void fall_back(struct gr_engine *engine, const struct gr_moment *now, const char *text,
                      struct gr_decision *out)
{
    struct gr_wish follow = {.kind = GR_FOLLOW,
                             .target_percent = gr_engine_floor_percent(engine, now->utc_s)};
    engine->decided = false;
    set_command(engine, now, &follow, text, out);
}

static void carry_out(struct gr_engine *engine, const struct gr_moment *now, const struct gr_wish *wish,
                      struct gr_decision *out)
{
    struct gr_wish kept = *wish;
    char reason[GR_REASON_SIZE];
    const struct gr_safety *safety = &engine->config.safety;
    /* The follow of the start or of a fault was no choice that has to be kept for its dwell time; recovery
     * has taken its own. The budget holds all the same. */
    bool fresh = !engine->decided && gr_pacer_changes(&engine->pacer, now) < safety->changes_per_day;
    engine->decided = true;
    bool keeps = !gr_pacer_allows(&engine->pacer, safety, now, wish->gain, wish->forced || fresh);
    if (keeps) {
        kept.kind = engine->pacer.kind;
        kept.power_kw = engine->pacer.power_kw;
        kept.target_percent = kept.kind == wish->kind ? wish->target_percent : engine->command.target_percent;
    }
    gr_engine_explain(reason, engine, wish, keeps);
    set_command(engine, now, &kept, reason, out);
    out->marginal_value_per_kwh = wish->worth_per_kwh;
}

/* Where the grid is not measured it follows from the rest, unless an inverter stands between. */
static double grid_of(const struct gr_engine *engine, const struct gr_slot_record *means)
{
    if (isnan(means->grid_kw) && engine->config.site.dc_coupled) {
        return NAN;
    }
    double car_kw = isnan(means->car_kw) ? 0 : means->car_kw;
    return isnan(means->grid_kw) ? means->house_kw + car_kw - means->solar_kw + means->battery_kw
                                 : means->grid_kw;
}

/* Carries the means on, and smooths what is seen. */
static void turn_meter(struct gr_engine *engine, const struct gr_moment *now, struct gr_seen *seen,
                       struct gr_decision *out)
{
    double values[GR_METERS];
    values[GR_METER_HOUSE] = seen->house_kw;
    values[GR_METER_SOLAR] = seen->solar_kw;
    values[GR_METER_BATTERY] = seen->battery_kw;
    values[GR_METER_GRID] = seen->grid_kw;
    values[GR_METER_CAR] = seen->car_known ? seen->car_kw : NAN;
    values[GR_METER_PERCENT] = seen->state_of_charge_percent;
    values[GR_METER_OUTDOOR] = seen->outdoor_c;
    gr_meter_turn(&engine->meter, now, values, out);
    seen->steady_house_kw = engine->meter.smooth[GR_METER_HOUSE];
    seen->steady_solar_kw = engine->meter.smooth[GR_METER_SOLAR];
    if (out->fine_due && engine->config.peak.any && !isnan(grid_of(engine, &out->fine.means))) {
        int64_t start_s = out->fine.means.start_s;
        gr_peak_meter_note(&engine->peak, &engine->config.peak, engine->zone, start_s,
                           start_s + GR_FINE_STEP_S, grid_of(engine, &out->fine.means));
    }
    if (out->record_due) {
        gr_history_put(engine->history, out->record.start_s, out->record.house_kw, out->record.solar_kw);
        gr_history_put_outdoor(engine->history, out->record.start_s, out->record.outdoor_c);
    }
}

/* A clock that cannot be trusted ends nothing. */
static void end_overrides(struct gr_engine *engine, const struct gr_moment *now, double percent)
{
    for (int kind = 0; kind < GR_OVERRIDE_KINDS; kind++) {
        if (engine->overrides.active[kind] &&
            gr_override_is_over(&engine->overrides.of[kind], now->utc_s, percent)) {
            engine->overrides.active[kind] = false;
            engine->overrides_changed = engine->replan = true;
        }
    }
    gr_overrides_end_windows(&engine->overrides, now->utc_s);
}

void gr_engine_tick(struct gr_engine *engine, struct gr_moment now, struct gr_decision *out)
{
    struct gr_seen seen;
    struct gr_wish wish = {.kind = GR_FOLLOW};
    char text[GR_REASON_SIZE] = "";
    memset(out, 0, sizeof *out);
    gr_guard_turn(&engine->guard, &now);
    see(engine, &now, &seen);
    watch_answer(engine, &now, &seen);
    turn_meter(engine, &now, &seen, out);
    enum gr_fault fault = look_at_world(engine, &now, &seen, text);
    if (fault == GR_FAULT_CLOCK) {
        engine->replan = true;
    } else {
        end_overrides(engine, &now, seen.state_of_charge_percent);
        gr_engine_note_full(engine, &now, seen.state_of_charge_percent);
    }
    if (fault == GR_FAULT_NONE) {
        fault = plan_and_decide(engine, &now, &seen, &wish, out, text);
    }
    fault = gr_guard_settle(&engine->guard, &engine->config.safety, fault, &now, text);
    if (fault == GR_FAULT_NONE) {
        gr_pacer_weigh(&engine->pacer, wish.gain, wish.hours, &now);
        fault = apply_budget(engine, &now, &wish, text);
    }
    out->fault = fault;
    if (fault == GR_FAULT_NONE) {
        carry_out(engine, &now, &wish, out);
    } else {
        fall_back(engine, &now, text, out);
    }
    (void)snprintf(out->fault_text, sizeof out->fault_text, "%s", text);
    out->overrides_changed = engine->overrides_changed;
    engine->overrides_changed = false;
    out->command = engine->command;
    out->commanding = engine->config.safety.commanding;
    out->answer = engine->answer.answer;
    (void)snprintf(out->answer_text, sizeof out->answer_text, "%s", engine->answer.text);
    out->stored_kwh = seen.stored_kwh;
    out->house_kw = seen.house_kw;
    out->solar_kw = seen.solar_kw;
    out->car_kw = seen.car_kw;
    out->changes_today = gr_pacer_changes(&engine->pacer, &now);
    out->full_since_s = engine->full.since_s;
    if (engine->tap.turn) {
        engine->tap.turn(engine->tap.context, &now, out);
    }
}

/* ---- views ---- */

struct gr_plan_view gr_engine_plan_view(const struct gr_engine *engine)
{
    const struct gr_engine_plan *plan = &engine->plan;
    return (struct gr_plan_view){.slots = plan->slots,
                                 .count = plan->made && plan->slots ? plan->horizon.slots : 0,
                                 .made_s = plan->made_s,
                                 .cost = plan->cost,
                                 .import_co2_kg = plan->import_co2_kg};
}

const struct gr_why *gr_engine_plan_why(const struct gr_engine *engine, size_t slot)
{
    const struct gr_engine_plan *plan = &engine->plan;
    return plan->made && plan->why && slot < plan->horizon.slots ? &plan->why[slot] : NULL;
}

int gr_engine_plan(struct gr_engine *engine, struct gr_moment now, double stored_kwh,
                   struct gr_plan_view *out, struct gr_error *error)
{
    int status = gr_engine_make_plan(engine, now, stored_kwh, NAN, NAN, error);
    if (status == GR_OK) {
        *out = gr_engine_plan_view(engine);
    }
    return status;
}

size_t gr_engine_overrides(const struct gr_engine *engine, struct gr_override_view out[GR_OVERRIDE_KINDS])
{
    size_t count = 0;
    for (int kind = 0; kind < GR_OVERRIDE_KINDS; kind++) {
        if (engine->overrides.active[kind]) {
            out[count++] = (struct gr_override_view){.override = engine->overrides.of[kind],
                                                     .cost = engine->override_cost[kind].cost,
                                                     .import_kwh = engine->override_cost[kind].import_kwh};
        }
    }
    return count;
}

struct gr_sun_promise gr_engine_sun_promise(const struct gr_engine *engine)
{
    return engine->plan.promise;
}

int64_t gr_engine_known_until_s(const struct gr_engine *engine, enum gr_direction direction, int64_t from_s)
{
    return gr_tariff_known_until_s(&engine->tariffs[direction], engine->zone, from_s);
}
