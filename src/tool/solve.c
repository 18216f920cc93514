/* granary solve: a planning problem in, its optimum out. */
#include "config/json_text.h"
#include "tool/problem_json.h"
#include "tool/tool.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

enum way { PLAIN, TIMED, BRUTE };

static void print_help(FILE *stream)
{
    fputs(
        "Usage: granary solve [--time | --brute] FILE.json\n"
        "\n"
        "Solves the planning problem in FILE.json (- is the standard input) to its optimum and prints a "
        "JSON object:\n"
        "  cost                    of the whole problem, penalties in, end value out\n"
        "  peak_cost               of it, what is paid for the month's peak\n"
        "  command                 one word per slot: charge, export, rest, and where changes cost something "
        "also follow, store, serve\n"
        "  charge_kw, discharge_kw, curtail_kw, grid_kw, stored_kwh\n"
        "                          one entry per slot; stored_kwh at the slots' ends\n"
        "  marginal_value_per_kwh  worth of one more kWh stored at the slot's end\n"
        "  error_up, error_down    the true optimum lies from cost - error_down to cost + error_up\n"
        "  most_points             of the largest value function\n"
        "\n"
        "--brute prints two bounds on the optimum, cost_low and cost_high, by exhaustive search over 801 "
        "levels "
        "of stored energy: for tests, slow.\n"
        "\n"
        "--time adds milliseconds: the planner's own time, the least of 20 runs.\n"
        "\n"
        "The format of problems is written out in docs/planner.md. Exit status: 0 solved, 2 the file is "
        "not a problem.\n",
        stream);
}

static json_t *array_of(const double *values, size_t count)
{
    json_t *array = json_array();
    for (size_t i = 0; array && i < count; i++) {
        /* + 0.0 turns a negative zero into a plain one. */
        if (json_array_append_new(array, json_real(values[i] + 0.0)) != 0) {
            json_decref(array);
            array = NULL;
        }
    }
    return array;
}

static json_t *commands_of(const struct gr_plan *plan)
{
    json_t *array = json_array();
    for (size_t t = 0; array && t < plan->slots; t++) {
        if (json_array_append_new(array, json_string(gr_command_name(plan->kind[t]))) != 0) {
            json_decref(array);
            array = NULL;
        }
    }
    return array;
}

static json_t *plan_to_json(const struct gr_plan *plan)
{
    return json_pack("{s:f, s:f, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:f, s:f, s:i}", "cost", plan->cost,
                     "peak_cost", plan->peak_cost, "command", commands_of(plan), "charge_kw",
                     array_of(plan->charge_kw, plan->slots), "discharge_kw",
                     array_of(plan->discharge_kw, plan->slots), "curtail_kw",
                     array_of(plan->curtail_kw, plan->slots), "grid_kw", array_of(plan->grid_kw, plan->slots),
                     "stored_kwh", array_of(plan->stored_kwh, plan->slots), "marginal_value_per_kwh",
                     array_of(plan->marginal_value_per_kwh, plan->slots), "error_up", plan->error_up,
                     "error_down", plan->error_down, "most_points", (int)plan->most_points);
}

/* Milliseconds only where they were asked for: not below 0. */
static int print_plan(const struct gr_plan *plan, double ms)
{
    json_t *root = plan_to_json(plan);
    if (root && ms >= 0 && json_object_set_new(root, "milliseconds", json_real(ms)) != 0) {
        json_decref(root);
        root = NULL;
    }
    bool printed = gr_json_print(root, 0, stdout);
    json_decref(root);
    if (!printed) {
        fputs("granary solve: the plan cannot be written to the standard output\n", stderr);
    }
    return printed ? 0 : 1;
}

/* Levels of the exhaustive search: a second or so for a dozen slots. */
#define BRUTE_LEVELS 801

static int search_file(const struct gr_problem *problem, struct gr_error *error, int *status)
{
    double low = 0, high = 0;
    int rc = gr_brute_solve(problem, BRUTE_LEVELS, &low, &high, error);
    if (!rc && !(high < INFINITY)) {
        return gr_error_set(error, GR_INVALID,
                            "no level of the search's grid can be held: the battery's power is too small");
    }
    if (!rc) {
        printf("{\"cost_low\": %.12g, \"cost_high\": %.12g, \"levels\": %d}\n", low, high, BRUTE_LEVELS);
        *status = fflush(stdout) == 0 ? 0 : 1;
    }
    return rc;
}

static double clock_ms(void)
{
    struct timespec now;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return 1e3 * (double)now.tv_sec + 1e-6 * (double)now.tv_nsec;
}

/* The least of repeated runs: what the machine does besides only adds to it. */
static int time_plan(struct gr_planner *planner, const struct gr_problem *problem, struct gr_error *error,
                     double *least_ms)
{
    int rc = GR_OK;
    *least_ms = INFINITY;
    for (int i = 0; i < 20 && !rc; i++) {
        struct gr_plan plan;
        double start_ms = clock_ms();
        rc = gr_planner_solve(planner, problem, &plan, error);
        *least_ms = fmin(*least_ms, clock_ms() - start_ms);
        gr_plan_free(&plan);
    }
    return rc;
}

static int plan_file(const struct gr_problem *problem, bool timed, struct gr_error *error, int *status)
{
    struct gr_planner *planner = NULL;
    struct gr_plan plan = {.slots = 0};
    double ms = -1;
    int rc = gr_planner_create(&planner);
    if (rc) {
        return gr_error_set(error, rc, "no memory for a planner");
    }
    rc = timed ? time_plan(planner, problem, error, &ms) : GR_OK;
    rc = rc ? rc : gr_planner_solve(planner, problem, &plan, error);
    if (!rc) {
        *status = print_plan(&plan, ms);
    }
    gr_plan_free(&plan);
    gr_planner_free(planner);
    return rc;
}

static int solve_file(const char *path, enum way way)
{
    struct gr_error error = {""};
    struct gr_problem_file file = {.block = NULL};
    int status = 2;
    int rc = gr_problem_read_path(&file, path, &error);
    if (!rc) {
        rc = way == BRUTE ? search_file(&file.problem, &error, &status)
                          : plan_file(&file.problem, way == TIMED, &error, &status);
    }
    if (rc) {
        fprintf(stderr, "granary solve: %s\n", error.text);
    }
    gr_problem_file_free(&file);
    return rc == GR_NO_MEMORY ? 1 : status;
}

int gr_tool_solve(int argc, char **argv)
{
    if (argc == 2 && strcmp(argv[1], "--help") == 0) {
        print_help(stdout);
        return 0;
    }
    enum way way = argc < 2                          ? PLAIN
                   : strcmp(argv[1], "--brute") == 0 ? BRUTE
                   : strcmp(argv[1], "--time") == 0  ? TIMED
                                                     : PLAIN;
    int options = way == PLAIN ? 0 : 1;
    const char *path = argc == 2 + options ? argv[1 + options] : NULL;
    if (!path || (path[0] == '-' && path[1] != '\0')) {
        fputs("granary solve: one FILE.json (or -) is needed; `granary solve --help` tells more\n", stderr);
        return 2;
    }
    return solve_file(path, way);
}
