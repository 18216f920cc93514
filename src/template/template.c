#include "granary/template.h"

#include "config/json_text.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { NAME_SIZE = 40, MOST_DECIMALS = 6, NUMBER_SIZE = 400 };

/* A text that grows. */
struct text {
    char *bytes;
    size_t length, room;
    bool no_memory;
};

/* One ${...}, taken apart. */
struct place {
    char name[NAME_SIZE];
    double factor, offset;
    int decimals; /* -1: as short as can be */
    bool json, calculates;
};

static void append(struct text *text, const char *bytes, size_t length)
{
    if (text->no_memory) {
        return;
    }
    if (text->length + length + 1 > text->room) {
        size_t room = 2 * (text->length + length) + 64;
        char *grown = realloc(text->bytes, room);
        if (!grown) {
            text->no_memory = true;
            return;
        }
        text->bytes = grown;
        text->room = room;
    }
    memcpy(text->bytes + text->length, bytes, length);
    text->length += length;
    text->bytes[text->length] = '\0';
}

/* ---- places ---- */

static bool read_number(const char *text, double *out)
{
    char *end;
    *out = strtod(text, &end);
    return end != text && !*end && isfinite(*out);
}

static int read_option(struct place *place, const char *option, struct gr_error *error)
{
    double number;
    if (strcmp(option, "json") == 0) {
        place->json = true;
        return GR_OK;
    }
    if (option[0] == '*' && read_number(option + 1, &number)) {
        place->factor *= number;
        place->offset *= number;
        place->calculates = true;
        return GR_OK;
    }
    if (option[0] == '+' && read_number(option + 1, &number)) {
        place->offset += number;
        place->calculates = true;
        return GR_OK;
    }
    if (option[0] == '.' && option[1] >= '0' && option[1] <= '0' + MOST_DECIMALS && !option[2]) {
        place->decimals = option[1] - '0';
        place->calculates = true;
        return GR_OK;
    }
    return gr_error_set(error, GR_INVALID,
                        "${%s:%s}: allowed behind the colon: json, *FACTOR, +OFFSET or .0 to .%d",
                        place->name, option, MOST_DECIMALS);
}

/* `inside` is what stands between the braces. */
static int read_place(struct place *place, const char *inside, size_t length, struct gr_error *error)
{
    char copy[3 * NAME_SIZE];
    *place = (struct place){.factor = 1, .decimals = -1};
    if (length == 0 || length >= sizeof copy) {
        return gr_error_set(error, GR_INVALID, "${%.*s}: a name is wanted between the braces",
                            (int)(length < 40 ? length : 40), inside);
    }
    memcpy(copy, inside, length);
    copy[length] = '\0';
    char *next = strchr(copy, ':');
    if (next) {
        *next++ = '\0';
    }
    (void)snprintf(place->name, sizeof place->name, "%.*s", NAME_SIZE - 1, copy);
    while (next) {
        char *option = next;
        next = strchr(option, ':');
        if (next) {
            *next++ = '\0';
        }
        int status = read_option(place, option, error);
        if (status != GR_OK) {
            return status;
        }
    }
    return GR_OK;
}

/* ---- values ---- */

/* Without the zeros at the end, and without the sign of what is written as zero. */
static void write_number(char out[NUMBER_SIZE], double number, int decimals)
{
    (void)snprintf(out, NUMBER_SIZE, "%.*f", decimals < 0 ? MOST_DECIMALS : decimals, number);
    if (decimals < 0) {
        size_t length = strlen(out);
        while (length > 1 && out[length - 1] == '0') {
            out[--length] = '\0';
        }
        if (out[length - 1] == '.') {
            out[length - 1] = '\0';
        }
    }
    if (out[0] == '-' && strspn(out + 1, "0.") == strlen(out + 1)) {
        memmove(out, out + 1, strlen(out));
    }
}

static int append_json(struct text *text, const char *value, struct gr_error *error)
{
    json_t *string = json_string(value);
    char *dumped = gr_json_text(string, JSON_ENCODE_ANY);
    json_decref(string);
    if (!dumped) {
        return gr_error_set(error, GR_INVALID, "a value is no UTF-8, or out of memory");
    }
    append(text, dumped, strlen(dumped));
    free(dumped);
    return GR_OK;
}

