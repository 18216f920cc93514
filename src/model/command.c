#include "granary/command.h"

#include <math.h>
#include <stddef.h>
#include <string.h>

static const char *const names[GR_COMMAND_KINDS] = {"follow", "store", "serve", "charge", "export", "rest"};

const char *gr_command_name(enum gr_command_kind kind)
{
    return (unsigned)kind < GR_COMMAND_KINDS ? names[kind] : NULL;
}

int gr_command_kind_of(const char *name)
{
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        if (strcmp(name, names[kind]) == 0) {
            return kind;
        }
    }
    return -1;
}

struct gr_band gr_command_band(enum gr_command_kind kind, double power_kw, double charge_kw,
                               double discharge_kw)
{
    double charge = fmin(fmax(power_kw, 0), charge_kw);
    double discharge = fmin(fmax(power_kw, 0), discharge_kw);
    switch (kind) {
    case GR_STORE:
        return (struct gr_band){0, charge_kw};
    case GR_SERVE:
        return (struct gr_band){-discharge_kw, 0};
    case GR_CHARGE:
        return (struct gr_band){charge, charge};
    case GR_EXPORT:
        return (struct gr_band){-discharge, -discharge};
    case GR_REST:
        return (struct gr_band){0, 0};
    case GR_FOLLOW:
    case GR_COMMAND_KINDS:
        break;
    }
    return (struct gr_band){-discharge_kw, charge_kw};
}

double gr_band_power_kw(struct gr_band band, double net_load_kw)
{
    return fmin(fmax(-net_load_kw, band.low_kw), band.high_kw);
}
