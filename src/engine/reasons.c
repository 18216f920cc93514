/* The reasons of the engine: what it knows of a slot goes into granary/why.h, and the words come back. */
#include "engine/internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double moves_kw = 0.05; /* a battery that does less rests */
static const double least_command_kw = 0.05;
static const double bought_least = 5e-3; /* of capacity */
static const double least_told = 5e-5;   /* money */

static void take_higher(struct gr_kept *kept, enum gr_kept_kind kind, double percent, int64_t until_s)
{
    if (percent > kept->percent) {
        *kept = (struct gr_kept){.kind = kind, .percent = percent, .until_s = until_s};
    }
}

/* The highest of what has to be kept from a moment to the horizon's end. A wish that holds for a while is one
 * for its beginning, then for its end. */
static struct gr_kept find_kept(const struct gr_engine *engine, const struct gr_engine_plan *plan,
                                size_t slot)
{
    const struct gr_overrides *overrides = &plan->overrides;
    int64_t at_s = plan->horizon.bounds_s[slot], horizon_s = plan->horizon.bounds_s[plan->horizon.slots];
    const struct gr_engine_config *config = &engine->config;
    const struct gr_override *wish = &overrides->of[GR_OVERRIDE_WISH];
    struct gr_kept kept = {.kind = GR_KEPT_RESERVE, .percent = config->site.reserve_percent};
    take_higher(&kept, GR_KEPT_FLOOR, config->planning.floor_percent, 0);
    take_higher(&kept, GR_KEPT_ASKED, gr_overrides_reserve_percent(overrides, at_s),
                overrides->of[GR_OVERRIDE_RESERVE].until_s);
    if (overrides->active[GR_OVERRIDE_WISH] && wish->until_s > at_s && wish->until_s <= horizon_s) {
        take_higher(&kept, GR_KEPT_WISH, wish->value, wish->until_s);
    }
    for (size_t i = 0; i < overrides->window_count; i++) {
        const struct gr_window *window = &overrides->windows[i];
        if (window->kind == GR_WINDOW_STATE_OF_CHARGE && window->end_s > at_s &&
            window->start_s <= horizon_s) {
            take_higher(&kept, GR_KEPT_WISH, window->value,
                        window->start_s > at_s ? window->start_s : window->end_s);
        }
    }
    for (size_t i = 0; i < plan->full_windows; i++) {
        bool met = plan->been_full && plan->been_full[slot];
        if (plan->full_by[i] >= slot && !met) {
            double percent = 100 * gr_engine_full_kwh(config) / config->site.battery.capacity_kwh;
            take_higher(&kept, GR_KEPT_FULL, percent, plan->horizon.bounds_s[plan->full_by[i] + 1]);
            break;
        }
    }
    return kept;
}

/* Whether prices of a slot are not those of the tariff alone. */
static bool has_announced_price(const struct gr_overrides *overrides, int64_t from_s, int64_t to_s)
{
    const double none = 1e6; /* no price that could be announced */
    double import_price = none, export_price = none;
    gr_overrides_price(overrides, from_s, to_s, &import_price, &export_price);
    return import_price != none || export_price != none;
}

/* What the export would have been, where only the time of day or somebody's wish keeps it. */
static void add_barred_export(const struct gr_outlook *outlook, struct gr_choice *choice)
{
    struct gr_outlook freed = *outlook;
    struct gr_choice other;
    freed.may_export = true;
    if (gr_live_choose(&other, &freed, NULL) == GR_OK) {
        choice->cost[GR_EXPORT] = other.cost[GR_EXPORT];
        choice->power_of[GR_EXPORT] = other.power_of[GR_EXPORT];
    }
}

