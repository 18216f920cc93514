/* What a planning problem says about one slot, written down apart from the planner. */
#ifndef GRANARY_TESTS_PLANNER_RULES_H
#define GRANARY_TESTS_PLANNER_RULES_H

#include "granary/planner.h"

#include <math.h>
#include <stddef.h>

/* What holds in slot t by all the problem says. */
struct slot_rules {
    double import_price, import_limit_kw, export_limit_kw, charge_kw, discharge_kw, wanted_kwh;
};

static inline struct slot_rules rules_of(const struct gr_problem *p, size_t t)
{
    struct slot_rules rules = {p->import_price[t],      p->import_limit_kw,
                               p->export_limit_kw,      p->battery.charge_kw,
                               p->battery.discharge_kw, p->wanted_kwh ? p->wanted_kwh[t] : 0};
    rules.import_price += p->carbon_kg_per_kwh ? p->carbon_price_per_kg * p->carbon_kg_per_kwh[t] : 0;
    rules.import_limit_kw = p->slot_import_limit_kw ? fmin(rules.import_limit_kw, p->slot_import_limit_kw[t])
                                                    : rules.import_limit_kw;
    rules.export_limit_kw = p->slot_export_limit_kw ? fmin(rules.export_limit_kw, p->slot_export_limit_kw[t])
                                                    : rules.export_limit_kw;
    rules.charge_kw = p->slot_charge_kw ? fmin(rules.charge_kw, p->slot_charge_kw[t]) : rules.charge_kw;
    rules.discharge_kw =
        p->slot_discharge_kw ? fmin(rules.discharge_kw, p->slot_discharge_kw[t]) : rules.discharge_kw;
    if (p->may_export && !p->may_export[t]) {
        rules.discharge_kw = fmin(rules.discharge_kw, fmax(0, p->load_kw[t] - p->solar_kw[t]));
    }
    return rules;
}

#endif
