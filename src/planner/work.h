/* The planner's work space and the passes over it. */
#ifndef GRANARY_PLANNER_WORK_H
#define GRANARY_PLANNER_WORK_H

#include "planner/points.h"
#include "planner/reach.h"
#include "planner/slot.h"
#include "planner/sum.h"

#include "granary/planner.h"

#include <stddef.h>

/* More points than any usual problem needs; only functions made to grow by every slot are thinned further. */
#define GR_MOST_POINTS 1000

/* Where a value function lies in the store of the work space. Values there are relative to the value at 0
 * kWh, which `base` holds, so that sums over many slots do not eat the digits. */
struct gr_kept {
    size_t first, count;
    double base;
    bool convex;
};

/* *out = a copy of the points, each value raised by `base`. */
int gr_value_of_points(struct gr_value *out, const struct gr_point *at, size_t count, double base);

struct gr_planner {
    struct gr_points store; /* all value functions kept, one behind the other */
    struct gr_kept *kept;   /* which function lies where */
    size_t kept_room;
    struct gr_slot
        *slots; /* of the problem; in a plan over paths with the load and sun of the path at hand */
    size_t slots_room;
    struct gr_points moves; /* cost of the slot by energy taken from the store */
    struct gr_points after; /* cost of what follows by energy in store before the standing loss */
    struct gr_points work[2], best, other;
    struct gr_sum sum;
    struct gr_prune_rule rule;
    double over, under; /* how far the functions may lie above and below the true ones by now */
    size_t most_points;

    /* A row of value functions belongs to one moment: one function, or one for each state that is known
     * besides what is stored (gr_work_layer). All of a row share one base. */
    size_t kinds, layers;
    double empty; /* of the row being kept: the value of its first function at 0 kWh */

    /* For what the basic model does not have. */
    struct gr_reach reach;
    struct gr_points wear;   /* of coming down from a level to 0 kWh */
    struct gr_points tilted; /* `after` less that wear */
    struct gr_points fuller; /* `after` of the state in which the battery has been full */
    struct gr_points part[GR_COMMAND_KINDS], least;
};

/* Whether the battery has been full in the present window. */
enum gr_full { GR_NOT_FULL, GR_BEEN_FULL };

/* Which of a row's functions: the command in force before, where changes cost something, and whether the
 * battery has been full, where that is asked for. */
static inline size_t gr_work_layer(const struct gr_planner *planner, enum gr_command_kind kind,
                                   enum gr_full full)
{
    size_t own = planner->kinds > 1 ? (size_t)kind : 0;
    return planner->layers > planner->kinds ? (size_t)full * planner->kinds + own : own;
}

static inline size_t gr_work_index(const struct gr_planner *planner, size_t row, size_t layer)
{
    return row * planner->layers + layer;
}

/* Sets tolerances and layers for a problem and empties the store; `rows` is how many will be kept at once. */
int gr_work_begin(struct gr_planner *planner, const struct gr_problem *problem, size_t rows);

/* planner->slots, from a problem. */
int gr_work_slots(struct gr_planner *planner, const struct gr_problem *problem);

/* Behind a plan. The scratch lists change places in every step: with equal room none has to grow when a plan
 * like this one is made again. */
int gr_work_finish(struct gr_planner *planner);

/* Prunes `function` into the store, as one of the functions of a row; layer 0 comes first. */
int gr_work_keep(struct gr_planner *planner, struct gr_points *function, size_t row, size_t layer,
                 double base);

/* The same for a row of one function that gr_points_merge has made, and thinned with that error. */
int gr_work_keep_merged(struct gr_planner *planner, struct gr_points *function, size_t row, double base,
                        double error);

/* Keeps minus the end value as a row. */
int gr_work_end(struct gr_planner *planner, const struct gr_problem *problem, size_t row);

/* Cost still to come at the start of slot t, from that at its end: keeps row `row`, made from row `next`.
 * `slot` is slot t. */
int gr_work_step(struct gr_planner *planner, const struct gr_problem *problem, const struct gr_slot *slot,
                 size_t t, size_t row, size_t next);

/* planner->after from a function: what is short of the wishes added, shifted by the standing loss, level
 * where all is lost. */
int gr_work_after(struct gr_planner *planner, const struct gr_slot *slot, size_t index);

/* The same of a whole row, for one state at the slot's start and the command `kind` in the slot. */
int gr_work_after_state(struct gr_planner *planner, const struct gr_problem *problem,
                        const struct gr_slot *slot, size_t t, size_t next, enum gr_command_kind kind,
                        enum gr_full full);

/* How the state changes at the end of slot t, by what is stored there; *penalty: money for what was short of
 * full, where the window's full moment is this one. */
enum gr_full gr_work_full_after(const struct gr_planner *planner, const struct gr_problem *problem, size_t t,
                                size_t next, enum gr_command_kind kind, enum gr_full full, double kwh,
                                double *penalty);

/* Whether the slot's windows, wear or state need more than the basic step. */
static inline bool gr_work_is_basic(const struct gr_planner *planner, const struct gr_slot *slot)
{
    return planner->layers == 1 && slot->charge_power.count == 0 && slot->discharge_power.count == 0 &&
           slot->wear_steps.count == 0 && slot->charge_loss.count == 0 && slot->discharge_loss.count == 0;
}

/* The moves of a slot that charge and those that discharge, both with resting; what lies between in
 * planner->moves are other ways to rest. */
struct gr_runs {
    struct gr_moves charge, discharge;
    size_t charge_end, discharge_begin; /* their points with no change */
};
struct gr_runs gr_work_runs(const struct gr_planner *planner);

/* Check load and solar alone, and the prices: what differs from path to path. */
int gr_problem_check_course(const struct gr_problem *problem, struct gr_error *error);
int gr_problem_check_prices(const struct gr_problem *problem, struct gr_error *error);

/* What a kWh may be worth in this problem: the measure for every tolerance. A penalty counts a hundredth, for
 * it is set high above any price so as never to be paid. */
double gr_problem_worth(const struct gr_problem *problem);

/* Value of what is stored at the end of the problem. */
double gr_problem_end_value(const struct gr_problem *problem, double kwh);

/* Forgets what the store holds from point `begin` on, apart from the `count` rows from `row` on, which were
 * kept last, the last of them first. */
void gr_work_forget(struct gr_planner *planner, size_t begin, size_t row, size_t count);

static inline const struct gr_point *gr_work_points(const struct gr_planner *planner, size_t index)
{
    return planner->store.at + planner->kept[index].first;
}

#endif
