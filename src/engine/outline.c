/* What the plan says in a few figures, and when an appliance had best run. */
#include "engine/internal.h"

#include "granary/coupling.h"

#include <math.h>
#include <stdlib.h>

static const double least_load_kw = 0.01, most_hours = 999;

/* Seconds of a slot between two moments. */
static double overlap_s(const struct gr_plan_slot *slot, int64_t from_s, int64_t to_s)
{
    int64_t start_s = slot->start_s > from_s ? slot->start_s : from_s;
    int64_t end_s = slot->end_s < to_s ? slot->end_s : to_s;
    return end_s > start_s ? (double)(end_s - start_s) : 0;
}

/* NAN where the plan does not reach to the end. */
static double cost_between(const struct gr_plan_view *plan, int64_t from_s, int64_t to_s)
{
    double cost = 0;
    if (plan->count == 0 || plan->slots[plan->count - 1].end_s < to_s) {
        return NAN;
    }
    for (size_t t = 0; t < plan->count; t++) {
        const struct gr_plan_slot *slot = &plan->slots[t];
        cost += slot->cost * overlap_s(slot, from_s, to_s) / (double)(slot->end_s - slot->start_s);
    }
    return cost;
}

struct gr_outline gr_engine_outline(const struct gr_engine *engine, const struct gr_decision *decision,
                                    int64_t now_s)
{
    struct gr_plan_view plan = gr_engine_plan_view(engine);
    int64_t midnight_s = gr_zone_day_start_s(engine->zone, now_s, 1);
    const struct gr_site *site = &engine->config.site;
    double usable_kwh =
        -gr_site_drawn_kw(site, -decision->stored_kwh * site->battery.discharge_efficiency, 0);
    struct gr_outline out = {
        .next = decision->command.kind,
        .cost_today = cost_between(&plan, now_s, midnight_s),
        .cost_tomorrow = cost_between(&plan, midnight_s, gr_zone_day_start_s(engine->zone, now_s, 2)),
        .car_start_s = engine->plan.car_start_s,
        .car_end_s = engine->plan.car_end_s,
        .car_kw = engine->plan.car_kw,
        .car_cost = engine->plan.car_cost,
        .backup_hours = fmin(most_hours, usable_kwh / fmax(decision->house_kw, least_load_kw))};
    if (isnan(decision->stored_kwh) || isnan(decision->house_kw)) {
        out.backup_hours = NAN;
    }
    for (size_t t = 0; t < plan.count && out.next == decision->command.kind; t++) {
        bool other = plan.slots[t].kind != decision->command.kind && plan.slots[t].start_s > now_s;
        out.next = other ? plan.slots[t].kind : out.next;
        out.next_s = other ? plan.slots[t].start_s : plan.slots[t].end_s;
    }
    return out;
}

/* ---- what was spent ---- */

static const int64_t longest_gap_s = 900;

struct gr_spent gr_spent_begin(int64_t midnight_s)
{
    return (struct gr_spent){.from_s = midnight_s, .until_s = midnight_s};
}

static double price_at(const struct gr_engine *engine, enum gr_direction direction, int64_t at_s)
{
    struct gr_price price;
    int status = gr_tariff_at(gr_engine_tariff(engine, direction), engine->zone, at_s, &price);
    return status == GR_OK && !price.expected ? price.price_per_kwh : NAN;
}

/* Money an hour; NAN where readings or a price are missing. */
static double rate_of(const struct gr_engine *engine, const struct gr_slot_record *means)
{
    const struct gr_battery *battery = &engine->config.site.battery;
    double car_kw = isnan(means->car_kw) ? 0 : means->car_kw;
    double drawn_kw = gr_site_drawn_kw(&engine->config.site, means->battery_kw, means->solar_kw);
    double balance_kw = means->house_kw + car_kw + drawn_kw;
    double grid_kw = isnan(means->grid_kw) ? balance_kw : means->grid_kw;
    double given_kw = fmax(0, -means->battery_kw);
    double price = price_at(engine, grid_kw > 0 ? GR_IMPORT : GR_EXPORT_DIRECTION, means->start_s);
    struct gr_curve steps = gr_curve_of(&engine->config.site.curves.wear_steps);
    double level_kwh = means->state_of_charge_percent / 100 * battery->capacity_kwh;
    double by_level =
        given_kw > 0 && steps.count > 0
            ? gr_curve_steps(&steps, level_kwh - given_kw / battery->discharge_efficiency, level_kwh)
            : 0;
    return price * grid_kw + battery->wear_per_kwh * given_kw + by_level;
}

