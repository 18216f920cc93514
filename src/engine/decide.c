#include "engine/internal.h"

#include "granary/coupling.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double car_draws_kw = 0.3;    /* a charger on stand-by takes less */
static const double limit_slack_kw = 0.05; /* meters flicker: cut a command only for more */
static const double same_power_kw = 0.25;  /* powers nearer than this are one command */
static const double least_charge_kw = 0.05;
/* Of the import price: each path knows its day, so that holding a kWh back for later looks a little better
 * than it turns out. */
static const double least_hold_share = 0.03;

/* What may happen until the slot's end: what is seen now, and the same slot of every path. */
struct outlook_samples {
    double *room;
    size_t count;
};

static int gather_samples(const struct gr_engine_plan *plan, const struct gr_seen *seen, double hours,
                          struct outlook_samples *samples, struct gr_outlook *outlook)
{
    size_t paths = plan->paths.count, count = paths + 1;
    double *room = malloc(4 * count * sizeof *room);
    if (!room) {
        return GR_NO_MEMORY;
    }
    double *house = room, *car = room + count, *solar = room + 2 * count, *weight = room + 3 * count;
    double now_weight = fmax(0.5, 1 - hours);
    house[0] = seen->steady_house_kw;
    solar[0] = seen->steady_solar_kw;
    weight[0] = now_weight;
    for (size_t k = 0; k < paths; k++) {
        house[k + 1] = plan->paths.load_kw[k * plan->paths.slots];
        solar[k + 1] = plan->paths.solar_kw[k * plan->paths.slots];
        weight[k + 1] = (1 - now_weight) * plan->paths.weight[k];
    }
    for (size_t k = 0; k < count; k++) {
        car[k] = seen->car_kw;
    }
    samples->room = room;
    samples->count = count;
    outlook->hours = hours;
    outlook->samples = count;
    outlook->house_kw = house;
    outlook->car_kw = car;
    outlook->solar_kw = solar;
    outlook->weight = weight;
    return GR_OK;
}

/* What keeps kinds from being commanded at all, whatever they would earn. The battery must never feed a car:
 * on the grid side an export would, on the house side everything that discharges would. */
static void find_bars(const struct gr_engine *engine, const struct gr_moment *now, const struct gr_seen *seen,
                      enum gr_bar bar[GR_COMMAND_KINDS])
{
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        bar[kind] = GR_BAR_NONE;
    }
    double reserve_kwh = gr_overrides_reserve_percent(&engine->overrides, now->utc_s) / 100 *
                         engine->config.site.battery.capacity_kwh;
    bool car_draws = seen->car_kw > car_draws_kw;
    bar[GR_EXPORT] = gr_engine_export_bar(engine, &engine->overrides, now->utc_s);
    if (seen->stored_kwh <= fmax(gr_engine_floor_kwh(&engine->config), reserve_kwh)) {
        bar[GR_EXPORT] = GR_BAR_RESERVE;
    }
    if (car_draws || !seen->car_known) {
        bar[GR_EXPORT] = car_draws ? GR_BAR_CAR : GR_BAR_CAR_UNKNOWN;
    }
    if (car_draws && engine->config.site.grid.car_side == GR_CAR_ON_HOUSE_SIDE) {
        bar[GR_FOLLOW] = GR_BAR_CAR;
        bar[GR_SERVE] = GR_BAR_CAR;
    }
}

static double cost_of_band(const struct gr_outlook *outlook, struct gr_band band)
{
    double cost = 0;
    for (size_t k = 0; k < outlook->samples; k++) {
        struct gr_band_result result;
        gr_band_apply(&result, outlook, band, outlook->house_kw[k], outlook->car_kw[k], outlook->solar_kw[k]);
        cost += outlook->weight[k] * (result.cost + gr_value_at(outlook->next, result.stored_kwh));
    }
    return cost;
}

/* Whether the present command, with the load seen at this moment, would break a limit at the meter that a
 * smaller power would keep, or break by less. What a shared inverter holds back of the sun can be stored
 * without a trace at the meter, whatever the house draws. */
