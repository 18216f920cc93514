/* The report: one HTML file that needs nothing else. Its skeleton, style and script lie in report/; what
 * stands between double braces there is written by a function here. */
#include "tool/backtest.h"

#include "tool/report/assets.h"

#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

struct page {
    FILE *file;
    const struct gr_bt_scene *scene;
    const struct gr_bt_runs *runs;
    const char *figures; /* JSON */
};

/* ---- text and figures ---- */

static void put(const struct page *page, const char *html)
{
    (void)fputs(html, page->file);
}

/* Names come from outside: nothing in them may act as a tag, an entity or the end of an attribute. */
static void put_text(const struct page *page, const char *text)
{
    for (; *text; text++) {
        switch (*text) {
        case '&':
            put(page, "&amp;");
            break;
        case '<':
            put(page, "&lt;");
            break;
        case '>':
            put(page, "&gt;");
            break;
        case '"':
            put(page, "&quot;");
            break;
        case '\'':
            put(page, "&#39;");
            break;
        default:
            (void)putc(*text, page->file);
        }
    }
}

/* With a true minus sign, and none before what rounds to 0. */
static void put_number(const struct page *page, double value, int decimals, const char *unit)
{
    char text[64];
    (void)snprintf(text, sizeof text, "%.*f", decimals, fabs(value));
    bool is_zero = strspn(text, "0.") == strlen(text);
    (void)fprintf(page->file, "%s%s%s", value < 0 && !is_zero ? "−" : "", text, unit);
}

static void put_money(const struct page *page, double value)
{
    put_number(page, value, 2, "");
}

static void put_way(const struct page *page, const struct gr_bt_run *run)
{
    char way[GR_NAME_SIZE + 16];
    put(page, "<span class=\"way\">");
    put_text(page, gr_bt_way(way, run));
    put(page, "</span>");
}

static void put_cell(const struct page *page, double value, int decimals, const char *unit)
{
    put(page, "<td class=\"n\">");
    if (isfinite(value)) {
        put_number(page, value, decimals, unit);
    } else {
        put(page, "–");
    }
    put(page, "</td>");
}

/* ---- tables ---- */

/* A table may be wider than a phone: then it moves inside a frame of its own, by the keyboard too. */
static void open_table(const struct page *page, const char *id, const char *caption, bool wide)
{
    (void)fprintf(page->file, "<p class=\"caption\" id=\"%s-caption\">", id);
    put_text(page, caption);
    (void)fprintf(
        page->file,
        "</p>\n<div class=\"table%s\" tabindex=\"0\" role=\"region\" aria-labelledby=\"%s-caption\">\n",
        wide ? " wide" : "", id);
    (void)fprintf(page->file, "<table id=\"%s-table\" aria-labelledby=\"%s-caption\">\n", id, id);
}

static void close_table(const struct page *page)
{
    put(page, "</tbody>\n</table>\n</div>\n");
}

/* The first `texts` columns hold names, the others figures. */
static void put_heads(const struct page *page, const char *const *head, size_t count, size_t texts)
{
    put(page, "<thead><tr>");
    for (size_t i = 0; i < count; i++) {
        put(page, i < texts ? "<th scope=\"col\">" : "<th scope=\"col\" class=\"n\">");
        put_text(page, head[i]);
        put(page, "</th>");
    }
    put(page, "</tr></thead>\n<tbody>\n");
}

#define COUNT(list) (sizeof(list) / sizeof *(list))

static void open_row(const struct page *page, bool best, bool first)
{
    (void)fprintf(page->file, "<tr%s><th scope=\"row\">",
                  best    ? " class=\"best\""
                  : first ? " class=\"first\""
                          : "");
}

/* ---- head ---- */

static void put_title(const struct page *page)
{
    put_text(page, page->scene->config.engine.site.name);
    put(page, ": which tariff, which strategy, which battery");
}

