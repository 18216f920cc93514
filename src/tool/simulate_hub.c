/* The hub's side of the command topic: what it obeys, and what it must not. */
#include "tool/simulate.h"

#include "granary/civil.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

static const struct gr_inverter follow = {.kind = GR_FOLLOW, .valid_until_s = INT64_MAX};

void gr_sim_hub_init(struct gr_sim_hub *hub)
{
    hub->inverter = follow;
    (void)snprintf(hub->reason, sizeof hub->reason, "no command yet");
}

enum gr_command_kind gr_sim_hub_kind(const struct gr_sim_hub *hub, int64_t utc_s)
{
    return utc_s < hub->inverter.valid_until_s ? hub->inverter.kind : GR_FOLLOW;
}

static int read_kind(const json_t *document, enum gr_command_kind *out, struct gr_error *error)
{
    const char *name = json_string_value(json_object_get(document, "command"));
    int kind = name ? gr_command_kind_of(name) : -1;
    if (kind < 0) {
        return gr_error_set(error, GR_INVALID,
                            "command: found \"%.40s\", expected follow, store, serve, charge, "
                            "export or rest",
                            name ? name : "no text");
    }
    *out = (enum gr_command_kind)kind;
    return GR_OK;
}

/* A number between 0 and `greatest`; `absent` where it is null or missing and that is allowed (not NAN). */
static int read_number(const json_t *document, const char *name, double greatest, double absent, double *out,
                       struct gr_error *error)
{
    const json_t *value = json_object_get(document, name);
    if ((!value || json_is_null(value)) && !isnan(absent)) {
        *out = absent;
        return GR_OK;
    }
    double number = json_number_value(value);
    if (!json_is_number(value) || !(number >= 0 && number <= greatest)) {
        return gr_error_set(error, GR_INVALID, "%s: expected a number from 0 to %g", name, greatest);
    }
    *out = number;
    return GR_OK;
}

/* Only follow may be without an end: it is what every other command ends in. */
static int read_end(const json_t *document, enum gr_command_kind kind, int64_t *out, struct gr_error *error)
{
    const json_t *value = json_object_get(document, "valid_until");
    if (json_is_null(value) && kind == GR_FOLLOW) {
        *out = INT64_MAX;
        return GR_OK;
    }
    const char *text = json_string_value(value);
    if (!text || gr_rfc3339_parse(out, text, strlen(text)) != GR_OK) {
        return gr_error_set(error, GR_INVALID,
                            "valid_until: expected a moment like \"2026-03-10T01:05:00Z\"%s",
                            kind == GR_FOLLOW ? " or null" : "");
    }
    return GR_OK;
}

static int read_document(const json_t *document, struct gr_inverter *out, struct gr_error *error)
{
    if (!json_is_object(document)) {
        return gr_error_set(error, GR_INVALID, "the command document is no JSON object");
    }
    int result = read_kind(document, &out->kind, error);
    if (result != GR_OK) {
        return result;
    }
    bool powered = out->kind == GR_CHARGE || out->kind == GR_EXPORT;
    double power_w = 0;
    result = read_number(document, "power_w", 1e6, powered ? NAN : 0, &power_w, error);
    if (result == GR_OK) {
        double absent = out->kind == GR_CHARGE ? NAN : 0;
        result = read_number(document, "target_percent", 100, absent, &out->target_percent, error);
    }
    out->power_kw = power_w / 1000;
    out->sequence = (uint64_t)json_integer_value(json_object_get(document, "sequence"));
    return result == GR_OK ? read_end(document, out->kind, &out->valid_until_s, error) : result;
}

int gr_sim_hub_take(struct gr_sim_hub *hub, const void *payload, size_t length, struct gr_error *error)
{
    json_error_t why;
    json_t *document = json_loadb(payload, length, JSON_REJECT_DUPLICATES, &why);
    struct gr_inverter told = follow;
    int result = document ? read_document(document, &told, error)
                          : gr_error_set(error, GR_INVALID, "the command document is no JSON: %s", why.text);
    if (result == GR_OK) {
        const char *reason = json_string_value(json_object_get(document, "reason"));
        hub->inverter = told;
        (void)snprintf(hub->reason, sizeof hub->reason, "%s", reason ? reason : "");
    } else {
        hub->inverter = follow;
        (void)snprintf(hub->reason, sizeof hub->reason, "unreadable command");
    }
    json_decref(document);
    return result;
}
