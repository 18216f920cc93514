#include "tool/check_live.h"
#include "tool/tool.h"

#include "config/form.h"
#include "granary/config.h"

#include <stdlib.h>
#include <string.h>

#define STANDARD_SECONDS 30
#define MOST_SECONDS 3600

static void print_usage(FILE *stream)
{
    fputs("Usage: granary check [--live] [--seconds N] CONFIG\n"
          "       granary check --keys\n\n"
          "Says everything that is wrong with a configuration, or what it means.\n\n"
          "  --live        then also connect to the broker and fetch the rates, and look at what comes: "
          "missing topics,\n"
          "                wrong units, wrong signs, tables that cannot be read. Nothing is published.\n"
          "  --seconds N   how long to wait for topics, 1 to 3600 (30)\n"
          "  --keys        list every key of the file with its unit, range and default\n\n"
          "Exit status: 0 all is well, 1 something that was looked at live is wrong, 2 the configuration or "
          "the call is wrong.\n",
          stream);
}

static void print_keys(void)
{
    for (const struct gr_group *group = gr_groups; group->path; group++) {
        printf("%s## %s\n\n%s\n\n| key | purpose | allowed | default |\n| --- | --- | --- | --- |\n",
               group == gr_groups ? "" : "\n", *group->path ? group->path : "top level", group->about);
        for (const struct gr_key *key = group->keys; key->name; key++) {
            char row[800];
            gr_key_row(key, row, sizeof row);
            puts(row);
        }
    }
}

struct arguments {
    bool live, keys, help;
    int seconds;
    const char *file;
};

static bool read_seconds(const char *text, int *out)
{
    char *end = NULL;
    long seconds = text ? strtol(text, &end, 10) : 0;
    if (!text || end == text || *end || seconds < 1 || seconds > MOST_SECONDS) {
        fprintf(stderr, "granary check: --seconds: found %s; allowed: 1 to %d\n", text ? text : "nothing",
                MOST_SECONDS);
        return false;
    }
    *out = (int)seconds;
    return true;
}

static bool read_arguments(int argc, char **argv, struct arguments *out)
{
    *out = (struct arguments){.seconds = STANDARD_SECONDS};
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--live") == 0) {
            out->live = true;
        } else if (strcmp(argv[i], "--keys") == 0) {
            out->keys = true;
        } else if (strcmp(argv[i], "--help") == 0) {
            out->help = true;
        } else if (strcmp(argv[i], "--seconds") == 0) {
            if (!read_seconds(argv[++i], &out->seconds)) {
                return false;
            }
        } else if (argv[i][0] == '-' || out->file) {
            fprintf(stderr, "granary check: unexpected argument \"%s\"\n", argv[i]);
            return false;
        } else {
            out->file = argv[i];
        }
    }
    return out->help || out->keys || out->file;
}

static int refuse(const char *file, const struct gr_complaints *complaints, int code)
{
    gr_complaints_print(stderr, complaints);
    if (code == GR_NO_MEMORY) {
        fprintf(stderr, "granary check: out of memory\n");
    } else {
        fprintf(stderr, "%s: %zu mistake%s\n", file, complaints->count, complaints->count == 1 ? "" : "s");
    }
    return 2;
}

static int check_file(const struct arguments *arguments)
{
    struct gr_complaints complaints = {0};
    struct gr_config *config = calloc(1, sizeof *config);
    int code = config ? gr_config_read(config, arguments->file, &complaints) : GR_NO_MEMORY;
    int status = 0;
    if (code != GR_OK) {
        status = refuse(arguments->file, &complaints, code);
    } else {
        gr_config_print(stdout, config);
        if (arguments->live) {
            fflush(stdout);
            status = gr_check_live(config, arguments->seconds);
        }
    }
    gr_complaints_free(&complaints);
    free(config);
    return status;
}

int gr_tool_check(int argc, char **argv)
{
    struct arguments arguments;
    if (!read_arguments(argc, argv, &arguments)) {
        print_usage(stderr);
        return 2;
    }
    if (arguments.help) {
        print_usage(stdout);
        return 0;
    }
    if (arguments.keys) {
        print_keys();
        return 0;
    }
    return check_file(&arguments);
}
