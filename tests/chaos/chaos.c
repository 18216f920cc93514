#include "chaos/chaos.h"

#include "granary/coupling.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum {
    turn_s = 600,
    day_s = 86400,
    recovery_s = 900,
    validity_s = 3600,
    answer_s = 1800,
    longest_pause_s = 4 * 3600,
    budget = 24,
    channels_with_faults = GR_CAR_POWER + 1
};

static const double year_s = 31557600;
static const double slack_kw = 0.061;     /* the guard's own 0.05, and whole 10 W */
static const double cold_slack_kw = 0.26; /* a charge is lowered once it is 0.25 kW too strong */

static const char *const law_names[LAWS] = {"power",  "import",   "export",   "reserve",  "fresh",  "follow",
                                            "budget", "recovery", "validity", "sequence", "answer", "ledger"};

const char *chaos_law_name(enum chaos_law law)
{
    return law_names[law];
}

struct chaos {
    struct world world;
    struct chaos_report *report;
    uint64_t state;               /* of the random numbers */
    int64_t ends_s[CHAOS_FAULTS]; /* of the fault under way; 0: none */
    enum gr_channel victim[CHAOS_FAULTS];
    int64_t step_back_s; /* what the clock is put right by */
    int64_t published_s; /* day of the last table */
    int64_t restarted_s;
    int64_t well_since_s;            /* true time; no fault under way since */
    int64_t last_utc_s, last_true_s; /* of the turn before */
    uint64_t last_sequence;
    struct gr_command issued;
    int64_t issued_true_s;
    int64_t change_s[GR_MOST_CHANGES]; /* true time of the last changes */
    uint64_t changes;
    enum gr_command_kind last_kind;
    double last_power_kw;
    char last_fault[GR_REASON_SIZE]; /* other than recovering */
    int64_t disobeyed_s;             /* how long a command has stood that the inverter ignores */
    struct gr_bill bill;
    double money;
};

/* ---- chance (splitmix64, Steele, Lea and Flood 2014) ---- */

static uint64_t draw(struct chaos *chaos)
{
    uint64_t z = chaos->state += UINT64_C(0x9e3779b97f4a7c15);
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return z ^ (z >> 31);
}

static double chance(struct chaos *chaos)
{
    return (double)(draw(chaos) >> 11) * 0x1p-53;
}

static double between(struct chaos *chaos, double least, double greatest)
{
    return least + (greatest - least) * chance(chaos);
}

/* ---- the house ---- */

/* A rough day: what counts here is that everything happens, not how often. */
static void set_load(struct chaos *chaos)
{
    struct gr_house_load *load = &chaos->world.load;
    int64_t second = chaos->world.true_s % day_s, day = chaos->world.true_s / day_s;
    double hour = (double)second / 3600;
    double height = sin((hour - 6) / 12 * 3.14159265) * (0.7 - 0.3 * cos((double)(day % 365) / 58));
    load->house_kw = 0.2 + 0.6 * chance(chaos) + (hour >= 17 && hour < 22) + (chance(chaos) < 0.05 ? 8 : 0);
    load->solar_kw = fmax(0, height) * 6 * chance(chaos);
    load->car_kw = day % 3 == 0 && hour >= 21 ? 7 : 0;
    load->air_c = 3 - 8 * cos((hour - 5) / 12 * 3.14159265);
}

