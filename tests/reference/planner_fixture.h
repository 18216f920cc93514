/* What the tests of the planner's properties share: a planner, random problems, and what they cost. */
#ifndef GRANARY_TESTS_PLANNER_FIXTURE_H
#define GRANARY_TESTS_PLANNER_FIXTURE_H

#include "reference/planner_problem.h"

#include "granary/error.h"

#include <setjmp.h>
#include <stdarg.h>

#include <cmocka.h>

struct fixture {
    struct gr_planner *planner;
    uint64_t random;
    struct sample sample, other; /* too large for the stack of every test */
};

static inline int set_up_with(void **state, uint64_t seed)
{
    struct fixture *fixture = calloc(1, sizeof *fixture);
    *state = fixture;
    fixture->random = test_seed(seed);
    return gr_planner_create(&fixture->planner);
}

static inline int tear_down(void **state)
{
    struct fixture *fixture = *state;
    gr_planner_free(fixture->planner);
    free(fixture);
    return 0;
}

static inline struct gr_plan solve(struct fixture *fixture, const struct gr_problem *problem)
{
    struct gr_plan plan;
    struct gr_error error = {""};
    if (gr_planner_solve(fixture->planner, problem, &plan, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
    return plan;
}

static inline double cost_of(struct fixture *fixture, const struct gr_problem *problem)
{
    struct gr_plan plan = solve(fixture, problem);
    double cost = plan.cost;
    gr_plan_free(&plan);
    return cost;
}

static inline double slack(double cost)
{
    return 1e-9 * (1 + fabs(cost));
}

/* Splits slot `at` of the sample in two. The first half has no floor or wish of its own: it would be a new
 * one. */
static inline void split_slot(struct sample *to, const struct sample *from, size_t at, double share)
{
    copy_sample(to, from);
    double *const arrays[] = {to->hours,
                              to->load_kw,
                              to->solar_kw,
                              to->import_price,
                              to->export_price,
                              to->floor_kwh,
                              to->slot_import_limit_kw,
                              to->slot_export_limit_kw,
                              to->slot_charge_kw,
                              to->slot_discharge_kw,
                              to->wanted_kwh,
                              to->carbon_kg_per_kwh};
    size_t rest = from->problem.slots - at;
    for (size_t k = 0; k < sizeof arrays / sizeof *arrays; k++) {
        memmove(arrays[k] + at + 1, arrays[k] + at, rest * sizeof(double));
    }
    memmove(to->may_export + at + 1, to->may_export + at, rest * sizeof(bool));
    to->hours[at] = share * from->hours[at];
    to->hours[at + 1] = from->hours[at] - to->hours[at];
    to->floor_kwh[at] = to->wanted_kwh[at] = 0;
    to->problem.slots++;
}

/* All prices but those of curves and changes. */
static inline void scale_money(struct sample *sample, double factor)
{
    for (size_t t = 0; t < sample->problem.slots; t++) {
        sample->import_price[t] *= factor;
        sample->export_price[t] *= factor;
    }
    for (size_t k = 0; k < sample->problem.end_points; k++) {
        sample->end_value[k] *= factor;
    }
    sample->problem.penalty_per_kwh *= factor;
    sample->problem.wanted_per_kwh *= factor;
    sample->problem.carbon_price_per_kg *= factor;
    sample->problem.battery.wear_per_kwh *= factor;
}

#endif
