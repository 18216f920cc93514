#include "granary/daemon.h"

#include "config/json_text.h"
#include "daemon/actuate.h"
#include "daemon/alerts.h"
#include "daemon/announce.h"
#include "daemon/appliance.h"
#include "daemon/budget.h"
#include "daemon/clock.h"
#include "daemon/desk.h"
#include "daemon/device.h"
#include "daemon/events.h"
#include "daemon/feed.h"
#include "daemon/inputs.h"
#include "daemon/keeper.h"
#include "daemon/learned.h"
#include "daemon/log.h"
#include "daemon/properties.h"
#include "daemon/recorder.h"
#include "daemon/spent.h"
#include "granary/bridge.h"
#include "granary/config.h"
#include "granary/engine.h"
#include "granary/fetch.h"

#include <inttypes.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <sys/signalfd.h>
#include <systemd/sd-daemon.h>
#include <unistd.h>

static const int64_t turn_ms = 10000;      /* the control loop's period when nothing happens */
static const int64_t least_turn_ms = 2000; /* and when readings stream in */
enum { STOP_MS = 2000, WAIT_MS = 1000, MOST_HELD = 256 };

struct daemon {
    const char *file, *clock_topic;
    char seen_topic[GR_TOPIC_SIZE];
    struct gr_config *config;
    struct gr_zone *zone;
    struct gr_engine *engine;
    struct gr_keeper *keeper;
    struct gr_recorder *recorder;
    struct gr_fetch *fetch;
    struct gr_feed *feed;
    struct gr_refusals *refusals;
    struct gr_device *device;
    struct gr_desk *desk;
    struct gr_actuator *actuator;
    struct gr_budget budget;
    struct gr_bridge *bridge;
    int signals;
    bool stop, readings_came;
    enum gr_answer answer; /* of the last turn */
    bool timed;            /* the time is known: always, but for a simulation that has not begun */
    struct gr_moment now;
    int64_t step, acknowledged;             /* of the simulation's clock */
    struct gr_bridge_event held[MOST_HELD]; /* messages that wait for the simulation's time */
    size_t held_count;
    int64_t turned_ms;
    uint64_t heartbeat, seed;
    int64_t learned_day; /* on which it was said last what was learned */
};

/* ---- starting ---- */

static void print_usage(FILE *stream)
{
    (void)fputs(
        "Usage: granaryd [--clock-topic TOPIC] CONFIG\n\n"
        "Runs the battery of one house as CONFIG says, until SIGTERM. SIGHUP reads CONFIG again.\n\n"
        "  --clock-topic TOPIC  take the time from a simulation on a loopback broker, not from the system\n"
        "  --topics             list every property that is published, as docs/topics.md has them\n"
        "  --version            print the version\n",
        stream);
}

/* Returns -1 to go on, or the exit status. */
static int parse_arguments(struct daemon *daemon, int argc, char **argv)
{
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--help") == 0) {
            print_usage(stdout);
            return 0;
        }
        if (strcmp(argv[i], "--version") == 0) {
            puts("granaryd " GRANARY_VERSION);
            return 0;
        }
        if (strcmp(argv[i], "--topics") == 0) {
            gr_properties_print(stdout);
            return 0;
        }
        if (strcmp(argv[i], "--clock-topic") == 0 && i + 1 < argc) {
            daemon->clock_topic = argv[++i];
        } else if (argv[i][0] != '-' && !daemon->file) {
            daemon->file = argv[i];
        } else {
            (void)fprintf(stderr, "granaryd: \"%s\" is not understood here\n\n", argv[i]);
            print_usage(stderr);
            return 2;
        }
    }
    if (!daemon->file) {
        print_usage(stderr);
        return 2;
    }
    return -1;
}

static int read_config(const char *file, struct gr_config **out)
{
    struct gr_complaints complaints = {0};
    struct gr_config *config = calloc(1, sizeof *config);
    int status = config ? gr_config_read(config, file, &complaints) : GR_NO_MEMORY;
    if (status != GR_OK && complaints.count == 0) {
        gr_log(GR_LOG_ERROR, "%s cannot be read: no memory", file);
    }
    for (size_t i = 0; i < complaints.count; i++) {
        gr_log(GR_LOG_ERROR, "%s", complaints.items[i].text);
    }
    gr_complaints_free(&complaints);
    if (status == GR_OK) {
        *out = config;
    } else {
        free(config);
    }
    return status;
}

