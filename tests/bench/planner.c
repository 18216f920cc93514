/* How long the planner takes: run by hand (bench_planner), not by ctest. Times are medians of repeated runs,
 * in microseconds; the machine's other work shows in them. */
#include "reference/planner_milp.h"
#include "reference/planner_problem.h"
#include "tool/problem_json.h"

#include "granary/error.h"

#include <dirent.h>
#include <time.h>

#define INSTANCES GRANARY_SOURCE_DIR "/tests/reference/instances"
#define REPEATS 51
#define MOST_PATHS ((size_t)14)
#define DAYS_OF_SLOTS 48
#define GLPK_LIMIT_MS 20000

static double now_us(void)
{
    struct timespec now;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return 1e6 * (double)now.tv_sec + 1e-3 * (double)now.tv_nsec;
}

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double median(double *values, size_t count)
{
    qsort(values, count, sizeof *values, compare);
    return values[count / 2];
}

static _Noreturn void give_up(const struct gr_error *error)
{
    fprintf(stderr, "%s\n", error->text);
    exit(1);
}

struct timing {
    double us, cost;
    size_t most_points;
};

static struct timing time_solve(struct gr_planner *planner, const struct gr_problem *problem)
{
    double us[REPEATS];
    struct timing timing = {0, 0, 0};
    for (size_t i = 0; i < REPEATS; i++) {
        struct gr_plan plan;
        struct gr_error error = {""};
        double start = now_us();
        if (gr_planner_solve(planner, problem, &plan, &error)) {
            give_up(&error);
        }
        us[i] = now_us() - start;
        timing.cost = plan.cost;
        timing.most_points = plan.most_points;
        gr_plan_free(&plan);
    }
    timing.us = median(us, REPEATS);
    return timing;
}

/* ---- generated families ---- */

static const char *const families[] = {"flat", "night", "three bands", "volatile", "export dearer"};
#define FAMILIES (sizeof families / sizeof *families)

static void price_slot(struct sample *sample, size_t family, size_t t, uint64_t *random)
{
    size_t half_hour = t % DAYS_OF_SLOTS;
    bool night = half_hour < 10, evening = half_hour >= 32 && half_hour < 38;
    double import = 0.28, export = 0.10;
    switch (family) {
    case 1:
        import = night ? 0.09 : 0.30;
        export = 0.15;
        break;
    case 2:
        import = night ? 0.16 : evening ? 0.40 : 0.27;
        export = night ? 0.05 : evening ? 0.30 : 0.15;
        break;
    case 3:
        import = uniform(random, -0.05, 0.45);
        export = import - uniform(random, 0.01, 0.1);
        break;
    case 4:
        import = uniform(random, 0.1, 0.3);
        export = import + uniform(random, -0.05, 0.1);
        break;
    default:
        break;
    }
    sample->import_price[t] = import;
    sample->export_price[t] = export;
}

static void make_family(struct sample *sample, size_t family, size_t slots, uint64_t *random)
{
    memset(sample, 0, sizeof *sample);
    tie_sample(sample, slots);
    sample->problem.battery = (struct gr_battery){13.5, 6, 6, 0.95, 0.95, 0.02, 0.01};
    sample->problem.start_kwh = 5;
    sample->problem.import_limit_kw = 15;
    sample->problem.export_limit_kw = 5;
    sample->problem.curtailable = true;
    sample->problem.penalty_per_kwh = 10;
    for (size_t t = 0; t < slots; t++) {
        double angle = ((double)(t % DAYS_OF_SLOTS) - 24) / 24 * 3.14159265;
        sample->hours[t] = 0.5;
        sample->load_kw[t] = uniform(random, 0.2, chance(random, 0.15) ? 4 : 1);
        sample->solar_kw[t] = fmax(0, 4 * cos(angle)) * uniform(random, 0.3, 1);
        sample->floor_kwh[t] = 1.35;
        price_slot(sample, family, t, random);
    }
}

