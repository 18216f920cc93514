/* How battery and sun of a site meet its AC side. Powers in kW, signs as in site.h.
 *
 * AC-coupled each has its own converter: together they draw battery - solar. DC-coupled they meet behind one
 * inverter: it gives x = battery - solar to the DC side (+) and draws x / to_dc_efficiency for it, or takes
 * -x and gives to_ac_efficiency times as much. */
#ifndef GRANARY_COUPLING_H
#define GRANARY_COUPLING_H

#include "granary/site.h"

/* What the inverter gives (+) to the DC side when it draws so much, and the other way round; its limit apart.
 */
double gr_dc_of_ac(const struct gr_dc_inverter *inverter, double ac_kw);
double gr_ac_of_dc(const struct gr_dc_inverter *inverter, double dc_kw);

/* What battery and sun together draw from the AC side (+), or give to it; the inverter's limit apart. */
double gr_site_drawn_kw(const struct gr_site *site, double battery_kw, double solar_kw);

/* What the meter shows with a load, battery and sun: what is beyond the inverter's limit does not reach it.
 */
double gr_site_grid_kw(const struct gr_site *site, double load_kw, double battery_kw, double solar_kw);

/* The battery power with which they draw so much, as near as the inverter's limit lets them. */
double gr_site_battery_kw(const struct gr_site *site, double drawn_kw, double solar_kw);

/* The greatest battery powers (>= 0) that the inverter leaves with so much sun; INFINITY where each has its
 * own. */
double gr_site_most_charge_kw(const struct gr_site *site, double solar_kw);
double gr_site_most_discharge_kw(const struct gr_site *site);

#endif
