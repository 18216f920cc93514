#include "eventlog/parts.h"

#include <inttypes.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

/* ---- events ---- */

static void write_table(FILE *stream, const struct gr_rate_table *table)
{
    (void)fprintf(stream, " %zu", table->count);
    for (size_t i = 0; i < table->count; i++) {
        const struct gr_rate *rate = &table->rates[i];
        (void)fprintf(stream, " %" PRId64 " %" PRId64 " %.17g", rate->start_s, rate->end_s,
                      rate->price_per_kwh);
    }
}

static void write_rates(FILE *stream, enum gr_direction direction, size_t source,
                        const struct gr_rate_table *table)
{
    (void)fprintf(stream, " %s %zu", gr_direction_name(direction), source);
    write_table(stream, table);
}

static void write_override(FILE *stream, const struct gr_override *override)
{
    (void)fprintf(stream, " %s %s %.17g %.17g %.17g %" PRId64 " %" PRId64, gr_override_name(override->kind),
                  gr_command_name(override->command), override->power_kw, override->until_percent,
                  override->value, override->since_s, override->until_s);
    gr_eventlog_write_text(stream, override->by);
}

static void write_windows(FILE *stream, const struct gr_event *event)
{
    (void)fprintf(stream, " %d %zu", event->of.windows.source, event->of.windows.count);
    for (size_t i = 0; i < event->of.windows.count; i++) {
        const struct gr_window *window = &event->of.windows.list[i];
        (void)fprintf(stream, " %s %" PRId64 " %" PRId64 " %.17g", gr_window_name(window->kind),
                      window->start_s, window->end_s, window->value);
    }
}

void gr_eventlog_write_event(FILE *stream, const struct gr_event *event)
{
    static const char *const names[] = {
        [GR_EVENT_READING] = "reading", [GR_EVENT_RATES] = "rates",     [GR_EVENT_HISTORY] = "history",
        [GR_EVENT_LINK] = "link",       [GR_EVENT_WEATHER] = "weather", [GR_EVENT_OVERRIDE] = "override",
        [GR_EVENT_CANCEL] = "cancel",   [GR_EVENT_RIVAL] = "rival",     [GR_EVENT_WINDOWS] = "windows",
        [GR_EVENT_FULL] = "full",       [GR_EVENT_METERED] = "metered"};
    (void)fputs(names[event->kind], stream);
    gr_eventlog_write_moment(stream, &event->at);
    switch (event->kind) {
    case GR_EVENT_READING:
        (void)fprintf(stream, " %s %.17g%s", gr_channel_name(event->of.reading.channel),
                      event->of.reading.value, event->of.reading.retained ? " retained" : "");
        break;
    case GR_EVENT_RATES:
        write_rates(stream, event->of.rates.direction, event->of.rates.source, event->of.rates.table);
        break;
    case GR_EVENT_HISTORY:
        (void)fprintf(stream, " %" PRId64 " %.17g %.17g %.17g", event->of.history.start_s,
                      event->of.history.house_kw, event->of.history.solar_kw, event->of.history.outdoor_c);
        break;
    case GR_EVENT_LINK:
        (void)fputs(event->of.link.up ? " up" : " down", stream);
        break;
    case GR_EVENT_WEATHER:
        (void)fprintf(stream, " %d", (int)event->of.weather.kind);
        write_table(stream, event->of.weather.table);
        break;
    case GR_EVENT_OVERRIDE:
        write_override(stream, &event->of.override);
        break;
    case GR_EVENT_FULL:
        (void)fprintf(stream, " %" PRId64, event->of.full.since_s);
        break;
    case GR_EVENT_METERED:
        (void)fprintf(stream, " %" PRId64 " %" PRId64 " %.17g", event->of.metered.from_s,
                      event->of.metered.to_s, event->of.metered.grid_kw);
        break;
    case GR_EVENT_RIVAL:
        (void)fputs(event->of.rival.gone ? " gone" : " here", stream);
        break;
    case GR_EVENT_WINDOWS:
        write_windows(stream, event);
        break;
    case GR_EVENT_CANCEL:
        (void)fprintf(stream, " %s",
                      event->of.cancel.kind == GR_OVERRIDE_KINDS
                          ? "all"
                          : gr_override_name((enum gr_override_kind)event->of.cancel.kind));
        break;
    }
    (void)fputc('\n', stream);
}

/* ---- decisions ---- */

/* A line that grows; what does not fit is cut. */
struct line {
    char *text;
    size_t length;
};

