/* Plays the scenarios that are named; says of each whether all was as it must be. */
#include "scenarios/scenario.h"

#include "config/slurp.h"

#include <stdio.h>
#include <stdlib.h>

static int run(const char *file)
{
    struct scenario scenario = {0};
    struct gr_error error = {""};
    char *bytes = NULL;
    size_t length = 0;
    int status = gr_slurp(&bytes, &length, file, (size_t)1 << 20, &error);
    if (status == GR_OK) {
        status = scenario_read(&scenario, file, bytes, length, &error);
    }
    if (status == GR_OK) {
        status = scenario_play(&scenario, file, &error);
    }
    scenario_free(&scenario);
    free(bytes);
    if (status == GR_OK) {
        printf("%s: as it must be\n", file);
    } else {
        fprintf(stderr, "%s\n", error.text);
    }
    return status;
}

int main(int argc, char **argv)
{
    int bad = 0;
    if (argc < 2) {
        fputs("Usage: scenarios FILE ...\n", stderr);
        return 2;
    }
    for (int i = 1; i < argc; i++) {
        bad += run(argv[i]) != GR_OK;
    }
    return bad > 0;
}
