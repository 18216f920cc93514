#include "eventlog/parts.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const int64_t greatest_s = INT64_C(1) << 40; /* no moment of a log is later */

struct run {
    struct gr_replay *result;
    int (*load_zone)(struct gr_zone **out, const char *name, struct gr_error *error);
    struct gr_engine_config *config;
    struct gr_zone *zone;
    struct gr_engine *engine; /* NULL: settings are being read */
    bool headed, decided;
    uint64_t line;
    struct gr_decision decision;
};

static void drop_engine(struct run *run)
{
    gr_engine_free(run->engine);
    gr_zone_free(run->zone);
    run->engine = NULL;
    run->zone = NULL;
}

static int refuse(struct gr_error *error, const char *expected)
{
    return gr_error_set(error, GR_INVALID, "expected %s", expected);
}

/* ---- lines ---- */

static int take_header(struct run *run, const char *line, struct gr_error *error)
{
    if (strncmp(line, "granary-events 1 ", 17) != 0) {
        return gr_error_set(error, GR_INVALID,
                            "this is no event log that is understood here: it begins with \"%.40s\"", line);
    }
    drop_engine(run);
    memset(run->config, 0, sizeof *run->config);
    run->headed = true;
    return GR_OK;
}

static int take_begin(struct run *run, struct gr_error *error)
{
    if (run->engine || !run->headed) {
        return refuse(error, "\"begin\" once, after the settings");
    }
    int status = gr_eventlog_check_settings(run->config, error);
    if (status == GR_OK) {
        status = run->load_zone(&run->zone, run->config->site.timezone, error);
    }
    if (status == GR_OK) {
        status = gr_engine_create(&run->engine, run->config, run->zone, 0, error);
    }
    run->result->starts += status == GR_OK;
    return status;
}

static int take_state(struct run *run, struct gr_words *words, struct gr_error *error)
{
    size_t size = gr_engine_state_size();
    char number[24] = "";
    int64_t told;
    words->at += strspn(words->at, " ");
    bool fits = gr_words_whole(words, (int64_t)size, (int64_t)size, &told) &&
                gr_words_take(words, number, sizeof number);
    words->at += strspn(words->at, " ");
    if (!fits || strlen(words->at) != 2 * size) {
        return refuse(error, "the state of an engine of this version of Granary");
    }
    unsigned char *state = malloc(size);
    if (!state) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory");
    }
    for (size_t i = 0; i < size; i++) {
        char pair[3] = {words->at[2 * i], words->at[2 * i + 1], '\0'};
        state[i] = (unsigned char)strtoul(pair, NULL, 16);
    }
    fits = strtoull(number, NULL, 10) == gr_eventlog_sum(state, size);
    int status =
        fits ? gr_engine_load(run->engine, state, error) : refuse(error, "a state that fits its sum");
    free(state);
    return status;
}

static int hand_over(struct run *run, const struct gr_event *event, struct gr_error *error)
{
    run->result->events++;
    return gr_engine_handle(run->engine, event, error);
}

static int take_reading(struct run *run, struct gr_words *words, struct gr_event *event,
                        struct gr_error *error)
{
    char name[32] = "", retained[12] = "";
    int channel = 0;
    bool good = gr_words_take(words, name, sizeof name);
    while (channel < GR_CHANNELS && strcmp(gr_channel_name((enum gr_channel)channel), name) != 0) {
        channel++;
    }
    good = good && channel < GR_CHANNELS && gr_words_number(words, &event->of.reading.value);
    event->of.reading.channel = (enum gr_channel)channel;
    event->of.reading.retained = gr_words_take(words, retained, sizeof retained);
    if (!good || (event->of.reading.retained && strcmp(retained, "retained") != 0)) {
        return refuse(error, "a channel, a number, and \"retained\" or nothing");
    }
    return hand_over(run, event, error);
}

static bool read_rate(struct gr_words *words, int64_t from_s, struct gr_rate *rate)
{
    return gr_words_whole(words, from_s, greatest_s, &rate->start_s) &&
           gr_words_whole(words, rate->start_s + 1, greatest_s, &rate->end_s) &&
           gr_words_number(words, &rate->price_per_kwh) && isfinite(rate->price_per_kwh);
}

