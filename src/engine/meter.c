#include "engine/internal.h"

#include <math.h>
#include <string.h>

static const double smoothing_s = 120;      /* a kettle counts, a flicker does not */
static const double least_share = 0.5;      /* a mean over less says little about the whole time */
static const int64_t most_turn_ms = 600000; /* after a longer pause nothing is known about the time between */

void gr_meter_init(struct gr_meter *meter)
{
    memset(meter, 0, sizeof *meter);
    meter->half.step_s = GR_HISTORY_STEP_S;
    meter->fine.step_s = GR_FINE_STEP_S;
    meter->crest_percent = NAN;
    for (int i = 0; i < GR_METERS; i++) {
        meter->last[i] = NAN;
        meter->smooth[i] = NAN;
    }
}

void gr_meter_count(struct gr_meter *meter, int which)
{
    meter->samples[which]++;
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

static void add(struct gr_bin *bin, const double last[GR_METERS], double seconds)
{
    for (int i = 0; i < GR_METERS; i++) {
        if (!isnan(last[i])) {
            bin->sum[i] += last[i] * seconds;
            bin->seconds[i] += seconds;
        }
    }
}

static void empty(struct gr_bin *bin)
{
    memset(bin->sum, 0, sizeof bin->sum);
    memset(bin->seconds, 0, sizeof bin->seconds);
}

static double mean_of(const struct gr_bin *bin, int which)
{
    bool enough = bin->seconds[which] >= least_share * (double)bin->step_s;
    return enough ? bin->sum[which] / bin->seconds[which] : (double)NAN;
}

static struct gr_slot_record means_of(const struct gr_bin *bin)
{
    return (struct gr_slot_record){.start_s = bin->start_s,
                                   .house_kw = mean_of(bin, GR_METER_HOUSE),
                                   .solar_kw = mean_of(bin, GR_METER_SOLAR),
                                   .battery_kw = mean_of(bin, GR_METER_BATTERY),
                                   .grid_kw = mean_of(bin, GR_METER_GRID),
                                   .car_kw = mean_of(bin, GR_METER_CAR),
                                   .state_of_charge_percent = mean_of(bin, GR_METER_PERCENT),
                                   .outdoor_c = mean_of(bin, GR_METER_OUTDOOR)};
}

/* Carries the values of the last turn on to now_s; true, with the means, where the bin ended on the way. A
 * bin that lies wholly between two turns is passed over. */
static bool turn_bin(struct gr_bin *bin, const struct gr_meter *meter, int64_t now_s, bool steady,
                     struct gr_slot_record *means)
{
    int64_t start_s = now_s - now_s % bin->step_s;
    bool ended = steady && start_s > bin->start_s;
    if (ended) {
        add(bin, meter->last, (double)(bin->start_s + bin->step_s - meter->utc_s));
        *means = means_of(bin);
    }
    if (ended || !steady) {
        empty(bin);
    }
    if (steady) {
        int64_t from_s = meter->utc_s > start_s ? meter->utc_s : start_s;
        add(bin, meter->last, (double)(now_s - from_s));
    }
    bin->start_s = start_s;
    return ended;
}

static void take_samples(struct gr_meter *meter, struct gr_fine_record *fine)
{
    const int32_t *samples = meter->samples;
    fine->samples = (struct gr_samples){.house = samples[GR_METER_HOUSE],
                                        .solar = samples[GR_METER_SOLAR],
                                        .battery = samples[GR_METER_BATTERY],
                                        .grid = samples[GR_METER_GRID],
                                        .car = samples[GR_METER_CAR],
                                        .state_of_charge = samples[GR_METER_PERCENT],
                                        .outdoor = samples[GR_METER_OUTDOOR]};
    memset(meter->samples, 0, sizeof meter->samples);
}

/* A reading that flickers by one percent is no fall. */
static void count_falls(struct gr_meter *meter, double seconds, double percent)
{
    double stays = exp(-seconds / GR_SPENT_FADES_S);
    meter->spent_percent *= stays;
    meter->counted_s = meter->counted_s * stays + GR_SPENT_FADES_S * (1 - stays);
    if (isnan(percent)) {
        return;
    }
    if (percent < meter->crest_percent - 1) {
        meter->spent_percent += meter->crest_percent - percent;
        meter->crest_percent = percent;
    }
    meter->crest_percent = fmax(percent, meter->crest_percent);
}

void gr_meter_turn(struct gr_meter *meter, const struct gr_moment *now, const double seen[GR_METERS],
                   struct gr_decision *out)
{
    int64_t passed_ms = now->mono_ms - meter->mono_ms;
    int64_t passed_s = now->utc_s - meter->utc_s;
    bool steady = meter->begun && passed_ms >= 0 && passed_ms <= most_turn_ms && passed_s >= 0 &&
                  passed_s * 1000 <= passed_ms + 30000;
    out->record_due = turn_bin(&meter->half, meter, now->utc_s, steady, &out->record);
    if (out->record_due) {
        out->record.state_of_charge_percent = seen[GR_METER_PERCENT];
    }
    out->fine_due = turn_bin(&meter->fine, meter, now->utc_s, steady, &out->fine.means);
    if (out->fine_due || !steady) {
        take_samples(meter, &out->fine);
    }
    count_falls(meter, meter->begun && passed_ms > 0 ? (double)passed_ms / 1000 : 0, seen[GR_METER_PERCENT]);
    smooth(meter, seen, steady ? (double)passed_ms / 1000 : 1e9);
    memcpy(meter->last, seen, sizeof meter->last);
    meter->begun = true;
    meter->mono_ms = now->mono_ms;
    meter->utc_s = now->utc_s;
}
