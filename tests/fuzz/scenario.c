/* A scenario's text. */
#include "fuzz/fuzz.h"

#include "scenarios/scenario.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct scenario scenario;
    struct gr_error error = {""};
    if (scenario_read(&scenario, "fuzz.txt", data, size, &error) == GR_OK) {
        scenario_free(&scenario);
    }
    return 0;
}