static void put_period(const struct page *page)
{
    const struct gr_bt_scene *scene = page->scene;
    const struct gr_backtest_sums *total = &page->runs->run[0].result.total;
    char from[16], to[16];
    (void)fprintf(page->file, "<p class=\"period\">%s to %s. The house took %.0f kWh, ",
                  gr_bt_day(from, scene->zone, scene->from_s), gr_bt_day(to, scene->zone, scene->to_s - 1),
                  total->house_kwh);
    if (scene->usage.solar_kw) {
        (void)fprintf(page->file, "its panels gave %.0f kWh. ", total->solar_kwh);
    } else {
        put(page, "of the sun nothing is known. ");
    }
    put(page, "Money in ");
    put_text(page, scene->config.currency);
    put(page, ".</p>\n");
}

static void put_policy(const struct page *page)
{
    (void)fprintf(
        page->file,
        "default-src 'none'; script-src 'sha256-%s' 'sha256-%s'; style-src 'sha256-%s'; img-src data:; "
        "base-uri 'none'; form-action 'none'",
        gr_asset_d3.sha256, gr_asset_js.sha256, gr_asset_css.sha256);
}

static void put_asset(const struct page *page, const struct gr_asset *asset)
{
    (void)fwrite(asset->bytes, 1, asset->length, page->file);
}

static void put_style(const struct page *page)
{
    put_asset(page, &gr_asset_css);
}

static void put_library(const struct page *page)
{
    put_asset(page, &gr_asset_d3);
}

static void put_script(const struct page *page)
{
    put_asset(page, &gr_asset_js);
}

static void put_figures(const struct page *page)
{
    put(page, page->figures);
}

/* ---- the answer ---- */

static void open_figure(const struct page *page, const char *name)
{
    (void)fprintf(page->file, "<div><dt>%s</dt><dd>", name);
}

static void put_lead(const struct page *page, const struct gr_bt_ranking *ranking)
{
    const struct gr_bt_run *best = ranking->best, *next = ranking->next;
    put(page, "<p class=\"lead\"><b>");
    put_text(page, best->tariff->name);
    put(page, "</b> with <b>");
    put_way(page, best);
    put(page, "</b> is the cheapest");
    if (next) {
        put(page, ": ");
        put_money(page, next->result.total_cost - best->result.total_cost);
        put(page, " ");
        put_text(page, page->scene->config.currency);
        put(page, " less than the next tariff, ");
        put_text(page, next->tariff->name);
        put(page, " with ");
        put_way(page, next);
        (void)fprintf(page->file, ". It was the cheapest in %zu of %zu months",
                      gr_bt_months_won(page->scene, page->runs, best), best->result.month_count);
    }
    put(page, ".</p>\n");
}

static void put_key_figures(const struct page *page, const struct gr_bt_ranking *ranking)
{
    const struct gr_bt_run *best = ranking->best;
    double payback = gr_bt_payback_years(page->scene, best);
    put(page, "<dl class=\"figures\">\n");
    open_figure(page, "Total cost");
    put_money(page, best->result.total_cost);
    double days = round(best->result.total.days);
    (void)fprintf(page->file, "<small>in %.0f %s</small></dd></div>\n", days, days == 1 ? "day" : "days");
    if (ranking->next) {
        open_figure(page, "Less than the next tariff");
        put_money(page, ranking->next->result.total_cost - best->result.total_cost);
        put(page, "</dd></div>\n");
    }
    if (best->strategy->kind != GR_STRATEGY_NONE) {
        open_figure(page, "Less than without a battery");
        put_money(page, gr_bt_saving(best));
        put(page, "<small>same tariff</small></dd></div>\n");
    }
    if (isfinite(gr_bt_telling_share(best))) {
        open_figure(page, "Share of foresight");
        put_number(page, 100 * best->share_of_foresight, 0, " %");
        put(page, "</dd></div>\n");
    }
    if (isfinite(payback)) {
        open_figure(page, "Battery paid for in");
        put_number(page, payback, 1, " years");
        put(page, "</dd></div>\n");
    }
    put(page, "</dl>\n");
}

