/* granary discover: listens to a broker, and says which of its topics are the house's. */
#include "granary/discover.h"

#include "bridge/text.h"
#include "daemon/clock.h"
#include "granary/bridge.h"
#include "tool/tool.h"

#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/signalfd.h>
#include <unistd.h>

enum {
    STANDARD_SECONDS = 60,
    PATIENCE_SECONDS = 10,
    MOST_SECONDS = 86400,
    WAIT_MS = 200,
    MQTT_TEXT_SIZE = 4096
};

/* Our own topics say nothing about the house. */
static const char own_topics[] = "homie/5/granary/";

static const char usage[] =
    "Usage: granary discover --broker HOST [OPTION ...]\n\n"
    "Listens to everything on an MQTT broker, lists the numbers that come, and proposes which of them are "
    "state of charge,\n"
    "battery, grid, solar, house and car power, in what unit and with what sign. Publishes nothing.\n\n"
    "  --broker HOST          name or address of the broker\n"
    "  --port N               1883, with TLS 8883\n"
    "  --seconds N            how long to listen, 2 to 86400 (60); longer is surer, and ctrl-C ends it "
    "early\n"
    "  --topics FILTER        listen to this filter only (#)\n"
    "  --user NAME            user at the broker\n"
    "  --password-file FILE   file that holds the password and nothing else\n"
    "  --tls, --ca-file FILE  encrypt, and check the broker with this authority\n"
    "  --allow-plaintext      send user and password unencrypted to another machine\n"
    "  --write FILE           write a configuration to start from; a file that is there is never "
    "overwritten\n\n"
    "Exit status: 0 state of charge, battery and grid were found, 1 they were not, or the broker was not "
    "reached, 2 the call is wrong.\n";

struct call {
    const char *broker, *port, *user, *password_file, *ca_file, *file, *filter;
    bool tls, plaintext, help;
    int seconds;
};

struct work {
    struct call call;
    struct gr_mqtt mqtt;
    char mqtt_text[MQTT_TEXT_SIZE];
    struct gr_heard *heard;
    struct gr_bridge *bridge;
    bool reached, no_memory;
    char trouble[200];
    int64_t started_ms, ended_ms;
};

/* ---- arguments ---- */

static bool take_seconds(struct call *call, const char *text)
{
    char *end;
    long seconds = strtol(text, &end, 10);
    if (end == text || *end || seconds < 2 || seconds > MOST_SECONDS) {
        fprintf(stderr, "granary discover: --seconds: found %s; allowed: 2 to %d\n", text, MOST_SECONDS);
        return false;
    }
    call->seconds = (int)seconds;
    return true;
}

static bool take_option(struct call *call, int option, const char *value)
{
    switch (option) {
    case 'b':
        call->broker = value;
        return true;
    case 'p':
        call->port = value;
        return true;
    case 's':
        return take_seconds(call, value);
    case 't':
        call->filter = value;
        return true;
    case 'u':
        call->user = value;
        return true;
    case 'f':
        call->password_file = value;
        return true;
    case 'e':
        call->tls = true;
        return true;
    case 'c':
        call->ca_file = value;
        return true;
    case 'a':
        call->plaintext = true;
        return true;
    case 'w':
        call->file = value;
        return true;
    case 'h':
        call->help = true;
        return true;
    default:
        return false;
    }
}

static bool read_arguments(struct call *call, int argc, char **argv)
{
    static const struct option known[] = {{"broker", required_argument, NULL, 'b'},
                                          {"port", required_argument, NULL, 'p'},
                                          {"seconds", required_argument, NULL, 's'},
                                          {"topics", required_argument, NULL, 't'},
                                          {"user", required_argument, NULL, 'u'},
                                          {"password-file", required_argument, NULL, 'f'},
                                          {"tls", no_argument, NULL, 'e'},
                                          {"ca-file", required_argument, NULL, 'c'},
                                          {"allow-plaintext", no_argument, NULL, 'a'},
                                          {"write", required_argument, NULL, 'w'},
                                          {"help", no_argument, NULL, 'h'},
                                          {NULL, 0, NULL, 0}};
    *call = (struct call){.seconds = STANDARD_SECONDS, .filter = "#"};
    optind = 0; /* start afresh: this is not the program's first look at its arguments */
    for (int option; (option = getopt_long(argc, argv, "", known, NULL)) != -1;) {
        if (!take_option(call, option, optarg)) {
            return false;
        }
    }
    if (optind < argc) {
        fprintf(stderr, "granary discover: unexpected argument \"%s\"\n", argv[optind]);
        return false;
    }
    if (!call->help && !call->broker) {
        fputs("granary discover: --broker HOST is needed; --help tells more\n", stderr);
        return false;
    }
    return true;
}

