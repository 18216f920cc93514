#include "fetch/parts.h"

#include <stdlib.h>
#include <string.h>
#include <strings.h>

/* RFC 9110 section 5.6.2. */
static bool is_token(const char *text, size_t length)
{
    static const char allowed[] =
        "!#$%&'*+-.^_`|~0123456789abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ";
    for (size_t i = 0; i < length; i++) {
        if (text[i] == '\0' || !strchr(allowed, text[i])) {
            return false;
        }
    }
    return length > 0;
}

/* RFC 9110 section 5.5, less the control characters it tolerates. */
bool gr_header_value_ok(const char *value, size_t length)
{
    for (size_t i = 0; i < length; i++) {
        unsigned char c = (unsigned char)value[i];
        if ((c < 0x20 && c != '\t') || c == 0x7f) {
            return false;
        }
    }
    return length > 0;
}

static const char *reserved_name(const char *name, size_t length)
{
    static const char *const names[] = {
        "Host",          "Content-Length",    "Transfer-Encoding", "Connection", "Range",  "Accept-Encoding",
        "If-None-Match", "If-Modified-Since", "User-Agent",        "Expect",     "Upgrade"};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        if (strlen(names[i]) == length && strncasecmp(names[i], name, length) == 0) {
            return names[i];
        }
    }
    return NULL;
}

int gr_slist_append(struct curl_slist **list, const char *line)
{
    struct curl_slist *longer = curl_slist_append(*list, line);
    if (!longer) {
        return GR_NO_MEMORY;
    }
    *list = longer;
    return GR_OK;
}

static bool is_blank(char c)
{
    return c == ' ' || c == '\t';
}

/* Checks one line of `length` > 0 bytes; the number of the line goes into messages, its content never does.
 */
static int check_line(const char *line, size_t length, int number, struct gr_error *error)
{
    const char *colon = memchr(line, ':', length);
    if (!colon) {
        return gr_error_set(error, GR_INVALID, "header line %d has no colon, expected \"Name: value\"",
                            number);
    }
    size_t name = (size_t)(colon - line);
    size_t from = name + 1;
    if (!is_token(line, name)) {
        return gr_error_set(error, GR_INVALID, "header line %d: the name before the colon is no HTTP token",
                            number);
    }
    const char *taken = reserved_name(line, name);
    if (taken) {
        return gr_error_set(error, GR_INVALID, "header line %d: %s cannot be set here", number, taken);
    }
    while (from < length && is_blank(line[from])) {
        from++;
    }
    if (!gr_header_value_ok(line + from, length - from)) {
        return gr_error_set(error, GR_INVALID,
                            "header line %d: the value is empty or holds a control character", number);
    }
    return GR_OK;
}

/* `list` NULL: only to check. */
static int add_line(struct curl_slist **list, const char *line, size_t length, int number,
                    struct gr_error *error)
{
    if (length > 0 && line[length - 1] == '\r') {
        length--; /* files from other systems end their lines with CR LF */
    }
    while (length > 0 && is_blank(line[length - 1])) {
        length--;
    }
    int result = length > 0 ? check_line(line, length, number, error) : GR_OK;
    if (result != GR_OK || !list || length == 0) {
        return result;
    }
    char *copy = strndup(line, length);
    result = copy ? gr_slist_append(list, copy) : GR_NO_MEMORY;
    free(copy);
    return result == GR_OK ? GR_OK : gr_error_set(error, result, "out of memory for the header lines");
}

static int walk_lines(struct curl_slist **list, const char *text, struct gr_error *error)
{
    int result = GR_OK;
    for (int number = 1; *text && result == GR_OK; number++) {
        size_t length = strcspn(text, "\n");
        result = add_line(list, text, length, number, error);
        text += length;
        text += *text == '\n';
    }
    return result;
}

int gr_headers_append(struct curl_slist **list, const char *text, struct gr_error *error)
{
    return walk_lines(list, text, error);
}

int gr_fetch_headers_check(const char *text, struct gr_error *error)
{
    return walk_lines(NULL, text, error);
}
