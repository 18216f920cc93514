#include "scenarios/scenario.h"

#include "granary/config.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

/* ---- time ---- */

static void turn(struct scenario_play *play, int seconds)
{
    world_turn(&play->world, seconds);
    play->changes += play->world.decision.changed;
}

static int begin(struct scenario_play *play, struct gr_error *error)
{
    struct world *world = &play->world;
    if (play->begun) {
        return GR_OK;
    }
    play->begun = true;
    if (play->zone[0] && gr_zone_load(&world->zone, play->zone, error) != GR_OK) {
        return GR_INVALID;
    }
    if (play->zone[0]) { /* the start was told as local time */
        world->true_s = gr_zone_utc_s(world->zone, world->true_s, 0);
    }
    if (!world_begin(world)) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for the world");
    }
    turn(play, 0);
    return GR_OK;
}

static void run_until(struct scenario_play *play, int64_t until_s)
{
    while (play->world.true_s < until_s) {
        int64_t left_s = until_s - play->world.true_s;
        turn(play, left_s < play->turn_s ? (int)left_s : play->turn_s);
    }
}

static int after(struct scenario_play *play, const struct scenario_values *values, struct gr_error *error)
{
    int status = begin(play, error);
    if (status == GR_OK) {
        run_until(play, play->world.true_s + values->span_s);
    }
    return status;
}

/* The next moment at which the wall clock shows it. */
static int at_time(struct scenario_play *play, const struct scenario_values *values, struct gr_error *error)
{
    int status = begin(play, error);
    if (status != GR_OK) {
        return status;
    }
    const struct world *world = &play->world;
    int64_t local_s = gr_zone_local_s(world->zone, world->true_s);
    int64_t wanted_s = local_s - local_s % 86400 + values->moment_s[0];
    int64_t until_s = gr_zone_utc_s(world->zone, wanted_s, 0);
    if (until_s < world->true_s) {
        until_s = gr_zone_utc_s(world->zone, wanted_s + 86400, 0);
    }
    run_until(play, until_s);
    return GR_OK;
}

static int at_moment(struct scenario_play *play, const struct scenario_values *values, struct gr_error *error)
{
    int status = begin(play, error);
    int64_t until_s = status == GR_OK ? gr_zone_utc_s(play->world.zone, values->moment_s[0], 0) : 0;
    if (status == GR_OK && until_s < play->world.true_s) {
        return gr_error_set(error, GR_INVALID, "this moment has passed already");
    }
    if (status == GR_OK) {
        run_until(play, until_s);
    }
    return status;
}

static int sleep_through(struct scenario_play *play, const struct scenario_values *values,
                         struct gr_error *error)
{
    (void)error;
    world_pass(&play->world, values->span_s);
    turn(play, 0);
    return GR_OK;
}

/* ---- what the house is ---- */

#define SETTING(name, target)                                                                                \
    static int name(struct scenario_play *play, const struct scenario_values *values,                        \
                    struct gr_error *error)                                                                  \
    {                                                                                                        \
        (void)error;                                                                                         \
        target;                                                                                              \
        return GR_OK;                                                                                        \
    }

SETTING(set_title, (void)play; (void)values)
SETTING(set_zone, (void)snprintf(play->zone, sizeof play->zone, "%.63s", values->text))
SETTING(set_start, play->world.true_s = values->moment_s[0])
SETTING(set_turn, play->turn_s = values->span_s < 1 ? 1 : (int)values->span_s)
SETTING(set_reserve, play->world.config.site.reserve_percent = values->number[0])
SETTING(set_limits, play->world.config.site.grid.import_limit_kw = values->number[0];
        play->world.config.site.grid.export_limit_kw = values->number[1])
SETTING(set_stored,
        play->world.stored_kwh = values->number[0] / 100 * play->world.config.site.battery.capacity_kwh)
