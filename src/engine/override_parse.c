#include "granary/override.h"

#include "granary/civil.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

static const int64_t standard_span_s = 86400; /* of a command that ends by state of charge */

/* What may stand in a request, besides "override", "until", "for", "by" and "id". */
static const struct {
    const char *member;
    enum gr_override_kind kind;
} members[] = {
    {"command", GR_OVERRIDE_COMMAND},
    {"power_w", GR_OVERRIDE_COMMAND},
    {"until_percent", GR_OVERRIDE_COMMAND},
    {"percent", GR_OVERRIDE_RESERVE},
    {"factor", GR_OVERRIDE_LOAD},
    {"energy_kwh", GR_OVERRIDE_CAR},
    {"power_w", GR_OVERRIDE_CAR},
    {"import_per_kwh", GR_OVERRIDE_PRICE},
    {"from", GR_OVERRIDE_PRICE},
    {"per_kwh", GR_OVERRIDE_PAYMENT},
    {"from", GR_OVERRIDE_PAYMENT},
    {"percent", GR_OVERRIDE_WISH},
};

static const char *const common[] = {"override", "until", "for", "by", "id"};

static bool is_known(const char *name, enum gr_override_kind kind)
{
    for (size_t i = 0; i < sizeof common / sizeof *common; i++) {
        if (strcmp(common[i], name) == 0) {
            return true;
        }
    }
    for (size_t i = 0; i < sizeof members / sizeof *members; i++) {
        if (members[i].kind == kind && strcmp(members[i].member, name) == 0) {
            return true;
        }
    }
    return false;
}

/* A misspelt member would be a wish that is not heard. */
static int refuse_unknown(json_t *root, enum gr_override_kind kind, struct gr_error *error)
{
    const char *name;
    json_t *value;
    json_object_foreach(root, name, value)
    {
        if (!is_known(name, kind)) {
            return gr_error_set(error, GR_INVALID, "%.40s: this member is not known for %s", name,
                                gr_override_name(kind));
        }
    }
    return GR_OK;
}

static int read_kind(const json_t *root, enum gr_override_kind *out, struct gr_error *error)
{
    const char *name = json_string_value(json_object_get(root, "override"));
    int kind = name ? gr_override_kind_of(name) : -1;
    if (kind < 0) {
        return gr_error_set(
            error, GR_INVALID,
            "override: found \"%.40s\"; allowed: command, reserve, load, no-export, pause, car, "
            "price, payment or wish",
            name ? name : "no text");
    }
    *out = (enum gr_override_kind)kind;
    return GR_OK;
}

static int read_number(const json_t *root, const char *name, double absent, double *out,
                       struct gr_error *error)
{
    const json_t *value = json_object_get(root, name);
    if (!value && !isnan(absent)) {
        *out = absent;
        return GR_OK;
    }
    if (!json_is_number(value)) {
        return gr_error_set(error, GR_INVALID, "%s: found %s; needed: a number", name,
                            value ? "something else" : "nothing");
    }
    *out = json_number_value(value);
    return GR_OK;
}

static int read_command(const json_t *root, struct gr_override *out, struct gr_error *error)
{
    const char *name = json_string_value(json_object_get(root, "command"));
    int kind = name ? gr_command_kind_of(name) : -1;
    double power_w = 0;
    if (kind < 0) {
        return gr_error_set(error, GR_INVALID,
                            "command: found \"%.40s\"; allowed: follow, store, serve, charge, export or rest",
                            name ? name : "no text");
    }
    out->command = (enum gr_command_kind)kind;
    int status = read_number(root, "power_w", 0, &power_w, error);
    if (status == GR_OK && json_object_get(root, "until_percent")) {
        status = read_number(root, "until_percent", NAN, &out->until_percent, error);
    }
    out->power_kw = status == GR_OK ? power_w / 1000 : 0;
    return status;
}

/* The next time the clock on the wall shows this. */
static bool read_wall_time(const char *text, const struct gr_zone *zone, int64_t now_s, int64_t *out)
{
    bool digits = strlen(text) == 5 && text[2] == ':' && strspn(text, "0123456789:") == 5;
    int hour = digits ? (text[0] - '0') * 10 + text[1] - '0' : 99;
    int minute = digits ? (text[3] - '0') * 10 + text[4] - '0' : 99;
    if (hour > 23 || minute > 59) {
        return false;
    }
    for (int day = 0; day < 3; day++) {
        int64_t midnight_s = gr_zone_local_s(zone, gr_zone_day_start_s(zone, now_s, day));
        *out =
            gr_zone_utc_s(zone, midnight_s - midnight_s % GR_DAY_S + ((int64_t)hour * 60 + minute) * 60, 0);
        if (*out > now_s) {
            return true;
        }
    }
    return false;
}

