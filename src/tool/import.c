/* granary import: past usage of the house into the daemon's history. */
#include "tool/import.h"
#include "daemon/clock.h"
#include "tool/read_config.h"
#include "tool/tool.h"
#include "tool/usage_file.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double most_kw = 100;     /* beyond any house: a slip of the unit in single rows */
static const double most_slips = 0.05; /* a larger share is no slip but the wrong unit */

static void print_usage(FILE *stream)
{
    (void)fputs(
        "Usage: granary import [OPTIONS] CONFIG FILE.csv\n\n"
        "Loads past usage into the history from which the daemon and `granary plan` learn the house.\n"
        "Without options the columns are start_utc, load_kwh and solar_kwh (where it is there).\n\n"
        "  --start COLUMN        header name, or #n for the n-th column\n"
        "  --load COLUMN         what the house took, battery and car left out\n"
        "  --solar COLUMN        what the sun gave\n"
        "  --temperature COLUMN  outdoor, in degrees Celsius\n"
        "  --unit UNIT           of load and solar: kWh (default) or Wh in each step, kW or W\n"
        "  --local-time          times without an offset are the site's local time, not UTC\n"
        "  --end-stamps          the times are the ends of the steps\n"
        "  --separator C         between the columns; found by itself if it is , ; or a tab (\"tab\")\n"
        "  --car-inside          the load includes a car that charges at home: its blocks of steady power "
        "are taken "
        "out\n"
        "  --replace             overwrite what is known already\n"
        "  --dry-run             only say what is in the file\n",
        stream);
}

static int complain(const char *what, const char *wanted)
{
    (void)fprintf(stderr, "granary import: %s: %s\n", what, wanted);
    return 2;
}

/* ---- arguments ---- */

static int take_unit(struct gr_import *job, const char *text)
{
    static const char *const names[] = {
        [GR_USAGE_KWH] = "kWh", [GR_USAGE_WH] = "Wh", [GR_USAGE_KW] = "kW", [GR_USAGE_W] = "W"};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        if (strcmp(text, names[i]) == 0) {
            job->mapping.unit = (enum gr_usage_unit)i;
            return -1;
        }
    }
    return complain("--unit", "one of kWh, Wh, kW, W is wanted");
}

static int take_separator(struct gr_import *job, const char *text)
{
    job->mapping.separator = strcmp(text, "tab") == 0 ? '\t' : text[0];
    bool single = job->mapping.separator == '\t' || (text[0] != '\0' && text[1] == '\0');
    return single && !strchr("\"\r\n", job->mapping.separator)
               ? -1
               : complain("--separator", "one character or the word tab is wanted");
}

/* -1 where the option was taken with its text; -2 where there is no such option. */
static int take_texted(struct gr_import *job, const char *option, const char *text)
{
    const struct {
        const char *name;
        char *field;
    } columns[] = {{"--start", job->mapping.start},
                   {"--load", job->mapping.load},
                   {"--solar", job->mapping.solar},
                   {"--temperature", job->mapping.temperature}};
    for (size_t i = 0; i < sizeof columns / sizeof columns[0]; i++) {
        if (strcmp(option, columns[i].name) == 0) {
            int length = snprintf(columns[i].field, GR_FIELD_SIZE, "%s", text);
            return length > 0 && length < GR_FIELD_SIZE ? -1 : complain(option, "a column's name is wanted");
        }
    }
    if (strcmp(option, "--unit") == 0) {
        return take_unit(job, text);
    }
    return strcmp(option, "--separator") == 0 ? take_separator(job, text) : -2;
}

static bool take_flag(struct gr_import *job, const char *option)
{
    const struct {
        const char *name;
        bool *flag;
    } flags[] = {{"--local-time", &job->mapping.start_is_local},
                 {"--end-stamps", &job->mapping.start_is_end},
                 {"--car-inside", &job->car_inside},
                 {"--replace", &job->replace},
                 {"--dry-run", &job->dry_run}};
    for (size_t i = 0; i < sizeof flags / sizeof flags[0]; i++) {
        if (strcmp(option, flags[i].name) == 0) {
            *flags[i].flag = true;
            return true;
        }
    }
    return false;
}

static bool take_file(struct gr_import *job, const char *name)
{
    if (name[0] == '-' || job->usage_file) {
        return false;
    }
    if (job->config_file) {
        job->usage_file = name;
    } else {
        job->config_file = name;
    }
    return true;
}

int gr_import_arguments(struct gr_import *job, int argc, char **argv)
{
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--help") == 0) {
            print_usage(stdout);
            return 0;
        }
        if (take_flag(job, argv[i]) || take_file(job, argv[i])) {
            continue;
        }
        int status = i + 1 < argc ? take_texted(job, argv[i], argv[i + 1]) : -2;
        if (status == -2) {
            (void)fprintf(stderr, "granary import: \"%s\" is not understood here\n\n", argv[i]);
            print_usage(stderr);
        }
        if (status != -1) {
            return 2;
        }
        i++;
    }
    if (!job->usage_file) {
        print_usage(stderr);
        return 2;
    }
    return -1;
}

/* ---- reading ---- */

static size_t leave_out(const struct gr_usage *usage, double *values)
{
    size_t count = 0;
    for (size_t i = 0; values && i < usage->count; i++) {
        if (values[i] > most_kw) {
            values[i] = NAN;
            count++;
        }
    }
    return count;
}

static int read_usage(struct gr_import *job)
{
    struct gr_error error = {""};
    if (gr_zone_load(&job->zone, job->config->engine.site.timezone, &error) != GR_OK ||
        gr_usage_load(&job->usage, &job->mapping, job->zone, job->usage_file, &job->report, &error) !=
            GR_OK) {
        (void)fprintf(stderr, "granary import: %s\n", error.text);
        return 2;
    }
    job->left_out = leave_out(&job->usage, job->usage.load_kw) + leave_out(&job->usage, job->usage.solar_kw);
    if ((double)job->left_out > most_slips * (double)job->report.rows) {
        (void)fprintf(stderr,
                      "granary import: %s: %zu of %zu rows are above %.0f kW, expected the power of a house: "
                      "--unit says what the figures are%s%s\n",
                      job->usage_file, job->left_out, job->report.rows, most_kw,
                      job->report.remarks[0] ? "; " : "", job->report.remarks);
        return 2;
    }
    if (job->car_inside && gr_usage_take_car_out(&job->usage, &job->car, &error) != GR_OK) {
        (void)fprintf(stderr, "granary import: %s\n", error.text);
        return 1;
    }
    return 0;
}

int gr_tool_import(int argc, char **argv)
{
    struct gr_import job = {.mapping = gr_usage_default_mapping()};
    int status = gr_import_arguments(&job, argc, argv);
    if (status >= 0) {
        return status;
    }
    job.config = gr_tool_read_config(job.config_file);
    status = job.config ? 0 : 2;
    if (status == 0) {
        status = read_usage(&job);
    }
    if (status == 0) {
        gr_import_print(&job);
        status = gr_import_keep(&job, gr_clock_read().utc_s);
    }
    gr_usage_free(&job.usage);
    gr_zone_free(job.zone);
    free(job.config);
    return status;
}