/* Simulated time on a broker that a real house uses would command a real battery at made-up hours. */
static bool is_clock_allowed(const struct daemon *daemon)
{
    char url[sizeof daemon->config->mqtt.host + 16];
    struct gr_error error = {""};
    if (!daemon->clock_topic) {
        return true;
    }
    (void)snprintf(url, sizeof url, "http://%s/", daemon->config->mqtt.host);
    if (gr_url_check(url, false, &error) == GR_OK &&
        gr_topic_check(daemon->clock_topic, false, &error) == GR_OK) {
        return true;
    }
    gr_log(
        GR_LOG_ERROR,
        "--clock-topic %s: a simulated clock needs a plain topic and a broker on loopback, mqtt.host is %s: "
        "%s",
        daemon->clock_topic, daemon->config->mqtt.host, error.text);
    return false;
}

static int open_signals(void)
{
    sigset_t set;
    (void)sigemptyset(&set);
    (void)sigaddset(&set, SIGTERM);
    (void)sigaddset(&set, SIGINT);
    (void)sigaddset(&set, SIGHUP);
    (void)sigprocmask(SIG_BLOCK, &set, NULL);
    (void)signal(SIGPIPE, SIG_IGN);
    return signalfd(-1, &set, SFD_NONBLOCK | SFD_CLOEXEC);
}

static int create_engine(struct daemon *daemon, struct gr_error *error)
{
    uint64_t sequence = gr_keeper_last_sequence(daemon->keeper, gr_clock_read().utc_s);
    return gr_engine_create(&daemon->engine, &daemon->config->engine, daemon->zone, sequence, error);
}

static int create_feed(struct daemon *daemon, struct gr_error *error)
{
    if (gr_fetch_create(&daemon->fetch, error) != GR_OK) {
        return GR_IO;
    }
    return gr_feed_create(&daemon->feed, daemon->config, daemon->zone, daemon->engine, daemon->fetch,
                          gr_keeper_store(daemon->keeper), daemon->seed, &daemon->now, error);
}

static int create_bridge(struct daemon *daemon, struct gr_error *error)
{
    if (gr_desk_create(&daemon->desk, &daemon->config->outputs, error) != GR_OK ||
        gr_actuator_create(&daemon->actuator, daemon->config, error) != GR_OK) {
        return GR_NO_MEMORY;
    }
    const char *filters[GR_CHANNELS + 3];
    size_t filter_count = gr_inputs_filters(daemon->config, filters), will_count;
    if (daemon->clock_topic) {
        filters[filter_count++] = daemon->clock_topic;
    }
    filters[filter_count++] = gr_desk_filter(daemon->desk);
    int status =
        gr_device_create(&daemon->device, &daemon->config->outputs, daemon->config->engine.site.name,
                         daemon->config->engine.safety.commanding, (uint64_t)gr_clock_read().utc_s, error);
    if (status != GR_OK) {
        return status;
    }
    for (size_t i = 0; i < daemon->config->appliance_count; i++) {
        gr_device_add_appliance(daemon->device, daemon->config->appliances[i].name);
    }
    filters[filter_count++] = gr_device_document_topic(daemon->device);
    struct gr_will wills[GR_MOST_WILLS];
    const struct gr_will *own = gr_device_wills(daemon->device, &will_count);
    memcpy(wills, own, will_count * sizeof *wills);
    will_count += gr_actuator_wills(daemon->actuator, wills + will_count);
    return gr_bridge_create(&daemon->bridge, &daemon->config->mqtt, wills, will_count, filters, filter_count,
                            daemon->seed, error);
}

/* What is restored goes by the time, which in a simulation is not known before its first step. */
static void restore(struct daemon *daemon)
{
    gr_keeper_restore(daemon->keeper, daemon->engine, &daemon->now);
    gr_keeper_restore_full(daemon->keeper, daemon->engine, &daemon->now);
    gr_keeper_restore_peaks(daemon->keeper, daemon->engine, &daemon->now);
}