SETTING(set_budget, play->world.config.safety.changes_per_day = (int)values->number[0])
SETTING(set_dwell, play->world.config.safety.dwell_s = (int)values->span_s)
SETTING(set_recovery, play->world.config.safety.recovery_s = (int)values->span_s)
SETTING(set_validity, play->world.config.safety.validity_s = (int)values->span_s)
SETTING(set_answer, play->world.config.safety.answer_s = (int)values->span_s)
SETTING(set_observing, (void)values; play->world.config.safety.commanding = false)
SETTING(set_car_side, (void)values; play->world.config.site.grid.car_side = GR_CAR_ON_HOUSE_SIDE)
SETTING(set_charger, play->world.config.site.grid.car_charger_kw = values->number[0];
        play->world.config.safety.max_age_s[GR_CAR_POWER] = 0)
SETTING(set_unread, play->world.config.safety.max_age_s[values->channel] = 0)

static int set_battery(struct scenario_play *play, const struct scenario_values *values,
                       struct gr_error *error)
{
    struct gr_battery *battery = &play->world.config.site.battery;
    if (!(values->number[0] > 0) || values->number[1] < 0 || values->number[2] < 0) {
        return gr_error_set(error, GR_INVALID, "a battery has a capacity and powers");
    }
    double share = play->world.stored_kwh / battery->capacity_kwh;
    battery->capacity_kwh = values->number[0];
    battery->charge_kw = values->number[1];
    battery->discharge_kw = values->number[2];
    play->world.stored_kwh = share * battery->capacity_kwh;
    return GR_OK;
}

/* From charge_kw at that state of charge down to so much when full. */
static int set_taper(struct scenario_play *play, const struct scenario_values *values, struct gr_error *error)
{
    struct gr_site *site = &play->world.config.site;
    double share = values->number[0] / 100, capacity_kwh = site->battery.capacity_kwh;
    if (!(share > 0 && share < 1 && values->number[1] > 0)) {
        return gr_error_set(error, GR_INVALID, "a taper begins between 0 and 100 %% and leaves some power");
    }
    site->curves.charge_power = (struct gr_curve_points){
        2, {share * capacity_kwh, capacity_kwh}, {site->battery.charge_kw, values->number[1]}};
    return GR_OK;
}

static int set_full(struct scenario_play *play, const struct scenario_values *values, struct gr_error *error)
{
    struct gr_planning *planning = &play->world.config.planning;
    if (!(values->number[0] >= 1 && values->number[0] <= 90)) {
        return gr_error_set(error, GR_INVALID, "a full charge comes every 1 to 90 days");
    }
    planning->full_every_days = (int)values->number[0];
    planning->full_percent = 99;
    return GR_OK;
}

static int set_wear(struct scenario_play *play, const struct scenario_values *values, struct gr_error *error)
{
    struct gr_site *site = &play->world.config.site;
    double share = values->number[1] / 100;
    if (!(values->number[0] >= 0 && share > 0 && share < 1)) {
        return gr_error_set(error, GR_INVALID, "wear is 0 or more, below a level between 0 and 100 %%");
    }
    site->curves.wear_steps =
        (struct gr_curve_points){2, {0, share * site->battery.capacity_kwh}, {values->number[0], 0}};
    return GR_OK;
}

static struct gr_tariff *tariff_of(struct scenario_play *play, enum gr_direction direction)
{
    struct gr_engine_config *config = &play->world.config;
    return direction == GR_IMPORT ? &config->import : &config->export;
}

/* The prices named last fill what the ones before left open. */
static int add_band(struct scenario_play *play, const struct scenario_values *values, struct gr_error *error)
{
    struct gr_rate_source *source = &tariff_of(play, values->direction)->source[0];
    struct gr_rate_bands *bands = &source->bands;
    bool whole_day = values->moments == 0;
    if (bands->count == GR_MAX_BANDS) {
        return gr_error_set(error, GR_INVALID, "too many bands");
    }
    bands->band[bands->count++] =
        (struct gr_rate_band){.from_minute = whole_day ? 0 : (int)(values->moment_s[0] / 60),
                              .to_minute = whole_day ? 1440 : (int)(values->moment_s[1] / 60),
                              .weekdays = 127,
                              .price_per_kwh = values->number[0]};
    return GR_OK;
}

