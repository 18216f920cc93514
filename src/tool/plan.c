/* granary plan: the plan from the present rates, as a table or as JSON. */
#include "config/json_text.h"
#include "daemon/clock.h"
#include "daemon/feed.h"
#include "daemon/keeper.h"
#include "daemon/plan_json.h"
#include "granary/bridge.h"
#include "granary/civil.h"
#include "granary/config.h"
#include "granary/engine.h"
#include "tool/plan_explain.h"
#include "tool/read_config.h"
#include "tool/tool.h"
#include "tool/wrapped.h"

#include <inttypes.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const int64_t rates_wait_ms = 35000;
static const int64_t state_wait_ms = 5000;
static const double assumed_percent = 50;

struct call {
    const char *file;
    bool json;
    struct gr_run run; /* hours 0: none */
    bool explains;
    struct gr_told_time explained;
    double percent; /* NAN: to be found out */
    bool feels;     /* the battery's temperature is known */
    const char *percent_source;
    struct gr_moment now;
};

struct work {
    struct gr_config *config;
    struct gr_zone *zone;
    struct gr_engine *engine;
    struct gr_store *store;
    struct gr_fetch *fetch;
    struct gr_feed *feed;
};

static void print_usage(FILE *stream)
{
    (void)fputs(
        "Usage: granary plan [--state-of-charge PERCENT] [--at TIME] [--with POWER,TIME] [--explain TIME] "
        "[--json] CONFIG\n\n"
        "Prints what would be done from now to the end of the planning horizon.\n\n"
        "  --state-of-charge PERCENT  start from this; else the broker is asked for 5 s, else 50 % "
        "is assumed\n"
        "  --at TIME                  plan from this moment (RFC 3339, 2026-03-10T18:00:00+01:00), "
        "not from now\n"
        "  --with POWER,TIME          when a run like 1.2kW,2h had best begin, and what it costs\n"
        "  --explain TIME             only the slot at that time (18:00 is the first in the plan; local "
        "2026-03-10T18:00,\n"
        "                             or with an offset): what else could be done, and what it would "
        "cost more\n"
        "  --json                     one JSON object for programs\n",
        stream);
}

static bool parse_percent(struct call *call, const char *text)
{
    char *end;
    call->percent = strtod(text, &end);
    call->percent_source = "as given";
    if (end == text || *end || !(call->percent >= 0 && call->percent <= 100)) {
        (void)fprintf(stderr, "granary plan: --state-of-charge %s: a number from 0 to 100 is wanted\n", text);
        return false;
    }
    return true;
}

static bool parse_time(struct call *call, const char *text)
{
    if (gr_rfc3339_parse(&call->now.utc_s, text, strlen(text)) != GR_OK) {
        (void)fprintf(stderr, "granary plan: --at %s: a time like 2026-03-10T18:00:00+01:00 is wanted\n",
                      text);
        return false;
    }
    return true;
}

static bool parse_explained(struct call *call, const char *text)
{
    call->explains = true;
    if (gr_told_time_read(&call->explained, text) != GR_OK) {
        (void)fprintf(stderr,
                      "granary plan: --explain %s: a time like 18:00, 2026-03-10T18:00 or "
                      "2026-03-10T18:00:00+01:00 is wanted\n",
                      text);
        return false;
    }
    return true;
}

/* "1.2kW,2h". */
static bool parse_run(struct call *call, const char *text)
{
    char *unit, *end;
    call->run.kw = strtod(text, &unit);
    bool good = unit != text && strncmp(unit, "kW,", 3) == 0;
    call->run.hours = good ? strtod(unit + 3, &end) : 0;
    if (!good || end == unit + 3 || strcmp(end, "h") != 0 || !(call->run.kw > 0 && call->run.kw <= 50) ||
        !(call->run.hours > 0 && call->run.hours <= 24)) {
        (void)fprintf(stderr, "granary plan: --with %s: a power and a time like 1.2kW,2h are wanted\n", text);
        return false;
    }
    return true;
}