static void append(struct line *line, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void append(struct line *line, const char *format, ...)
{
    va_list arguments;
    size_t room = GR_EVENTLOG_LINE_SIZE - line->length;
    va_start(arguments, format);
    int written = vsnprintf(line->text + line->length, room, format, arguments);
    va_end(arguments);
    if (written > 0) {
        line->length += (size_t)written < room ? (size_t)written : room - 1;
    }
}

static void append_record(struct line *line, const char *name, const struct gr_slot_record *record)
{
    append(line, " %s %" PRId64 " %.17g %.17g %.17g %.17g %.17g %.17g %.17g", name, record->start_s,
           record->house_kw, record->solar_kw, record->battery_kw, record->grid_kw, record->car_kw,
           record->state_of_charge_percent, record->outdoor_c);
}

void gr_eventlog_describe(char out[GR_EVENTLOG_LINE_SIZE], const struct gr_decision *decision)
{
    const struct gr_command *command = &decision->command;
    struct line line = {out, 0};
    append(&line, "%s %.17g %.17g %" PRId64 " %" PRId64 " %" PRIu64, gr_command_name(command->kind),
           command->power_kw, command->target_percent, command->issued_s, command->valid_until_s,
           command->sequence);
    append(&line, " %s %s %s%s%s%s %d", decision->commanding ? "commanding" : "observing",
           gr_fault_name(decision->fault), gr_answer_name(decision->answer), decision->issue ? " issue" : "",
           decision->changed ? " changed" : "", decision->replanned ? " replanned" : "",
           decision->changes_today);
    append(&line, " %.17g %.17g %.17g %.17g %.17g", decision->stored_kwh, decision->house_kw,
           decision->solar_kw, decision->car_kw, decision->marginal_value_per_kwh);
    if (decision->record_due) {
        append_record(&line, "half-hour", &decision->record);
    }
    if (decision->fine_due) {
        append_record(&line, "five-minutes", &decision->fine.means);
    }
    if (decision->issue) {
        append(&line, " \"%s\"", command->reason);
    }
    for (char *at = out; *at; at++) {
        *at = *at == '\n' ? ' ' : *at;
    }
}

void gr_eventlog_write_turn(FILE *stream, const struct gr_moment *now, const struct gr_decision *decision)
{
    char line[GR_EVENTLOG_LINE_SIZE];
    gr_eventlog_describe(line, decision);
    (void)fputs("tick", stream);
    gr_eventlog_write_moment(stream, now);
    (void)fprintf(stream, "\ndecision %s\n", line);
}

/* ---- the start ---- */

static void write_prices(FILE *stream, const struct gr_engine *engine, enum gr_direction direction,
                         const struct gr_moment *now)
{
    const struct gr_tariff *tariff = gr_engine_tariff(engine, direction);
    for (size_t i = 0; i < tariff->count; i++) {
        if (tariff->source[i].table.count > 0) {
            struct gr_event event = {
                .kind = GR_EVENT_RATES,
                .at = *now,
                .of.rates = {.direction = direction, .source = i, .table = &tariff->source[i].table}};
            gr_eventlog_write_event(stream, &event);
        }
    }
}

static void write_history(FILE *stream, const struct gr_engine *engine, const struct gr_moment *now)
{
    int64_t newest_s = now->utc_s - now->utc_s % GR_HISTORY_STEP_S;
    for (int64_t k = (int64_t)GR_HISTORY_DAYS * 48; k >= 0; k--) {
        struct gr_event event = {.kind = GR_EVENT_HISTORY,
                                 .at = *now,
                                 .of.history = {newest_s - k * GR_HISTORY_STEP_S, NAN, NAN, NAN}};
        (void)gr_history_house(gr_engine_history(engine), event.of.history.start_s,
                               &event.of.history.house_kw);
        (void)gr_history_solar(gr_engine_history(engine), event.of.history.start_s,
                               &event.of.history.solar_kw);
        (void)gr_history_outdoor(gr_engine_history(engine), event.of.history.start_s,
                                 &event.of.history.outdoor_c);
        if (!isnan(event.of.history.house_kw) || !isnan(event.of.history.solar_kw) ||
            !isnan(event.of.history.outdoor_c)) {
            gr_eventlog_write_event(stream, &event);
        }
    }
}

struct telling {
    FILE *stream;
    const struct gr_moment *now;
};

static void write_weather(void *context, enum gr_weather_kind kind, const struct gr_rate_table *table,
                          int64_t at_s)
{
    const struct telling *telling = context;
    struct gr_event event = {
        .kind = GR_EVENT_WEATHER, .at = *telling->now, .of.weather = {.kind = kind, .table = table}};
    event.at.utc_s = at_s;
    gr_eventlog_write_event(telling->stream, &event);
}

static void write_state(FILE *stream, struct gr_engine *engine)
{
    size_t size = gr_engine_state_size();
    unsigned char *state = calloc(1, size);
    if (!state) {
        return; /* the log will not replay: said by replay */
    }
    gr_engine_save(engine, state);
    (void)fprintf(stream, "state %zu %" PRIu64 " ", size, gr_eventlog_sum(state, size));
    for (size_t i = 0; i < size; i++) {
        (void)fprintf(stream, "%02x", state[i]);
    }
    (void)fputc('\n', stream);
    free(state);
}

void gr_eventlog_write_start(FILE *stream, struct gr_engine *engine, const struct gr_moment *now)
{
    (void)fputs(GR_EVENTLOG_HEADER "\n", stream);
    gr_eventlog_write_settings(stream, gr_engine_config_of(engine));
    (void)fputs("begin\n", stream);
    write_history(stream, engine, now);
    for (int direction = 0; direction < GR_DIRECTIONS; direction++) {
        write_prices(stream, engine, (enum gr_direction)direction, now);
    }
    struct telling telling = {stream, now};
    (void)gr_weather_retell(gr_engine_weather(engine), now->utc_s, write_weather, &telling);
    write_state(stream, engine);
}
