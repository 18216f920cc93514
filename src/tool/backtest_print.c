/* What came of a back-test: as a table, as JSON, as CSV. */
#include "tool/backtest.h"

#include "granary/civil.h"

#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_ROWS = 21 };

const char *const gr_bt_assumptions[] = {
    "The past is the present: what the house used does not depend on tariff or battery.",
    "Powers are steady inside a slot of the usage, unless --within-slot model lets them jump by chance; "
    "commands act on what the house did, with the battery's "
    "losses.",
    "At a decision the daemon sees the powers of the slot that begins, as its meters would show within "
    "moments; "
    "--late-readings shows it those of the slot before instead.",
    "Forecasts use half hours that were over, and price tables that were published by then.",
    "The battery starts half full; what is left at the end is worth the mean import price times the "
    "discharge "
    "efficiency, for every strategy alike.",
    "Every bill counts the battery's wear as configured; its price is not in it.",
    "No strategy knows of peak charges, of settlement over more than a slot, or of months; they are in the "
    "bill, "
    "peak charges not in share_of_foresight.",
    "Slots of which load or sun are missing are left out of every bill, standing charge included.",
    NULL};

char *gr_bt_month(char out[16], const struct gr_zone *zone, int64_t start_s)
{
    struct gr_civil local = gr_civil_from_seconds(gr_zone_local_s(zone, start_s));
    (void)snprintf(out, 16, "%04d-%02d", local.year % 10000, local.month);
    return out;
}

static char *format_day(char out[16], const struct gr_zone *zone, int64_t utc_s)
{
    struct gr_civil local = gr_civil_from_seconds(gr_zone_local_s(zone, utc_s));
    (void)snprintf(out, 16, "%04d-%02d-%02d", local.year % 10000, local.month, local.day);
    return out;
}

/* ---- table ---- */

struct row {
    const struct gr_bt_run *run;
};

static int compare_cost(const void *a, const void *b)
{
    const struct row *x = a, *y = b;
    double left = x->run->result.total_cost, right = y->run->result.total_cost;
    return (left > right) - (left < right);
}

static void print_row(FILE *stream, const struct gr_bt_run *run)
{
    const struct gr_backtest_sums *total = &run->result.total;
    char share[16] = "-", size[16] = "-";
    /* where foresight gains next to nothing the share says nothing */
    if (fabs(run->share_of_foresight) < 10) {
        (void)snprintf(share, sizeof share, "%.3f", run->share_of_foresight);
    }
    if (run->strategy->kind != GR_STRATEGY_NONE) {
        (void)snprintf(size, sizeof size, "%.1f", run->capacity_kwh);
    }
    (void)fprintf(stream, "%-18.18s %-14.14s %5s %8.0f %8.0f %9.2f %8.2f %8.2f %9.2f %6.0f %5.0f %% %6s\n",
                  run->tariff->name, run->strategy->name, size, total->import_kwh, total->export_kwh,
                  total->import_cost, total->export_income, total->standing_charge + total->peak_charge,
                  run->result.total_cost, run->result.cycles, 100 * run->result.self_sufficiency, share);
}

static void print_heading(FILE *stream, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs)
{
    char from[16], to[16];
    const struct gr_backtest_sums *total = &runs->run[0].result.total;
    (void)fprintf(stream, "%s, %s to %s: %.0f kWh used, %.0f kWh of sun, slots of %d minutes",
                  scene->config.engine.site.name, format_day(from, scene->zone, scene->from_s),
                  format_day(to, scene->zone, scene->to_s - 1), total->house_kwh, total->solar_kwh,
                  scene->usage.step_s / 60);
    if (total->gaps > 0) {
        (void)fprintf(stream, ", %zu of %zu left out as gaps", total->gaps, total->gaps + total->steps);
    }
    (void)fprintf(stream, "\nMoney in %s. Share: of what foresight saves against follow.\n\n",
                  scene->config.currency);
    (void)fprintf(stream, "%-18s %-14s %5s %8s %8s %9s %8s %8s %9s %6s %7s %6s\n", "tariff", "strategy",
                  "kWh", "bought", "sold", "cost", "income", "fixed", "total", "cycles", "own", "share");
}