/* Returns -1 to go on, or the exit status. */
static int parse_arguments(struct call *call, int argc, char **argv)
{
    for (int i = 1; i < argc; i++) {
        bool more = i + 1 < argc;
        if (strcmp(argv[i], "--help") == 0) {
            print_usage(stdout);
            return 0;
        }
        if (strcmp(argv[i], "--json") == 0) {
            call->json = true;
        } else if (strcmp(argv[i], "--state-of-charge") == 0 && more) {
            if (!parse_percent(call, argv[++i])) {
                return 2;
            }
        } else if (strcmp(argv[i], "--with") == 0 && more) {
            if (!parse_run(call, argv[++i])) {
                return 2;
            }
        } else if (strcmp(argv[i], "--explain") == 0 && more) {
            if (!parse_explained(call, argv[++i])) {
                return 2;
            }
        } else if (strcmp(argv[i], "--at") == 0 && more) {
            if (!parse_time(call, argv[++i])) {
                return 2;
            }
        } else if (argv[i][0] != '-' && !call->file) {
            call->file = argv[i];
        } else {
            (void)fprintf(stderr, "granary plan: \"%s\" is not understood here\n\n", argv[i]);
            print_usage(stderr);
            return 2;
        }
    }
    if (!call->file) {
        print_usage(stderr);
        return 2;
    }
    return -1;
}

/* ---- gathering ---- */

/* The daemon's store, if it is there and may be read: past days make better plans, and stored rates spare a
 * fetch. */
static void open_store(struct work *work, struct gr_moment now)
{
    struct gr_error error = {""};
    char file[GR_PATH_SIZE + 16];
    const char *folder = gr_state_folder(&work->config->outputs);
    (void)snprintf(file, sizeof file, "%s/granary.db", folder ? folder : "");
    if (!folder || access(file, R_OK | W_OK) != 0) {
        return;
    }
    if (gr_store_open(&work->store, file, now.utc_s, &error) != GR_OK) {
        work->store = NULL;
        (void)fprintf(stderr, "granary plan: %s; going on without history\n", error.text);
    }
}

static void gather_rates(struct work *work, struct gr_moment now)
{
    int64_t deadline_ms = gr_clock_mono_ms() + rates_wait_ms;
    gr_feed_turn(work->feed, &now);
    while (gr_feed_pending(work->feed) > 0 && gr_clock_mono_ms() < deadline_ms) {
        (void)gr_fetch_wait(work->fetch, NULL, 0, 200, NULL);
        /* Today's table may come in first and tomorrow's be wanted then. */
        if (gr_feed_collect(work->feed, &now)) {
            gr_feed_turn(work->feed, &now);
        }
    }
}

static bool take_value(double *out, const struct gr_config *config, enum gr_channel channel,
                       const struct gr_bridge_event *event)
{
    const struct gr_input *input = &config->inputs[channel];
    return event->kind == GR_BRIDGE_MESSAGE && !event->oversized && input->configured &&
           gr_topic_matches(input->topic, event->topic) &&
           gr_payload_read(out, input, channel, config->engine.site.battery.capacity_kwh, event->payload,
                           event->length, NULL) == GR_OK;
}

/* A remembered temperature is better than none. */
static void take_event(struct work *work, const struct gr_bridge_event *event, struct call *call)
{
    double battery_c;
    if (isnan(call->percent) && take_value(&call->percent, work->config, GR_STATE_OF_CHARGE, event)) {
        call->percent_source = event->retained ? "as the broker remembers it" : "as read from the broker";
    }
    if (take_value(&battery_c, work->config, GR_BATTERY_TEMPERATURE, event)) {
        struct gr_event reading = {.kind = GR_EVENT_READING,
                                   .at = call->now,
                                   .of.reading = {.channel = GR_BATTERY_TEMPERATURE, .value = battery_c}};
        call->feels = gr_engine_handle(work->engine, &reading, NULL) == GR_OK;
    }
}

