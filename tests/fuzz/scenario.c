/* A scenario's text. */
#include "fuzz/fuzz.h"

#include "scenarios/scenario.h"

bool fuzz_take(const uint8_t *data, size_t size)
{
    struct scenario scenario;
    struct gr_error error = {""};
    bool good = scenario_read(&scenario, "fuzz.txt", data, size, &error) == GR_OK;
    if (good) {
        scenario_free(&scenario);
    }
    return good;
}