static void set_up(struct chaos *chaos, uint64_t seed)
{
    struct world *world = &chaos->world;
    world_init(world);
    chaos->state = seed;
    world->config.site.grid = (struct gr_grid){
        .import_limit_kw = 10, .export_limit_kw = 4, .car_side = (enum gr_car_side)(draw(chaos) & 1)};
    world->config.planning.slot_minutes = 60;
    world->config.planning.horizon_hours = 12;
    world->config.planning.brief = true;
    world->config.planning.expectation.path_days = 1;
    struct gr_safety *safety = &world->config.safety;
    safety->validity_s = validity_s;
    safety->recovery_s = recovery_s;
    safety->answer_s = answer_s;
    safety->changes_per_day = budget;
    safety->max_age_s[GR_STATE_OF_CHARGE] = 2700;
    for (int channel = GR_BATTERY_POWER; channel <= GR_CAR_POWER; channel++) {
        safety->max_age_s[channel] = 1800;
    }
    safety->max_age_s[GR_HOUSE_POWER] = 0; /* the load is computed from the balance */
    if (seed % 3 == 0) {
        world->config.site.dc_coupled = true;
        world->config.site.inverter = (struct gr_dc_inverter){5, 0.95, 0.94};
    } else if (seed % 3 == 1) {
        world->config.site.curves.charge_by_temperature = (struct gr_curve_points){2, {-5, 10}, {0.5, 6}};
        safety->max_age_s[GR_BATTERY_TEMPERATURE] = 1800;
    }
    world->config.import.source[0].is_bands = false;
    world->config.export.source[0].is_bands = false;
}

/* ---- prices ---- */

static void publish_day(struct chaos *chaos, enum gr_direction direction, int64_t start_s)
{
    struct gr_rate rates[24];
    double level = direction == GR_IMPORT ? between(chaos, 0.02, 0.4) : between(chaos, -0.02, 0.3);
    for (int hour = 0; hour < 24; hour++) {
        double swing = between(chaos, -0.15, 0.15);
        rates[hour] = (struct gr_rate){start_s + hour * 3600, start_s + (hour + 1) * 3600, level + swing};
    }
    struct gr_rate_table table = {rates, 24};
    struct gr_event event = {.kind = GR_EVENT_RATES,
                             .at = chaos->world.now,
                             .of.rates = {.direction = direction, .source = 0, .table = &table}};
    (void)gr_engine_handle(chaos->world.engine, &event, NULL);
}

static void publish(struct chaos *chaos)
{
    const struct world *world = &chaos->world;
    int64_t today_s = world->true_s - world->true_s % day_s;
    /* What was published is asked for again where it is not known any more. */
    if (world->clock_error_s == 0 &&
        gr_engine_known_until_s(world->engine, GR_IMPORT, world->true_s) < world->true_s + turn_s) {
        chaos->published_s = 0;
    }
    if (chaos->ends_s[CHAOS_RATES] > 0 || chaos->published_s > today_s ||
        (chaos->published_s == today_s && chaos->world.true_s < today_s + 16 * 3600)) {
        return;
    }
    int64_t from_s = chaos->published_s < today_s ? today_s : today_s + day_s;
    for (int64_t day = from_s; day <= today_s + day_s; day += day_s) {
        publish_day(chaos, GR_IMPORT, day);
        publish_day(chaos, GR_EXPORT_DIRECTION, day);
        chaos->published_s = day;
    }
}

/* ---- faults ---- */

