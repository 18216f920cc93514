/* `granary backtest`: what tariffs, strategies and batteries would have cost. */
#include "tool/backtest.h"

#include "config/json_text.h"
#include "tool/tool.h"

#include <errno.h>
#include <getopt.h>
#include <jansson.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char usage[] =
    "Usage: granary backtest CONFIG --usage FILE.csv [OPTION ...]\n\n"
    "Lives through past usage once more and says what it would have cost, for each tariff, strategy\n"
    "and battery. Site, battery, planning and safety are those of a granaryd configuration.\n\n"
    "  --usage FILE          load and sun of the past: columns start_utc, load_kwh, solar_kwh\n"
    "  --columns SPEC        other columns: start=NAME,load=NAME,solar=NAME,unit=kwh|wh|kw|w,\n"
    "                        times=start|end|local|local-end,separator=comma|semicolon|tab\n"
    "  --tariff FILE         a tariff file, may be given several times; else the configuration's rates\n"
    "  --strategy NAME|FILE  none, follow, night-fill, planned, foresight, or a strategy file; several\n"
    "                        times; all five by default\n"
    "  --battery-kwh A,B,C   sizes of battery; else the configured one\n"
    "  --battery-price A,B,C what a battery of each size costs: then it is said when it has paid for itself\n"
    "  --battery-price-per-kwh P  the same by the kWh of capacity\n"
    "  --from DATE, --to DATE  local dates, both included; usage before serves as history\n"
    "  --truth WHAT          let `planned` know load, solar, price (one or more, with commas)\n"
    "  --late-readings       let it see, at a decision, the powers of the slot before, not those at hand\n"
    "  --within-slot none|model  whether powers are steady inside a slot of the usage (none, the default)\n"
    "                        or jump by chance every 5 minutes (model); slower\n"
    "  --seed N              of that chance, 1 by default\n"
    "  --report FILE.html    write a report with charts, one file that needs nothing else\n"
    "  --csv FILE            write the months of every run\n"
    "  --json                print all as JSON\n\n"
    "docs/backtest.md says what is assumed. Exit status: 0 done, 1 the world refused, 2 a mistake in a\n"
    "file or the call.\n";

static int refuse_option(const char *option, const char *found, const char *expected)
{
    (void)fprintf(stderr, "granary backtest: --%s: found \"%s\", expected %s\n", option, found, expected);
    return GR_INVALID;
}

static int add_text(const char **list, size_t *count, const char *option, const char *value)
{
    if (*count == GR_BT_MOST) {
        return refuse_option(option, value, "at most 64 of them");
    }
    list[(*count)++] = value;
    return GR_OK;
}

/* Numbers with commas between them. */
static bool read_numbers(double *out, size_t *count, const char *text, double least, double most)
{
    const char *at = text;
    for (;;) {
        char *end;
        errno = 0;
        double number = strtod(at, &end);
        if (errno || end == at || (*end && *end != ',') || !(number >= least && number <= most) ||
            *count == GR_BT_MOST) {
            return false;
        }
        out[(*count)++] = number;
        if (!*end) {
            return true;
        }
        at = end + 1;
    }
}

static int read_sizes(struct gr_bt_options *options, const char *text)
{
    bool good = read_numbers(options->battery_kwh, &options->sizes, text, 0.5, 1000);
    for (size_t i = 0; good && i < options->sizes; i++) {
        for (size_t k = 0; good && k < i; k++) {
            good = options->battery_kwh[i] != options->battery_kwh[k];
        }
    }
    return good ? GR_OK
                : refuse_option("battery-kwh", text,
                                "up to 64 different numbers from 0.5 to 1000 kWh, with commas");
}

static int read_prices(struct gr_bt_options *options, const char *text)
{
    return read_numbers(options->battery_price, &options->battery_prices, text, 0.01, 1e7)
               ? GR_OK
               : refuse_option("battery-price", text, "a price above 0 for each size, with commas");
}

static int read_price_per_kwh(struct gr_bt_options *options, const char *text)
{
    size_t count = 0;
    double price[GR_BT_MOST];
    if (!read_numbers(price, &count, text, 0.01, 1e5) || count != 1) {
        return refuse_option("battery-price-per-kwh", text, "one price above 0");
    }
    options->battery_price_per_kwh = price[0];
    return GR_OK;
}

static int read_truth(struct gr_bt_options *options, const char *text)
{
    static const char *const words[] = {"load", "solar", "price"};
    bool *known[] = {&options->know_load, &options->know_solar, &options->know_price};
    for (const char *at = text;; at++) {
        size_t length = strcspn(at, ","), i = 0;
        while (i < 3 && (strlen(words[i]) != length || strncmp(words[i], at, length) != 0)) {
            i++;
        }
        if (i == 3) {
            return refuse_option("truth", text, "load, solar, price, with commas");
        }
        *known[i] = true;
        at += length;
        if (!*at) {
            return GR_OK;
        }
    }
}

static int read_within_slot(struct gr_bt_options *options, const char *text)
{
    options->within_slot = strcmp(text, "model") == 0;
    return options->within_slot || strcmp(text, "none") == 0
               ? GR_OK
               : refuse_option("within-slot", text, "none or model");
}

static int read_seed(struct gr_bt_options *options, const char *text)
{
    char *end;
    errno = 0;
    options->seed = strtoull(text, &end, 10);
    return errno || end == text || *end || *text == '-' ? refuse_option("seed", text, "a whole number")
                                                        : GR_OK;
}

