/* What the figures of a back-test rest on, and what they leave open. */
#include "tool/backtest.h"

#include <math.h>
#include <stdarg.h>

enum { WHOLE_YEAR_DAYS = 360 };

static void note(struct gr_bt_notes *notes, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void note(struct gr_bt_notes *notes, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(notes->text[notes->count++], sizeof notes->text[0], format, arguments);
    va_end(arguments);
}

static void assume_knowledge(struct gr_bt_notes *notes, const struct gr_bt_scene *scene)
{
    if (scene->know_load || scene->know_solar || scene->know_price) {
        note(notes, "\"planned\" was told the truth of the time to come (%s%s%s), which no daemon can know.",
             scene->know_load ? " load" : "", scene->know_solar ? " sun" : "",
             scene->know_price ? " price" : "");
    }
    note(notes, "Forecasts use half hours that were over, and price tables that were published by then.");
    note(notes, scene->late_readings
                    ? "At a decision the daemon sees the powers of the slot before: harsher than any meter."
                    : "At a decision the daemon sees the powers of the slot that begins, as its meters "
                      "would show within moments.");
    if (scene->courses > 0) {
        note(notes,
             "Inside the usage's slots the load takes the courses, every 5 minutes, of slots of about the "
             "same "
             "mean among the %zu that the daemon saw whole (seed %llu); commands act on that.",
             scene->courses, (unsigned long long)scene->seed);
    } else if (scene->within_slot) {
        note(notes,
             "Inside the usage's slots powers jump by chance every 5 minutes (seed %llu); commands act "
             "on that.",
             (unsigned long long)scene->seed);
    } else {
        note(notes,
             "Powers are steady inside the usage's slots of %d minutes; commands act on what the house did, "
             "with the battery's losses.",
             scene->usage.step_s / 60);
    }
}

void gr_bt_assume(struct gr_bt_notes *notes, const struct gr_bt_scene *scene)
{
    const struct gr_battery *battery = &scene->config.engine.site.battery;
    notes->count = 0;
    note(notes, "What the house used does not depend on tariff or battery.");
    assume_knowledge(notes, scene);
    note(notes,
         "Battery: charges with up to %.3g kW and discharges with up to %.3g kW, whatever its size; charging "
         "keeps %.3g %%, discharging %.3g %% of the energy; %.3g W are lost all the time.",
         battery->charge_kw, battery->discharge_kw, 100 * battery->charge_efficiency,
         100 * battery->discharge_efficiency, 1000 * battery->standing_loss_kw);
    note(notes,
         "Every bill counts wear of %.4g %s for each kWh discharged; the price of the battery is not in it.",
         battery->wear_per_kwh, scene->config.currency);
    note(notes,
         "The battery starts half full; what is left at the end is worth the mean import price times the "
         "discharge efficiency, for every strategy alike.");
    note(notes,
         "Slots of which load or sun are missing are left out of every bill, standing charge included.");
}

static void doubt_period(struct gr_bt_notes *notes, const struct gr_bt_scene *scene,
                         const struct gr_backtest_sums *total)
{
    note(notes, "One past period is no promise: prices, weather and the household will differ.");
    if (total->days < WHOLE_YEAR_DAYS) {
        note(notes,
             "These are %.0f days, not a year: seasons are missing, and figures by the year are "
             "stretched from them.",
             total->days);
    }
    if (total->gaps > 0) {
        note(notes, "%zu of %zu slots have no usage and are left out.", total->gaps,
             total->gaps + total->steps);
    }
    if (scene->report.remarks[0]) {
        note(notes, "The usage file: %s.", scene->report.remarks);
    }
    if (scene->report.suspect_high > 0) {
        note(notes, "The usage file has %zu values so high that a wrong unit is likely.",
             scene->report.suspect_high);
    }
    if (!scene->usage.solar_kw) {
        note(notes, "The usage file has no column of sun: all is reckoned without panels.");
    }
}

static void doubt_bounds(struct gr_bt_notes *notes, const struct gr_bt_scene *scene,
                         const struct gr_bt_runs *runs)
{
    const struct gr_bt_run *unproven = gr_bt_unproven(runs);
    if (unproven) {
        note(
            notes,
            "Foresight is not proven to be the least that is possible everywhere: under %s it may cost up to "
            "%.2f %s too much. Shares marked ~ are by that much too high at most.",
            unproven->tariff->name, unproven->result.may_be_less, scene->config.currency);
    }
}

void gr_bt_doubt(struct gr_bt_notes *notes, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs)
{
    struct gr_bt_ranking ranking = gr_bt_rank(scene, runs, (struct gr_bt_pick){0});
    notes->count = 0;
    if (ranking.next) {
        double lead = ranking.next->result.total_cost - ranking.best->result.total_cost;
        double bill = fabs(ranking.next->none->result.total_cost);
        note(notes,
             "The cheapest tariff leads by %.2f %s, %.1f %% of the next one's bill without a battery, and "
             "is the cheapest in %zu of %zu months: the smaller these, the sooner another year turns it "
             "round.",
             lead, scene->config.currency, bill > 0 ? 100 * lead / bill : 0,
             gr_bt_months_won(scene, runs, ranking.best), ranking.best->result.month_count);
    }
    doubt_period(notes, scene, &runs->run[0].result.total);
    if (!scene->within_slot && scene->usage.step_s > 300) {
        note(notes,
             "Inside %d minutes the house is not steady. --within-slot model shows how much that matters.",
             scene->usage.step_s / 60);
    }
    doubt_bounds(notes, scene, runs);
    note(notes,
         "A battery loses capacity over the years; here it keeps what it has. Payback leaves interest and "
         "changes of price out.");
}
