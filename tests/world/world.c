#include "world/world.h"

#include <math.h>
#include <string.h>

static const int64_t midnight_s = 1773100800; /* 2026-03-10T00:00:00Z, a Tuesday */

static void set_bands(struct gr_engine_config *config)
{
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

static void set_ages(struct gr_safety *safety)
{
    safety->max_age_s[GR_STATE_OF_CHARGE] = 300;
    safety->max_age_s[GR_BATTERY_POWER] = 120;
    safety->max_age_s[GR_GRID_POWER] = 120;
    safety->max_age_s[GR_SOLAR_POWER] = 120;
    safety->max_age_s[GR_CAR_POWER] = 120;
    safety->max_age_s[GR_GRID_PRESENT] = 86400;
}

void world_init(struct world *world)
{
    *world = (struct world){.config = {.site = {.name = "world",
                                                .timezone = "UTC",
                                                .battery = {13.5, 6, 6, 0.95, 0.95, 0.01, 0.02},
                                                .reserve_percent = 20,
                                                .grid = {.import_limit_kw = 15, .export_limit_kw = 5}},
                                       .planning = {.slot_minutes = 30,
                                                    .horizon_hours = 36,
                                                    .expectation = {.path_days = 14, .usual_clearness = 0.6},
                                                    .may_export = true,
                                                    .end_value_factor = 0.8},
                                       .safety = {.commanding = true,
                                                  .validity_s = 300,
                                                  .dwell_s = 600,
                                                  .least_gain = 0.01,
                                                  .changes_per_day = 48,
                                                  .recovery_s = 120,
                                                  .answer_s = 120}},
                            .true_s = midnight_s,
                            .load = {.house_kw = 0.8},
                            .stored_kwh = 6.75,
                            .grid_present = true,
                            .inverter = {.kind = GR_FOLLOW, .valid_until_s = INT64_MAX},
                            .outdoor_c = 10,
                            .gives_at_most_kw = INFINITY,
                            .synchronised = true};
    for (int hour = 0; hour < 24; hour++) {
        world->config.planning.expectation.house_kw[hour] = 0.8;
    }
    set_bands(&world->config);
    set_ages(&world->config.safety);
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        world->channel[channel] =
            (struct world_channel){.forced = NAN, .once = NAN, .factor = 1, .last_sent = NAN};
    }
}

static struct gr_moment moment_of(const struct world *world)
{
    return (struct gr_moment){.utc_s = world->true_s + world->clock_error_s,
                              .mono_ms = 1000 + (world->true_s - world->began_s) * 1000,
                              .synchronised = world->synchronised};
}

static void tell_link(struct world *world)
{
    struct gr_event event = {.kind = GR_EVENT_LINK, .at = world->now, .of.link.up = world->link_up};
    (void)gr_engine_handle(world->engine, &event, NULL);
}

void world_set_link(struct world *world, bool up)
{
    world->link_up = up;
    tell_link(world);
}

static bool create_engine(struct world *world)
{
    world->now = moment_of(world);
    if (gr_engine_create(&world->engine, &world->config, world->zone, world->last_sequence, NULL) != GR_OK) {
        world->engine = NULL;
        return false;
    }
    world_set_link(world, true);
    return true;
}

bool world_begin(struct world *world)
{
    world->began_s = world->last_issue_true_s = world->true_s;
    world->scene.site = world->config.site;
    if (!world->zone && gr_zone_fixed(&world->zone, "UTC", 0, NULL) != GR_OK) {
        return false;
    }
    return create_engine(world);
}

void world_end(struct world *world)
{
    gr_engine_free(world->engine);
    gr_zone_free(world->zone);
    world->engine = NULL;
    world->zone = NULL;
}

bool world_restart(struct world *world)
{
    int64_t at_s[GR_MOST_CHANGES + 1];
    const struct gr_moment now = moment_of(world);
    size_t count = gr_engine_changes(world->engine, &now, at_s);
    if (world->decision.command.kind != GR_FOLLOW) {
        at_s[count++] = now.utc_s;
    }
    gr_engine_free(world->engine);
    world->inverter = (struct gr_inverter){.kind = GR_FOLLOW, .valid_until_s = INT64_MAX};
    if (!create_engine(world)) {
        return false;
    }
    struct gr_event full = {
        .kind = GR_EVENT_FULL, .at = world->now, .of.full.since_s = world->decision.full_since_s};
    (void)gr_engine_handle(world->engine, &full, NULL); /* as the store tells */
    gr_engine_restore_changes(world->engine, at_s, count, &now);
    return true;
}

