/* An event log, replayed. */
#include "fuzz/fuzz.h"

#include "granary/eventlog.h"

static int fixed_zone(struct gr_zone **out, const char *name, struct gr_error *error)
{
    return gr_zone_fixed(out, name, 3600, error);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct gr_replay replay;
    struct gr_error error = {""};
    (void)gr_eventlog_replay(&replay, "fuzz.log", data, size, fixed_zone, &error);
    return 0;
}
