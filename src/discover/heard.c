#include "granary/bridge.h"
#include "granary/discover.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_SERIES = 1024, MOST_SAMPLES = 1024, MOST_DEPTH = 6 };

struct gr_heard {
    struct gr_topic_series *series;
    size_t count, room;
    bool sorted;
    unsigned messages, without_number;
};

/* One message on its way into the series. */
struct arrival {
    struct gr_heard *heard;
    const char *topic;
    bool retained, any;
    int64_t mono_ms;
    int status;
};

int gr_heard_create(struct gr_heard **out)
{
    *out = calloc(1, sizeof **out);
    return *out ? GR_OK : GR_NO_MEMORY;
}

void gr_heard_free(struct gr_heard *heard)
{
    if (heard) {
        for (size_t i = 0; i < heard->count; i++) {
            free(heard->series[i].samples);
        }
        free(heard->series);
        free(heard);
    }
}

static int compare(const struct gr_topic_series *a, const char *topic, const char *pointer, bool is_json)
{
    int order = strcmp(a->topic, topic);
    if (order == 0) {
        order = strcmp(a->pointer, pointer);
    }
    return order ? order : (int)a->is_json - (int)is_json;
}

static struct gr_topic_series *find(struct gr_heard *heard, const char *topic, const char *pointer,
                                    bool is_json)
{
    for (size_t i = 0; i < heard->count; i++) {
        if (compare(&heard->series[i], topic, pointer, is_json) == 0) {
            return &heard->series[i];
        }
    }
    return NULL;
}

static struct gr_topic_series *add(struct gr_heard *heard, const char *topic, const char *pointer,
                                   bool is_json)
{
    if (heard->count == heard->room) {
        size_t room = heard->room * 2 + 32;
        struct gr_topic_series *grown = realloc(heard->series, room * sizeof *grown);
        if (!grown) {
            return NULL;
        }
        heard->series = grown;
        heard->room = room;
    }
    struct gr_topic_series *series = &heard->series[heard->count++];
    *series = (struct gr_topic_series){
        .is_json = is_json, .least = INFINITY, .greatest = -INFINITY, .last = NAN, .kept_of = 1};
    (void)snprintf(series->topic, sizeof series->topic, "%s", topic);
    (void)snprintf(series->pointer, sizeof series->pointer, "%s", pointer);
    heard->sorted = false;
    return series;
}

/* Half as many, over the same time. */
static void thin_out(struct gr_topic_series *series)
{
    for (size_t i = 0; 2 * i < series->count; i++) {
        series->samples[i] = series->samples[2 * i];
    }
    series->count = (series->count + 1) / 2;
    series->kept_of *= 2;
}

static int keep(struct gr_topic_series *series, double value, int64_t mono_ms)
{
    if (++series->skipped < series->kept_of && series->count > 0) {
        return GR_OK;
    }
    series->skipped = 0;
    if (series->count == MOST_SAMPLES) {
        thin_out(series);
    }
    if (series->count == series->room) {
        size_t room = series->room * 2 + 16;
        struct gr_sample *grown = realloc(series->samples, room * sizeof *grown);
        if (!grown) {
            return GR_NO_MEMORY;
        }
        series->samples = grown;
        series->room = room;
    }
    series->samples[series->count++] = (struct gr_sample){.mono_ms = mono_ms, .value = value};
    return GR_OK;
}

static int take_number(struct arrival *arrival, const char *pointer, bool is_json, double value)
{
    struct gr_heard *heard = arrival->heard;
    arrival->any = true;
    if (strlen(arrival->topic) >= GR_TOPIC_SIZE || strlen(pointer) >= GR_FIELD_SIZE) {
        return GR_OK;
    }
    struct gr_topic_series *series = find(heard, arrival->topic, pointer, is_json);
    if (!series && heard->count == MOST_SERIES) {
        return GR_OK;
    }
    series = series ? series : add(heard, arrival->topic, pointer, is_json);
    if (!series) {
        return GR_NO_MEMORY;
    }
    series->least = fmin(series->least, value);
    series->greatest = fmax(series->greatest, value);
    series->last = value;
    if (arrival->retained) {
        series->retained++;
        return GR_OK;
    }
    series->first_ms = series->live ? series->first_ms : arrival->mono_ms;
    series->last_ms = arrival->mono_ms;
    series->live++;
    return keep(series, value, arrival->mono_ms);
}

