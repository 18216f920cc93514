#include "granary/window.h"

#include "text.h"
#include "told.h"
#include "walk.h"
#include "wall.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double greatest_money = 1000;
enum { ROOM = 4 * GR_MOST_WINDOWS }; /* before those that adjoin or yield are gone */

static const char *const names[GR_WINDOW_KINDS] = {[GR_WINDOW_IMPORT_PRICE] = "import_price",
                                                   [GR_WINDOW_EXPORT_PRICE] = "export_price",
                                                   [GR_WINDOW_PAYMENT] = "payment",
                                                   [GR_WINDOW_STATE_OF_CHARGE] = "state_of_charge"};

const char *gr_window_name(enum gr_window_kind kind)
{
    return (unsigned)kind < GR_WINDOW_KINDS ? names[kind] : NULL;
}

static int check_value(double value, double least, double greatest, struct gr_error *error)
{
    return value >= least && value <= greatest
               ? GR_OK
               : gr_error_set(error, GR_INVALID, "the value is %.6g; allowed: %g to %g", value, least,
                              greatest);
}

int gr_window_check(const struct gr_window *window, struct gr_error *error)
{
    bool is_wish = window->kind == GR_WINDOW_STATE_OF_CHARGE;
    if ((unsigned)window->kind >= GR_WINDOW_KINDS) {
        return gr_error_set(error, GR_INVALID, "a window of unknown kind %d", (int)window->kind);
    }
    if (window->source < 0 || window->source >= GR_MOST_EVENT_SOURCES) {
        return gr_error_set(error, GR_INVALID, "a window of source %d; allowed: 0 to %d", window->source,
                            GR_MOST_EVENT_SOURCES - 1);
    }
    if (window->end_s < window->start_s || (window->end_s == window->start_s && !is_wish)) {
        char start[GR_MOMENT_SIZE], end[GR_MOMENT_SIZE];
        return gr_error_set(
            error, GR_INVALID, "it starts at %s and ends at %s; needed: an end after the start",
            gr_text_moment(start, NULL, window->start_s), gr_text_moment(end, NULL, window->end_s));
    }
    if (is_wish) {
        return check_value(window->value, 0, 100, error);
    }
    return check_value(window->value, window->kind == GR_WINDOW_PAYMENT ? 0 : -greatest_money, greatest_money,
                       error);
}

void gr_told_windows_free(struct gr_told_windows *told)
{
    free(told->windows);
    told->windows = NULL;
    told->count = 0;
}

/* ---- collecting ---- */

void gr_told_begin(struct gr_telling *telling, const char *id, int priority)
{
    telling->number++;
    telling->event = telling->told->count;
    telling->priority = priority;
    if (id[0]) {
        gr_text_escape(telling->id, sizeof telling->id, id, strlen(id));
    } else {
        (void)snprintf(telling->id, sizeof telling->id, "event %zu", telling->number);
    }
}

void gr_told_refuse(struct gr_telling *telling, const char *reason)
{
    struct gr_told_windows *told = telling->told;
    told->count = telling->event;
    if (told->refused_count < GR_MOST_REFUSED_EVENTS) {
        struct gr_refused_event *refused = &told->refused[told->refused_count];
        memcpy(refused->id, telling->id, sizeof refused->id);
        (void)snprintf(refused->reason, sizeof refused->reason, "%.199s", reason);
    }
    told->refused_count++;
}

/* Money per kWh, or percent. */
static double convert(const struct gr_window_mapping *mapping, double value)
{
    switch (mapping->unit) {
    case GR_EVENTS_PER_MWH:
        return value / 1000;
    case GR_EVENTS_MINOR_PER_KWH:
        return value / 100;
    case GR_EVENTS_RATIO:
        return value * 100;
    case GR_EVENTS_KWH:
        return value / mapping->capacity_kwh * 100;
    case GR_EVENTS_PER_KWH:
    case GR_EVENTS_PERCENT:
        break;
    }
    return value;
}