void gr_engine_weigh(struct gr_why *out, const struct gr_engine *engine, const struct gr_engine_plan *plan,
                     size_t slot, const struct gr_outlook *outlook, const struct gr_choice *choice,
                     const enum gr_bar bar[GR_COMMAND_KINDS])
{
    const struct gr_planning *planning = &engine->config.planning;
    struct gr_choice all = *choice;
    /* Losses make a stored kWh worth a little more than that, at
     * part load by more than the efficiency says. */
    double dearest = plan->dearest_per_kwh /
                     fmin(outlook->battery.charge_efficiency, outlook->battery.discharge_efficiency);
    const struct gr_why_marks marks = {.cycle_price = plan->cycle_price,
                                       .carbon_price = plan->horizon.carbon_price[slot],
                                       .carbon_credit = plan->horizon.carbon_credit[slot],
                                       .dearest_per_kwh = 1.3 * (dearest + outlook->battery.wear_per_kwh)};
    if (bar[GR_EXPORT] == GR_BAR_EXPORT_HOURS || bar[GR_EXPORT] == GR_BAR_EXPORT_ASKED) {
        add_barred_export(outlook, &all);
    }
    gr_why_weigh(out, outlook, &all, &marks);
    out->start_s = plan->horizon.bounds_s[slot];
    out->end_s = plan->horizon.bounds_s[slot + 1];
    out->expected_price = plan->horizon.expected[slot];
    out->kept = find_kept(engine, plan, slot);
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        struct gr_alternative *of = &out->of[kind];
        of->bar = bar[kind] != GR_BAR_NONE ? bar[kind] : of->bar;
        if (of->breach == GR_BREACH_KEPT && !(out->kept.percent > 0)) {
            of->breach = GR_BREACH_IMPORT_LIMIT; /* nothing else can want energy at any price */
        }
    }
    out->announced_price = has_announced_price(&plan->overrides, out->start_s, out->end_s);
    out->ready_cost = outlook->ready_for * outlook->hours;
    bool is_cold = engine->temperature_kw < engine->config.site.battery.charge_kw;
    out->temperature_kw = is_cold ? engine->temperature_kw : 0;
    if (is_cold && outlook->battery.charge_kw < least_command_kw) {
        out->of[GR_CHARGE].bar = GR_BAR_TEMPERATURE;
    }
    out->least_gain_per_kwh = planning->least_gain_per_exported_kwh;
}

/* Whether prices that are not published lie behind what is stored or given after a slot. */
static void find_later_prices(const struct gr_engine_plan *plan, size_t slot, struct gr_why *why)
{
    bool found[2] = {false, false};
    for (size_t t = slot + 1; t < plan->horizon.slots && !(found[0] && found[1]); t++) {
        double battery_kw = plan->slots[t].battery_kw;
        int way = battery_kw > 0;
        if (fabs(battery_kw) > moves_kw && !found[way]) {
            found[way] = true;
            why->later_expected[way] = plan->slots[t].expected_price;
        }
    }
}

/* How long the import price stays, and what is worth then what the plan has bought until then. */
static void find_same_price(const struct gr_engine_plan *plan, size_t slot, struct gr_why *why)
{
    const struct gr_horizon *horizon = &plan->horizon;
    size_t last = slot;
    while (last + 1 < horizon->slots && horizon->import_price[last + 1] == horizon->import_price[slot]) {
        last++;
    }
    const struct gr_value *value = &plan->values.value[last];
    double bought_kwh = plan->slots[last].stored_kwh - why->stored_kwh;
    if (last > slot && bought_kwh > bought_least * why->capacity_kwh) {
        why->same_until_s = horizon->bounds_s[last + 1];
        why->same_worth =
            (gr_value_at(value, why->stored_kwh) - gr_value_at(value, plan->slots[last].stored_kwh)) /
            bought_kwh;
    }
}

/* Whether the plan gives nothing before what has to be kept is met: a wish at its time, a full charge once
 * the battery is full. */
