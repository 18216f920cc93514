/* A message's payload: the first byte picks channel and unit, a line the JSON Pointer, the rest is the
 * payload. */
#include "fuzz/fuzz.h"

#include "granary/bridge.h"

#include <string.h>

bool fuzz_take(const uint8_t *data, size_t size)
{
    struct gr_input input = {.configured = true, .sign = 1, .scale = 1, .least = -100, .greatest = 100};
    struct gr_error error = {""};
    double value;
    if (size < 2) {
        return false;
    }
    const uint8_t *newline = memchr(data + 1, '\n', size - 1);
    size_t pointer = newline ? (size_t)(newline - data - 1) : 0;
    input.is_json = newline && pointer < sizeof input.pointer;
    input.unit = (enum gr_unit)(data[0] % (GR_UNIT_BOOLEAN + 1));
    if (input.is_json) {
        memcpy(input.pointer, data + 1, pointer);
        input.is_json = gr_json_pointer_check(input.pointer, &error) == GR_OK;
    }
    size_t start = input.is_json ? pointer + 2 : 1;
    return gr_payload_read(&value, &input, (enum gr_channel)(data[0] / 16 % GR_CHANNELS), 13.5, data + start,
                           size - start, &error) == GR_OK;
}
