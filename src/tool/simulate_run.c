/* The run itself: clock and readings out, commands in, one step of the house after the other. */
#include "tool/simulate.h"

#include "granary/bridge.h"

#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/signalfd.h>
#include <time.h>
#include <unistd.h>

enum { answer_ms = 5000, connect_ms = 10000, listen_ms = 700, first_offers = 10, most_wait_ms = 500 };

struct run {
    const struct gr_sim_options *options;
    const struct gr_config *config;
    const struct gr_zone *zone;
    const struct gr_sim_scene *scene;
    struct gr_sim_readings readings;
    struct gr_bridge *bridge;
    char command_topic[GR_TOPIC_SIZE], seen_topic[GR_TOPIC_SIZE + 8];
    int signal_fd;
    bool stop, up, refused;
    bool offered; /* our own readings are on their way, so an echo is no stranger */
    char stranger[GR_TOPIC_SIZE];
    int64_t seen_step;
    bool awaited; /* whether the daemon is expected to answer in time */
    struct gr_sim_hub hub;
    enum gr_command_kind last_kind;
    double last_power_kw;
    struct gr_sim_account account;
    struct gr_sim_half_hour half_hour;
    struct gr_sim_view view;
    int64_t rates_until_s; /* prices are published up to here */
};

/* ---- the world ---- */

static int64_t real_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

static void take_message(struct run *run, const struct gr_bridge_event *event)
{
    struct gr_error error = {""};
    if (strcmp(event->topic, run->seen_topic) == 0) {
        char text[24] = "";
        memcpy(text, event->payload, event->length < sizeof text ? event->length : sizeof text - 1);
        run->seen_step = strtoll(text, NULL, 10);
        run->awaited = true;
    } else if (strcmp(event->topic, run->command_topic) == 0) {
        if (gr_sim_hub_take(&run->hub, event->payload, event->length, &error) != GR_OK) {
            fprintf(stderr, "%s: %s; the house follows\n", event->topic, error.text);
        }
    } else if (!run->offered) {
        (void)snprintf(run->stranger, sizeof run->stranger, "%s", event->topic);
    }
}

static void drain(struct run *run)
{
    struct gr_bridge_event event;
    while (gr_bridge_next(run->bridge, &event)) {
        switch (event.kind) {
        case GR_BRIDGE_UP:
            run->up = true;
            break;
        case GR_BRIDGE_DOWN:
        case GR_BRIDGE_TAKEN_OVER:
            if (run->up) {
                fprintf(stderr, "granary simulate: the broker is gone: %s\n", event.text);
            }
            run->up = false;
            break;
        case GR_BRIDGE_REFUSED:
            fprintf(stderr, "granary simulate: the broker refuses what is published: %s\n", event.text);
            break;
        case GR_BRIDGE_MESSAGE:
            take_message(run, &event);
            break;
        }
        gr_bridge_event_free(&event);
    }
}

/* Sleeps until `until_ms` of real time, or until something came from the broker or a signal. */
static void wait_a_moment(struct run *run, int64_t until_ms)
{
    struct pollfd polled[] = {{.fd = gr_bridge_fd(run->bridge), .events = POLLIN},
                              {.fd = run->signal_fd, .events = POLLIN}};
    int64_t left_ms = until_ms - real_ms();
    int timeout_ms = left_ms < 0 ? 0 : left_ms < most_wait_ms ? (int)left_ms : most_wait_ms;
    (void)poll(polled, 2, timeout_ms);
    gr_bridge_step(run->bridge, real_ms());
    drain(run);
    run->stop = run->stop || (polled[1].revents & POLLIN);
}

static void wait_until(struct run *run, int64_t until_ms)
{
    while (!run->stop && real_ms() < until_ms) {
        wait_a_moment(run, until_ms);
    }
}

static bool wait_for_broker(struct run *run, int64_t timeout_ms)
{
    int64_t until_ms = real_ms() + timeout_ms;
    gr_bridge_step(run->bridge, real_ms());
    while (!run->stop && !run->up && real_ms() < until_ms) {
        wait_a_moment(run, until_ms);
    }
    return run->up;
}

