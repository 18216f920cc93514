#include "tool/tool.h"

#include "config/json_text.h"

#include <stdio.h>
#include <string.h>

static const struct {
    const char *name;
    int (*run)(int argc, char **argv);
    const char *summary;
} subcommands[] = {
    {"check", gr_tool_check,
     "validate a configuration and say what it means; --live looks at broker and rates too"},
    {"discover", gr_tool_discover,
     "listen to a broker and propose which topics are the house's; writes a configuration to start from"},
    {"import", gr_tool_import, "load past usage of the house from a CSV file into the history"},
    {"override", gr_tool_override,
     "ask the running daemon for something else than the plan, for a while; see what is in force"},
    {"plan", gr_tool_plan, "print the plan for the next day and a half from the present rates"},
    {"solve", gr_tool_solve, "solve a planning problem given as JSON to its optimum"},
    {"simulate", gr_tool_simulate, "publish a simulated house that obeys the commands, and its bill"},
    {"backtest", gr_tool_backtest,
     "what past usage would have cost with other tariffs, strategies, batteries"},
    {"forecast", gr_tool_forecast,
     "forecast load and sun from past usage, or say how good that would have been"},
    {"replay", gr_tool_replay, "run the engine once more through what granaryd wrote down"},
};

static void print_usage(FILE *stream)
{
    fputs("Usage: granary SUBCOMMAND [ARGUMENT ...]\n\n", stream);
    for (size_t i = 0; i < sizeof subcommands / sizeof *subcommands; i++) {
        fprintf(stream, "  %-10s%s\n", subcommands[i].name, subcommands[i].summary);
    }
    fputs("\n`granary SUBCOMMAND --help` tells more.\n", stream);
}

int gr_tool_main(int argc, char **argv)
{
    gr_json_keep_reserve();
    if (argc < 2) {
        print_usage(stderr);
        return 2;
    }
    if (strcmp(argv[1], "--help") == 0 || strcmp(argv[1], "help") == 0) {
        print_usage(stdout);
        return 0;
    }
    if (strcmp(argv[1], "--version") == 0) {
        puts("granary " GRANARY_VERSION);
        return 0;
    }
    for (size_t i = 0; i < sizeof subcommands / sizeof *subcommands; i++) {
        if (strcmp(argv[1], subcommands[i].name) == 0) {
            return subcommands[i].run(argc - 1, argv + 1);
        }
    }
    fprintf(stderr, "granary: no subcommand \"%s\"\n\n", argv[1]);
    print_usage(stderr);
    return 2;
}