static void begin_fault(struct chaos *chaos, enum chaos_fault fault)
{
    struct world *world = &chaos->world;
    static const double absurd[] = {0, 100, 1e6, -1e6, 1e-9, -0.5, 57, 3};
    enum gr_channel victim = (enum gr_channel)(draw(chaos) % channels_with_faults);
    struct world_channel *channel = &world->channel[victim];
    chaos->victim[fault] = victim;
    chaos->ends_s[fault] = world->true_s + (int64_t)(turn_s * exp(between(chaos, 0, 4)));
    switch (fault) {
    case CHAOS_SILENT:
        channel->silent = true;
        break;
    case CHAOS_FROZEN:
        channel->frozen = true;
        break;
    case CHAOS_ABSURD:
        channel->forced = absurd[draw(chaos) % 8];
        break;
    case CHAOS_SPIKE:
        world->channel[GR_STATE_OF_CHARGE].once = between(chaos, 0, 100);
        break;
    case CHAOS_WRONG:
        channel->factor = draw(chaos) & 1 ? -1 : 0.001;
        break;
    case CHAOS_RARE:
        channel->every_s = (int64_t)between(chaos, turn_s, 6 * turn_s);
        break;
    case CHAOS_JUMP:
        world->percent_error = between(chaos, -15, 15);
        break;
    case CHAOS_STEP:
        chaos->step_back_s = (int64_t)(exp(between(chaos, 4, 16)) * (draw(chaos) & 1 ? 1 : -1));
        world->clock_error_s += chaos->step_back_s;
        break;
    case CHAOS_UNSURE:
        world->synchronised = false;
        break;
    case CHAOS_LINK:
        world_set_link(world, false);
        break;
    case CHAOS_GRID:
        world->grid_present = false;
        break;
    case CHAOS_DEAF:
        world->obedience = WORLD_DEAF;
        chaos->ends_s[fault] += 3 * answer_s;
        break;
    case CHAOS_TURNED:
        world->obedience = WORLD_TURNS_SIGNS;
        break;
    case CHAOS_DERATED:
        world->gives_at_most_kw = between(chaos, 0, 4);
        break;
    case CHAOS_RATES:
        chaos->ends_s[fault] += day_s;
        break;
    case CHAOS_RESTART:
    case CHAOS_ASLEEP:
    case CHAOS_FAULTS:
        chaos->ends_s[fault] = world->true_s;
        break;
    }
}

static void end_fault(struct chaos *chaos, enum chaos_fault fault)
{
    struct world *world = &chaos->world;
    struct world_channel *channel = &world->channel[chaos->victim[fault]];
    chaos->ends_s[fault] = 0;
    switch (fault) {
    case CHAOS_SILENT:
        channel->silent = false;
        break;
    case CHAOS_FROZEN:
        channel->frozen = false;
        break;
    case CHAOS_ABSURD:
        channel->forced = NAN;
        break;
    case CHAOS_WRONG:
        channel->factor = 1;
        break;
    case CHAOS_RARE:
        channel->every_s = 0;
        break;
    case CHAOS_JUMP:
        world->percent_error = 0;
        break;
    case CHAOS_STEP:
        world->clock_error_s -= chaos->step_back_s;
        break;
    case CHAOS_UNSURE:
        world->synchronised = true;
        break;
    case CHAOS_LINK:
        world_set_link(world, true);
        break;
    case CHAOS_GRID:
        world->grid_present = true;
        break;
    case CHAOS_DEAF:
    case CHAOS_TURNED:
        world->obedience = WORLD_OBEYS;
        break;
    case CHAOS_DERATED:
        world->gives_at_most_kw = INFINITY;
        break;
    case CHAOS_SPIKE:
    case CHAOS_RATES:
    case CHAOS_RESTART:
    case CHAOS_ASLEEP:
    case CHAOS_FAULTS:
        break;
    }
}

/* Killed and started: what the store kept comes back (tables, sequence), the rest has to be seen anew. */
static bool restart(struct chaos *chaos)
{
    if (!world_restart(&chaos->world)) {
        return false;
    }
    chaos->restarted_s = chaos->world.true_s;
    chaos->disobeyed_s = 0; /* of that the new one knows nothing */
    chaos->published_s = 0;
    chaos->last_utc_s = INT64_MIN;
    if (chaos->ends_s[CHAOS_LINK] > 0) {
        world_set_link(&chaos->world, false);
    }
    return true;
}

static bool meddle(struct chaos *chaos)
{
    for (int fault = 0; fault < CHAOS_FAULTS; fault++) {
        if (chaos->ends_s[fault] > 0 && chaos->world.true_s >= chaos->ends_s[fault]) {
            end_fault(chaos, (enum chaos_fault)fault);
        }
    }
    if (chance(chaos) > 0.02) {
        return true;
    }
    enum chaos_fault fault = (enum chaos_fault)(draw(chaos) % CHAOS_FAULTS);
    if (chaos->ends_s[fault] > 0 ||
        ((fault == CHAOS_DEAF || fault == CHAOS_TURNED) && chaos->world.obedience != WORLD_OBEYS)) {
        return true;
    }
    chaos->report->faults[fault]++;
    begin_fault(chaos, fault);
    if (fault == CHAOS_ASLEEP) {
        world_pass(&chaos->world, (int64_t)(60 * exp(between(chaos, 0, 6))));
    }
    return fault != CHAOS_RESTART || restart(chaos);
}