/* True where the daemon has taken its turn. */
static bool wait_for_answer(struct run *run, int64_t step)
{
    int64_t until_ms = real_ms() + answer_ms;
    while (!run->stop && run->awaited && run->seen_step != step && real_ms() < until_ms) {
        wait_a_moment(run, until_ms);
    }
    run->awaited = run->seen_step == step;
    return run->awaited;
}

/* ---- one step ---- */

/* A broker that refuses is said once, until it takes something again. */
static void publish(struct run *run, const char *topic, const char *payload)
{
    struct gr_error error;
    if (!run->up) {
        return;
    }
    bool refused = gr_bridge_publish(run->bridge, topic, payload, strlen(payload), false, 0, &error) != GR_OK;
    if (refused && !run->refused) {
        fprintf(stderr, "granary simulate: %s: %s\n", topic, error.text);
    }
    run->refused = refused;
}

/* The meters at this moment: what flows under the command that is still in force. */
static void read_meters(struct run *run, const struct gr_house_load *load, int64_t utc_s,
                        double value[GR_CHANNELS])
{
    const struct gr_site *site = &run->scene->house.site;
    double stored_kwh = run->account.stored_kwh[GR_SIM_GRANARY];
    struct gr_house_flow flow;
    struct gr_band band = gr_inverter_band(&run->hub.inverter, site, stored_kwh, utc_s);
    value[GR_STATE_OF_CHARGE] = 100 * stored_kwh / site->battery.capacity_kwh;
    gr_house_step(&flow, &run->scene->house, load, band,
                  gr_inverter_stop_kwh(&run->hub.inverter, site, utc_s), &stored_kwh, run->options->step_s);
    value[GR_BATTERY_POWER] = flow.battery_kw;
    value[GR_GRID_POWER] = flow.grid_kw;
    value[GR_SOLAR_POWER] = flow.solar_kw - flow.curtail_kw;
    value[GR_HOUSE_POWER] = flow.house_kw;
    value[GR_CAR_POWER] = flow.car_kw;
    value[GR_GRID_PRESENT] = 1;
    value[GR_INVERTER_AVAILABLE] = fmax(site->battery.charge_kw, site->battery.discharge_kw);
    value[GR_OUTDOOR_TEMPERATURE] = value[GR_BATTERY_TEMPERATURE] = load->air_c;
}

static int publish_moment(struct run *run, const struct gr_house_load *load, int64_t utc_s, int64_t step)
{
    double value[GR_CHANNELS];
    char clock[96];
    read_meters(run, load, utc_s, value);
    run->offered = true;
    for (size_t i = 0; i < run->readings.topics; i++) {
        char *payload = gr_sim_readings_payload(&run->readings, i, value);
        if (!payload) {
            fputs("granary simulate: out of memory\n", stderr);
            return GR_NO_MEMORY;
        }
        publish(run, run->readings.topic[i].topic, payload);
        free(payload);
    }
    (void)snprintf(clock, sizeof clock, "{\"utc_s\":%lld,\"step\":%lld}", (long long)utc_s, (long long)step);
    publish(run, run->options->clock_topic, clock);
    return GR_OK;
}

static int publish_rates(struct run *run, int64_t utc_s)
{
    struct gr_error error;
    if (!run->options->rates_directory) {
        return GR_OK;
    }
    int64_t today_s = gr_zone_day_start_s(run->zone, utc_s, 0);
    int64_t tomorrow_s = gr_zone_day_start_s(run->zone, utc_s, 1);
    int64_t midnight_s = gr_zone_local_s(run->zone, today_s);
    int64_t due_s = gr_zone_utc_s(run->zone, midnight_s + (int64_t)run->scene->publish_minute * 60, 0);
    while (run->rates_until_s <= (utc_s >= due_s ? tomorrow_s : today_s)) {
        if (gr_sim_publish_rates(run->scene, run->zone, run->config->currency, run->options->rates_directory,
                                 run->rates_until_s, utc_s, &error) != GR_OK) {
            fprintf(stderr, "granary simulate: %s\n", error.text);
            return GR_IO;
        }
        run->rates_until_s = gr_zone_day_start_s(run->zone, run->rates_until_s, 1);
    }
    return GR_OK;
}

