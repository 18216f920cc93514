#include "field.h"
#include "pointer.h"
#include "text.h"

#include "granary/civil.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define LONGEST_SLOT_S (366 * (int64_t)GR_DAY_S)

/* Unix seconds of nine or ten digits, 1973 to 2286: a compact date such as 20261025 or milliseconds are not
 * among them. */
#define LEAST_UNIX_S 1e8
#define MOST_UNIX_S 1e10

int gr_field_refuse(const struct gr_field *field, const char *expected, struct gr_error *error)
{
    char found[GR_QUOTED_SIZE];
    if (field->kind == GR_FIELD_TEXT) {
        gr_text_quote(found, field->text, field->length);
    } else if (field->kind == GR_FIELD_NUMBER) {
        (void)snprintf(found, sizeof found, "%.15g", field->number);
    } else {
        (void)snprintf(found, sizeof found, "%s", field->text);
    }
    return gr_error_set(error, GR_INVALID, "%s, field %s: found %s, expected %s", field->where, field->name,
                        found, expected);
}

static bool consists_of(const char *text, size_t length, const char *characters)
{
    for (size_t i = 0; i < length; i++) {
        if (text[i] == '\0' || !strchr(characters, text[i])) {
            return false;
        }
    }
    return length > 0;
}

/* The JSON reader does the conversion: it rounds correctly and minds no locale. */
static int convert(double *out, const char *text, size_t length)
{
    json_error_t json_error;
    json_t *value = json_loadb(text, length, JSON_DECODE_ANY | JSON_DECODE_INT_AS_REAL, &json_error);
    if (!value) {
        return gr_json_error_kind(&json_error);
    }
    *out = json_number_value(value);
    json_decref(value);
    return GR_OK;
}

int gr_field_number(double *out, const struct gr_field *field, struct gr_error *error)
{
    if (field->kind == GR_FIELD_NUMBER && isfinite(field->number)) {
        *out = field->number;
        return GR_OK;
    }
    if (field->kind == GR_FIELD_TEXT && consists_of(field->text, field->length, "0123456789+-.eE \t")) {
        size_t plus = field->length > 1 && field->text[0] == '+' && field->text[1] != '-';
        int rc = convert(out, field->text + plus, field->length - plus);
        if (rc == GR_OK) {
            return GR_OK;
        }
        if (rc == GR_NO_MEMORY) {
            return gr_error_set(error, GR_NO_MEMORY, "out of memory");
        }
    }
    if (field->kind == GR_FIELD_TEXT && consists_of(field->text, field->length, "0123456789+-.,")) {
        return gr_field_refuse(field, "a number with a decimal point (no comma), such as 0.25", error);
    }
    return gr_field_refuse(field, "a number such as 0.25", error);
}

static bool is_digits(const struct gr_field *field)
{
    return field->kind == GR_FIELD_TEXT && consists_of(field->text, field->length, "0123456789");
}

static int read_unix_seconds(struct gr_moment *out, const struct gr_field *field, struct gr_error *error)
{
    double seconds = 0;
    int rc = gr_field_number(&seconds, field, error);
    if (rc != GR_OK) {
        return rc;
    }
    if (seconds >= 1000 * LEAST_UNIX_S && seconds < 1000 * MOST_UNIX_S) {
        return gr_field_refuse(field, "Unix seconds (these look like milliseconds)", error);
    }
    if (seconds < LEAST_UNIX_S || seconds >= MOST_UNIX_S || seconds != floor(seconds)) {
        return gr_field_refuse(field, "whole Unix seconds of the years 1973 to 2286", error);
    }
    *out = (struct gr_moment){false, (int64_t)seconds};
    return GR_OK;
}

int gr_field_moment(struct gr_moment *out, const struct gr_field *field, bool local_allowed,
                    struct gr_error *error)
{
    int64_t seconds;
    if (field->kind == GR_FIELD_NUMBER || is_digits(field)) {
        return read_unix_seconds(out, field, error);
    }
    if (field->kind == GR_FIELD_TEXT && gr_rfc3339_parse(&seconds, field->text, field->length) == GR_OK) {
        *out = (struct gr_moment){false, seconds};
        return GR_OK;
    }
    if (field->kind == GR_FIELD_TEXT && gr_local_time_parse(&seconds, field->text, field->length) == GR_OK) {
        if (!local_allowed) {
            return gr_field_refuse(field,
                                   "a time with its offset from UTC, such as 2026-11-25T09:00:00Z "
                                   "(or start_is_local = true)",
                                   error);
        }
        *out = (struct gr_moment){true, seconds};
        return GR_OK;
    }
    return gr_field_refuse(field,
                           local_allowed
                               ? "a local time such as 2026-11-25T09:00, a time with offset, or Unix seconds"
                               : "a time such as 2026-11-25T09:00:00Z, or Unix seconds",
                           error);
}

int gr_field_duration(int64_t *out_s, const struct gr_field *field, struct gr_error *error)
{
    int64_t seconds = 0;
    if (field->kind == GR_FIELD_TEXT && field->length > 0 && field->text[0] == 'P') {
        (void)gr_duration_parse(&seconds, field->text, field->length);
    } else {
        double minutes = 0;
        int rc = gr_field_number(&minutes, field, error);
        if (rc == GR_NO_MEMORY) {
            return rc;
        }
        if (rc == GR_OK && minutes > 0 && minutes <= (double)LONGEST_SLOT_S / 60 &&
            minutes * 60 == floor(minutes * 60)) {
            seconds = (int64_t)(minutes * 60);
        }
    }
    if (seconds <= 0 || seconds > LONGEST_SLOT_S) {
        return gr_field_refuse(
            field, "a length in minutes or an ISO 8601 duration such as PT30M, at most 366 days", error);
    }
    *out_s = seconds;
    return GR_OK;
}
