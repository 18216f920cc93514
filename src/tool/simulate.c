/* `granary simulate`: publishes a simulated house, obeys the commands, and accounts for what came of it. */
#include "tool/simulate.h"

#include "granary/bridge.h"
#include "granary/civil.h"
#include "tool/tool.h"

#include <errno.h>
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char usage[] =
    "Usage: granary simulate CONFIG --scene FILE [OPTION ...]\n\n"
    "Publishes a simulated house on the broker and topics of a granaryd configuration, obeys the commands "
    "that\n"
    "granaryd gives, and prints what it cost beside a battery that only follows the house and no battery at "
    "all.\n"
    "Only on a broker of this machine, and not beside a real house: other publishers of its topics are "
    "refused.\n\n"
    "  --scene FILE           the house, its weather and its prices (libconfig; see conf/demo/scene.conf)\n"
    "  --start TIME           local time of the first step, like 2026-03-10T00:00; else the scene's\n"
    "  --days N               how long, 1 by default; fractions are allowed\n"
    "  --speed N              simulated seconds per second; 0, the default: as fast as the daemon answers\n"
    "  --step-seconds N       10 to 120, 60 by default\n"
    "  --clock-topic TOPIC    where the clock is published, sim/clock by default\n"
    "  --rates-directory DIR  publish each day's prices there as import-YYYY-MM-DD.json and "
    "export-YYYY-MM-DD.json\n"
    "  --alone                no daemon keeps step with it; one that runs by the system's clock may watch\n"
    "  --json                 print the bills alone, as JSON\n";

/* ---- arguments ---- */

static bool read_count(const char *text, double least, double greatest, double *out)
{
    char *end;
    errno = 0;
    double number = strtod(text, &end);
    if (errno || end == text || *end || !(number >= least && number <= greatest)) {
        return false;
    }
    *out = number;
    return true;
}

static int refuse_option(const char *option, const char *found, const char *expected)
{
    fprintf(stderr, "granary simulate: --%s: found \"%s\", expected %s\n", option, found, expected);
    return GR_INVALID;
}

static int take_option(struct gr_sim_options *options, int option, const char *value)
{
    double step_s;
    switch (option) {
    case 's':
        options->scene_file = value;
        return GR_OK;
    case 'f':
        options->start = value;
        return GR_OK;
    case 'd':
        return read_count(value, 1e-3, 3660, &options->days) ? GR_OK
                                                             : refuse_option("days", value, "0.001 to 3660");
    case 'x':
        return read_count(value, 0, 1e6, &options->speed) ? GR_OK
                                                          : refuse_option("speed", value, "0 to 1000000");
    case 't':
        if (!read_count(value, 10, 120, &step_s) || step_s != floor(step_s)) {
            return refuse_option("step-seconds", value, "a whole number from 10 to 120");
        }
        options->step_s = (int)step_s;
        return GR_OK;
    case 'c':
        options->clock_topic = value;
        return gr_topic_check(value, false, NULL) == GR_OK
                   ? GR_OK
                   : refuse_option("clock-topic", value, "a topic without wildcards");
    case 'r':
        options->rates_directory = value;
        return GR_OK;
    case 'a':
        options->alone = true;
        return GR_OK;
    case 'j':
        options->json = true;
        return GR_OK;
    case 'h':
        options->help = true;
        return GR_OK;
    default:
        return GR_INVALID;
    }
}

static int read_arguments(struct gr_sim_options *options, int argc, char **argv)
{
    static const struct option known[] = {{"scene", required_argument, NULL, 's'},
                                          {"start", required_argument, NULL, 'f'},
                                          {"days", required_argument, NULL, 'd'},
                                          {"speed", required_argument, NULL, 'x'},
                                          {"step-seconds", required_argument, NULL, 't'},
                                          {"clock-topic", required_argument, NULL, 'c'},
                                          {"rates-directory", required_argument, NULL, 'r'},
                                          {"alone", no_argument, NULL, 'a'},
                                          {"json", no_argument, NULL, 'j'},
                                          {"help", no_argument, NULL, 'h'},
                                          {NULL, 0, NULL, 0}};
    *options = (struct gr_sim_options){.days = 1, .step_s = 60, .clock_topic = "sim/clock"};
    optind = 0; /* start afresh: this is not the program's first look at its arguments */
    for (int option; (option = getopt_long(argc, argv, "", known, NULL)) != -1;) {
        if (take_option(options, option, optarg) != GR_OK) {
            return GR_INVALID;
        }
    }
    if (!options->help && (argc - optind != 1 || !options->scene_file)) {
        fputs("granary simulate: one CONFIG and --scene FILE are needed; --help tells more\n", stderr);
        return GR_INVALID;
    }
    options->config_file = argv[optind];
    return GR_OK;
}

/* What one call works on. */
struct job {
    struct gr_sim_options options;
    struct gr_config config;
    struct gr_sim_scene scene;
    struct gr_zone *zone;
};

static int read_files(struct job *job)
{
    struct gr_complaints complaints = {0};
    struct gr_error error = {""};
    int result = gr_config_read(&job->config, job->options.config_file, &complaints);
    if (result == GR_OK) {
        result = gr_sim_scene_read(&job->scene, job->options.scene_file, &job->config, &complaints);
    }
    gr_complaints_print(stderr, &complaints);
    gr_complaints_free(&complaints);
    if (result == GR_OK) {
        result = gr_zone_load(&job->zone, job->config.engine.site.timezone, &error);
        fputs(error.text, stderr);
    }
    return result;
}

static int find_start(const struct job *job, int64_t *start_s)
{
    const char *text = job->options.start ? job->options.start : job->scene.start;
    int64_t local_s;
    if (gr_local_time_parse(&local_s, text, strlen(text)) != GR_OK) {
        return refuse_option("start", text, "a local time like 2026-03-10T00:00");
    }
    *start_s = gr_zone_utc_s(job->zone, local_s, 0);
    return GR_OK;
}

static int simulate(struct job *job)
{
    int64_t start_s = 0;
    int result = read_files(job);
    if (result == GR_OK) {
        result = find_start(job, &start_s);
    }
    if (result == GR_OK) {
        result = gr_sim_run(&job->options, &job->config, job->zone, &job->scene, start_s);
    }
    return result == GR_OK ? 0 : result == GR_INVALID ? 2 : 1;
}

int gr_tool_simulate(int argc, char **argv)
{
    struct job *job = calloc(1, sizeof *job);
    int status = 2;
    if (!job) {
        fputs("granary simulate: out of memory\n", stderr);
        return 1;
    }
    if (read_arguments(&job->options, argc, argv) == GR_OK) {
        if (job->options.help) {
            fputs(usage, stdout);
            status = 0;
        } else {
            status = simulate(job);
        }
    }
    gr_zone_free(job->zone);
    free(job);
    return status;
}