/* COUNT (START END VALUE) ...; the rates are the caller's. */
static int read_table(struct gr_words *words, struct gr_rate_table *out, struct gr_error *error)
{
    int64_t count = 0, from_s = -(INT64_C(1) << 40);
    *out = (struct gr_rate_table){NULL, 0};
    bool good = gr_words_whole(words, 1, 20000, &count);
    struct gr_rate *rates = good ? calloc((size_t)count, sizeof *rates) : NULL;
    if (good && !rates) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory");
    }
    for (int64_t i = 0; good && i < count; i++) {
        good = read_rate(words, from_s, &rates[i]);
        from_s = rates[i].end_s;
    }
    if (!good || !gr_words_end(words)) {
        free(rates);
        return refuse(error, "sorted slots with finite values, as many as told");
    }
    *out = (struct gr_rate_table){rates, (size_t)count};
    return GR_OK;
}

static int take_rates(struct run *run, struct gr_words *words, struct gr_event *event, struct gr_error *error)
{
    struct gr_rate_table table;
    int64_t source = 0;
    if (!gr_words_direction(words, &event->of.rates.direction) ||
        !gr_words_whole(words, 0, GR_MAX_SOURCES - 1, &source)) {
        return refuse(error, "a direction and a source");
    }
    int status = read_table(words, &table, error);
    if (status == GR_OK) {
        event->of.rates.source = (size_t)source;
        event->of.rates.table = &table;
        status = hand_over(run, event, error);
        free(table.rates);
    }
    return status;
}

static int take_weather(struct run *run, struct gr_words *words, struct gr_event *event,
                        struct gr_error *error)
{
    struct gr_rate_table table;
    int64_t kind = 0;
    if (!gr_words_whole(words, 0, GR_WEATHER_KINDS - 1, &kind)) {
        return refuse(error, "a kind of weather");
    }
    int status = read_table(words, &table, error);
    if (status == GR_OK) {
        event->of.weather.kind = (enum gr_weather_kind)kind;
        event->of.weather.table = &table;
        status = hand_over(run, event, error);
        free(table.rates);
    }
    return status;
}

static int take_history(struct run *run, struct gr_words *words, struct gr_event *event,
                        struct gr_error *error)
{
    if (!gr_words_whole(words, -greatest_s, greatest_s, &event->of.history.start_s) ||
        !gr_words_number(words, &event->of.history.house_kw) ||
        !gr_words_number(words, &event->of.history.solar_kw) ||
        !gr_words_number(words, &event->of.history.outdoor_c) || !gr_words_end(words)) {
        return refuse(error, "a moment, two powers and a temperature");
    }
    return hand_over(run, event, error);
}

static int take_link(struct run *run, struct gr_words *words, struct gr_event *event, struct gr_error *error)
{
    char word[8] = "";
    if (!gr_words_take(words, word, sizeof word) || (strcmp(word, "up") != 0 && strcmp(word, "down") != 0) ||
        !gr_words_end(words)) {
        return refuse(error, "\"up\" or \"down\"");
    }
    event->of.link.up = strcmp(word, "up") == 0;
    return hand_over(run, event, error);
}

static int take_override(struct run *run, struct gr_words *words, struct gr_event *event,
                         struct gr_error *error)
{
    struct gr_override *override = &event->of.override;
    char name[16] = "", command[16] = "";
    bool good = gr_words_take(words, name, sizeof name) && gr_words_take(words, command, sizeof command) &&
                gr_override_kind_of(name) >= 0 && gr_command_kind_of(command) >= 0 &&
                gr_words_number(words, &override->power_kw) &&
                gr_words_number(words, &override->until_percent) &&
                gr_words_number(words, &override->value) &&
                gr_words_whole(words, -greatest_s, greatest_s, &override->since_s) &&
                gr_words_whole(words, -greatest_s, greatest_s, &override->until_s) &&
                gr_words_text(words, override->by, sizeof override->by) && gr_words_end(words);
    if (!good) {
        return refuse(error, "an override");
    }
    override->kind = (enum gr_override_kind)gr_override_kind_of(name);
    override->command = (enum gr_command_kind)gr_command_kind_of(command);
    return hand_over(run, event, error);
}

static int take_cancel(struct run *run, struct gr_words *words, struct gr_event *event,
                       struct gr_error *error)
{
    char name[16] = "";
    bool good = gr_words_take(words, name, sizeof name) && gr_words_end(words);
    event->of.cancel.kind = strcmp(name, "all") == 0 ? GR_OVERRIDE_KINDS : gr_override_kind_of(name);
    return good && event->of.cancel.kind >= 0 ? hand_over(run, event, error)
                                              : refuse(error, "the kind of an override, or \"all\"");
}