SETTING(clear_bands, tariff_of(play, values->direction)->source[0].bands.count = 0)
SETTING(set_published,
        tariff_of(play, values->direction)->source[0] = (struct gr_rate_source){.is_bands = false})

/* ---- what happens ---- */

SETTING(house_takes, play->world.load.house_kw = values->number[0])
SETTING(sun_gives, play->world.load.solar_kw = values->number[0])
SETTING(car_takes, play->world.load.car_kw = values->number[0])
SETTING(falls_silent, play->world.channel[values->channel].silent = true)
SETTING(speaks_again, play->world.channel[values->channel].silent = false)
SETTING(freezes, play->world.channel[values->channel].frozen = true)
SETTING(reads, play->world.channel[values->channel].forced = values->number[0])
SETTING(reads_once, play->world.channel[values->channel].once = values->number[0])
SETTING(reads_wrong, play->world.channel[values->channel].factor = values->number[0])
SETTING(reads_rarely, play->world.channel[values->channel].every_s = values->span_s)
SETTING(meter_jumps, play->world.percent_error += values->number[0])
SETTING(clock_steps, play->world.clock_error_s += values->span_s)
SETTING(clock_unsure, (void)values; play->world.synchronised = false)
SETTING(clock_sure, (void)values; play->world.synchronised = true)
SETTING(link_goes, (void)values; world_set_link(&play->world, false))
SETTING(link_comes, (void)values; world_set_link(&play->world, true))
SETTING(grid_goes, (void)values; play->world.grid_present = false)
SETTING(grid_comes, (void)values; play->world.grid_present = true)
SETTING(inverter_deaf, (void)values; play->world.obedience = WORLD_DEAF)
SETTING(inverter_turns, (void)values; play->world.obedience = WORLD_TURNS_SIGNS)
SETTING(inverter_obeys, (void)values; play->world.obedience = WORLD_OBEYS;
        play->world.gives_at_most_kw = INFINITY)
SETTING(inverter_derates, play->world.gives_at_most_kw = values->number[0])

static int reads_truth(struct scenario_play *play, const struct scenario_values *values,
                       struct gr_error *error)
{
    struct world_channel *between = &play->world.channel[values->channel];
    (void)error;
    between->forced = NAN;
    between->factor = 1;
    between->frozen = false;
    between->every_s = 0;
    return GR_OK;
}

/* What the broker remembers is delivered as such, before anything live. */
static int remembered(struct scenario_play *play, const struct scenario_values *values,
                      struct gr_error *error)
{
    struct gr_event event = {
        .kind = GR_EVENT_READING,
        .at = play->world.now,
        .of.reading = {.channel = values->channel, .value = values->number[0], .retained = true}};
    return gr_engine_handle(play->world.engine, &event, error);
}

static int restarts(struct scenario_play *play, const struct scenario_values *values, struct gr_error *error)
{
    (void)values;
    return world_restart(&play->world) ? GR_OK : gr_error_set(error, GR_NO_MEMORY, "no memory");
}

static int publishes(struct scenario_play *play, const struct scenario_values *values, struct gr_error *error)
{
    struct world *world = &play->world;
    int64_t from_s = gr_zone_utc_s(world->zone, values->moment_s[0], 0);
    int64_t to_s = gr_zone_utc_s(world->zone, values->moment_s[1], 0);
    if (from_s >= to_s || !world_publish(world, values->direction, from_s, to_s, values->number[0])) {
        return gr_error_set(error, GR_INVALID, "no such table can be published here");
    }
    return GR_OK;
}

static int tell_windows(struct scenario_play *play, struct gr_error *error)
{
    struct gr_event event = {.kind = GR_EVENT_WINDOWS,
                             .at = play->world.now,
                             .of.windows = {.list = play->windows, .count = play->window_count}};
    return gr_engine_handle(play->world.engine, &event, error);
}

