/* The value function of a plan over paths: the mean of what each path would make of the stored energy. */
#include "planner/work.h"

#include "granary/error.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

void gr_paths_free(struct gr_paths *paths)
{
    free(paths->weight);
    free(paths->load_kw);
    free(paths->solar_kw);
    memset(paths, 0, sizeof *paths);
}

void gr_path_values_free(struct gr_path_values *values)
{
    for (size_t t = 0; values->value && t < values->slots; t++) {
        gr_value_free(&values->value[t]);
    }
    for (size_t t = 0; values->been_full && t < values->slots; t++) {
        gr_value_free(&values->been_full[t]);
    }
    free(values->value);
    free(values->been_full);
    memset(values, 0, sizeof *values);
}

/* The problem with the load and sun of one path. */
static struct gr_problem problem_of(const struct gr_problem *problem, const struct gr_paths *paths,
                                    size_t path)
{
    struct gr_problem out = *problem;
    out.load_kw = paths->load_kw + path * paths->slots;
    const double *solar_kw = paths->solar_kw + path * paths->slots;
    *(problem->dc_solar_kw ? &out.dc_solar_kw : &out.solar_kw) = solar_kw;
    return out;
}

static int check_paths(const struct gr_problem *problem, const struct gr_paths *paths, struct gr_error *error)
{
    if (paths->count == 0 || paths->slots != problem->slots) {
        return gr_error_set(error, GR_INVALID,
                            "found %zu paths of %zu slots, needed is at least one of %zu slots", paths->count,
                            paths->slots, problem->slots);
    }
    double sum = 0;
    for (size_t p = 0; p < paths->count; p++) {
        struct gr_problem one = problem_of(problem, paths, p);
        struct gr_error cause = {""};
        int rc = p == 0 ? gr_problem_check(&one, &cause) : gr_problem_check_course(&one, &cause);
        if (rc) {
            return gr_error_set(error, rc, "path %zu: %s", p, cause.text);
        }
        if (!(paths->weight[p] >= 0)) {
            return gr_error_set(error, GR_INVALID, "path %zu: found weight %g, allowed is 0 to 1", p,
                                paths->weight[p]);
        }
        sum += paths->weight[p];
    }
    if (!(fabs(sum - 1) <= 1e-6)) {
        return gr_error_set(error, GR_INVALID, "the weights of %zu paths add up to %.9g, not 1", paths->count,
                            sum);
    }
    return GR_OK;
}

/* Rows at the slots' ends 0 .. keep-1 stay, from row `first` on; the two at `spare` serve for the others in
 * turn. */
struct layout {
    size_t keep, first, spare;
};

static size_t row_at_end(const struct layout *layout, size_t t)
{
    return t < layout->keep ? layout->first + t : layout->spare + t % 2;
}

static int pass_back(struct gr_planner *planner, const struct gr_problem *problem,
                     const struct layout *layout)
{
    size_t begin = planner->store.count;
    int rc = gr_work_end(planner, problem, row_at_end(layout, problem->slots - 1));
    for (size_t t = problem->slots - 1; t > 0 && !rc; t--) {
        size_t next = row_at_end(layout, t), row = row_at_end(layout, t - 1);
        gr_slot_house(&planner->slots[t], problem->load_kw[t], gr_ac_solar_kw(problem, t),
                      gr_dc_solar_kw(problem, t));
        rc = gr_work_step(planner, problem, &planner->slots[t], t, row, next);
    }
    if (!rc) {
        gr_work_forget(planner, begin, layout->first, layout->keep);
    }
    return rc;
}

/* Adds a path's function at the end of slot t, as the slot before finds it: with what is short of full where
 * that is asked for there, and the lower of being full from here on and not being so yet. */
static int add_function(struct gr_planner *planner, const struct gr_problem *problem, size_t t, size_t row,
                        enum gr_full full, double weight)
{
    if (planner->layers == planner->kinds) {
        size_t index = gr_work_index(planner, row, gr_work_layer(planner, problem->first_kind, GR_NOT_FULL));
        return gr_sum_add(&planner->sum, gr_work_points(planner, index), planner->kept[index].count, weight);
    }
    const struct gr_slot end = {.hours = 0};
    int rc = gr_work_after_state(planner, problem, &end, t, row, problem->first_kind, full);
    return rc ? rc : gr_sum_add(&planner->sum, planner->after.at, planner->after.count, weight);
}