static bool is_any_fault_under_way(const struct chaos *chaos)
{
    for (int fault = 0; fault < CHAOS_FAULTS; fault++) {
        if (chaos->ends_s[fault] > 0) {
            return true;
        }
    }
    return false;
}

/* ---- laws ---- */

static void breaks(struct chaos *chaos, enum chaos_law law, const char *what)
{
    const struct gr_decision *decision = &chaos->world.decision;
    if (chaos->report->broken >= 0) {
        return;
    }
    chaos->report->broken = (int)law;
    (void)snprintf(chaos->report->text, sizeof chaos->report->text,
                   "law \"%s\" broken in turn %" PRIu64 ": %s; %s %.2f kW to %.0f %%, fault %s (%.60s), "
                   "house %.2f solar %.2f car %.2f stored %.2f, %d changes, before: %s",
                   law_names[law], chaos->report->turns, what, gr_command_name(decision->command.kind),
                   decision->command.power_kw, decision->command.target_percent,
                   gr_fault_name(decision->fault), decision->fault_text, decision->house_kw,
                   decision->solar_kw, decision->car_kw, decision->stored_kwh, decision->changes_today,
                   chaos->last_fault);
}

static void require(struct chaos *chaos, bool holds, enum chaos_law law, const char *what)
{
    if (!holds) {
        breaks(chaos, law, what);
    }
}

/* What the battery's temperature lets in; INFINITY: all. */
static double temperature_kw(const struct chaos *chaos)
{
    struct gr_curve power = gr_curve_of(&chaos->world.config.site.curves.charge_by_temperature);
    return power.count > 0 ? gr_curve_value(&power, chaos->world.load.air_c) : (double)INFINITY;
}

static void check_command(struct chaos *chaos)
{
    const struct gr_decision *decision = &chaos->world.decision;
    const struct gr_command *command = &decision->command;
    const struct gr_site *site = &chaos->world.config.site;
    double power_kw = command->power_kw;
    double battery_kw = command->kind == GR_EXPORT ? -power_kw : power_kw;
    double load_kw = decision->house_kw + decision->car_kw;
    double grid_kw = gr_site_grid_kw(site, load_kw, battery_kw, decision->solar_kw);
    double resting_kw = gr_site_grid_kw(site, load_kw, 0, decision->solar_kw); /* may break a limit already */
    bool powered = command->kind == GR_CHARGE || command->kind == GR_EXPORT;
    require(chaos, power_kw >= 0 && power_kw <= 6 && (powered || power_kw == 0), LAW_POWER,
            "beyond the battery");
    if (command->kind == GR_CHARGE && power_kw > 0) {
        require(chaos, grid_kw <= fmax(site->grid.import_limit_kw, resting_kw) + slack_kw, LAW_IMPORT,
                "the charge is too much for the connection");
        require(chaos, power_kw <= temperature_kw(chaos) + cold_slack_kw, LAW_POWER,
                "the charge is too much for the cold battery");
    }
    if (command->kind == GR_EXPORT && power_kw > 0) {
        require(chaos, -grid_kw <= fmax(site->grid.export_limit_kw, -resting_kw) + slack_kw, LAW_EXPORT,
                "the export is too much for the connection");
        require(chaos, decision->stored_kwh / site->battery.capacity_kwh * 100 >= site->reserve_percent,
                LAW_RESERVE, "an export below the reserve");
    }
    if (command->kind == GR_EXPORT || command->kind == GR_SERVE) {
        require(chaos, command->target_percent >= site->reserve_percent, LAW_RESERVE,
                "a target below the reserve");
    }
}

