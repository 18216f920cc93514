/* One value by its key: the setting's type is looked at here and nothing is converted behind our back. */
#include "config/form.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

#define ALLOWED_SIZE 200

/* What stands there, as people would say it. */
static void describe_found(const config_setting_t *setting, char *out, size_t size)
{
    switch (config_setting_type(setting)) {
    case CONFIG_TYPE_INT:
    case CONFIG_TYPE_INT64:
        (void)snprintf(out, size, "%lld", config_setting_get_int64(setting));
        break;
    case CONFIG_TYPE_FLOAT: {
        double value = config_setting_get_float(setting);
        bool looks_whole = fabs(value) < 1e9 && value == floor(value);
        (void)snprintf(out, size, looks_whole ? "%.1f" : "%.10g", value);
        break;
    }
    case CONFIG_TYPE_BOOL:
        (void)snprintf(out, size, "%s", config_setting_get_bool(setting) ? "true" : "false");
        break;
    case CONFIG_TYPE_STRING: {
        char quoted[80];
        (void)snprintf(out, size, "the text %s",
                       gr_quote(quoted, sizeof quoted, config_setting_get_string(setting)));
        break;
    }
    case CONFIG_TYPE_GROUP:
        (void)snprintf(out, size, "a group { ... }");
        break;
    case CONFIG_TYPE_ARRAY:
        (void)snprintf(out, size, "an array [ ... ] of %d", config_setting_length(setting));
        break;
    default:
        (void)snprintf(out, size, "a list ( ... ) of %d", config_setting_length(setting));
        break;
    }
}

static bool refuse(struct gr_reader *reader, const config_setting_t *setting, const struct gr_key *key,
                   const char *remark)
{
    char found[120], allowed[ALLOWED_SIZE];
    describe_found(setting, found, sizeof found);
    gr_key_allowed(key, allowed, sizeof allowed);
    gr_complain(reader, setting, NULL, "found %s%s; allowed: %s", found, remark, allowed);
    return false;
}

static bool is_allowed(const struct gr_key *key, double value)
{
    return isfinite(value) &&
           ((value >= key->least && value <= key->greatest) || (key->zero_ok && value == 0));
}

static bool is_choice(const struct gr_key *key, double value)
{
    for (const int *choice = key->choices; choice && *choice; choice++) {
        if (*choice == value) {
            return true;
        }
    }
    return !key->choices && is_allowed(key, value);
}

/* A remark like ", which smells of watts (13.5 kW?)"; empty where no guess leads into the range. */
static void guess_unit(const struct gr_key *key, double value, char *out, size_t size)
{
    *out = '\0';
    for (const struct gr_guess *guess = key->guesses; guess && guess->smell; guess++) {
        double meant = guess->factor * value + guess->offset;
        if (meant != 0 && is_choice(key, meant)) {
            (void)snprintf(out, size, ", which smells of %s (%.6g%s%s?)", guess->smell, meant,
                           key->unit ? " " : "", key->unit ? key->unit : "");
            return;
        }
    }
}

static bool refuse_number(struct gr_reader *reader, const config_setting_t *setting, const struct gr_key *key,
                          double value)
{
    char remark[120];
    guess_unit(key, value, remark, sizeof remark);
    return refuse(reader, setting, key, remark);
}

static bool read_double(const config_setting_t *setting, double *out)
{
    switch (config_setting_type(setting)) {
    case CONFIG_TYPE_INT:
    case CONFIG_TYPE_INT64:
        *out = (double)config_setting_get_int64(setting);
        return true;
    case CONFIG_TYPE_FLOAT:
        *out = config_setting_get_float(setting);
        return true;
    default:
        return false;
    }
}

static bool read_number(struct gr_reader *reader, const config_setting_t *setting, const struct gr_key *key,
                        double *field)
{
    double value;
    if (!read_double(setting, &value)) {
        return refuse(reader, setting, key,
                      config_setting_type(setting) == CONFIG_TYPE_STRING
                          ? " (write a number, without quotes and unit)"
                          : "");
    }
    if (!is_allowed(key, value)) {
        return refuse_number(reader, setting, key, value);
    }
    *field = value;
    return true;
}

static bool read_whole(struct gr_reader *reader, const config_setting_t *setting, const struct gr_key *key,
                       int *field)
{
    double value;
    if (!read_double(setting, &value) || config_setting_type(setting) == CONFIG_TYPE_FLOAT) {
        return refuse(reader, setting, key, "");
    }
    if (!is_choice(key, value)) {
        return refuse_number(reader, setting, key, value);
    }
    *field = (int)value;
    return true;
}