static bool breaks_limit(const struct gr_engine *engine, const struct gr_seen *seen,
                         enum gr_command_kind kind, double power_kw)
{
    const struct gr_site *site = &engine->config.site;
    double battery_kw = kind == GR_CHARGE ? power_kw : -power_kw, load_kw = seen->house_kw + seen->car_kw;
    double grid_kw = gr_site_grid_kw(site, load_kw, battery_kw, seen->solar_kw);
    double resting_kw = gr_site_grid_kw(site, load_kw, 0, seen->solar_kw);
    if (kind == GR_CHARGE) {
        return grid_kw > fmax(site->grid.import_limit_kw, resting_kw) + limit_slack_kw;
    }
    if (kind == GR_EXPORT) {
        return -grid_kw > fmax(site->grid.export_limit_kw, -resting_kw) + limit_slack_kw;
    }
    return false;
}

/* Powers are commanded in whole 10 W, towards the safe side; they are cut to what the meter's limits leave
 * with the load seen now. */
static double fit_power(const struct gr_engine *engine, const struct gr_seen *seen, enum gr_command_kind kind,
                        double power_kw)
{
    const struct gr_site *site = &engine->config.site;
    double load_kw = seen->house_kw + seen->car_kw;
    double room_kw = kind == GR_CHARGE
                         ? gr_site_battery_kw(site, site->grid.import_limit_kw - load_kw, seen->solar_kw)
                         : -gr_site_battery_kw(site, -site->grid.export_limit_kw - load_kw, seen->solar_kw);
    return fmax(0, floor(fmin(power_kw, room_kw) * 100 + 1e-6) / 100);
}

static enum gr_command_kind find_cheapest(const struct gr_choice *choice,
                                          const enum gr_bar bar[GR_COMMAND_KINDS])
{
    enum gr_command_kind best = GR_REST;
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        if (bar[kind] == GR_BAR_NONE && choice->cost[kind] < choice->cost[best]) {
            best = (enum gr_command_kind)kind;
        }
    }
    return best;
}

enum gr_command_kind gr_engine_find_best(const struct gr_choice *choice, double least_gain_per_kwh,
                                         double hours, enum gr_bar bar[GR_COMMAND_KINDS])
{
    enum gr_command_kind best = bar[choice->kind] == GR_BAR_NONE ? choice->kind : find_cheapest(choice, bar);
    if (best == GR_EXPORT && least_gain_per_kwh > 0) {
        bar[GR_EXPORT] = GR_BAR_LEAST_GAIN;
        enum gr_command_kind next = find_cheapest(choice, bar);
        double gain = choice->cost[next] - choice->cost[GR_EXPORT];
        bool enough = gain >= least_gain_per_kwh * choice->power_of[GR_EXPORT] * hours;
        bar[GR_EXPORT] = enough ? GR_BAR_NONE : GR_BAR_LEAST_GAIN;
        best = enough ? GR_EXPORT : next;
    }
    return best;
}

/* Where `follow` is in force it stays, unless a `store` or `serve` gains enough by each kWh that it holds
 * back from the house or from the store. */
static enum gr_command_kind stay_with_follow(const struct gr_pacer *held, const struct gr_choice *choice,
                                             enum gr_command_kind best, double import_price,
                                             enum gr_bar bar[GR_COMMAND_KINDS])
{
    bool holds = best == GR_STORE || best == GR_SERVE;
    if (!holds || !held->any || held->kind != GR_FOLLOW || bar[GR_FOLLOW] != GR_BAR_NONE) {
        return best;
    }
    double held_kwh = fabs(choice->end_kwh[best] - choice->end_kwh[GR_FOLLOW]);
    double gain = choice->cost[GR_FOLLOW] - choice->cost[best];
    if (gain >= least_hold_share * fabs(import_price) * held_kwh) {
        return best;
    }
    bar[best] = GR_BAR_TOO_LITTLE;
    return GR_FOLLOW;
}