static int take_rival(struct run *run, struct gr_words *words, struct gr_event *event, struct gr_error *error)
{
    char word[8] = "";
    bool good = gr_words_take(words, word, sizeof word) && gr_words_end(words);
    event->of.rival.gone = strcmp(word, "gone") == 0;
    return good && (event->of.rival.gone || strcmp(word, "here") == 0)
               ? hand_over(run, event, error)
               : refuse(error, "\"here\" or \"gone\"");
}

static bool read_window(struct gr_words *words, struct gr_window *out)
{
    char name[20] = "";
    int kind = 0;
    bool good = gr_words_take(words, name, sizeof name);
    while (good && kind < GR_WINDOW_KINDS && strcmp(gr_window_name((enum gr_window_kind)kind), name) != 0) {
        kind++;
    }
    out->kind = (enum gr_window_kind)kind;
    return good && kind < GR_WINDOW_KINDS && gr_words_whole(words, -greatest_s, greatest_s, &out->start_s) &&
           gr_words_whole(words, out->start_s, greatest_s, &out->end_s) &&
           gr_words_number(words, &out->value);
}

/* SOURCE COUNT (KIND START END VALUE) ... */
static int take_windows(struct run *run, struct gr_words *words, struct gr_event *event,
                        struct gr_error *error)
{
    struct gr_window windows[GR_MOST_WINDOWS];
    int64_t source = 0, count = 0;
    bool good = gr_words_whole(words, 0, GR_MOST_EVENT_SOURCES - 1, &source) &&
                gr_words_whole(words, 0, GR_MOST_WINDOWS, &count);
    for (int64_t i = 0; good && i < count; i++) {
        windows[i] = (struct gr_window){.source = (int32_t)source};
        good = read_window(words, &windows[i]);
    }
    if (!good || !gr_words_end(words)) {
        return refuse(error, "a source and its windows, as many as told");
    }
    event->of.windows.source = (int32_t)source;
    event->of.windows.list = windows;
    event->of.windows.count = (size_t)count;
    return hand_over(run, event, error);
}

static int take_full(struct run *run, struct gr_words *words, struct gr_event *event, struct gr_error *error)
{
    return gr_words_whole(words, 1, greatest_s, &event->of.full.since_s) && gr_words_end(words)
               ? hand_over(run, event, error)
               : refuse(error, "the moment of the last full charge");
}

static int take_metered(struct run *run, struct gr_words *words, struct gr_event *event,
                        struct gr_error *error)
{
    bool good = gr_words_whole(words, -greatest_s, greatest_s, &event->of.metered.from_s) &&
                gr_words_whole(words, -greatest_s, greatest_s, &event->of.metered.to_s) &&
                gr_words_number(words, &event->of.metered.grid_kw) && gr_words_end(words);
    return good ? hand_over(run, event, error)
                : refuse(error, "a stretch of time and the mean power of the grid in it");
}

static int take_sequence(struct run *run, struct gr_words *words, struct gr_error *error)
{
    int64_t sequence;
    if (!gr_words_whole(words, 0, INT64_C(1) << 62, &sequence) || !gr_words_end(words)) {
        return refuse(error, "a sequence");
    }
    gr_engine_raise_sequence(run->engine, (uint64_t)sequence);
    return GR_OK;
}

static int take_tick(struct run *run, const struct gr_moment *now)
{
    gr_engine_tick(run->engine, *now, &run->decision);
    run->decided = true;
    run->result->first_s = run->result->decisions == 0 ? now->utc_s : run->result->first_s;
    run->result->last_s = now->utc_s;
    return GR_OK;
}

static int take_decision(struct run *run, const char *logged, struct gr_error *error)
{
    struct gr_replay *result = run->result;
    char found[GR_EVENTLOG_LINE_SIZE];
    if (!run->decided) {
        return refuse(error, "a tick before each decision");
    }
    run->decided = false;
    result->decisions++;
    gr_eventlog_describe(found, &run->decision);
    if (strcmp(found, logged) == 0) {
        return GR_OK;
    }
    if (result->differing++ == 0) {
        result->first_line = run->line;
        (void)snprintf(result->logged, sizeof result->logged, "%s", logged);
        (void)snprintf(result->found, sizeof result->found, "%s", found);
    }
    return GR_OK;
}

/* ---- the whole ---- */