static int64_t age_s(const struct chaos *chaos, enum gr_channel channel)
{
    const struct world_channel *between_them = &chaos->world.channel[channel];
    return between_them->sent_s < chaos->restarted_s ? INT64_MAX : chaos->world.true_s - between_them->sent_s;
}

static bool is_too_old(const struct chaos *chaos, enum gr_channel channel)
{
    return (double)age_s(chaos, channel) > chaos->world.config.safety.max_age_s[channel];
}

static bool is_clock_stepped(const struct chaos *chaos)
{
    if (chaos->last_utc_s == INT64_MIN) {
        return false;
    }
    int64_t wall_s = chaos->world.now.utc_s - chaos->last_utc_s;
    int64_t error_s = wall_s - (chaos->world.true_s - chaos->last_true_s);
    return error_s > 30 || error_s < -30;
}

/* What calls for follow in this very turn, as far as the world outside the engine can tell. */
static const char *find_reason_to_follow(const struct chaos *chaos)
{
    const struct world *world = &chaos->world;
    if (!world->link_up) {
        return "no link";
    }
    if (!world->synchronised) {
        return "the clock is not synchronised";
    }
    if (is_clock_stepped(chaos)) {
        return "the clock was stepped";
    }
    if (!world->grid_present && age_s(chaos, GR_GRID_PRESENT) == 0) {
        return "no grid";
    }
    if (is_too_old(chaos, GR_BATTERY_POWER) || is_too_old(chaos, GR_GRID_POWER) ||
        is_too_old(chaos, GR_SOLAR_POWER)) {
        return "powers are too old";
    }
    if (gr_engine_known_until_s(world->engine, GR_IMPORT, world->now.utc_s) <= world->now.utc_s) {
        return "no price";
    }
    return NULL;
}

static void check_follow(struct chaos *chaos)
{
    const struct gr_decision *decision = &chaos->world.decision;
    if (decision->command.kind == GR_FOLLOW) {
        return;
    }
    require(chaos, !is_too_old(chaos, GR_STATE_OF_CHARGE), LAW_FRESH,
            "a command without a fresh state of charge");
    const char *reason = find_reason_to_follow(chaos);
    require(chaos, !reason, LAW_FOLLOW, reason ? reason : "");
}

static int changes_in_a_day(const struct chaos *chaos)
{
    int count = 0;
    for (uint64_t i = 0; i < GR_MOST_CHANGES && i < chaos->changes; i++) {
        count += chaos->world.true_s - chaos->change_s[i] < day_s;
    }
    return count;
}

/* Less of the same, or nothing at all, is what safety asks for; follow is what every fault ends in. */
static bool is_safetys(const struct chaos *chaos, const struct gr_command *command)
{
    return command->kind == GR_FOLLOW || command->kind == GR_REST || command->kind == GR_STORE ||
           (command->kind == chaos->last_kind && command->power_kw < chaos->last_power_kw);
}

static void check_budget(struct chaos *chaos)
{
    const struct gr_command *command = &chaos->world.decision.command;
    if (command->kind == chaos->last_kind && fabs(command->power_kw - chaos->last_power_kw) < 1e-9) {
        return;
    }
    require(chaos, changes_in_a_day(chaos) <= budget || is_safetys(chaos, command), LAW_BUDGET,
            "one change more than the day's budget");
    require(chaos, changes_in_a_day(chaos) < 2 * budget, LAW_BUDGET, "twice the day's budget");
    chaos->change_s[chaos->changes++ % GR_MOST_CHANGES] = chaos->world.true_s;
    chaos->report->changes++;
    chaos->last_kind = command->kind;
    chaos->last_power_kw = command->power_kw;
}

