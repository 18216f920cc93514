/* Fill in the cheapest hours of the day to a set level, hold it while they last, and follow for the rest of
 * the day: what a timer can do. The hours are the cheapest of the local day, as many as an empty battery
 * takes; only such as are cheaper than the day's mean. Today's prices are published, so nothing of the future
 * is used. */
#include "backtest/parts.h"

#include <math.h>
#include <stdlib.h>

static const double same_price = 1e-9;

/* The part of the run's steps that one local day has. */
struct day {
    size_t first, end;
    double cheap_price; /* -INFINITY where no hour is cheap */
};

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static void price_day(const struct gr_backtest_work *work, struct day *day, double *room)
{
    const struct gr_battery *battery = &work->battery;
    double fill_hours = battery->capacity_kwh / (battery->charge_kw * battery->charge_efficiency);
    size_t count = day->end - day->first;
    double sum = 0;
    for (size_t i = 0; i < count; i++) {
        room[i] = work->steps[day->first + i].import_price;
        sum += room[i];
    }
    qsort(room, count, sizeof *room, compare_doubles);
    size_t needed = (size_t)ceil(fill_hours / gr_backtest_hours(work));
    double price = room[(needed < count ? needed : count) - 1];
    /* the last cheap price may be no cheaper than the rest: step down to one that is */
    for (size_t i = count; i-- > 0 && price >= sum / (double)count - same_price;) {
        price = room[i];
    }
    day->cheap_price = price < sum / (double)count - same_price ? price : -INFINITY;
}

static void fill(struct gr_backtest_work *work, const struct day *day, size_t i)
{
    const struct gr_backtest_step *step = &work->steps[i];
    const struct gr_battery *battery = &work->battery;
    double hours = gr_backtest_hours(work);
    double level_kwh = work->backtest->strategy->fill_percent / 100 * battery->capacity_kwh;
    double lacking_kwh = level_kwh + hours * battery->standing_loss_kw - gr_backtest_stored_before(work, i);
    double power_kw = fmin(battery->charge_kw, lacking_kwh / (hours * battery->charge_efficiency));
    power_kw = fmin(power_kw, work->config.site.grid.import_limit_kw - step->house_kw + step->solar_kw);
    if (step->import_price > day->cheap_price + same_price) {
        gr_backtest_act(work, i, GR_FOLLOW, 0);
    } else if (power_kw > fmax(0, step->solar_kw - step->house_kw)) {
        gr_backtest_act(work, i, GR_CHARGE, power_kw);
    } else {
        gr_backtest_act(work, i, GR_STORE, 0);
    }
}

int gr_backtest_night_fill(struct gr_backtest_work *work, struct gr_error *error)
{
    double *room = malloc(work->count * sizeof *room);
    if (!room) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for %zu steps", work->count);
    }
    for (struct day day = {0}; day.first < work->count; day.first = day.end) {
        int64_t end_s = gr_zone_day_start_s(work->backtest->zone, work->steps[day.first].start_s, 1);
        day.end = day.first;
        while (day.end < work->count && work->steps[day.end].start_s < end_s) {
            day.end++;
        }
        price_day(work, &day, room);
        for (size_t i = day.first; i < day.end; i++) {
            if (work->steps[i].gap) {
                gr_backtest_skip(work, i);
            } else {
                fill(work, &day, i);
            }
        }
        gr_backtest_report(work, day.end);
    }
    free(room);
    return GR_OK;
}
