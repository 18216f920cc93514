/* The planner: an exact dynamic programme over piecewise-linear functions of stored energy.
 *
 * Model (docs/planner.md writes it out). Slot t of length h, with charge c, discharge d (never both), solar
 * held back w:
 *
 *     g  = load - solar + w + c - d                                          grid power
 *     y  = s + h (eta_c c - d / eta_d),  0 <= y                              stored before the standing loss
 *     s' = max(0, y - h sigma),  s' <= capacity                              stored at the slot's end
 *     cost = h (import max(g, 0) - export max(-g, 0)) + h wear d
 *            + penalty (h max(0, g - import_limit) + h max(0, -g - export_limit) + max(0, floor - s'))
 *
 * Minimised: the sum over the slots less the value of s at the end. Prices may have any sign and export may
 * pay more than import, so value functions are continuous and piecewise linear, but not convex. What a
 * problem may say besides is at the end of gr_problem. */
#ifndef GRANARY_PLANNER_H
#define GRANARY_PLANNER_H

#include "granary/command.h"
#include "granary/curve.h"
#include "granary/error.h"
#include "granary/site.h"

#include <stdbool.h>
#include <stddef.h>

/* Payment for the month's highest import: by the sum of the `mean_of` highest daily peaks of the month,
 * divided by `mean_of`. A day's peak is its greatest grid power, mean of a slot. What the plan adds to what
 * has been seen is in its cost. */
struct gr_peak {
    double per_kw;         /* money, >= 0 */
    struct gr_curve steps; /* or money above each kW, rising; nothing at or below the first */
    size_t mean_of;        /* at least 1 */
    size_t seen;           /* days of the month that are past, */
    const double *seen_kw; /* and their peaks, >= 0; a day begun counts as one of the plan's: its first slot's
                              import limit is not below what it has had */
    const size_t *day; /* per slot: which day of the plan it belongs to, 0 at first, rising by 1 at most */
};

/* All arrays have `slots` entries and stay the caller's. */
struct gr_problem {
    size_t slots;
    const double *hours;        /* > 0 */
    const double *load_kw;      /* >= 0; everything that draws from this meter, car included */
    const double *solar_kw;     /* >= 0, available, AC side; may be NULL where dc_solar_kw is given */
    const double *import_price; /* money per kWh */
    const double *export_price;
    const double *floor_kwh; /* wished least stored energy at the slot's end, 0 to capacity */
    struct gr_battery battery;
    double start_kwh; /* 0 to capacity, may lie below the floor */
    double import_limit_kw, export_limit_kw;
    bool curtailable;       /* whether solar may be held back */
    double penalty_per_kwh; /* for a kWh short of the floor and for a kWh beyond a limit */
    size_t end_points; /* value of what is left at the end: points, sorted by kWh, piecewise linear between,
                          flat */
    const double *end_kwh; /* outside; 0 points: worth nothing */
    const double *end_value;

    /* What may be given besides; NULL and 0 leave it out. Arrays have `slots` entries. */
    const bool *may_export; /* where false the battery does not feed the grid: it discharges at most
                               max(0, load - solar) */
    const double *slot_import_limit_kw, *slot_export_limit_kw; /* >= 0; the lower of the two limits holds */
    const double *slot_charge_kw, *slot_discharge_kw; /* >= 0, as in the cold; the lower of this and the
                                                         battery's holds */
    const double
        *wanted_kwh; /* stored energy wished for at the slot's end, 0 to capacity, apart from the floor */
    double wanted_per_kwh;           /* money for a kWh short of it */
    const double *carbon_kg_per_kwh; /* of a kWh imported, >= 0 */
    double carbon_price_per_kg;      /* money, added to the import price */
    const double *dc_solar_kw; /* >= 0; where given, the battery is DC-coupled: its powers, efficiencies and
                                  losses are those of its DC side, this much solar is available there, besides
                                  solar_kw on the AC side, and all goes through the inverter. What is above
                                  its limit is held back, curtailable or not */
    struct gr_dc_inverter inverter;
    struct gr_curve charge_power, discharge_power; /* greatest power (kW, > 0) by stored energy (kWh): near
                                                      full or empty it tapers. Between two points it is taken
                                                      as their logarithmic mean, so that the stretch is
                                                      passed in the time that the curve takes */
    struct gr_curve charge_loss, discharge_loss;   /* kW lost in conversion by power (kW, from 0); in place of
                                                      the efficiency. What goes into the store, and what is
                                                      taken from it, must not fall where the power rises. The
                                                      loss at 0 is paid as soon as there is any power */
    struct gr_curve wear_steps; /* money per kWh taken from the store, by stored energy: from each point up
                                   to the next, the first also below it; besides wear_per_kwh */
    double change_cost;         /* money for every change of command, 0 or more. The commands of a plan:
                                   `follow`, `store`, `serve` and `rest` as the table of docs/planner.md has
                                   them, `charge` at any power, `export` at any discharge */
    enum gr_command_kind first_kind;   /* the command in force when the plan begins */
    const double *slot_import_soft_kw; /* a second import limit, beyond which a kWh costs the next member more
                                          and a kW the one after it, however short the slot */
    double import_soft_per_kwh, import_soft_per_kw;
    const double *slot_import_peak_per_kwh; /* or NULL: how much more a kWh costs above the next member */
    const double *slot_import_peak_kw;
    const double *slot_least_kw, *slot_most_kw; /* or NULL: the battery's power (+ charges) is to lie between
                                                   them, infinite where there is no such range; a kWh that
                                                   the battery moves outside costs the next member */
    double outside_per_kwh;
    const struct gr_peak *peak; /* NULL: imports are not paid for by their peak */
    bool limits_discharge;      /* whether the next member holds */
    double most_discharged_kwh; /* over all slots: cycles times what a cycle gives */
    size_t full_windows; /* the battery should be full at the end of a slot at least once in each window ...*/
    const size_t *full_by; /* ... the last slots of which these are, strictly rising; the first begins with
                              slot 0, each other after the one before it */
    double full_kwh; /* what counts as full, 0 to capacity; a kWh short of it at the fullest moment chosen
                        costs the penalty */
};

