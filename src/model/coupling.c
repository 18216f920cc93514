#include "granary/coupling.h"

#include <math.h>

double gr_dc_of_ac(const struct gr_dc_inverter *inverter, double ac_kw)
{
    return ac_kw >= 0 ? ac_kw * inverter->to_dc_efficiency : ac_kw / inverter->to_ac_efficiency;
}

double gr_ac_of_dc(const struct gr_dc_inverter *inverter, double dc_kw)
{
    return dc_kw >= 0 ? dc_kw / inverter->to_dc_efficiency : dc_kw * inverter->to_ac_efficiency;
}

double gr_site_drawn_kw(const struct gr_site *site, double battery_kw, double solar_kw)
{
    double sum_kw = battery_kw - solar_kw;
    return site->dc_coupled ? gr_ac_of_dc(&site->inverter, sum_kw) : sum_kw;
}

double gr_site_grid_kw(const struct gr_site *site, double load_kw, double battery_kw, double solar_kw)
{
    double drawn_kw = gr_site_drawn_kw(site, battery_kw, solar_kw), limit_kw = site->inverter.limit_kw;
    return load_kw + (site->dc_coupled ? fmin(fmax(drawn_kw, -limit_kw), limit_kw) : drawn_kw);
}

double gr_site_battery_kw(const struct gr_site *site, double drawn_kw, double solar_kw)
{
    if (!site->dc_coupled) {
        return drawn_kw + solar_kw;
    }
    double limit_kw = site->inverter.limit_kw;
    return gr_dc_of_ac(&site->inverter, fmin(fmax(drawn_kw, -limit_kw), limit_kw)) + solar_kw;
}

double gr_site_most_charge_kw(const struct gr_site *site, double solar_kw)
{
    return site->dc_coupled ? gr_dc_of_ac(&site->inverter, site->inverter.limit_kw) + solar_kw : INFINITY;
}

double gr_site_most_discharge_kw(const struct gr_site *site)
{
    return site->dc_coupled ? -gr_dc_of_ac(&site->inverter, -site->inverter.limit_kw) : INFINITY;
}