/* The last window of that kind of the event at hand; NULL where there is none. */
static struct gr_window *find_last(const struct gr_telling *telling, enum gr_window_kind kind)
{
    for (size_t i = telling->told->count; i > telling->event; i--) {
        if (telling->told->windows[i - 1].window.kind == kind) {
            return &telling->told->windows[i - 1].window;
        }
    }
    return NULL;
}

static int append(struct gr_telling *telling, const struct gr_window *window, struct gr_error *error)
{
    struct gr_told_windows *told = telling->told;
    if (told->count == ROOM) {
        return gr_error_set(error, GR_INVALID, "more windows than can be kept");
    }
    if (!told->windows) {
        told->windows = calloc(ROOM, sizeof *told->windows);
        if (!told->windows) {
            return gr_error_set(error, GR_NO_MEMORY, "no memory for the windows");
        }
    }
    struct gr_window *last = find_last(telling, window->kind);
    if (last && last->end_s == window->start_s && last->value == window->value) {
        last->end_s = window->end_s; /* one after the other at the same price: one window */
        return GR_OK;
    }
    struct gr_told_window *next = &told->windows[told->count++];
    *next = (struct gr_told_window){.window = *window, .priority = telling->priority};
    memcpy(next->id, telling->id, sizeof next->id);
    return GR_OK;
}

int gr_told_add(struct gr_telling *telling, enum gr_window_kind kind, int64_t start_s, int64_t end_s,
                double value, struct gr_error *error)
{
    const struct gr_window_mapping *mapping = telling->mapping;
    struct gr_window window = {.kind = kind, .start_s = start_s, .end_s = end_s, .value = value};
    int status = gr_window_check(&window, error);
    if (status == GR_OK && kind != GR_WINDOW_STATE_OF_CHARGE) {
        status = check_value(value, mapping->least, mapping->greatest, error);
    }
    if (status != GR_OK || end_s <= telling->now_s || start_s > telling->now_s + GR_LONGEST_AHEAD_S) {
        return status;
    }
    return append(telling, &window, error);
}

/* ---- a list of somebody's own making ---- */

static int read_moment(const struct gr_telling *telling, int64_t *out, json_t *element, const char *name,
                       struct gr_error *error)
{
    struct gr_field field;
    struct gr_moment moment;
    int status = gr_walk_field(&field, element, "event", name, error);
    if (status == GR_OK) {
        status = gr_field_moment(&moment, &field, telling->mapping->start_is_local, error);
    }
    if (status == GR_OK) {
        status = gr_wall_exists(telling->zone, &field, &moment, false, error);
    }
    if (status == GR_OK) {
        *out = moment.is_local ? gr_zone_utc_s(telling->zone, moment.s, 0) : moment.s;
    }
    return status;
}

static int read_end(const struct gr_telling *telling, int64_t start_s, int64_t *out, json_t *element,
                    struct gr_error *error)
{
    const struct gr_window_mapping *mapping = telling->mapping;
    struct gr_field field;
    int64_t length_s = 0;
    int status = GR_OK;
    if (mapping->end[0]) {
        return read_moment(telling, out, element, mapping->end, error);
    }
    if (mapping->duration[0]) {
        status = gr_walk_field(&field, element, "event", mapping->duration, error);
        status = status == GR_OK ? gr_field_duration(&length_s, &field, error) : status;
    }
    *out = start_s + length_s;
    return status;
}

static int read_event(struct gr_telling *telling, json_t *element, struct gr_error *error)
{
    const struct gr_window_mapping *mapping = telling->mapping;
    struct gr_field field;
    int64_t start_s = 0, end_s = 0;
    double value = 0;
    int status = read_moment(telling, &start_s, element, mapping->start, error);
    if (status == GR_OK) {
        status = read_end(telling, start_s, &end_s, element, error);
    }
    if (status == GR_OK) {
        status = gr_walk_field(&field, element, "event", mapping->value, error);
    }
    if (status == GR_OK) {
        status = gr_field_number(&value, &field, error);
    }
    return status == GR_OK
               ? gr_told_add(telling, mapping->kind, start_s, end_s, convert(mapping, value), error)
               : status;
}

