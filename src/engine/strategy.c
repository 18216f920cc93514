#include "granary/strategy.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *const kind_names[GR_STRATEGY_KINDS] = {"none", "follow", "night-fill", "planned",
                                                          "foresight"};

const char *gr_strategy_kind_name(enum gr_strategy_kind kind)
{
    return (unsigned)kind < GR_STRATEGY_KINDS ? kind_names[kind] : NULL;
}

int gr_strategy_named(struct gr_strategy *out, const char *name)
{
    for (int kind = 0; kind < GR_STRATEGY_KINDS; kind++) {
        if (strcmp(name, kind_names[kind]) == 0) {
            *out = (struct gr_strategy){.kind = (enum gr_strategy_kind)kind,
                                        .fill_percent = 100,
                                        .may_export = -1,
                                        .least_gain_per_exported_kwh = NAN,
                                        .reserve_percent = NAN,
                                        .floor_percent = NAN,
                                        .wear_per_kwh = NAN,
                                        .cycles_per_day = NAN,
                                        .least_gain = NAN};
            (void)snprintf(out->name, sizeof out->name, "%s", name);
            return GR_OK;
        }
    }
    return GR_NOT_FOUND;
}

static void wish(double *configured, double wished)
{
    *configured = isnan(wished) ? *configured : wished;
}

int gr_strategy_apply(struct gr_engine_config *config, const struct gr_strategy *strategy,
                      struct gr_error *error)
{
    struct gr_planning *planning = &config->planning;
    if (strategy->reserve_percent < config->site.reserve_percent) {
        return gr_error_set(
            error, GR_INVALID,
            "reserve_percent: found %.6g %%, below the battery's reserve; allowed: %.6g to 99 %%",
            strategy->reserve_percent, config->site.reserve_percent);
    }
    if (strategy->may_export == 1 && config->site.grid.export_limit_kw == 0) {
        return gr_error_set(error, GR_INVALID,
                            "may_export: found true where grid.export_limit_kw is 0; allowed: false");
    }
    if (strategy->may_export >= 0) {
        planning->may_export = strategy->may_export == 1;
    }
    wish(&planning->least_gain_per_exported_kwh, strategy->least_gain_per_exported_kwh);
    if (strategy->export_from_minute != strategy->export_to_minute) {
        planning->export_from_minute = strategy->export_from_minute;
        planning->export_to_minute = strategy->export_to_minute;
    }
    wish(&config->site.reserve_percent, strategy->reserve_percent);
    wish(&planning->floor_percent, strategy->floor_percent);
    planning->floor_percent = fmax(planning->floor_percent, config->site.reserve_percent);
    wish(&config->site.battery.wear_per_kwh, strategy->wear_per_kwh);
    wish(&planning->cycles_per_day, strategy->cycles_per_day);
    wish(&config->safety.least_gain, strategy->least_gain);
    return GR_OK;
}
