/* What people see of a simulated run. */
#include "tool/simulate.h"
#include "tool/wrapped.h"

#include "config/json_text.h"
#include "granary/civil.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

static const char *const house_names[GR_SIM_HOUSES] = {
    [GR_SIM_GRANARY] = "with granary", [GR_SIM_FOLLOWING] = "battery follows", [GR_SIM_BARE] = "no battery"};

double gr_sim_left_value(const struct gr_sim_account *account, enum gr_sim_house house)
{
    return house == GR_SIM_BARE ? 0 : (account->stored_kwh[house] - account->start_kwh) * account->left_price;
}

double gr_sim_total(const struct gr_sim_account *account, enum gr_sim_house house)
{
    return gr_bill_total(&account->bill[house]) - gr_sim_left_value(account, house);
}

static double full_cycles(const struct gr_sim_view *view, const struct gr_sim_account *account)
{
    const struct gr_battery *battery = &view->scene->house.site.battery;
    return account->bill[GR_SIM_GRANARY].discharged_kwh / battery->discharge_efficiency /
           battery->capacity_kwh;
}

/* ---- header ---- */

static void print_house(struct gr_sim_view *view)
{
    const struct gr_house_scene *house = &view->scene->house;
    const struct gr_battery *battery = &house->site.battery;
    double peak_kw = 0;
    for (size_t i = 0; i < house->site.array_count; i++) {
        peak_kw += house->site.arrays[i].peak_kw;
    }
    fprintf(view->stream, "A battery of %.1f kWh (%.1f kW in, %.1f kW out), solar arrays of %.1f kW",
            battery->capacity_kwh, battery->charge_kw, battery->discharge_kw, peak_kw);
    if (house->car_kw > 0) {
        fprintf(view->stream, ", and a car that charges at %.1f kW", house->car_kw);
    }
    fputs(".\n", view->stream);
}

static void print_columns(struct gr_sim_view *view)
{
    bool car = view->scene->house.car_kw > 0;
    fprintf(view->stream, "\n       %s per kWh   power, kW (battery + charges, grid + imports)\n",
            view->config->currency);
    fprintf(view->stream, "time   import export  house   sun%s battery   grid full  command\n",
            car ? "   car" : "");
}

static void print_run(struct gr_sim_view *view, const struct gr_sim_options *options, int64_t from_s)
{
    char from[GR_RFC3339_SIZE];
    fprintf(view->stream, "Simulated house \"%s\", %g day%s from %s, ", view->config->engine.site.name,
            options->days, options->days == 1 ? "" : "s",
            gr_rfc3339_format_local(from, from_s, gr_zone_offset_s(view->zone, from_s)));
    if (options->speed > 0) {
        fprintf(view->stream, "%g times as fast as life.\n", options->speed);
    } else {
        fputs("as fast as the daemon answers.\n", view->stream);
    }
}

void gr_sim_print_header(struct gr_sim_view *view, const struct gr_sim_options *options, int64_t from_s)
{
    const struct gr_config *config = view->config;
    print_run(view, options, from_s);
    print_house(view);
    fprintf(
        view->stream,
        "Every %d simulated seconds the house publishes its readings, and the battery does what topic\n"
        "%s/5/%s/command/document says. Two more houses with the same sun and load run beside it for\n"
        "comparison: one whose battery only follows the house, and one without a battery.\n"
        "One line a half hour: means of it, and the command that was in force longest; below it, where that\n"
        "is another than before, the reason.\n",
        options->step_s, config->outputs.domain, config->outputs.device);
    if (!config->engine.safety.commanding) {
        fputs("The configuration only observes (commanding = false): nothing will be commanded.\n",
              view->stream);
    }
    print_columns(view);
    fflush(view->stream);
}

/* ---- lines ---- */

static void print_day(struct gr_sim_view *view, int64_t local_s)
{
    static const char *const weekdays[] = {"Monday", "Tuesday",  "Wednesday", "Thursday",
                                           "Friday", "Saturday", "Sunday"};
    struct gr_civil civil = gr_civil_from_seconds(local_s);
    int64_t day = gr_civil_seconds(&(struct gr_civil){civil.year, civil.month, civil.day, 0, 0, 0});
    if (day != view->day_shown) {
        fprintf(view->stream, "%s %04d-%02d-%02d\n", weekdays[gr_civil_weekday(local_s) - 1], civil.year,
                civil.month, civil.day);
        view->day_shown = day;
    }
}

static int longest_kind(const struct gr_sim_half_hour *half_hour)
{
    int longest = GR_FOLLOW;
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        longest = half_hour->seconds_of[kind] > half_hour->seconds_of[longest] ? kind : longest;
    }
    return longest;
}

/* Signed, and without the sign of a zero. */
static double tidy(double kw)
{
    return fabs(kw) < 0.005 ? 0 : kw;
}