/* ---- the broker's group of the configuration ---- */

static bool add_text(FILE *stream, const char *key, const char *value)
{
    char quoted[4 * GR_PATH_SIZE];
    if (!value) {
        return true;
    }
    return gr_config_quote(quoted, sizeof quoted, value) &&
           fprintf(stream, "    %s = %s;\n", key, quoted) > 0;
}

/* A file is named by its whole path: the configuration may be written elsewhere. */
static bool add_file(FILE *stream, const char *key, const char *path)
{
    char *whole = path ? realpath(path, NULL) : NULL;
    bool good = add_text(stream, key, whole ? whole : path);
    free(whole);
    return good;
}

static bool write_mqtt(struct work *work)
{
    const struct call *call = &work->call;
    FILE *stream = fmemopen(work->mqtt_text, sizeof work->mqtt_text, "w");
    if (!stream) {
        return false;
    }
    bool good = fputs("mqtt = {\n", stream) >= 0 && add_text(stream, "host", call->broker);
    good = good && (!call->port || fprintf(stream, "    port = %s;\n", call->port) > 0);
    good = good && add_text(stream, "user", call->user);
    good = good && add_file(stream, "password_file", call->password_file);
    good = good && (!call->tls || fputs("    tls = true;\n", stream) >= 0);
    good = good && add_file(stream, "ca_file", call->ca_file);
    good = good && (!call->plaintext || fputs("    allow_plaintext = true;\n", stream) >= 0);
    good = good && fputs("};\n", stream) >= 0;
    return fclose(stream) == 0 && good;
}

static bool read_mqtt(struct work *work)
{
    struct gr_complaints complaints = {0};
    const char *port = work->call.port;
    if (port && port[strspn(port, "0123456789")]) {
        fprintf(stderr, "granary discover: --port: found %s; allowed: 1 to 65535\n", port);
        return false;
    }
    bool good = write_mqtt(work) && gr_mqtt_read_text(&work->mqtt, work->mqtt_text, &complaints) == GR_OK;
    gr_complaints_print(stderr, &complaints);
    gr_complaints_free(&complaints);
    (void)snprintf(work->mqtt.client_id, sizeof work->mqtt.client_id, "granary-discover-%d", (int)getpid());
    return good;
}

/* ---- listening ---- */

static void take_event(struct work *work, const struct gr_bridge_event *event)
{
    switch (event->kind) {
    case GR_BRIDGE_UP:
        work->reached = true;
        work->trouble[0] = '\0';
        return;
    case GR_BRIDGE_DOWN:
    case GR_BRIDGE_TAKEN_OVER:
        (void)snprintf(work->trouble, sizeof work->trouble, "%s", event->text);
        return;
    case GR_BRIDGE_MESSAGE:
        if (!event->oversized && strncmp(event->topic, own_topics, sizeof own_topics - 1) != 0 &&
            gr_heard_note(work->heard, event->topic, event->payload, event->length, event->retained,
                          gr_clock_mono_ms()) != GR_OK) {
            work->no_memory = true;
        }
        return;
    case GR_BRIDGE_REFUSED:
        return;
    }
}

static int open_signals(void)
{
    sigset_t set;
    (void)sigemptyset(&set);
    (void)sigaddset(&set, SIGINT);
    (void)sigaddset(&set, SIGTERM);
    (void)sigprocmask(SIG_BLOCK, &set, NULL);
    return signalfd(-1, &set, SFD_CLOEXEC);
}

/* The time to listen begins once the broker is reached. */
static bool is_over(const struct work *work)
{
    int64_t since_ms = gr_clock_mono_ms() - work->started_ms;
    int64_t most_s = work->reached ? work->call.seconds : PATIENCE_SECONDS;
    return since_ms >= most_s * 1000 || work->no_memory;
}