/* Checks shapes, ranges and finiteness; the message names the member and slot. */
int gr_problem_check(const struct gr_problem *problem, struct gr_error *error);

/* A piecewise-linear function of stored energy on [kwh[0], kwh[count-1]], linear between points, in money. */
struct gr_value {
    size_t count;
    double *kwh;   /* strictly rising */
    double *value; /* cost still to come when that much is stored: falls where energy is worth something */
};

/* The two arrays are blocks of their own from malloc. */
void gr_value_free(struct gr_value *value);
/* Value at kwh, clamped to the domain. */
double gr_value_at(const struct gr_value *value, double kwh);
/* Worth of one more stored kWh: minus the slope just above `kwh` (just below it at the upper end). */
double gr_value_marginal(const struct gr_value *value, double kwh);
/* Weighted mean of functions on the same domain, exact (union of the points). The weights need not sum to 1.
 * *out is overwritten, to be freed. */
int gr_value_mean(struct gr_value *out, const struct gr_value *const *values, const double *weights,
                  size_t count);

/* Arrays of `slots` entries (stored_kwh and the marginal value at the slots' ends), owned by the plan. */
struct gr_plan {
    size_t slots;
    double cost; /* of the whole problem, penalties in, end value out */
    double *charge_kw, *discharge_kw, *curtail_kw, *grid_kw, *stored_kwh;
    enum gr_command_kind *kind; /* by the power alone, charge, export or rest, where changes cost nothing */
    double *marginal_value_per_kwh; /* of what is stored at the slot's end */
    double peak_cost;               /* of cost, what is paid for the month's peak */
    double error_up, error_down; /* bound on what pruning, and the search below a limit on cycles or a peak,
                                    left open: the true optimum lies in [cost - down, cost + up] */
    size_t most_points;          /* largest value function met */
};

void gr_plan_free(struct gr_plan *plan);

/* Work space; reused from plan to plan. One planner serves one thread at a time; there is no state outside
 * it. */
struct gr_planner;
int gr_planner_create(struct gr_planner **out);
void gr_planner_free(struct gr_planner *planner);

/* Solves the problem to its optimum. *plan is overwritten, to be freed. */
int gr_planner_solve(struct gr_planner *planner, const struct gr_problem *problem, struct gr_plan *plan,
                     struct gr_error *error);

/* Two bounds on the optimum of a small problem by exhaustive search over `levels` levels of stored energy:
 * for tests, slow, and apart from the piecewise-linear functions. *high is INFINITY where the grid has no
 * plan. GR_INVALID also for powers by level, wear steps, costs of changes, full charges, a bound on cycles
 * and peaks, which it does not know. */
int gr_brute_solve(const struct gr_problem *problem, size_t levels, double *low, double *high,
                   struct gr_error *error);

/* ---- planning on paths ---- */

/* Several possible courses of load and sun over the same slots, each with its weight. */
struct gr_paths {
    size_t count, slots;
    double *weight;   /* count entries, sum 1 */
    double *load_kw;  /* count * slots, path after path */
    double *solar_kw; /* the same shape */
    /* Prices of their own in place of the problem's, the same shape; NULL: none. */
    double *import_price, *export_price;
    /* From the start of this slot on nothing is remembered of which path it was: every path goes on as the
     * mean of them all. 0, or behind the last slot: nowhere. Not heeded with full windows or a cost of
     * changes. */
    size_t meet;
};

