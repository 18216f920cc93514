/* `granary solve`: what it reads, prints and refuses. */
#include "tool/problem_json.h"
#include "tool/tool.h"

#include <jansson.h>

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#define BATTERY                                                                                              \
    "\"battery\": {\"capacity_kwh\": 10, \"floor_kwh\": [0, 0], \"start_kwh\": 0, \"charge_kw\": 5, "        \
    "\"discharge_kw\": 5, \"charge_efficiency\": 1, \"discharge_efficiency\": 1, \"standing_loss_kw\": 0, "  \
    "\"wear_per_kwh\": 0}"
#define GRID "\"grid\": {\"import_limit_kw\": 20, \"export_limit_kw\": 20, \"curtailable\": false}"
#define GRID_WITH(members)                                                                                   \
    "\"grid\": {\"import_limit_kw\": 20, \"export_limit_kw\": 20, \"curtailable\": false, " members "}"
#define END "\"end_value_per_kwh\": 0"
#define ARRAYS_BUT_LOAD                                                                                      \
    "\"hours\": [1, 1], \"solar_kw\": [0, 0], \"import_price\": [0.1, 0.3], \"export_price\": [0, 0]"
#define ARRAYS ARRAYS_BUT_LOAD ", \"load_kw\": [0, 4]"

static const char good[] = "{" ARRAYS ", " BATTERY ", " GRID ", " END "}";

static int read_text(struct gr_problem_file *out, const char *text, struct gr_error *error)
{
    FILE *stream = tmpfile();
    assert_non_null(stream);
    assert_true(fputs(text, stream) >= 0);
    rewind(stream);
    int rc = gr_problem_read(out, stream, "p.json", error);
    (void)fclose(stream);
    return rc;
}

static void a_good_file_is_read_as_written(void **state)
{
    (void)state;
    struct gr_problem_file file;
    struct gr_error error = {""};
    assert_int_equal(read_text(&file, good, &error), GR_OK);
    assert_int_equal(file.problem.slots, 2);
    assert_true(file.problem.load_kw[1] == 4 && file.problem.import_price[0] == 0.1);
    assert_true(file.problem.battery.discharge_kw == 5 && file.problem.export_limit_kw == 20);
    assert_true(file.problem.penalty_per_kwh == 10);
    assert_false(file.has_optimum);
    gr_problem_file_free(&file);
    gr_problem_file_free(&file);
}

static void end_points_and_an_optimum_are_read_and_other_members_are_left_alone(void **state)
{
    (void)state;
    struct gr_problem_file file;
    struct gr_error error = {""};
    assert_int_equal(read_text(&file,
                               "{" ARRAYS ", " BATTERY ", " GRID
                               ", \"end_value_points\": [[0, 0], [4, 1], [10, 1.5]], \"penalty_per_kwh\": 3, "
                               "\"optimum_cost\": -2, \"remark\": {\"by\": [null]}}",
                               &error),
                     GR_OK);
    assert_int_equal(file.problem.end_points, 3);
    assert_true(file.problem.end_kwh[1] == 4 && file.problem.end_value[2] == 1.5);
    assert_true(file.problem.penalty_per_kwh == 3 && file.has_optimum && file.optimum_cost == -2);
    gr_problem_file_free(&file);
}

static void limits_and_flags_may_be_one_for_all_slots_or_one_for_each(void **state)
{
    (void)state;
    struct gr_problem_file file;
    struct gr_error error = {""};
    static const char text[] =
        "{" ARRAYS ", \"battery\": {\"capacity_kwh\": 10, \"floor_kwh\": [0, 0], \"wanted_kwh\": [0, 8], "
        "\"wanted_per_kwh\": 0.5, \"start_kwh\": 0, \"charge_kw\": [3, 5], \"discharge_kw\": 4, "
        "\"charge_efficiency\": 1, \"discharge_efficiency\": 1, \"standing_loss_kw\": 0, \"wear_per_kwh\": "
        "0}, \"grid\": {\"import_limit_kw\": [9, 7], \"export_limit_kw\": [0, 2], \"curtailable\": true, "
        "\"may_export\": [false, true]}, " END
        ", \"carbon_kg_per_kwh\": [0.1, 0.3], \"carbon_price_per_kg\": 0.2}";
    assert_int_equal(read_text(&file, text, &error), GR_OK);
    const struct gr_problem *problem = &file.problem;
    assert_true(problem->battery.charge_kw == 5 && problem->slot_charge_kw[0] == 3);
    assert_true(problem->battery.discharge_kw == 4 && !problem->slot_discharge_kw);
    assert_true(problem->import_limit_kw == 9 && problem->slot_import_limit_kw[1] == 7);
    assert_true(problem->export_limit_kw == 2 && problem->slot_export_limit_kw[0] == 0);
    assert_true(!problem->may_export[0] && problem->may_export[1]);
    assert_true(problem->wanted_kwh[1] == 8 && problem->wanted_per_kwh == 0.5);
    assert_true(problem->carbon_kg_per_kwh[1] == 0.3 && problem->carbon_price_per_kg == 0.2);
    gr_problem_file_free(&file);
}

