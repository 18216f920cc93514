/* From a payload to a channel's value in the core's unit and sign. */
#include "bridge/text.h"
#include "granary/bridge.h"
#include "granary/rates.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

#define MOST_NUMBER_BYTES 64

/* A state of charge up to here is a full battery that was measured a little too high. */
#define MOST_PERCENT_READ_AS_FULL 102.0

struct span {
    const char *text;
    size_t length;
};

static bool is_blank(char c)
{
    return c == ' ' || c == '\t' || c == '\r' || c == '\n';
}

static struct span trim(struct span text)
{
    while (text.length > 0 && is_blank(text.text[0])) {
        text.text++;
        text.length--;
    }
    while (text.length > 0 && is_blank(text.text[text.length - 1])) {
        text.length--;
    }
    return text;
}

static bool is_one_of(struct span text, const char *const *words, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (text.length == strlen(words[i]) && strncasecmp(text.text, words[i], text.length) == 0) {
            return true;
        }
    }
    return false;
}

static int refuse_text(struct gr_error *error, struct span found, const char *expected)
{
    char shown[GR_ESCAPED_SIZE];
    gr_escape(shown, found.text, found.length);
    return gr_error_set(error, GR_INVALID, "found \"%s\", expected %s", shown, expected);
}

static int refuse_kind(struct gr_error *error, const json_t *found, const char *expected)
{
    static const char *const kinds[] = {"an object", "an array", "a string", "a number",
                                        "a number",  "true",     "false",    "null"};
    return gr_error_set(error, GR_INVALID, "found %s, expected %s", kinds[json_typeof(found)], expected);
}

/* ---- text ---- */

static int read_boolean_text(double *out, struct span text, struct gr_error *error)
{
    static const char *const yes[] = {"true", "1", "on", "yes"};
    static const char *const no[] = {"false", "0", "off", "no"};
    if (is_one_of(text, yes, sizeof yes / sizeof yes[0])) {
        *out = 1.0;
        return GR_OK;
    }
    if (is_one_of(text, no, sizeof no / sizeof no[0])) {
        *out = 0.0;
        return GR_OK;
    }
    return refuse_text(error, text, "true or false, 1 or 0, on or off, yes or no");
}

/* Brings what scripts and meters write ("+5", "007", ".5") into the form that JSON demands. */
static size_t write_as_json(char *out, struct span text)
{
    size_t at = 0, used = 0;
    if (text.text[0] == '-') {
        out[used++] = '-';
    }
    bool plus = text.length > 1 && text.text[0] == '+' && text.text[1] != '-';
    if (text.text[0] == '-' || plus) {
        at++;
    }
    while (at + 1 < text.length && text.text[at] == '0' && text.text[at + 1] >= '0' &&
           text.text[at + 1] <= '9') {
        at++;
    }
    if (at < text.length && text.text[at] == '.') {
        out[used++] = '0';
    }
    memcpy(out + used, text.text + at, text.length - at);
    return used + text.length - at;
}

/* The JSON reader knows no locale, no unit behind the number, no decimal comma and no "nan". */
static bool parse_number(double *out, struct span text)
{
    char json[MOST_NUMBER_BYTES + 2];
    size_t length = write_as_json(json, text);
    json_error_t ignored;
    json_t *number = json_loadb(json, length, JSON_DECODE_ANY | JSON_DECODE_INT_AS_REAL, &ignored);
    bool is_number = json_is_number(number);
    if (is_number) {
        *out = json_number_value(number);
    }
    json_decref(number);
    return is_number;
}

static const char *number_hint(struct span text)
{
    if (text.text[0] == '{' || text.text[0] == '[' || text.text[0] == '"') {
        return "a plain number (this looks like JSON, which needs a pointer)";
    }
    if (memchr(text.text, ',', text.length)) {
        return "a plain number (with a decimal point, no comma)";
    }
    return "a finite plain number without a unit";
}

static int read_number_text(double *out, struct span text, struct gr_error *error)
{
    static const char *const absent[] = {"unavailable", "unknown", "none", "null"};
    if (text.length == 0) {
        return gr_error_set(error, GR_INVALID, "found nothing, expected a number");
    }
    if (is_one_of(text, absent, sizeof absent / sizeof absent[0])) {
        return refuse_text(error, text, "a number: the sender has no value at present");
    }
    if (text.length > MOST_NUMBER_BYTES || !parse_number(out, text)) {
        return refuse_text(error, text, number_hint(text));
    }
    return GR_OK;
}

static int read_text(double *out, struct span text, bool boolean, struct gr_error *error)
{
    text = trim(text);
    return boolean ? read_boolean_text(out, text, error) : read_number_text(out, text, error);
}

/* ---- JSON ---- */

static int read_json_value(double *out, const json_t *value, bool boolean, struct gr_error *error)
{
    if (json_is_string(value)) {
        struct span text = {json_string_value(value), json_string_length(value)};
        return read_text(out, text, boolean, error);
    }
    if (boolean && json_is_boolean(value)) {
        *out = json_is_true(value) ? 1.0 : 0.0;
        return GR_OK;
    }
    if (!json_is_number(value)) {
        return refuse_kind(error, value, boolean ? "true or false" : "a number");
    }
    *out = json_number_value(value);
    if (boolean && *out != 0.0 && *out != 1.0) {
        return gr_error_set(error, GR_INVALID, "found %g, expected 1 or 0", *out);
    }
    return GR_OK;
}

