/* Planning again takes no memory but the plan's own. The linker puts these counters before the library's
 * calls
 * (--wrap). */
#include "reference/planner_problem.h"

#include "granary/error.h"

#include <setjmp.h>
#include <stdarg.h>

#include <cmocka.h>

#define SLOTS 96
#define PATHS 5

static size_t taken;

void *__real_malloc(size_t size);
void *__real_calloc(size_t count, size_t size);
void *__real_realloc(void *block, size_t size);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t count, size_t size);
void *__wrap_realloc(void *block, size_t size);

void *__wrap_malloc(size_t size)
{
    taken++;
    return __real_malloc(size);
}

void *__wrap_calloc(size_t count, size_t size)
{
    taken++;
    return __real_calloc(count, size);
}

void *__wrap_realloc(void *block, size_t size)
{
    taken++;
    return __real_realloc(block, size);
}

/* Two blocks: the numbers and the commands. */
static void expect_only_the_plan(const struct gr_problem *problem)
{
    struct gr_planner *planner = NULL;
    assert_int_equal(gr_planner_create(&planner), GR_OK);
    for (int i = 0; i < 4; i++) {
        struct gr_plan plan;
        struct gr_error error = {""};
        taken = 0;
        assert_int_equal(gr_planner_solve(planner, problem, &plan, &error), GR_OK);
        if (i > 0) {
            assert_int_equal(taken, 2);
        }
        gr_plan_free(&plan);
    }
    gr_planner_free(planner);
}

static void a_plan_made_again_takes_no_memory_but_its_own(void **state)
{
    (void)state;
    static struct sample sample;
    uint64_t random = test_seed(31);
    for (int i = 0; i < 50; i++) {
        draw_sample(&sample, &random, SLOTS);
        expect_only_the_plan(&sample.problem);
    }
}

/* Two arrays for each function kept, and the list of them. */
static void values_on_paths_found_again_take_no_memory_but_their_own(void **state)
{
    (void)state;
    static struct sample sample;
    static double weight[PATHS], load_kw[PATHS * SLOTS], solar_kw[PATHS * SLOTS];
    uint64_t random = test_seed(32);
    struct gr_planner *planner = NULL;
    assert_int_equal(gr_planner_create(&planner), GR_OK);
    draw_sample(&sample, &random, SLOTS);
    for (size_t i = 0; i < PATHS * SLOTS; i++) {
        load_kw[i] = uniform(&random, 0, 3);
        solar_kw[i] = fmax(0, uniform(&random, -3, 4));
        weight[i % PATHS] = 1.0 / PATHS;
    }
    const struct gr_paths paths = {
        .count = PATHS, .slots = SLOTS, .weight = weight, .load_kw = load_kw, .solar_kw = solar_kw};
    for (int i = 0; i < 4; i++) {
        struct gr_path_values values;
        struct gr_error error = {""};
        taken = 0;
        assert_int_equal(gr_planner_path_values(planner, &sample.problem, &paths, 3, &values, &error), GR_OK);
        if (i > 1) {
            assert_int_equal(taken, 7);
        }
        assert_true(values.error >= 0 && values.error < 1e-9);
        gr_path_values_free(&values);
    }
    gr_planner_free(planner);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_plan_made_again_takes_no_memory_but_its_own),
        cmocka_unit_test(values_on_paths_found_again_take_no_memory_but_their_own),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
