#include "reference/planner_problem.h"

#include "failing/failing.h"
#include "failing/torture.h"
#include "granary/error.h"

#define SLOTS 5
#define PATHS 2

struct task {
    struct sample sample;
    struct gr_battery_curves curves;
    double dc_solar_kw[SLOTS], peak_kw[SLOTS], peak_per_kwh[SLOTS], soft_kw[SLOTS];
    size_t full_by, day[SLOTS];
    double seen_kw[2], step_kw[3], step_price[3];
    struct gr_peak peak;
    double cost, value; /* as found with memory enough */
};

static struct task tasks[PLANNING_PROBLEMS];
static double weight[PATHS], path_load_kw[PATHS * SLOTS], path_solar_kw[PATHS * SLOTS];
static const struct gr_paths paths = {
    .count = PATHS, .slots = SLOTS, .weight = weight, .load_kw = path_load_kw, .solar_kw = path_solar_kw};

static void draw_peak(struct task *task, uint64_t *random)
{
    static const double step_kw[] = {2, 4, 6}, step_price[] = {0.1, 0.2, 0.2};
    for (size_t t = 0; t < SLOTS; t++) {
        task->day[t] = t / 3;
    }
    memcpy(task->step_kw, step_kw, sizeof step_kw);
    memcpy(task->step_price, step_price, sizeof step_price);
    task->seen_kw[0] = 1;
    task->seen_kw[1] = uniform(random, 1, 3);
    task->peak =
        (struct gr_peak){.per_kw = 0.3, .mean_of = 2, .seen = 2, .seen_kw = task->seen_kw, .day = task->day};
    task->peak.steps = (struct gr_curve){3, task->step_kw, task->step_price};
    task->sample.problem.peak = &task->peak;
}

static void draw_inverter(struct task *task, uint64_t *random)
{
    for (size_t t = 0; t < SLOTS; t++) {
        task->dc_solar_kw[t] = fmax(0, uniform(random, -2, 4));
    }
    task->sample.problem.dc_solar_kw = task->dc_solar_kw;
    task->sample.problem.inverter = (struct gr_dc_inverter){4, 0.96, 0.95};
}

/* Three fifths of what a plan without a bound discharges. */
static void draw_bound(struct task *task, struct gr_planner *planner)
{
    struct gr_problem *problem = &task->sample.problem;
    struct gr_plan plan;
    double kwh = 0;
    if (gr_planner_solve(planner, problem, &plan, NULL) == GR_OK) {
        for (size_t t = 0; t < SLOTS; t++) {
            kwh += plan.discharge_kw[t] * problem->hours[t];
        }
        gr_plan_free(&plan);
    }
    problem->limits_discharge = true;
    problem->most_discharged_kwh = 0.6 * kwh;
}

static void draw_task(struct task *task, int kind, struct gr_planner *planner, uint64_t *random)
{
    struct gr_problem *problem = &task->sample.problem;
    do {
        draw_sample(&task->sample, random, SLOTS);
    } while (problem->battery.capacity_kwh < 1);
    draw_options(&task->sample, random);
    draw_curves(&task->curves, &problem->battery, random);
    gr_problem_take_curves(problem, &task->curves);
    if (kind % 2 == 0) {
        draw_inverter(task, random);
    }
    if (kind % 6 == 1) {
        problem->change_cost = 0.02;
    } else if (kind % 6 == 2) {
        task->full_by = SLOTS - 2;
        problem->full_windows = 1;
        problem->full_by = &task->full_by;
        problem->full_kwh = 0.9 * problem->battery.capacity_kwh;
    } else if (kind % 6 == 3) {
        draw_bound(task, planner);
    } else if (kind % 6 == 4) {
        draw_peak(task, random);
    } else if (kind % 6 == 5) {
        for (size_t t = 0; t < SLOTS; t++) {
            task->soft_kw[t] = uniform(random, 0, 4);
            task->peak_kw[t] = 3;
            task->peak_per_kwh[t] = 0.1;
        }
        problem->slot_import_soft_kw = task->soft_kw;
        problem->import_soft_per_kwh = 0.3;
        problem->slot_import_peak_per_kwh = task->peak_per_kwh;
        problem->slot_import_peak_kw = task->peak_kw;
    }
}

