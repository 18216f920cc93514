/* A bound on the energy discharged over all slots: a price on every kWh discharged is sought at which the
 * plan keeps it (Lagrangian duality; the price is wear). Where costs are convex that is the optimum.
 * Elsewhere the battery's powers in one slot are cut in two ranges, the one with the least bound is taken
 * further, and so on: branch and bound. */
#include "planner/search.h"

#include "granary/error.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MOST_PRICES 60

/* A plan made at some price on discharging. */
struct trial {
    struct gr_plan plan; /* its cost is without that price, and without what lies outside the ranges */
    double kwh;          /* discharged */
    double priced;       /* cost with the price */
    double fenced;       /* cost without the price, but with what lies outside the ranges */
};

/* Ranges of the battery's power in every slot, and no lower bound than `bound` on what a plan within them
 * costs. It is to be cut in slot `slot`, at cut_kw. */
struct node {
    double *least_kw, *most_kw; /* NULL: no ranges */
    double bound, cut_kw;
    size_t slot;
};

struct search {
    struct gr_planner *planner;
    const struct gr_problem *problem;
    struct node *open;
    size_t opens, room, solves, most_solves;
    double outside_per_kwh;
    struct trial over, within; /* of the node at hand: discharges too much, and does not */
    double bound;              /* of the node at hand */
    double left_open;          /* least bound of the nodes that are not taken further */
    struct gr_plan best;       /* cost infinite before there is one */
};

static bool may_be_better(const struct search *search, double bound)
{
    return gr_may_beat(bound, search->best.cost);
}

/* ---- a plan at a price ---- */

static double discharged_kwh(const struct gr_problem *problem, const struct gr_plan *plan)
{
    double sum = 0;
    for (size_t t = 0; t < problem->slots; t++) {
        sum += problem->hours[t] * plan->discharge_kw[t];
    }
    return sum;
}

static double power_kw(const struct gr_plan *plan, size_t t)
{
    return plan->charge_kw[t] - plan->discharge_kw[t];
}

static double outside_cost(const struct gr_problem *problem, const struct gr_plan *plan)
{
    double cost = 0;
    for (size_t t = 0; problem->slot_least_kw && t < problem->slots; t++) {
        double outside_kw = gr_max(problem->slot_least_kw[t] - power_kw(plan, t), 0) +
                            gr_max(power_kw(plan, t) - problem->slot_most_kw[t], 0);
        cost += problem->outside_per_kwh * problem->hours[t] * outside_kw;
    }
    return cost;
}

static int try_price(struct search *search, const struct gr_problem *problem, double price, struct trial *out)
{
    struct gr_problem priced = *problem;
    priced.battery.wear_per_kwh += price;
    int rc = gr_solve_plain(search->planner, &priced, &out->plan);
    if (rc) {
        return rc;
    }
    search->solves++;
    out->kwh = discharged_kwh(problem, &out->plan);
    out->priced = out->plan.cost;
    out->fenced = out->priced - price * out->kwh;
    out->plan.cost = out->fenced - outside_cost(problem, &out->plan);
    double bound = out->priced - out->plan.error_down - price * problem->most_discharged_kwh;
    search->bound = gr_max(search->bound, bound);
    return GR_OK;
}

static void replace(struct trial *to, struct trial *from)
{
    gr_plan_free(&to->plan);
    *to = *from;
    memset(from, 0, sizeof *from);
}

/* Raises the price until the limit is kept; a price above all prices keeps it. */
static int find_within(struct search *search, const struct gr_problem *problem)
{
    double price = 0;
    for (int i = 0; i < MOST_PRICES; i++) {
        struct trial trial = {0};
        int rc = try_price(search, problem, price, &trial);
        if (rc) {
            return rc;
        }
        bool keeps = trial.kwh <= problem->most_discharged_kwh;
        replace(keeps ? &search->within : &search->over, &trial);
        if (keeps || !may_be_better(search, search->bound)) {
            return GR_OK;
        }
        price = price > 0 ? 4 * price : gr_problem_worth(problem) / 4;
    }
    return GR_OK;
}