static void bench_families(struct gr_planner *planner)
{
    static const size_t slots[] = {96, 576};
    uint64_t random = 1;
    puts("generated families, half hours:        slots   median us   us per slot   most points");
    for (size_t k = 0; k < 2; k++) {
        for (size_t family = 0; family < FAMILIES; family++) {
            struct sample sample;
            make_family(&sample, family, slots[k], &random);
            struct timing timing = time_solve(planner, &sample.problem);
            printf("  %-36s %5zu  %10.1f  %12.2f  %12zu\n", families[family], slots[k], timing.us,
                   timing.us / (double)slots[k], timing.most_points);
        }
    }
    struct sample sample;
    draw_growing(&sample, 48);
    struct timing timing = time_solve(planner, &sample.problem);
    printf("  %-36s %5d  %10.1f  %12.2f  %12zu\n", "made to grow", 48, timing.us, timing.us / 48,
           timing.most_points);
}

/* ---- the problems with known optima ---- */

static void bench_instances(struct gr_planner *planner)
{
    double per_slot[200], whole[200];
    size_t count = 0, of_96 = 0, most_points = 0;
    DIR *folder = opendir(INSTANCES);
    for (const struct dirent *entry; folder && count < 200 && (entry = readdir(folder));) {
        char path[1024];
        struct gr_problem_file file;
        struct gr_error error = {""};
        (void)snprintf(path, sizeof path, "%s/%s", INSTANCES, entry->d_name);
        if (!strstr(entry->d_name, ".json")) {
            continue;
        }
        if (gr_problem_read_path(&file, path, &error)) {
            give_up(&error);
        }
        struct timing timing = time_solve(planner, &file.problem);
        per_slot[count++] = timing.us / (double)file.problem.slots;
        if (file.problem.slots == 96) {
            whole[of_96++] = timing.us;
        }
        most_points = timing.most_points > most_points ? timing.most_points : most_points;
        gr_problem_file_free(&file);
    }
    if (folder) {
        (void)closedir(folder);
    }
    if (count > 0 && of_96 > 0) {
        double middle = median(per_slot, count), middle_96 = median(whole, of_96);
        printf("\n%zu problems with known optima: median %.2f us per slot, worst %.2f; the %zu of 96 slots: "
               "median %.1f us, "
               "worst %.1f us; most points %zu\n",
               count, middle, per_slot[count - 1], of_96, middle_96, whole[of_96 - 1], most_points);
    }
}

/* ---- plans on paths and the live policy ---- */

static void draw_paths(double *load_kw, double *solar_kw, double *weight, size_t paths,
                       const struct gr_problem *problem, uint64_t *random)
{
    for (size_t p = 0; p < paths; p++) {
        double house = uniform(random, 0.5, 1.5), sun = uniform(random, 0.2, 1.3);
        weight[p] = 1.0 / (double)paths;
        for (size_t t = 0; t < problem->slots; t++) {
            load_kw[p * problem->slots + t] = problem->load_kw[t] * house * uniform(random, 0.6, 1.4);
            solar_kw[p * problem->slots + t] = problem->solar_kw[t] * sun;
        }
    }
}

static double time_paths(struct gr_planner *planner, const struct gr_problem *problem,
                         const struct gr_paths *paths, size_t keep, struct gr_path_values *out)
{
    double us[REPEATS];
    for (size_t i = 0; i < REPEATS; i++) {
        struct gr_error error = {""};
        gr_path_values_free(out);
        double start = now_us();
        if (gr_planner_path_values(planner, problem, paths, keep, out, &error)) {
            give_up(&error);
        }
        us[i] = now_us() - start;
    }
    return median(us, REPEATS);
}

