/* granary override: asks the daemon for something else than the plan, and shows what is in force. */
#include "granary/override.h"
#include "config/json_text.h"
#include "daemon/clock.h"
#include "granary/bridge.h"
#include "tool/read_config.h"
#include "tool/tool.h"

#include <getopt.h>
#include <jansson.h>
#include <poll.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { CONNECT_MS = 10000, ANSWER_MS = 15000, COST_MS = 15000, WAIT_MS = 200 };

static const char usage[] =
    "Usage: granary override CONFIG                              what is in force\n"
    "       granary override CONFIG command KIND --for 2h        follow, store, serve, charge, export or "
    "rest\n"
    "       granary override CONFIG reserve PERCENT --until T    a higher reserve, for a storm\n"
    "       granary override CONFIG load FACTOR --for 3d         0.4 while away, 1.5 with guests\n"
    "       granary override CONFIG no-export --until T          the battery does not feed the grid\n"
    "       granary override CONFIG pause --for 1h               follow and nothing else\n"
    "       granary override CONFIG car KWH --power 7.2kW --until 07:00    energy that a car wants by then\n"
    "       granary override CONFIG price MONEY --from T --until T        another price of a kWh bought\n"
    "       granary override CONFIG payment MONEY --from T --until T      for a kWh bought less or sold "
    "more\n"
    "       granary override CONFIG wish PERCENT --until T                a state of charge at that time\n"
    "       granary override CONFIG cancel [KIND]                one kind (command, reserve, ...) or all\n\n"
    "Asks the running granaryd over the broker, and says what it answers and what that costs against the "
    "plan.\n\n"
    "  --for SPAN           90m, 2h, 1h30m, 3d, or ISO 8601 (PT2H)\n"
    "  --until TIME         22:00 (the next one), 2026-03-10T22:00 local, or with an offset\n"
    "  --from TIME          when a price or payment begins; now where it is left out\n"
    "  --until-percent N    a command ends at this state of charge as well\n"
    "  --power POWER        of charge and export: 2.5kW or 2500W; as much as can be where it is left out\n"
    "  --by NAME            who asks; $USER where it is left out\n\n"
    "Exit status: 0 accepted, 1 refused or no answer, 2 the call is wrong.\n";

struct call {
    const char *file, *what, *value, *span, *from, *until, *percent, *power, *by;
    bool help;
};

struct work {
    struct call call;
    struct gr_config *config;
    struct gr_bridge *bridge;
    char root[2 * GR_NAME_SIZE + 16], id[40], trouble[200];
    bool up;
    char state[24];
    json_t *answer, *active; /* NULL: not heard */
};

/* ---- arguments ---- */

