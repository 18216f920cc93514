/* What came of a back-test for programs: as JSON, as CSV. */
#include "tool/backtest.h"

#include "granary/civil.h"

#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

char *gr_bt_month(char out[16], const struct gr_zone *zone, int64_t start_s)
{
    struct gr_civil local = gr_civil_from_seconds(gr_zone_local_s(zone, start_s));
    (void)snprintf(out, 16, "%04d-%02d", local.year % 10000, local.month);
    return out;
}

char *gr_bt_day(char out[16], const struct gr_zone *zone, int64_t utc_s)
{
    struct gr_civil local = gr_civil_from_seconds(gr_zone_local_s(zone, utc_s));
    (void)snprintf(out, 16, "%04d-%02d-%02d", local.year % 10000, local.month, local.day);
    return out;
}

char *gr_bt_way(char out[GR_NAME_SIZE + 16], const struct gr_bt_run *run)
{
    if (run->strategy->kind == GR_STRATEGY_NONE) {
        (void)snprintf(out, GR_NAME_SIZE + 16, "%s", run->strategy->name);
    } else {
        (void)snprintf(out, GR_NAME_SIZE + 16, "%s, %.4g kWh", run->strategy->name, run->capacity_kwh);
    }
    return out;
}

/* ---- JSON ---- */

/* One list of names for JSON and CSV. */
struct figure {
    const char *name;
    double value;
};
enum { FIGURES = 16 };

static void list_figures(const struct gr_backtest_sums *sums, struct figure out[FIGURES])
{
    const struct figure figures[FIGURES] = {
        {"house_kwh", sums->house_kwh},         {"solar_kwh", sums->solar_kwh},
        {"import_kwh", sums->import_kwh},       {"export_kwh", sums->export_kwh},
        {"charge_kwh", sums->charge_kwh},       {"discharge_kwh", sums->discharge_kwh},
        {"curtailed_kwh", sums->curtailed_kwh}, {"import_cost", sums->import_cost},
        {"export_income", sums->export_income}, {"standing_charge", sums->standing_charge},
        {"peak_charge", sums->peak_charge},     {"peak_kw", sums->peak_kw},
        {"wear_cost", sums->wear_cost},         {"days", sums->days},
        {"import_co2_kg", sums->import_co2_kg}, {"export_co2_kg", sums->export_co2_kg}};
    memcpy(out, figures, sizeof figures);
}

/* null where there is nothing to say. */
static void put_number(json_t *object, const char *name, double value)
{
    (void)json_object_set_new(object, name, isfinite(value) ? json_real(value + 0.0) : json_null());
}

static void put_sums(json_t *object, const struct gr_backtest_sums *sums)
{
    struct figure figures[FIGURES];
    list_figures(sums, figures);
    for (size_t i = 0; i < FIGURES; i++) {
        put_number(object, figures[i].name, figures[i].value);
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

static void put_comparison(json_t *object, const struct gr_bt_scene *scene, const struct gr_bt_run *run)
{
    put_number(object, "share_of_foresight", run->share_of_foresight);
    (void)json_object_set_new(object, "foresight_is_bound",
                              json_boolean(gr_backtest_foresight_is_bound(&run->foresight->result)));
    put_number(object, "foresight_may_be_less", run->foresight->result.may_be_less);
    put_number(object, "foresight_gain", gr_bt_foresight_gain(run));
    put_number(object, "saving", gr_bt_saving(run));
    put_number(object, "saving_share_of_foresight", gr_bt_saving_share(run));
    put_number(object, "saving_per_year_before_wear", gr_bt_saving_per_year(run));
    put_number(object, "battery_price", gr_bt_battery_price(scene, run));
    put_number(object, "payback_years", gr_bt_payback_years(scene, run));
}

static double size_of(const struct gr_bt_run *run)
{
    return run->strategy->kind == GR_STRATEGY_NONE ? 0.0 : run->capacity_kwh;
}

static json_t *run_to_json(const struct gr_bt_scene *scene, const struct gr_bt_run *run)
{
    const struct gr_backtest_result *result = &run->result;
    json_t *object = json_pack(
        "{s:s, s:s, s:s, s:f, s:f, s:f, s:f, s:f, s:I, s:I, s:I, s:I, s:f}", "tariff", run->tariff->name,
        "strategy", run->strategy->name, "kind", gr_strategy_kind_name(run->strategy->kind), "battery_kwh",
        size_of(run), "total_cost", result->total_cost, "left_value", result->left_value + 0.0, "cycles",
        result->cycles, "self_sufficiency", result->self_sufficiency, "decisions",
        (json_int_t)result->decisions, "plans", (json_int_t)result->plans, "changes",
        (json_int_t)result->changes, "faults", (json_int_t)result->faults, "processor_seconds", run->seconds);
    if (object) {
        put_number(object, "carbon_cost", result->carbon_cost);
        put_comparison(object, scene, run);
        put_sums(object, &result->total);
        (void)json_object_set_new(object, "months", months_to_json(scene, result));
    }
    return object;
}

static json_t *way_to_json(const struct gr_bt_run *run)
{
    return run ? json_pack("{s:s, s:s, s:f, s:f}", "tariff", run->tariff->name, "strategy",
                           run->strategy->name, "battery_kwh", size_of(run), "total_cost",
                           run->result.total_cost)
               : json_null();
}

static json_t *notes_to_json(const struct gr_bt_notes *notes)
{
    json_t *list = json_array();
    for (size_t i = 0; i < notes->count; i++) {
        (void)json_array_append_new(list, json_string(notes->text[i]));
    }
    return list;
}

static void put_answer(json_t *root, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs)
{
    struct gr_bt_notes notes;
    struct gr_bt_ranking ranking = gr_bt_rank(scene, runs, (struct gr_bt_pick){0});
    (void)json_object_set_new(root, "cheapest", way_to_json(ranking.best));
    (void)json_object_set_new(root, "next_tariff", way_to_json(ranking.next));
    (void)json_object_set_new(
        root, "months_won",
        json_integer(ranking.best ? (json_int_t)gr_bt_months_won(scene, runs, ranking.best) : 0));
    (void)json_object_set_new(root, "soonest_paid", way_to_json(gr_bt_soonest_paid(scene, runs)));
    gr_bt_assume(&notes, scene);
    (void)json_object_set_new(root, "assumptions", notes_to_json(&notes));
    gr_bt_doubt(&notes, scene, runs);
    (void)json_object_set_new(root, "uncertain", notes_to_json(&notes));
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
    json_t *root = json_pack(
        "{s:s, s:s, s:s, s:s, s:i, s:b, s:b, s:b, s:b, s:s, s:I, s:s, s:o}", "site",
        scene->config.engine.site.name, "currency", scene->config.currency, "from",
        gr_rfc3339_format(from, scene->from_s), "to", gr_rfc3339_format(to, scene->to_s), "step_minutes",
        scene->usage.step_s / 60, "know_load", scene->know_load, "know_solar", scene->know_solar,
        "know_price", scene->know_price, "late_readings", scene->late_readings, "within_slot",
        scene->courses > 0   ? "learned"
        : scene->within_slot ? "model"
                             : "none",
        "seed", (json_int_t)scene->seed, "usage_remarks", scene->report.remarks, "results", results);
    if (root) {
        put_answer(root, scene, runs);
    }
    return root;
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
    (void)fprintf(file, ",%.9g,%s", size_of(run), gr_bt_month(name, scene->zone, month->start_s));
    for (size_t i = 0; i < FIGURES; i++) {
        (void)fprintf(file, isnan(figures[i].value) ? "," : ",%.9g", figures[i].value + 0.0);
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
