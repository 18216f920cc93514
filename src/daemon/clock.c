#include "daemon/clock.h"

#include <jansson.h>
#include <sys/timex.h>
#include <time.h>

static int64_t read_ms(clockid_t which)
{
    struct timespec time = {0};
    (void)clock_gettime(which, &time);
    return (int64_t)time.tv_sec * 1000 + time.tv_nsec / 1000000;
}

static bool is_synchronised(void)
{
    struct timex state = {.modes = 0};
    int status = adjtimex(&state);
    /* Where the kernel may not be asked (-1), nothing speaks against the clock. */
    return status == -1 || (state.status & STA_UNSYNC) == 0;
}

struct gr_moment gr_clock_read(void)
{
    return (struct gr_moment){.utc_s = read_ms(CLOCK_REALTIME) / 1000,
                              .mono_ms = read_ms(CLOCK_BOOTTIME),
                              .synchronised = is_synchronised()};
}

int64_t gr_clock_mono_ms(void)
{
    return read_ms(CLOCK_MONOTONIC);
}

/* Beyond this a moment in milliseconds would not fit; nor would it mean anything. */
static const int64_t greatest_s = INT64_C(100000000000);

bool gr_clock_parse(const void *payload, size_t length, struct gr_moment *out, int64_t *step)
{
    json_t *root = json_loadb(payload, length, 0, NULL);
    json_t *utc = json_object_get(root, "utc_s"), *number = json_object_get(root, "step");
    json_t *mono = json_object_get(root, "mono_ms");
    bool good = json_is_integer(utc) && json_is_integer(number) && (!mono || json_is_integer(mono)) &&
                json_integer_value(utc) > -greatest_s && json_integer_value(utc) < greatest_s;
    if (good) {
        int64_t utc_s = json_integer_value(utc);
        *step = json_integer_value(number);
        *out = (struct gr_moment){.utc_s = utc_s,
                                  .mono_ms = mono ? json_integer_value(mono) : utc_s * 1000,
                                  .synchronised = !json_is_false(json_object_get(root, "synchronised"))};
    }
    json_decref(root);
    return good;
}