void gr_bt_print_table(FILE *stream, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs)
{
    struct row *row = malloc(runs->count * sizeof *row);
    size_t rows = 0;
    if (!row) {
        return;
    }
    for (size_t i = 0; i < runs->count; i++) {
        if (runs->run[i].shown) {
            row[rows++].run = &runs->run[i];
        }
    }
    print_heading(stream, scene, runs);
    if (rows > MOST_ROWS) {
        qsort(row, rows, sizeof *row, compare_cost);
    }
    for (size_t i = 0; i < rows && i < MOST_ROWS; i++) {
        print_row(stream, row[i].run);
    }
    if (rows > MOST_ROWS) {
        (void)fprintf(stream, "\nThe cheapest %d of %zu; --json and --csv hold all.\n", MOST_ROWS, rows);
    }
    (void)fputs(
        "\nTotal: cost - income + fixed charges + wear - worth of what is left in the battery. Own: share of "
        "the house's\nenergy that was not bought. foresight knows the future: nothing real reaches it.\n",
        stream);
    free(row);
}

/* ---- JSON ---- */

/* One list of names for JSON and CSV. */
struct figure {
    const char *name;
    double value;
};
enum { FIGURES = 14 };

static void list_figures(const struct gr_backtest_sums *sums, struct figure out[FIGURES])
{
    const struct figure figures[FIGURES] = {
        {"house_kwh", sums->house_kwh},         {"solar_kwh", sums->solar_kwh},
        {"import_kwh", sums->import_kwh},       {"export_kwh", sums->export_kwh},
        {"charge_kwh", sums->charge_kwh},       {"discharge_kwh", sums->discharge_kwh},
        {"curtailed_kwh", sums->curtailed_kwh}, {"import_cost", sums->import_cost},
        {"export_income", sums->export_income}, {"standing_charge", sums->standing_charge},
        {"peak_charge", sums->peak_charge},     {"peak_kw", sums->peak_kw},
        {"wear_cost", sums->wear_cost},         {"days", sums->days}};
    memcpy(out, figures, sizeof figures);
}

static void put_sums(json_t *object, const struct gr_backtest_sums *sums)
{
    struct figure figures[FIGURES];
    list_figures(sums, figures);
    for (size_t i = 0; i < FIGURES; i++) {
        (void)json_object_set_new(object, figures[i].name, json_real(figures[i].value + 0.0));
    }
    (void)json_object_set_new(object, "gaps", json_integer((json_int_t)sums->gaps));
}

static json_t *months_to_json(const struct gr_bt_scene *scene, const struct gr_backtest_result *result)
{
    json_t *months = json_array();
    for (size_t i = 0; i < result->month_count; i++) {
        char name[16];
        json_t *month = json_object();
        (void)json_object_set_new(month, "month",
                                  json_string(gr_bt_month(name, scene->zone, result->months[i].start_s)));
        put_sums(month, &result->months[i]);
        (void)json_object_set_new(month, "cost", json_real(gr_backtest_cost(&result->months[i])));
        (void)json_array_append_new(months, month);
    }
    return months;
}

static json_t *run_to_json(const struct gr_bt_scene *scene, const struct gr_bt_run *run)
{
    const struct gr_backtest_result *result = &run->result;
    json_t *share = isnan(run->share_of_foresight) ? json_null() : json_real(run->share_of_foresight);
    json_t *object = json_pack(
        "{s:s, s:s, s:s, s:f, s:f, s:f, s:f, s:f, s:o, s:I, s:I, s:I, s:I, s:f}", "tariff", run->tariff->name,
        "strategy", run->strategy->name, "kind", gr_strategy_kind_name(run->strategy->kind), "battery_kwh",
        run->strategy->kind == GR_STRATEGY_NONE ? 0.0 : run->capacity_kwh, "total_cost", result->total_cost,
        "left_value", result->left_value + 0.0, "cycles", result->cycles, "self_sufficiency",
        result->self_sufficiency, "share_of_foresight", share, "decisions", (json_int_t)result->decisions,
        "plans", (json_int_t)result->plans, "changes", (json_int_t)result->changes, "faults",
        (json_int_t)result->faults, "processor_seconds", run->seconds);
    if (object) {
        put_sums(object, &result->total);
        (void)json_object_set_new(object, "months", months_to_json(scene, result));
    }
    return object;
}