void gr_engine_spend(const struct gr_engine *engine, struct gr_spent *spent,
                     const struct gr_slot_record *means)
{
    double rate = rate_of(engine, means);
    int64_t end_s = means->start_s + GR_FINE_STEP_S;
    if (isnan(rate) || end_s <= spent->until_s) {
        return;
    }
    if (means->start_s - spent->until_s > longest_gap_s) {
        *spent = gr_spent_begin(means->start_s);
    }
    spent->per_s = rate / 3600;
    spent->cost += spent->per_s * (double)(end_s - spent->until_s);
    spent->until_s = end_s;
}

void gr_spent_end(struct gr_spent *spent, int64_t now_s)
{
    if (now_s - spent->until_s > longest_gap_s) {
        *spent = gr_spent_begin(now_s);
    }
    spent->cost += spent->per_s * (double)(now_s - spent->until_s);
    spent->until_s = now_s;
}

/* ---- a run ---- */

/* Least cost of a slot and all that follows, on the mean of the paths, with so much more load. */
static int cost_of_slot(const struct gr_engine *engine, size_t t, double more_kw, double *cost)
{
    const struct gr_engine_plan *plan = &engine->plan;
    struct gr_outlook outlook = gr_engine_outlook(engine, plan, t);
    struct gr_choice choice;
    double house_kw, solar_kw, car_kw = 0, weight = 1;
    gr_paths_mean(&plan->paths, t, &house_kw, &solar_kw);
    house_kw += more_kw;
    outlook.hours = plan->horizon.hours[t];
    outlook.samples = 1;
    outlook.house_kw = &house_kw;
    outlook.car_kw = &car_kw;
    outlook.solar_kw = &solar_kw;
    outlook.weight = &weight;
    outlook.ready_for = 0;
    double before_kwh = t > 0 ? plan->slots[t - 1].stored_kwh : plan->start_kwh;
    outlook.stored_kwh = fmin(fmax(before_kwh, 0), outlook.battery.capacity_kwh);
    int status = gr_live_choose(&choice, &outlook, NULL);
    *cost = status == GR_OK ? choice.cost[choice.kind] : 0;
    return status;
}

/* What the run adds to the cost of each whole slot, in money; to be freed. */
static double *find_extra(const struct gr_engine *engine, double kw)
{
    size_t slots = engine->plan.horizon.slots;
    double *extra = calloc(slots, sizeof *extra);
    for (size_t t = 0; extra && t < slots; t++) {
        double with, without;
        if (cost_of_slot(engine, t, kw, &with) != GR_OK || cost_of_slot(engine, t, 0, &without) != GR_OK) {
            free(extra);
            return NULL;
        }
        extra[t] = with - without;
    }
    return extra;
}

static double cost_of_run(const struct gr_plan_view *plan, const double *extra, int64_t start_s,
                          int64_t end_s)
{
    double cost = 0;
    for (size_t t = 0; t < plan->count; t++) {
        const struct gr_plan_slot *slot = &plan->slots[t];
        cost += extra[t] * overlap_s(slot, start_s, end_s) / (double)(slot->end_s - slot->start_s);
    }
    return cost;
}

int gr_engine_run(const struct gr_engine *engine, const struct gr_run *run, struct gr_run_choice *out,
                  struct gr_error *error)
{
    struct gr_plan_view plan = gr_engine_plan_view(engine);
    int64_t length_s = llround(run->hours * 3600);
    int64_t end_s = plan.count ? plan.slots[plan.count - 1].end_s : 0;
    int64_t last_s = (run->ready_by_s < end_s ? run->ready_by_s : end_s) - length_s;
    if (plan.count == 0 || last_s < run->earliest_s || run->earliest_s < plan.slots[0].start_s) {
        return gr_error_set(error, GR_NOT_FOUND, "a run of %g h does not fit into the plan and its time",
                            run->hours);
    }
    double *extra = find_extra(engine, run->kw);
    if (!extra) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for a run");
    }
    out->start_s = run->earliest_s;
    out->cost = out->cost_now = cost_of_run(&plan, extra, run->earliest_s, run->earliest_s + length_s);
    for (size_t t = 0; t < plan.count; t++) {
        int64_t start_s = plan.slots[t].start_s;
        double cost = cost_of_run(&plan, extra, start_s, start_s + length_s);
        if (start_s > run->earliest_s && start_s <= last_s && cost < out->cost - 1e-9) {
            out->start_s = start_s;
            out->cost = cost;
        }
    }
    free(extra);
    return GR_OK;
}