static void put_soonest_paid(const struct page *page)
{
    const struct gr_bt_run *run = gr_bt_soonest_paid(page->scene, page->runs);
    if (run) {
        put(page, "<p>The battery that has paid for itself soonest: ");
        put_way(page, run);
        put(page, " with ");
        put_text(page, run->tariff->name);
        put(page, ", in ");
        put_number(page, gr_bt_payback_years(page->scene, run), 1, " years.</p>\n");
    }
}

static void put_answer(const struct page *page)
{
    struct gr_bt_ranking ranking = gr_bt_rank(page->scene, page->runs, (struct gr_bt_pick){0});
    if (!ranking.best) {
        put(page, "<p class=\"lead\">Only foresight was asked for, which nobody can have: there is no "
                  "winner.</p>\n");
        return;
    }
    put_lead(page, &ranking);
    put_key_figures(page, &ranking);
    put_soonest_paid(page);
}

static void put_notice(const struct page *page)
{
    put(page, "<noscript><p class=\"notice\">The charts need scripts; every figure stands in the "
              "tables.</p></noscript>\n");
    if (gr_asset_d3.length == 0) {
        put(page, "<p class=\"notice\">This granary was built without the chart library (Debian's package "
                  "node-d3): there "
                  "are no charts. Every figure stands in the tables.</p>\n");
    }
}

static void put_winner(const struct page *page, const struct gr_bt_run *like)
{
    struct gr_bt_ranking ranking =
        gr_bt_rank(page->scene, page->runs,
                   (struct gr_bt_pick){.strategy = like->strategy, .battery_kwh = like->capacity_kwh});
    struct gr_bt_ranking all = gr_bt_rank(page->scene, page->runs, (struct gr_bt_pick){0});
    open_row(page, ranking.best == all.best, false);
    put_way(page, like);
    put(page, "</th><td>");
    put_text(page, ranking.best->tariff->name);
    put(page, "</td>");
    put_cell(page, ranking.best->result.total_cost, 2, "");
    if (ranking.next) {
        put(page, "<td class=\"n\">");
        put_money(page, ranking.next->result.total_cost - ranking.best->result.total_cost);
        put(page, " <small>than ");
        put_text(page, ranking.next->tariff->name);
        put(page, "</small></td>");
    }
    put(page, "</tr>\n");
}

static void put_winners(const struct page *page)
{
    static const char *const head[] = {"strategy and battery", "cheapest tariff", "total", "less"};
    const struct gr_bt_runs *runs = page->runs;
    open_table(page, "winners", "The cheapest tariff for each strategy and battery", false);
    put_heads(page, head, page->scene->tariffs > 1 ? 4 : 3, 2);
    for (size_t i = 0; i < runs->count; i++) {
        if (runs->run[i].tariff == &page->scene->tariff[0] && gr_bt_is_row(page->scene, &runs->run[i])) {
            put_winner(page, &runs->run[i]);
        }
    }
    close_table(page);
}

/* ---- months ---- */

/* Each tariff at its best; the script changes it with what is chosen. */
static void put_months(const struct page *page)
{
    const struct gr_bt_run *best[GR_BT_MOST];
    const char *head[GR_BT_MOST + 1] = {"month"};
    size_t count = 0;
    char month[16];
    for (size_t t = 0; t < page->scene->tariffs; t++) {
        best[count] =
            gr_bt_cheapest(page->scene, page->runs, (struct gr_bt_pick){.tariff = &page->scene->tariff[t]});
        if (best[count]) {
            head[++count] = page->scene->tariff[t].name;
        }
    }
    open_table(page, "months", "Cost of each month, every tariff at its cheapest", false);
    put_heads(page, head, count + 1, 1);
    for (size_t m = 0; count > 0 && m < best[0]->result.month_count; m++) {
        open_row(page, false, false);
        (void)fprintf(page->file, "<span class=\"way\">%s</span></th>",
                      gr_bt_month(month, page->scene->zone, best[0]->result.months[m].start_s));
        for (size_t t = 0; t < count; t++) {
            put_cell(page, gr_backtest_cost(&best[t]->result.months[m]), 2, "");
        }
        put(page, "</tr>\n");
    }
    close_table(page);
}

/* ---- battery ---- */

