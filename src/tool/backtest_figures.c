/* The figures that the report's script draws: the JSON of the results, and some weeks step by step. */
#include "tool/backtest.h"

#include "config/json_text.h"
#include "granary/civil.h"

#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_WEEK_RUNS = 24, SHOWN_STEP_S = 1800 };

/* ---- means over half hours ---- */

static size_t merged(const struct gr_bt_scene *scene)
{
    return scene->usage.step_s < SHOWN_STEP_S ? (size_t)(SHOWN_STEP_S / scene->usage.step_s) : 1;
}

static json_t *real_of(double value)
{
    return json_real(round(value * 1e4) / 1e4 + 0.0);
}

/* Of one member of the week's steps, `offset` bytes into each. */
static json_t *series(const struct gr_bt_scene *scene, size_t week, const struct gr_backtest_step *steps,
                      size_t offset, bool last)
{
    size_t count = gr_bt_week_steps(scene, week), parts = merged(scene);
    json_t *list = json_array();
    for (size_t i = 0; i < count; i += parts) {
        size_t end = i + parts < count ? i + parts : count;
        double sum = 0, value = 0;
        for (size_t k = i; k < end; k++) {
            memcpy(&value, (const char *)&steps[k] + offset, sizeof value);
            sum += value;
        }
        (void)json_array_append_new(list, real_of(last ? value : sum / (double)(end - i)));
    }
    return list;
}

#define SERIES(steps, member, last)                                                                          \
    series(scene, week, steps, offsetof(struct gr_backtest_step, member), last)

/* ---- one week ---- */

/* Which runs: every tariff and strategy with the battery of the cheapest. */
static bool is_in_week(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                       const struct gr_bt_run *run)
{
    const struct gr_bt_run *best = gr_bt_cheapest(scene, runs, (struct gr_bt_pick){0});
    double size_kwh =
        best && best->strategy->kind != GR_STRATEGY_NONE ? best->capacity_kwh : scene->battery_kwh[0];
    return run->shown && run->strategy->kind != GR_STRATEGY_NONE && run->capacity_kwh == size_kwh;
}

static json_t *week_runs(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs, size_t week)
{
    json_t *list = json_array();
    for (size_t i = 0; i < runs->count && json_array_size(list) < MOST_WEEK_RUNS; i++) {
        const struct gr_bt_run *run = &runs->run[i];
        if (is_in_week(scene, runs, run)) {
            (void)json_array_append_new(list, json_pack("{s:s, s:s, s:f, s:f, s:o, s:o, s:o}", "tariff",
                                                        run->tariff->name, "strategy", run->strategy->name,
                                                        "battery_kwh", run->capacity_kwh, "stored_before_kwh",
                                                        run->week_start_kwh[week], "battery_kw",
                                                        SERIES(run->week[week], battery_kw, false), "grid_kw",
                                                        SERIES(run->week[week], grid_kw, false), "stored_kwh",
                                                        SERIES(run->week[week], stored_kwh, true)));
        }
    }
    return list;
}

static json_t *week_prices(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs, size_t week)
{
    json_t *list = json_array();
    size_t of_tariff = runs->count / scene->tariffs;
    for (size_t i = 0; i < runs->count; i += of_tariff) {
        const struct gr_bt_run *run = &runs->run[i];
        (void)json_array_append_new(list, json_pack("{s:s, s:o, s:o}", "tariff", run->tariff->name, "import",
                                                    SERIES(run->week[week], import_price, false), "export",
                                                    SERIES(run->week[week], export_price, false)));
    }
    return list;
}