/* Where the run of like slots that begins now ends, in percent: what the command works towards. */
static double find_target(const struct gr_engine *engine, int64_t now_s, enum gr_command_kind kind,
                          double end_kwh)
{
    const struct gr_engine_plan *plan = &engine->plan;
    double capacity_kwh = engine->config.site.battery.capacity_kwh;
    double floor_percent = gr_engine_floor_percent(engine, now_s);
    double target_kwh = end_kwh;
    double full_kwh = engine->config.planning.full_percent / 100 * capacity_kwh; /* an inverter stops short */
    for (size_t t = 0; plan->slots && t < plan->horizon.slots && plan->slots[t].kind == kind; t++) {
        double stored_kwh = plan->slots[t].stored_kwh;
        target_kwh = kind == GR_CHARGE ? fmax(target_kwh, stored_kwh) : fmin(target_kwh, stored_kwh);
    }
    switch (kind) {
    case GR_CHARGE:
        return plan->full_windows > 0 && (plan->full_due || target_kwh >= full_kwh)
                   ? 100
                   : fmin(100, ceil(target_kwh / capacity_kwh * 100 - 1e-6));
    case GR_EXPORT:
        return fmax(floor_percent, floor(target_kwh / capacity_kwh * 100 + 1e-6));
    case GR_STORE:
        return 100;
    case GR_FOLLOW:
    case GR_SERVE:
    case GR_REST:
    case GR_COMMAND_KINDS:
        break;
    }
    return floor_percent;
}

/* Whether a charge in force is more than the battery's temperature lets in by now, beyond what is worth a
 * change. */
static bool is_too_much(const struct gr_engine *engine, const struct gr_pacer *held)
{
    double most_kw = engine->temperature_kw;
    bool none = most_kw < least_charge_kw && held->power_kw > 0;
    return held->kind == GR_CHARGE && (none || held->power_kw > most_kw + same_power_kw);
}

static void compare_with_present(const struct gr_engine *engine, const struct gr_seen *seen,
                                 const struct gr_outlook *outlook, const enum gr_bar bar[GR_COMMAND_KINDS],
                                 double best_cost, struct gr_wish *wish)
{
    const struct gr_pacer *held = &engine->pacer;
    if (!held->any) {
        wish->forced = true;
        return;
    }
    struct gr_band band = gr_command_band(held->kind, held->power_kw, outlook->battery.charge_kw,
                                          outlook->battery.discharge_kw);
    wish->gain = cost_of_band(outlook, band) - best_cost;
    /* A charge that makes ready need not gain at once; nor need the way back to follow once nothing is
     * better: a command that has lost its reason may cost much later, follow never does. */
    if ((wish->kind == GR_CHARGE || wish->kind == GR_FOLLOW) && held->kind != wish->kind) {
        wish->gain = fmax(wish->gain, engine->config.safety.least_gain);
    }
    wish->forced = bar[held->kind] != GR_BAR_NONE || breaks_limit(engine, seen, held->kind, held->power_kw) ||
                   is_too_much(engine, held);
    if (!wish->forced && held->kind == wish->kind && fabs(held->power_kw - wish->power_kw) < same_power_kw) {
        wish->power_kw = held->power_kw;
    }
}

/* What the energy that the slot moves is worth, stored; where it moves next to none, what one more kWh would
 * be. */
static double find_worth(const struct gr_outlook *outlook, double end_kwh)
{
    double moved_kwh = end_kwh - outlook->stored_kwh;
    if (fabs(moved_kwh) < 0.05) {
        return gr_value_marginal(outlook->next, end_kwh);
    }
    return (gr_value_at(outlook->next, outlook->stored_kwh) - gr_value_at(outlook->next, end_kwh)) /
           moved_kwh;
}

/* Why the overriding command is not carried out. */
static void tell_held_back(const struct gr_engine *engine, const struct gr_why *why,
                           const struct gr_override *asked, char held_back[GR_REASON_SIZE])
{
    char words[GR_REASON_SIZE];
    gr_why_hindrance(words, why, asked->command, engine->zone);
    (void)snprintf(held_back, GR_REASON_SIZE, "%s is not allowed now: %.200s",
                   gr_command_name(asked->command), words);
}

/* As asked, within the limits of the meter at this moment. A power that these cut is not followed in small
 * steps. */
static void wish_as_asked(const struct gr_engine *engine, int64_t now_s, const struct gr_seen *seen,
                          const struct gr_outlook *outlook, const struct gr_override *asked,
                          struct gr_wish *wish)
{
    double asked_kw = gr_override_power_kw(asked, &outlook->battery), floor_percent;
    bool powered = asked->command == GR_CHARGE || asked->command == GR_EXPORT;
    double power_kw = powered ? fit_power(engine, seen, asked->command, asked_kw) : 0;
    const struct gr_pacer *held = &engine->pacer;
    bool cut = power_kw < floor(asked_kw * 100 + 1e-6) / 100;
    wish->kind = powered && power_kw <= 0 ? GR_REST : asked->command;
    if (cut && held->any && held->kind == wish->kind && fabs(held->power_kw - power_kw) < same_power_kw &&
        !breaks_limit(engine, seen, held->kind, held->power_kw)) {
        power_kw = held->power_kw;
    }
    floor_percent = gr_engine_floor_percent(engine, now_s);
    wish->power_kw = power_kw;
    wish->asked = asked;
    wish->target_percent = wish->kind == GR_CHARGE || wish->kind == GR_STORE ? 100 : floor_percent;
    if (!isnan(asked->until_percent)) {
        wish->target_percent = wish->target_percent < 100 ? fmax(floor_percent, floor(asked->until_percent))
                                                          : ceil(asked->until_percent);
    }
    wish->forced = true;
    wish->gain = INFINITY; /* only the budget of changes stands above it */
}

