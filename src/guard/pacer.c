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

bool gr_pacer_allows(const struct gr_pacer *pacer, const struct gr_safety *safety,
                     const struct gr_moment *now, double gain, bool forced)
{
    if (forced || !pacer->any) {
        return true;
    }
    return gain >= safety->least_gain && now->mono_ms - pacer->since_ms >= (int64_t)safety->dwell_s * 1000 &&
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
    /* The first command after a start is no change of anything. */
    if (pacer->any) {
        gr_pacer_repeat(pacer, now);
    }
    pacer->any = true;
    pacer->kind = kind;
    pacer->power_kw = power_kw;
    pacer->since_ms = now->mono_ms;
    return true;
}