static int start(struct daemon *daemon)
{
    struct gr_error error = {""};
    daemon->signals = open_signals();
    daemon->timed = daemon->clock_topic == NULL;
    if (daemon->timed) {
        daemon->now = gr_clock_read();
    }
    (void)snprintf(daemon->seen_topic, sizeof daemon->seen_topic, "%s/seen",
                   daemon->clock_topic ? daemon->clock_topic : "");
    if (getrandom(&daemon->seed, sizeof daemon->seed, 0) != (ssize_t)sizeof daemon->seed) {
        daemon->seed = (uint64_t)getpid();
    }
    if (gr_keeper_create(&daemon->keeper, &daemon->config->outputs, gr_clock_read().utc_s, &error) != GR_OK ||
        gr_zone_load(&daemon->zone, daemon->config->engine.site.timezone, &error) != GR_OK ||
        create_engine(daemon, &error) != GR_OK || gr_refusals_create(&daemon->refusals) != GR_OK ||
        create_feed(daemon, &error) != GR_OK || create_bridge(daemon, &error) != GR_OK) {
        gr_log(GR_LOG_ERROR, "cannot start: %s", error.text);
        return 1;
    }
    if (daemon->timed) {
        restore(daemon);
    }
    if (gr_recorder_create(&daemon->recorder, daemon->config, daemon->engine, &daemon->now, &error) !=
        GR_OK) {
        gr_log(GR_LOG_WARNING, "%s", error.text);
    }
    gr_log(GR_LOG_NOTICE, "granaryd " GRANARY_VERSION " runs %s, %s", daemon->config->engine.site.name,
           daemon->config->engine.safety.commanding ? "commanding"
                                                    : "observing only (safety.commanding is false)");
    (void)sd_notify(0, "READY=1");
    return 0;
}

/* ---- one turn ---- */

static void log_decision(const struct daemon *daemon, const struct gr_decision *decision)
{
    const struct gr_command *command = &decision->command;
    const char *would = daemon->config->engine.safety.commanding ? "" : "would command ";
    char power[24] = "";
    if (!decision->changed) {
        return;
    }
    if (decision->fault != GR_FAULT_NONE) {
        gr_log(GR_LOG_WARNING, "follow: %s", decision->fault_text);
        return;
    }
    if (command->kind == GR_CHARGE || command->kind == GR_EXPORT) {
        (void)snprintf(power, sizeof power, " %.2f kW", command->power_kw);
    }
    gr_log(GR_LOG_INFO, "%s%s%s: %s", would, gr_command_name(command->kind), power, command->reason);
}

/* Said when it changes: that the battery did not do what was commanded, and that it does so again. */
static void log_answer(struct daemon *daemon, const struct gr_decision *decision)
{
    enum gr_answer before = daemon->answer;
    daemon->answer = decision->answer;
    if (decision->answer == before) {
        return;
    }
    if (decision->answer == GR_ANSWER_RETRIED) {
        gr_log(GR_LOG_WARNING, "%s; commanding it once more", decision->answer_text);
    } else if (decision->answer == GR_ANSWER_LIMITED) {
        gr_log(GR_LOG_WARNING, "%s; planning with that for a while", decision->answer_text);
    } else if (decision->answer == GR_ANSWER_REFUSES) {
        gr_log(GR_LOG_ERROR, "the battery does not follow: %s", decision->answer_text);
    } else if (decision->answer == GR_ANSWER_FOLLOWS && before > GR_ANSWER_FOLLOWS) {
        gr_log(GR_LOG_NOTICE, "the battery follows commands again");
    }
}

static void retry_store(struct daemon *daemon)
{
    int64_t now_s = gr_clock_read().utc_s;
    if (gr_keeper_retry(daemon->keeper, &daemon->now, now_s)) {
        gr_feed_set_store(daemon->feed, gr_keeper_store(daemon->keeper));
        restore(daemon);
        gr_engine_raise_sequence(daemon->engine, gr_keeper_last_sequence(daemon->keeper, now_s));
    }
}

static struct gr_desk_call desk_call(const struct daemon *daemon)
{
    return (struct gr_desk_call){.engine = daemon->engine,
                                 .zone = daemon->zone,
                                 .device = daemon->device,
                                 .bridge = daemon->bridge,
                                 .now = &daemon->now};
}