static json_t *assumptions_to_json(void)
{
    json_t *list = json_array();
    for (const char *const *text = gr_bt_assumptions; *text; text++) {
        (void)json_array_append_new(list, json_string(*text));
    }
    return list;
}

json_t *gr_bt_to_json(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs)
{
    char from[GR_RFC3339_SIZE], to[GR_RFC3339_SIZE];
    json_t *results = json_array();
    for (size_t i = 0; i < runs->count; i++) {
        if (runs->run[i].shown) {
            (void)json_array_append_new(results, run_to_json(scene, &runs->run[i]));
        }
    }
    return json_pack("{s:s, s:s, s:s, s:s, s:i, s:b, s:b, s:b, s:b, s:s, s:I, s:s, s:o, s:o}", "site",
                     scene->config.engine.site.name, "currency", scene->config.currency, "from",
                     gr_rfc3339_format(from, scene->from_s), "to", gr_rfc3339_format(to, scene->to_s),
                     "step_minutes", scene->usage.step_s / 60, "know_load", scene->know_load, "know_solar",
                     scene->know_solar, "know_price", scene->know_price, "late_readings",
                     scene->late_readings, "within_slot", scene->within_slot ? "model" : "none", "seed",
                     (json_int_t)scene->seed, "usage_remarks", scene->report.remarks, "assumptions",
                     assumptions_to_json(), "results", results);
}

/* ---- CSV ---- */

/* RFC 4180: quotes around a text, doubled inside it. */
static void write_text(FILE *file, const char *text)
{
    (void)putc('"', file);
    for (; *text; text++) {
        if (*text == '"') {
            (void)putc('"', file);
        }
        (void)putc(*text, file);
    }
    (void)putc('"', file);
}

static void write_header(FILE *file)
{
    struct figure figures[FIGURES];
    list_figures(&(struct gr_backtest_sums){0}, figures);
    (void)fputs("tariff,strategy,battery_kwh,month", file);
    for (size_t i = 0; i < FIGURES; i++) {
        (void)fprintf(file, ",%s", figures[i].name);
    }
    (void)fputs(",cost\r\n", file);
}

static void write_month(FILE *file, const struct gr_bt_scene *scene, const struct gr_bt_run *run,
                        const struct gr_backtest_sums *month)
{
    struct figure figures[FIGURES];
    char name[16];
    list_figures(month, figures);
    write_text(file, run->tariff->name);
    (void)putc(',', file);
    write_text(file, run->strategy->name);
    (void)fprintf(file, ",%.9g,%s", run->strategy->kind == GR_STRATEGY_NONE ? 0.0 : run->capacity_kwh,
                  gr_bt_month(name, scene->zone, month->start_s));
    for (size_t i = 0; i < FIGURES; i++) {
        (void)fprintf(file, ",%.9g", figures[i].value + 0.0);
    }
    (void)fprintf(file, ",%.9g\r\n", gr_backtest_cost(month) + 0.0);
}

int gr_bt_write_csv(const char *path, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                    struct gr_error *error)
{
    FILE *file = fopen(path, "w");
    if (!file) {
        return gr_error_set(error, GR_IO, "%s: cannot be written: %s", path, strerror(errno));
    }
    write_header(file);
    for (size_t i = 0; i < runs->count; i++) {
        const struct gr_backtest_result *result = &runs->run[i].result;
        for (size_t k = 0; runs->run[i].shown && k < result->month_count; k++) {
            write_month(file, scene, &runs->run[i], &result->months[k]);
        }
    }
    bool failed = ferror(file) != 0;
    if (fclose(file) != 0 || failed) {
        return gr_error_set(error, GR_IO, "%s: cannot be written whole: %s", path, strerror(errno));
    }
    return GR_OK;
}
