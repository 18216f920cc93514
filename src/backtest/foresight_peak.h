#ifndef GRANARY_BACKTEST_FORESIGHT_PEAK_H
#define GRANARY_BACKTEST_FORESIGHT_PEAK_H

#include "granary/peak.h"
#include "granary/planner.h"

#include <stdint.h>

/* Where a slot of the whole problem lies. */
struct gr_backtest_place {
    size_t month;     /* in the order of time, from 0 */
    int day;          /* of the month */
    int64_t interval; /* of the peak charge */
    bool counts;      /* whether all of its import counts for the peak */
};

/* The whole period as a problem whose months pay for their peaks. */
struct gr_backtest_peaks {
    const struct gr_peak_charge *charge;
    const struct gr_backtest_place *place; /* by slot */
    const double *share;                   /* by month: of a whole month's charge that is billed */
    size_t months;
};

/* A plan as good as was found, peak charge not in its cost, and *least: what no plan's cost with its peak
 * charge is below. */
int gr_backtest_peak_plan(struct gr_planner *planner, const struct gr_problem *problem,
                          const struct gr_backtest_peaks *peaks, struct gr_plan *plan, double *least,
                          struct gr_error *error);

/* ---- what foresight_peak.c and foresight_steps.c share ---- */

#define GR_PEAK_NO_LIMIT_KW 1e6

/* Where a plan lies at a kink, what a kWh more would save has a least and a greatest value. */
enum { GR_LEAST, GR_MOST, GR_ENDS };

struct gr_peak_month {
    double low_kw, high_kw, level_kw;
    double peak_kw; /* mean peak of the plan at hand */
};

struct gr_peak_day {
    size_t month, first, end; /* slots */
    double low_kw, high_kw;   /* below and above the level at which a kW less costs p / N */
    double limit_kw;          /* tried now */
    bool alone;               /* by a level of its own */
    double peak_kw, most_kw;  /* of the plan at hand: highest mean of an interval, highest slot */
    double saves;             /* by a kW more, money */
};

struct gr_peak_search {
    struct gr_planner *planner;
    const struct gr_backtest_peaks *peaks;
    struct gr_problem problem; /* with limits */
    struct gr_peak_month *month;
    struct gr_peak_day *day;
    size_t days;
    double *hours;        /* by slot: of the interval that it lies in */
    double *limit_kw;     /* by slot */
    double *saves;        /* by slot, money per kWh, of the plan at hand; 0 where nothing counts */
    double *end[GR_ENDS]; /* the least and the most that it may be */
    double *price;        /* import prices with the shares of the charge */
    double *room;
};

/* Plans with the days' limits, and finds the plan's peaks and search->end. The plan may be kept: NULL drops
 * it. */
int gr_peak_plan_limited(struct gr_peak_search *search, struct gr_plan *keep, struct gr_error *error);

/* Money per kW of a day's limit. */
double gr_peak_sum_of(const struct gr_peak_search *search, const struct gr_peak_day *day,
                      const double *saves);

/* search->saves of a day = a mixture of both ends, of no more than `most` money per kW in all; that sum. */
double gr_peak_mix_day(struct gr_peak_search *search, const struct gr_peak_day *day, double share,
                       double most);

/* price = import prices and search->saves, level over each interval. */
void gr_peak_price_shares(const struct gr_peak_search *search, double *price);

/* Where the charge goes by steps. */
int gr_peak_plan_steps(struct gr_peak_search *search, struct gr_plan *plan, double *least,
                       struct gr_error *error);

#endif
