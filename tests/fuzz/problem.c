/* A planning problem as JSON. */
#include "fuzz/fuzz.h"

#include "tool/problem_json.h"

#include <stdio.h>

bool fuzz_take(const uint8_t *data, size_t size)
{
    struct gr_problem_file file;
    struct gr_error error = {""};
    FILE *stream = size > 0 ? fmemopen((void *)(uintptr_t)data, size, "r") : NULL;
    bool good = stream && gr_problem_read(&file, stream, "fuzz", &error) == GR_OK;
    if (good) {
        gr_problem_file_free(&file);
    }
    if (stream) {
        (void)fclose(stream);
    }
    return good;
}