void gr_paths_free(struct gr_paths *paths);

/* Value functions of a plan over paths: value[t] is the mean over the paths of the cost still to come after
 * the end of slot t (value[slots-1] is minus the end value). Owned by the holder; free with
 * gr_path_values_free. */
struct gr_path_values {
    size_t slots;
    struct gr_value *value; /* as many as were kept; `slots` is their number. With full windows: of a battery
                               that has not been full in the present window; that it is at the end of slot t
                               counts */
    struct gr_value *been_full; /* the same once it has been full; NULL without windows */
    size_t most_points;
    double error; /* money: no value lies further than this above or below the true one because of pruning */
    double meeting_error; /* money: how much further because the paths' meeting is thinned */
};

void gr_path_values_free(struct gr_path_values *values);

/* Backward pass for every path (`problem`'s own load and solar are not read; where it has dc_solar_kw, the
 * paths' sun is in its place, and solar_kw holds for all) and their mean, at the end of slots 0 .. keep-1
 * (keep <= slots; the live policy needs one, a table of the plan needs all). */
int gr_planner_path_values(struct gr_planner *planner, const struct gr_problem *problem,
                           const struct gr_paths *paths, size_t keep, struct gr_path_values *out,
                           struct gr_error *error);

/* ---- the live policy: the best band for the slot at hand ---- */

/* What may happen until the end of the slot: samples of house load and sun with weights (one sample: what is
 * seen now). */
struct gr_outlook {
    double hours; /* left of the slot, > 0 */
    size_t samples;
    const double *house_kw; /* what the inverter's meter sees, solar not subtracted */
    const double *car_kw;   /* load on the grid side of that meter */
    const double *solar_kw;
    const double *weight; /* sum 1 */
    double import_price, export_price;
    double stored_kwh;
    double floor_kwh;            /* no command may discharge below; penalised as in the problem */
    const struct gr_value *next; /* cost still to come at the slot's end */
    struct gr_battery battery;   /* powers already cut to what the inverter can do at present */
    double import_limit_kw, export_limit_kw;
    bool curtailable;
    double penalty_per_kwh;
    double ready_for; /* money per hour: where charging now costs no more than this above the best choice, it
                         is preferred, at the greatest of the powers compared for which that holds: what will
                         be bought at this price anyway is better in hand. 0: no preference */
    double import_soft_kw, import_soft_per_kwh; /* a second import limit, and what a kWh beyond it costs more;
                                                   0 money: none */
    bool may_export;                            /* whether the battery may feed the grid by command */
    struct gr_curve charge_power, discharge_power, charge_loss, discharge_loss, wear_steps; /* as in the
                                                                                                problem */
    bool dc_coupled; /* the samples' sun is on the battery's side of the next member, as dc_solar_kw of the
                        problem is; `follow` keeps what the house draws at 0 by all that comes through it */
    struct gr_dc_inverter inverter;
};

/* The battery's curves, which stay where they are. */
void gr_problem_take_curves(struct gr_problem *problem, const struct gr_battery_curves *curves);
void gr_outlook_take_curves(struct gr_outlook *outlook, const struct gr_battery_curves *curves);

struct gr_choice {
    enum gr_command_kind kind;
    double power_kw; /* for charge and export, else 0; where the battery's power tapers, what to ask for so
                        that it comes to the best mean over the slot */
    double cost[GR_COMMAND_KINDS]; /* expected cost of the slot and all that follows, per kind at its best
                                      power; INFINITY where the kind is not allowed */
    double power_of[GR_COMMAND_KINDS];
    double end_kwh[GR_COMMAND_KINDS]; /* expected stored energy at the slot's end */
    double marginal_value_per_kwh;    /* of stored energy, at the slot's end under the chosen band */
};

/* Chooses the band of least expected cost; near-ties (1e-9) go to the earlier of follow, store, serve, rest,
 * charge, export. A band empties no further than the floor (or what is stored, if less) and fills no further
 * than capacity: inverters stop there. */
int gr_live_choose(struct gr_choice *out, const struct gr_outlook *outlook, struct gr_error *error);

/* What one band does to one sample over the outlook's time: mean battery and grid power, stored energy at the
 * end and the slot's own cost as in the problem, so penalties are in it: money to report comes from grid_kw.
 * Used by gr_live_choose, the plan table and the tests. */
struct gr_band_result {
    double battery_kw, grid_kw, curtail_kw, stored_kwh, cost;
    double wear_by_level; /* money, of the cost: what the wear steps say of the energy taken */
};
void gr_band_apply(struct gr_band_result *out, const struct gr_outlook *outlook, struct gr_band band,
                   double house_kw, double car_kw, double solar_kw);

#endif