static bool has_both(const struct search *search)
{
    return search->over.plan.slots > 0 && search->within.plan.slots > 0;
}

/* At the price at which both plans cost the same, either a third is better than both, or that is the price
 * sought. Every step takes one plan away from finitely many. */
static int narrow(struct search *search, const struct gr_problem *problem)
{
    for (int i = 0; i < MOST_PRICES && has_both(search) && may_be_better(search, search->bound); i++) {
        double width_kwh = search->over.kwh - search->within.kwh;
        double price = (search->within.fenced - search->over.fenced) / width_kwh;
        if (width_kwh <= 1e-12 || !(price >= 0)) {
            return GR_OK;
        }
        struct trial trial = {0};
        int rc = try_price(search, problem, price, &trial);
        if (rc) {
            return rc;
        }
        double known = search->within.fenced + price * search->within.kwh;
        bool better = trial.priced < known - 1e-12 * (1 + fabs(known));
        if (!better) {
            gr_plan_free(&trial.plan);
            return GR_OK;
        }
        replace(trial.kwh <= problem->most_discharged_kwh ? &search->within : &search->over, &trial);
    }
    return GR_OK;
}

/* ---- between the two plans ---- */

/* Changes of stored energy between those of the two plans, so that just the limit is discharged where losses
 * are one number. */
static void mix_changes(const struct search *search, double *change_kwh)
{
    const struct gr_problem *problem = search->problem;
    const struct trial *over = &search->over, *within = &search->within;
    double width_kwh = over->kwh - within->kwh;
    double share = width_kwh > 0 ? (problem->most_discharged_kwh - within->kwh) / width_kwh : 0;
    for (size_t t = 0; t < problem->slots; t++) {
        struct gr_slot slot;
        gr_slot_of(&slot, problem, t);
        double most = gr_slot_change_kwh(&slot, power_kw(&over->plan, t));
        double least = gr_slot_change_kwh(&slot, power_kw(&within->plan, t));
        change_kwh[t] = share * most + (1 - share) * least;
    }
}

/* What lies between the two plans in a slot. */
struct between {
    double low_kw, high_kw, mixed_kw, net_kw;
    double rise; /* how much more it costs than they do, in the slot itself */
};

static struct between look_between(const struct search *search, size_t t, double change_kwh)
{
    struct gr_slot slot;
    gr_slot_of(&slot, search->problem, t);
    double over_kw = power_kw(&search->over.plan, t), within_kw = power_kw(&search->within.plan, t);
    struct between out = {gr_min(over_kw, within_kw), gr_max(over_kw, within_kw),
                          gr_slot_power_kw(&slot, change_kwh), slot.load_kw - slot.solar_kw, 0};
    double width_kw = out.high_kw - out.low_kw,
           share = width_kw > 0 ? (out.mixed_kw - out.low_kw) / width_kw : 0;
    double ends =
        (1 - share) * gr_slot_cost(&slot, out.low_kw, NULL) + share * gr_slot_cost(&slot, out.high_kw, NULL);
    out.rise = gr_max(0, gr_slot_cost(&slot, out.mixed_kw, NULL) - ends);
    return out;
}

/* At rest, or where the grid's power is 0, costs may bend the wrong way. Too near an end a cut brings
 * nothing. */
static double cut_between(const struct between *between)
{
    double margin_kw = 1e-3 * (between->high_kw - between->low_kw);
    const double bends_kw[] = {0, -between->net_kw, between->mixed_kw};
    for (size_t i = 0; i < sizeof bends_kw / sizeof *bends_kw; i++) {
        if (bends_kw[i] > between->low_kw + margin_kw && bends_kw[i] < between->high_kw - margin_kw) {
            return bends_kw[i];
        }
    }
    return 0.5 * (between->low_kw + between->high_kw);
}