static void ask_broker(struct work *work, struct call *call)
{
    struct gr_bridge *bridge = NULL;
    struct gr_mqtt mqtt = work->config->mqtt;
    const struct gr_input *inputs = work->config->inputs;
    const char *filters[2] = {inputs[GR_STATE_OF_CHARGE].topic, inputs[GR_BATTERY_TEMPERATURE].topic};
    bool wants_temperature = inputs[GR_BATTERY_TEMPERATURE].configured;
    int64_t deadline_ms = gr_clock_mono_ms() + state_wait_ms;
    (void)snprintf(mqtt.client_id, sizeof mqtt.client_id, "granary-plan-%d", (int)getpid());
    if (gr_bridge_create(&bridge, &mqtt, NULL, 0, filters, wants_temperature ? 2 : 1, (uint64_t)getpid(),
                         NULL) != GR_OK) {
        return;
    }
    while ((isnan(call->percent) || (wants_temperature && !call->feels)) &&
           gr_clock_mono_ms() < deadline_ms) {
        struct gr_bridge_event event;
        struct curl_waitfd fd = {.fd = gr_bridge_fd(bridge), .events = CURL_WAIT_POLLIN};
        gr_bridge_step(bridge, gr_clock_mono_ms());
        (void)gr_fetch_wait(work->fetch, &fd, 1, 200, NULL);
        while (gr_bridge_next(bridge, &event)) {
            take_event(work, &event, call);
            gr_bridge_event_free(&event);
        }
    }
    gr_bridge_free(bridge, 1000);
}

static int gather(struct work *work, struct call *call)
{
    struct gr_error error = {""};
    work->config = gr_tool_read_config(call->file);
    if (!work->config) {
        return 2;
    }
    open_store(work, call->now);
    if (gr_zone_load(&work->zone, work->config->engine.site.timezone, &error) != GR_OK ||
        gr_engine_create(&work->engine, &work->config->engine, work->zone, 0, &error) != GR_OK ||
        gr_fetch_create(&work->fetch, &error) != GR_OK ||
        gr_feed_create(&work->feed, work->config, work->zone, work->engine, work->fetch, work->store, 0,
                       &call->now, &error) != GR_OK) {
        (void)fprintf(stderr, "granary plan: %s\n", error.text);
        return 1;
    }
    if (work->store) {
        (void)gr_history_restore(work->store, work->engine, &call->now, NULL);
    }
    gather_rates(work, call->now);
    if (isnan(call->percent) || work->config->inputs[GR_BATTERY_TEMPERATURE].configured) {
        ask_broker(work, call);
    }
    if (isnan(call->percent)) {
        call->percent = assumed_percent;
        call->percent_source = "assumed: the broker told none";
    }
    return 0;
}

static void release(struct work *work)
{
    gr_feed_free(work->feed);
    gr_fetch_free(work->fetch);
    gr_engine_free(work->engine);
    gr_store_close(work->store);
    gr_zone_free(work->zone);
    free(work->config);
}

/* ---- printing ---- */

static void print_day(const struct gr_zone *zone, int64_t utc_s, bool carbon)
{
    static const char *const weekdays[] = {"Monday", "Tuesday",  "Wednesday", "Thursday",
                                           "Friday", "Saturday", "Sunday"};
    int64_t local_s = gr_zone_local_s(zone, utc_s);
    struct gr_civil day = gr_civil_from_seconds(local_s);
    printf("\n%s %04d-%02d-%02d (%s)\n", weekdays[gr_civil_weekday(local_s) - 1], day.year, day.month,
           day.day, gr_zone_abbreviation(zone, utc_s));
    printf("time    import  export   house    sun  command         battery    grid  charge    cost  kWh "
           "worth%s\n",
           carbon ? "      CO2" : "");
    printf("         /kWh    /kWh      kW     kW                       kW      kW       %%%s\n",
           carbon ? "                        kg" : "");
}