/* The event source lists one more. */
static int announce(struct scenario_play *play, enum gr_window_kind kind,
                    const struct scenario_values *values, struct gr_error *error)
{
    if (play->window_count == sizeof play->windows / sizeof play->windows[0]) {
        return gr_error_set(error, GR_INVALID, "too many events");
    }
    play->windows[play->window_count++] =
        (struct gr_window){.kind = kind,
                           .start_s = gr_zone_utc_s(play->world.zone, values->moment_s[0], 0),
                           .end_s = gr_zone_utc_s(play->world.zone, values->moment_s[1], 0),
                           .value = values->number[0]};
    return tell_windows(play, error);
}

static int event_of_price(struct scenario_play *play, const struct scenario_values *values,
                          struct gr_error *error)
{
    bool import = values->direction == GR_IMPORT;
    return announce(play, import ? GR_WINDOW_IMPORT_PRICE : GR_WINDOW_EXPORT_PRICE, values, error);
}

static int event_of_payment(struct scenario_play *play, const struct scenario_values *values,
                            struct gr_error *error)
{
    return announce(play, GR_WINDOW_PAYMENT, values, error);
}

static int event_of_wish(struct scenario_play *play, const struct scenario_values *values,
                         struct gr_error *error)
{
    return announce(play, GR_WINDOW_STATE_OF_CHARGE, values, error);
}

static int withdraws(struct scenario_play *play, const struct scenario_values *values, struct gr_error *error)
{
    (void)values;
    play->window_count = 0;
    return tell_windows(play, error);
}

/* ---- what must be so ---- */

static bool is_command(const struct scenario_play *play, const struct scenario_values *values,
                       char seen[GR_REASON_SIZE])
{
    const struct gr_command *command = &play->world.decision.command;
    (void)snprintf(seen, GR_REASON_SIZE, "command %s %.2f kW", gr_command_name(command->kind),
                   command->power_kw);
    return values->commands >> command->kind & 1;
}

static bool is_no_command(const struct scenario_play *play, const struct scenario_values *values,
                          char seen[GR_REASON_SIZE])
{
    return !is_command(play, values, seen);
}

static bool is_fault(const struct scenario_play *play, const struct scenario_values *values,
                     char seen[GR_REASON_SIZE])
{
    const struct gr_decision *decision = &play->world.decision;
    (void)snprintf(seen, GR_REASON_SIZE, "fault %s (%.180s)", gr_fault_name(decision->fault),
                   decision->fault_text);
    return decision->fault == values->fault;
}

static bool is_answer(const struct scenario_play *play, const struct scenario_values *values,
                      char seen[GR_REASON_SIZE])
{
    const struct gr_decision *decision = &play->world.decision;
    (void)snprintf(seen, GR_REASON_SIZE, "inverter %s (%.180s)", gr_answer_name(decision->answer),
                   decision->answer_text);
    return decision->answer == values->answer;
}

static bool says(const struct scenario_play *play, const struct scenario_values *values,
                 char seen[GR_REASON_SIZE])
{
    const struct gr_decision *decision = &play->world.decision;
    const char *text = decision->fault == GR_FAULT_NONE ? decision->command.reason : decision->fault_text;
    (void)snprintf(seen, GR_REASON_SIZE, "the reason \"%.200s\"", text);
    return strstr(text, values->text) != NULL;
}

static bool tell(char seen[GR_REASON_SIZE], const char *what, double value, bool holds)
{
    (void)snprintf(seen, GR_REASON_SIZE, "%s %.3f", what, value);
    return holds;
}

#define COMPARING(name, what, value, relation)                                                               \
    static bool name(const struct scenario_play *play, const struct scenario_values *values,                 \
                     char seen[GR_REASON_SIZE])                                                              \
    {                                                                                                        \
        double found = (value), asked = values->number[0];                                                   \
        return tell(seen, what, found, found relation asked);                                                \
    }