/* ---- payloads ---- */

/* What gr_payload_read takes for a number is one here too. */
static bool read_number(double *out, const char *text, size_t length)
{
    const struct gr_input plain = {
        .unit = GR_UNIT_KW, .sign = 1, .scale = 1, .least = -INFINITY, .greatest = INFINITY};
    return gr_payload_read(out, &plain, GR_GRID_POWER, 1, text, length, NULL) == GR_OK;
}

/* RFC 6901, section 3. False where it does not fit. */
static bool append_token(char pointer[GR_FIELD_SIZE], const char *token)
{
    size_t used = strlen(pointer);
    if (used + 2 * strlen(token) + 2 > GR_FIELD_SIZE) {
        return false;
    }
    pointer[used++] = '/';
    for (; *token; token++) {
        bool escaped = *token == '~' || *token == '/';
        pointer[used++] = escaped ? '~' : *token;
        if (escaped) {
            pointer[used++] = *token == '~' ? '0' : '1';
        }
    }
    pointer[used] = '\0';
    return true;
}

static void take_value(struct arrival *arrival, const json_t *value, char pointer[GR_FIELD_SIZE], int depth);

static void take_member(struct arrival *arrival, const json_t *value, const char *token,
                        char pointer[GR_FIELD_SIZE], int depth)
{
    size_t used = strlen(pointer);
    if (append_token(pointer, token)) {
        take_value(arrival, value, pointer, depth + 1);
    }
    pointer[used] = '\0';
}

static void take_aggregate(struct arrival *arrival, const json_t *value, char pointer[GR_FIELD_SIZE],
                           int depth)
{
    const char *name;
    json_t *member;
    json_object_foreach((json_t *)value, name, member)
    {
        take_member(arrival, member, name, pointer, depth);
    }
    for (size_t i = 0; i < json_array_size(value); i++) {
        char token[24];
        (void)snprintf(token, sizeof token, "%zu", i);
        take_member(arrival, json_array_get(value, i), token, pointer, depth);
    }
}

static void take_value(struct arrival *arrival, const json_t *value, char pointer[GR_FIELD_SIZE], int depth)
{
    double number;
    if (arrival->status != GR_OK || depth > MOST_DEPTH) {
        return;
    }
    if (json_is_number(value)) {
        arrival->status = take_number(arrival, pointer, true, json_number_value(value));
    } else if (json_is_string(value)) {
        if (read_number(&number, json_string_value(value), json_string_length(value))) {
            arrival->status = take_number(arrival, pointer, true, number);
        }
    } else {
        take_aggregate(arrival, value, pointer, depth);
    }
}

int gr_heard_note(struct gr_heard *heard, const char *topic, const void *payload, size_t length,
                  bool retained, int64_t mono_ms)
{
    struct arrival arrival = {
        .heard = heard, .topic = topic, .retained = retained, .mono_ms = mono_ms, .status = GR_OK};
    double number;
    heard->messages++;
    if (length > 0 && read_number(&number, payload, length)) {
        arrival.status = take_number(&arrival, "", false, number);
    } else if (length > 0) {
        char pointer[GR_FIELD_SIZE] = "";
        json_t *root = json_loadb(payload, length, JSON_DECODE_INT_AS_REAL, NULL);
        if (root) {
            take_value(&arrival, root, pointer, 0);
        }
        json_decref(root);
    }
    heard->without_number += !arrival.any;
    return arrival.status;
}

/* ---- views ---- */

static int compare_series(const void *a, const void *b)
{
    const struct gr_topic_series *other = b;
    return compare(a, other->topic, other->pointer, other->is_json);
}

const struct gr_topic_series *gr_heard_series(struct gr_heard *heard, size_t *count)
{
    if (!heard->sorted && heard->count > 0) {
        qsort(heard->series, heard->count, sizeof *heard->series, compare_series);
        heard->sorted = true;
    }
    *count = heard->count;
    return heard->series;
}

unsigned gr_heard_messages(const struct gr_heard *heard, unsigned *without_number)
{
    *without_number = heard->without_number;
    return heard->messages;
}