/* No fault under way for as long as recovery takes, and what follows from the last one over. */
static void check_recovery(struct chaos *chaos)
{
    const struct gr_decision *decision = &chaos->world.decision;
    int64_t now_s = chaos->world.true_s;
    if (is_any_fault_under_way(chaos)) {
        chaos->well_since_s = now_s;
    }
    if (now_s - chaos->well_since_s < recovery_s + 6 * turn_s) {
        return;
    }
    int64_t well_s = now_s - chaos->well_since_s;
    bool pausing = decision->fault == GR_FAULT_INVERTER || decision->fault == GR_FAULT_RECOVERING;
    bool may_pause = pausing && well_s < longest_pause_s + 3 * recovery_s;
    require(chaos, decision->fault == GR_FAULT_NONE || decision->fault == GR_FAULT_BUDGET || may_pause,
            LAW_RECOVERY, "all has been well for long enough");
}

static void check_issue(struct chaos *chaos)
{
    const struct gr_decision *decision = &chaos->world.decision;
    const struct gr_command *command = &decision->command;
    if (decision->issue) {
        require(chaos,
                command->valid_until_s - command->issued_s == validity_s &&
                    command->issued_s == chaos->world.now.utc_s,
                LAW_VALIDITY, "a validity that was not configured");
        require(chaos, command->sequence > chaos->last_sequence, LAW_SEQUENCE,
                "a sequence that does not rise");
        chaos->last_sequence = command->sequence;
        chaos->issued = *command;
        chaos->issued_true_s = chaos->world.true_s;
    }
    require(chaos, chaos->world.true_s - chaos->issued_true_s < validity_s || chaos->issued.kind == GR_FOLLOW,
            LAW_VALIDITY, "a command that has expired was not renewed");
    require(chaos, command->reason[0] != '\0', LAW_VALIDITY, "a command without a reason");
}

static bool do_readings_tell_the_truth(const struct chaos *chaos)
{
    for (int channel = 0; channel < channels_with_faults; channel++) {
        const struct world_channel *one = &chaos->world.channel[channel];
        if (one->frozen || !isnan(one->forced) || one->factor != 1 || one->silent || one->every_s > 0) {
            return false;
        }
    }
    return true;
}

/* An inverter that stands still whatever it is told is told so twice, each time for as long as an answer may
 * take. Near the target, or beyond it, it may stand still; that time does not count. */
static void check_answer(struct chaos *chaos)
{
    const struct gr_command *command = &chaos->world.decision.command;
    bool powered = (command->kind == GR_CHARGE || command->kind == GR_EXPORT) && command->power_kw > 1;
    bool told_truth = age_s(chaos, GR_BATTERY_POWER) == 0 && do_readings_tell_the_truth(chaos);
    double percent = world_percent(&chaos->world);
    bool ignored = chaos->world.obedience == WORLD_DEAF && powered && told_truth && percent > 25 &&
                   percent < 90 && fabs(chaos->world.percent_error) < 1 && chaos->world.flow.grid_kw < 9 &&
                   chaos->world.flow.grid_kw > -3 && command->kind == chaos->last_kind;
    bool near = command->kind == GR_CHARGE ? percent > command->target_percent - 4
                                           : percent < command->target_percent + 4;
    if (!ignored || !near) {
        chaos->disobeyed_s = ignored ? chaos->disobeyed_s + turn_s : 0;
    }
    require(chaos, chaos->disobeyed_s <= 2 * answer_s + 4 * turn_s, LAW_ANSWER,
            "a deaf inverter is still commanded");
}

/* ---- the ledger ---- */

/* The engine's own half hours: their means add up like the flows they are means of, but for what an inverter
 * that bends makes of them. */
static void check_record(struct chaos *chaos)
{
    const struct gr_decision *decision = &chaos->world.decision;
    const struct gr_slot_record *record = &decision->record;
    double rest_kw = record->grid_kw + record->solar_kw - record->battery_kw - record->car_kw;
    bool adds_up = !chaos->world.config.site.dc_coupled;
    if (adds_up && decision->record_due && isfinite(rest_kw) && isfinite(record->house_kw) &&
        chaos->world.true_s - chaos->well_since_s > 7200) {
        require(chaos, fabs(rest_kw - record->house_kw) < 0.02, LAW_LEDGER, "a half hour does not add up");
    }
}