#define PEAK(members) "{" ARRAYS ", " BATTERY ", " GRID ", " END ", \"peak\": {" members "}}"

static void payment_for_the_peak_is_read_with_what_the_month_has_seen(void **state)
{
    (void)state;
    struct gr_problem_file file;
    struct gr_error error = {""};
    static const struct {
        const char *text, *message;
    } rows[] = {
        {PEAK("\"mean_of\": 0"), "p.json: peak.mean_of: found 0, allowed is a number of days"},
        {PEAK("\"day\": [0]"), "p.json: peak.day: found 1 entries, allowed is one per slot, 2"},
        {PEAK("\"day\": [0, -1]"), "p.json: peak.day, slot 1: found -1, allowed is a day, counted from 0"},
        {PEAK("\"day\": [0, 2]"), "p.json: peak.day, slot 1: found 2 after 0"},
        {PEAK("\"per_kw\": -1"), "p.json: peak.per_kw: found -1 per kW, allowed is 0 to"},
        {PEAK("\"steps\": [[1, 2], [2, 1]]"), "p.json: peak.steps, point 1: found 1 after 2"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_int_equal(read_text(&file, rows[i].text, &error), GR_INVALID);
        if (!strstr(error.text, rows[i].message)) {
            fail_msg("row %zu: %s", i, error.text);
        }
    }
    static const char text[] = PEAK("\"per_kw\": 4, \"mean_of\": 3, \"seen_kw\": [2, 5], \"day\": [0, 1]");
    assert_int_equal(read_text(&file, text, &error), GR_OK);
    const struct gr_peak *peak = file.problem.peak;
    assert_true(peak->per_kw == 4 && peak->mean_of == 3 && peak->seen == 2 && peak->seen_kw[1] == 5);
    assert_true(peak->day[0] == 0 && peak->day[1] == 1);
    gr_problem_file_free(&file);
}

static void a_bad_file_is_refused_with_file_member_slot_finding_and_range(void **state)
{
    (void)state;
    static const struct {
        const char *text, *message;
    } rows[] = {
        {"", "p.json: line 1, column 0: '[' or '{' expected near end of file, allowed is JSON"},
        {"{\"hours\": [1, 1}", "p.json: line 1, column 16: ']' expected near '}', allowed is JSON"},
        {"{\"hours\": [1], \"hours\": [2]}", "p.json: line 1, column 22: duplicate object key"},
        {"[1, 2]", "p.json: the whole: found [1,2], allowed is an object"},
        {"{}", "p.json: hours: found nothing, allowed is an array with one number per slot"},
        {"{\"hours\": []}", "p.json: hours: found [], allowed is an array with one number per slot"},
        {"{\"hours\": 24}", "p.json: hours: found 24, allowed is an array with one number per slot"},
        {"{" ARRAYS ", \"battery\": 5, " GRID ", " END "}", "p.json: battery: found 5, allowed is an object"},
        {"{" ARRAYS ", " BATTERY ", " END "}", "p.json: grid: found nothing, allowed is an object"},
        {"{" ARRAYS_BUT_LOAD ", " BATTERY ", " GRID ", " END "}",
         "p.json: load_kw: found nothing, allowed is an array"},
        {"{" ARRAYS_BUT_LOAD ", \"load_kw\": [1], " BATTERY ", " GRID ", " END "}",
         "p.json: load_kw: found 1 entries, allowed is one per slot, 2"},
        {"{" ARRAYS_BUT_LOAD ", \"load_kw\": [1, \"much\"], " BATTERY ", " GRID ", " END "}",
         "p.json: load_kw, slot 1: found \"much\", allowed is a number"},
        {"{" ARRAYS_BUT_LOAD ", \"load_kw\": [1, null], " BATTERY ", " GRID ", " END "}",
         "p.json: load_kw, slot 1: found null, allowed is a number"},
        {"{" ARRAYS_BUT_LOAD ", \"load_kw\": [1, -2], " BATTERY ", " GRID ", " END "}",
         "p.json: load_kw, slot 1: found -2 kW, allowed is 0 to 1e+09"},
        {"{" ARRAYS_BUT_LOAD ", \"load_kw\": [1, 1e300], " BATTERY ", " GRID ", " END "}",
         "p.json: load_kw, slot 1: found 1e+300 kW, allowed is 0 to 1e+09"},
        {"{" ARRAYS ", \"battery\": {\"floor_kwh\": [0, 0]}, " GRID ", " END "}",
         "p.json: battery.capacity_kwh: found nothing, allowed is a number"},
        {"{" ARRAYS ", " BATTERY ", \"grid\": {\"import_limit_kw\": 20, \"export_limit_kw\": 20}, " END "}",
         "p.json: grid.curtailable: found nothing, allowed is true or false"},
        {"{" ARRAYS ", " BATTERY ", \"grid\": {\"import_limit_kw\": \"20\", \"export_limit_kw\": 20}, " END
         "}",
         "p.json: grid.import_limit_kw: found \"20\", allowed is a number"},
        {"{" ARRAYS ", " BATTERY ", " GRID ", " END ", \"penalty_per_kwh\": []}",
         "p.json: penalty_per_kwh: found [], allowed is a number"},
        {"{" ARRAYS ", " BATTERY ", " GRID "}",
         "p.json: end_value_per_kwh: found nothing, allowed is a number"},
        {"{" ARRAYS ", " BATTERY ", " GRID ", " END ", \"end_value_points\": []}",
         "p.json: end_value_per_kwh: found 0, allowed is nothing where end_value_points is given"},
        {"{" ARRAYS ", " BATTERY ", " GRID ", \"end_value_points\": [[0, 0], [1]]}",
         "p.json: end_value_points, point 1: found [1], allowed is [kWh, value]"},
        {"{" ARRAYS ", " BATTERY ", " GRID ", \"end_value_points\": [[0, 0], [0, 1]]}",
         "p.json: end_value_points, point 1: found 0 kWh after 0 kWh, allowed is only to rise"},
        {"{" ARRAYS ", " BATTERY ", " GRID ", \"end_value_points\": {}}",
         "p.json: end_value_points: found {}, allowed is an array of points [kWh, value]"},
        {"{" ARRAYS ", " BATTERY ", \"grid\": {\"import_limit_kw\": [20], \"export_limit_kw\": 20}, " END "}",
         "p.json: grid.import_limit_kw: found 1 entries, allowed is one per slot, 2"},
        {"{" ARRAYS ", " BATTERY ", " GRID_WITH("\"may_export\": 1") ", " END "}",
         "p.json: grid.may_export: found 1, allowed is true, false or an array with one of them per slot"},
        {"{" ARRAYS ", " BATTERY ", " GRID_WITH("\"may_export\": [true, 0]") ", " END "}",
         "p.json: grid.may_export, slot 1: found 0, allowed is true or false"},
        {"{" ARRAYS ", " BATTERY ", " GRID ", " END ", \"carbon_kg_per_kwh\": [0.2, -1], "
         "\"carbon_price_per_kg\": 0.1}",
         "p.json: carbon_kg_per_kwh, slot 1: found -1 kg per kWh, allowed is 0 to 1e+09"},
        {"{" ARRAYS ", " BATTERY ", " GRID ", " END ", \"carbon_kg_per_kwh\": [0.2, 0.2]}",
         "p.json: carbon_price_per_kg: found nothing, allowed is a number"},
        {"{\"hours\": {\"a\": \"0123456789012345678901234567890123456789\"}}",
         "p.json: hours: found {\"a\":\"0123456789012345678901234567890123..., allowed is an array"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_problem_file file;
        struct gr_error error = {""};
        assert_int_equal(read_text(&file, rows[i].text, &error), GR_INVALID);
        assert_null(file.block);
        if (strncmp(error.text, rows[i].message, strlen(rows[i].message)) != 0 || strchr(error.text, '\n')) {
            fail_msg("row %zu: found \"%s\", expected \"%s\"", i, error.text, rows[i].message);
        }
    }
}

/* ---- the subcommand, with its streams caught ---- */

struct run {
    int status;
    char out[4096], err[1024];
};

static void read_back(FILE *stream, char *into, size_t size)
{
    rewind(stream);
    into[fread(into, 1, size - 1, stream)] = '\0';
    (void)fclose(stream);
}

static struct run run_solve(int argc, char **argv)
{
    struct run run = {0};
    FILE *out = tmpfile(), *err = tmpfile();
    assert_true(out && err);
    (void)fflush(stdout);
    (void)fflush(stderr);
    int kept_out = dup(STDOUT_FILENO), kept_err = dup(STDERR_FILENO);
    assert_true(dup2(fileno(out), STDOUT_FILENO) >= 0 && dup2(fileno(err), STDERR_FILENO) >= 0);
    run.status = gr_tool_solve(argc, argv);
    (void)fflush(stdout);
    (void)fflush(stderr);
    assert_true(dup2(kept_out, STDOUT_FILENO) >= 0 && dup2(kept_err, STDERR_FILENO) >= 0);
    (void)close(kept_out);
    (void)close(kept_err);
    read_back(out, run.out, sizeof run.out);
    read_back(err, run.err, sizeof run.err);
    return run;
}

static struct run run_on_text_with(const char *option, const char *text)
{
    char path[] = "/tmp/granary-solve-XXXXXX";
    int file = mkstemp(path);
    assert_true(file >= 0);
    assert_int_equal(write(file, text, strlen(text)), (ssize_t)strlen(text));
    (void)close(file);
    char word[sizeof path];
    (void)snprintf(word, sizeof word, "%s", option ? option : path);
    char *plain[] = {"solve", path, NULL}, *with[] = {"solve", word, path, NULL};
    struct run run = option ? run_solve(3, with) : run_solve(2, plain);
    (void)unlink(path);
    return run;
}

static struct run run_on_text(const char *text)
{
    return run_on_text_with(NULL, text);
}

static void the_plan_is_printed_as_one_json_object(void **state)
{
    (void)state;
    struct run run = run_on_text(good);
    assert_int_equal(run.status, 0);
    assert_string_equal(run.err, "");
    json_t *root = json_loads(run.out, JSON_REJECT_DUPLICATES, NULL);
    assert_true(json_is_object(root));
    assert_true(fabs(json_real_value(json_object_get(root, "cost")) - 0.4) < 1e-12);
    static const struct {
        const char *name;
        double first, second;
    } arrays[] = {{"charge_kw", 4, 0}, {"discharge_kw", 0, 4}, {"curtail_kw", 0, 0},
                  {"grid_kw", 4, 0},   {"stored_kwh", 4, 0},   {"marginal_value_per_kwh", 0, 0}};
    for (size_t i = 0; i < sizeof arrays / sizeof *arrays; i++) {
        const json_t *array = json_object_get(root, arrays[i].name);
        assert_int_equal(json_array_size(array), 2);
        assert_true(fabs(json_real_value(json_array_get(array, 0)) - arrays[i].first) < 1e-12);
        assert_true(fabs(json_real_value(json_array_get(array, 1)) - arrays[i].second) < 1e-12);
    }
    assert_true(json_is_real(json_object_get(root, "error_up")) &&
                json_is_real(json_object_get(root, "error_down")));
    json_decref(root);
}

static void an_exhaustive_search_prints_two_bounds_around_the_optimum(void **state)
{
    (void)state;
    struct run run = run_on_text_with("--brute", good);
    assert_int_equal(run.status, 0);
    json_t *root = json_loads(run.out, JSON_REJECT_DUPLICATES, NULL);
    double low = json_real_value(json_object_get(root, "cost_low"));
    double high = json_real_value(json_object_get(root, "cost_high"));
    assert_true(low <= 0.4 + 1e-9 && high >= 0.4 - 1e-6 && high - low < 0.05);
    json_decref(root);
    run = run_on_text_with("--brute", "{" ARRAYS ", " BATTERY ", " GRID ", " END ", \"change_cost\": 1}");
    assert_int_equal(run.status, 2);
    assert_non_null(strstr(run.err, "change_cost: an exhaustive search takes none"));
}

static void the_time_of_the_planner_alone_is_added_where_it_is_asked_for(void **state)
{
    (void)state;
    struct run run = run_on_text_with("--time", good);
    assert_int_equal(run.status, 0);
    json_t *root = json_loads(run.out, JSON_REJECT_DUPLICATES, NULL);
    assert_true(json_real_value(json_object_get(root, "milliseconds")) > 0);
    assert_true(fabs(json_real_value(json_object_get(root, "cost")) - 0.4) < 1e-12);
    json_decref(root);
    run = run_on_text(good);
    assert_null(strstr(run.out, "milliseconds"));
}

static void a_bad_file_ends_in_one_line_and_status_2(void **state)
{
    (void)state;
    struct run run = run_on_text("{\"hours\": [0.5, -1]}");
    assert_int_equal(run.status, 2);
    assert_string_equal(run.out, "");
    assert_ptr_equal(strchr(run.err, '\n'), run.err + strlen(run.err) - 1);
    char *missing[] = {"solve", "/tmp/there/is/no/such/problem.json", NULL};
    run = run_solve(2, missing);
    assert_int_equal(run.status, 2);
    assert_string_equal(
        run.err, "granary solve: /tmp/there/is/no/such/problem.json: cannot be opened: No such file or "
                 "directory\n");
}

static void a_folder_is_not_a_problem(void **state)
{
    (void)state;
    char *folder[] = {"solve", "/tmp", NULL};
    struct run run = run_solve(2, folder);
    assert_int_equal(run.status, 2);
    assert_ptr_equal(strchr(run.err, '\n'), run.err + strlen(run.err) - 1);
}

static void help_is_given_when_asked_for_and_a_wrong_call_is_refused(void **state)
{
    (void)state;
    char *help[] = {"solve", "--help", NULL}, *option[] = {"solve", "--fast", NULL},
         *nothing[] = {"solve", NULL};
    struct run run = run_solve(2, help);
    assert_int_equal(run.status, 0);
    assert_non_null(strstr(run.out, "Usage: granary solve [--time | --brute] FILE.json"));
    run = run_solve(2, option);
    assert_int_equal(run.status, 2);
    assert_non_null(strstr(run.err, "--help"));
    run = run_solve(1, nothing);
    assert_int_equal(run.status, 2);
    assert_string_equal(run.out, "");
}

/* The worked example of docs/planner.md: its file, solved from each kink of its V_0, costs what the text
 * says.
 */
static void the_example_of_the_documentation_costs_what_it_says(void **state)
{
    (void)state;
    static char text[200000];
    FILE *stream = fopen(GRANARY_SOURCE_DIR "/docs/planner.md", "r");
    assert_non_null(stream);
    text[fread(text, 1, sizeof text - 1, stream)] = '\0';
    (void)fclose(stream);
    const char *example = strstr(text, "## A small example");
    assert_non_null(example);
    char *json = strchr(example, '{'), *kinks = strstr(example, "V_0: ");
    assert_non_null(json);
    assert_non_null(kinks);
    *strstr(json, "\n\n") = '\0';
    struct gr_problem_file file;
    struct gr_error error = {""};
    if (read_text(&file, json, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
    struct gr_planner *planner = NULL;
    assert_int_equal(gr_planner_create(&planner), GR_OK);
    int count = 0;
    const char *end = strchr(kinks, '\n');
    for (const char *at = strchr(kinks, '('); at && at < end; at = strchr(at + 1, '(')) {
        struct gr_plan plan;
        double start_kwh, cost;
        assert_int_equal(sscanf(at, "(%lf, %lf)", &start_kwh, &cost), 2);
        file.problem.start_kwh = start_kwh;
        assert_int_equal(gr_planner_solve(planner, &file.problem, &plan, &error), GR_OK);
        assert_true(fabs(plan.cost - cost) < 1e-9);
        gr_plan_free(&plan);
        count++;
    }
    assert_int_equal(count, 4);
    gr_planner_free(planner);
    gr_problem_file_free(&file);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_good_file_is_read_as_written),
        cmocka_unit_test(end_points_and_an_optimum_are_read_and_other_members_are_left_alone),
        cmocka_unit_test(limits_and_flags_may_be_one_for_all_slots_or_one_for_each),
        cmocka_unit_test(payment_for_the_peak_is_read_with_what_the_month_has_seen),
        cmocka_unit_test(a_bad_file_is_refused_with_file_member_slot_finding_and_range),
        cmocka_unit_test(the_plan_is_printed_as_one_json_object),
        cmocka_unit_test(an_exhaustive_search_prints_two_bounds_around_the_optimum),
        cmocka_unit_test(the_time_of_the_planner_alone_is_added_where_it_is_asked_for),
        cmocka_unit_test(a_bad_file_ends_in_one_line_and_status_2),
        cmocka_unit_test(a_folder_is_not_a_problem),
        cmocka_unit_test(help_is_given_when_asked_for_and_a_wrong_call_is_refused),
        cmocka_unit_test(the_example_of_the_documentation_costs_what_it_says),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
