#include "text.h"

#include "granary/civil.h"

#include <stdbool.h>
#include <stdio.h>
#include <string.h>

char *gr_text_escape(char *out, size_t size, const char *text, size_t length)
{
    const size_t longest_end = sizeof "\\xNN..." - 1;
    size_t used = 0;
    for (size_t i = 0; i < length; i++) {
        unsigned char byte = (unsigned char)text[i];
        if (used + longest_end >= size) {
            memcpy(out + used, "...", 3);
            used += 3;
            break;
        }
        if (byte >= 0x20 && byte < 0x7f) {
            out[used++] = (char)byte;
        } else {
            used += (size_t)snprintf(out + used, size - used, "\\x%02X", byte);
        }
    }
    out[used] = '\0';
    return out;
}

void gr_text_skip_mark(const char **text, size_t *length)
{
    static const char mark[] = "\xef\xbb\xbf";
    const size_t mark_length = sizeof mark - 1;
    if (*length >= mark_length && memcmp(*text, mark, mark_length) == 0) {
        *text += mark_length;
        *length -= mark_length;
    }
}

char *gr_text_quote(char out[GR_QUOTED_SIZE], const char *text, size_t length)
{
    out[0] = '\'';
    gr_text_escape(out + 1, GR_QUOTED_SIZE - 2, text, length);
    size_t used = strlen(out);
    out[used] = '\'';
    out[used + 1] = '\0';
    return out;
}

char *gr_text_moment(char out[GR_MOMENT_SIZE], const struct gr_zone *zone, int64_t utc_s)
{
    char utc[GR_RFC3339_SIZE], local[GR_RFC3339_SIZE];
    gr_rfc3339_format(utc, utc_s);
    if (zone) {
        gr_rfc3339_format_local(local, utc_s, gr_zone_offset_s(zone, utc_s));
        (void)snprintf(out, GR_MOMENT_SIZE, "%s (%s)", local, utc);
    } else {
        (void)snprintf(out, GR_MOMENT_SIZE, "%s", utc);
    }
    return out;
}
