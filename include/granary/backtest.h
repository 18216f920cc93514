/* The back-test: a past period lived through once more under a tariff, a strategy and a battery, and its
 * bill.
 *
 * `planned` drives the very engine of the daemon. At each decision it is given what the daemon would have
 * known: the readings, the half hours that are over, and the price tables published by then. Every strategy
 * meets the same physics (gr_band_apply of planner.h); what a step cost is worked out from the flows alone.
 * Pure: no I/O, no clock, no thread; several may run at once. Powers in kW, moments in Unix seconds, UTC. */
#ifndef GRANARY_BACKTEST_H
#define GRANARY_BACKTEST_H

#include "granary/engine.h"
#include "granary/error.h"
#include "granary/peak.h"
#include "granary/rates.h"
#include "granary/strategy.h"
#include "granary/usage.h"
#include "granary/zone.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* ---- tariffs ---- */

struct gr_backtest_tariff {
    char name[GR_NAME_SIZE];
    struct gr_tariff import, export; /* tables whole, taxes included; owned */
    struct gr_tariff carbon; /* kg of carbon dioxide per kWh imported for prices; may be empty; owned */
    int published_minute;    /* local minute from which the next local day's tables are known, 0 to 1440 */
    double standing_charge_per_day;
    int settlement_minutes; /* import and export are set off against each other over so long; 0: over a step
                             */
    struct gr_peak_charge peak;
};

void gr_backtest_tariff_free(struct gr_backtest_tariff *tariff);

/* Mean price of import or export over [from_s, to_s). GR_NOT_FOUND, with the first moment that lacks one in
 * *missing_s, where no price is published for a part of it. */
int gr_backtest_price(const struct gr_tariff *tariff, const struct gr_zone *zone, int64_t from_s,
                      int64_t to_s, double *price_per_kwh, int64_t *missing_s);

/* Checks that both directions, and the carbon where it has sources, are told for every moment of the period;
 * the message names the first part that lacks them ("import prices are missing from ... to ..."). */
int gr_backtest_tariff_check(const struct gr_backtest_tariff *tariff, const struct gr_zone *zone,
                             int64_t from_s, int64_t to_s, struct gr_error *error);

/* The longest step, step_s or shorter, that no price change of the period falls into. */
int32_t gr_backtest_step_for(const struct gr_backtest_tariff *tariff, const struct gr_zone *zone,
                             int64_t from_s, int64_t to_s, int32_t step_s);

/* Cuts the usage into shorter steps of the same powers. GR_INVALID where they do not fit into the present
 * ones, GR_NO_MEMORY; the usage is then unchanged. */
int gr_backtest_split(struct gr_usage *usage, int32_t step_s);

struct gr_within; /* within.h */

/* Cuts the usage into steps of 5 minutes whose powers differ by chance: logarithms spread normally (load 0.8,
 * sun 0.3) around what keeps each slot's energy; or the load as in slots of about the same mean that
 * `learned` knows (NULL: none). The same seed gives the same course. GR_INVALID for slots of more than an
 * hour, or where `learned` is not of 5 minutes within such slots, GR_NO_MEMORY; the usage is then unchanged.
 */
int gr_backtest_spread(struct gr_usage *usage, uint64_t seed, const struct gr_within *learned);

/* ---- what came of it ---- */

/* One step of the usage as it went. */
struct gr_backtest_step {
    int64_t start_s;
    bool gap; /* load or sun not known: nothing happens, nothing is billed, what is stored stays */
    double import_price, export_price;
    double carbon_kg_per_kwh; /* of a kWh imported; NAN: not told */
    double house_kw, solar_kw;
    enum gr_command_kind kind;
    double power_kw; /* of charge and export */
    double battery_kw, grid_kw, curtail_kw;
    double stored_kwh;    /* at its end */
    double wear_by_level; /* money: what the battery's wear steps say of the energy taken */
};

struct gr_backtest_sums {
    int64_t start_s; /* of the month, or of the period */
    size_t steps, gaps;
    double days; /* billed, as shares of local days */
    double house_kwh, solar_kwh, curtailed_kwh;
    double import_kwh, export_kwh;    /* as settled */
    double charge_kwh, discharge_kwh; /* AC side */
    double import_cost, export_income, standing_charge, peak_charge, wear_cost;
    double import_co2_kg, export_co2_kg; /* of what was bought, and of as much as was sold had it been bought;
                                            NAN: not told */
    double peak_kw; /* what the peak charge was reckoned from; 0 without one. Of a period: the greatest */
};

/* import_cost - export_income + standing_charge + peak_charge + wear_cost */
double gr_backtest_cost(const struct gr_backtest_sums *sums);

struct gr_backtest_result {
    struct gr_backtest_sums total;
    struct gr_backtest_sums *months; /* by local month, the first and last may be cut */
    size_t month_count;
    struct gr_backtest_step *steps;
    size_t step_count;
    double start_kwh, end_kwh;
    double left_per_kwh; /* what a stored kWh left over is worth: mean import price x discharge efficiency */
    double left_value;   /* of end_kwh - start_kwh */
    double total_cost;   /* gr_backtest_cost of the total - left_value */
    double carbon_cost;  /* what the carbon counts by the configured price on it; in none of the other sums */
    double
        may_be_less; /* of `foresight`: by how much money, at most, its cost lies above the least possible */
    double cycles;   /* energy taken from the store / capacity */
    double self_sufficiency; /* share of the house's energy that was not bought: 1 - import / house */
    size_t decisions, plans, changes, faults; /* of `planned` */
};

void gr_backtest_result_free(struct gr_backtest_result *result);

/* ---- a run ---- */

struct gr_backtest {
    const struct gr_engine_config *config; /* site, planning, safety; its tariffs are not read */
    const struct gr_zone *zone;
    const struct gr_usage *usage; /* load_kw needed; without solar_kw there is no sun */
    int64_t from_s, to_s;         /* inside the usage, at steps; what lies before is history */
    const struct gr_backtest_tariff *tariff;
    const struct gr_strategy *strategy;
    double capacity_kwh;                    /* of the battery; its powers are as configured */
    bool know_load, know_solar, know_price; /* give `planned` the truth instead of what it could know */
    bool late_readings; /* `planned` sees the powers of the step before at the moment of decision, not those
                           at hand */
    void (*progress)(void *context, size_t steps); /* may be NULL; every few hundred steps */
    void *progress_context;
    void (*watch)(void *context, struct gr_engine *engine); /* may be NULL; is handed the engine of `planned`
                                                               before its first event, to set a tap */
    void *watch_context;
};

/* Runs it; *out is overwritten, to be freed. GR_INVALID for settings that make no sense (the message says),
 * GR_NOT_FOUND for prices that are missing, GR_NO_MEMORY. */
int gr_backtest_run(struct gr_backtest_result *out, const struct gr_backtest *backtest,
                    struct gr_error *error);

/* Whether the cost of `foresight` is proven to lie within a thousandth of the bill above the least possible:
 * then no strategy can be cheaper by more. */
bool gr_backtest_foresight_is_bound(const struct gr_backtest_result *foresight);

/* What strategies are measured by: the bill, and what its carbon counts. */
double gr_backtest_measure(const struct gr_backtest_result *result);

/* (follow - cost) / (follow - foresight) by that measure. NAN where foresight gains nothing. */
double gr_backtest_share_of_foresight(const struct gr_backtest_result *result,
                                      const struct gr_backtest_result *follow,
                                      const struct gr_backtest_result *foresight);

#endif
