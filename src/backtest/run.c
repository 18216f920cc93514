#include "backtest/parts.h"

#include "granary/civil.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double start_share = 0.5; /* of the capacity stored at the start, unless the reserve is more */
static const size_t report_every = 256;

/* ---- physics ---- */

double gr_backtest_stored_before(const struct gr_backtest_work *work, size_t i)
{
    return i == 0 ? work->start_kwh : work->steps[i - 1].stored_kwh;
}

double gr_backtest_carbon_price(const struct gr_backtest_work *work, const struct gr_backtest_step *step)
{
    double kg = step->carbon_kg_per_kwh;
    return isnan(kg) ? 0 : work->config.planning.carbon_price_per_kg * kg;
}

void gr_backtest_skip(struct gr_backtest_work *work, size_t i)
{
    work->steps[i].kind = GR_REST;
    work->steps[i].stored_kwh = gr_backtest_stored_before(work, i);
}

void gr_backtest_act(struct gr_backtest_work *work, size_t i, enum gr_command_kind kind, double power_kw)
{
    struct gr_backtest_step *step = &work->steps[i];
    const struct gr_grid *grid = &work->config.site.grid;
    struct gr_outlook outlook = {.hours = gr_backtest_hours(work),
                                 .import_price = step->import_price,
                                 .export_price = step->export_price,
                                 .stored_kwh = gr_backtest_stored_before(work, i),
                                 .floor_kwh = work->floor_kwh,
                                 .battery = work->battery,
                                 .import_limit_kw = grid->import_limit_kw,
                                 .export_limit_kw = grid->export_limit_kw,
                                 .curtailable = grid->solar_curtailable,
                                 .penalty_per_kwh = work->penalty_per_kwh,
                                 .dc_coupled = work->config.site.dc_coupled,
                                 .inverter = work->config.site.inverter};
    gr_outlook_take_curves(&outlook, &work->config.site.curves);
    struct gr_band_result result;
    struct gr_band band =
        gr_command_band(kind, power_kw, work->battery.charge_kw, work->battery.discharge_kw);
    gr_band_apply(&result, &outlook, band, step->house_kw, 0, step->solar_kw);
    step->kind = kind;
    step->power_kw = power_kw;
    step->battery_kw = result.battery_kw;
    step->grid_kw = result.grid_kw;
    step->curtail_kw = result.curtail_kw;
    step->stored_kwh = result.stored_kwh;
    step->wear_by_level = result.wear_by_level;
}

void gr_backtest_report(struct gr_backtest_work *work, size_t done)
{
    const struct gr_backtest *backtest = work->backtest;
    bool due = done - work->reported >= report_every || done == work->count;
    if (backtest->progress && due && done > work->reported) {
        backtest->progress(backtest->progress_context, done - work->reported);
        work->reported = done;
    }
}

/* ---- the simplest strategies ---- */

static void keep_to(struct gr_backtest_work *work, enum gr_command_kind kind)
{
    for (size_t i = 0; i < work->count; i++) {
        if (work->steps[i].gap) {
            gr_backtest_skip(work, i);
        } else {
            gr_backtest_act(work, i, kind, 0);
        }
        gr_backtest_report(work, i + 1);
    }
}

static int live_through(struct gr_backtest_work *work, struct gr_error *error)
{
    switch (work->backtest->strategy->kind) {
    case GR_STRATEGY_NIGHT_FILL:
        return gr_backtest_night_fill(work, error);
    case GR_STRATEGY_PLANNED:
        return gr_backtest_planned(work, error);
    case GR_STRATEGY_FORESIGHT:
        return gr_backtest_foresight(work, error);
    case GR_STRATEGY_NONE:
        keep_to(work, GR_REST);
        return GR_OK;
    case GR_STRATEGY_FOLLOW:
    case GR_STRATEGY_KINDS:
        break;
    }
    keep_to(work, GR_FOLLOW);
    return GR_OK;
}

/* ---- the period ---- */