/* What a member says, as a text; "" where it is not there. */
static void read_name(char *out, size_t size, json_t *element, const char *pointer)
{
    json_t *value = pointer[0] ? gr_json_pointer(element, pointer, NULL) : NULL;
    out[0] = '\0';
    if (json_is_string(value)) {
        (void)snprintf(out, size, "%s", json_string_value(value));
    } else if (json_is_number(value)) {
        (void)snprintf(out, size, "%.15g", json_number_value(value));
    }
}

/* ---- the whole ---- */

static int take_element(void *context, json_t *element, const char *path, struct gr_error *error)
{
    struct gr_telling *telling = context;
    const struct gr_window_mapping *mapping = telling->mapping;
    struct gr_error reason = {""};
    char text[GR_EVENT_ID_SIZE];
    int status;
    (void)path;
    if (mapping->format == GR_EVENTS_OPENADR3) {
        status = gr_openadr_read(telling, element, &reason);
    } else {
        read_name(text, sizeof text, element, mapping->only);
        if (mapping->only[0] && strcmp(text, mapping->only_is) != 0) {
            return GR_OK;
        }
        read_name(text, sizeof text, element, mapping->id);
        gr_told_begin(telling, text, 0);
        status = read_event(telling, element, &reason);
    }
    if (status == GR_INVALID) {
        gr_told_refuse(telling, reason.text);
        return GR_OK;
    }
    return status == GR_OK ? GR_OK : gr_error_set(error, status, "%s", reason.text);
}

static int compare_starts(const void *a, const void *b)
{
    const struct gr_told_window *x = a, *y = b;
    if (x->window.start_s != y->window.start_s) {
        return x->window.start_s < y->window.start_s ? -1 : 1;
    }
    return (x->window.kind > y->window.kind) - (x->window.kind < y->window.kind);
}

/* One without length, a wish for a moment or what was cut away, meets none. */
static bool meet(const struct gr_told_window *a, const struct gr_told_window *b)
{
    const struct gr_window *x = &a->window, *y = &b->window;
    return x->kind == y->kind && x->kind != GR_WINDOW_KINDS && x->start_s < x->end_s &&
           y->start_s < y->end_s && x->start_s < y->end_s && y->start_s < x->end_s;
}

static bool contradict(const struct gr_told_window *a, const struct gr_told_window *b)
{
    return meet(a, b) && a->priority == b->priority && a->window.value != b->window.value;
}

/* The windows of the event that begins at `from` against those that were taken before it. */
static const struct gr_told_window *find_contradiction(const struct gr_told_window *taken, size_t count,
                                                       const struct gr_told_window *event, size_t size)
{
    for (size_t i = 0; i < size; i++) {
        for (size_t k = 0; k < count; k++) {
            if (contradict(&event[i], &taken[k])) {
                return &taken[k];
            }
        }
    }
    return NULL;
}

/* Windows of one event stand together, and begin at its first one. */
static void refuse_contradictions(struct gr_telling *telling)
{
    struct gr_told_windows *told = telling->told;
    size_t taken = 0, count = told->count;
    for (size_t i = 0, end; i < count; i = end) {
        struct gr_told_window *event = &told->windows[i];
        for (end = i + 1; end < count && strcmp(told->windows[end].id, event->id) == 0;) {
            end++;
        }
        const struct gr_told_window *other = find_contradiction(told->windows, taken, event, end - i);
        if (other) {
            char reason[200];
            (void)snprintf(reason, sizeof reason, "at the same time \"%s\" says %.6g and this one %.6g",
                           other->id, other->window.value, event->window.value);
            memcpy(telling->id, event->id, sizeof telling->id);
            telling->event = taken;
            gr_told_refuse(telling, reason);
        } else {
            memmove(&told->windows[taken], event, (end - i) * sizeof *event);
            taken += end - i;
        }
    }
    told->count = taken;
}