/* The same cost and the same value as with memory enough, or "no memory" and why. */
static void take(struct gr_planner *planner, struct task *task)
{
    struct gr_plan plan;
    struct gr_path_values values;
    struct gr_error error = {""};
    int status = gr_planner_solve(planner, &task->sample.problem, &plan, &error);
    if (status == GR_OK) {
        require(plan.cost == task->cost, "a plan costs what it did");
        gr_plan_free(&plan);
    } else {
        require(status == GR_NO_MEMORY && error.text[0] != '\0', "the planner says why");
    }
    if (task->sample.problem.limits_discharge || task->sample.problem.peak) {
        return;
    }
    status = gr_planner_path_values(planner, &task->sample.problem, &paths, SLOTS, &values, &error);
    if (status == GR_OK) {
        require(gr_value_at(&values.value[0], 1) == task->value, "stored energy is worth what it was");
        gr_path_values_free(&values);
    } else {
        require(status == GR_NO_MEMORY, "the planner says why on paths");
    }
}

static void learn(struct gr_planner *planner, struct task *task)
{
    struct gr_plan plan;
    struct gr_path_values values;
    struct gr_error error = {""};
    if (gr_planner_solve(planner, &task->sample.problem, &plan, &error) != GR_OK) {
        require(false, error.text);
        return;
    }
    task->cost = plan.cost;
    gr_plan_free(&plan);
    if (!task->sample.problem.limits_discharge && !task->sample.problem.peak &&
        gr_planner_path_values(planner, &task->sample.problem, &paths, SLOTS, &values, &error) == GR_OK) {
        task->value = gr_value_at(&values.value[0], 1);
        gr_path_values_free(&values);
    }
}

void planning_prepare(void)
{
    struct gr_planner *planner = NULL;
    uint64_t random = 20261127;
    for (size_t i = 0; i < (size_t)PATHS * SLOTS; i++) {
        path_load_kw[i] = uniform(&random, 0, 4);
        path_solar_kw[i] = fmax(0, uniform(&random, -2, 3));
    }
    for (size_t k = 0; k < PATHS; k++) {
        weight[k] = 1.0 / PATHS;
    }
    require(gr_planner_create(&planner) == GR_OK, "memory for a planner");
    for (int i = 0; planner && i < PLANNING_PROBLEMS; i++) {
        draw_task(&tasks[i], i, planner, &random);
        learn(planner, &tasks[i]);
    }
    gr_planner_free(planner);
}

/* The exhaustive search in a house of which it knows everything. */
static void search_all(void)
{
    const double one[] = {1, 1, 1}, price[] = {0.1, 0.3, 0.2}, none[] = {0, 0, 0};
    const struct gr_problem problem = {.slots = 3,
                                       .hours = one,
                                       .load_kw = one,
                                       .solar_kw = none,
                                       .import_price = price,
                                       .export_price = none,
                                       .floor_kwh = none,
                                       .battery = {4, 2, 2, 1, 1, 0, 0},
                                       .import_limit_kw = 9,
                                       .export_limit_kw = 9,
                                       .penalty_per_kwh = 9};
    struct gr_error error = {""};
    double low, high;
    int status = gr_brute_solve(&problem, 5, &low, &high, &error);
    require(status == GR_OK || error.text[0] != '\0', "the exhaustive search says why");
}

void planning_run(int number)
{
    struct gr_planner *planner = NULL;
    search_all();
    if (gr_planner_create(&planner) == GR_OK) {
        take(planner, &tasks[number]);
        (void)failing_end();
        take(planner, &tasks[number]); /* whatever became of its memory then */
        gr_planner_free(planner);
    }
}
