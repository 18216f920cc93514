/* Runs held against each other: which is cheapest, by how much, what a battery brings. */
#include "tool/backtest.h"

#include <math.h>

static const double days_of_year = 365;

/* Without a battery its size makes no difference: the first stands for all. */
bool gr_bt_is_row(const struct gr_bt_scene *scene, const struct gr_bt_run *run)
{
    bool first_size = run->capacity_kwh == scene->battery_kwh[0];
    return run->shown && (run->strategy->kind != GR_STRATEGY_NONE || first_size);
}

static bool fits(const struct gr_bt_scene *scene, const struct gr_bt_run *run, const struct gr_bt_pick *pick)
{
    bool real = run->strategy->kind != GR_STRATEGY_FORESIGHT || pick->strategy;
    return gr_bt_is_row(scene, run) && real && (!pick->tariff || pick->tariff == run->tariff) &&
           (!pick->but_tariff || pick->but_tariff != run->tariff) &&
           (!pick->strategy || pick->strategy == run->strategy) &&
           (!(pick->battery_kwh > 0) || pick->battery_kwh == run->capacity_kwh ||
            run->strategy->kind == GR_STRATEGY_NONE);
}

const struct gr_bt_run *gr_bt_cheapest(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                                       struct gr_bt_pick pick)
{
    const struct gr_bt_run *best = NULL;
    for (size_t i = 0; i < runs->count; i++) {
        const struct gr_bt_run *run = &runs->run[i];
        if (fits(scene, run, &pick) && (!best || run->result.total_cost < best->result.total_cost)) {
            best = run;
        }
    }
    return best;
}

const struct gr_bt_run *gr_bt_cheapest_battery(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                                               const struct gr_backtest_tariff *tariff, double battery_kwh)
{
    const struct gr_bt_run *best = NULL;
    for (size_t i = 0; i < scene->shown; i++) {
        const struct gr_strategy *strategy = &scene->strategy[i];
        if (strategy->kind != GR_STRATEGY_NONE && strategy->kind != GR_STRATEGY_FORESIGHT) {
            const struct gr_bt_run *run = gr_bt_cheapest(
                scene, runs,
                (struct gr_bt_pick){.tariff = tariff, .strategy = strategy, .battery_kwh = battery_kwh});
            best = !best || run->result.total_cost < best->result.total_cost ? run : best;
        }
    }
    return best;
}

struct gr_bt_ranking gr_bt_rank(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                                struct gr_bt_pick pick)
{
    struct gr_bt_ranking ranking = {.best = gr_bt_cheapest(scene, runs, pick)};
    if (ranking.best) {
        pick.but_tariff = ranking.best->tariff;
        ranking.next = gr_bt_cheapest(scene, runs, pick);
    }
    return ranking;
}

/* Whether no other tariff, run at its best, was cheaper in the month. */
static bool wins_month(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                       const struct gr_bt_run *best, size_t month)
{
    double cost = gr_backtest_cost(&best->result.months[month]);
    for (size_t t = 0; t < scene->tariffs; t++) {
        const struct gr_bt_run *other =
            gr_bt_cheapest(scene, runs, (struct gr_bt_pick){.tariff = &scene->tariff[t]});
        if (other && other != best && gr_backtest_cost(&other->result.months[month]) < cost) {
            return false;
        }
    }
    return true;
}

size_t gr_bt_months_won(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                        const struct gr_bt_run *best)
{
    size_t won = 0;
    for (size_t i = 0; i < best->result.month_count; i++) {
        won += wins_month(scene, runs, best, i);
    }
    return won;
}

/* ---- what the battery brings ---- */

double gr_bt_foresight_gain(const struct gr_bt_run *run)
{
    return gr_backtest_measure(&run->follow->result) - gr_backtest_measure(&run->foresight->result);
}

const struct gr_bt_run *gr_bt_unproven(const struct gr_bt_runs *runs)
{
    const struct gr_bt_run *worst = NULL;
    for (size_t i = 0; i < runs->count; i++) {
        const struct gr_bt_run *run = &runs->run[i];
        bool open =
            run->strategy->kind == GR_STRATEGY_FORESIGHT && !gr_backtest_foresight_is_bound(&run->result);
        worst = open && (!worst || run->result.may_be_less > worst->result.may_be_less) ? run : worst;
    }
    return worst;
}

double gr_bt_telling_share(const struct gr_bt_run *run)
{
    static const double most = 10;
    bool telling = run->strategy->kind != GR_STRATEGY_NONE && fabs(run->share_of_foresight) < most;
    return telling ? run->share_of_foresight : NAN;
}

double gr_bt_saving(const struct gr_bt_run *run)
{
    return run->none->result.total_cost - run->result.total_cost;
}

double gr_bt_saving_share(const struct gr_bt_run *run)
{
    double most = gr_bt_saving(run->foresight);
    return most > 1e-6 ? gr_bt_saving(run) / most : NAN;
}

double gr_bt_saving_per_year(const struct gr_bt_run *run)
{
    const struct gr_backtest_sums *total = &run->result.total;
    return total->days > 0 ? (gr_bt_saving(run) + total->wear_cost) * days_of_year / total->days : NAN;
}

double gr_bt_cycles_per_year(const struct gr_bt_run *run)
{
    return run->result.total.days > 0 ? run->result.cycles * days_of_year / run->result.total.days : NAN;
}

double gr_bt_battery_price(const struct gr_bt_scene *scene, const struct gr_bt_run *run)
{
    for (size_t i = 0; i < scene->sizes; i++) {
        if (scene->battery_kwh[i] == run->capacity_kwh && run->strategy->kind != GR_STRATEGY_NONE) {
            return scene->battery_price[i];
        }
    }
    return NAN;
}

double gr_bt_payback_years(const struct gr_bt_scene *scene, const struct gr_bt_run *run)
{
    double saving = gr_bt_saving_per_year(run);
    return saving > 0 ? gr_bt_battery_price(scene, run) / saving : NAN;
}

const struct gr_bt_run *gr_bt_soonest_paid(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs)
{
    const struct gr_bt_run *best = NULL;
    double least = INFINITY;
    for (size_t i = 0; i < runs->count; i++) {
        const struct gr_bt_run *run = &runs->run[i];
        bool real = gr_bt_is_row(scene, run) && run->strategy->kind != GR_STRATEGY_FORESIGHT;
        double years = gr_bt_payback_years(scene, run);
        if (real && years < least) {
            least = years;
            best = run;
        }
    }
    return best;
}
