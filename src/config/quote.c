#include "granary/config.h"

#include <string.h>

/* libconfig's strings know \" \\ \xNN; what is no printable ASCII goes as it is but for control characters.
 */
bool gr_config_quote(char *out, size_t size, const char *text)
{
    size_t used = 0;
    if (size < 3) {
        return false;
    }
    out[used++] = '"';
    for (; *text; text++) {
        unsigned char byte = (unsigned char)*text;
        if (used + 6 > size) {
            return false;
        }
        if (byte < 0x20 || byte == 0x7f) {
            used += (size_t)snprintf(out + used, size - used, "\\x%02x", byte);
        } else {
            if (byte == '"' || byte == '\\') {
                out[used++] = '\\';
            }
            out[used++] = (char)byte;
        }
    }
    out[used++] = '"';
    out[used] = '\0';
    return true;
}