COMPARING(power_at_most, "power", play->world.decision.command.power_kw, <=)
COMPARING(power_at_least, "power", play->world.decision.command.power_kw, >=)
COMPARING(target_at_most, "target", play->world.decision.command.target_percent, <=)
COMPARING(target_at_least, "target", play->world.decision.command.target_percent, >=)
COMPARING(stored_at_least, "stored", world_percent(&play->world), >=)
COMPARING(stored_at_most, "stored", world_percent(&play->world), <=)
COMPARING(grid_at_most, "grid", play->world.flow.grid_kw, <=)
COMPARING(grid_at_least, "grid", play->world.flow.grid_kw, >=)
COMPARING(battery_at_most, "battery", play->world.flow.battery_kw, <=)
COMPARING(battery_at_least, "battery", play->world.flow.battery_kw, >=)
COMPARING(changes_at_most, "changes", (double)play->changes, <=)
COMPARING(changes_at_least, "changes", (double)play->changes, >=)

static bool knows_load(const struct scenario_play *play, const struct scenario_values *values,
                       char seen[GR_REASON_SIZE])
{
    double found = play->world.decision.house_kw;
    return tell(seen, "load", found, fabs(found - values->number[0]) < 0.01);
}

static bool is_issued(const struct scenario_play *play, const struct scenario_values *values,
                      char seen[GR_REASON_SIZE])
{
    (void)values;
    (void)snprintf(seen, GR_REASON_SIZE, "nothing issued in this turn");
    return play->world.decision.issue;
}

/* ---- the language ---- */

const struct scenario_rule scenario_rules[] = {
    {"title TEXT", true, set_title},
    {"zone TEXT", true, set_zone},
    {"start DAY", true, set_start},
    {"turn every DURATION", true, set_turn},
    {"battery NUMBER kWh charge NUMBER kW discharge NUMBER kW", true, set_battery},
    {"charging tapers from NUMBER % to NUMBER kW", true, set_taper},
    {"wear NUMBER below NUMBER %", true, set_wear},
    {"full every NUMBER days", true, set_full},
    {"reserve NUMBER %", true, set_reserve},
    {"limits import NUMBER kW export NUMBER kW", true, set_limits},
    {"stored NUMBER %", true, set_stored},
    {"budget NUMBER changes", true, set_budget},
    {"dwell DURATION", true, set_dwell},
    {"recovery DURATION", true, set_recovery},
    {"validity DURATION", true, set_validity},
    {"answer DURATION", true, set_answer},
    {"only observing", true, set_observing},
    {"car on the house side", true, set_car_side},
    {"car charger of NUMBER kW without a topic", true, set_charger},
    {"CHANNEL is not read", true, set_unread},
    {"no DIRECTION prices yet", true, clear_bands},
    {"price DIRECTION NUMBER from TIME to TIME", true, add_band},
    {"price DIRECTION NUMBER otherwise", true, add_band},
    {"DIRECTION prices are published", true, set_published},
    {"at DAY", false, at_moment},
    {"at TIME", false, at_time},
    {"after DURATION", false, after},
    {"asleep for DURATION", false, sleep_through},
    {"house takes NUMBER kW", false, house_takes},
    {"sun gives NUMBER kW", false, sun_gives},
    {"car takes NUMBER kW", false, car_takes},
    {"CHANNEL falls silent", false, falls_silent},
    {"CHANNEL speaks again", false, speaks_again},
    {"CHANNEL freezes", false, freezes},
    {"CHANNEL reads NUMBER once", false, reads_once},
    {"CHANNEL reads NUMBER", false, reads},
    {"CHANNEL reads NUMBER times the truth", false, reads_wrong},
    {"CHANNEL reads the truth", false, reads_truth},
    {"CHANNEL comes every DURATION", false, reads_rarely},
    {"CHANNEL is remembered as NUMBER", false, remembered},
    {"the meter of charge jumps by NUMBER %", false, meter_jumps},
    {"clock steps by DURATION", false, clock_steps},
    {"clock is not synchronised", false, clock_unsure},
    {"clock is synchronised", false, clock_sure},
    {"link goes", false, link_goes},
    {"link comes", false, link_comes},
    {"grid goes", false, grid_goes},
    {"grid comes", false, grid_comes},
    {"inverter is deaf", false, inverter_deaf},
    {"inverter turns signs round", false, inverter_turns},
    {"inverter gives at most NUMBER kW", false, inverter_derates},
    {"inverter obeys", false, inverter_obeys},
    {"granaryd restarts", false, restarts},
    {"published DIRECTION NUMBER from DAY to DAY", false, publishes},
    {"event DIRECTION price NUMBER from DAY to DAY", false, event_of_price},
    {"event payment NUMBER from DAY to DAY", false, event_of_payment},
    {"event wish NUMBER % from DAY to DAY", false, event_of_wish},
    {"events are withdrawn", false, withdraws},
    {"expect", false, NULL},
    {"within DURATION", false, NULL},
    {"for DURATION", false, NULL},
    {NULL, false, NULL}};