static void keep_ledger(struct chaos *chaos, double before_kwh)
{
    const struct world *world = &chaos->world;
    const struct gr_house_flow *flow = &world->flow;
    const struct gr_battery *battery = &world->config.site.battery;
    double hours = turn_s / 3600.0;
    double into_kwh = flow->battery_kw > 0 ? flow->battery_kw * battery->charge_efficiency * hours
                                           : flow->battery_kw / battery->discharge_efficiency * hours;
    double after_kwh = before_kwh + into_kwh - battery->standing_loss_kw * hours;
    double drawn_kw =
        gr_site_drawn_kw(&world->config.site, flow->battery_kw, flow->solar_kw - flow->curtail_kw);
    double used_kw = flow->house_kw + flow->car_kw + drawn_kw;
    gr_bill_add(&chaos->bill, flow, 0.25, 0.05, 0, turn_s);
    chaos->money += flow->grid_kw * hours * (flow->grid_kw > 0 ? 0.25 : 0.05);
    require(chaos, fabs(used_kw - flow->grid_kw) < 1e-9, LAW_LEDGER, "the meter does not show what is used");
    require(chaos, fabs(fmax(after_kwh, 0) - world->stored_kwh) < 1e-6, LAW_LEDGER,
            "the store does not hold what went in");
    require(chaos, fabs(chaos->money - gr_bill_total(&chaos->bill)) < 1e-6 * (1 + fabs(chaos->money)),
            LAW_LEDGER, "the bill is not the sum of its parts");
}

/* ---- the run ---- */

static void look(struct chaos *chaos)
{
    const struct gr_decision *decision = &chaos->world.decision;
    if (decision->fault != GR_FAULT_NONE && decision->fault != GR_FAULT_RECOVERING) {
        (void)snprintf(chaos->last_fault, sizeof chaos->last_fault, "%s", decision->fault_text);
    }
    check_command(chaos);
    check_follow(chaos);
    check_answer(chaos);
    check_budget(chaos);
    check_recovery(chaos);
    check_issue(chaos);
    check_record(chaos);
    chaos->report->turns++;
    chaos->report->follows += chaos->world.decision.command.kind == GR_FOLLOW;
    chaos->report->commands += chaos->world.decision.command.kind != GR_FOLLOW;
}

static bool live_a_turn(struct chaos *chaos)
{
    struct world *world = &chaos->world;
    if (!meddle(chaos)) {
        return false;
    }
    publish(chaos);
    set_load(chaos);
    chaos->last_true_s = chaos->report->turns == 0 ? world->true_s : chaos->last_true_s;
    double before_kwh = world->stored_kwh;
    world_turn(world, turn_s);
    keep_ledger(chaos, before_kwh);
    look(chaos);
    chaos->last_true_s = world->true_s;
    chaos->last_utc_s = world->now.utc_s;
    return true;
}

bool chaos_run(struct chaos_report *out, double years, uint64_t seed,
               void (*spoil)(struct world *world, struct gr_decision *decision, void *context), void *context)
{
    struct chaos *chaos = calloc(1, sizeof *chaos);
    *out = (struct chaos_report){.broken = -1};
    if (!chaos) {
        return false;
    }
    chaos->report = out;
    chaos->last_utc_s = INT64_MIN;
    set_up(chaos, seed);
    chaos->world.spoil = spoil;
    chaos->world.spoil_context = context;
    bool good = world_begin(&chaos->world);
    chaos->restarted_s = chaos->well_since_s = chaos->issued_true_s = chaos->world.true_s;
    while (good && out->broken < 0 && out->years < years) {
        good = live_a_turn(chaos);
        out->years = (double)(chaos->world.true_s - chaos->world.began_s) / year_s;
    }
    world_end(&chaos->world);
    free(chaos);
    return good;
}
