/* The bill: from the steps alone, whatever strategy made them. */
#include "backtest/parts.h"

#include "granary/civil.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* What is open: settlement interval, peak interval, month. */
struct open_bill {
    const struct gr_backtest *backtest;
    struct gr_backtest_result *result;
    struct gr_backtest_sums *month;
    struct {
        int64_t number;
        size_t steps;
        double net_kwh, import_price, export_price, carbon_kg_per_kwh;
    } settlement;
    struct {
        int64_t number, day;
        double kwh, hours;
    } peak;
    double day_peak_kw[GR_MONTH_DAYS]; /* of the month, by day */
    int64_t month_number;              /* years * 12 + months, local */
};

double gr_backtest_cost(const struct gr_backtest_sums *sums)
{
    return sums->import_cost - sums->export_income + sums->standing_charge + sums->peak_charge +
           sums->wear_cost;
}

/* ---- settlement ---- */

int64_t gr_backtest_settlement(const struct gr_backtest *backtest, int64_t moment_s)
{
    int64_t step_s = backtest->usage->step_s;
    int64_t length_s = (int64_t)backtest->tariff->settlement_minutes * 60;
    return gr_peak_interval(backtest->zone, moment_s, length_s > step_s ? length_s : step_s);
}

static void settle(struct open_bill *bill)
{
    size_t steps = bill->settlement.steps;
    if (steps == 0) {
        return;
    }
    double net_kwh = bill->settlement.net_kwh;
    if (net_kwh > 0) {
        bill->month->import_kwh += net_kwh;
        bill->month->import_cost += net_kwh * bill->settlement.import_price / (double)steps;
        bill->month->import_co2_kg += net_kwh * bill->settlement.carbon_kg_per_kwh / (double)steps;
    } else {
        bill->month->export_kwh -= net_kwh;
        bill->month->export_income -= net_kwh * bill->settlement.export_price / (double)steps;
        bill->month->export_co2_kg -= net_kwh * bill->settlement.carbon_kg_per_kwh / (double)steps;
    }
    memset(&bill->settlement, 0, sizeof bill->settlement);
}

static void meter(struct open_bill *bill, const struct gr_backtest_step *step, double hours)
{
    int64_t number = gr_backtest_settlement(bill->backtest, step->start_s);
    if (number != bill->settlement.number) {
        settle(bill);
        bill->settlement.number = number;
    }
    bill->settlement.steps++;
    bill->settlement.net_kwh += step->grid_kw * hours;
    bill->settlement.import_price += step->import_price;
    bill->settlement.export_price += step->export_price;
    bill->settlement.carbon_kg_per_kwh += step->carbon_kg_per_kwh;
}

/* ---- peaks ---- */

static void close_peak(struct open_bill *bill)
{
    if (bill->peak.hours > 0) {
        double kw = bill->peak.kwh / bill->peak.hours;
        double *highest = &bill->day_peak_kw[bill->peak.day];
        *highest = fmax(*highest, kw);
    }
    memset(&bill->peak, 0, sizeof bill->peak);
}

static void note_peak(struct open_bill *bill, const struct gr_backtest_step *step, double hours,
                      int64_t local_s)
{
    const struct gr_peak_charge *charge = &bill->backtest->tariff->peak;
    int64_t number = gr_peak_interval(bill->backtest->zone, step->start_s, (int64_t)charge->minutes * 60);
    if (number != bill->peak.number) {
        close_peak(bill);
    }
    if (gr_peak_counts(charge, local_s)) {
        bill->peak.number = number;
        bill->peak.day = gr_civil_from_seconds(local_s).day;
        bill->peak.kwh += fmax(0, step->grid_kw) * hours;
        bill->peak.hours += hours;
    }
}

double gr_backtest_month_share(const struct gr_backtest *backtest, const struct gr_backtest_sums *month)
{
    struct gr_civil first = gr_civil_from_seconds(gr_zone_local_s(backtest->zone, month->start_s));
    struct gr_civil begin = {.year = first.year, .month = first.month, .day = 1}, end = begin;
    end.month++;
    double whole_days = (double)(gr_civil_seconds(&end) - gr_civil_seconds(&begin)) / GR_DAY_S;
    return fmin(1, month->days / whole_days);
}

