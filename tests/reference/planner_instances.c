/* Planning problems with proven optima (tests/reference/instances; a mixed-integer programme solved by HiGHS
 * via scipy 1.10.1, gap 0, as each file says): every kind of tariff, grid and battery the planner is made
 * for. */
#include "reference/planner_problem.h"
#include "tool/problem_json.h"

#include "granary/error.h"

#include <dirent.h>
#include <setjmp.h>
#include <stdarg.h>

#include <cmocka.h>

#define INSTANCES GRANARY_SOURCE_DIR "/tests/reference/instances"
#define LEAST_INSTANCES 80

struct totals {
    int solved;
    double off, off_judge, off_bound;
};

static void check_instance(struct totals *totals, struct gr_planner *planner, const char *path)
{
    struct gr_error error = {""};
    struct gr_problem_file file;
    struct gr_plan plan;
    if (gr_problem_read_path(&file, path, &error) ||
        gr_planner_solve(planner, &file.problem, &plan, &error)) {
        fail_msg("%s", error.text);
        return;
    }
    assert_true(file.has_optimum);
    struct verdict verdict = judge(&file.problem, &plan);
    if (verdict.complaint[0]) {
        fail_msg("%s: %s", path, verdict.complaint);
    }
    double size = fabs(file.optimum_cost), off = fabs(plan.cost - file.optimum_cost) / size;
    double off_judge = fabs(verdict.cost - plan.cost) / size;
    if (off > 1e-6 || off_judge > 1e-9) {
        fail_msg("%s: cost %.12g, recomputed %.12g, optimum %.12g", path, plan.cost, verdict.cost,
                 file.optimum_cost);
    }
    assert_true(plan.error_up >= 0 && plan.error_down >= 0 &&
                plan.error_up + plan.error_down < 1e-9 * (1 + size));
    totals->off = fmax(totals->off, off);
    totals->off_judge = fmax(totals->off_judge, off_judge);
    totals->off_bound = fmax(totals->off_bound, plan.error_up + plan.error_down);
    totals->solved++;
    gr_plan_free(&plan);
    gr_problem_file_free(&file);
}

static void
every_published_problem_is_solved_to_its_proven_optimum_by_a_plan_that_can_be_carried_out(void **state)
{
    (void)state;
    struct totals totals = {0, 0, 0, 0};
    struct gr_planner *planner = NULL;
    assert_int_equal(gr_planner_create(&planner), GR_OK);
    DIR *folder = opendir(INSTANCES);
    assert_non_null(folder);
    for (const struct dirent *entry = readdir(folder); entry; entry = readdir(folder)) {
        if (strstr(entry->d_name, ".json")) {
            char path[1024];
            (void)snprintf(path, sizeof path, "%s/%s", INSTANCES, entry->d_name);
            check_instance(&totals, planner, path);
        }
    }
    (void)closedir(folder);
    gr_planner_free(planner);
    print_message(
        "%d problems; largest relative difference from the optimum %.1e, of the plan recomputed %.1e; "
        "widest bound on pruning %.1e\n",
        totals.solved, totals.off, totals.off_judge, totals.off_bound);
    assert_true(totals.solved >= LEAST_INSTANCES);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(
            every_published_problem_is_solved_to_its_proven_optimum_by_a_plan_that_can_be_carried_out),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