/* A table of the plan: one live choice for every slot, every path a sample. */
static double time_table(const struct gr_problem *problem, const struct gr_paths *paths,
                         const struct gr_path_values *values)
{
    double us[REPEATS], house_kw[MOST_PATHS], car_kw[MOST_PATHS] = {0}, solar_kw[MOST_PATHS];
    for (size_t i = 0; i < REPEATS; i++) {
        double start = now_us();
        for (size_t t = 0; t < problem->slots; t++) {
            for (size_t p = 0; p < paths->count; p++) {
                house_kw[p] = paths->load_kw[p * paths->slots + t];
                solar_kw[p] = paths->solar_kw[p * paths->slots + t];
            }
            const struct gr_outlook outlook = {.hours = problem->hours[t],
                                               .samples = paths->count,
                                               .house_kw = house_kw,
                                               .car_kw = car_kw,
                                               .solar_kw = solar_kw,
                                               .weight = paths->weight,
                                               .import_price = problem->import_price[t],
                                               .export_price = problem->export_price[t],
                                               .stored_kwh = problem->start_kwh,
                                               .floor_kwh = problem->floor_kwh[t],
                                               .next = &values->value[t],
                                               .battery = problem->battery,
                                               .import_limit_kw = problem->import_limit_kw,
                                               .export_limit_kw = problem->export_limit_kw,
                                               .curtailable = problem->curtailable,
                                               .penalty_per_kwh = problem->penalty_per_kwh,
                                               .may_export = true};
            struct gr_choice choice;
            struct gr_error error = {""};
            if (gr_live_choose(&choice, &outlook, &error)) {
                give_up(&error);
            }
        }
        us[i] = now_us() - start;
    }
    return median(us, REPEATS);
}

/* A plan over bands is all functions and a table of choices. */
static void bench_paths(struct gr_planner *planner, size_t count)
{
    uint64_t random = 2;
    printf("\n%zu paths of 96 half hours:       one function us   all functions us   most points   96 live "
           "choices us   plan over bands us\n",
           count);
    for (size_t family = 0; family < FAMILIES; family++) {
        struct sample sample;
        double weight[MOST_PATHS], load_kw[MOST_PATHS * 96], solar_kw[MOST_PATHS * 96];
        make_family(&sample, family, 96, &random);
        draw_paths(load_kw, solar_kw, weight, count, &sample.problem, &random);
        struct gr_paths paths = {
            .count = count, .slots = 96, .weight = weight, .load_kw = load_kw, .solar_kw = solar_kw};
        struct gr_path_values one = {.slots = 0}, all = {.slots = 0};
        double one_us = time_paths(planner, &sample.problem, &paths, 1, &one);
        double all_us = time_paths(planner, &sample.problem, &paths, 96, &all);
        double table_us = time_table(&sample.problem, &paths, &all);
        printf("  %-30s %15.1f  %17.1f  %12zu  %19.1f  %19.1f\n", families[family], one_us, all_us,
               all.most_points, table_us, all_us + table_us);
        gr_path_values_free(&one);
        gr_path_values_free(&all);
    }
}

/* ---- against a mixed-integer programme ---- */

static void bench_glpk(struct gr_planner *planner)
{
    uint64_t random = 3;
    puts("\nagainst GLPK (branch and bound, 20 s at most):   slots   planner us      GLPK us        ratio   "
         "difference");
    for (size_t family = 0; family < FAMILIES; family++) {
        for (size_t slots = 12; slots <= 48; slots *= 2) {
            struct sample sample;
            make_family(&sample, family, slots, &random);
            struct timing timing = time_solve(planner, &sample.problem);
            double start = now_us(), optimum = solve_with_glpk(&sample.problem, GLPK_LIMIT_MS),
                   us = now_us() - start;
            printf("  %-44s %7zu  %11.1f  %11.0f  %10s%.0f", families[family], slots, timing.us, us,
                   isnan(optimum) ? "over " : "", us / timing.us);
            if (isnan(optimum)) {
                puts("   not proven");
            } else {
                printf("   %10.1e\n", fabs(timing.cost - optimum));
            }
        }
    }
}

int main(void)
{
    struct gr_planner *planner = NULL;
    if (gr_planner_create(&planner)) {
        return 1;
    }
    bench_families(planner);
    bench_instances(planner);
    bench_paths(planner, MOST_PATHS);
    bench_paths(planner, 5);
    bench_glpk(planner);
    gr_planner_free(planner);
    return 0;
}