static bool take_option(struct call *call, int option, const char *value)
{
    switch (option) {
    case 'f':
        call->span = value;
        return true;
    case 'm':
        call->from = value;
        return true;
    case 'u':
        call->until = value;
        return true;
    case 'p':
        call->percent = value;
        return true;
    case 'w':
        call->power = value;
        return true;
    case 'b':
        call->by = value;
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
    static const struct option known[] = {
        {"for", required_argument, NULL, 'f'},   {"from", required_argument, NULL, 'm'},
        {"until", required_argument, NULL, 'u'}, {"until-percent", required_argument, NULL, 'p'},
        {"power", required_argument, NULL, 'w'}, {"by", required_argument, NULL, 'b'},
        {"help", no_argument, NULL, 'h'},        {NULL, 0, NULL, 0}};
    const char *user = getenv("USER");
    *call = (struct call){.by = user && *user ? user : "the command line"};
    optind = 0; /* start afresh: this is not the program's first look at its arguments */
    for (int option; (option = getopt_long(argc, argv, "", known, NULL)) != -1;) {
        if (!take_option(call, option, optarg)) {
            return false;
        }
    }
    const char **const places[] = {&call->file, &call->what, &call->value};
    for (int i = optind; i < argc; i++) {
        if (i - optind >= 3) {
            fprintf(stderr, "granary override: unexpected argument \"%s\"\n", argv[i]);
            return false;
        }
        *places[i - optind] = argv[i];
    }
    if (!call->help && !call->file) {
        fputs("granary override: a CONFIG is needed; --help tells more\n", stderr);
        return false;
    }
    return true;
}

/* ---- the request ---- */

/* "1h30m" as an ISO 8601 duration; what begins with P is one already. */
static bool write_span(char *out, size_t size, const char *text)
{
    size_t used = 0;
    bool timed = false;
    if (text[0] == 'P') {
        return snprintf(out, size, "%s", text) < (int)size;
    }
    out[used++] = 'P';
    while (*text && used + 16 < size) {
        char *end;
        unsigned long number = strtoul(text, &end, 10);
        if (end == text || number > 100000 || !*end || !strchr("dhm", *end) || (*end == 'd' && timed)) {
            return false;
        }
        used += (size_t)snprintf(out + used, size - used, "%s%lu%c", *end != 'd' && !timed ? "T" : "", number,
                                 *end == 'd'   ? 'D'
                                 : *end == 'h' ? 'H'
                                               : 'M');
        timed = timed || *end != 'd';
        text = end + 1;
    }
    return used > 1 && !*text;
}

static bool read_number(const char *text, double *out, const char **rest)
{
    char *end;
    *out = strtod(text, &end);
    *rest = end;
    return end != text;
}

/* "2.5kW", "2500W" in watts. */
static bool read_power(const char *text, double *out)
{
    const char *unit;
    if (!read_number(text, out, &unit) || (strcmp(unit, "kW") != 0 && strcmp(unit, "W") != 0)) {
        return false;
    }
    *out *= *unit == 'k' ? 1000 : 1;
    return true;
}

static bool add_number(json_t *request, const char *member, const char *text, const char *what)
{
    double number;
    const char *rest;
    if (!text || !read_number(text, &number, &rest) || *rest) {
        fprintf(stderr, "granary override: %s: found %s, a number is wanted\n", what,
                text ? text : "nothing");
        return false;
    }
    return json_object_set_new(request, member, json_real(number)) == 0;
}

static bool add_end(json_t *request, const struct call *call)
{
    char span[80];
    if (call->span && !write_span(span, sizeof span, call->span)) {
        fprintf(stderr, "granary override: --for: found %s; allowed: like 90m, 2h, 1h30m, 3d or PT2H\n",
                call->span);
        return false;
    }
    return (!call->span || json_object_set_new(request, "for", json_string(span)) == 0) &&
           (!call->from || json_object_set_new(request, "from", json_string(call->from)) == 0) &&
           (!call->until || json_object_set_new(request, "until", json_string(call->until)) == 0);
}

static bool add_power(json_t *request, const struct call *call)
{
    double power_w = 0;
    if (call->power && !read_power(call->power, &power_w)) {
        fprintf(stderr, "granary override: --power: found %s; allowed: like 2.5kW or 2500W\n", call->power);
        return false;
    }
    return !call->power || json_object_set_new(request, "power_w", json_real(power_w)) == 0;
}

static bool add_command(json_t *request, const struct call *call)
{
    if (!call->value) {
        fputs("granary override: command: follow, store, serve, charge, export or rest is wanted\n", stderr);
        return false;
    }
    return json_object_set_new(request, "command", json_string(call->value)) == 0 &&
           add_power(request, call) &&
           (!call->percent || add_number(request, "until_percent", call->percent, "--until-percent"));
}

static bool fill_request(json_t *request, const struct call *call)
{
    int kind = gr_override_kind_of(call->what);
    if (strcmp(call->what, "cancel") == 0) {
        return json_object_set_new(request, "cancel", json_string(call->value ? call->value : "all")) == 0;
    }
    if (kind < 0) {
        fprintf(stderr,
                "granary override: \"%s\" is none of command, reserve, load, no-export, pause, car, price, "
                "payment, "
                "wish, cancel\n",
                call->what);
        return false;
    }
    bool plain = kind == GR_OVERRIDE_PAUSE || kind == GR_OVERRIDE_NO_EXPORT;
    bool powered = kind == GR_OVERRIDE_COMMAND || kind == GR_OVERRIDE_CAR;
    if ((call->power && !powered) || (call->percent && kind != GR_OVERRIDE_COMMAND)) {
        fprintf(stderr,
                "granary override: --power and --until-percent belong to command, --power to car too\n");
        return false;
    }
    if (plain && call->value) {
        fprintf(stderr, "granary override: unexpected argument \"%s\"\n", call->value);
        return false;
    }
    bool good = json_object_set_new(request, "override", json_string(call->what)) == 0 &&
                json_object_set_new(request, "by", json_string(call->by)) == 0 && add_end(request, call);
    if (good && kind == GR_OVERRIDE_COMMAND) {
        return add_command(request, call);
    }
    if (good && !plain) {
        return add_number(request, gr_override_value_name((enum gr_override_kind)kind), call->value,
                          call->what) &&
               add_power(request, call);
    }
    return good;
}

/* ---- the broker ---- */

static void keep(json_t **kept, const struct gr_bridge_event *event)
{
    json_t *document = json_loadb(event->payload, event->length, 0, NULL);
    if (document) {
        json_decref(*kept);
        *kept = document;
    }
}

static void take_message(struct work *work, const struct gr_bridge_event *event)
{
    const char *name = event->topic + strlen(work->root);
    if (strcmp(name, "$state") == 0) {
        (void)snprintf(work->state, sizeof work->state, "%.*s", (int)event->length,
                       event->payload ? (const char *)event->payload : "");
    } else if (strcmp(name, "override/active") == 0) {
        keep(&work->active, event);
    } else if (strcmp(name, "override/answer") == 0) {
        json_t *heard = NULL;
        keep(&heard, event);
        const char *id = json_string_value(json_object_get(heard, "id"));
        if (id && strcmp(id, work->id) == 0) {
            json_decref(work->answer);
            work->answer = json_incref(heard);
        }
        json_decref(heard);
    }
}

static void take_events(struct work *work)
{
    struct gr_bridge_event event;
    while (gr_bridge_next(work->bridge, &event)) {
        if (event.kind == GR_BRIDGE_UP) {
            work->up = true;
        } else if (event.kind == GR_BRIDGE_MESSAGE) {
            take_message(work, &event);
        } else if (event.kind == GR_BRIDGE_DOWN || event.kind == GR_BRIDGE_TAKEN_OVER) {
            work->up = false;
            (void)snprintf(work->trouble, sizeof work->trouble, "%s", event.text);
        }
        gr_bridge_event_free(&event);
    }
}

/* Until `done` says so; false where the time is over first. */
static bool wait_for(struct work *work, bool (*done)(const struct work *work), int64_t timeout_ms)
{
    int64_t end_ms = gr_clock_mono_ms() + timeout_ms;
    while (!done(work) && gr_clock_mono_ms() < end_ms) {
        struct pollfd polled = {.fd = gr_bridge_fd(work->bridge), .events = POLLIN};
        gr_bridge_step(work->bridge, gr_clock_mono_ms());
        (void)poll(&polled, 1, WAIT_MS);
        take_events(work);
    }
    return done(work);
}

static bool is_up(const struct work *work)
{
    return work->up;
}

static bool is_answered(const struct work *work)
{
    return work->answer != NULL;
}

static bool knows_active(const struct work *work)
{
    return work->active && work->state[0];
}

/* Every cost is worked out with the next plan, moments after the answer. */
static bool is_costed(const struct work *work)
{
    size_t index, open = 0;
    json_t *one;
    json_array_foreach(work->active, index, one)
    {
        open += json_is_null(json_object_get(one, "cost"));
    }
    return work->active && open == 0;
}

static int open_bridge(struct work *work, struct gr_error *error)
{
    const struct gr_outputs *outputs = &work->config->outputs;
    struct gr_mqtt mqtt = work->config->mqtt;
    char filter[sizeof work->root + 24], state[sizeof work->root + 8];
    const char *const filters[] = {filter, state};
    (void)snprintf(work->root, sizeof work->root, "%s/5/%s/", outputs->domain, outputs->device);
    (void)snprintf(filter, sizeof filter, "%soverride/+", work->root);
    (void)snprintf(state, sizeof state, "%s$state", work->root);
    (void)snprintf(mqtt.client_id, sizeof mqtt.client_id, "granary-override-%d", (int)getpid());
    return gr_bridge_create(&work->bridge, &mqtt, NULL, 0, filters, 2, (uint64_t)getpid(), error);
}

/* ---- telling ---- */

static void print_active(const struct work *work)
{
    size_t index;
    json_t *one;
    if (json_array_size(work->active) == 0) {
        puts("Nothing is in force: the plan runs.");
    }
    json_array_foreach(work->active, index, one)
    {
        const json_t *cost = json_object_get(one, "cost"), *kwh = json_object_get(one, "import_kwh");
        const char *held = json_string_value(json_object_get(one, "held_back"));
        printf("%s\n", json_string_value(json_object_get(one, "text")));
        if (json_is_number(cost)) {
            printf("    costs %.2f %s more than the plan without it, and %.1f kWh more from the grid\n",
                   json_number_value(cost) + 0.0, work->config->currency, json_number_value(kwh));
        }
        if (held) {
            printf("    held back: %s\n", held);
        }
    }
}

static int fail(const char *format, ...) __attribute__((format(printf, 1, 2)));

static int fail(const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    fputs("granary override: ", stderr);
    (void)vfprintf(stderr, format, arguments);
    va_end(arguments);
    fputc('\n', stderr);
    return 1;
}

static int show(struct work *work)
{
    print_active(work);
    if (strcmp(work->state, "ready") != 0) {
        return fail("granaryd is not running there now (its state is %s)", work->state);
    }
    return 0;
}

static int send_request(struct work *work, json_t *request)
{
    char topic[sizeof work->root + 32];
    struct gr_error error = {""};
    char *text = gr_json_text(request, JSON_COMPACT | JSON_REAL_PRECISION(9));
    (void)snprintf(topic, sizeof topic, "%soverride/request/set", work->root);
    int status = text ? gr_bridge_publish(work->bridge, topic, text, strlen(text), false, 0, &error)
                      : gr_error_set(&error, GR_NO_MEMORY, "out of memory");
    free(text);
    return status == GR_OK ? 0 : fail("%s", error.text);
}

static int ask(struct work *work, json_t *request)
{
    if (send_request(work, request) != 0) {
        return 1;
    }
    if (!wait_for(work, is_answered, ANSWER_MS)) {
        return fail("no answer%s", strcmp(work->state, "ready") == 0 ? "" : ": granaryd does not run there");
    }
    if (!json_is_true(json_object_get(work->answer, "accepted"))) {
        return fail("refused: %s", json_string_value(json_object_get(work->answer, "reason")));
    }
    printf("Accepted: %s\n", json_string_value(json_object_get(work->answer, "text")));
    json_decref(work->active);
    work->active = NULL; /* what was retained is of before */
    if (wait_for(work, is_costed, COST_MS)) {
        print_active(work);
    }
    return 0;
}

static int run(struct work *work)
{
    struct gr_error error = {""};
    json_t *request = json_object();
    (void)snprintf(work->id, sizeof work->id, "tool-%d-%lld", (int)getpid(), (long long)gr_clock_mono_ms());
    (void)json_object_set_new(request, "id", json_string(work->id));
    int status = work->call.what && !fill_request(request, &work->call) ? 2 : 0;
    work->config = status == 0 ? gr_tool_read_config(work->call.file) : NULL;
    if (!work->config) {
        status = 2;
    } else if (open_bridge(work, &error) != GR_OK) {
        status = fail("%s", error.text);
    } else if (!wait_for(work, is_up, CONNECT_MS)) {
        status = fail("the broker is not reached: %s", work->trouble);
    } else if (!wait_for(work, knows_active, ANSWER_MS / 3)) {
        /* What is retained also says that the subscription holds: an answer cannot come before it. */
        status = fail("%s", "no granaryd has published on this broker");
    } else {
        status = work->call.what ? ask(work, request) : show(work);
    }
    json_decref(request);
    return status;
}

int gr_tool_override(int argc, char **argv)
{
    struct work work = {0};
    if (!read_arguments(&work.call, argc, argv)) {
        return 2;
    }
    if (work.call.help) {
        fputs(usage, stdout);
        return 0;
    }
    int status = run(&work);
    gr_bridge_free(work.bridge, 1000);
    json_decref(work.answer);
    json_decref(work.active);
    free(work.config);
    return status;
}