static bool has_control_character(const char *text)
{
    for (; *text; text++) {
        if ((unsigned char)*text < 0x20 || *text == 0x7f) {
            return true;
        }
    }
    return false;
}

/* jansson knows UTF-8. */
static bool is_utf8(const char *text)
{
    json_t *string = json_string(text);
    json_decref(string);
    return string != NULL;
}

static const char *read_string(struct gr_reader *reader, const config_setting_t *setting,
                               const struct gr_key *key)
{
    if (config_setting_type(setting) != CONFIG_TYPE_STRING) {
        (void)refuse(reader, setting, key, " without quotes");
        return NULL;
    }
    const char *text = config_setting_get_string(setting);
    if (!is_utf8(text)) {
        gr_complain(reader, setting, NULL, "found a text that is not UTF-8; save the file as UTF-8");
        return NULL;
    }
    return text;
}

static bool read_text(struct gr_reader *reader, const config_setting_t *setting, const struct gr_key *key,
                      char *field)
{
    const char *text = read_string(reader, setting, key);
    if (!text) {
        return false;
    }
    if (has_control_character(text)) {
        return refuse(reader, setting, key, " with a control character");
    }
    size_t length = strlen(text);
    if (length >= key->size || (length == 0 && key->required)) {
        return refuse(reader, setting, key, length == 0 ? "" : " (too long)");
    }
    memcpy(field, text, length + 1);
    return true;
}

static bool read_word(struct gr_reader *reader, const config_setting_t *setting, const struct gr_key *key,
                      int *field)
{
    const char *text = read_string(reader, setting, key);
    if (!text) {
        return false;
    }
    for (const struct gr_word *word = key->words; word->word; word++) {
        if (strcmp(word->word, text) == 0) {
            *field = word->value;
            return true;
        }
    }
    char remark[80] = "";
    const char *nearest = gr_nearest_word(key->words, text);
    if (nearest) {
        (void)snprintf(remark, sizeof remark, " (\"%s\"?)", nearest);
    }
    return refuse(reader, setting, key, remark);
}

static bool read_clock(struct gr_reader *reader, const config_setting_t *setting, const struct gr_key *key,
                       int *field)
{
    const char *text = read_string(reader, setting, key);
    if (!text) {
        return false;
    }
    int minute = gr_clock_time_parse(text);
    if (minute < key->least || minute > key->greatest) {
        return refuse(reader, setting, key, "");
    }
    *field = minute;
    return true;
}

static bool read_boolean(struct gr_reader *reader, const config_setting_t *setting, const struct gr_key *key,
                         bool *field)
{
    if (config_setting_type(setting) != CONFIG_TYPE_BOOL) {
        return refuse(reader, setting, key, "");
    }
    *field = config_setting_get_bool(setting) != 0;
    return true;
}

static bool read_numbers(struct gr_reader *reader, const config_setting_t *setting, const struct gr_key *key,
                         double *field)
{
    int type = config_setting_type(setting);
    if ((type != CONFIG_TYPE_ARRAY && type != CONFIG_TYPE_LIST) ||
        (size_t)config_setting_length(setting) != key->size) {
        return refuse(reader, setting, key, "");
    }
    bool good = true;
    struct gr_key one = *key;
    one.kind = GR_KEY_NUMBER;
    for (unsigned i = 0; i < key->size; i++) {
        good = read_number(reader, config_setting_get_elem(setting, i), &one, &field[i]) && good;
    }
    return good;
}

bool gr_value_read(struct gr_reader *reader, const config_setting_t *setting, const struct gr_key *key,
                   void *field)
{
    switch (key->kind) {
    case GR_KEY_NUMBER:
        return read_number(reader, setting, key, field);
    case GR_KEY_WHOLE:
        return read_whole(reader, setting, key, field);
    case GR_KEY_BOOLEAN:
        return read_boolean(reader, setting, key, field);
    case GR_KEY_TEXT:
        return read_text(reader, setting, key, field);
    case GR_KEY_WORD:
        return read_word(reader, setting, key, field);
    case GR_KEY_CLOCK:
        return read_clock(reader, setting, key, field);
    case GR_KEY_NUMBERS:
        return read_numbers(reader, setting, key, field);
    case GR_KEY_PART:
        break;
    }
    return true;
}