/* From the live policy's choice to what is to be commanded, with its reasons. */
static void wish_best(struct gr_engine *engine, const struct gr_moment *now, const struct gr_seen *seen,
                      const struct gr_outlook *outlook, struct gr_choice *choice, struct gr_wish *out,
                      char held_back[GR_REASON_SIZE])
{
    enum gr_bar bar[GR_COMMAND_KINDS];
    find_bars(engine, now, seen, bar);
    enum gr_command_kind best =
        gr_engine_find_best(choice, engine->config.planning.least_gain_per_exported_kwh, outlook->hours, bar);
    best = stay_with_follow(&engine->pacer, choice, best, outlook->import_price, bar);
    bool powered = best == GR_CHARGE || best == GR_EXPORT;
    double power_kw = powered ? fit_power(engine, seen, best, choice->power_of[best]) : 0;
    *out = (struct gr_wish){.kind = power_kw > 0 || !powered ? best : GR_REST,
                            .power_kw = power_kw,
                            .hours = outlook->hours,
                            .worth_per_kwh = find_worth(outlook, choice->end_kwh[best])};
    out->target_percent = find_target(engine, now->utc_s, out->kind, choice->end_kwh[best]);
    compare_with_present(engine, seen, outlook, bar, choice->cost[best], out);
    const struct gr_override *asked = gr_overrides_command(&engine->overrides, now->utc_s);
    /* who asks for a command does not ask for its gain */
    bool heeded = asked && (bar[asked->command] == GR_BAR_NONE || bar[asked->command] == GR_BAR_LEAST_GAIN ||
                            bar[asked->command] == GR_BAR_TOO_LITTLE);
    if (heeded) {
        wish_as_asked(engine, now->utc_s, seen, outlook, asked, out);
    }
    if (engine->config.planning.brief) {
        return;
    }
    if (out->kind != best && !heeded) {
        bar[best] = best == GR_CHARGE ? GR_BAR_IMPORT_LIMIT : GR_BAR_EXPORT_LIMIT;
    }
    choice->kind = out->kind;
    choice->power_kw = out->power_kw;
    gr_engine_weigh(&out->why, engine, &engine->plan, 0, outlook, choice, bar);
    if (asked && !heeded) {
        tell_held_back(engine, &out->why, asked, held_back);
    }
}

int gr_engine_decide(struct gr_engine *engine, const struct gr_moment *now, const struct gr_seen *seen,
                     struct gr_wish *out, char held_back[GR_REASON_SIZE], struct gr_error *error)
{
    const struct gr_engine_plan *plan = &engine->plan;
    struct gr_outlook outlook = gr_engine_outlook(engine, plan, 0);
    struct outlook_samples samples;
    double hours = (double)(plan->horizon.bounds_s[1] - now->utc_s) / 3600;
    if (gather_samples(plan, seen, fmax(hours, 1.0 / 3600), &samples, &outlook) != GR_OK) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for a decision");
    }
    outlook.stored_kwh = seen->stored_kwh;
    if (plan->peak_kw) {
        outlook.import_soft_kw = gr_engine_peak_now_kw(engine, plan, now->utc_s);
    }
    outlook.battery.charge_kw = fmin(outlook.battery.charge_kw, seen->charge_available_kw);
    outlook.battery.discharge_kw = fmin(outlook.battery.discharge_kw, seen->discharge_available_kw);
    struct gr_choice choice;
    int status = gr_live_choose(&choice, &outlook, error);
    if (status == GR_OK) {
        wish_best(engine, now, seen, &outlook, &choice, out, held_back);
    }
    free(samples.room);
    return status;
}
