/* When a car had best charge: its energy is bought from the grid or taken from the sun, never from the
 * battery. */
#include "engine/internal.h"

#include <math.h>

static double share_of_slot(const struct gr_engine_plan *plan, size_t slot, int64_t from_s, int64_t to_s)
{
    const int64_t *bounds_s = plan->horizon.bounds_s;
    int64_t start_s = bounds_s[slot] > from_s ? bounds_s[slot] : from_s;
    int64_t end_s = bounds_s[slot + 1] < to_s ? bounds_s[slot + 1] : to_s;
    return end_s > start_s ? (double)(end_s - start_s) / (double)(bounds_s[slot + 1] - bounds_s[slot]) : 0;
}

double gr_engine_car_kw(const struct gr_engine_plan *plan, size_t slot)
{
    return plan->car_kw * share_of_slot(plan, slot, plan->car_start_s, plan->car_end_s);
}

/* Money for the whole slot: what the sun leaves would have been sold. */
static double cost_of_slot(const struct gr_engine_plan *plan, size_t slot, double power_kw)
{
    double load_kw, solar_kw;
    gr_paths_mean(&plan->paths, slot, &load_kw, &solar_kw);
    double sun_kw = fmin(power_kw, fmax(0, solar_kw - load_kw));
    return plan->horizon.hours[slot] * (sun_kw * plan->horizon.export_price[slot] +
                                        (power_kw - sun_kw) * plan->horizon.import_price[slot]);
}

static double cost_of_run(const struct gr_engine_plan *plan, double power_kw, int64_t start_s, int64_t end_s)
{
    double cost = 0;
    for (size_t t = 0; t < plan->horizon.slots; t++) {
        double share = share_of_slot(plan, t, start_s, end_s);
        cost += share > 0 ? share * cost_of_slot(plan, t, power_kw) : 0;
    }
    return cost;
}

void gr_engine_plan_car(struct gr_engine_plan *plan)
{
    const struct gr_horizon *horizon = &plan->horizon;
    int64_t first_s = horizon->bounds_s[0], end_s = horizon->bounds_s[horizon->slots];
    const struct gr_override *car = gr_overrides_car(&plan->overrides, first_s);
    if (!car) {
        return;
    }
    int64_t length_s = llround(car->value / car->power_kw * 3600);
    int64_t last_s = (car->until_s < end_s ? car->until_s : end_s) - length_s;
    plan->car_kw = car->power_kw;
    plan->car_cost = INFINITY;
    for (size_t t = 0; t < horizon->slots; t++) {
        int64_t start_s = horizon->bounds_s[t];
        double cost = cost_of_run(plan, car->power_kw, start_s, start_s + length_s);
        /* too late for its end it begins at once all the same */
        if ((t == 0 || start_s <= last_s) && cost < plan->car_cost - 1e-9) {
            plan->car_start_s = start_s;
            plan->car_end_s = start_s + length_s;
            plan->car_cost = cost;
        }
    }
}