static void count_change(struct run *run, enum gr_command_kind kind, double power_kw)
{
    bool changed = kind != run->last_kind || fabs(power_kw - run->last_power_kw) > 1e-3;
    run->account.changes += changed;
    run->last_kind = kind;
    run->last_power_kw = power_kw;
}

static void note_command(struct run *run, int64_t utc_s)
{
    enum gr_command_kind kind = gr_sim_hub_kind(&run->hub, utc_s);
    bool expired = utc_s >= run->hub.inverter.valid_until_s;
    double power_kw = kind == GR_CHARGE || kind == GR_EXPORT ? run->hub.inverter.power_kw : 0;
    struct gr_sim_half_hour *half_hour = &run->half_hour;
    count_change(run, kind, power_kw);
    half_hour->seconds_of[kind] += run->options->step_s;
    half_hour->power_kw[kind] = power_kw;
    (void)snprintf(half_hour->reason[kind], sizeof half_hour->reason[kind], "%s",
                   expired ? "the last command has expired" : run->hub.reason);
}

static void note_flow(struct run *run, const struct gr_house_flow *flow)
{
    double seconds = run->options->step_s;
    struct gr_house_flow *sum = &run->half_hour.sum;
    sum->house_kw += flow->house_kw * seconds;
    sum->solar_kw += flow->solar_kw * seconds;
    sum->car_kw += flow->car_kw * seconds;
    sum->battery_kw += flow->battery_kw * seconds;
    sum->grid_kw += flow->grid_kw * seconds;
    sum->curtail_kw += flow->curtail_kw * seconds;
    sum->stored_kwh = flow->stored_kwh;
    run->half_hour.seconds += seconds;
}

/* The house in question and its two shadows, with the same load. */
static void run_houses(struct run *run, const struct gr_house_load *load, int64_t utc_s)
{
    const struct gr_house_scene *scene = &run->scene->house;
    const struct gr_site *site = &scene->site;
    const struct gr_inverter plain = {.kind = GR_FOLLOW, .valid_until_s = INT64_MAX};
    const struct gr_inverter *inverter[GR_SIM_HOUSES] = {&run->hub.inverter, &plain, &plain};
    double import_price = gr_sim_price(run->scene, GR_IMPORT, run->zone, utc_s);
    double export_price = gr_sim_price(run->scene, GR_EXPORT_DIRECTION, run->zone, utc_s);
    for (int house = 0; house < GR_SIM_HOUSES; house++) {
        struct gr_house_flow flow;
        double *stored_kwh = &run->account.stored_kwh[house];
        struct gr_band band = gr_inverter_band(inverter[house], site, *stored_kwh, utc_s);
        if (house == GR_SIM_BARE) {
            band = (struct gr_band){0, 0};
        }
        gr_house_step(&flow, scene, load, band, gr_inverter_stop_kwh(inverter[house], site, utc_s),
                      stored_kwh, run->options->step_s);
        gr_bill_add(&run->account.bill[house], &flow, import_price, export_price, site->battery.wear_per_kwh,
                    run->options->step_s);
        if (house == GR_SIM_GRANARY) {
            note_flow(run, &flow);
        }
    }
    run->account.import_price_sum += import_price;
}

static void show_half_hour(struct run *run, int64_t next_s)
{
    int64_t start_s = next_s - next_s % 1800;
    if (run->half_hour.seconds > 0 && !run->options->json) {
        gr_sim_print_half_hour(&run->view, &run->half_hour);
    }
    memset(&run->half_hour, 0, sizeof run->half_hour);
    run->half_hour.start_s = start_s;
}