/* Mean over the paths of the functions at the end of slot t. */
static int take_mean(struct gr_planner *planner, const struct gr_problem *problem,
                     const struct gr_paths *paths, size_t keep, size_t t, enum gr_full full,
                     struct gr_value *out, double *error)
{
    struct gr_sum *sum = &planner->sum;
    double base = 0, over = 0, under = 0;
    int rc = GR_OK;
    gr_sum_clear(sum);
    for (size_t p = 0; p < paths->count && !rc; p++) {
        size_t row = p * keep + t;
        base += paths->weight[p] * planner->kept[gr_work_index(planner, row, 0)].base;
        rc = add_function(planner, problem, t, row, full, paths->weight[p]);
    }
    rc = rc ? rc : gr_sum_total(sum);
    rc = rc ? rc : gr_points_reserve(&planner->best, sum->carry.count);
    if (rc) {
        return rc;
    }
    struct gr_prune_rule rule = planner->rule;
    rule.most = SIZE_MAX;
    size_t count = gr_points_prune(planner->best.at, &sum->carry, &rule, &over, &under);
    *error = gr_max(over, under);
    planner->most_points = count > planner->most_points ? count : planner->most_points;
    return gr_value_of_points(out, planner->best.at, count, base);
}

/* The slots, which all paths share but for load and sun. */
static int make_slots(struct gr_planner *planner, const struct gr_problem *problem,
                      const struct gr_paths *paths)
{
    struct gr_problem first = problem_of(problem, paths, 0);
    if (problem->slots > planner->slots_room) {
        struct gr_slot *slots = problem->slots <= SIZE_MAX / sizeof *slots
                                    ? realloc(planner->slots, problem->slots * sizeof *slots)
                                    : NULL;
        if (!slots) {
            return GR_NO_MEMORY;
        }
        planner->slots = slots;
        planner->slots_room = problem->slots;
    }
    for (size_t t = 0; t < problem->slots; t++) {
        gr_slot_of(&planner->slots[t], &first, t);
    }
    return GR_OK;
}

/* The error of a mean is at most the mean of the errors, and what pruning the mean itself adds. */
static int plan_paths(struct gr_planner *planner, const struct gr_problem *problem,
                      const struct gr_paths *paths, size_t keep, struct gr_path_values *out)
{
    int rc = gr_work_begin(planner, problem, paths->count * keep + 2);
    double most = 0;
    rc = rc ? rc : make_slots(planner, problem, paths);
    for (size_t p = 0; p < paths->count && !rc; p++) {
        struct gr_problem one = problem_of(problem, paths, p);
        planner->over = planner->under = 0;
        rc = pass_back(planner, &one, &(struct layout){keep, p * keep, paths->count * keep});
        out->error += paths->weight[p] * gr_max(planner->over, planner->under);
    }
    for (size_t t = 0; t < keep && !rc; t++) {
        double error = 0, other_error = 0;
        rc = take_mean(planner, problem, paths, keep, t, GR_NOT_FULL, &out->value[t], &error);
        if (!rc && out->been_full) {
            rc = take_mean(planner, problem, paths, keep, t, GR_BEEN_FULL, &out->been_full[t], &other_error);
        }
        most = gr_max(most, gr_max(error, other_error));
    }
    out->error += most;
    out->most_points = planner->most_points;
    return rc ? rc : gr_work_finish(planner);
}

int gr_planner_path_values(struct gr_planner *planner, const struct gr_problem *problem,
                           const struct gr_paths *paths, size_t keep, struct gr_path_values *out,
                           struct gr_error *error)
{
    memset(out, 0, sizeof *out);
    int rc = check_paths(problem, paths, error);
    if (rc) {
        return rc;
    }
    if (keep == 0 || keep > problem->slots) {
        return gr_error_set(error, GR_INVALID, "found %zu slots to keep, allowed is 1 to %zu", keep,
                            problem->slots);
    }
    bool has_windows = problem->full_windows > 0;
    out->value = calloc(keep, sizeof *out->value);
    out->been_full = has_windows ? calloc(keep, sizeof *out->been_full) : NULL;
    out->slots = keep;
    rc = out->value && (out->been_full || !has_windows) ? plan_paths(planner, problem, paths, keep, out)
                                                        : GR_NO_MEMORY;
    if (rc) {
        gr_path_values_free(out);
        return gr_error_set(error, rc, "no memory for %zu paths of %zu slots", paths->count, paths->slots);
    }
    return GR_OK;
}