static void turn(struct daemon *daemon)
{
    struct gr_decision decision;
    const struct gr_desk_call call = desk_call(daemon);
    retry_store(daemon);
    gr_desk_restore(daemon->desk, &call, gr_keeper_store(daemon->keeper));
    gr_budget_restore(&daemon->budget, daemon->engine, gr_keeper_store(daemon->keeper), &daemon->now);
    gr_feed_turn(daemon->feed, &daemon->now);
    gr_engine_tick(daemon->engine, daemon->now, &decision);
    daemon->heartbeat++;
    daemon->turned_ms = gr_clock_mono_ms();
    daemon->readings_came = false;
    log_decision(daemon, &decision);
    if (decision.plan_error > 1e-6) {
        gr_log(GR_LOG_WARNING, "the plan's values may be off by %.1e in money: its functions were thinned",
               decision.plan_error);
    }
    if (decision.replanned) {
        gr_log_learned(daemon->engine, daemon->zone, &daemon->now, &daemon->learned_day);
    }
    log_answer(daemon, &decision);
    /* first the store: it reserves the sequence before anyone can see it */
    gr_keeper_note(daemon->keeper, &decision, &daemon->config->outputs, &daemon->now);
    gr_budget_note(&daemon->budget, daemon->engine, gr_keeper_store(daemon->keeper), &decision, &daemon->now);
    gr_desk_publish(daemon->desk, &call, &decision, gr_keeper_store(daemon->keeper));
    if (gr_bridge_is_up(daemon->bridge)) {
        struct gr_plan_view plan = gr_engine_plan_view(daemon->engine);
        struct gr_device_health health = {
            .heartbeat = daemon->heartbeat,
            .rates_until_s = gr_engine_known_until_s(daemon->engine, GR_IMPORT, daemon->now.utc_s),
            .refused_messages = gr_refusals_total(daemon->refusals)};
        if (decision.fault != GR_FAULT_RIVAL) {
            gr_actuator_turn(daemon->actuator, daemon->bridge, &decision, &daemon->now);
        }
        const struct gr_outline outline = gr_engine_outline(daemon->engine, &decision, daemon->now.utc_s);
        if (decision.replanned || gr_device_is_announcing(daemon->device)) {
            gr_spent_publish(daemon->engine, gr_keeper_store(daemon->keeper), daemon->zone, &outline,
                             daemon->device, daemon->bridge, daemon->now.utc_s);
            gr_appliances_publish(daemon->config, daemon->engine, daemon->zone, daemon->device,
                                  daemon->bridge, daemon->now.utc_s);
        }
        const struct gr_alert_call alerts = {.decision = &decision,
                                             .feed = daemon->feed,
                                             .keeper = daemon->keeper,
                                             .now_s = daemon->now.utc_s,
                                             .rates_until_s = health.rates_until_s};
        gr_alerts_publish(&alerts, daemon->device, daemon->bridge);
        gr_events_publish(daemon->feed, daemon->device, daemon->bridge, daemon->now.utc_s);
        gr_device_publish(daemon->device, daemon->bridge, &decision, &plan, &outline, &health);
    }
    (void)sd_notify(0, "WATCHDOG=1");
}

/* ---- what comes in ---- */

static void tell_link(struct daemon *daemon, bool up)
{
    struct gr_event event = {.kind = GR_EVENT_LINK, .at = daemon->now, .of.link.up = up};
    (void)gr_engine_handle(daemon->engine, &event, NULL);
}

static void take_input(struct daemon *daemon, const struct gr_bridge_event *message)
{
    const struct gr_desk_call call = desk_call(daemon);
    if (gr_desk_take(daemon->desk, &call, message) ||
        gr_inputs_take(daemon->config, daemon->engine, daemon->refusals, message, &daemon->now)) {
        daemon->readings_came = true;
    }
}

static void drop_held(struct daemon *daemon)
{
    for (size_t i = 0; i < daemon->held_count; i++) {
        gr_bridge_event_free(&daemon->held[i]);
    }
    daemon->held_count = 0;
}

/* One step of a simulation: its readings came before its time, and are dated with it. */
static void take_step(struct daemon *daemon, const struct gr_bridge_event *message)
{
    struct gr_moment moment;
    if (message->retained || !gr_clock_parse(message->payload, message->length, &moment, &daemon->step)) {
        gr_log(GR_LOG_WARNING, "%s: not a clock message of a simulation", message->topic);
        return;
    }
    daemon->now = moment;
    if (!daemon->timed) {
        restore(daemon);
        daemon->timed = true;
    }
    for (size_t i = 0; i < daemon->held_count; i++) {
        take_input(daemon, &daemon->held[i]);
    }
    drop_held(daemon);
    turn(daemon);
}

