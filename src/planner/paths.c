/* The value function of a plan over paths: the mean of what each path would make of the stored energy. */
#include "planner/work.h"

#include "granary/error.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* Of what a full battery is worth at the dearest price: a meeting's function may be so far off. */
static const double meeting_tolerance = 1e-5;

void gr_paths_free(struct gr_paths *paths)
{
    free(paths->weight);
    free(paths->load_kw);
    free(paths->solar_kw);
    free(paths->import_price);
    free(paths->export_price);
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
    out.import_price =
        paths->import_price ? paths->import_price + path * paths->slots : problem->import_price;
    out.export_price =
        paths->export_price ? paths->export_price + path * paths->slots : problem->export_price;
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
        rc = rc || !paths->import_price ? rc : gr_problem_check_prices(&one, &cause);
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

/* The row of a path's function at the end of slot t. */
static size_t row_at_end(const struct gr_paths *paths, size_t path, size_t t)
{
    return path * paths->slots + t;
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

/* planner->sum.carry = the mean over the paths of the functions at the end of slot t, each less its base;
 * *base: the mean of those. */
static int sum_up(struct gr_planner *planner, const struct gr_problem *problem, const struct gr_paths *paths,
                  size_t t, enum gr_full full, double *base)
{
    int rc = GR_OK;
    *base = 0;
    gr_sum_clear(&planner->sum);
    for (size_t p = 0; p < paths->count && !rc; p++) {
        size_t row = row_at_end(paths, p, t);
        *base += paths->weight[p] * planner->kept[gr_work_index(planner, row, 0)].base;
        rc = add_function(planner, problem, t, row, full, paths->weight[p]);
    }
    return rc ? rc : gr_sum_total(&planner->sum);
}

static int take_mean(struct gr_planner *planner, const struct gr_problem *problem,
                     const struct gr_paths *paths, size_t t, enum gr_full full, struct gr_value *out,
                     double *most)
{
    double base, over = 0, under = 0;
    int rc = sum_up(planner, problem, paths, t, full, &base);
    rc = rc ? rc : gr_points_reserve(&planner->best, planner->sum.carry.count);
    if (rc) {
        return rc;
    }
    struct gr_prune_rule rule = planner->rule;
    rule.most = SIZE_MAX;
    size_t count = gr_points_prune(planner->best.at, &planner->sum.carry, &rule, &over, &under);
    *most = gr_max(*most, gr_max(over, under));
    planner->most_points = count > planner->most_points ? count : planner->most_points;
    return gr_value_of_points(out, planner->best.at, count, base);
}

/* A pass of all paths from the end of slot `last` back to that of slot `first`: from row `next` all of them,
 * or from the problem's end. Rows of slots before `keep` stay, and the last one. */
struct stage {
    size_t last, first, keep;
    const size_t *next;
};

static int pass_back(struct gr_planner *planner, const struct gr_problem *problem,
                     const struct gr_paths *paths, size_t path, const struct stage *stage, size_t next)
{
    struct gr_problem one = problem_of(problem, paths, path);
    int rc = GR_OK;
    for (size_t t = stage->last; t > stage->first && !rc; t--) {
        size_t row = row_at_end(paths, path, t - 1);
        gr_slot_price(&planner->slots[t], &one, t);
        gr_slot_house(&planner->slots[t], one.load_kw[t], gr_ac_solar_kw(&one, t), gr_dc_solar_kw(&one, t));
        rc = gr_work_step(planner, &one, &planner->slots[t], t, row, next);
        next = row;
    }
    return rc;
}

static int pass_path(struct gr_planner *planner, const struct gr_problem *problem,
                     const struct gr_paths *paths, size_t path, const struct stage *stage)
{
    size_t begin = planner->store.count, end_row = row_at_end(paths, path, stage->last);
    size_t keep = stage->keep > stage->first ? stage->keep : stage->first + 1;
    size_t most = stage->next ? stage->last : stage->last + 1; /* the end's own row counts */
    int rc = stage->next ? GR_OK : gr_work_end(planner, problem, end_row);
    rc = rc ? rc : pass_back(planner, problem, paths, path, stage, stage->next ? *stage->next : end_row);
    if (!rc && most > stage->first) {
        keep = keep < most ? keep : most;
        gr_work_forget(planner, begin, row_at_end(paths, path, stage->first), keep - stage->first);
    }
    return rc;
}

/* The error of a mean is at most the mean of the errors. */
static int pass_all(struct gr_planner *planner, const struct gr_problem *problem,
                    const struct gr_paths *paths, const struct stage *stage, double *error)
{
    int rc = GR_OK;
    for (size_t p = 0; p < paths->count && !rc; p++) {
        planner->over = planner->under = 0;
        rc = pass_path(planner, problem, paths, p, stage);
        *error += paths->weight[p] * gr_max(planner->over, planner->under);
    }
    return rc;
}

/* Row `row` = the mean of what follows slot `t`, thinned: the bends of all paths together would make the rest
 * of the way many times as long. */
static int keep_meeting(struct gr_planner *planner, const struct gr_problem *problem,
                        const struct gr_paths *paths, size_t t, size_t row, double *error)
{
    const struct gr_prune_rule exact = planner->rule;
    double base;
    int rc = sum_up(planner, problem, paths, t, GR_NOT_FULL, &base);
    planner->over = planner->under = 0;
    planner->rule.tolerance = meeting_tolerance * problem->battery.capacity_kwh * gr_problem_worth(problem);
    rc = rc ? rc : gr_work_keep(planner, &planner->sum.carry, row, 0, base);
    planner->rule = exact;
    *error = gr_max(planner->over, planner->under);
    return rc;
}

static int plan_paths(struct gr_planner *planner, const struct gr_problem *problem,
                      const struct gr_paths *paths, size_t keep, struct gr_path_values *out)
{
    size_t last = paths->slots - 1, meeting_row = paths->count * paths->slots;
    int rc = gr_work_begin(planner, problem, meeting_row + 1);
    size_t meet = planner->layers == 1 && paths->meet <= last ? paths->meet : 0;
    double most = 0;
    struct gr_problem first = problem_of(problem, paths, 0);
    rc = rc ? rc : gr_work_slots(planner, &first); /* all paths share them but for load and sun, and prices */
    struct stage stage = {.last = last, .first = meet > 0 ? meet - 1 : 0, .keep = keep};
    rc = rc ? rc : pass_all(planner, problem, paths, &stage, &out->error);
    if (meet > 0 && !rc) {
        rc = keep_meeting(planner, problem, paths, meet - 1, meeting_row, &out->meeting_error);
        stage = (struct stage){.last = meet - 1, .first = 0, .keep = keep, .next = &meeting_row};
        rc = rc ? rc : pass_all(planner, problem, paths, &stage, &out->error);
    }
    for (size_t t = 0; t < keep && !rc; t++) {
        rc = take_mean(planner, problem, paths, t, GR_NOT_FULL, &out->value[t], &most);
        if (!rc && out->been_full) {
            rc = take_mean(planner, problem, paths, t, GR_BEEN_FULL, &out->been_full[t], &most);
        }
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
