#include "tool/forecast_print.h"

#include "config/json_text.h"
#include "granary/civil.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>

static const char *const part_name[FORECAST_PARTS] = {"load", "solar"};

static json_t *figure(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static bool print_json(json_t *root)
{
    bool printed = gr_json_print(root, JSON_REAL_PRECISION(8), stdout);
    json_decref(root);
    return printed;
}

/* ---- what the readings say of the arrays ---- */

static json_t *plant_to_json(const struct gr_plant *plant)
{
    json_t *shadows = json_array();
    for (size_t i = 0; i < plant->shadows; i++) {
        const struct gr_shadow *shadow = &plant->shadow[i];
        (void)json_array_append_new(shadows, json_pack("{s:f, s:f, s:f, s:f}", "azimuth_from_deg",
                                                       shadow->azimuth_from_deg, "azimuth_to_deg",
                                                       shadow->azimuth_to_deg, "elevation_below_deg",
                                                       shadow->elevation_below_deg, "share", shadow->share));
    }
    return json_pack("{s:I, s:o, s:b, s:f, s:f, s:o}", "days", (json_int_t)plant->days, "scale",
                     figure(plant->scale), "turned", plant->turned, "tilt_deg", plant->tilt_deg,
                     "azimuth_deg", plant->azimuth_deg, "shadows", shadows);
}

static void print_plant(const struct gr_plant *plant)
{
    if (plant->days < GR_PLANT_DAYS) {
        printf("arrays: %zu days with sun; %d are needed to say anything of them\n\n", plant->days,
               GR_PLANT_DAYS);
        return;
    }
    printf("arrays, from the brightest of %zu days: they give %.2f of what the configured ones would under a "
           "clear sky\n",
           plant->days, plant->scale);
    if (plant->turned) {
        printf(
            "  a tilt of %.0f and an azimuth of %.0f degrees explain the readings better: the misfit falls "
            "from %.0f to %.0f %%\n",
            plant->tilt_deg, plant->azimuth_deg, 100 * plant->misfit_configured, 100 * plant->misfit_found);
    } else {
        printf("  tilt and azimuth as configured explain the readings (misfit %.0f %%)\n",
               100 * plant->misfit_found);
    }
    for (size_t i = 0; i < plant->shadows; i++) {
        const struct gr_shadow *shadow = &plant->shadow[i];
        printf(
            "  shadow: with the sun between %.0f and %.0f degrees of azimuth and below %.0f degrees, %.0f %% "
            "comes through\n",
            shadow->azimuth_from_deg, shadow->azimuth_to_deg, shadow->elevation_below_deg,
            100 * shadow->share);
    }
    putchar('\n');
}

/* ---- what they say of the load inside half hours ---- */

static json_t *within_to_json(const struct gr_within *within)
{
    struct gr_within_shape shape;
    json_t *levels = json_array();
    gr_within_shape(within, &shape);
    for (size_t i = 0; i < GR_WITHIN_LEVELS; i++) {
        const double *share = shape.share[i];
        (void)json_array_append_new(levels, json_pack("{s:f, s:[f, f, f, f, f]}", "up_to_kw",
                                                      shape.up_to_kw[i], "share_of_mean", share[0], share[1],
                                                      share[2], share[3], share[4]));
    }
    return json_pack("{s:i, s:i, s:I, s:o}", "slot_s", (int)within->slot_s, "step_s",
                     (int)within->fine.step_s, "slots", (json_int_t)within->count, "levels", levels);
}

static void print_within(const struct gr_within *within)
{
    static const char *const names[GR_WITHIN_LEVELS] = {"least", "middle", "greatest"};
    struct gr_within_shape shape;
    gr_within_shape(within, &shape);
    printf(
        "inside %d minutes, from the means over %d minutes of %zu of them: the load in the quietest to the "
        "busiest fifth of the time, as a share of the mean\n",
        (int)within->slot_s / 60, (int)within->fine.step_s / 60, within->count);
    for (size_t i = 0; i < GR_WITHIN_LEVELS; i++) {
        const double *share = shape.share[i];
        printf("  %-8s third of the means, up to %6.3f kW: %.2f %.2f %.2f %.2f %.2f\n", names[i],
               shape.up_to_kw[i], share[0], share[1], share[2], share[3], share[4]);
    }
    putchar('\n');
}

static void print_findings(const struct forecast_findings *findings)
{
    if (findings->plant) {
        print_plant(findings->plant);
    }
    if (findings->within) {
        print_within(findings->within);
    }
}

/* ---- scores ---- */

static json_t *baselines_to_json(const struct gr_forecast_score *score)
{
    json_t *all = json_object();
    for (size_t b = 0; all && b < GR_BASELINES; b++) {
        const struct gr_baseline_score *baseline = &score->baseline[b];
        json_t *one = json_pack("{s:o, s:o, s:o}", "mae_kw", figure(baseline->mae_kw), "pinball_kw",
                                figure(baseline->pinball_kw), "rmse_kw", figure(baseline->rmse_kw));
        if (json_object_set_new(all, gr_baseline_name((enum gr_baseline)b), one) != 0) {
            json_decref(all);
            all = NULL;
        }
    }
    return all;
}

static json_t *score_to_json(const struct gr_forecast_score *score)
{
    if (!score) {
        return json_null();
    }
    return json_pack("{s:I, s:o, s:o, s:o, s:o, s:o, s:{s:o, s:o}, s:o}", "slots", (json_int_t)score->slots,
                     "true_mean_kw", figure(score->true_mean_kw), "mae_kw", figure(score->mae_kw), "nmae",
                     figure(score->nmae), "pinball_kw", figure(score->pinball_kw), "coverage",
                     figure(score->coverage), "mean", "rmse_kw", figure(score->mean_rmse_kw), "bias_kw",
                     figure(score->mean_bias_kw), "baselines", baselines_to_json(score));
}

static void print_score(const char *name, const struct gr_forecast_score *score)
{
    if (score->slots == 0) {
        printf("%s: nothing to score; more than 28 days are needed\n\n", name);
        return;
    }
    printf("%s: %zu slots scored, %.3f kW on average\n", name, score->slots, score->true_mean_kw);
    printf("  forecast      MAE %.4f kW (%.1f %% of the mean), pinball %.4f kW, %.1f %% within the 10-90 %% "
           "band\n",
           score->mae_kw, 100 * score->nmae, score->pinball_kw, 100 * score->coverage);
    printf("  its mean      RMSE %.4f kW, bias %+.4f kW (%+.1f %%)\n", score->mean_rmse_kw,
           score->mean_bias_kw, 100 * score->mean_bias_kw / score->true_mean_kw);
    for (size_t b = 0; b < GR_BASELINES; b++) {
        const struct gr_baseline_score *baseline = &score->baseline[b];
        printf("  %-12s  MAE %.4f kW (forecast %+.1f %%), pinball %.4f kW (%+.1f %%), RMSE %.4f kW\n",
               gr_baseline_name((enum gr_baseline)b), baseline->mae_kw,
               100 * (score->mae_kw / baseline->mae_kw - 1), baseline->pinball_kw,
               100 * (score->pinball_kw / baseline->pinball_kw - 1), baseline->rmse_kw);
    }
    putchar('\n');
}

bool forecast_print_scores(const struct gr_forecast_score *const scores[FORECAST_PARTS],
                           const struct forecast_findings *findings, bool json)
{
    if (json) {
        return print_json(json_pack("{s:o, s:o, s:o*, s:o*}", part_name[GR_FORECAST_LOAD],
                                    score_to_json(scores[GR_FORECAST_LOAD]), part_name[GR_FORECAST_SUN],
                                    score_to_json(scores[GR_FORECAST_SUN]), "arrays",
                                    findings->plant ? plant_to_json(findings->plant) : NULL, "within",
                                    findings->within ? within_to_json(findings->within) : NULL));
    }
    print_findings(findings);
    for (size_t part = 0; part < FORECAST_PARTS; part++) {
        if (scores[part]) {
            print_score(part_name[part], scores[part]);
        }
    }
    return fflush(stdout) == 0;
}

/* ---- the hours to come ---- */

static json_t *slot_to_json(const struct gr_forecast_slot *slot)
{
    const double *q = slot->quantile_kw;
    return json_pack("{s:[f, f, f, f, f], s:f}", "quantiles_kw", q[0], q[1], q[2], q[3], q[4], "mean_kw",
                     slot->mean_kw);
}

static json_t *row_to_json(const struct forecast_table *table, size_t i)
{
    char start[GR_RFC3339_SIZE];
    json_t *row =
        json_pack("{s:s}", "start", gr_rfc3339_format(start, table->start_s + (int64_t)i * table->step_s));
    for (size_t part = 0; row && part < FORECAST_PARTS; part++) {
        if (table->part[part] &&
            json_object_set_new(row, part_name[part], slot_to_json(&table->part[part][i])) != 0) {
            json_decref(row);
            row = NULL;
        }
    }
    return row;
}

static json_t *table_to_json(const struct forecast_table *table)
{
    json_t *levels = json_array();
    json_t *rows = json_array();
    for (size_t q = 0; q < GR_QUANTILES; q++) {
        (void)json_array_append_new(levels, json_real(gr_quantile_levels[q]));
    }
    for (size_t i = 0; i < table->slots; i++) {
        if (json_array_append_new(rows, row_to_json(table, i)) != 0) {
            json_decref(levels);
            json_decref(rows);
            return NULL;
        }
    }
    const struct forecast_findings *findings = table->findings;
    return json_pack("{s:i, s:o, s:o, s:o*, s:o*}", "step_s", (int)table->step_s, "levels", levels, "slots",
                     rows, "arrays", findings->plant ? plant_to_json(findings->plant) : NULL, "within",
                     findings->within ? within_to_json(findings->within) : NULL);
}

bool forecast_print_table(const struct forecast_table *table, bool json)
{
    if (json) {
        return print_json(table_to_json(table));
    }
    print_findings(table->findings);
    printf("%-26s", "start");
    for (size_t part = 0; part < FORECAST_PARTS; part++) {
        if (table->part[part]) {
            printf("%6s kW:   10 %%   25 %%   50 %%   75 %%   90 %%   mean", part_name[part]);
        }
    }
    putchar('\n');
    for (size_t i = 0; i < table->slots; i++) {
        char start[GR_RFC3339_SIZE];
        int64_t utc_s = table->start_s + (int64_t)i * table->step_s;
        printf("%-26s", gr_rfc3339_format_local(start, utc_s, gr_zone_offset_s(table->zone, utc_s)));
        for (size_t part = 0; part < FORECAST_PARTS; part++) {
            const struct gr_forecast_slot *slot = table->part[part] ? &table->part[part][i] : NULL;
            if (slot) {
                printf("%10s %6.3f %6.3f %6.3f %6.3f %6.3f %6.3f", "", slot->quantile_kw[0],
                       slot->quantile_kw[1], slot->quantile_kw[2], slot->quantile_kw[3], slot->quantile_kw[4],
                       slot->mean_kw);
            }
        }
        putchar('\n');
    }
    return fflush(stdout) == 0;
}
