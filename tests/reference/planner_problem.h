/* For tests of the planner: random problems of every awkward kind, and a judge that shares no code with the
 * planner. */
#ifndef GRANARY_TESTS_PLANNER_PROBLEM_H
#define GRANARY_TESTS_PLANNER_PROBLEM_H

#include "reference/planner_rules.h"

#include "granary/planner.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MOST_SLOTS 600
#define MOST_END_POINTS 4

/* A problem with room for its arrays. Not to be copied as a whole: the problem points into it. */
struct sample {
    struct gr_problem problem;
    double hours[MOST_SLOTS], load_kw[MOST_SLOTS], solar_kw[MOST_SLOTS], import_price[MOST_SLOTS],
        export_price[MOST_SLOTS], floor_kwh[MOST_SLOTS], end_kwh[MOST_END_POINTS], end_value[MOST_END_POINTS];
    bool may_export[MOST_SLOTS];
    double slot_import_limit_kw[MOST_SLOTS], slot_export_limit_kw[MOST_SLOTS], slot_charge_kw[MOST_SLOTS],
        slot_discharge_kw[MOST_SLOTS], wanted_kwh[MOST_SLOTS], carbon_kg_per_kwh[MOST_SLOTS];
};

static inline void tie_sample(struct sample *sample, size_t slots)
{
    sample->problem.slots = slots;
    sample->problem.hours = sample->hours;
    sample->problem.load_kw = sample->load_kw;
    sample->problem.solar_kw = sample->solar_kw;
    sample->problem.import_price = sample->import_price;
    sample->problem.export_price = sample->export_price;
    sample->problem.floor_kwh = sample->floor_kwh;
    sample->problem.end_kwh = sample->end_kwh;
    sample->problem.end_value = sample->end_value;
}

/* The arrays that a problem may leave out, one by one. */
#define MOST_OPTIONAL 6

struct optional {
    const double **array; /* of the problem */
    double *room;         /* of the sample */
};

static inline void list_optional(struct optional list[MOST_OPTIONAL], struct sample *sample)
{
    struct gr_problem *problem = &sample->problem;
    const struct optional all[MOST_OPTIONAL] = {
        {&problem->slot_import_limit_kw, sample->slot_import_limit_kw},
        {&problem->slot_export_limit_kw, sample->slot_export_limit_kw},
        {&problem->slot_charge_kw, sample->slot_charge_kw},
        {&problem->slot_discharge_kw, sample->slot_discharge_kw},
        {&problem->wanted_kwh, sample->wanted_kwh},
        {&problem->carbon_kg_per_kwh, sample->carbon_kg_per_kwh},
    };
    memcpy(list, all, sizeof all);
}

static inline void copy_sample(struct sample *to, const struct sample *from)
{
    struct optional list[MOST_OPTIONAL];
    memcpy(to, from, sizeof *to);
    tie_sample(to, from->problem.slots);
    list_optional(list, to);
    for (size_t k = 0; k < MOST_OPTIONAL; k++) {
        *list[k].array = *list[k].array ? list[k].room : NULL;
    }
    to->problem.may_export = from->problem.may_export ? to->may_export : NULL;
}

/* The problem from slot `from` on, started at `start_kwh`. */
static inline struct gr_problem tail_of(const struct gr_problem *problem, size_t from, double start_kwh)
{
    struct gr_problem tail = *problem;
    const double **const arrays[] = {&tail.hours,
                                     &tail.load_kw,
                                     &tail.solar_kw,
                                     &tail.import_price,
                                     &tail.export_price,
                                     &tail.floor_kwh,
                                     &tail.slot_import_limit_kw,
                                     &tail.slot_export_limit_kw,
                                     &tail.slot_charge_kw,
                                     &tail.slot_discharge_kw,
                                     &tail.wanted_kwh,
                                     &tail.carbon_kg_per_kwh};
    for (size_t k = 0; k < sizeof arrays / sizeof *arrays; k++) {
        *arrays[k] = *arrays[k] ? *arrays[k] + from : NULL;
    }
    tail.may_export = tail.may_export ? tail.may_export + from : NULL;
    tail.slots -= from;
    tail.start_kwh = start_kwh;
    return tail;
}