/* Local days of the week, the number of each point's day and its minute of the local clock. */
static void put_clock(json_t *object, const struct gr_bt_scene *scene, const struct gr_bt_run *run,
                      size_t week)
{
    static const char *const weekday[] = {"Mo", "Tu", "We", "Th", "Fr", "Sa", "Su"};
    size_t count = gr_bt_week_steps(scene, week), parts = merged(scene);
    json_t *days = json_array(), *day = json_array(), *minute = json_array();
    int64_t before = INT64_MIN;
    for (size_t i = 0; i < count; i += parts) {
        int64_t local_s = gr_zone_local_s(scene->zone, run->week[week][i].start_s);
        if (gr_civil_day(local_s) != before) {
            char name[32], date[16];
            (void)snprintf(name, sizeof name, "%s %s", weekday[gr_civil_weekday(local_s) - 1],
                           gr_bt_day(date, scene->zone, run->week[week][i].start_s));
            (void)json_array_append_new(
                days, json_pack("{s:s, s:I}", "name", name, "first", (json_int_t)(i / parts)));
            before = gr_civil_day(local_s);
        }
        (void)json_array_append_new(day, json_integer((json_int_t)json_array_size(days) - 1));
        (void)json_array_append_new(minute, json_integer((json_int_t)(local_s % GR_DAY_S / 60)));
    }
    (void)json_object_set_new(object, "days", days);
    (void)json_object_set_new(object, "day", day);
    (void)json_object_set_new(object, "minute", minute);
}

static json_t *week_to_json(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs, size_t week)
{
    const struct gr_bt_run *any = &runs->run[0];
    json_t *object = json_pack("{s:s, s:i, s:o, s:o, s:o, s:o}", "what", scene->week[week].what,
                               "step_minutes", (int)merged(scene) * scene->usage.step_s / 60, "house_kw",
                               SERIES(any->week[week], house_kw, false), "solar_kw",
                               SERIES(any->week[week], solar_kw, false), "prices",
                               week_prices(scene, runs, week), "runs", week_runs(scene, runs, week));
    if (object) {
        put_clock(object, scene, any, week);
    }
    return object;
}

/* ---- all of it ---- */

static void put_names(json_t *root, const struct gr_bt_scene *scene)
{
    json_t *tariffs = json_array(), *strategies = json_array(), *sizes = json_array(), *weeks = json_array();
    for (size_t i = 0; i < scene->tariffs; i++) {
        (void)json_array_append_new(tariffs, json_string(scene->tariff[i].name));
    }
    for (size_t i = 0; i < scene->shown; i++) {
        (void)json_array_append_new(strategies, json_string(scene->strategy[i].name));
    }
    for (size_t i = 0; i < scene->sizes; i++) {
        (void)json_array_append_new(sizes, json_real(scene->battery_kwh[i]));
    }
    (void)json_object_set_new(root, "tariffs", tariffs);
    (void)json_object_set_new(root, "strategies", strategies);
    (void)json_object_set_new(root, "sizes", sizes);
    (void)json_object_set_new(root, "weeks", weeks);
}

/* Inside a script element "</script" and "<!--" would end or upset it. These letters occur in texts only,
 * where JSON may write them as \u00XX. Takes `text`. */
static char *escape(char *text)
{
    size_t length = text ? strlen(text) : 0, used = 0;
    char *out = text ? malloc(6 * length + 1) : NULL;
    for (size_t i = 0; out && i < length; i++) {
        if (text[i] == '<' || text[i] == '>' || text[i] == '&') {
            used += (size_t)snprintf(out + used, 7, "\\u%04x", (unsigned)text[i]);
        } else {
            out[used++] = text[i];
        }
    }
    if (out) {
        out[used] = '\0';
    }
    free(text);
    return out;
}

char *gr_bt_report_figures(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs)
{
    json_t *root = gr_bt_to_json(scene, runs);
    if (!root) {
        return NULL;
    }
    put_names(root, scene);
    for (size_t w = 0; w < scene->weeks; w++) {
        (void)json_array_append_new(json_object_get(root, "weeks"), week_to_json(scene, runs, w));
    }
    char *text = gr_json_text(root, JSON_COMPACT | JSON_ENSURE_ASCII | JSON_REAL_PRECISION(9));
    json_decref(root);
    return escape(text);
}
