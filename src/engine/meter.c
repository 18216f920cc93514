#include "engine/internal.h"

#include <math.h>
#include <string.h>

static const double smoothing_s = 120;         /* a kettle counts, a flicker does not */
static const double least_share_of_slot = 0.5; /* a mean over less says little about a half hour */
static const int64_t most_turn_ms =
    600000; /* after a longer pause nothing is known about the time between */

void gr_meter_init(struct gr_meter *meter)
{
    memset(meter, 0, sizeof *meter);
    for (int i = 0; i < GR_METERS; i++) {
        meter->last[i] = NAN;
        meter->smooth[i] = NAN;
    }
}

static void smooth(struct gr_meter *meter, const double seen[GR_METERS], double seconds)
{
    double weight = 1 - exp(-seconds / smoothing_s);
    for (int i = 0; i < GR_METERS; i++) {
        if (isnan(seen[i]) || isnan(meter->smooth[i])) {
            meter->smooth[i] = seen[i];
        } else {
            meter->smooth[i] += weight * (seen[i] - meter->smooth[i]);
        }
    }
}

static void add(struct gr_meter *meter, double seconds)
{
    for (int i = 0; i < GR_METERS; i++) {
        if (!isnan(meter->last[i])) {
            meter->sum[i] += meter->last[i] * seconds;
            meter->seconds[i] += seconds;
        }
    }
}

static double mean_of(const struct gr_meter *meter, int which)
{
    bool enough = meter->seconds[which] >= least_share_of_slot * GR_HISTORY_STEP_S;
    return enough ? meter->sum[which] / meter->seconds[which] : NAN;
}

static void finish(struct gr_meter *meter, double percent, struct gr_slot_record *record)
{
    *record = (struct gr_slot_record){.start_s = meter->slot_s,
                                      .house_kw = mean_of(meter, GR_METER_HOUSE),
                                      .solar_kw = mean_of(meter, GR_METER_SOLAR),
                                      .battery_kw = mean_of(meter, GR_METER_BATTERY),
                                      .grid_kw = mean_of(meter, GR_METER_GRID),
                                      .car_kw = mean_of(meter, GR_METER_CAR),
                                      .state_of_charge_percent = percent};
    memset(meter->sum, 0, sizeof meter->sum);
    memset(meter->seconds, 0, sizeof meter->seconds);
}

bool gr_meter_turn(struct gr_meter *meter, const struct gr_moment *now, const double seen[GR_METERS],
                   double percent, struct gr_slot_record *record)
{
    int64_t slot_s = now->utc_s - now->utc_s % GR_HISTORY_STEP_S;
    int64_t passed_ms = now->mono_ms - meter->mono_ms;
    int64_t passed_s = now->utc_s - meter->utc_s;
    bool steady = meter->slot_s != 0 && passed_ms >= 0 && passed_ms <= most_turn_ms && passed_s >= 0 &&
                  passed_s * 1000 <= passed_ms + 30000 && slot_s - meter->slot_s <= GR_HISTORY_STEP_S;
    bool finished = false;
    if (steady) {
        int64_t inside_s = slot_s > meter->slot_s ? slot_s - meter->utc_s : passed_s;
        add(meter, (double)inside_s);
        if (slot_s > meter->slot_s) {
            finish(meter, percent, record);
            finished = true;
            add(meter, (double)(now->utc_s - slot_s));
        }
    } else {
        memset(meter->sum, 0, sizeof meter->sum);
        memset(meter->seconds, 0, sizeof meter->seconds);
    }
    smooth(meter, seen, steady ? (double)passed_ms / 1000 : 1e9);
    memcpy(meter->last, seen, sizeof meter->last);
    meter->slot_s = slot_s;
    meter->mono_ms = now->mono_ms;
    meter->utc_s = now->utc_s;
    return finished;
}