/* Chooses where to cut the node; false where the plans do not differ. It is cut in the slot that explains
 * most of what is open, and where none of it lies in the slots themselves, in the one in which the plans
 * differ most. */
static bool choose_cut(const struct search *search, const double *change_kwh, struct node *node)
{
    double rises = 0, most_rise = 0, most_kwh = 0;
    size_t risen = 0, widest = 0, slots = search->problem->slots;
    for (size_t t = 0; t < slots; t++) {
        struct between between = look_between(search, t, change_kwh[t]);
        double kwh = search->problem->hours[t] * (between.high_kw - between.low_kw);
        rises += between.rise;
        risen = between.rise > most_rise ? t : risen;
        most_rise = gr_max(most_rise, between.rise);
        widest = kwh > most_kwh ? t : widest;
        most_kwh = gr_max(most_kwh, kwh);
    }
    bool explains = rises > 0.1 * (search->best.cost - search->bound);
    node->slot = explains ? risen : widest;
    struct between between = look_between(search, node->slot, change_kwh[node->slot]);
    node->cut_kw = cut_between(&between);
    return most_kwh > 1e-12;
}

/* Takes a plan that keeps the limit, if it is the best so far. */
static void take_plan(struct search *search, struct gr_plan *plan)
{
    if (plan->slots > 0 && plan->cost < search->best.cost) {
        gr_plan_free(&search->best);
        search->best = *plan;
        memset(plan, 0, sizeof *plan);
    }
}

static bool same_commands(const struct search *search)
{
    const struct gr_plan *over = &search->over.plan, *within = &search->within.plan;
    bool same = true;
    for (size_t t = 0; search->problem->change_cost > 0 && t < over->slots; t++) {
        bool is_free = over->kind[t] == GR_CHARGE || over->kind[t] == GR_EXPORT;
        same = same && over->kind[t] == within->kind[t] &&
               (is_free || fabs(power_kw(over, t) - power_kw(within, t)) < 1e-12);
    }
    return same;
}

/* Tries what lies between, and chooses where to cut the node. */
static int mix(struct search *search, struct node *node, bool *can_be_cut)
{
    const struct gr_problem *problem = search->problem;
    double *change_kwh = calloc(problem->slots, sizeof *change_kwh);
    if (!change_kwh) {
        return GR_NO_MEMORY;
    }
    mix_changes(search, change_kwh);
    *can_be_cut = choose_cut(search, change_kwh, node);
    struct gr_plan *plan = &search->over.plan;
    bool keeps = same_commands(search) && gr_plan_follow(plan, problem, change_kwh) &&
                 discharged_kwh(problem, plan) <= problem->most_discharged_kwh + 1e-9;
    free(change_kwh);
    if (keeps) {
        take_plan(search, plan);
    }
    return GR_OK;
}

/* ---- nodes ---- */

static void free_node(struct node *node)
{
    free(node->least_kw);
    free(node->most_kw);
    memset(node, 0, sizeof *node);
}

/* A node of its own with the ranges of another. */
static int copy_node(const struct search *search, struct node *to, const struct node *from)
{
    size_t slots = search->problem->slots;
    *to = (struct node){.bound = from->bound,
                        .least_kw = malloc(slots * sizeof *to->least_kw),
                        .most_kw = malloc(slots * sizeof *to->most_kw)};
    if (!to->least_kw || !to->most_kw) {
        free_node(to);
        return GR_NO_MEMORY;
    }
    for (size_t t = 0; t < slots; t++) {
        to->least_kw[t] = from->least_kw ? from->least_kw[t] : -INFINITY;
        to->most_kw[t] = from->most_kw ? from->most_kw[t] : INFINITY;
    }
    return GR_OK;
}