static int take_step(struct run *run, int64_t utc_s, int64_t step)
{
    struct gr_house_load load;
    int result = publish_rates(run, utc_s);
    gr_house_load_at(&load, &run->scene->house, run->zone, utc_s);
    if (result == GR_OK) {
        result = publish_moment(run, &load, utc_s, step);
    }
    if (result != GR_OK) {
        return result;
    }
    wait_a_moment(run, 0);
    if (wait_for_answer(run, step)) {
        run->account.answered++;
    } else if (run->options->speed <= 0) {
        (void)gr_bridge_flush(run->bridge, answer_ms); /* then the broker sets the pace */
    }
    if (utc_s - run->half_hour.start_s >= 1800) {
        show_half_hour(run, utc_s);
    }
    note_command(run, utc_s);
    run_houses(run, &load, utc_s);
    run->account.steps++;
    run->account.to_s = utc_s + run->options->step_s;
    run->account.left_price = run->account.import_price_sum / (double)run->account.steps *
                              run->scene->house.site.battery.discharge_efficiency;
    return GR_OK;
}

/* ---- the run ---- */

/* A daemon that is still starting gets the first moment again and again: step 1, at which the house stands
 * still. */
static int offer_first_moment(struct run *run, int64_t utc_s)
{
    struct gr_house_load load;
    gr_house_load_at(&load, &run->scene->house, run->zone, utc_s);
    int result = publish_rates(run, utc_s);
    if (run->options->alone) {
        return result == GR_OK ? publish_moment(run, &load, utc_s, 1) : result;
    }
    for (int offer = 0; offer < first_offers && !run->stop && result == GR_OK; offer++) {
        run->awaited = true;
        result = publish_moment(run, &load, utc_s, 1);
        if (result == GR_OK && wait_for_answer(run, 1)) {
            return GR_OK;
        }
    }
    if (result == GR_OK && !run->stop) {
        fprintf(stderr, "granary simulate: no daemon answers on %s; the house goes on without one\n",
                run->seen_topic);
    }
    return result;
}

static void finish(struct run *run)
{
    show_half_hour(run, run->account.to_s);
    if (run->options->json) {
        (void)gr_sim_print_json(&run->view, &run->account);
    } else {
        gr_sim_print_bills(&run->view, &run->account);
    }
}

static int run_through(struct run *run, int64_t start_s)
{
    int64_t steps = (int64_t)llround(run->options->days * 86400 / run->options->step_s);
    run->half_hour.start_s = start_s - start_s % 1800;
    int result = offer_first_moment(run, start_s);
    if (result == GR_OK && !run->options->json) {
        gr_sim_print_header(&run->view, run->options, start_s);
    }
    int64_t begun_ms = real_ms();
    for (int64_t step = 1; step <= steps && result == GR_OK && !run->stop; step++) {
        result = take_step(run, start_s + (step - 1) * run->options->step_s, step + 1);
        if (run->options->speed > 0) {
            wait_until(run, begun_ms + (int64_t)(1000.0 * (double)(step * run->options->step_s) /
                                                 run->options->speed));
        } else if (!run->up) {
            (void)wait_for_broker(run, answer_ms);
        }
    }
    if (run->account.steps > 0) {
        finish(run);
    }
    return result;
}

/* Nobody else may publish what the simulated house is about to publish. */
static int look_for_strangers(struct run *run)
{
    wait_until(run, real_ms() + listen_ms);
    if (run->stranger[0]) {
        fprintf(stderr,
                "granary simulate: topic \"%s\" already has a publisher; a simulated house does not share a "
                "broker with "
                "a real one\n",
                run->stranger);
        return GR_IO;
    }
    return GR_OK;
}

static bool is_loopback(const char *host)
{
    return strcmp(host, "localhost") == 0 || strcmp(host, "::1") == 0 || strncmp(host, "127.", 4) == 0;
}

