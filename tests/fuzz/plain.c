/* Runs a fuzz target over every file of a folder, without libFuzzer: a test that what once broke does not
 * break again. With the library of failing/failing.h preloaded and KIND or KIND/STRIDE, with each call of
 * that kind failing once as well. */
#include "fuzz/fuzz.h"

#include "config/slurp.h"
#include "failing/each.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

struct input {
    char *bytes;
    size_t length;
};

static void take(void *context)
{
    const struct input *input = context;
    (void)LLVMFuzzerTestOneInput((const uint8_t *)input->bytes, input->length);
}

/* calls and failed are added up */
static void take_file(const char *path, const struct failing_plan *plan, long *calls, long *failed)
{
    struct input input = {NULL, 0};
    long count = 0;
    if (gr_slurp(&input.bytes, &input.length, path, (size_t)1 << 24, NULL) == GR_OK) {
        take(&input);
        *calls += plan ? failing_each(plan, take, &input, &count) : 1;
        *failed += count;
    }
    free(input.bytes);
}

int main(int argc, char **argv)
{
    struct failing_plan plan;
    bool failing = argc == 3 && failing_begin && failing_plan_read(&plan, argv[2]);
    DIR *folder = failing || argc == 2 ? opendir(argv[1]) : NULL;
    long calls = 0, failed = 0;
    unsigned seed = (unsigned)time(NULL);
    if (!folder) {
        fputs("Usage: [LD_PRELOAD=libfailing.so] fuzz_TARGET FOLDER [KIND[/STRIDE]]\n", stderr);
        return 2;
    }
    srand(seed);
    for (const struct dirent *entry; (entry = readdir(folder));) {
        char path[1024];
        (void)snprintf(path, sizeof path, "%s/%s", argv[1], entry->d_name);
        if (entry->d_name[0] != '.') {
            take_file(path, failing ? &plan : NULL, &calls, &failed);
        }
    }
    (void)closedir(folder);
    if (failing) {
        printf("%s: %ld calls, %ld of them failed (seed %u)\n", argv[2], calls, failed, seed);
    } else {
        printf("%ld inputs\n", calls);
    }
    return calls == 0;
}