static int take_timed(struct run *run, const char *kind, struct gr_words *words, struct gr_error *error)
{
    static const struct {
        const char *name;
        enum gr_event_kind kind;
        int (*take)(struct run *run, struct gr_words *words, struct gr_event *event, struct gr_error *error);
    } kinds[] = {{"reading", GR_EVENT_READING, take_reading}, {"rates", GR_EVENT_RATES, take_rates},
                 {"history", GR_EVENT_HISTORY, take_history}, {"link", GR_EVENT_LINK, take_link},
                 {"weather", GR_EVENT_WEATHER, take_weather}, {"override", GR_EVENT_OVERRIDE, take_override},
                 {"cancel", GR_EVENT_CANCEL, take_cancel},    {"rival", GR_EVENT_RIVAL, take_rival},
                 {"windows", GR_EVENT_WINDOWS, take_windows}, {"full", GR_EVENT_FULL, take_full},
                 {"metered", GR_EVENT_METERED, take_metered}};
    struct gr_event event = {.kind = GR_EVENT_LINK};
    bool is_tick = strcmp(kind, "tick") == 0;
    if (!gr_words_moment(words, &event.at)) {
        return refuse(
            error,
            "Unix seconds, monotonic milliseconds, and 1 or 0 for a clock that is synchronised or not");
    }
    if (is_tick) {
        return gr_words_end(words) ? take_tick(run, &event.at) : refuse(error, "a moment and no more");
    }
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        if (strcmp(kind, kinds[i].name) == 0) {
            event.kind = kinds[i].kind;
            return kinds[i].take(run, words, &event, error);
        }
    }
    return gr_error_set(error, GR_INVALID, "\"%s\" begins no line of an event log", kind);
}

static int take_line(struct run *run, const char *line, struct gr_error *error)
{
    struct gr_words words = {line};
    char kind[16] = "";
    if (!run->headed || strncmp(line, "granary-events ", 15) == 0) {
        return take_header(run, line, error);
    }
    if (strncmp(line, "decision ", 9) == 0) {
        return take_decision(run, line + 9, error);
    }
    if (strcmp(line, "begin") == 0) {
        return take_begin(run, error);
    }
    if (!run->engine) {
        int status = gr_eventlog_read_setting(run->config, line, error);
        return status == GR_NOT_FOUND ? refuse(error, "a setting, or \"begin\"") : status;
    }
    if (!gr_words_take(&words, kind, sizeof kind)) {
        return refuse(error, "a line of an event log");
    }
    if (strcmp(kind, "state") == 0) {
        return take_state(run, &words, error);
    }
    if (strcmp(kind, "sequence") == 0) {
        return take_sequence(run, &words, error);
    }
    return take_timed(run, kind, &words, error);
}

static int take_bytes(struct run *run, const char *text, size_t length, struct gr_error *error)
{
    char *line = malloc(length + 1);
    if (!line) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory");
    }
    memcpy(line, text, length);
    line[length] = '\0';
    int status =
        strlen(line) == length ? take_line(run, line, error) : refuse(error, "text without zero bytes");
    free(line);
    return status;
}

static int run_through(struct run *run, const char *text, size_t length, struct gr_error *error)
{
    const char *end = text + length;
    int status = GR_OK;
    while (status == GR_OK && text < end) {
        const char *newline = memchr(text, '\n', (size_t)(end - text));
        if (!newline) {
            break;
        }
        run->line++;
        status = take_bytes(run, text, (size_t)(newline - text), error);
        text = newline + 1;
    }
    return status;
}

int gr_eventlog_replay(struct gr_replay *out, const char *file, const void *bytes, size_t length,
                       int (*load_zone)(struct gr_zone **out, const char *name, struct gr_error *error),
                       struct gr_error *error)
{
    struct gr_error why = {""};
    struct run run = {.result = out, .load_zone = load_zone, .config = calloc(1, sizeof *run.config)};
    memset(out, 0, sizeof *out);
    int status =
        run.config ? run_through(&run, bytes, length, &why) : gr_error_set(&why, GR_NO_MEMORY, "no memory");
    if (status == GR_OK && !run.headed) {
        status = gr_error_set(&why, GR_INVALID, "an empty file");
    }
    drop_engine(&run);
    free(run.config);
    return status == GR_OK ? GR_OK
                           : gr_error_set(error, status, "%s:%" PRIu64 ": %.300s", file, run.line, why.text);
}