static void put_battery_row(const struct page *page, const struct gr_bt_run *run, bool first)
{
    const struct gr_bt_scene *scene = page->scene;
    open_row(page, false, first);
    put_text(page, run->tariff->name);
    put(page, "</th><td>");
    put_text(page, run->strategy->name);
    put(page, "</td>");
    put_cell(page, run->capacity_kwh, 1, "");
    put_cell(page, gr_bt_saving_per_year(run), 2, "");
    put_cell(page, gr_bt_cycles_per_year(run), 0, "");
    if (isfinite(gr_bt_battery_price(scene, run))) {
        double years = gr_bt_payback_years(scene, run);
        put_cell(page, gr_bt_battery_price(scene, run), 2, "");
        if (isnan(years)) {
            put(page, "<td class=\"n\">never</td>");
        } else {
            put_cell(page, years, 1, "");
        }
        put_cell(page, years * gr_bt_cycles_per_year(run), 0, "");
    }
    put(page, "</tr>\n");
}

/* For each tariff and size its best strategy. */
static void put_battery(const struct page *page)
{
    static const char *const head[] = {
        "tariff", "best strategy",       "kWh",           "saving a year", "cycles a year",
        "price",  "years to pay for it", "cycles by then"};
    const struct gr_bt_scene *scene = page->scene;
    bool priced = isfinite(scene->battery_price[0]);
    open_table(page, "battery", "What each battery saves in a year against none", false);
    put_heads(page, head, priced ? COUNT(head) : 5, 2);
    for (size_t t = 0; t < scene->tariffs; t++) {
        for (size_t b = 0; b < scene->sizes; b++) {
            const struct gr_bt_run *run =
                gr_bt_cheapest_battery(scene, page->runs, &scene->tariff[t], scene->battery_kwh[b]);
            if (run) {
                put_battery_row(page, run, b == 0);
            }
        }
    }
    close_table(page);
    put(page,
        priced
            ? "<p class=\"note\">Wear is not taken off the saving: the price of the battery is what its wear "
              "costs. Interest, fading and changes of price are left out. Compare the cycles with what the "
              "maker warrants.</p>\n"
            : "<p class=\"note\">When a battery has paid for itself is not said, because no price was given: "
              "--battery-price or --battery-price-per-kwh tells it.</p>\n");
}

/* ---- all figures ---- */

static void put_result(const struct page *page, const struct gr_bt_run *run, bool best, bool first)
{
    const struct gr_backtest_result *result = &run->result;
    const struct gr_backtest_sums *total = &result->total;
    bool has_battery = run->strategy->kind != GR_STRATEGY_NONE;
    open_row(page, best, first);
    put_text(page, run->tariff->name);
    put(page, "</th><td>");
    put_text(page, run->strategy->name);
    put(page, "</td>");
    put_cell(page, has_battery ? run->capacity_kwh : NAN, 1, "");
    put_cell(page, total->import_kwh, 0, "");
    put_cell(page, total->export_kwh, 0, "");
    const double money[] = {total->import_cost, total->export_income, total->standing_charge,
                            total->peak_charge, total->wear_cost,     result->left_value,
                            result->total_cost, gr_bt_saving(run)};
    for (size_t i = 0; i < COUNT(money); i++) {
        put_cell(page, money[i], 2, "");
    }
    put_cell(page, 100 * gr_bt_telling_share(run), 1, " %");
    put_cell(page, 100 * gr_bt_saving_share(run), 1, " %");
    put_cell(page, has_battery ? result->cycles : NAN, 0, "");
    put_cell(page, 100 * result->self_sufficiency, 0, " %");
    put(page, "</tr>\n");
}