static int connect_broker(struct run *run)
{
    struct gr_mqtt mqtt = run->config->mqtt;
    const char *filters[GR_CHANNELS + 2] = {run->command_topic, run->seen_topic};
    size_t count = 2;
    struct gr_error error;
    if (!is_loopback(mqtt.host)) {
        fprintf(stderr,
                "granary simulate: mqtt.host is \"%s\"; a simulated house is published on a broker of this "
                "machine only\n",
                mqtt.host);
        return GR_INVALID;
    }
    (void)snprintf(run->command_topic, sizeof run->command_topic, "%s/5/%s/command/document",
                   run->config->outputs.domain, run->config->outputs.device);
    (void)snprintf(run->seen_topic, sizeof run->seen_topic, "%s/seen", run->options->clock_topic);
    (void)snprintf(mqtt.client_id, sizeof mqtt.client_id, "simulate-%.40s", run->config->mqtt.client_id);
    for (size_t i = 0; i < run->readings.topics; i++) {
        filters[count++] = run->readings.topic[i].topic;
    }
    int result = gr_bridge_create(&run->bridge, &mqtt, NULL, 0, filters, count, 1, &error);
    if (result != GR_OK || !wait_for_broker(run, connect_ms)) {
        fprintf(stderr, "granary simulate: no broker at %s:%d%s%s\n", mqtt.host, mqtt.port,
                result == GR_OK ? "" : ": ", result == GR_OK ? "" : error.text);
        return GR_IO;
    }
    return look_for_strangers(run);
}

static int terminal_width(void)
{
    struct winsize size;
    if (ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) != 0 || size.ws_col == 0) {
        return 110;
    }
    return size.ws_col < 90 ? 90 : size.ws_col > 160 ? 160 : size.ws_col;
}

static void prepare(struct run *run, int64_t start_s)
{
    const struct gr_house_scene *scene = &run->scene->house;
    gr_sim_hub_init(&run->hub);
    run->seen_step = -1;
    run->awaited = true;
    run->rates_until_s = gr_zone_day_start_s(run->zone, start_s, 0);
    run->account.from_s = run->account.to_s = start_s;
    run->account.start_kwh = scene->site.battery.capacity_kwh * scene->start_percent / 100;
    for (int house = 0; house < GR_SIM_HOUSES; house++) {
        run->account.stored_kwh[house] = run->account.start_kwh;
    }
    run->view = (struct gr_sim_view){.stream = stdout,
                                     .config = run->config,
                                     .zone = run->zone,
                                     .scene = run->scene,
                                     .width = terminal_width(),
                                     .day_shown = -1,
                                     .kind_shown = -1};
}

/* The signals are blocked before any thread starts, so that they arrive here and nowhere else. */
static int catch_signals(void)
{
    sigset_t signals;
    sigemptyset(&signals);
    sigaddset(&signals, SIGINT);
    sigaddset(&signals, SIGTERM);
    (void)sigprocmask(SIG_BLOCK, &signals, NULL);
    return signalfd(-1, &signals, SFD_CLOEXEC | SFD_NONBLOCK);
}

int gr_sim_run(const struct gr_sim_options *options, const struct gr_config *config,
               const struct gr_zone *zone, const struct gr_sim_scene *scene, int64_t start_s)
{
    struct run *run = calloc(1, sizeof *run);
    struct gr_error error;
    if (!run) {
        fputs("granary simulate: out of memory\n", stderr);
        return GR_NO_MEMORY;
    }
    *run = (struct run){.options = options, .config = config, .zone = zone, .scene = scene, .signal_fd = -1};
    int result = gr_sim_readings_init(&run->readings, config, &error);
    if (result != GR_OK) {
        fprintf(stderr, "granary simulate: %s\n", error.text);
        goto out;
    }
    prepare(run, start_s);
    run->signal_fd = catch_signals();
    result = connect_broker(run);
    if (result == GR_OK) {
        result = run_through(run, start_s);
    }
out:
    gr_bridge_free(run->bridge, answer_ms);
    if (run->signal_fd >= 0) {
        (void)close(run->signal_fd);
    }
    free(run);
    return result;
}