static void charge_peak(struct open_bill *bill)
{
    const struct gr_peak_charge *charge = &bill->backtest->tariff->peak;
    if (!charge->any || !bill->month) {
        return;
    }
    close_peak(bill);
    bill->month->peak_kw = gr_peak_mean_kw(charge, bill->day_peak_kw, GR_MONTH_DAYS);
    bill->month->peak_charge =
        gr_peak_price(charge, bill->month->peak_kw) * gr_backtest_month_share(bill->backtest, bill->month);
    memset(bill->day_peak_kw, 0, sizeof bill->day_peak_kw);
}

/* ---- months ---- */

static void open_month(struct open_bill *bill, int64_t number, int64_t start_s)
{
    if (bill->month && number == bill->month_number) {
        return;
    }
    settle(bill);
    charge_peak(bill);
    bill->month = &bill->result->months[bill->result->month_count++];
    bill->month->start_s = start_s;
    bool has_carbon = bill->backtest->tariff->carbon.count > 0;
    bill->month->import_co2_kg = bill->month->export_co2_kg = has_carbon ? 0 : NAN;
    bill->month_number = number;
}

static void add_step(struct open_bill *bill, const struct gr_backtest_step *step, double wear_per_kwh,
                     int64_t local_s)
{
    const struct gr_backtest *backtest = bill->backtest;
    struct gr_backtest_sums *month = bill->month;
    double hours = backtest->usage->step_s / 3600.0;
    int64_t day_s = gr_zone_day_start_s(backtest->zone, step->start_s, 1) -
                    gr_zone_day_start_s(backtest->zone, step->start_s, 0);
    double days = (double)backtest->usage->step_s / (double)(day_s > 0 ? day_s : GR_DAY_S);
    month->steps++;
    month->days += days;
    month->house_kwh += step->house_kw * hours;
    month->solar_kwh += step->solar_kw * hours;
    month->curtailed_kwh += step->curtail_kw * hours;
    month->charge_kwh += fmax(0, step->battery_kw) * hours;
    month->discharge_kwh += fmax(0, -step->battery_kw) * hours;
    month->wear_cost += fmax(0, -step->battery_kw) * hours * wear_per_kwh + step->wear_by_level;
    month->standing_charge += days * backtest->tariff->standing_charge_per_day;
    meter(bill, step, hours);
    if (backtest->tariff->peak.any) {
        note_peak(bill, step, hours, local_s);
    }
}

static void add_month(struct gr_backtest_sums *total, const struct gr_backtest_sums *month)
{
    total->steps += month->steps;
    total->gaps += month->gaps;
    total->days += month->days;
    total->house_kwh += month->house_kwh;
    total->solar_kwh += month->solar_kwh;
    total->curtailed_kwh += month->curtailed_kwh;
    total->import_kwh += month->import_kwh;
    total->export_kwh += month->export_kwh;
    total->charge_kwh += month->charge_kwh;
    total->discharge_kwh += month->discharge_kwh;
    total->import_co2_kg += month->import_co2_kg;
    total->export_co2_kg += month->export_co2_kg;
    total->import_cost += month->import_cost;
    total->export_income += month->export_income;
    total->standing_charge += month->standing_charge;
    total->peak_charge += month->peak_charge;
    total->wear_cost += month->wear_cost;
    total->peak_kw = fmax(total->peak_kw, month->peak_kw);
}

/* No month is shorter than 28 days; the first and the last may be cut. */
static size_t count_months(const struct gr_backtest *backtest)
{
    return (size_t)((backtest->to_s - backtest->from_s) / ((int64_t)28 * GR_DAY_S)) + 2;
}

int gr_backtest_bill(struct gr_backtest_result *result, const struct gr_backtest *backtest,
                     double wear_per_kwh)
{
    struct open_bill bill = {.backtest = backtest, .result = result};
    result->month_count = 0;
    result->months = calloc(count_months(backtest), sizeof *result->months);
    if (!result->months) {
        return GR_NO_MEMORY;
    }
    for (size_t i = 0; i < result->step_count; i++) {
        const struct gr_backtest_step *step = &result->steps[i];
        int64_t local_s = gr_zone_local_s(backtest->zone, step->start_s);
        struct gr_civil local = gr_civil_from_seconds(local_s);
        open_month(&bill, (int64_t)local.year * 12 + local.month, step->start_s);
        if (step->gap) {
            bill.month->gaps++;
        } else {
            add_step(&bill, step, wear_per_kwh, local_s);
        }
    }
    settle(&bill);
    charge_peak(&bill);
    result->total = (struct gr_backtest_sums){.start_s = backtest->from_s};
    for (size_t i = 0; i < result->month_count; i++) {
        add_month(&result->total, &result->months[i]);
    }
    return GR_OK;
}