static void put_all(const struct page *page)
{
    static const char *const head[] = {"tariff",     "strategy",           "kWh",
                                       "bought kWh", "sold kWh",           "import",
                                       "export",     "standing",           "peak",
                                       "wear",       "left over",          "total",
                                       "saving",     "share of foresight", "saving as a share of foresight's",
                                       "cycles",     "self-sufficiency"};
    const struct gr_bt_run *best = gr_bt_cheapest(page->scene, page->runs, (struct gr_bt_pick){0});
    const struct gr_backtest_tariff *last = NULL;
    open_table(page, "all", "Every tariff, strategy and battery", true);
    put_heads(page, head, COUNT(head), 2);
    for (size_t i = 0; i < page->runs->count; i++) {
        const struct gr_bt_run *run = &page->runs->run[i];
        if (gr_bt_is_row(page->scene, run)) {
            put_result(page, run, run == best, run->tariff != last);
            last = run->tariff;
        }
    }
    close_table(page);
    put(page, "<p class=\"note\">Total = import − export + standing + peak + wear − left over. Saving: "
              "against no battery under "
              "the same tariff. Share of foresight: (cost of follow − cost) / (cost of follow − cost of "
              "foresight), peak "
              "charges apart. Self-sufficiency: share of the house's energy that was not bought; filling "
              "from the grid can make "
              "it negative.</p>\n");
}

/* ---- notes ---- */

static void put_notes(const struct page *page, const struct gr_bt_notes *notes)
{
    put(page, "<ul>\n");
    for (size_t i = 0; i < notes->count; i++) {
        put(page, "<li>");
        put_text(page, notes->text[i]);
        put(page, "</li>\n");
    }
    put(page, "</ul>\n");
}

static void put_basis(const struct page *page)
{
    struct gr_bt_notes notes;
    gr_bt_assume(&notes, page->scene);
    put_notes(page, &notes);
}

static void put_doubt(const struct page *page)
{
    struct gr_bt_notes notes;
    gr_bt_doubt(&notes, page->scene, page->runs);
    put_notes(page, &notes);
}

static void put_footer(const struct page *page)
{
    put(page, "<p>Written by granary " GRANARY_VERSION
              ", command backtest. A battery and its wiring are work for a licensed "
              "person under the rules of the place.</p>\n");
    if (gr_asset_d3.length > 0) {
        put(page, "<details><summary>The charts are drawn with D3: its licence</summary>\n<pre>");
        put_asset(page, &gr_asset_d3_licence);
        put(page, "</pre></details>\n");
    }
}

/* ---- the page ---- */

static const struct {
    const char *name;
    void (*write)(const struct page *page);
} slots[] = {
    {"title", put_title},     {"policy", put_policy},   {"style", put_style},     {"period", put_period},
    {"answer", put_answer},   {"notice", put_notice},   {"winners", put_winners}, {"months", put_months},
    {"battery", put_battery}, {"all", put_all},         {"basis", put_basis},     {"doubt", put_doubt},
    {"footer", put_footer},   {"figures", put_figures}, {"library", put_library}, {"script", put_script}};

static void write_slot(const struct page *page, const char *name, size_t length)
{
    for (size_t i = 0; i < COUNT(slots); i++) {
        if (strlen(slots[i].name) == length && strncmp(slots[i].name, name, length) == 0) {
            slots[i].write(page);
        }
    }
}

static void write_page(const struct page *page)
{
    const char *at = (const char *)gr_asset_html.bytes; /* ends in a 0 */
    for (const char *open; (open = strstr(at, "{{")) != NULL;) {
        const char *close = strstr(open, "}}");
        (void)fwrite(at, 1, (size_t)(open - at), page->file);
        write_slot(page, open + 2, (size_t)(close - open) - 2);
        at = close + 2;
    }
    put(page, at);
}

int gr_bt_write_report(const char *path, const struct gr_bt_scene *scene, const struct gr_bt_runs *runs,
                       struct gr_error *error)
{
    char *figures = gr_bt_report_figures(scene, runs);
    if (!figures) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for the report");
    }
    FILE *file = fopen(path, "w");
    if (!file) {
        int reason = errno;
        free(figures);
        return gr_error_set(error, GR_IO, "%s: cannot be written: %s", path, strerror(reason));
    }
    write_page(&(struct page){file, scene, runs, figures});
    free(figures);
    bool failed = ferror(file) != 0;
    if (fclose(file) != 0 || failed) {
        return gr_error_set(error, GR_IO, "%s: cannot be written whole: %s", path, strerror(errno));
    }
    return GR_OK;
}
