/* Events of OpenADR 3 (OpenADR Alliance, "OpenADR 3.1.0 Definition" and User Guide, sections 7.3 to 7.6): the
 * payload types PRICE, EXPORT_PRICE and CHARGE_STATE_SETPOINT; others say nothing to a plan and are passed
 * over. */
#include "granary/civil.h"
#include "told.h"
#include "walk.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const int no_priority = 1000000;                 /* behind every event that has one */
static const int64_t repeated_s = INT64_C(8) * 86400;   /* ahead, of what repeats; more is told later */
static const int64_t endless_s = INT64_C(3650) * 86400; /* P9999Y */

/* A period as far as it is told; -1: not. */
struct period {
    int64_t start_s, duration_s;
    bool starts;
};

static const struct {
    const char *type, *units;
    enum gr_window_kind kind;
} types[] = {{"PRICE", "KWH", GR_WINDOW_IMPORT_PRICE},
             {"EXPORT_PRICE", "KWH", GR_WINDOW_EXPORT_PRICE},
             {"CHARGE_STATE_SETPOINT", "PERCENT", GR_WINDOW_STATE_OF_CHARGE}};
enum { TYPES = sizeof types / sizeof types[0], NOT_OURS = TYPES };

static const char *text_of(const json_t *object, const char *name)
{
    const char *text = json_string_value(json_object_get(object, name));
    return text ? text : "";
}

static int type_of(const char *name)
{
    int type = 0;
    while (type < TYPES && strcmp(types[type].type, name) != 0) {
        type++;
    }
    return type;
}

/* ---- periods ---- */

static int read_duration(const json_t *object, int64_t *out, struct gr_error *error)
{
    const json_t *value = json_object_get(object, "duration");
    const char *text = json_string_value(value);
    if (!value) {
        return GR_OK;
    }
    if (text && strcmp(text, "P9999Y") == 0) {
        *out = endless_s;
        return GR_OK;
    }
    if (!text || gr_duration_parse(out, text, strlen(text)) != GR_OK || *out > endless_s) {
        return gr_error_set(error, GR_INVALID,
                            "duration: found \"%.40s\"; needed: an ISO 8601 duration such as PT1H",
                            text ? text : "no text");
    }
    return GR_OK;
}

/* A start in the year 1 means "at once": since the event was made. */
static int read_now(const json_t *event, int64_t *out, struct gr_error *error)
{
    const char *made = text_of(event, "modificationDateTime");
    made = made[0] ? made : text_of(event, "createdDateTime");
    return gr_rfc3339_parse(out, made, strlen(made)) == GR_OK
               ? GR_OK
               : gr_error_set(error, GR_INVALID,
                              "start: found \"0001-01-01\", at once, and no createdDateTime that says when "
                              "that was");
}

static int read_period(const json_t *event, const json_t *owner, struct period *out, struct gr_error *error)
{
    const json_t *period = json_object_get(owner, "intervalPeriod");
    const json_t *start = json_object_get(period, "start");
    const char *text = json_string_value(start);
    int status = GR_OK;
    out->starts = out->starts || start != NULL;
    if (text && strncmp(text, "0001-01-01", 10) == 0) {
        status = read_now(event, &out->start_s, error);
    } else if (start && (!text || gr_rfc3339_parse(&out->start_s, text, strlen(text)) != GR_OK)) {
        return gr_error_set(error, GR_INVALID,
                            "start: found \"%.40s\"; needed: a moment such as 2026-01-15T00:00:00Z",
                            text ? text : "no text");
    }
    return status == GR_OK ? read_duration(period, &out->duration_s, error) : status;
}

/* ---- payloads ---- */

static int check_descriptor(const struct gr_window_mapping *mapping, const json_t *descriptor,
                            struct gr_error *error)
{
    int type = type_of(text_of(descriptor, "payloadType"));
    const char *units = text_of(descriptor, "units"), *currency = text_of(descriptor, "currency");
    if (type == NOT_OURS) {
        return GR_OK;
    }
    bool energy = types[type].kind == GR_WINDOW_STATE_OF_CHARGE && strcmp(units, "KWH") == 0;
    if (units[0] && strcmp(units, types[type].units) != 0 && !energy) {
        return gr_error_set(error, GR_INVALID, "units of %s: found \"%.24s\"; allowed: %s", types[type].type,
                            units, types[type].units);
    }
    if (currency[0] && mapping->currency[0] && strcmp(currency, mapping->currency) != 0) {
        return gr_error_set(error, GR_INVALID, "currency of %s: found \"%.8s\"; prices here are in %s",
                            types[type].type, currency, mapping->currency);
    }
    return GR_OK;
}

/* What a state of charge is in, by its descriptor. PERCENT is written from 0 to 1 and from 0 to 100. */
static double percent_of(const struct gr_telling *telling, const json_t *event, double value)
{
    const json_t *list = json_object_get(event, "payloadDescriptors"), *descriptor;
    size_t index;
    json_array_foreach(list, index, descriptor)
    {
        if (strcmp(text_of(descriptor, "payloadType"), "CHARGE_STATE_SETPOINT") == 0 &&
            strcmp(text_of(descriptor, "units"), "KWH") == 0) {
            return value / telling->mapping->capacity_kwh * 100;
        }
    }
    return fabs(value) <= 1 ? value * 100 : value;
}