/* Seed of a random test: GRANARY_TEST_SEED or the one given; printed, so that a failure can be run again. */
static inline uint64_t test_seed(uint64_t usual)
{
    const char *text = getenv("GRANARY_TEST_SEED");
    uint64_t seed = text ? strtoull(text, NULL, 10) : usual;
    printf("seed %llu (GRANARY_TEST_SEED sets another)\n", (unsigned long long)seed);
    return seed;
}

/* splitmix64 (Steele, Lea and Flood, OOPSLA 2014; constants from memory). */
static inline uint64_t next_random(uint64_t *state)
{
    uint64_t z = (*state += 0x9e3779b97f4a7c15U);
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9U;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebU;
    return z ^ (z >> 31);
}

static inline double uniform(uint64_t *state, double low, double high)
{
    return low + (high - low) * ((double)(next_random(state) >> 11) * 0x1p-53);
}

static inline bool chance(uint64_t *state, double share)
{
    return uniform(state, 0, 1) < share;
}

/* Rounded as people write numbers, so that ties and coinciding kinks are common. */
static inline double rounded(uint64_t *state, double low, double high, double step)
{
    return round(uniform(state, low, high) / step) * step;
}

static inline void draw_battery(struct gr_problem *problem, uint64_t *state)
{
    struct gr_battery *battery = &problem->battery;
    battery->capacity_kwh = chance(state, 0.05)  ? 0
                            : chance(state, 0.2) ? uniform(state, 0.01, 0.5)
                                                 : uniform(state, 2, 14);
    battery->charge_kw = chance(state, 0.07) ? 0 : chance(state, 0.1) ? 0.01 : rounded(state, 1, 7, 0.5);
    battery->discharge_kw = chance(state, 0.07) ? 0 : rounded(state, 1, 7, 0.5);
    battery->charge_efficiency = chance(state, 0.2) ? 1 : uniform(state, 0.7, 1);
    battery->discharge_efficiency = chance(state, 0.2) ? 1 : uniform(state, 0.7, 1);
    battery->standing_loss_kw = chance(state, 0.5) ? 0 : uniform(state, 0, 0.3);
    battery->wear_per_kwh = chance(state, 0.5) ? 0 : uniform(state, 0, 0.05);
}

static inline void draw_slots(struct sample *sample, uint64_t *state)
{
    bool wild = chance(state, 0.5), generous = chance(state, 0.3), irregular = chance(state, 0.3);
    double floor_kwh = chance(state, 0.5) ? 0 : uniform(state, 0, 0.4) * sample->problem.battery.capacity_kwh;
    for (size_t t = 0; t < sample->problem.slots; t++) {
        sample->hours[t] = irregular ? uniform(state, 0.05, 1.5) : 0.5;
        sample->load_kw[t] = rounded(state, 0, chance(state, 0.2) ? 9 : 2, 0.1);
        sample->solar_kw[t] = chance(state, 0.5) ? 0 : rounded(state, 0, 6, 0.1);
        sample->import_price[t] = rounded(state, wild ? -0.2 : 0.05, 0.45, 0.01);
        double gain = generous ? uniform(state, -0.2, 0.3) : -uniform(state, 0, 0.2);
        sample->export_price[t] = sample->import_price[t] + gain;
        sample->floor_kwh[t] = chance(state, 0.8) ? floor_kwh : 0;
    }
}

/* Worth nothing, or concave, or any four points. */
static inline void draw_end(struct sample *sample, uint64_t *state)
{
    double capacity_kwh = sample->problem.battery.capacity_kwh, slope = uniform(state, 0.1, 0.4);
    bool concave = chance(state, 0.6);
    if (capacity_kwh <= 0 || chance(state, 0.3)) {
        return;
    }
    sample->problem.end_points = MOST_END_POINTS;
    for (size_t i = 1; i < MOST_END_POINTS; i++) {
        double width_kwh = capacity_kwh / (MOST_END_POINTS - 1);
        sample->end_kwh[i] = i + 1 < MOST_END_POINTS ? (double)i * width_kwh : capacity_kwh;
        sample->end_value[i] = sample->end_value[i - 1] + slope * width_kwh;
        slope = concave ? slope * uniform(state, 0.1, 0.9) : uniform(state, 0, 0.4);
    }
}

