/* Lives through simulated years of random faults; says whether every law held. */
#include "chaos/chaos.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool read_arguments(int argc, char **argv, double *years, uint64_t *seed)
{
    for (int i = 1; i + 1 < argc; i += 2) {
        char *end;
        if (strcmp(argv[i], "--years") == 0) {
            *years = strtod(argv[i + 1], &end);
        } else if (strcmp(argv[i], "--seed") == 0) {
            *seed = strtoull(argv[i + 1], &end, 10);
        } else {
            return false;
        }
        if (*end || end == argv[i + 1]) {
            return false;
        }
    }
    return argc % 2 == 1;
}

int main(int argc, char **argv)
{
    struct chaos_report report;
    double years = 20;
    uint64_t seed = 1;
    if (!read_arguments(argc, argv, &years, &seed)) {
        fputs("Usage: chaos [--years N] [--seed S]\n", stderr);
        return 2;
    }
    printf("seed %" PRIu64 "\n", seed);
    if (!chaos_run(&report, years, seed, NULL, NULL)) {
        fputs("no memory\n", stderr);
        return 2;
    }
    uint64_t faults = 0;
    for (int fault = 0; fault < CHAOS_FAULTS; fault++) {
        faults += report.faults[fault];
    }
    printf("%.1f years, %" PRIu64 " turns, %" PRIu64 " faults, %" PRIu64 " turns of follow, %" PRIu64
           " of other commands, %" PRIu64 " changes\n",
           report.years, report.turns, faults, report.follows, report.commands, report.changes);
    puts(report.broken < 0 ? "every law held" : report.text);
    return report.broken >= 0;
}