static bool is_towards(const struct gr_engine_plan *plan, size_t slot, const struct gr_kept *kept)
{
    if (kept->kind != GR_KEPT_WISH && kept->kind != GR_KEPT_FULL) {
        return false;
    }
    for (size_t t = slot; t < plan->horizon.slots && plan->slots[t].start_s < kept->until_s; t++) {
        if (plan->slots[t].battery_kw < -moves_kw) {
            return false;
        }
        if (kept->kind == GR_KEPT_FULL && plan->been_full && plan->been_full[t + 1]) {
            return true;
        }
    }
    return true;
}

static void look_ahead(const struct gr_engine_plan *plan, size_t slot, struct gr_why *why)
{
    if (plan->slots) {
        why->towards_kept = is_towards(plan, slot, &why->kept);
        find_later_prices(plan, slot, why);
        find_same_price(plan, slot, why);
    }
}

/* What was asked for, and what it costs. */
static void explain_asked(char out[GR_REASON_SIZE], const struct gr_override *asked, const struct gr_why *why)
{
    struct gr_verdict verdict = gr_why_judge(why);
    gr_override_describe(out, GR_REASON_SIZE, asked);
    if (verdict.any && verdict.next_more <= -least_told) {
        size_t used = strlen(out);
        (void)snprintf(out + used, GR_REASON_SIZE - used, "; %s would cost %.4f less",
                       gr_command_name(verdict.next), -verdict.next_more);
    }
}

void gr_engine_give_reasons(const struct gr_engine *engine, struct gr_engine_plan *plan)
{
    for (size_t t = 0; t < plan->horizon.slots; t++) {
        struct gr_plan_slot *slot = &plan->slots[t];
        struct gr_why *why = &plan->why[t];
        const struct gr_override *asked = gr_overrides_command(&plan->overrides, slot->start_s);
        double percent = 100 * why->stored_kwh / why->capacity_kwh;
        struct gr_verdict verdict = gr_why_judge(why);
        look_ahead(plan, t, why);
        slot->has_next = verdict.any;
        slot->next_best = verdict.next;
        slot->next_best_more = verdict.next_more;
        if (asked && !gr_override_is_over(asked, slot->start_s, percent)) {
            explain_asked(slot->reason, asked, why);
        } else {
            gr_why_text(slot->reason, why, engine->zone);
        }
    }
}

/* A better command has to wait. */
static void explain_kept(char out[GR_REASON_SIZE], const struct gr_engine *engine, const struct gr_wish *wish)
{
    const struct gr_safety *safety = &engine->config.safety;
    const struct gr_pacer *pacer = &engine->pacer;
    const char *kept = gr_command_name(pacer->kind), *better = gr_command_name(wish->kind);
    const struct gr_alternative *of = &wish->why.of[pacer->kind];
    char what[64], wait[64];
    if (of->breach != GR_BREACH_NONE || isinf(of->more)) {
        (void)snprintf(what, sizeof what, "be better, but");
    } else if (of->more < least_told) {
        (void)snprintf(what, sizeof what, "cost the same, and");
    } else {
        (void)snprintf(what, sizeof what, "cost %.4f less, but", of->more);
    }
    if (gr_pacer_gains(pacer, safety, wish->gain)) {
        (void)snprintf(wait, sizeof wait, "a command stays for %.3g min", safety->dwell_s / 60.0);
    } else {
        (void)snprintf(wait, sizeof wait, "a change of command must gain %.4f", safety->least_gain);
    }
    (void)snprintf(out, GR_REASON_SIZE, "%s for now: %s would %s %s", kept, better, what, wait);
}

void gr_engine_explain(char out[GR_REASON_SIZE], const struct gr_engine *engine, const struct gr_wish *wish,
                       bool kept)
{
    struct gr_why why = wish->why;
    if (engine->config.planning.brief) {
        (void)snprintf(out, GR_REASON_SIZE, "as planned");
    } else if (wish->asked) {
        explain_asked(out, wish->asked, &why);
    } else if (kept && engine->pacer.kind != wish->kind) {
        explain_kept(out, engine, wish);
    } else {
        look_ahead(&engine->plan, 0, &why);
        gr_why_text(out, &why, engine->zone);
    }
}
