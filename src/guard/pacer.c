#include "granary/guard.h"

#include <math.h>
#include <string.h>

static const int64_t day_ms = INT64_C(86400000);
static const double least_power_step_kw =
    0.05; /* smaller ones are not worth a write to an inverter's settings */

void gr_pacer_init(struct gr_pacer *pacer)
{
    memset(pacer, 0, sizeof *pacer);
}

int gr_pacer_changes(const struct gr_pacer *pacer, const struct gr_moment *now)
{
    size_t kept = pacer->changes < GR_MOST_CHANGES ? pacer->changes : GR_MOST_CHANGES;
    int count = 0;
    for (size_t i = 0; i < kept; i++) {
        count += now->mono_ms - pacer->change_ms[i] < day_ms;
    }
    return count;
}

size_t gr_pacer_moments(const struct gr_pacer *pacer, const struct gr_moment *now,
                        int64_t out_s[GR_MOST_CHANGES])
{
    size_t kept = pacer->changes < GR_MOST_CHANGES ? pacer->changes : GR_MOST_CHANGES, count = 0;
    for (size_t i = pacer->changes - kept; i < pacer->changes; i++) {
        int64_t age_ms = now->mono_ms - pacer->change_ms[i % GR_MOST_CHANGES];
        if (age_ms < day_ms) {
            out_s[count++] = now->utc_s - age_ms / 1000;
        }
    }
    return count;
}

void gr_pacer_restore(struct gr_pacer *pacer, const int64_t *at_s, size_t count, const struct gr_moment *now)
{
    for (size_t i = 0; i < count; i++) {
        int64_t age_s = at_s[i] < now->utc_s ? now->utc_s - at_s[i] : 0;
        if (age_s < day_ms / 1000) {
            pacer->change_ms[pacer->changes++ % GR_MOST_CHANGES] = now->mono_ms - age_s * 1000;
        }
    }
}

void gr_pacer_weigh(struct gr_pacer *pacer, double gain, double hours, const struct gr_moment *now)
{
    int64_t passed_ms =
        (now->mono_ms < pacer->loss_end_ms ? now->mono_ms : pacer->loss_end_ms) - pacer->weighed_ms;
    if (passed_ms > 0) {
        pacer->forgone += pacer->loss_per_ms * (double)passed_ms;
    }
    pacer->weighed_ms = now->mono_ms;
    pacer->loss_end_ms = now->mono_ms + (int64_t)(hours * 3.6e6);
    pacer->loss_per_ms = fmax(0, gain) / (hours * 3.6e6);
}

bool gr_pacer_gains(const struct gr_pacer *pacer, const struct gr_safety *safety, double gain)
{
    return gain + (gain > 0 ? pacer->forgone : 0) >= safety->least_gain;
}

bool gr_pacer_allows(const struct gr_pacer *pacer, const struct gr_safety *safety,
                     const struct gr_moment *now, double gain, bool forced)
{
    if (forced || !pacer->any) {
        return true;
    }
    return gr_pacer_gains(pacer, safety, gain) &&
           now->mono_ms - pacer->since_ms >= (int64_t)safety->dwell_s * 1000 &&
           gr_pacer_changes(pacer, now) < safety->changes_per_day;
}

void gr_pacer_repeat(struct gr_pacer *pacer, const struct gr_moment *now)
{
    pacer->change_ms[pacer->changes++ % GR_MOST_CHANGES] = now->mono_ms;
}

bool gr_pacer_note(struct gr_pacer *pacer, enum gr_command_kind kind, double power_kw,
                   const struct gr_moment *now)
{
    if (pacer->any && pacer->kind == kind && fabs(pacer->power_kw - power_kw) < least_power_step_kw) {
        return false;
    }
    /* Before the first command the battery follows the house: the last process ended in that. */
    if (pacer->any || kind != GR_FOLLOW) {
        gr_pacer_repeat(pacer, now);
    }
    pacer->any = true;
    pacer->kind = kind;
    pacer->power_kw = power_kw;
    pacer->since_ms = now->mono_ms;
    pacer->forgone = 0;
    pacer->loss_per_ms = 0;
    return true;
}