/* Keeps a node for later, which is the search's from then on. */
static int keep_node(struct search *search, struct node *node)
{
    if (search->opens == search->room) {
        size_t room = search->room > 0 ? 2 * search->room : 64;
        struct node *open = realloc(search->open, room * sizeof *open);
        if (!open) {
            free_node(node);
            return GR_NO_MEMORY;
        }
        search->open = open;
        search->room = room;
    }
    search->open[search->opens++] = *node;
    return GR_OK;
}

static struct node take_node(struct search *search)
{
    size_t least = 0;
    for (size_t i = 1; i < search->opens; i++) {
        least = search->open[i].bound < search->open[least].bound ? i : least;
    }
    struct node node = search->open[least];
    search->open[least] = search->open[--search->opens];
    return node;
}

/* The bound of a node, and the plans found on the way; the node is kept where it may hold a better one, and
 * else freed. */
static int solve_node(struct search *search, struct node *node)
{
    struct gr_problem problem = *search->problem;
    bool can_be_cut = false;
    problem.slot_least_kw = node->least_kw;
    problem.slot_most_kw = node->most_kw;
    problem.outside_per_kwh = node->least_kw ? search->outside_per_kwh : 0;
    search->bound = node->bound;
    int rc = find_within(search, &problem);
    rc = rc ? rc : narrow(search, &problem);
    if (!rc && has_both(search) && may_be_better(search, search->bound)) {
        rc = mix(search, node, &can_be_cut);
    }
    take_plan(search, &search->within.plan);
    gr_plan_free(&search->over.plan);
    gr_plan_free(&search->within.plan);
    node->bound = search->bound;
    bool is_open = !rc && may_be_better(search, node->bound);
    if (is_open && can_be_cut) {
        return keep_node(search, node);
    }
    search->left_open = gr_min(search->left_open, node->bound);
    free_node(node);
    return rc;
}

static int cut_node(struct search *search, struct node *node)
{
    struct node lower, upper;
    int rc = copy_node(search, &lower, node);
    if (rc) {
        return rc;
    }
    lower.most_kw[node->slot] = gr_min(node->cut_kw, lower.most_kw[node->slot]);
    rc = solve_node(search, &lower);
    rc = rc ? rc : copy_node(search, &upper, node);
    if (rc) {
        return rc;
    }
    upper.least_kw[node->slot] = gr_max(node->cut_kw, upper.least_kw[node->slot]);
    return solve_node(search, &upper);
}

static int search_nodes(struct search *search)
{
    struct node root = {.bound = -INFINITY};
    int rc = solve_node(search, &root);
    while (!rc && search->opens > 0 && search->solves < search->most_solves) {
        struct node node = take_node(search);
        bool is_open = may_be_better(search, node.bound);
        search->left_open = is_open ? search->left_open : gr_min(search->left_open, node.bound);
        rc = is_open ? cut_node(search, &node) : GR_OK;
        free_node(&node);
    }
    for (size_t i = 0; i < search->opens; i++) {
        search->left_open = gr_min(search->left_open, search->open[i].bound);
        free_node(&search->open[i]);
    }
    return rc;
}

int gr_solve_limited(struct gr_planner *planner, const struct gr_problem *problem, size_t most_solves,
                     size_t *solves, struct gr_plan *plan)
{
    if (!problem->limits_discharge) {
        *solves += 1;
        return gr_solve_plain(planner, problem, plan);
    }
    struct search search = {
        .planner = planner, .problem = problem, .most_solves = most_solves, .left_open = INFINITY};
    search.outside_per_kwh = gr_search_penalty(problem);
    search.best.cost = INFINITY;
    int rc = search_nodes(&search);
    free(search.open);
    *solves += search.solves;
    if (rc) {
        gr_plan_free(&search.best);
        return rc;
    }
    *plan = search.best;
    plan->error_down = gr_max(plan->error_down, plan->cost - search.left_open);
    return GR_OK;
}