/* All counts as unpublished from here on. */
static void announce(struct daemon *daemon)
{
    gr_device_announce(daemon->device, daemon->bridge);
    gr_announce_all(daemon->config, daemon->device, daemon->bridge, gr_keeper_store(daemon->keeper));
    gr_actuator_forget(daemon->actuator);
}

static void tell_rival(struct daemon *daemon, bool gone)
{
    struct gr_event event = {.kind = GR_EVENT_RIVAL, .at = daemon->now, .of.rival.gone = gone};
    (void)gr_engine_handle(daemon->engine, &event, NULL);
}

/* On our own command topic: our own echo, or somebody else. After another one's end the topic holds that end,
 * so everything is published anew. */
static void take_document(struct daemon *daemon, const struct gr_bridge_event *message)
{
    uint64_t count;
    enum gr_author author = gr_device_author(daemon->device, message->payload, message->length);
    /* What comes after the connection's end may be our own last will. */
    if (message->retained || author == GR_AUTHOR_OURSELVES || !gr_bridge_is_up(daemon->bridge)) {
        return;
    }
    const char *what = author == GR_AUTHOR_ANOTHER ? "somebody else commands here: standing by"
                                                   : "somebody else's end: commanding again";
    if (gr_refusals_note(daemon->refusals, message->topic, what, gr_clock_mono_ms(), &count)) {
        gr_log(GR_LOG_ERROR, "%s: %s", message->topic, what);
    }
    tell_rival(daemon, author == GR_AUTHOR_ANOTHERS_END);
    daemon->readings_came = true;
    if (author == GR_AUTHOR_ANOTHERS_END) {
        announce(daemon);
        if (daemon->timed) {
            turn(daemon);
        }
    }
}

static void take_message(struct daemon *daemon, struct gr_bridge_event *message)
{
    if (strcmp(message->topic, gr_device_document_topic(daemon->device)) == 0) {
        take_document(daemon, message);
    } else if (!daemon->clock_topic) {
        take_input(daemon, message);
    } else if (strcmp(message->topic, daemon->clock_topic) == 0) {
        take_step(daemon, message);
    } else if (daemon->held_count < MOST_HELD) {
        daemon->held[daemon->held_count++] = *message;
        *message = (struct gr_bridge_event){.kind = GR_BRIDGE_MESSAGE};
    }
}

static void note_refused_publish(struct daemon *daemon, const struct gr_bridge_event *event)
{
    uint64_t count;
    const char *topic = event->topic ? event->topic : "";
    if (gr_refusals_note(daemon->refusals, topic, "publish", gr_clock_mono_ms(), &count)) {
        gr_log(GR_LOG_ERROR, "the broker refuses what is published on %s: %s", topic, event->text);
    }
}

static void take_bridge_event(struct daemon *daemon, struct gr_bridge_event *event)
{
    switch (event->kind) {
    case GR_BRIDGE_UP:
        gr_log(GR_LOG_NOTICE, "connected to the broker at %s:%d", daemon->config->mqtt.host,
               daemon->config->mqtt.port);
        tell_link(daemon, true);
        announce(daemon);
        if (daemon->timed) {
            turn(daemon);
        }
        return;
    case GR_BRIDGE_DOWN:
        gr_log(GR_LOG_WARNING, "no connection to the broker at %s:%d: %s", daemon->config->mqtt.host,
               daemon->config->mqtt.port, event->text);
        tell_link(daemon, false);
        return;
    case GR_BRIDGE_TAKEN_OVER:
        gr_log(GR_LOG_ERROR, "another client uses our client id on this broker: standing by (%s)",
               event->text);
        tell_link(daemon, false);
        return;
    case GR_BRIDGE_REFUSED:
        note_refused_publish(daemon, event);
        return;
    case GR_BRIDGE_MESSAGE:
        take_message(daemon, event);
        return;
    }
}

/* A simulation waits for this before it goes on, so that its time does not run ahead of the rate tables
 * either. */