static inline void draw_sample(struct sample *sample, uint64_t *state, size_t slots)
{
    memset(sample, 0, sizeof *sample);
    tie_sample(sample, slots);
    struct gr_problem *problem = &sample->problem;
    draw_battery(problem, state);
    problem->start_kwh = uniform(state, 0, chance(state, 0.3) ? 0.1 : 1) * problem->battery.capacity_kwh;
    problem->import_limit_kw = chance(state, 0.4) ? rounded(state, 0, 5, 0.5) : 20;
    problem->export_limit_kw = chance(state, 0.5) ? rounded(state, 0, 4, 0.5) : 20;
    problem->curtailable = chance(state, 0.5);
    problem->penalty_per_kwh = chance(state, 0.15) ? uniform(state, 0, 0.3) : 10;
    draw_slots(sample, state);
    draw_end(sample, state);
}

/* What a slot may say besides, each with one chance in two. */
static inline void draw_options(struct sample *sample, uint64_t *state)
{
    struct gr_problem *problem = &sample->problem;
    struct optional list[MOST_OPTIONAL];
    list_optional(list, sample);
    for (size_t k = 0; k < MOST_OPTIONAL; k++) {
        *list[k].array = chance(state, 0.5) ? list[k].room : NULL;
    }
    problem->may_export = chance(state, 0.5) ? sample->may_export : NULL;
    problem->wanted_per_kwh = chance(state, 0.3) ? 0.01 : rounded(state, 0, 0.4, 0.02);
    problem->carbon_price_per_kg = uniform(state, 0, 0.3);
    for (size_t t = 0; t < problem->slots; t++) {
        sample->may_export[t] = chance(state, 0.5);
        sample->slot_import_limit_kw[t] = chance(state, 0.2) ? 0 : rounded(state, 0, 8, 0.5);
        sample->slot_export_limit_kw[t] = chance(state, 0.2) ? 0 : rounded(state, 0, 8, 0.5);
        sample->slot_charge_kw[t] = chance(state, 0.1) ? 0 : rounded(state, 0, 7, 0.5);
        sample->slot_discharge_kw[t] = chance(state, 0.1) ? 0 : rounded(state, 0, 7, 0.5);
        sample->wanted_kwh[t] = chance(state, 0.7) ? 0 : uniform(state, 0, 1) * problem->battery.capacity_kwh;
        sample->carbon_kg_per_kwh[t] = rounded(state, 0, 0.6, 0.1);
    }
}

/* A power that tapers near one end, losses by power, wear by level, each with one chance in two. */
static inline void draw_curves(struct gr_battery_curves *curves, const struct gr_battery *battery,
                               uint64_t *state)
{
    double capacity_kwh = battery->capacity_kwh;
    memset(curves, 0, sizeof *curves);
    if (!(capacity_kwh > 0.01)) {
        return;
    }
    if (chance(state, 0.5)) {
        curves->charge_power = (struct gr_curve_points){
            3,
            {0.5 * capacity_kwh, uniform(state, 0.6, 0.9) * capacity_kwh, capacity_kwh},
            {5, uniform(state, 2, 5), uniform(state, 0.5, 2)}};
    }
    if (chance(state, 0.5)) {
        curves->discharge_power = (struct gr_curve_points){
            2, {0, uniform(state, 0.1, 0.5) * capacity_kwh}, {uniform(state, 0.5, 2), uniform(state, 2, 5)}};
    }
    if (chance(state, 0.5)) {
        double rest_kw = chance(state, 0.5) ? 0 : uniform(state, 0.01, 0.2);
        curves->charge_loss = (struct gr_curve_points){
            3, {0, 2, 6}, {rest_kw, rest_kw + uniform(state, 0, 0.2), rest_kw + uniform(state, 0.2, 0.8)}};
        curves->discharge_loss = (struct gr_curve_points){
            3, {0, 2, 6}, {rest_kw, rest_kw + uniform(state, 0, 0.2), rest_kw + uniform(state, 0.2, 0.8)}};
    }
    if (chance(state, 0.5)) {
        curves->wear_steps = (struct gr_curve_points){2,
                                                      {0, uniform(state, 0.1, 0.6) * capacity_kwh},
                                                      {uniform(state, 0.01, 0.1), uniform(state, 0, 0.03)}};
    }
}

/* Slots that double in length, in all of which export pays more than import: each doubles the kinks of the
 * exact value function. */