void gr_sim_print_half_hour(struct gr_sim_view *view, const struct gr_sim_half_hour *half_hour)
{
    const struct gr_house_flow *sum = &half_hour->sum;
    double seconds = half_hour->seconds;
    int64_t local_s = gr_zone_local_s(view->zone, half_hour->start_s);
    struct gr_civil at = gr_civil_from_seconds(local_s);
    int kind = longest_kind(half_hour);
    char command[24];
    print_day(view, local_s);
    fprintf(view->stream, "%02d:%02d  %7.3f %6.3f %6.2f %5.2f", at.hour, at.minute,
            gr_sim_price(view->scene, GR_IMPORT, view->zone, half_hour->start_s),
            gr_sim_price(view->scene, GR_EXPORT_DIRECTION, view->zone, half_hour->start_s),
            sum->house_kw / seconds, (sum->solar_kw - sum->curtail_kw) / seconds);
    if (view->scene->house.car_kw > 0) {
        fprintf(view->stream, " %5.2f", sum->car_kw / seconds);
    }
    (void)snprintf(command, sizeof command, "%s", gr_command_name((enum gr_command_kind)kind));
    if (kind == GR_CHARGE || kind == GR_EXPORT) {
        (void)snprintf(command, sizeof command, "%s %.2f", gr_command_name((enum gr_command_kind)kind),
                       half_hour->power_kw[kind]);
    }
    fprintf(view->stream, " %+7.2f %+6.2f %3.0f%%  %s\n", tidy(sum->battery_kw / seconds),
            tidy(sum->grid_kw / seconds),
            100 * sum->stored_kwh / view->scene->house.site.battery.capacity_kwh, command);
    if (kind != view->kind_shown) {
        gr_print_wrapped(view->stream, half_hour->reason[kind], view->width);
        view->kind_shown = kind;
    }
    fflush(view->stream);
}

/* ---- bills ---- */

void gr_sim_print_bills(struct gr_sim_view *view, const struct gr_sim_account *account)
{
    const char *currency = view->config->currency;
    fprintf(view->stream, "\n%-16s %16s %18s %8s %16s %8s\n", currency, "bought", "sold", "wear",
            "left in battery", "total");
    for (int house = 0; house < GR_SIM_HOUSES; house++) {
        const struct gr_bill *bill = &account->bill[house];
        fprintf(view->stream, "%-16s %7.2f (%5.1f kWh) %6.2f (%5.1f kWh) %7.2f %+16.2f %8.2f\n",
                house_names[house], bill->import_cost, bill->import_kwh, bill->export_income,
                bill->export_kwh, bill->wear_cost, tidy(gr_sim_left_value(account, (enum gr_sim_house)house)),
                gr_sim_total(account, (enum gr_sim_house)house));
    }
    double own = gr_sim_total(account, GR_SIM_GRANARY);
    fprintf(view->stream,
            "What is left in a battery, more than the %.2f kWh at the start, counts at %.4f %s per stored "
            "kWh: the\n"
            "mean import price of the run, less the loss of discharging.\n",
            account->start_kwh, account->left_price, currency);
    fprintf(view->stream, "Saved: %.2f %s against a battery that only follows, %.2f %s against no battery.\n",
            tidy(gr_sim_total(account, GR_SIM_FOLLOWING) - own), currency,
            tidy(gr_sim_total(account, GR_SIM_BARE) - own), currency);
    fprintf(view->stream,
            "%.2f full cycles; the command changed %llu times; the daemon answered %llu of %llu steps.\n",
            full_cycles(view, account), (unsigned long long)account->changes,
            (unsigned long long)account->answered, (unsigned long long)account->steps);
    fflush(view->stream);
}

static json_t *bill_json(const struct gr_sim_account *account, enum gr_sim_house house)
{
    const struct gr_bill *bill = &account->bill[house];
    return json_pack("{s:f, s:f, s:f, s:f, s:f, s:f, s:f, s:f}", "import_kwh", bill->import_kwh,
                     "import_cost", bill->import_cost, "export_kwh", bill->export_kwh, "export_income",
                     bill->export_income, "discharged_kwh", bill->discharged_kwh, "wear_cost",
                     bill->wear_cost, "left_value", gr_sim_left_value(account, house), "total",
                     gr_sim_total(account, house));
}

int gr_sim_print_json(struct gr_sim_view *view, const struct gr_sim_account *account)
{
    char from[GR_RFC3339_SIZE], to[GR_RFC3339_SIZE];
    json_t *document = json_pack(
        "{s:s, s:s, s:s, s:o, s:o, s:o, s:f, s:f, s:f, s:I, s:I, s:I}", "from",
        gr_rfc3339_format(from, account->from_s), "to", gr_rfc3339_format(to, account->to_s), "currency",
        view->config->currency, "granary", bill_json(account, GR_SIM_GRANARY), "following",
        bill_json(account, GR_SIM_FOLLOWING), "no_battery", bill_json(account, GR_SIM_BARE), "start_kwh",
        account->start_kwh, "stored_kwh", account->stored_kwh[GR_SIM_GRANARY], "full_cycles",
        full_cycles(view, account), "changes", (json_int_t)account->changes, "steps",
        (json_int_t)account->steps, "answered", (json_int_t)account->answered);
    bool printed = gr_json_print(document, JSON_INDENT(2) | JSON_REAL_PRECISION(10), view->stream);
    json_decref(document);
    return printed ? GR_OK : GR_IO;
}
