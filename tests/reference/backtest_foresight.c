/* `foresight` against GLPK, which knows nothing of the planner: single weeks of made-up houses and of real
 * ones. The programme is written out in planner_milp.h; the bill is what the back-test itself makes of the
 * flows. */
#include "backtest_problem.h"
#include "check.h"
#include "config/slurp.h"
#include "planner_milp.h"

#include <time.h>

enum { WEEK = 168 };

/* No standing loss, which the relaxation cannot tell, and no price below 0, at which it would waste energy.
 */
static void make_up_week(struct made_up *it, int32_t step_s, bool tables, uint64_t seed)
{
    make_up(it, step_s, 7, tables, seed);
    it->config.site.battery.standing_loss_kw = 0;
    for (size_t i = 0; tables && i < it->tariff.import.source[0].table.count; i++) {
        it->tariff.import.source[0].table.rates[i].price_per_kwh += 0.12;
        it->tariff.export.source[0].table.rates[i].price_per_kwh += 0.05;
        it->tariff.export.source[0].table.rates[i].price_per_kwh =
            fmax(0, it->tariff.export.source[0].table.rates[i].price_per_kwh);
    }
}

static void solve_week(struct made_up *it, struct gr_backtest_result *result)
{
    struct gr_error error = {""};
    it->strategy = strategy_named("foresight");
    if (gr_backtest_run(result, &it->backtest, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
}

static bool both_ways(glp_prob *programme, int first, int one, int other)
{
    return glp_get_col_prim(programme, first + one) > 1e-7 &&
           glp_get_col_prim(programme, first + other) > 1e-7;
}

/* NAN where the relaxation does what the mixed-integer programme forbids. */
static double solve_relaxed(const struct gr_problem *problem)
{
    glp_prob *programme = glp_create_prob();
    int first[2 * WEEK], stored = 0;
    glp_term_out(GLP_OFF);
    glp_set_obj_dir(programme, GLP_MIN);
    for (size_t t = 0; t < problem->slots; t++) {
        first[t] = add_slot_columns(programme, problem, t);
        add_meter_rows(programme, problem, t, first[t]);
        add_stored_rows(programme, problem, t, first[t], stored);
        stored = first[t] + STORED;
        glp_set_col_bnds(programme, first[t] + KEEPS, GLP_FX, 1, 1); /* there is no standing loss here */
    }
    add_end(programme, problem, stored);
    glp_smcp options;
    glp_init_smcp(&options);
    options.presolve = GLP_ON;
    bool proven = glp_simplex(programme, &options) == 0 && glp_get_status(programme) == GLP_OPT;
    for (size_t t = 0; proven && t < problem->slots; t++) {
        proven = !both_ways(programme, first[t], CHARGE, DISCHARGE) &&
                 !both_ways(programme, first[t], IMPORT, EXPORT);
    }
    double cost = proven ? glp_get_obj_val(programme) : NAN;
    glp_delete_prob(programme);
    return cost;
}

/* The week as a problem of its own, put together from the result's inputs: hour by hour, which is what the
 * bill settles at once here. */
static double optimum_of(const struct made_up *it, const struct gr_backtest_result *result)
{
    struct course course = {.hours = {0}};
    double step_hours = it->usage.step_s / 3600.0;
    size_t slots = 0;
    for (size_t i = 0; i < result->step_count; i++) {
        const struct gr_backtest_step *step = &result->steps[i];
        double *hours = &course.hours[slots];
        if (!step->gap) {
            *hours += step_hours;
            course.load_kw[slots] += step->house_kw * step_hours;
            course.solar_kw[slots] += step->solar_kw * step_hours;
            course.import_price[slots] += step->import_price * step_hours;
            course.export_price[slots] += step->export_price * step_hours;
        }
        bool is_over = (step->start_s + it->usage.step_s) % 3600 == 0;
        if (is_over && *hours > 0) {
            course.load_kw[slots] /= *hours;
            course.solar_kw[slots] /= *hours;
            course.import_price[slots] /= *hours;
            course.export_price[slots++] /= *hours;
        }
    }
    struct gr_problem problem = course_problem(&course, slots, it, result);
    return solve_relaxed(&problem);
}

/* Returns whether GLPK proved the week. The back-test's total leaves out what was stored at the start. */
static bool compare_week(struct made_up *it, const char *what)
{
    struct gr_backtest_result result;
    solve_week(it, &result);
    double optimum =
        optimum_of(it, &result) + result.left_per_kwh * result.start_kwh + result.total.standing_charge;
    bool proven = !isnan(optimum);
    if (proven) {
        print_message("%s: foresight %.6f, GLPK %.6f\n", what, result.total_cost, optimum);
        assert_near(result.total_cost, optimum, 1e-5);
    } else {
        print_message("%s: not proven by the relaxation\n", what);
    }
    gr_backtest_result_free(&result);
    return proven;
}

static void foresight_costs_what_a_milp_solver_proves_on_made_up_weeks(void **state)
{
    (void)state;
    uint64_t seed = (uint64_t)time(NULL);
    int proven = 0;
    print_message("seed %llu\n", (unsigned long long)seed);
    for (int k = 0; k < 6; k++) {
        struct made_up it;
        make_up_week(&it, 3600, k % 2 == 0, seed + (uint64_t)k);
        it.usage.load_kw[40] = NAN;
        proven += compare_week(&it, k % 2 == 0 ? "tables" : "bands");
        forget(&it);
    }
    assert_true(proven >= 5);
}

static void foresight_costs_what_a_milp_solver_proves_under_hourly_settlement(void **state)
{
    (void)state;
    uint64_t seed = (uint64_t)time(NULL);
    int proven = 0;
    print_message("seed %llu\n", (unsigned long long)seed);
    for (int k = 0; k < 6; k++) {
        struct made_up it;
        make_up_week(&it, 1800, k % 2 == 0, seed + (uint64_t)k);
        it.tariff.settlement_minutes = 60;
        it.usage.load_kw[41] = NAN;
        proven += compare_week(&it, k % 2 == 0 ? "tables, half hours" : "bands, half hours");
        forget(&it);
    }
    assert_true(proven >= 5);
}

/* Hours of a plain file start_utc,load_kwh,solar_kwh from `skip` on. */
static bool read_week(struct gr_usage *usage, const char *path, size_t skip)
{
    char *text = NULL, *rest = NULL;
    size_t length = 0, line_number = 0, count = 0;
    if (gr_slurp(&text, &length, path, 64 * 1024 * 1024, NULL) != GR_OK) {
        return false;
    }
    for (char *line = strtok_r(text, "\n", &rest); line && count < WEEK; line = strtok_r(NULL, "\n", &rest)) {
        if (line_number++ > skip) {
            const char *load = strchr(line, ','), *solar = strchr(load + 1, ',');
            usage->load_kw[count] = strtod(load + 1, NULL);
            usage->solar_kw[count++] = strtod(solar + 1, NULL);
        }
    }
    free(text);
    return count == WEEK;
}

static void foresight_costs_what_a_milp_solver_proves_on_real_weeks(void **state)
{
    (void)state;
    static const char *const homes[] = {"home01", "home03", "home09"};
    int proven = 0;
    for (size_t k = 0; k < 6; k++) {
        char path[600];
        struct made_up it;
        make_up_week(&it, 3600, k % 2 == 0, k);
        (void)snprintf(path, sizeof path, GRANARY_SHARED_DIR "/data/households/fontana17/%s.csv",
                       homes[k % 3]);
        if (!read_week(&it.usage, path, 24 * (10 + 40 * k))) {
            forget(&it);
            print_message("no open data beside the checkout\n");
            skip();
        }
        proven += compare_week(&it, homes[k % 3]);
        forget(&it);
    }
    assert_true(proven >= 5);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(foresight_costs_what_a_milp_solver_proves_on_made_up_weeks),
        cmocka_unit_test(foresight_costs_what_a_milp_solver_proves_under_hourly_settlement),
        cmocka_unit_test(foresight_costs_what_a_milp_solver_proves_on_real_weeks),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