static bool goes_before(const struct gr_told_windows *told, size_t a, size_t b)
{
    int x = told->windows[a].priority, y = told->windows[b].priority;
    return x < y || (x == y && a < b);
}

/* Takes out of a window what another one says; a part behind it becomes a window of its own at the end. */
static int cut(struct gr_told_windows *told, size_t lower, const struct gr_window *upper,
               struct gr_error *error)
{
    struct gr_window *window = &told->windows[lower].window;
    if (upper->end_s < window->end_s) {
        if (told->count == ROOM) {
            return gr_error_set(error, GR_INVALID, "more windows than can be kept");
        }
        told->windows[told->count] = told->windows[lower];
        told->windows[told->count++].window.start_s = upper->end_s;
    }
    if (upper->start_s > window->start_s) {
        window->end_s = upper->start_s;
    } else {
        window->kind = GR_WINDOW_KINDS; /* nothing is left */
    }
    return GR_OK;
}

/* Where two speak of the same time only the one that goes before is kept. */
static int yield_to_priority(struct gr_told_windows *told, struct gr_error *error)
{
    int status = GR_OK;
    for (size_t i = 0; status == GR_OK && i < told->count; i++) {
        for (size_t k = 0; status == GR_OK && k < told->count; k++) {
            if (k != i && meet(&told->windows[i], &told->windows[k]) && goes_before(told, k, i)) {
                status = cut(told, i, &told->windows[k].window, error);
            }
        }
    }
    size_t kept = 0;
    for (size_t i = 0; i < told->count; i++) {
        if (told->windows[i].window.kind != GR_WINDOW_KINDS) {
            told->windows[kept++] = told->windows[i];
        }
    }
    told->count = kept;
    return status;
}

static int finish(struct gr_telling *telling, struct gr_error *error)
{
    struct gr_told_windows *told = telling->told;
    refuse_contradictions(telling);
    int status = yield_to_priority(told, error);
    if (status != GR_OK) {
        return status;
    }
    if (told->count > GR_MOST_WINDOWS) {
        return gr_error_set(error, GR_INVALID, "found %zu windows; allowed: at most %d", told->count,
                            GR_MOST_WINDOWS);
    }
    if (told->count > 0) {
        qsort(told->windows, told->count, sizeof *told->windows, compare_starts);
    }
    return GR_OK;
}

/* A single event of OpenADR stands without a list around it. */
static int walk_document(struct gr_telling *telling, json_t *document, struct gr_error *error)
{
    const struct gr_window_mapping *mapping = telling->mapping;
    const struct gr_walk walk = {.list = mapping->list, .element = take_element, .context = telling};
    if (mapping->format == GR_EVENTS_OPENADR3 && mapping->list[0] == '\0' && json_is_object(document)) {
        return take_element(telling, document, "", error);
    }
    return gr_walk_elements(&walk, document, error);
}

int gr_windows_read(struct gr_told_windows *out, const struct gr_window_mapping *mapping,
                    const struct gr_zone *zone, int64_t now_s, const void *bytes, size_t length,
                    struct gr_error *error)
{
    struct gr_told_windows told = {.count = 0};
    struct gr_telling telling = {.mapping = mapping, .zone = zone, .now_s = now_s, .told = &told};
    const char *text = bytes;
    json_t *document = NULL;
    gr_text_skip_mark(&text, &length);
    int status = gr_walk_parse(&document, text, length, error);
    if (status == GR_OK) {
        status = walk_document(&telling, document, error);
    }
    json_decref(document);
    if (status == GR_OK) {
        status = finish(&telling, error);
    }
    if (status == GR_OK) {
        *out = told;
    } else {
        gr_told_windows_free(&told);
    }
    return status;
}