static void acknowledge_step(struct daemon *daemon)
{
    char text[24];
    if (!daemon->clock_topic || daemon->step == daemon->acknowledged || gr_feed_pending(daemon->feed) > 0) {
        return;
    }
    daemon->acknowledged = daemon->step;
    (void)snprintf(text, sizeof text, "%" PRId64, daemon->step);
    (void)gr_bridge_publish(daemon->bridge, daemon->seen_topic, text, strlen(text), false, 0, NULL);
}

/* ---- reloading ---- */

static bool records_otherwise(const struct gr_events *a, const struct gr_events *b)
{
    return a->record != b->record || a->files != b->files || a->file_megabytes != b->file_megabytes;
}

static bool needs_other_bridge(const struct gr_config *a, const struct gr_config *b)
{
    /* Both were read into zeroed memory by the same code; should padding differ all the same, the cost is one
     * reconnect. */
    /* NOLINTBEGIN(bugprone-suspicious-memory-comparison,cert-exp42-c,cert-flp37-c) */
    return memcmp(&a->mqtt, &b->mqtt, sizeof a->mqtt) != 0 ||
           memcmp(a->inputs, b->inputs, sizeof a->inputs) != 0 ||
           strcmp(a->outputs.domain, b->outputs.domain) != 0 ||
           strcmp(a->outputs.device, b->outputs.device) != 0 ||
           memcmp(a->actuate, b->actuate, sizeof a->actuate) != 0 ||
           memcmp(a->appliances, b->appliances, sizeof a->appliances) != 0 ||
           memcmp(a->announce, b->announce, sizeof a->announce) != 0 ||
           strcmp(a->engine.site.name, b->engine.site.name) != 0 ||
           a->engine.safety.commanding != b->engine.safety.commanding;
    /* NOLINTEND(bugprone-suspicious-memory-comparison,cert-exp42-c,cert-flp37-c) */
}

static void close_bridge(struct daemon *daemon)
{
    bool told = true;
    if (daemon->bridge && daemon->device) {
        told = gr_actuator_withdraw(daemon->actuator, daemon->bridge, daemon->now.utc_s);
        told = gr_device_withdraw(daemon->device, daemon->bridge) && told;
        told = gr_bridge_flush(daemon->bridge, STOP_MS) && told;
    }
    if (told) {
        gr_bridge_free(daemon->bridge, STOP_MS);
    } else { /* the broker says it for us */
        gr_bridge_abandon(daemon->bridge, STOP_MS);
    }
    gr_device_free(daemon->device);
    gr_desk_free(daemon->desk);
    gr_actuator_free(daemon->actuator);
    daemon->actuator = NULL;
    daemon->bridge = NULL;
    daemon->device = NULL;
    daemon->desk = NULL;
}

static void close_feed(struct daemon *daemon)
{
    gr_feed_free(daemon->feed);
    gr_fetch_free(daemon->fetch);
    daemon->feed = NULL;
    daemon->fetch = NULL;
}

/* Puts a checked configuration in force. False where the process cannot go on with it. */
static bool adopt(struct daemon *daemon, struct gr_config *config, struct gr_zone *zone)
{
    struct gr_error error = {""};
    struct gr_config *old_config = daemon->config;
    struct gr_zone *old_zone = daemon->zone;
    bool other_bridge = needs_other_bridge(config, old_config);
    bool good = true;
    const struct gr_events old_events = old_config->events;
    close_feed(daemon);
    if (other_bridge) {
        close_bridge(daemon);
        tell_link(daemon, false);
    }
    daemon->config = config;
    daemon->zone = zone;
    if (!other_bridge) {
        gr_actuator_move(daemon->actuator, config);
    }
    good = create_feed(daemon, &error) == GR_OK && (!other_bridge || create_bridge(daemon, &error) == GR_OK);
    gr_zone_free(old_zone);
    free(old_config);
    if (records_otherwise(&old_events, &config->events)) {
        gr_recorder_free(daemon->recorder);
        (void)gr_recorder_create(&daemon->recorder, config, daemon->engine, &daemon->now, NULL);
    }
    if (!good) {
        gr_log(GR_LOG_ERROR, "the new configuration cannot be put in force: %s", error.text);
    }
    return good;
}

