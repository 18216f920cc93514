/* The planner's model once more, as a mixed-integer programme for GLPK. */
#ifndef GRANARY_TESTS_PLANNER_MILP_H
#define GRANARY_TESTS_PLANNER_MILP_H

#include "reference/planner_rules.h"

#include "granary/planner.h"

#include <glpk.h>

#include <math.h>
#include <stdbool.h>
#include <stddef.h>

/* Columns of one slot. */
enum {
    CHARGE,
    DISCHARGE,
    CURTAIL,
    IMPORT,
    EXPORT,
    OVER_IMPORT,
    OVER_EXPORT,
    STORED,
    SHORTFALL,
    MISSED,  /* of what is wanted */
    CHARGES, /* 1: charges, 0: discharges */
    IMPORTS, /* 1: imports, 0: exports */
    KEEPS,   /* 1: something is left after the standing loss */
    SLOT_COLUMNS
};

struct term {
    int column;
    double factor;
};

static inline void add_row(glp_prob *milp, int type, double low, double high, const struct term *terms,
                           int count)
{
    int columns[16];
    double factors[16];
    for (int i = 0; i < count; i++) {
        columns[i + 1] = terms[i].column;
        factors[i + 1] = terms[i].factor;
    }
    int row = glp_add_rows(milp, 1);
    glp_set_row_bnds(milp, row, type, low, high);
    glp_set_mat_row(milp, row, count, columns, factors);
}

static inline int add_column(glp_prob *milp, double high, double cost, bool binary)
{
    int column = glp_add_cols(milp, 1);
    glp_set_col_bnds(milp, column, high > 0 ? GLP_DB : GLP_FX, 0, high);
    glp_set_obj_coef(milp, column, cost);
    if (binary) {
        glp_set_col_kind(milp, column, GLP_BV);
    }
    return column;
}

/* Columns of slot t; the first one's number. */
static inline int add_slot_columns(glp_prob *milp, const struct gr_problem *problem, size_t t)
{
    const struct gr_battery *battery = &problem->battery;
    const struct slot_rules limits = rules_of(problem, t);
    double h = problem->hours[t], penalty = problem->penalty_per_kwh;
    double most_kw =
        problem->load_kw[t] + problem->solar_kw[t] + battery->charge_kw + battery->discharge_kw + 1;
    int first = add_column(milp, limits.charge_kw, 0, false);
    add_column(milp, limits.discharge_kw, h * battery->wear_per_kwh, false);
    add_column(milp, problem->curtailable ? problem->solar_kw[t] : 0, 0, false);
    add_column(milp, most_kw, h * limits.import_price, false);
    add_column(milp, most_kw, -h * problem->export_price[t], false);
    add_column(milp, most_kw, h * penalty, false);
    add_column(milp, most_kw, h * penalty, false);
    add_column(milp, battery->capacity_kwh, 0, false);
    add_column(milp, battery->capacity_kwh, penalty, false);
    add_column(milp, battery->capacity_kwh, problem->wanted_per_kwh, false);
    for (int i = 0; i < 3; i++) {
        add_column(milp, 1, 0, true);
    }
    return first;
}

static inline void add_meter_rows(glp_prob *milp, const struct gr_problem *problem, size_t t, int at)
{
    const struct gr_battery *battery = &problem->battery;
    const struct slot_rules limits = rules_of(problem, t);
    double most_kw =
        problem->load_kw[t] + problem->solar_kw[t] + battery->charge_kw + battery->discharge_kw + 1;
    double net_kw = problem->load_kw[t] - problem->solar_kw[t];
    add_row(
        milp, GLP_FX, net_kw, net_kw,
        (struct term[]){
            {at + IMPORT, 1}, {at + EXPORT, -1}, {at + CURTAIL, -1}, {at + CHARGE, -1}, {at + DISCHARGE, 1}},
        5);
    add_row(milp, GLP_UP, 0, 0, (struct term[]){{at + IMPORT, 1}, {at + IMPORTS, -most_kw}}, 2);
    add_row(milp, GLP_UP, 0, most_kw, (struct term[]){{at + EXPORT, 1}, {at + IMPORTS, most_kw}}, 2);
    add_row(milp, GLP_UP, 0, limits.import_limit_kw,
            (struct term[]){{at + IMPORT, 1}, {at + OVER_IMPORT, -1}}, 2);
    add_row(milp, GLP_UP, 0, limits.export_limit_kw,
            (struct term[]){{at + EXPORT, 1}, {at + OVER_EXPORT, -1}}, 2);
}

