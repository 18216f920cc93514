#include "forecast/frame.h"

#include "granary/civil.h"
#include "granary/sun.h"

#include <math.h>

static const int64_t reach_days = 7; /* how far a hole's filling may be fetched */
static const size_t usual_level = 2;

void frame_read_past(struct frame *frame, const struct gr_history *history)
{
    int64_t step_s = GR_HISTORY_STEP_S, over_s = frame->now_s - (frame->now_s % step_s + step_s) % step_s;
    frame->past_first_s = over_s - (int64_t)FRAME_SPAN * step_s;
    gr_history_read(history, frame->past_first_s, FRAME_SPAN, frame->house.kw, frame->solar.kw);
}

/* NAN where the half hour that holds the moment is not known, or had not ended at the present. */
static double read_at(const struct frame *frame, const struct series *series, int64_t utc_s)
{
    int64_t since_s = utc_s - frame->past_first_s;
    bool within = since_s >= 0 && since_s < (int64_t)FRAME_SPAN * GR_HISTORY_STEP_S;
    return within ? series->kw[since_s / GR_HISTORY_STEP_S] : NAN;
}

static bool mostly_known(const struct frame *frame, const struct series *series, int64_t start_s,
                         int64_t end_s)
{
    int64_t known = 0;
    int64_t total = 0;
    for (int64_t t = start_s; t < end_s; t += GR_HISTORY_STEP_S) {
        known += !isnan(read_at(frame, series, t));
        total++;
    }
    return total > 0 && known * 10 >= total * 9;
}

size_t frame_survey_past(struct frame *frame)
{
    size_t found = 0;
    int64_t end_s = gr_zone_utc_s(frame->zone, (frame->today + 1) * GR_DAY_S, 0);
    for (int64_t age = 0; age <= GR_HISTORY_DAYS; age++) {
        int64_t start_s = gr_zone_utc_s(frame->zone, (frame->today - age) * GR_DAY_S, 0);
        struct past_day *past = &frame->past[age];
        *past = (struct past_day){.start_s = start_s, .even = end_s - start_s == GR_DAY_S};
        if (age > 0 && found < frame->expectation->path_days) {
            past->house_known = mostly_known(frame, &frame->house, start_s, end_s);
            past->solar_known = mostly_known(frame, &frame->solar, start_s, end_s);
            found += past->house_known;
        }
        end_s = start_s;
    }
    return found;
}

static double mean_before(const struct frame *frame, const struct series *series, int64_t end_s,
                          int64_t half_hours)
{
    double sum = 0;
    int64_t known = 0;
    for (int64_t i = 1; i <= half_hours; i++) {
        double kw = read_at(frame, series, end_s - i * GR_HISTORY_STEP_S);
        if (!isnan(kw)) {
            sum += kw;
            known++;
        }
    }
    return known > 0 && 2 * known >= half_hours ? sum / (double)known : NAN;
}

struct frame_levels frame_levels_at(const struct frame *frame, int64_t age)
{
    int64_t end_s = frame->cell[0].start_s - age * GR_DAY_S;
    return (struct frame_levels){.house_kw = mean_before(frame, &frame->house, end_s, 48),
                                 .solar_kw = mean_before(frame, &frame->solar, end_s, 48),
                                 .late_house_kw = mean_before(frame, &frame->house, end_s, 4)};
}

void frame_survey_levels(struct frame *frame)
{
    int64_t end_s = frame->cell[0].start_s;
    frame->level = frame_levels_at(frame, 0);
    frame->usual_house_kw = mean_before(frame, &frame->house, end_s, INT64_C(7) * 48);
    frame->usual_solar_kw = mean_before(frame, &frame->solar, end_s, INT64_C(7) * 48);
}

double frame_profile_kw(const struct frame *frame, int64_t wall_s)
{
    return frame->expectation->house_kw[wall_s / 3600];
}

static double mean_of_known(double a, double b)
{
    if (isnan(a)) {
        return b;
    }
    return isnan(b) ? a : (a + b) / 2;
}

static double house_at(const struct frame *frame, int64_t day, int64_t wall_s)
{
    int64_t age = frame->today - day;
    bool even = age >= 0 && age <= GR_HISTORY_DAYS && frame->past[age].even;
    int64_t utc_s =
        even ? frame->past[age].start_s + wall_s : gr_zone_utc_s(frame->zone, day * GR_DAY_S + wall_s, 0);
    return read_at(frame, &frame->house, utc_s);
}

double frame_past_house_kw(const struct frame *frame, int64_t day, int64_t wall_s)
{
    double kw = house_at(frame, day, wall_s);
    for (int64_t away = 1; isnan(kw) && away <= reach_days; away++) {
        kw = mean_of_known(house_at(frame, day - away, wall_s), house_at(frame, day + away, wall_s));
    }
    return isnan(kw) ? frame_profile_kw(frame, wall_s) : kw;
}

double frame_past_solar_kw(const struct frame *frame, struct cell *cell, int64_t days_back)
{
    int64_t utc_s = cell->start_s - days_back * GR_DAY_S;
    double kw = read_at(frame, &frame->solar, utc_s);
    for (int64_t away = 1; isnan(kw) && away <= reach_days; away++) {
        kw = mean_of_known(read_at(frame, &frame->solar, utc_s - away * GR_DAY_S),
                           read_at(frame, &frame->solar, utc_s + away * GR_DAY_S));
    }
    return isnan(kw) ? frame_model_kw(frame, cell, usual_level) : kw;
}

double frame_model_kw(const struct frame *frame, struct cell *cell, size_t level)
{
    if (isnan(cell->clear_kw[level])) {
        gr_site_solar_levels_kw(frame->site, cell->start_s, cell->start_s + GR_HISTORY_STEP_S,
                                frame->clearness, LEVELS, cell->clear_kw);
    }
    return cell->clear_kw[level];
}
