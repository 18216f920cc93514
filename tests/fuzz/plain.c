/* Runs a fuzz target over every file of a folder, without libFuzzer: a test that what once broke does not
 * break again. */
#include "fuzz/fuzz.h"

#include "config/slurp.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv)
{
    DIR *folder = argc == 2 ? opendir(argv[1]) : NULL;
    size_t count = 0;
    if (!folder) {
        fputs("Usage: fuzz_TARGET FOLDER\n", stderr);
        return 2;
    }
    for (const struct dirent *entry; (entry = readdir(folder));) {
        char path[1024], *bytes = NULL;
        size_t length = 0;
        (void)snprintf(path, sizeof path, "%s/%s", argv[1], entry->d_name);
        if (entry->d_name[0] != '.' && gr_slurp(&bytes, &length, path, (size_t)1 << 24, NULL) == GR_OK) {
            (void)LLVMFuzzerTestOneInput((const uint8_t *)bytes, length);
            count++;
        }
        free(bytes);
    }
    (void)closedir(folder);
    printf("%zu inputs\n", count);
    return count == 0;
}