static int read_json(double *out, const struct gr_input *input, struct span payload, bool boolean,
                     struct gr_error *error)
{
    json_error_t fault;
    json_t *root = json_loadb(payload.text, payload.length,
                              JSON_REJECT_DUPLICATES | JSON_DECODE_ANY | JSON_DECODE_INT_AS_REAL, &fault);
    if (!root) {
        char why[GR_ESCAPED_SIZE], shown[GR_ESCAPED_SIZE];
        gr_escape(why, fault.text, strlen(fault.text));
        gr_escape(shown, payload.text, payload.length);
        return gr_error_set(error, GR_INVALID, "found \"%s\", expected JSON: line %d, column %d: %s", shown,
                            fault.line, fault.column, why);
    }
    json_t *value = gr_json_pointer(root, input->pointer, error);
    int code = value ? read_json_value(out, value, boolean, error) : GR_INVALID;
    json_decref(root);
    return code;
}

/* ---- units ---- */

static double convert(double value, enum gr_unit unit, double capacity_kwh)
{
    switch (unit) {
    case GR_UNIT_RATIO:
        return 100.0 * value;
    case GR_UNIT_KWH:
        return 100.0 * value / capacity_kwh;
    case GR_UNIT_WH:
        return 0.1 * value / capacity_kwh;
    case GR_UNIT_W:
        return value / 1000.0;
    case GR_UNIT_FAHRENHEIT:
        return (value - 32.0) / 1.8;
    case GR_UNIT_PERCENT:
    case GR_UNIT_KW:
    case GR_UNIT_CELSIUS:
    case GR_UNIT_BOOLEAN:
        break;
    }
    return value;
}

static bool is_plausible(const struct gr_input *input, double value)
{
    return value >= input->least && value <= input->greatest;
}

/* The unit that would explain a value outside the plausible range, as a question; "" where none would. */
static const char *guess_unit(const struct gr_input *input, double value)
{
    static const struct {
        enum gr_unit unit;
        double factor;
        const char *question;
    } guesses[] = {
        {GR_UNIT_KW, 0.001, " (is the payload in W?)"},
        {GR_UNIT_W, 1000.0, " (is the payload in kW?)"},
        {GR_UNIT_KWH, 0.001, " (is the payload in Wh?)"},
        {GR_UNIT_WH, 1000.0, " (is the payload in kWh?)"},
        {GR_UNIT_RATIO, 0.01, " (is the payload in percent?)"},
        {GR_UNIT_PERCENT, 100.0, " (is the payload a ratio from 0 to 1?)"},
        {GR_UNIT_PERCENT, 0.1, " (is the payload in tenths of a percent?)"},
        {GR_UNIT_PERCENT, 0.01, " (is the payload in hundredths of a percent?)"},
        {GR_UNIT_CELSIUS, 0.1, " (is the payload in tenths of a degree?)"},
    };
    if (input->unit == GR_UNIT_CELSIUS && is_plausible(input, convert(value, GR_UNIT_FAHRENHEIT, 0))) {
        return " (is the payload in degrees Fahrenheit?)";
    }
    for (size_t i = 0; i < sizeof guesses / sizeof guesses[0]; i++) {
        if (guesses[i].unit == input->unit && is_plausible(input, value * guesses[i].factor)) {
            return guesses[i].question;
        }
    }
    return is_plausible(input, -value) ? " (is the sign the other way round?)" : "";
}

static int finish(double *out, const struct gr_input *input, enum gr_channel channel, double value,
                  struct gr_error *error)
{
    if (!isfinite(value)) {
        return gr_error_set(error, GR_INVALID, "found a number beyond all bounds, expected %g to %g %s",
                            input->least, input->greatest, gr_channel_unit(channel));
    }
    if (channel == GR_STATE_OF_CHARGE && value > 100.0 && value <= MOST_PERCENT_READ_AS_FULL) {
        value = 100.0;
    }
    if (!is_plausible(input, value)) {
        const char *unit = gr_channel_unit(channel);
        return gr_error_set(error, GR_INVALID, "found %.6g %s, plausible is %g to %g %s%s", value, unit,
                            input->least, input->greatest, unit, guess_unit(input, value));
    }
    *out = value;
    return GR_OK;
}

/* ---- the whole ---- */

static int check_bytes(struct span payload, struct gr_error *error)
{
    if (payload.length > GR_MOST_PAYLOAD_BYTES) {
        return gr_error_set(error, GR_INVALID, "found %zu bytes, expected at most %zu", payload.length,
                            GR_MOST_PAYLOAD_BYTES);
    }
    if (!gr_utf8_valid(payload.text, payload.length)) {
        return refuse_text(error, payload, "UTF-8");
    }
    if (memchr(payload.text, 0, payload.length)) {
        return refuse_text(error, payload, "text without NUL bytes");
    }
    if (payload.length >= 3 && memcmp(payload.text, "\xEF\xBB\xBF", 3) == 0) {
        return refuse_text(error, payload, "UTF-8 without a byte order mark at the start");
    }
    return GR_OK;
}

int gr_payload_read(double *out, const struct gr_input *input, enum gr_channel channel, double capacity_kwh,
                    const void *payload, size_t length, struct gr_error *error)
{
    struct span text = {length > 0 ? payload : "", length};
    bool boolean = input->unit == GR_UNIT_BOOLEAN || channel == GR_GRID_PRESENT;
    double number = NAN;
    int code = check_bytes(text, error);
    if (code != GR_OK) {
        return code;
    }
    code = input->is_json ? read_json(&number, input, text, boolean, error)
                          : read_text(&number, text, boolean, error);
    if (code != GR_OK) {
        return code;
    }
    if (boolean) {
        *out = input->sign < 0.0 ? 1.0 - number : number;
        return GR_OK;
    }
    double value = input->sign * (input->scale * number + input->offset);
    /* Adding zero turns -0 into 0, so that no message ever says "-0 kW". */
    return finish(out, input, channel, convert(value, input->unit, capacity_kwh) + 0.0, error);
}