static int check_period(const struct gr_backtest *backtest, struct gr_error *error)
{
    const struct gr_usage *usage = backtest->usage;
    const struct gr_peak_charge *peak = &backtest->tariff->peak;
    int64_t end_s = usage->start_s + (int64_t)usage->count * usage->step_s;
    if (!usage->load_kw) {
        return gr_error_set(error, GR_INVALID, "the usage has no load: there is nothing to bill");
    }
    if (backtest->from_s < usage->start_s || backtest->to_s > end_s || backtest->from_s >= backtest->to_s ||
        (backtest->from_s - usage->start_s) % usage->step_s != 0 ||
        (backtest->to_s - usage->start_s) % usage->step_s != 0) {
        char from[GR_RFC3339_SIZE], to[GR_RFC3339_SIZE];
        return gr_error_set(
            error, GR_INVALID,
            "the period is not one of whole steps inside the usage, which reaches from %s to %s",
            gr_rfc3339_format(from, usage->start_s), gr_rfc3339_format(to, end_s));
    }
    if (!(backtest->capacity_kwh > 0)) {
        return gr_error_set(error, GR_INVALID, "battery: found %.6g kWh; allowed: more than 0",
                            backtest->capacity_kwh);
    }
    if (peak->any && (peak->minutes * 60) % usage->step_s != 0) {
        return gr_error_set(
            error, GR_INVALID,
            "tariff \"%s\": peaks are means over %d minutes, which steps of %d minutes cannot tell",
            backtest->tariff->name, peak->minutes, usage->step_s / 60);
    }
    return GR_OK;
}

static void fill_usage(const struct gr_usage *usage, size_t number, struct gr_backtest_step *step)
{
    step->start_s = usage->start_s + (int64_t)number * usage->step_s;
    step->house_kw = usage->load_kw[number];
    step->solar_kw = usage->solar_kw ? usage->solar_kw[number] : 0;
    step->gap = isnan(step->house_kw) || isnan(step->solar_kw);
    if (step->gap) {
        step->house_kw = step->solar_kw = 0;
    }
}

static int fill_prices(const struct gr_backtest *backtest, struct gr_backtest_step *step,
                       struct gr_error *error)
{
    int64_t end_s = step->start_s + backtest->usage->step_s, missing_s;
    const struct gr_backtest_tariff *tariff = backtest->tariff;
    if (gr_backtest_price(&tariff->import, backtest->zone, step->start_s, end_s, &step->import_price,
                          &missing_s) != GR_OK ||
        gr_backtest_price(&tariff->export, backtest->zone, step->start_s, end_s, &step->export_price,
                          &missing_s) != GR_OK) {
        return gr_backtest_tariff_check(tariff, backtest->zone, step->start_s, backtest->to_s, error);
    }
    step->carbon_kg_per_kwh = NAN;
    if (tariff->carbon.count > 0 && gr_backtest_price(&tariff->carbon, backtest->zone, step->start_s, end_s,
                                                      &step->carbon_kg_per_kwh, &missing_s) != GR_OK) {
        return gr_backtest_tariff_check(tariff, backtest->zone, step->start_s, backtest->to_s, error);
    }
    return GR_OK;
}

static int lay_out(struct gr_backtest_work *work, struct gr_error *error)
{
    const struct gr_backtest *backtest = work->backtest;
    const struct gr_usage *usage = backtest->usage;
    size_t first = (size_t)((backtest->from_s - usage->start_s) / usage->step_s);
    double price_sum = 0, greatest = 0, greatest_carbon = 0;
    work->count = (size_t)((backtest->to_s - backtest->from_s) / usage->step_s);
    work->steps = calloc(work->count, sizeof *work->steps);
    work->result->steps = work->steps;
    work->result->step_count = work->count;
    if (!work->steps) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for %zu steps", work->count);
    }
    for (size_t i = 0; i < work->count; i++) {
        struct gr_backtest_step *step = &work->steps[i];
        fill_usage(usage, first + i, step);
        int rc = fill_prices(backtest, step, error);
        if (rc != GR_OK) {
            return rc;
        }
        price_sum += step->import_price;
        greatest = fmax(greatest, fmax(fabs(step->import_price), fabs(step->export_price)));
        greatest_carbon = fmax(greatest_carbon, gr_backtest_carbon_price(work, step));
    }
    work->penalty_per_kwh = fmax(20 * (greatest + greatest_carbon), 1e-3);
    work->left_per_kwh =
        fmax(0, price_sum / (double)work->count) * backtest->config->site.battery.discharge_efficiency;
    return GR_OK;
}

/* The battery's own wear counts in every bill; the planner may be told another. `follow` and the others
 * without a plan keep the strategy's reserve as well. */
