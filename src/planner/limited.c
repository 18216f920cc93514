/* A bound on the energy discharged over all slots: a price on every kWh discharged is sought at which the
 * plan keeps it. (Lagrangian duality; the price is wear.) */
#include "planner/search.h"

#include "granary/error.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MOST_TRIES 60

static double discharged_kwh(const struct gr_problem *problem, const struct gr_plan *plan)
{
    double sum = 0;
    for (size_t t = 0; t < problem->slots; t++) {
        sum += problem->hours[t] * plan->discharge_kw[t];
    }
    return sum;
}

/* A plan made at some price on discharging. */
struct
try {
    struct gr_plan plan; /* its cost is without that price */
    double kwh, priced;  /* discharged; cost with the price */
};

static int make_try(struct gr_planner *planner, const struct gr_problem *problem, double price,
                    struct try *out)
{
    struct gr_problem priced = *problem;
    priced.battery.wear_per_kwh += price;
    int rc = gr_solve_plain(planner, &priced, &out->plan);
    if (rc) {
        return rc;
    }
    out->kwh = discharged_kwh(problem, &out->plan);
    out->priced = out->plan.cost;
    out->plan.cost -= price * out->kwh;
    return GR_OK;
}

static void replace(struct try *to, struct try *from)
{
    gr_plan_free(&to->plan);
    *to = *from;
    memset(from, 0, sizeof *from);
}

/* The search between a plan that discharges too much and one that does not. */
struct search {
    struct try over, within;
    double bound; /* no plan that keeps the limit costs less */
};

static void note_bound(struct search *search, const struct try *try, double price, double limit_kwh)
{
    search->bound = gr_max(search->bound, try->priced - try->plan.error_down - price * limit_kwh);
}

/* Raises the price until the limit is kept; a price above all prices keeps it. */
static int find_within(struct gr_planner *planner, const struct gr_problem *problem, struct search *search,
                       double price)
{
    double limit_kwh = problem->most_discharged_kwh;
    for (int i = 0; i < MOST_TRIES; i++) {
        struct try try = {0};
        int rc = make_try(planner, problem, price, &try);
        if (rc) {
            return rc;
        }
        note_bound(search, &try, price, limit_kwh);
        bool keeps = try.kwh <= limit_kwh;
        replace(keeps ? &search->within : &search->over, &try);
        if (keeps) {
            return GR_OK;
        }
        price *= 4;
    }
    return GR_OK;
}

/* At the price at which both plans cost the same, either a third is better than both, or that is the price
 * sought. Every step takes one plan away from finitely many. */
static int narrow(struct gr_planner *planner, const struct gr_problem *problem, struct search *search)
{
    double limit_kwh = problem->most_discharged_kwh;
    for (int i = 0; i < MOST_TRIES && search->over.kwh - search->within.kwh > 1e-12; i++) {
        double saved = search->within.plan.cost - search->over.plan.cost;
        double price = saved / (search->over.kwh - search->within.kwh);
        if (!(price >= 0)) {
            return GR_OK;
        }
        struct try try = {0};
        int rc = make_try(planner, problem, price, &try);
        if (rc) {
            return rc;
        }
        note_bound(search, &try, price, limit_kwh);
        double known = search->within.plan.cost + price * search->within.kwh;
        bool better = try.priced < known - 1e-12 * (1 + fabs(known));
        if (!better) {
            gr_plan_free(&try.plan);
            return GR_OK;
        }
        replace(try.kwh <= limit_kwh ? &search->within : &search->over, &try);
    }
    return GR_OK;
}

/* Between the two plans lies one that just keeps the limit. Where all costs are convex it is the optimum. */
static int mix(const struct gr_problem *problem, struct search *search)
{
    const struct gr_plan *over = &search->over.plan, *within = &search->within.plan;
    double limit_kwh = problem->most_discharged_kwh, width_kwh = search->over.kwh - search->within.kwh;
    double share = width_kwh > 0 ? (limit_kwh - search->within.kwh) / width_kwh : 0;
    double *change_kwh = calloc(problem->slots, sizeof *change_kwh);
    if (!change_kwh) {
        return GR_NO_MEMORY;
    }
    for (size_t t = 0; t < problem->slots; t++) {
        struct gr_slot slot;
        gr_slot_of(&slot, problem, t);
        double most = gr_slot_change_kwh(&slot, over->charge_kw[t] - over->discharge_kw[t]);
        double least = gr_slot_change_kwh(&slot, within->charge_kw[t] - within->discharge_kw[t]);
        change_kwh[t] = share * most + (1 - share) * least;
    }
    struct try try = {.plan = *over};
    bool keeps = gr_plan_follow(&try.plan, problem, change_kwh);
    free(change_kwh);
    try.kwh = discharged_kwh(problem, &try.plan);
    if (keeps && try.kwh <= limit_kwh + 1e-9 && try.plan.cost < within->cost) {
        memset(&search->over, 0, sizeof search->over);
        replace(&search->within, &try);
    } else {
        search->over.plan = try.plan;
    }
    return GR_OK;
}

int gr_solve_limited(struct gr_planner *planner, const struct gr_problem *problem, struct gr_plan *plan)
{
    struct search search = {.bound = -INFINITY};
    if (!problem->limits_discharge) {
        return gr_solve_plain(planner, problem, plan);
    }
    int rc = make_try(planner, problem, 0, &search.over);
    if (!rc && search.over.kwh <= problem->most_discharged_kwh) {
        *plan = search.over.plan;
        return GR_OK;
    }
    if (!rc) {
        note_bound(&search, &search.over, 0, problem->most_discharged_kwh);
        rc = find_within(planner, problem, &search, gr_problem_worth(problem) / 4);
    }
    rc = rc ? rc : narrow(planner, problem, &search);
    bool may_mix = !rc && search.within.plan.slots > 0 && search.over.plan.slots > 0 && planner->layers == 1;
    rc = may_mix ? mix(problem, &search) : rc;
    if (!rc) {
        *plan = search.within.plan;
        plan->error_down = gr_max(plan->error_down, plan->cost - search.bound);
        memset(&search.within, 0, sizeof search.within);
    }
    gr_plan_free(&search.over.plan);
    gr_plan_free(&search.within.plan);
    return rc;
}