/* Stored energy: level = before + h (eta c - d / eta) >= 0, stored = max(0, level - loss). `before` is a
 * column, or 0 for the start. */
static inline void add_stored_rows(glp_prob *milp, const struct gr_problem *problem, size_t t, int at,
                                   int before)
{
    const struct gr_battery *battery = &problem->battery;
    const struct slot_rules limits = rules_of(problem, t);
    double h = problem->hours[t], loss = h * battery->standing_loss_kw;
    double in = h * battery->charge_efficiency, out = h / battery->discharge_efficiency;
    double start = before ? 0 : problem->start_kwh, room = battery->capacity_kwh + loss;
    int level = add_column(milp, room, 0, false);
    struct term flow[] = {{level, 1}, {at + CHARGE, -in}, {at + DISCHARGE, out}, {before, -1}};
    add_row(milp, GLP_FX, start, start, flow, before ? 4 : 3);
    add_row(milp, GLP_LO, -loss, 0, (struct term[]){{at + STORED, 1}, {level, -1}}, 2);
    add_row(milp, GLP_UP, 0, room - loss, (struct term[]){{at + STORED, 1}, {level, -1}, {at + KEEPS, room}},
            3);
    add_row(milp, GLP_UP, 0, 0, (struct term[]){{at + STORED, 1}, {at + KEEPS, -room}}, 2);
    add_row(milp, GLP_LO, problem->floor_kwh[t], 0, (struct term[]){{at + STORED, 1}, {at + SHORTFALL, 1}},
            2);
    add_row(milp, GLP_LO, limits.wanted_kwh, 0, (struct term[]){{at + STORED, 1}, {at + MISSED, 1}}, 2);
    add_row(milp, GLP_UP, 0, 0, (struct term[]){{at + CHARGE, 1}, {at + CHARGES, -battery->charge_kw}}, 2);
    add_row(milp, GLP_UP, 0, battery->discharge_kw,
            (struct term[]){{at + DISCHARGE, 1}, {at + CHARGES, battery->discharge_kw}}, 2);
}

/* End value: stored = sum of pieces filled from the left, piece i + 1 only once piece i is full. */
static inline void add_end(glp_prob *milp, const struct gr_problem *problem, int stored)
{
    struct term sum[16] = {{stored, 1}};
    int before = 0, pieces = 0;
    for (size_t i = 0; i + 1 < problem->end_points; i++) {
        double width = problem->end_kwh[i + 1] - problem->end_kwh[i];
        double slope = (problem->end_value[i + 1] - problem->end_value[i]) / width;
        int piece = add_column(milp, width, -slope, false), full = add_column(milp, 1, 0, true);
        add_row(milp, GLP_LO, 0, 0, (struct term[]){{piece, 1}, {full, -width}}, 2);
        if (before) {
            add_row(milp, GLP_UP, 0, 0, (struct term[]){{piece, 1}, {before, -width}}, 2);
        }
        sum[++pieces] = (struct term){piece, -1};
        before = full;
    }
    if (pieces > 0) {
        add_row(milp, GLP_FX, 0, 0, sum, pieces + 1);
        glp_set_obj_coef(milp, 0, -problem->end_value[0]);
    }
}

/* The optimum, proven by branch and bound; NAN where GLPK does not prove it within the time. End points, if
 * any, must reach from 0 to capacity. */
static inline double solve_with_glpk(const struct gr_problem *problem, int limit_ms)
{
    glp_prob *milp = glp_create_prob();
    glp_term_out(GLP_OFF);
    glp_set_obj_dir(milp, GLP_MIN);
    int stored = 0;
    for (size_t t = 0; t < problem->slots; t++) {
        int at = add_slot_columns(milp, problem, t);
        add_meter_rows(milp, problem, t, at);
        add_stored_rows(milp, problem, t, at, stored);
        stored = at + STORED;
    }
    add_end(milp, problem, stored);
    glp_iocp options;
    glp_init_iocp(&options);
    options.presolve = GLP_ON;
    options.tol_int = 1e-9;
    options.tol_obj = 1e-10;
    options.tm_lim = limit_ms;
    int rc = glp_intopt(milp, &options);
    bool proven = rc == 0 && glp_mip_status(milp) == GLP_OPT;
    double cost = proven ? glp_mip_obj_val(milp) : NAN;
    glp_delete_prob(milp);
    return cost;
}

#endif
