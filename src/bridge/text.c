#include "bridge/text.h"

#include <stdint.h>
#include <stdio.h>
#include <string.h>

/* Bytes in the sequence that `lead` opens, and the range of its second byte (RFC 3629, section 4). */
static size_t sequence_length(uint8_t lead, uint8_t *least, uint8_t *greatest)
{
    *least = 0x80;
    *greatest = 0xBF;
    if (lead < 0x80) {
        return 1;
    }
    if (lead >= 0xC2 && lead <= 0xDF) {
        return 2;
    }
    if (lead >= 0xE0 && lead <= 0xEF) {
        *least = lead == 0xE0 ? 0xA0 : 0x80;
        *greatest = lead == 0xED ? 0x9F : 0xBF;
        return 3;
    }
    if (lead >= 0xF0 && lead <= 0xF4) {
        *least = lead == 0xF0 ? 0x90 : 0x80;
        *greatest = lead == 0xF4 ? 0x8F : 0xBF;
        return 4;
    }
    return 0;
}

static bool sequence_ends_well(const uint8_t *bytes, size_t count, uint8_t least, uint8_t greatest)
{
    if (count > 1 && (bytes[1] < least || bytes[1] > greatest)) {
        return false;
    }
    for (size_t i = 2; i < count; i++) {
        if ((bytes[i] & 0xC0) != 0x80) {
            return false;
        }
    }
    return true;
}

bool gr_utf8_valid(const void *bytes, size_t length)
{
    const uint8_t *text = bytes;
    size_t at = 0;
    while (at < length) {
        uint8_t least, greatest;
        size_t count = sequence_length(text[at], &least, &greatest);
        if (count == 0 || count > length - at || !sequence_ends_well(text + at, count, least, greatest)) {
            return false;
        }
        at += count;
    }
    return true;
}

static int escape_byte(char out[5], uint8_t byte)
{
    if (byte == '"' || byte == '\\') {
        return snprintf(out, 5, "\\%c", byte);
    }
    return byte >= 0x20 && byte < 0x7F ? snprintf(out, 5, "%c", byte) : snprintf(out, 5, "\\x%02X", byte);
}

void gr_escape(char out[GR_ESCAPED_SIZE], const void *bytes, size_t length)
{
    const uint8_t *text = bytes;
    size_t used = 0;
    for (size_t i = 0; i < length; i++) {
        char one[5];
        size_t count = (size_t)escape_byte(one, text[i]);
        if (used + count > GR_ESCAPED_BYTES) {
            memcpy(out + used, "...", 4);
            return;
        }
        memcpy(out + used, one, count);
        used += count;
    }
    out[used] = '\0';
}