static int prepare(struct gr_backtest_work *work, struct gr_error *error)
{
    const struct gr_backtest *backtest = work->backtest;
    work->config = *backtest->config;
    work->battery = backtest->config->site.battery;
    work->battery.capacity_kwh = backtest->capacity_kwh;
    int rc = gr_strategy_apply(&work->config, backtest->strategy, error);
    if (rc != GR_OK) {
        return rc;
    }
    work->config.site.battery.capacity_kwh = backtest->capacity_kwh;
    gr_battery_curves_scale(&work->config.site.curves,
                            backtest->capacity_kwh / backtest->config->site.battery.capacity_kwh);
    double floor_percent = work->config.site.reserve_percent;
    if (backtest->strategy->kind == GR_STRATEGY_PLANNED) {
        floor_percent = fmax(floor_percent, work->config.planning.floor_percent);
    }
    work->floor_kwh = floor_percent / 100 * backtest->capacity_kwh;
    work->start_kwh = fmax(start_share, work->config.site.reserve_percent / 100) * backtest->capacity_kwh;
    return lay_out(work, error);
}

static void finish(struct gr_backtest_work *work)
{
    struct gr_backtest_result *result = work->result;
    const struct gr_backtest_sums *total = &result->total;
    bool has_battery = work->backtest->strategy->kind != GR_STRATEGY_NONE;
    result->start_kwh = has_battery ? work->start_kwh : 0;
    result->end_kwh = has_battery ? work->steps[work->count - 1].stored_kwh : 0;
    result->left_per_kwh = work->left_per_kwh;
    result->left_value = result->left_per_kwh * (result->end_kwh - result->start_kwh);
    result->total_cost = gr_backtest_cost(total) - result->left_value;
    const struct gr_planning *planning = &work->config.planning;
    double counted_kg = total->import_co2_kg - (planning->carbon_credits_export ? total->export_co2_kg : 0);
    result->carbon_cost = isnan(counted_kg) ? 0 : planning->carbon_price_per_kg * counted_kg;
    if (work->backtest->strategy->kind == GR_STRATEGY_FORESIGHT) {
        double least = work->least_cost + total->standing_charge + result->left_per_kwh * result->start_kwh;
        result->may_be_less = fmax(0, gr_backtest_measure(result) - least);
    }
    result->cycles =
        has_battery ? total->discharge_kwh / work->battery.discharge_efficiency / work->battery.capacity_kwh
                    : 0;
    result->self_sufficiency = total->house_kwh > 0 ? 1 - total->import_kwh / total->house_kwh : 0;
}

int gr_backtest_run(struct gr_backtest_result *out, const struct gr_backtest *backtest,
                    struct gr_error *error)
{
    struct gr_backtest_work *work = calloc(1, sizeof *work);
    *out = (struct gr_backtest_result){0};
    if (!work) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for a back-test");
    }
    work->backtest = backtest;
    work->result = out;
    int rc = check_period(backtest, error);
    rc = rc ? rc : prepare(work, error);
    rc = rc ? rc : live_through(work, error);
    if (rc == GR_OK) {
        rc = gr_backtest_bill(out, backtest, work->battery.wear_per_kwh);
        (void)gr_error_set(error, rc, rc ? "no memory for the bill" : "");
    }
    if (rc == GR_OK) {
        finish(work);
    } else {
        gr_backtest_result_free(out);
    }
    free(work);
    return rc;
}

void gr_backtest_result_free(struct gr_backtest_result *result)
{
    free(result->months);
    free(result->steps);
    *result = (struct gr_backtest_result){0};
}

bool gr_backtest_foresight_is_bound(const struct gr_backtest_result *foresight)
{
    const struct gr_backtest_sums *total = &foresight->total;
    double bill = total->import_cost + total->standing_charge + total->peak_charge;
    return foresight->may_be_less <= 1e-3 * fabs(bill) + 1e-6;
}

double gr_backtest_measure(const struct gr_backtest_result *result)
{
    return result->total_cost + result->carbon_cost;
}

double gr_backtest_share_of_foresight(const struct gr_backtest_result *result,
                                      const struct gr_backtest_result *follow,
                                      const struct gr_backtest_result *foresight)
{
    double base = gr_backtest_measure(follow);
    double gain = base - gr_backtest_measure(foresight);
    return gain > 1e-6 ? (base - gr_backtest_measure(result)) / gain : NAN;
}
