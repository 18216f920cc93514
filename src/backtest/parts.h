/* What the files of the back-test share. */
#ifndef GRANARY_BACKTEST_PARTS_H
#define GRANARY_BACKTEST_PARTS_H

#include "granary/backtest.h"
#include "granary/planner.h"

/* One run: the configuration as the strategy and size make it, and the steps that are being filled. */
struct gr_backtest_work {
    const struct gr_backtest *backtest;
    struct gr_engine_config config; /* as the planner sees it; tariffs left empty */
    struct gr_battery battery;      /* as it is */
    double floor_kwh;               /* below which nothing is discharged */
    double start_kwh, left_per_kwh;
    double penalty_per_kwh; /* for breaking a limit, dearer than any price; never billed */
    double least_cost; /* of `foresight`: what no strategy's energy, wear and peaks cost less than, what is
                          left at the end taken off */
    struct gr_backtest_step *steps;
    size_t count;
    size_t reported; /* steps told to the caller */
    struct gr_backtest_result *result;
};

static inline double gr_backtest_hours(const struct gr_backtest_work *work)
{
    return work->backtest->usage->step_s / 3600.0;
}

/* Lets a command act on step i; stored_kwh before it comes from the step before. */
void gr_backtest_act(struct gr_backtest_work *work, size_t i, enum gr_command_kind kind, double power_kw);

/* What the carbon of a kWh imported counts. */
double gr_backtest_carbon_price(const struct gr_backtest_work *work, const struct gr_backtest_step *step);

/* Carries what is stored over a step of which nothing is known. */
void gr_backtest_skip(struct gr_backtest_work *work, size_t i);

double gr_backtest_stored_before(const struct gr_backtest_work *work, size_t i);

/* The strategies fill every step. */
int gr_backtest_night_fill(struct gr_backtest_work *work, struct gr_error *error);
int gr_backtest_planned(struct gr_backtest_work *work, struct gr_error *error);
int gr_backtest_foresight(struct gr_backtest_work *work, struct gr_error *error);

/* Number of the interval over which the bill sets import and export off against each other. */
int64_t gr_backtest_settlement(const struct gr_backtest *backtest, int64_t moment_s);

/* Sums of the months and of the whole from the steps. */
int gr_backtest_bill(struct gr_backtest_result *result, const struct gr_backtest *backtest,
                     double wear_per_kwh);

/* Of a whole month's charge, the part that a month pays of which only a part is billed. */
double gr_backtest_month_share(const struct gr_backtest *backtest, const struct gr_backtest_sums *month);

/* Tells the caller how far it is; `done` steps of the run are over. */
void gr_backtest_report(struct gr_backtest_work *work, size_t done);

#endif
