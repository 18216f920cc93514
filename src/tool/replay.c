/* granary replay: the same events, and whether the same decisions come out. */
#include "config/slurp.h"
#include "granary/civil.h"
#include "granary/config.h"
#include "granary/eventlog.h"
#include "tool/tool.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_BYTES = 1 << 28 };

static const char usage[] =
    "Usage: granary replay LOG\n\n"
    "Runs the engine once more through what granaryd wrote down (events.record in the configuration) and "
    "compares\n"
    "each decision with the one it made then. docs/replay.md describes the format.\n\n"
    "Exit status: 0 every decision is the same to the byte, 1 some differ, 2 the file is no event log.\n";

static void print_result(const char *file, const struct gr_replay *replay)
{
    char from[GR_RFC3339_SIZE], to[GR_RFC3339_SIZE];
    printf("%s: %" PRIu64 " events, %" PRIu64 " decisions from %s to %s\n", file, replay->events,
           replay->decisions, gr_rfc3339_format(from, replay->first_s),
           gr_rfc3339_format(to, replay->last_s));
    if (replay->differing == 0) {
        printf("every decision is the same\n");
        return;
    }
    printf("%" PRIu64 " decisions differ; the first in line %" PRIu64 ":\n  then: %s\n  now:  %s\n",
           replay->differing, replay->first_line, replay->logged, replay->found);
}

static int replay_file(const char *file)
{
    struct gr_error error = {""};
    char *bytes = NULL;
    size_t length = 0;
    struct gr_replay *replay = calloc(1, sizeof *replay);
    int status = replay ? gr_slurp(&bytes, &length, file, MOST_BYTES, &error) : GR_NO_MEMORY;
    if (status == GR_OK) {
        status = gr_eventlog_replay(replay, file, bytes, length, gr_zone_load, &error);
    }
    if (status == GR_OK) {
        print_result(file, replay);
    } else {
        fprintf(stderr, "granary replay: %s\n", error.text[0] ? error.text : "out of memory");
    }
    int exit_status = status != GR_OK ? 2 : replay->differing > 0 ? 1 : 0;
    free(bytes);
    free(replay);
    return exit_status;
}

int gr_tool_replay(int argc, char **argv)
{
    if (argc == 2 && strcmp(argv[1], "--help") == 0) {
        fputs(usage, stdout);
        return 0;
    }
    if (argc != 2) {
        fputs(usage, stderr);
        return 2;
    }
    return replay_file(argv[1]);
}