/* Without the sign of what is printed as zero. */
static double unsigned_zero(double value, double least_printed)
{
    return fabs(value) < least_printed / 2 ? 0 : value;
}

static void print_slot(const struct work *work, const struct gr_plan_slot *slot, bool carbon)
{
    struct gr_civil start = gr_civil_from_seconds(gr_zone_local_s(work->zone, slot->start_s));
    char command[24];
    bool powered = slot->kind == GR_CHARGE || slot->kind == GR_EXPORT;
    (void)snprintf(command, sizeof command, powered ? "%s %.2f kW" : "%s", gr_command_name(slot->kind),
                   slot->power_kw);
    printf("%02d:%02d  %7.4f%c%7.4f  %6.2f %6.2f  %-14s  %7.2f %7.2f  %6.0f %7.3f   %8.4f", start.hour,
           start.minute, slot->import_price, slot->expected_price ? '*' : ' ', slot->export_price,
           slot->house_kw, slot->solar_kw, command, unsigned_zero(slot->battery_kw, 0.01),
           unsigned_zero(slot->grid_kw, 0.01),
           slot->stored_kwh / work->config->engine.site.battery.capacity_kwh * 100,
           unsigned_zero(slot->cost, 0.001), slot->marginal_value_per_kwh);
    if (carbon && isnan(slot->import_co2_kg)) {
        printf("        -");
    } else if (carbon) {
        printf(" %8.3f", slot->import_co2_kg);
    }
    (void)putchar('\n');
    gr_print_wrapped(stdout, slot->reason, REASON_COLUMNS);
}

static void print_table(const struct work *work, const struct call *call, const struct gr_plan_view *plan)
{
    char made[GR_RFC3339_SIZE];
    bool expected = false, carbon = !isnan(plan->import_co2_kg);
    int64_t day_s = INT64_MIN;
    printf("%s: plan of %s, starting at %.0f %% (%s); prices in %s\n", work->config->engine.site.name,
           gr_rfc3339_format_local(made, plan->made_s, gr_zone_offset_s(work->zone, plan->made_s)),
           call->percent, call->percent_source, work->config->currency);
    for (size_t i = 0; i < plan->count; i++) {
        int64_t slot_day_s = gr_zone_day_start_s(work->zone, plan->slots[i].start_s, 0);
        if (slot_day_s != day_s) {
            print_day(work->zone, plan->slots[i].start_s, carbon);
            day_s = slot_day_s;
        }
        print_slot(work, &plan->slots[i], carbon);
        expected = expected || plan->slots[i].expected_price;
    }
    printf("\n%zu slots, cost %.2f %s (import less export, plus wear). Battery: + charges; grid: + imports; "
           "means over the likely "
           "courses of the day.\n",
           plan->count, plan->cost, work->config->currency);
    if (carbon) {
        printf("What is imported stands for %.2f kg of carbon dioxide.\n", plan->import_co2_kg);
    }
    if (work->config->inputs[GR_BATTERY_TEMPERATURE].configured && !call->feels) {
        puts("The battery's temperature is not known: it is taken for the worst that charge_by_temperature "
             "tells of.");
    }
    if (expected) {
        puts("* not published yet: the mean of the same time on earlier days.");
    }
}

/* False, said on standard error, where it does not fit. */
static bool choose_run(const struct work *work, const struct call *call, const struct gr_plan_view *plan,
                       struct gr_run_choice *out)
{
    struct gr_error error = {""};
    struct gr_run run = call->run;
    run.earliest_s = call->now.utc_s;
    run.ready_by_s = plan->count ? plan->slots[plan->count - 1].end_s : run.earliest_s;
    if (gr_engine_run(work->engine, &run, out, &error) != GR_OK) {
        (void)fprintf(stderr, "granary plan: %s\n", error.text);
        return false;
    }
    return true;
}

