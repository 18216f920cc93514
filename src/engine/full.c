/* A full charge every so many days, by which the battery's cells are balanced: from when the days count, and
 * by which slots of a plan they are over. */
#include "engine/internal.h"

#include "granary/coupling.h"

#include <math.h>

static const int64_t day_s = 86400;
static const int64_t same_moment_s = 3600; /* while it stays full nothing begins anew */
static const int64_t patience_s = 86400;   /* for which a full charge that is due is sought */
static const double most_hours = 96;       /* the longest horizon */
static const double beyond_percent = 0.5;  /* aimed higher than what counts: a reading may be rounded */

static bool is_wanted(const struct gr_engine *engine)
{
    return engine->config.planning.full_every_days > 0;
}

static int64_t window_s(const struct gr_engine *engine)
{
    return engine->config.planning.full_every_days * day_s;
}

double gr_engine_full_kwh(const struct gr_engine_config *config)
{
    return fmin(100, config->planning.full_percent + beyond_percent) / 100 *
           config->site.battery.capacity_kwh;
}

/* A battery that was never seen full has its days counted from the first look at it. What a clock put into
 * the future is counted from now. */
void gr_engine_note_full(struct gr_engine *engine, const struct gr_moment *now, double percent)
{
    struct gr_fullness *full = &engine->full;
    if (!is_wanted(engine) || isnan(percent)) {
        return;
    }
    bool is_full = percent >= engine->config.planning.full_percent;
    bool given_up = full->since_s > 0 && now->utc_s - full->since_s >= window_s(engine) + patience_s;
    if (is_full || given_up || full->since_s <= 0 || full->since_s > now->utc_s) {
        engine->replan = engine->replan || now->utc_s - full->since_s >= same_moment_s;
        *full = (struct gr_fullness){.since_s = now->utc_s, .known = is_full || given_up};
    }
}

int gr_engine_take_full(struct gr_engine *engine, const struct gr_event *event, struct gr_error *error)
{
    int64_t since_s = event->of.full.since_s;
    if (since_s <= 0 || since_s > event->at.utc_s) {
        return gr_error_set(error, GR_INVALID, "a full charge that is not of the past");
    }
    if (!engine->full.known || since_s > engine->full.since_s) {
        engine->full = (struct gr_fullness){.since_s = since_s, .known = true};
        engine->replan = true;
    }
    return GR_OK;
}

/* At the greatest power from now on. */
static double hours_to_full(const struct gr_engine *engine, double stored_kwh)
{
    enum { STEPS = 50 };
    const struct gr_engine_config *config = &engine->config;
    const struct gr_battery *battery = &config->site.battery;
    double most_kw = fmin(battery->charge_kw, engine->temperature_kw);
    struct gr_curve power = gr_curve_of(&config->site.curves.charge_power),
                    loss = gr_curve_of(&config->site.curves.charge_loss);
    double step_kwh = fmax(0, gr_engine_full_kwh(config) - stored_kwh) / STEPS, hours = 0;
    for (int i = 0; i < STEPS; i++) {
        double kwh = stored_kwh + (i + 0.5) * step_kwh;
        double kw = fmax(1e-3, fmin(most_kw, gr_site_most_charge_kw(&config->site, 0)));
        kw = power.count > 0 ? fmin(kw, gr_curve_value(&power, kwh)) : kw;
        hours +=
            step_kwh / (loss.count > 0 ? gr_curve_stored_kw(&loss, kw) : kw * battery->charge_efficiency);
    }
    return hours < most_hours ? hours : most_hours; /* no power at all too */
}

/* Where the days are over, or too little of them is left, there is just time enough: the battery is charged
 * as fast as it can be, turn after turn. */
void gr_engine_find_full(const struct gr_engine *engine, struct gr_engine_plan *plan)
{
    const struct gr_horizon *horizon = &plan->horizon;
    plan->full_windows = 0;
    if (!is_wanted(engine) || engine->full.since_s <= 0) {
        return;
    }
    int64_t due_s = engine->full.since_s + window_s(engine);
    int64_t soonest_s = horizon->bounds_s[0] + (int64_t)(3600 * hours_to_full(engine, plan->start_kwh));
    plan->full_due = due_s <= soonest_s;
    due_s = plan->full_due ? soonest_s : due_s;
    size_t t = 0;
    for (; due_s <= horizon->bounds_s[horizon->slots] && plan->full_windows < GR_MOST_FULL_WINDOWS;
         due_s += window_s(engine)) {
        while (t + 1 < horizon->slots && horizon->bounds_s[t + 2] <= due_s) {
            t++;
        }
        if (plan->full_windows == 0 || t > plan->full_by[plan->full_windows - 1]) {
            plan->full_by[plan->full_windows++] = t;
        }
    }
}

void gr_engine_carry_full(const struct gr_engine_config *config, struct gr_engine_plan *plan, size_t t,
                          double stored_kwh)
{
    bool ends = false, been = plan->been_full[t];
    for (size_t w = 0; w < plan->full_windows; w++) {
        ends = ends || plan->full_by[w] == t;
    }
    double slack_kwh = 1e-6 * config->site.battery.capacity_kwh;
    plan->been_full[t + 1] = !ends && (been || stored_kwh >= gr_engine_full_kwh(config) - slack_kwh);
}
