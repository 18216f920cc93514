/* The inverter's side of a command: what it does while the command holds, and that it forgets it in time. */
#include "granary/house.h"

#include <math.h>

static enum gr_command_kind kind_in_force(const struct gr_inverter *inverter, int64_t utc_s)
{
    return utc_s < inverter->valid_until_s ? inverter->kind : GR_FOLLOW;
}

double gr_inverter_stop_kwh(const struct gr_inverter *inverter, const struct gr_site *site, int64_t utc_s)
{
    enum gr_command_kind kind = kind_in_force(inverter, utc_s);
    double percent = site->reserve_percent;
    if (kind == GR_SERVE || kind == GR_EXPORT) {
        percent = fmax(percent, inverter->target_percent);
    }
    return site->battery.capacity_kwh * percent / 100;
}

struct gr_band gr_inverter_band(const struct gr_inverter *inverter, const struct gr_site *site,
                                double stored_kwh, int64_t utc_s)
{
    const struct gr_battery *battery = &site->battery;
    enum gr_command_kind kind = kind_in_force(inverter, utc_s);
    struct gr_band band =
        gr_command_band(kind, inverter->power_kw, battery->charge_kw, battery->discharge_kw);
    if (stored_kwh <= gr_inverter_stop_kwh(inverter, site, utc_s)) {
        band.low_kw = fmax(band.low_kw, 0);
        band.high_kw = fmax(band.high_kw, 0);
    }
    if (kind == GR_CHARGE && stored_kwh >= battery->capacity_kwh * inverter->target_percent / 100) {
        band = (struct gr_band){0, 0};
    }
    return band;
}
