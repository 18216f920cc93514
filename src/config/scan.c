/* What the library does not tell: it wraps whole numbers beyond 32 bits, cuts texts at \x00, and says of a
 * syntax error only the line. So the text itself is looked at. */
#include "config/form.h"
#include "config/slurp.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

#define MOST_FILE_BYTES ((size_t)1024 * 1024)

struct cursor {
    const char *at;
    unsigned line;
};

/* Moves past a comment at the cursor; false where there is none. */
static bool skip_comment(struct cursor *cursor)
{
    const char *at = cursor->at;
    if (*at == '#' || (at[0] == '/' && at[1] == '/')) {
        cursor->at += strcspn(at, "\n");
        return true;
    }
    if (at[0] == '/' && at[1] == '*') {
        for (cursor->at += 2; *cursor->at && strncmp(cursor->at, "*/", 2) != 0; cursor->at++) {
            cursor->line += *cursor->at == '\n';
        }
        cursor->at += *cursor->at ? 2 : 0;
        return true;
    }
    return false;
}

static void skip_text(struct gr_reader *reader, const char *file, struct cursor *cursor)
{
    for (cursor->at++; *cursor->at && *cursor->at != '"'; cursor->at++) {
        if (strncmp(cursor->at, "\\x00", 4) == 0) {
            gr_complain_at(reader, file, cursor->line,
                           "found \\x00 in a text; allowed: no NUL, which would end it early");
        }
        cursor->line += *cursor->at == '\n';
        cursor->at += cursor->at[0] == '\\' && cursor->at[1] ? 1 : 0;
    }
    cursor->at += *cursor->at ? 1 : 0;
}

static void skip_word(struct gr_reader *reader, const char *file, struct cursor *cursor)
{
    const char *start = cursor->at;
    size_t length = 0;
    while (isalnum((unsigned char)start[length]) ||
           (start[length] != '\0' && strchr("_.+-", start[length]))) {
        length++;
    }
    cursor->at += length;
    bool hexadecimal = start[0] == '0' && (start[1] == 'x' || start[1] == 'X');
    const char *digits = start + strspn(start, "+-");
    char *end = NULL;
    unsigned long long number = strtoull(digits, &end, hexadecimal ? 16 : 10);
    if (isdigit((unsigned char)*digits) && end == start + length && number > 2147483647ULL) {
        gr_complain_at(
            reader, file, cursor->line,
            "found the whole number %.*s, which would be wrapped to another; allowed: at most 2147483647",
            (int)(length < 30 ? length : 30), start);
    }
}

static void scan(struct gr_reader *reader, const char *file, const char *text)
{
    struct cursor cursor = {text, 1};
    while (*cursor.at) {
        char c = *cursor.at;
        if (c == '"') {
            skip_text(reader, file, &cursor);
        } else if (isalnum((unsigned char)c) || c == '-' || c == '+') {
            skip_word(reader, file, &cursor);
        } else if (!skip_comment(&cursor)) {
            cursor.line += c == '\n';
            cursor.at++;
        }
    }
}

/* The library names included files as the @include does, relative to the folder of the main file. */
static char *load(struct gr_reader *reader, const char *file)
{
    char path[2 * GR_PATH_SIZE];
    char *text = NULL;
    size_t length = 0;
    bool own_name = file[0] == '/' || strcmp(file, reader->file) == 0;
    int needed =
        snprintf(path, sizeof path, "%s%s%s", own_name ? "" : reader->folder, own_name ? "" : "/", file);
    if (needed < 0 || (size_t)needed >= sizeof path) {
        return NULL;
    }
    if (gr_slurp(&text, &length, path, MOST_FILE_BYTES, NULL) == GR_NO_MEMORY) {
        reader->out_of_memory = true;
    }
    return text;
}

void gr_scan_text(struct gr_reader *reader, const char *file)
{
    char *text = load(reader, file);
    if (text) {
        scan(reader, file, text);
    }
    free(text);
}

/* ---- syntax errors ---- */

static bool has_word(const char *line, const char *word)
{
    const char *at = strstr(line, word);
    size_t length = strlen(word);
    return at && at > line && !isalnum((unsigned char)at[-1]) && !isalnum((unsigned char)at[length]);
}

/* A mark with a digit on either side, outside of quotes. */
static bool between_digits(const char *line, char mark)
{
    bool quoted = false;
    for (const char *at = line; *at; at++) {
        quoted = quoted != (*at == '"');
        if (!quoted && *at == mark && at > line && isdigit((unsigned char)at[-1]) &&
            isdigit((unsigned char)at[1])) {
            return true;
        }
    }
    return false;
}

/* The first line up to `last` with a quotation mark that has no partner in it; 0 where there is none. Texts
 * may not run over a line's end in practice, so that the slip is there and not where the library stumbled. */
static int lone_quote(const char *text, int last)
{
    for (int line = 1; line <= last && *text; line++) {
        size_t length = strcspn(text, "\n");
        size_t quotes = 0;
        for (size_t i = 0; i < length && text[i] != '#'; i++) {
            quotes += text[i] == '"';
        }
        if (quotes % 2 != 0) {
            return line;
        }
        text += length + (text[length] ? 1 : 0);
    }
    return 0;
}

/* Usual slips, as a hint; "" where the line shows none. */
static const char *hint(const char *line)
{
    if (has_word(line, "yes") || has_word(line, "no") || has_word(line, "on") || has_word(line, "off")) {
        return " (write true or false)";
    }
    if (between_digits(line, ':')) {
        return " (times need quotes: \"05:30\")";
    }
    if (between_digits(line, ',')) {
        return " (write a decimal point, no comma)";
    }
    if (strchr(line, '%')) {
        return " (write the number without a unit)";
    }
    return " (or the line before lacks a closing bracket or quotation mark; in lists a comma stands between "
           "elements)";
}

static void copy_line(const char *text, int number, char *out, size_t size)
{
    for (; number > 1 && *text; number--) {
        text += strcspn(text, "\n");
        text += *text ? 1 : 0;
    }
    text += strspn(text, " \t");
    size_t length = strcspn(text, "\r\n");
    (void)snprintf(out, size, "%.*s", (int)(length < size ? length : size), text);
}

void gr_explain_syntax(struct gr_reader *reader, const char *file, int line, const char *why)
{
    char *text = load(reader, file);
    char found[160] = "", quoted[120];
    bool plain = strcmp(why, "syntax error") == 0;
    int quote = text && plain ? lone_quote(text, line) : 0;
    if (text && line > 0) {
        copy_line(text, quote ? quote : line, found, sizeof found);
    }
    free(text);
    gr_quote(quoted, sizeof quoted, found);
    if (quote) {
        gr_complain_at(reader, file, (unsigned)quote, "%s at %s (a quotation mark is missing)", why, quoted);
    } else {
        gr_complain_at(reader, file, line > 0 ? (unsigned)line : 0, "%s at %s%s", why, quoted,
                       plain ? hint(found) : "");
    }
}