static int read_moment(const char *member, const char *text, const struct gr_zone *zone, int64_t now_s,
                       int64_t *out, struct gr_error *error)
{
    int64_t local_s;
    if (gr_rfc3339_parse(out, text, strlen(text)) == GR_OK || read_wall_time(text, zone, now_s, out)) {
        return GR_OK;
    }
    if (gr_local_time_parse(&local_s, text, strlen(text)) == GR_OK) {
        *out = gr_zone_utc_s(zone, local_s, 0);
        return GR_OK;
    }
    return gr_error_set(error, GR_INVALID,
                        "%s: found \"%.40s\"; allowed: a moment like \"2026-03-10T21:00:00Z\", local "
                        "\"2026-03-10T22:00\", or the next \"22:00\"",
                        member, text);
}

static int read_end(const json_t *root, const struct gr_zone *zone, int64_t now_s, struct gr_override *out,
                    struct gr_error *error)
{
    const json_t *until = json_object_get(root, "until"), *span = json_object_get(root, "for");
    const char *text = json_string_value(span);
    int64_t span_s;
    if (until && span) {
        return gr_error_set(error, GR_INVALID, "for: found beside until; allowed: one of them");
    }
    if (json_is_string(until)) {
        return read_moment("until", json_string_value(until), zone, now_s, &out->until_s, error);
    }
    if (until || (span && !text)) {
        return gr_error_set(error, GR_INVALID, "%s: found no text; needed: a text", until ? "until" : "for");
    }
    if (text) {
        if (gr_duration_parse(&span_s, text, strlen(text)) != GR_OK) {
            return gr_error_set(error, GR_INVALID,
                                "for: found \"%.40s\"; allowed: an ISO 8601 duration like \"PT2H30M\"", text);
        }
        out->until_s = (out->since_s > now_s ? out->since_s : now_s) + span_s;
        return GR_OK;
    }
    if (!isnan(out->until_percent)) {
        out->until_s = now_s + standard_span_s;
        return GR_OK;
    }
    return gr_error_set(error, GR_INVALID, "until: missing; every override has an end: until, or for");
}

static int read_by(const json_t *root, struct gr_override *out, struct gr_error *error)
{
    const json_t *by = json_object_get(root, "by");
    const char *text = json_string_value(by);
    if (by && (!text || strlen(text) >= sizeof out->by)) {
        return gr_error_set(error, GR_INVALID, "by: allowed is a text of at most %zu bytes",
                            sizeof out->by - 1);
    }
    for (size_t i = 0; text && text[i]; i++) {
        out->by[i] = (unsigned char)text[i] < 0x20 ? ' ' : text[i];
    }
    return GR_OK;
}

/* The member that holds the value of each kind. */
static const char *const value_of[GR_OVERRIDE_KINDS] = {
    [GR_OVERRIDE_RESERVE] = "percent", [GR_OVERRIDE_LOAD] = "factor",
    [GR_OVERRIDE_CAR] = "energy_kwh",  [GR_OVERRIDE_PRICE] = "import_per_kwh",
    [GR_OVERRIDE_PAYMENT] = "per_kwh", [GR_OVERRIDE_WISH] = "percent"};

const char *gr_override_value_name(enum gr_override_kind kind)
{
    return (unsigned)kind < GR_OVERRIDE_KINDS ? value_of[kind] : NULL;
}

static int read_members(json_t *root, const struct gr_zone *zone, int64_t now_s, struct gr_override *out,
                        struct gr_error *error)
{
    int status = read_kind(root, &out->kind, error);
    if (status == GR_OK) {
        status = refuse_unknown(root, out->kind, error);
    }
    if (status == GR_OK && out->kind == GR_OVERRIDE_COMMAND) {
        status = read_command(root, out, error);
    } else if (status == GR_OK && value_of[out->kind]) {
        status = read_number(root, value_of[out->kind], NAN, &out->value, error);
    }
    if (status == GR_OK && out->kind == GR_OVERRIDE_CAR) {
        status = read_number(root, "power_w", NAN, &out->power_kw, error);
        out->power_kw /= 1000;
    }
    if (status == GR_OK && json_object_get(root, "from")) {
        const char *from = json_string_value(json_object_get(root, "from"));
        status = from ? read_moment("from", from, zone, now_s, &out->since_s, error)
                      : gr_error_set(error, GR_INVALID, "from: found no text; needed: a text");
    }
    if (status == GR_OK) {
        status = read_end(root, zone, now_s, out, error);
    }
    return status == GR_OK ? read_by(root, out, error) : status;
}

int gr_override_parse(struct gr_override *out, const char *json, size_t length, const struct gr_zone *zone,
                      int64_t now_s, struct gr_error *error)
{
    json_error_t why;
    json_t *root = json_loadb(json, length, JSON_REJECT_DUPLICATES | JSON_DECODE_INT_AS_REAL, &why);
    struct gr_override read = {
        .since_s = now_s, .until_s = now_s, .until_percent = NAN, .command = GR_FOLLOW};
    int status = !root ? gr_error_set(error, GR_INVALID, "no JSON: line %d, column %d: %.100s", why.line,
                                      why.column, why.text)
                 : json_is_object(root) ? read_members(root, zone, now_s, &read, error)
                                        : gr_error_set(error, GR_INVALID, "found no JSON object");
    json_decref(root);
    if (status == GR_OK) {
        *out = read;
    }
    return status;
}