/* Several values share the interval's length (User Guide, 7.3). */
static int add_values(struct gr_telling *telling, const json_t *event, const json_t *payload, int64_t start_s,
                      int64_t length_s, struct gr_error *error)
{
    int type = type_of(text_of(payload, "type")), status = GR_OK;
    const json_t *values = json_object_get(payload, "values");
    int64_t count = (int64_t)json_array_size(values);
    if (type == NOT_OURS) {
        return GR_OK;
    }
    if (count == 0) {
        return gr_error_set(error, GR_INVALID, "%s: found no values", types[type].type);
    }
    for (int64_t i = 0; status == GR_OK && i < count; i++) {
        const json_t *value = json_array_get(values, (size_t)i);
        double number = json_number_value(value);
        if (!json_is_number(value)) {
            return gr_error_set(error, GR_INVALID, "%s: found a value that is no number", types[type].type);
        }
        if (types[type].kind == GR_WINDOW_STATE_OF_CHARGE) {
            number = percent_of(telling, event, number);
        }
        status = gr_told_add(telling, types[type].kind, start_s + length_s * i / count,
                             start_s + length_s * (i + 1) / count, number, error);
    }
    return status;
}

/* ---- intervals ---- */

/* What an interval's own period does not say comes from the event's, and its start from the end of the one
 * before. */
static int find_interval(const json_t *event, const json_t *interval, const struct period *whole,
                         int64_t follows_s, struct period *out, struct gr_error *error)
{
    *out = (struct period){.start_s = follows_s, .duration_s = whole->duration_s, .starts = whole->starts};
    int status = read_period(event, interval, out, error);
    if (status == GR_OK && !out->starts) {
        return gr_error_set(error, GR_INVALID, "start: missing, in the event and in its interval");
    }
    if (status == GR_OK && out->duration_s <= 0) {
        return gr_error_set(error, GR_INVALID, "duration: missing, in the event and in its interval");
    }
    return status;
}

/* All intervals once, so many seconds later than told; *end_s becomes their end. */
static int add_intervals(struct gr_telling *telling, const json_t *event, const struct period *whole,
                         int64_t later_s, int64_t until_s, int64_t *end_s, struct gr_error *error)
{
    const json_t *intervals = json_object_get(event, "intervals"), *interval, *payload;
    size_t index, place;
    int status = GR_OK;
    *end_s = whole->start_s;
    json_array_foreach(intervals, index, interval)
    {
        struct period period;
        status = find_interval(event, interval, whole, *end_s, &period, error);
        if (status != GR_OK) {
            return status;
        }
        *end_s = period.start_s + period.duration_s;
        int64_t start_s = period.start_s + later_s;
        int64_t length_s = *end_s + later_s < until_s ? period.duration_s : until_s - start_s;
        json_array_foreach(json_object_get(interval, "payloads"), place, payload)
        {
            status = length_s > 0 ? add_values(telling, event, payload, start_s, length_s, error) : GR_OK;
            if (status != GR_OK) {
                return status;
            }
        }
    }
    return GR_OK;
}

/* A duration of the event beyond the sum of its intervals repeats them; of an event without a start it says
 * nothing. */
static int add_repeated(struct gr_telling *telling, const json_t *event, const struct period *whole,
                        int64_t duration_s, struct gr_error *error)
{
    bool lasts = whole->starts && duration_s > 0;
    int64_t until_s = lasts ? whole->start_s + duration_s : INT64_MAX / 2, end_s;
    int status = add_intervals(telling, event, whole, 0, until_s, &end_s, error);
    int64_t round_s = end_s - whole->start_s;
    if (!lasts || round_s <= 0) {
        return status;
    }
    int64_t ahead_s = telling->now_s + repeated_s < until_s ? telling->now_s + repeated_s : until_s;
    int64_t passed = telling->now_s > whole->start_s ? (telling->now_s - whole->start_s) / round_s : 0;
    for (int64_t round = passed > 1 ? passed : 1;
         status == GR_OK && whole->start_s + round * round_s < ahead_s; round++) {
        status = add_intervals(telling, event, whole, round * round_s, until_s, &end_s, error);
    }
    return status;
}

/* Its name in messages: the id that the server gave it, else its name. */
static void begin(struct gr_telling *telling, const json_t *event)
{
    const char *id = text_of(event, "id"), *name = text_of(event, "eventName");
    const json_t *priority = json_object_get(event, "priority");
    double number = json_number_value(priority);
    char shown[GR_EVENT_ID_SIZE];
    bool both = id[0] && name[0];
    (void)snprintf(shown, sizeof shown, both ? "%.40s (%.20s)" : "%.40s%.20s", id, name);
    bool ranked = json_is_number(priority) && number >= 0 && number < no_priority;
    gr_told_begin(telling, shown, ranked ? (int)number : no_priority);
}

int gr_openadr_read(struct gr_telling *telling, json_t *event, struct gr_error *error)
{
    struct period whole = {.starts = false};
    int64_t duration_s = 0;
    size_t index;
    json_t *descriptor;
    begin(telling, event);
    const char *type = text_of(event, "objectType");
    if (!json_is_object(event) || (type[0] && strcmp(type, "EVENT") != 0)) {
        return gr_error_set(error, GR_INVALID, "found %.20s; needed: an object of type EVENT",
                            type[0] ? type : "no object");
    }
    if (!json_is_array(json_object_get(event, "intervals"))) {
        return gr_error_set(error, GR_INVALID, "intervals: found no array");
    }
    json_array_foreach(json_object_get(event, "payloadDescriptors"), index, descriptor)
    {
        if (check_descriptor(telling->mapping, descriptor, error) != GR_OK) {
            return GR_INVALID;
        }
    }
    int status = read_period(event, event, &whole, error);
    if (status == GR_OK) {
        status = read_duration(event, &duration_s, error);
    }
    const char *start = text_of(json_object_get(event, "intervalPeriod"), "start");
    if (status != GR_OK || (strncmp(start, "0001-01-01", 10) == 0 && whole.duration_s == 0)) {
        return status; /* the latter is how an event is cancelled (User Guide, 8.3) */
    }
    return add_repeated(telling, event, &whole, duration_s, error);
}