static int append_value(struct text *text, const struct place *place, const struct gr_template_value *value,
                        struct gr_error *error)
{
    char number[NUMBER_SIZE] = "null";
    if (value->text && place->calculates) {
        return gr_error_set(error, GR_INVALID, "${%s}: is a text; only json is allowed behind the colon",
                            place->name);
    }
    if (value->text && place->json && !value->raw) {
        return append_json(text, value->text, error);
    }
    if (!value->text && isfinite(value->number)) {
        write_number(number, place->factor * value->number + place->offset, place->decimals);
    }
    const char *plain = value->text ? value->text : number;
    append(text, plain, strlen(plain));
    return GR_OK;
}

static int append_place(struct text *text, const char *inside, size_t length,
                        const struct gr_template_value *values, size_t count, struct gr_error *error)
{
    struct place place;
    int status = read_place(&place, inside, length, error);
    for (size_t i = 0; status == GR_OK && i < count; i++) {
        if (strcmp(values[i].name, place.name) == 0) {
            return append_value(text, &place, &values[i], error);
        }
    }
    if (status == GR_OK) {
        char names[250] = "";
        for (size_t i = 0; i < count; i++) {
            size_t used = strlen(names);
            (void)snprintf(names + used, sizeof names - used, "%s%s", used ? ", " : "", values[i].name);
        }
        return gr_error_set(error, GR_INVALID, "${%s}: there is no such value here; known: %s", place.name,
                            count ? names : "none, this text must be fixed");
    }
    return status;
}

/* ---- the whole ---- */

static int fill(struct text *text, const char *pattern, const struct gr_template_value *values, size_t count,
                struct gr_error *error)
{
    while (*pattern) {
        size_t plain = strcspn(pattern, "$");
        append(text, pattern, plain);
        pattern += plain;
        if (!*pattern) {
            break;
        }
        const char *end = pattern[1] == '{' ? strchr(pattern, '}') : NULL;
        if (pattern[1] == '$') {
            append(text, "$", 1);
            pattern += 2;
        } else if (end) {
            int status = append_place(text, pattern + 2, (size_t)(end - pattern - 2), values, count, error);
            if (status != GR_OK) {
                return status;
            }
            pattern = end + 1;
        } else {
            return gr_error_set(error, GR_INVALID,
                                "\"%.30s\": after $ stands {NAME}, or a second $ for the character itself",
                                pattern);
        }
    }
    return GR_OK;
}

int gr_template_fill(char **out, const char *pattern, const struct gr_template_value *values, size_t count,
                     struct gr_error *error)
{
    struct text text = {0};
    append(&text, "", 0);
    int status = fill(&text, pattern, values, count, error);
    if (status == GR_OK && text.no_memory) {
        status = gr_error_set(error, GR_NO_MEMORY, "out of memory");
    }
    if (status == GR_OK) {
        *out = text.bytes;
    } else {
        free(text.bytes);
    }
    return status;
}

static int check_filled(const char *pattern, const struct gr_template_value *values, size_t count,
                        struct gr_error *error)
{
    char *filled = NULL;
    json_error_t why;
    int status = gr_template_fill(&filled, pattern, values, count, error);
    const char *start = filled ? filled + strspn(filled, " \t\r\n") : "";
    if (*start == '{' || *start == '[') {
        json_t *document = json_loads(filled, JSON_REJECT_DUPLICATES, &why);
        if (!document) {
            status = gr_error_set(error, GR_INVALID,
                                  "begins like JSON but is none: column %d: %.80s in \"%.100s\" (texts are "
                                  "written as ${NAME:json})",
                                  why.column, why.text, filled);
        }
        json_decref(document);
    }
    free(filled);
    return status;
}

int gr_template_check(const char *pattern, const struct gr_template_value *values, size_t count,
                      struct gr_error *error)
{
    struct gr_template_value *odd = calloc(count + 1, sizeof *odd);
    if (!odd) {
        return gr_error_set(error, GR_NO_MEMORY, "out of memory");
    }
    int status = check_filled(pattern, values, count, error);
    for (size_t i = 0; i < count; i++) {
        odd[i] = values[i];
        odd[i].text = values[i].raw    ? values[i].text
                      : values[i].text ? "\"quoted\" \\ \n\t\x01 \xE2\x82\xAC }, {"
                                       : NULL;
        odd[i].number = -0.000123456789;
    }
    if (status == GR_OK) {
        status = check_filled(pattern, odd, count, error);
    }
    free(odd);
    return status;
}
