#include "granary/fetch.h"

#define MINUTE_S 60
#define HOUR_S 3600
#define DAY_S 86400
#define MOST_RETRY_AFTER_S 21600
#define MOST_FAILURES 1000000

static int64_t backoff_s(int failures)
{
    return failures > 6 ? HOUR_S : (int64_t)MINUTE_S << (failures - 1);
}

static int64_t wait_s(enum gr_fetch_outcome outcome, int failures, int64_t retry_after_s)
{
    int64_t wait = outcome == GR_FETCH_REFUSED ? HOUR_S : backoff_s(failures);
    int64_t asked = retry_after_s < MOST_RETRY_AFTER_S ? retry_after_s : MOST_RETRY_AFTER_S;
    return asked > wait ? asked : wait;
}

/* Up to `most_s` seconds; a jitter that is no number in [0,1) spreads nothing. */
static int64_t spread_s(double jitter, int64_t most_s)
{
    return jitter > 0 && jitter < 1 ? (int64_t)(jitter * (double)most_s) : 0;
}

void gr_schedule_note(struct gr_schedule *schedule, enum gr_fetch_outcome outcome, bool accepted,
                      int64_t retry_after_s, int64_t now_s, int64_t wanted_s, double jitter)
{
    if (accepted && (outcome == GR_FETCH_BODY || outcome == GR_FETCH_NOT_MODIFIED)) {
        int64_t next = wanted_s > now_s + MINUTE_S ? wanted_s : now_s + MINUTE_S;
        schedule->failures = 0;
        schedule->next_s = next + spread_s(jitter, MINUTE_S);
        return;
    }
    if (schedule->failures < 0) {
        schedule->failures = 0;
    }
    if (schedule->failures < MOST_FAILURES) {
        schedule->failures++;
    }
    int64_t wait = wait_s(outcome, schedule->failures, retry_after_s);
    schedule->next_s = now_s + wait + spread_s(jitter, (wait < HOUR_S ? wait : HOUR_S) / 5);
}

int64_t gr_schedule_wanted_s(const struct gr_zone *zone, int64_t now_s, int fetch_from_minute)
{
    int64_t local = gr_zone_local_s(zone, now_s);
    int64_t day = local - (local % DAY_S + DAY_S) % DAY_S;
    int64_t wanted = now_s;
    /* From the day before, since a clock put back at midnight makes the local date recede. */
    for (int days = -1; days <= 3 && wanted <= now_s; days++) {
        wanted = gr_zone_utc_s(zone, day + days * (int64_t)DAY_S + fetch_from_minute * (int64_t)MINUTE_S, 0);
    }
    return wanted > now_s ? wanted : now_s + DAY_S;
}