static void listen_until_the_end(struct work *work)
{
    struct pollfd polled[] = {{.fd = gr_bridge_fd(work->bridge), .events = POLLIN},
                              {.fd = open_signals(), .events = POLLIN}};
    bool told = false;
    work->started_ms = gr_clock_mono_ms();
    while (!is_over(work) && !(polled[1].revents & POLLIN)) {
        struct gr_bridge_event event;
        gr_bridge_step(work->bridge, gr_clock_mono_ms());
        (void)poll(polled, 2, WAIT_MS);
        while (gr_bridge_next(work->bridge, &event)) {
            take_event(work, &event);
            gr_bridge_event_free(&event);
        }
        if (work->reached && !told) {
            told = true;
            work->started_ms = gr_clock_mono_ms();
            fprintf(stderr, "Listening on %s, port %d, for %d s; ctrl-C ends it early.\n", work->mqtt.host,
                    work->mqtt.port, work->call.seconds);
        }
    }
    work->ended_ms = gr_clock_mono_ms();
    (void)close(polled[1].fd);
}

/* ---- telling ---- */

static void name_series(char *out, size_t size, const struct gr_topic_series *series)
{
    char topic[GR_ESCAPED_SIZE], pointer[GR_ESCAPED_SIZE];
    gr_escape(topic, series->topic, strlen(series->topic));
    gr_escape(pointer, series->pointer, strlen(series->pointer));
    (void)snprintf(out, size, "%s%s%s", topic, series->is_json ? "  " : "", series->is_json ? pointer : "");
}

static void print_series(const struct gr_topic_series *series, const char *is)
{
    char name[2 * GR_ESCAPED_SIZE + 4], every[24] = "retained";
    name_series(name, sizeof name, series);
    if (series->live > 1) {
        (void)snprintf(every, sizeof every, "%.3g s",
                       (double)(series->last_ms - series->first_ms) / 1000 / (series->live - 1));
    } else if (series->live == 1) {
        (void)snprintf(every, sizeof every, "once");
    }
    printf("  %-44s %11.6g %11.6g %11.6g  %-9s %s\n", name, series->least, series->greatest, series->last,
           every, is);
}

static void print_all(struct work *work, const struct gr_topic_series *series, size_t count,
                      const struct gr_proposal *proposal)
{
    unsigned without, messages = gr_heard_messages(work->heard, &without);
    printf("Heard in %.0f s on %s, port %d: %u messages, %u of them without a number in them, %zu "
           "numbers\n\n",
           (double)(work->ended_ms - work->started_ms) / 1000, work->mqtt.host, work->mqtt.port, messages,
           without, count);
    printf("  %-44s %11s %11s %11s  %-9s %s\n", "topic, and member of a JSON payload", "least", "greatest",
           "last", "every", "looks like");
    for (size_t i = 0; i < count; i++) {
        const char *is = "";
        for (int channel = 0; channel < GR_CHANNELS; channel++) {
            if (proposal->of[channel].found && proposal->of[channel].series == i) {
                is = gr_channel_name((enum gr_channel)channel);
            }
        }
        print_series(&series[i], is);
    }
}

static const char *direction_words(enum gr_channel channel, double sign)
{
    if (channel == GR_BATTERY_POWER) {
        return sign < 0 ? ", + discharges" : ", + charges";
    }
    if (channel == GR_GRID_POWER) {
        return sign < 0 ? ", + exports" : ", + imports";
    }
    return sign < 0 ? ", counted negative" : "";
}

static void print_finding(const struct gr_finding *finding, enum gr_channel channel,
                          const struct gr_topic_series *series)
{
    static const char *const units[] = {
        [GR_UNIT_PERCENT] = "%", [GR_UNIT_RATIO] = "ratio 0 to 1", [GR_UNIT_W] = "W", [GR_UNIT_KW] = "kW"};
    char name[2 * GR_ESCAPED_SIZE + 4];
    if (!finding->found) {
        printf("  %-16s not found\n", gr_channel_name(channel));
        return;
    }
    name_series(name, sizeof name, &series[finding->series]);
    printf("  %-16s %s, in %s%s: %s\n                   %s\n", gr_channel_name(channel), name,
           units[finding->unit], direction_words(channel, finding->sign), gr_sureness_name(finding->sureness),
           finding->why);
}