static int take_option(struct gr_bt_options *options, int option, const char *value)
{
    switch (option) {
    case 'u':
        options->usage_file = value;
        return GR_OK;
    case 'o':
        options->columns = value;
        return GR_OK;
    case 't':
        return add_text(options->tariff_file, &options->tariffs, "tariff", value);
    case 's':
        return add_text(options->strategy, &options->strategies, "strategy", value);
    case 'b':
        return read_sizes(options, value);
    case 'p':
        return read_prices(options, value);
    case 'q':
        return read_price_per_kwh(options, value);
    case 'm':
        options->report_file = value;
        return GR_OK;
    case 'f':
        options->from = value;
        return GR_OK;
    case 'e':
        options->to = value;
        return GR_OK;
    case 'k':
        return read_truth(options, value);
    case 'l':
        options->late_readings = true;
        return GR_OK;
    case 'w':
        return read_within_slot(options, value);
    case 'r':
        return read_seed(options, value);
    case 'c':
        options->csv_file = value;
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

static int read_arguments(struct gr_bt_options *options, int argc, char **argv)
{
    static const struct option known[] = {{"usage", required_argument, NULL, 'u'},
                                          {"columns", required_argument, NULL, 'o'},
                                          {"tariff", required_argument, NULL, 't'},
                                          {"strategy", required_argument, NULL, 's'},
                                          {"battery-kwh", required_argument, NULL, 'b'},
                                          {"battery-price", required_argument, NULL, 'p'},
                                          {"battery-price-per-kwh", required_argument, NULL, 'q'},
                                          {"report", required_argument, NULL, 'm'},
                                          {"from", required_argument, NULL, 'f'},
                                          {"to", required_argument, NULL, 'e'},
                                          {"truth", required_argument, NULL, 'k'},
                                          {"late-readings", no_argument, NULL, 'l'},
                                          {"within-slot", required_argument, NULL, 'w'},
                                          {"seed", required_argument, NULL, 'r'},
                                          {"csv", required_argument, NULL, 'c'},
                                          {"json", no_argument, NULL, 'j'},
                                          {"help", no_argument, NULL, 'h'},
                                          {NULL, 0, NULL, 0}};
    optind = 0; /* start afresh: this is not the program's first look at its arguments */
    for (int option; (option = getopt_long(argc, argv, "", known, NULL)) != -1;) {
        if (take_option(options, option, optarg) != GR_OK) {
            fputs("granary backtest: --help tells what there is\n", stderr);
            return GR_INVALID;
        }
    }
    if (!options->help && (argc - optind != 1 || !options->usage_file)) {
        fputs("granary backtest: one CONFIG and --usage FILE are needed; --help tells more\n", stderr);
        return GR_INVALID;
    }
    options->config_file = argv[optind];
    if (options->battery_prices > 0 && options->battery_price_per_kwh > 0) {
        fputs("granary backtest: either --battery-price or --battery-price-per-kwh, not both\n", stderr);
        return GR_INVALID;
    }
    return GR_OK;
}

static int print_json(const struct gr_bt_scene *scene, const struct gr_bt_runs *runs)
{
    json_t *root = gr_bt_to_json(scene, runs);
    bool printed = gr_json_print(root, JSON_INDENT(1) | JSON_REAL_PRECISION(9), stdout);
    json_decref(root);
    if (!printed) {
        fputs("granary backtest: the result cannot be written to the standard output\n", stderr);
    }
    return printed ? GR_OK : GR_IO;
}

static int publish(const struct gr_bt_options *options, const struct gr_bt_scene *scene,
                   const struct gr_bt_runs *runs)
{
    struct gr_error error = {""};
    if (options->csv_file && gr_bt_write_csv(options->csv_file, scene, runs, &error) != GR_OK) {
        (void)fprintf(stderr, "granary backtest: %s\n", error.text);
        return GR_IO;
    }
    if (options->report_file && gr_bt_write_report(options->report_file, scene, runs, &error) != GR_OK) {
        (void)fprintf(stderr, "granary backtest: %s\n", error.text);
        return GR_IO;
    }
    if (options->json) {
        return print_json(scene, runs);
    }
    gr_bt_print_table(stdout, scene, runs);
    return GR_OK;
}

/* Better now than after minutes of work. */
static int check_writable(const char *path)
{
    bool was_there = path && access(path, F_OK) == 0;
    FILE *file = path ? fopen(path, "a") : NULL;
    if (path && !file) {
        (void)fprintf(stderr, "granary backtest: %s: cannot be written: %s\n", path, strerror(errno));
        return GR_IO;
    }
    if (file) {
        (void)fclose(file);
        if (!was_there) {
            (void)remove(path);
        }
    }
    return GR_OK;
}

static int backtest(const struct gr_bt_options *options)
{
    struct gr_bt_scene *scene = calloc(1, sizeof *scene);
    struct gr_bt_runs runs = {0};
    int rc = scene ? gr_bt_scene_read(scene, options) : GR_NO_MEMORY;
    rc = rc ? rc : check_writable(options->csv_file);
    rc = rc ? rc : check_writable(options->report_file);
    if (rc == GR_OK) {
        rc = gr_bt_run_all(&runs, scene);
    }
    if (rc == GR_OK) {
        rc = publish(options, scene, &runs);
    }
    gr_bt_runs_free(&runs);
    if (scene) {
        gr_bt_scene_free(scene);
    }
    free(scene);
    return rc == GR_OK ? 0 : rc == GR_NO_MEMORY || rc == GR_IO ? 1 : 2;
}

int gr_tool_backtest(int argc, char **argv)
{
    struct gr_bt_options options = {.seed = 1};
    if (read_arguments(&options, argc, argv) != GR_OK) {
        return 2;
    }
    if (options.help) {
        fputs(usage, stdout);
        return 0;
    }
    return backtest(&options);
}
