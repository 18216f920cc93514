/* What came of a back-test in some 30 lines of text: the answer, then every run; where these are too many,
 * the costs with a tariff in each column; where even that is too much, the cheapest runs. */
#include "tool/backtest.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_ROWS = 16, MOST_COLUMNS = 6, SIZE = 16 };

struct row {
    const struct gr_bt_run *run;
};

/* ---- the answer ---- */

static void print_heading(FILE *stream, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs)
{
    char from[16], to[16];
    const struct gr_backtest_sums *total = &runs->run[0].result.total;
    (void)fprintf(stream, "%s, %s to %s: %.0f kWh used, %.0f kWh of sun, slots of %d minutes",
                  scene->config.engine.site.name, gr_bt_day(from, scene->zone, scene->from_s),
                  gr_bt_day(to, scene->zone, scene->to_s - 1), total->house_kwh, total->solar_kwh,
                  scene->usage.step_s / 60);
    if (total->gaps > 0) {
        (void)fprintf(stream, ", %zu of %zu left out as gaps", total->gaps, total->gaps + total->steps);
    }
    (void)fprintf(stream, ". Money in %s.\n", scene->config.currency);
}

static void print_soonest_paid(FILE *stream, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs)
{
    char way[GR_NAME_SIZE + 16];
    const struct gr_bt_run *run = gr_bt_soonest_paid(scene, runs);
    if (run) {
        (void)fprintf(stream, "\nSoonest paid for: %s with %s: %.1f years.", run->tariff->name,
                      gr_bt_way(way, run), gr_bt_payback_years(scene, run));
    }
}

static void print_answer(FILE *stream, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs)
{
    char way[GR_NAME_SIZE + 16];
    struct gr_bt_ranking ranking = gr_bt_rank(scene, runs, (struct gr_bt_pick){0});
    const struct gr_bt_run *best = ranking.best, *next = ranking.next;
    if (!best) {
        return;
    }
    (void)fprintf(stream, "Cheapest: %s with %s: %.2f.", best->tariff->name, gr_bt_way(way, best),
                  best->result.total_cost);
    if (best->strategy->kind != GR_STRATEGY_NONE) {
        (void)fprintf(stream, " Without a battery: %.2f.", best->none->result.total_cost);
    }
    if (next) {
        (void)fprintf(stream,
                      "\nNext tariff: %s with %s: %.2f, %.2f more; %s is the cheapest in %zu of %zu months.",
                      next->tariff->name, gr_bt_way(way, next), next->result.total_cost,
                      next->result.total_cost - best->result.total_cost, best->tariff->name,
                      gr_bt_months_won(scene, runs, best), best->result.month_count);
    }
    print_soonest_paid(stream, scene, runs);
    (void)fputs("\n\n", stream);
}

/* ---- every run a row ---- */

static char *format_share(char out[SIZE], const struct gr_bt_run *run)
{
    double share = gr_bt_telling_share(run);
    (void)snprintf(out, SIZE, "-");
    if (!isnan(share)) {
        (void)snprintf(out, SIZE, "%s%.3f",
                       gr_backtest_foresight_is_bound(&run->foresight->result) ? "" : "~", share);
    }
    return out;
}

static char *format_size(char out[SIZE], const struct gr_bt_run *run)
{
    (void)snprintf(out, SIZE, run->strategy->kind == GR_STRATEGY_NONE ? "-" : "%.4g", run->capacity_kwh);
    return out;
}

static char *format_payback(char out[SIZE], const struct gr_bt_scene *scene, const struct gr_bt_run *run)
{
    double years = gr_bt_payback_years(scene, run);
    bool known = !isnan(gr_bt_battery_price(scene, run));
    (void)snprintf(out, SIZE, known ? "never" : "-");
    if (!isnan(years)) {
        (void)snprintf(out, SIZE, years < 100 ? "%.1f y" : "> 100 y", years);
    }
    return out;
}

static bool has_prices(const struct gr_bt_scene *scene)
{
    return !isnan(scene->battery_price[0]);
}

static bool has_carbon(const struct gr_bt_scene *scene)
{
    bool any = false;
    for (size_t t = 0; t < scene->tariffs; t++) {
        any = any || scene->tariff[t].carbon.count > 0;
    }
    return any;
}

static void print_row(FILE *stream, const struct gr_bt_scene *scene, const struct gr_bt_run *run)
{
    char share[SIZE], size[SIZE], payback[SIZE];
    const struct gr_backtest_sums *total = &run->result.total;
    (void)fprintf(stream, "%-16.16s %-14.14s %5s %7.0f %7.0f %9.2f %8.2f %8.2f %9.2f %6.0f %4.0f %% %7s",
                  run->tariff->name, run->strategy->name, format_size(size, run), total->import_kwh,
                  total->export_kwh, total->import_cost, total->export_income,
                  total->standing_charge + total->peak_charge, run->result.total_cost, run->result.cycles,
                  100 * run->result.self_sufficiency, format_share(share, run));
    if (has_prices(scene)) {
        (void)fprintf(stream, " %8s", format_payback(payback, scene, run));
    }
    if (has_carbon(scene)) {
        (void)fprintf(stream, isnan(total->import_co2_kg) ? "       -" : " %7.0f", total->import_co2_kg);
    }
    (void)putc('\n', stream);
}

