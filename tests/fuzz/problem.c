/* A planning problem as JSON. */
#include "fuzz/fuzz.h"

#include "tool/problem_json.h"

#include <stdio.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct gr_problem_file file;
    struct gr_error error = {""};
    FILE *stream = size > 0 ? fmemopen((void *)(uintptr_t)data, size, "r") : NULL;
    if (stream) {
        if (gr_problem_read(&file, stream, "fuzz", &error) == GR_OK) {
            gr_problem_file_free(&file);
        }
        (void)fclose(stream);
    }
    return 0;
}
