/* Runs a fuzz target over every file of a folder, without libFuzzer: a test that what once broke does not
 * break again. A file called good.SOMETHING must be taken to its end, bad.SOMETHING must not: a corpus that
 * the programs have outgrown shows. With the library of failing/failing.h preloaded and KIND or KIND/STRIDE,
 * with each call of that kind failing once as well. */
#include "fuzz/fuzz.h"

#include "config/json_text.h"
#include "config/slurp.h"
#include "failing/each.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

struct input {
    char *bytes;
    size_t length;
};

static void take(void *context)
{
    const struct input *input = context;
    (void)fuzz_take((const uint8_t *)input->bytes, input->length);
}

/* Whether the input was taken as its name says. */
static bool judge(const struct input *input, const char *name)
{
    bool good = strncmp(name, "good.", 5) == 0, bad = strncmp(name, "bad.", 4) == 0;
    bool taken = fuzz_take((const uint8_t *)input->bytes, input->length);
    if (taken ? bad : good) {
        (void)fprintf(stderr, "%s was %s\n", name, taken ? "taken" : "not taken to its end");
        return false;
    }
    return true;
}

/* calls and failed are added up */
static bool take_file(const char *folder, const char *name, const struct failing_plan *plan, long *calls,
                      long *failed)
{
    char path[1024];
    struct input input = {NULL, 0};
    long count = 0;
    (void)snprintf(path, sizeof path, "%s/%s", folder, name);
    bool right =
        gr_slurp(&input.bytes, &input.length, path, (size_t)1 << 24, NULL) == GR_OK && judge(&input, name);
    if (right) {
        *calls += plan ? failing_each(plan, take, &input, &count) : 1;
        *failed += count;
    }
    free(input.bytes);
    return right;
}

int main(int argc, char **argv)
{
    struct failing_plan plan;
    bool failing = argc == 3 && failing_begin && failing_plan_read(&plan, argv[2]);
    DIR *folder = failing || argc == 2 ? opendir(argv[1]) : NULL;
    long calls = 0, failed = 0;
    bool right = true;
    unsigned seed = (unsigned)time(NULL);
    if (!folder) {
        fputs("Usage: [LD_PRELOAD=libfailing.so] fuzz_TARGET FOLDER [KIND[/STRIDE]]\n", stderr);
        return 2;
    }
    srand(seed);
    gr_json_keep_reserve(); /* as the programs do */
    for (const struct dirent *entry; (entry = readdir(folder));) {
        if (entry->d_name[0] != '.') {
            right = take_file(argv[1], entry->d_name, failing ? &plan : NULL, &calls, &failed) && right;
        }
    }
    (void)closedir(folder);
    if (failing) {
        printf("%s: %ld calls, %ld of them failed (seed %u)\n", argv[2], calls, failed, seed);
    } else {
        printf("%ld inputs\n", calls);
    }
    return calls == 0 || !right;
}
