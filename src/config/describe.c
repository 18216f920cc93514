/* Keys in words: for messages and for the reference. */
#include "config/form.h"

#include <math.h>
#include <stdarg.h>
#include <string.h>

static void append(char *out, size_t size, const char *format, ...) __attribute__((format(printf, 3, 4)));

static void append(char *out, size_t size, const char *format, ...)
{
    size_t used = strlen(out);
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(out + used, size - used, format, arguments);
    va_end(arguments);
}

static void append_range(const struct gr_key *key, char *out, size_t size)
{
    append(out, size, "%s%.10g to %.10g%s%s", key->zero_ok && key->least > 0 ? "0, or " : "", key->least,
           key->greatest, key->unit ? " " : "", key->unit ? key->unit : "");
}

static void append_choices(const struct gr_key *key, char *out, size_t size)
{
    for (const int *choice = key->choices; *choice; choice++) {
        append(out, size, "%s%d", choice == key->choices ? "" : choice[1] ? ", " : " or ", *choice);
    }
    if (key->unit) {
        append(out, size, " %s", key->unit);
    }
}

static void append_words(const struct gr_word *words, char *out, size_t size)
{
    for (const struct gr_word *word = words; word->word; word++) {
        append(out, size, "%s\"%s\"", word == words ? "" : word[1].word ? ", " : " or ", word->word);
    }
}

void gr_key_allowed(const struct gr_key *key, char *out, size_t size)
{
    *out = '\0';
    switch (key->kind) {
    case GR_KEY_NUMBER:
        append_range(key, out, size);
        break;
    case GR_KEY_WHOLE:
        append(out, size, "a whole number, ");
        if (key->choices) {
            append_choices(key, out, size);
        } else {
            append_range(key, out, size);
        }
        break;
    case GR_KEY_BOOLEAN:
        append(out, size, "true or false");
        break;
    case GR_KEY_TEXT:
        append(out, size, "a text in quotes of %s%zu bytes", key->required ? "1 to " : "at most ",
               key->size - 1);
        break;
    case GR_KEY_WORD:
        append_words(key->words, out, size);
        break;
    case GR_KEY_CLOCK:
        append(out, size, "a local time in quotes, \"%02d:00\" to \"%02d:%02d\"", (int)key->least / 60,
               (int)key->greatest / 60, (int)key->greatest % 60);
        break;
    case GR_KEY_NUMBERS:
        append(out, size, "[ ... ] of %zu numbers, each ", key->size);
        append_range(key, out, size);
        break;
    case GR_KEY_PART:
        append(out, size, "%s", key->unit);
        break;
    }
}

void gr_key_standard(const struct gr_key *key, char *out, size_t size)
{
    *out = '\0';
    if (key->kind == GR_KEY_PART || key->required) {
        return;
    }
    if (key->standard_text) {
        bool quoted = key->kind == GR_KEY_WORD || key->kind == GR_KEY_CLOCK;
        append(out, size, quoted ? "\"%s\"" : "%s", key->standard_text);
    } else if (key->kind == GR_KEY_BOOLEAN) {
        append(out, size, "%s", key->standard != 0 ? "true" : "false");
    } else if (key->kind != GR_KEY_TEXT && !isnan(key->standard)) {
        append(out, size, "%.10g", key->standard);
    }
}

static const char *shown_standard(const struct gr_key *key, const char *standard)
{
    if (key->required) {
        return "**required**";
    }
    if (standard[0]) {
        return standard;
    }
    return key->kind == GR_KEY_PART ? "may be left out" : "none";
}

void gr_key_row(const struct gr_key *key, char *out, size_t size)
{
    char allowed[200], standard[100];
    gr_key_allowed(key, allowed, sizeof allowed);
    gr_key_standard(key, standard, sizeof standard);
    (void)snprintf(out, size, "| `%s` | %s | %s | %s |", key->name, key->about, allowed,
                   shown_standard(key, standard));
}