const struct scenario_check scenario_checks[] = {{"command not COMMANDS", is_no_command},
                                                 {"command COMMANDS", is_command},
                                                 {"fault FAULT", is_fault},
                                                 {"inverter ANSWER", is_answer},
                                                 {"reason TEXT", says},
                                                 {"power at most NUMBER kW", power_at_most},
                                                 {"power at least NUMBER kW", power_at_least},
                                                 {"target at most NUMBER %", target_at_most},
                                                 {"target at least NUMBER %", target_at_least},
                                                 {"stored at most NUMBER %", stored_at_most},
                                                 {"stored at least NUMBER %", stored_at_least},
                                                 {"grid at most NUMBER kW", grid_at_most},
                                                 {"grid at least NUMBER kW", grid_at_least},
                                                 {"battery at most NUMBER kW", battery_at_most},
                                                 {"battery at least NUMBER kW", battery_at_least},
                                                 {"changes at most NUMBER", changes_at_most},
                                                 {"changes at least NUMBER", changes_at_least},
                                                 {"load NUMBER kW", knows_load},
                                                 {"issued", is_issued},
                                                 {NULL, NULL}};

/* ---- playing ---- */

static int fail(const struct scenario_play *play, const char *seen, const char *when, struct gr_error *error)
{
    int64_t since_s = play->world.true_s - play->world.began_s;
    return gr_error_set(error, GR_INVALID,
                        "%s%.220s, %" PRId64 " h %" PRId64 " min %" PRId64 " s after the start", when, seen,
                        since_s / 3600, since_s / 60 % 60, since_s % 60);
}

/* "expect": now; "within": at the latest then; "for": at every turn up to then. */
static int ask(struct scenario_play *play, struct gr_error *error)
{
    const struct scenario_line *line = play->line;
    char seen[GR_REASON_SIZE] = "";
    bool within = strncmp(line->rule->pattern, "within", 6) == 0;
    int64_t until_s = play->world.true_s + line->values.span_s;
    int status = begin(play, error);
    if (status != GR_OK) {
        return status;
    }
    bool holds = line->check->holds(play, &line->asked, seen);
    while (holds != within && play->world.true_s < until_s) {
        turn(play, play->turn_s);
        holds = line->check->holds(play, &line->asked, seen);
    }
    return holds ? GR_OK : fail(play, seen, within ? "not in time; at last " : "found ", error);
}

static int play_line(struct scenario_play *play, struct gr_error *error)
{
    const struct scenario_rule *rule = play->line->rule;
    if (rule->setup && play->begun) {
        return gr_error_set(error, GR_INVALID, "this belongs before the first moment");
    }
    if (!rule->act) {
        return ask(play, error);
    }
    if (!rule->setup && rule->act != house_takes && rule->act != sun_gives && rule->act != car_takes) {
        int status = begin(play, error);
        if (status != GR_OK) {
            return status;
        }
    }
    return rule->act(play, &play->line->values, error);
}

int scenario_play(const struct scenario *scenario, const char *file, struct gr_error *error)
{
    struct scenario_play play = {.turn_s = 10};
    struct gr_error why = {""};
    int status = GR_OK;
    world_init(&play.world);
    for (size_t i = 0; status == GR_OK && i < scenario->count; i++) {
        play.line = &scenario->lines[i];
        status = play_line(&play, &why);
    }
    world_end(&play.world);
    return status == GR_OK ? GR_OK
                           : gr_error_set(error, status, "%s:%d: %.300s", file, play.line->number, why.text);
}