static void reload(struct daemon *daemon)
{
    struct gr_error error = {""};
    struct gr_config *config = NULL;
    struct gr_zone *zone = NULL;
    (void)sd_notify(0, "RELOADING=1");
    if (read_config(daemon->file, &config) == GR_OK &&
        gr_zone_load(&zone, config->engine.site.timezone, &error) == GR_OK &&
        gr_engine_reconfigure(daemon->engine, &config->engine, zone, &error) == GR_OK) {
        daemon->stop = !adopt(daemon, config, zone);
        gr_keeper_restore(daemon->keeper, daemon->engine, &daemon->now); /* an import may have added to it */
        gr_keeper_restore_peaks(daemon->keeper, daemon->engine, &daemon->now);
        gr_log(GR_LOG_NOTICE, "%s was read again and is in force", daemon->file);
        daemon->readings_came = true;
    } else {
        gr_zone_free(zone);
        free(config);
        gr_log(GR_LOG_ERROR, "%s has mistakes: the old configuration stays in force%s%s", daemon->file,
               error.text[0] ? ": " : "", error.text);
    }
    (void)sd_notify(0, "READY=1");
}

static void take_signals(struct daemon *daemon)
{
    struct signalfd_siginfo info;
    while (read(daemon->signals, &info, sizeof info) == (ssize_t)sizeof info) {
        if (info.ssi_signo == SIGHUP) {
            reload(daemon);
        } else {
            gr_log(GR_LOG_NOTICE, "stopping");
            daemon->stop = true;
        }
    }
}

/* ---- the loop ---- */

static bool is_turn_due(const struct daemon *daemon)
{
    int64_t since_ms = gr_clock_mono_ms() - daemon->turned_ms;
    return !daemon->clock_topic &&
           (since_ms >= turn_ms || (daemon->readings_came && since_ms >= least_turn_ms));
}

static void loop_once(struct daemon *daemon)
{
    struct gr_error error = {""};
    struct gr_bridge_event event;
    struct curl_waitfd fds[] = {{.fd = gr_bridge_fd(daemon->bridge), .events = CURL_WAIT_POLLIN},
                                {.fd = daemon->signals, .events = CURL_WAIT_POLLIN}};
    if (gr_fetch_wait(daemon->fetch, fds, 2, WAIT_MS, &error) != GR_OK) {
        gr_log(GR_LOG_ERROR, "%s", error.text);
        (void)poll(NULL, 0, WAIT_MS); /* it has not waited: do not spin */
    }
    if (!daemon->clock_topic) {
        daemon->now = gr_clock_read();
    }
    take_signals(daemon);
    if (daemon->stop) {
        return;
    }
    gr_bridge_step(daemon->bridge, gr_clock_mono_ms());
    while (gr_bridge_next(daemon->bridge, &event)) {
        take_bridge_event(daemon, &event);
        gr_bridge_event_free(&event);
    }
    bool rates_came = gr_feed_collect(daemon->feed, &daemon->now);
    if (daemon->timed && (rates_came || is_turn_due(daemon))) {
        turn(daemon);
    }
    acknowledge_step(daemon);
    if (daemon->clock_topic) {
        (void)sd_notify(0, "WATCHDOG=1");
    }
}

static void finish(struct daemon *daemon)
{
    (void)sd_notify(0, "STOPPING=1");
    close_bridge(daemon);
    drop_held(daemon);
    close_feed(daemon);
    gr_keeper_free(daemon->keeper);
    gr_recorder_free(daemon->recorder);
    gr_refusals_free(daemon->refusals);
    gr_engine_free(daemon->engine);
    gr_zone_free(daemon->zone);
    free(daemon->config);
    if (daemon->signals >= 0) {
        (void)close(daemon->signals);
    }
}

int gr_daemon_main(int argc, char **argv)
{
    struct daemon daemon = {.signals = -1, .budget = GR_BUDGET_UNKNOWN, .learned_day = -1};
    gr_json_keep_reserve();
    int status = parse_arguments(&daemon, argc, argv);
    if (status >= 0) {
        return status;
    }
    if (read_config(daemon.file, &daemon.config) != GR_OK) {
        return 2;
    }
    if (!is_clock_allowed(&daemon)) {
        free(daemon.config);
        return 2;
    }
    status = start(&daemon);
    while (status == 0 && !daemon.stop) {
        loop_once(&daemon);
    }
    finish(&daemon);
    return status;
}