static void print_run(const struct work *work, const struct call *call, const struct gr_plan_view *plan)
{
    struct gr_run_choice choice;
    if (call->run.hours <= 0 || !choose_run(work, call, plan, &choice)) {
        return;
    }
    struct gr_civil start = gr_civil_from_seconds(gr_zone_local_s(work->zone, choice.start_s));
    printf(
        "\nA run of %.2f kW for %g h had best begin on %04d-%02d-%02d at %02d:%02d: it then costs %.2f %s, "
        "begun now %.2f %s.\n",
        call->run.kw, call->run.hours, start.year, start.month, start.day, start.hour, start.minute,
        unsigned_zero(choice.cost, 0.01), work->config->currency, unsigned_zero(choice.cost_now, 0.01),
        work->config->currency);
}

/* Drops the value. The exit status. */
static int print_value(json_t *value)
{
    bool printed = gr_json_print(value, JSON_INDENT(1) | JSON_REAL_PRECISION(9), stdout);
    json_decref(value);
    if (!printed) {
        fputs("granary plan: the plan cannot be written to the standard output\n", stderr);
    }
    return printed ? 0 : 1;
}

static int print_json(const struct work *work, const struct call *call, const struct gr_plan_view *plan)
{
    char made[GR_RFC3339_SIZE];
    json_t *root =
        json_pack("{s:s, s:s, s:f, s:s, s:f, s:o}", "site", work->config->engine.site.name, "made",
                  gr_rfc3339_format(made, plan->made_s), "state_of_charge_percent", call->percent, "currency",
                  work->config->currency, "cost", plan->cost, "slots", gr_plan_to_json(plan));
    struct gr_run_choice choice;
    if (!isnan(plan->import_co2_kg)) {
        json_object_set_new(root, "import_co2_kg", json_real(plan->import_co2_kg));
    }
    if (call->run.hours > 0 && choose_run(work, call, plan, &choice)) {
        char start[GR_RFC3339_SIZE];
        json_object_set_new(root, "run",
                            json_pack("{s:f, s:f, s:s, s:f, s:f}", "power_kw", call->run.kw, "hours",
                                      call->run.hours, "start", gr_rfc3339_format(start, choice.start_s),
                                      "cost", choice.cost, "cost_now", choice.cost_now));
    }
    return print_value(root);
}

/* The exit status: 2 for a time that the plan does not hold. */
static int explain(const struct work *work, const struct call *call, const struct gr_plan_view *plan)
{
    struct gr_error error = {""};
    size_t slot;
    if (gr_told_time_slot(&slot, &call->explained, work->zone, plan, &error) != GR_OK) {
        (void)fprintf(stderr, "granary plan: --explain: %s\n", error.text);
        return 2;
    }
    if (call->json) {
        return print_value(gr_explain_to_json(work->engine, slot, work->zone));
    }
    gr_explain_print(work->engine, slot, work->zone, work->config->currency);
    return 0;
}

int gr_tool_plan(int argc, char **argv)
{
    struct call call = {.percent = NAN, .now = gr_clock_read()};
    struct work work = {0};
    int status = parse_arguments(&call, argc, argv);
    if (status >= 0) {
        return status;
    }
    status = gather(&work, &call);
    if (status == 0) {
        struct gr_error error = {""};
        struct gr_plan_view plan;
        double stored_kwh = call.percent / 100 * work.config->engine.site.battery.capacity_kwh;
        if (gr_engine_plan(work.engine, call.now, stored_kwh, &plan, &error) != GR_OK) {
            (void)fprintf(stderr, "granary plan: %s\n", error.text);
            status = 1;
        } else if (call.explains) {
            status = explain(&work, &call, &plan);
        } else if (call.json) {
            status = print_json(&work, &call, &plan);
        } else {
            print_table(&work, &call, &plan);
            print_run(&work, &call, &plan);
        }
    }
    release(&work);
    return status;
}