static void print_proposal(const struct gr_proposal *proposal, const struct gr_topic_series *series)
{
    puts("\nProposal");
    for (int channel = 0; channel <= GR_CAR_POWER; channel++) {
        print_finding(&proposal->of[channel], (enum gr_channel)channel, series);
    }
    if (!isnan(proposal->miss_kw)) {
        printf("\n  The powers add up within %.2f kW (root mean square).\n", proposal->miss_kw);
    } else if (!isnan(proposal->mean_house_kw)) {
        printf("\n  No meter for the house itself was found; by the other powers it draws %.2f kW on the "
               "mean, %.2f kW at least.\n",
               proposal->mean_house_kw, proposal->least_house_kw);
    }
    if (!isnan(proposal->capacity_kwh)) {
        printf("  By power and state of charge the battery holds about %.1f kWh.\n", proposal->capacity_kwh);
    }
    puts("  This is read out of what was heard, and may be wrong: switch a kettle on, and see whether grid "
         "and house follow.");
}

/* ---- writing ---- */

/* The name of the system's time zone, as its link into the zoneinfo folder says. */
static const char *find_timezone(char *room, size_t size)
{
    static const char folder[] = "/zoneinfo/";
    ssize_t length = readlink("/etc/localtime", room, size - 1);
    room[length > 0 ? length : 0] = '\0';
    char *name = strstr(room, folder);
    return name ? name + sizeof folder - 1 : "Etc/UTC";
}

static int write_config(const struct work *work, const struct gr_proposal *proposal,
                        const struct gr_topic_series *series)
{
    char zone[GR_PATH_SIZE];
    char *text = gr_discover_config(proposal, series, work->mqtt_text, find_timezone(zone, sizeof zone));
    int file = text ? open(work->call.file, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0644) : -1;
    FILE *stream = file >= 0 ? fdopen(file, "w") : NULL;
    bool good = stream && fputs(text, stream) >= 0;
    good = stream && fclose(stream) == 0 && good;
    free(text);
    if (!good) {
        fprintf(stderr, "granary discover: %s: %s\n", work->call.file,
                errno == EEXIST ? "is there already and stays as it is" : strerror(errno));
        return 1;
    }
    printf("\nWrote %s. Next: enter what stands behind the arrows there, then\n  granary check --live %s\n",
           work->call.file, work->call.file);
    return 0;
}

static int conclude(struct work *work)
{
    struct gr_error error = {""};
    struct gr_proposal proposal;
    size_t count;
    const struct gr_topic_series *series = gr_heard_series(work->heard, &count);
    if (!work->reached) {
        fprintf(stderr, "granary discover: %s, port %d: not reached%s%s\n", work->mqtt.host, work->mqtt.port,
                work->trouble[0] ? ": " : "", work->trouble);
        return 1;
    }
    if (work->no_memory || gr_discover(&proposal, series, count, &error) != GR_OK) {
        fputs("granary discover: out of memory\n", stderr);
        return 1;
    }
    print_all(work, series, count, &proposal);
    print_proposal(&proposal, series);
    bool enough = proposal.of[GR_STATE_OF_CHARGE].found && proposal.of[GR_BATTERY_POWER].found &&
                  proposal.of[GR_GRID_POWER].found;
    int status = work->call.file ? write_config(work, &proposal, series) : 0;
    return status ? status : enough ? 0 : 1;
}

static int discover(struct work *work)
{
    struct gr_error error = {""};
    if (!read_mqtt(work)) {
        return 2;
    }
    if (work->call.file && access(work->call.file, F_OK) == 0) {
        fprintf(stderr, "granary discover: %s: is there already and stays as it is\n", work->call.file);
        return 2;
    }
    if (gr_heard_create(&work->heard) != GR_OK ||
        gr_bridge_create(&work->bridge, &work->mqtt, NULL, 0, &work->call.filter, 1,
                         (uint64_t)gr_clock_mono_ms(), &error) != GR_OK) {
        fprintf(stderr, "granary discover: %s\n", error.text[0] ? error.text : "out of memory");
        return 2;
    }
    listen_until_the_end(work);
    return conclude(work);
}

int gr_tool_discover(int argc, char **argv)
{
    struct work work = {0};
    if (!read_arguments(&work.call, argc, argv)) {
        return 2;
    }
    if (work.call.help) {
        fputs(usage, stdout);
        return 0;
    }
    int status = discover(&work);
    gr_bridge_free(work.bridge, 1000);
    gr_heard_free(work.heard);
    return status;
}