static inline void draw_growing(struct sample *sample, size_t slots)
{
    memset(sample, 0, sizeof *sample);
    tie_sample(sample, slots);
    sample->problem.battery = (struct gr_battery){8, 4, 4, 1, 1, 0, 0};
    sample->problem.import_limit_kw = sample->problem.export_limit_kw = 20;
    sample->problem.start_kwh = 1.2345;
    for (size_t t = 0; t < slots; t++) {
        sample->hours[t] = ldexp(1, (int)t + 1 - (int)slots);
        sample->import_price[t] = 0.2 + 0.001 * (double)(t % 3);
        sample->export_price[t] = 0.31 - 0.002 * (double)(t % 5);
    }
}

/* ---- the judge ---- */

struct verdict {
    double cost;
    char complaint[160]; /* empty where the plan can be carried out */
};

static inline double judge_end_value(const struct gr_problem *problem, double kwh)
{
    const double *x = problem->end_kwh, *v = problem->end_value;
    if (problem->end_points == 0) {
        return 0;
    }
    size_t last = problem->end_points - 1;
    double clamped = kwh < x[0] ? x[0] : kwh > x[last] ? x[last] : kwh;
    for (size_t i = 0; i < last; i++) {
        if (clamped <= x[i + 1]) {
            return v[i] + (v[i + 1] - v[i]) / (x[i + 1] - x[i]) * (clamped - x[i]);
        }
    }
    return v[last];
}

/* The rules of the model, one by one, from the arrays of the plan alone. */
static inline void judge_slot(struct verdict *verdict, const struct gr_problem *problem,
                              const struct gr_plan *plan, size_t t, double stored_kwh)
{
    const struct gr_battery *battery = &problem->battery;
    const struct slot_rules limits = rules_of(problem, t);
    const double slack = 1e-9;
    double h = problem->hours[t], c = plan->charge_kw[t], d = plan->discharge_kw[t], w = plan->curtail_kw[t];
    double level = stored_kwh + h * (battery->charge_efficiency * c - d / battery->discharge_efficiency);
    double end = level - h * battery->standing_loss_kw;
    end = end > 0 ? end : 0;
    double g = problem->load_kw[t] - problem->solar_kw[t] + w + c - d;
    const struct {
        bool broken;
        const char *rule;
    } rules[] = {
        {c < 0 || c > limits.charge_kw, "charge within the battery's power"},
        {d < 0 || d > limits.discharge_kw, "discharge within the battery's power"},
        {c > 0 && d > 0, "never charge and discharge at once"},
        {w < 0 || w > problem->solar_kw[t], "no more solar held back than there is"},
        {w > 0 && !problem->curtailable, "no solar held back where it may not be"},
        {level < -slack, "no more taken than was stored"},
        {end > battery->capacity_kwh + slack, "no more stored than fits"},
        {fabs(plan->stored_kwh[t] - end) > slack, "stored energy follows from the powers"},
        {fabs(plan->grid_kw[t] - g) > slack, "grid power follows from the powers"},
    };
    for (size_t i = 0; i < sizeof rules / sizeof *rules; i++) {
        if (rules[i].broken && !verdict->complaint[0]) {
            (void)snprintf(verdict->complaint, sizeof verdict->complaint, "slot %zu breaks: %s", t,
                           rules[i].rule);
        }
    }
    double over = g > limits.import_limit_kw ? g - limits.import_limit_kw : 0;
    double under = -g > limits.export_limit_kw ? -g - limits.export_limit_kw : 0;
    double shortfall = problem->floor_kwh[t] > end ? problem->floor_kwh[t] - end : 0;
    double missed = limits.wanted_kwh > end ? limits.wanted_kwh - end : 0;
    verdict->cost += h * (g > 0 ? limits.import_price * g : problem->export_price[t] * g);
    verdict->cost += problem->wanted_per_kwh * missed;
    verdict->cost += h * battery->wear_per_kwh * d;
    verdict->cost += problem->penalty_per_kwh * (h * over + h * under + shortfall);
}

static inline struct verdict judge(const struct gr_problem *problem, const struct gr_plan *plan)
{
    struct verdict verdict = {0, ""};
    double stored_kwh = problem->start_kwh;
    for (size_t t = 0; t < problem->slots; t++) {
        judge_slot(&verdict, problem, plan, t, stored_kwh);
        stored_kwh = plan->stored_kwh[t];
    }
    verdict.cost -= judge_end_value(problem, stored_kwh);
    return verdict;
}

#endif