bool world_publish(struct world *world, enum gr_direction direction, int64_t from_s, int64_t to_s,
                   double price)
{
    struct gr_rate rate = {from_s, to_s, price};
    struct gr_rate_table table = {&rate, 1};
    struct gr_event event = {.kind = GR_EVENT_RATES,
                             .at = world->now,
                             .of.rates = {.direction = direction, .source = 0, .table = &table}};
    return gr_engine_handle(world->engine, &event, NULL) == GR_OK;
}

double world_percent(const struct world *world)
{
    return world->stored_kwh / world->config.site.battery.capacity_kwh * 100;
}

/* ---- the house ---- */

static double clamp(double value, double least, double greatest)
{
    return fmin(fmax(value, least), greatest);
}

static struct gr_band band_in_force(const struct world *world)
{
    const struct gr_site *site = &world->config.site;
    struct gr_band band = gr_inverter_band(&world->inverter, site, world->stored_kwh, world->true_s);
    if (world->obedience == WORLD_DEAF) {
        band = (struct gr_band){0, 0};
    } else if (world->obedience == WORLD_TURNS_SIGNS) {
        band = (struct gr_band){-band.high_kw, -band.low_kw};
    }
    double most_kw = world->gives_at_most_kw;
    return (struct gr_band){clamp(band.low_kw, -most_kw, most_kw), clamp(band.high_kw, -most_kw, most_kw)};
}

static void live(struct world *world, int64_t seconds)
{
    double stop_kwh = gr_inverter_stop_kwh(&world->inverter, &world->config.site, world->true_s);
    gr_house_step(&world->flow, &world->scene, &world->load, band_in_force(world), stop_kwh,
                  &world->stored_kwh, (double)seconds);
    world->true_s += seconds;
}

void world_pass(struct world *world, int64_t seconds)
{
    for (; seconds > 0; seconds -= 60) {
        live(world, seconds < 60 ? seconds : 60);
    }
}

/* ---- readings ---- */

static double true_value(const struct world *world, enum gr_channel channel)
{
    const struct gr_house_flow *flow = &world->flow;
    switch (channel) {
    case GR_STATE_OF_CHARGE:
        return clamp(world_percent(world) + world->percent_error, 0, 100);
    case GR_BATTERY_POWER:
        return flow->battery_kw;
    case GR_GRID_POWER:
        return flow->grid_kw;
    case GR_SOLAR_POWER:
        return flow->solar_kw - flow->curtail_kw;
    case GR_HOUSE_POWER:
        return flow->house_kw;
    case GR_CAR_POWER:
        return flow->car_kw;
    case GR_GRID_PRESENT:
        return world->grid_present ? 1 : 0;
    case GR_OUTDOOR_TEMPERATURE:
        return world->outdoor_c;
    case GR_BATTERY_TEMPERATURE:
        return world->load.air_c;
    case GR_INVERTER_AVAILABLE:
    case GR_CHANNELS:
        break;
    }
    return world->gives_at_most_kw;
}

static double shown_value(struct world *world, enum gr_channel channel)
{
    struct world_channel *between = &world->channel[channel];
    double value = true_value(world, channel) * between->factor;
    if (between->frozen && !isnan(between->last_sent)) {
        value = between->last_sent;
    }
    if (!isnan(between->forced)) {
        value = between->forced;
    }
    if (!isnan(between->once)) {
        value = between->once;
        between->once = NAN;
    }
    return value;
}

static void send_readings(struct world *world)
{
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        struct world_channel *between = &world->channel[channel];
        bool due = world->true_s - between->sent_s >= between->every_s;
        if (world->config.safety.max_age_s[channel] <= 0 || between->silent || !due) {
            continue;
        }
        between->last_sent = shown_value(world, (enum gr_channel)channel);
        between->sent_s = world->true_s;
        struct gr_event event = {
            .kind = GR_EVENT_READING,
            .at = world->now,
            .of.reading = {.channel = (enum gr_channel)channel, .value = between->last_sent}};
        (void)gr_engine_handle(world->engine, &event, NULL);
    }
}

/* ---- a turn ---- */

static void obey(struct world *world)
{
    const struct gr_command *command = &world->decision.command;
    world->last_sequence = command->sequence;
    world->last_issue_true_s = world->true_s;
    if (world->decision.commanding && world->link_up) {
        world->inverter = (struct gr_inverter){.kind = command->kind,
                                               .power_kw = command->power_kw,
                                               .target_percent = command->target_percent,
                                               .valid_until_s = command->valid_until_s,
                                               .sequence = command->sequence};
    }
}

void world_turn(struct world *world, int seconds)
{
    if (seconds > 0) {
        live(world, seconds);
    }
    world->now = moment_of(world);
    if (world->link_up) {
        send_readings(world);
    }
    gr_engine_tick(world->engine, world->now, &world->decision);
    if (world->spoil) {
        world->spoil(world, &world->decision, world->spoil_context);
    }
    if (world->decision.issue) {
        obey(world);
    }
}