static void print_list(FILE *stream, const struct gr_bt_scene *scene, struct row *row, size_t rows)
{
    (void)fprintf(stream, "%-16s %-14s %5s %7s %7s %9s %8s %8s %9s %6s %6s %7s%s%s\n", "tariff", "strategy",
                  "kWh", "bought", "sold", "cost", "income", "fixed", "total", "cycles", "own", "share",
                  has_prices(scene) ? "  payback" : "", has_carbon(scene) ? "  CO2 kg" : "");
    for (size_t i = 0; i < rows; i++) {
        print_row(stream, scene, row[i].run);
    }
}

static int compare_cost(const void *a, const void *b)
{
    const struct row *x = a, *y = b;
    double left = x->run->result.total_cost, right = y->run->result.total_cost;
    return (left > right) - (left < right);
}

static void print_cheapest(FILE *stream, const struct gr_bt_scene *scene, struct row *row, size_t rows)
{
    qsort(row, rows, sizeof *row, compare_cost);
    print_list(stream, scene, row, MOST_ROWS);
    (void)fprintf(stream, "The cheapest %d of %zu; --report, --json and --csv hold all.\n", MOST_ROWS, rows);
}

/* ---- a tariff each column ---- */

static const struct gr_bt_run *find_row(const struct row *row, size_t rows,
                                        const struct gr_backtest_tariff *tariff, const struct gr_bt_run *like)
{
    for (size_t i = 0; i < rows; i++) {
        if (row[i].run->tariff == tariff && row[i].run->strategy == like->strategy &&
            row[i].run->capacity_kwh == like->capacity_kwh) {
            return row[i].run;
        }
    }
    return NULL;
}

static void print_matrix_row(FILE *stream, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                             const struct row *row, size_t rows, const struct gr_bt_run *like)
{
    char size[SIZE], share[SIZE], payback[SIZE];
    struct gr_bt_ranking ranking = gr_bt_rank(
        scene, runs, (struct gr_bt_pick){.strategy = like->strategy, .battery_kwh = like->capacity_kwh});
    (void)fprintf(stream, "%-14.14s %5s", like->strategy->name, format_size(size, like));
    for (size_t t = 0; t < scene->tariffs; t++) {
        const struct gr_bt_run *run = find_row(row, rows, &scene->tariff[t], like);
        (void)fprintf(stream, " %9.2f%c", run->result.total_cost, run == ranking.best ? '*' : ' ');
    }
    (void)fprintf(stream, " %8.2f %7s", ranking.next->result.total_cost - ranking.best->result.total_cost,
                  format_share(share, ranking.best));
    if (has_prices(scene)) {
        (void)fprintf(stream, " %8s", format_payback(payback, scene, ranking.best));
    }
    (void)putc('\n', stream);
}

static void print_matrix(FILE *stream, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                         const struct row *row, size_t rows)
{
    (void)fputs("Total cost; * the cheapest tariff of the line, `less` than the next, with its share:\n",
                stream);
    (void)fprintf(stream, "%-14s %5s", "strategy", "kWh");
    for (size_t t = 0; t < scene->tariffs; t++) {
        (void)fprintf(stream, " %9.9s ", scene->tariff[t].name);
    }
    (void)fprintf(stream, " %8s %7s%s\n", "less", "share", has_prices(scene) ? "  payback" : "");
    for (size_t i = 0; i < rows; i++) {
        if (row[i].run->tariff == &scene->tariff[0]) {
            print_matrix_row(stream, scene, runs, row, rows, row[i].run);
        }
    }
}

/* ---- all of it ---- */

static void print_notes(FILE *stream, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs)
{
    (void)fputs(
        "\nTotal: cost - income + fixed charges + wear - worth of what is left in the battery.\n"
        "Own: share of the house's energy that was not bought. Share: of what foresight saves against\n"
        "follow; foresight knows the future and is out of reach.\n",
        stream);
    const struct gr_bt_run *unproven = gr_bt_unproven(runs);
    if (unproven) {
        (void)fprintf(stream,
                      "~ Not proven to be out of reach: under %s foresight may cost up to %.2f too much.\n",
                      unproven->tariff->name, unproven->result.may_be_less);
    }
    if (has_carbon(scene)) {
        (void)fputs(
            "CO2: of what was bought; the price on it, where one is configured, is in no cost, but in the "
            "share.\n",
            stream);
    }
    if (has_prices(scene)) {
        (void)fprintf(stream,
                      "Payback: price of the battery / saving against none in 365 days, reckoned from %.0f "
                      "days; wear not taken off.\n",
                      runs->run[0].result.total.days);
    }
}

void gr_bt_print_table(FILE *stream, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs)
{
    struct row *row = malloc(runs->count * sizeof *row);
    size_t rows = 0;
    if (!row) {
        return;
    }
    for (size_t i = 0; i < runs->count; i++) {
        if (gr_bt_is_row(scene, &runs->run[i])) {
            row[rows++].run = &runs->run[i];
        }
    }
    print_heading(stream, scene, runs);
    print_answer(stream, scene, runs);
    bool columns_fit = scene->tariffs <= MOST_COLUMNS && rows / scene->tariffs <= MOST_ROWS;
    if (rows <= MOST_ROWS) {
        print_list(stream, scene, row, rows);
    } else if (columns_fit && scene->tariffs > 1) {
        print_matrix(stream, scene, runs, row, rows);
    } else {
        print_cheapest(stream, scene, row, rows);
    }
    print_notes(stream, scene, runs);
    free(row);
}
