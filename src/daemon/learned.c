#include "daemon/learned.h"

#include "daemon/log.h"
#include "granary/civil.h"

#include <math.h>

void gr_log_learned(const struct gr_engine *engine, const struct gr_zone *zone, const struct gr_moment *now,
                    int64_t *told_day)
{
    struct gr_sun_promise promise = gr_engine_sun_promise(engine);
    int64_t day = gr_civil_day(gr_zone_local_s(zone, now->utc_s));
    if (!(promise.trust > 0) || day == *told_day) {
        return;
    }
    *told_day = day;
    if (isnan(promise.ratio)) {
        gr_log(GR_LOG_INFO, "weather: nothing to hold it against yet; it makes %.0f %% of the expected sun",
               100 * promise.trust);
        return;
    }
    gr_log(GR_LOG_INFO,
           "weather: it makes %.0f %% of the expected sun; in %zu days the house had %.2f of what was "
           "promised, %zu days without sun were left out",
           100 * promise.trust, promise.days, promise.ratio, promise.days_out);
}
