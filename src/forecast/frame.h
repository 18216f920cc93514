/* What the building of paths works on: the horizon cut into UTC half hours ("cells"), each with its place on
 * the local calendar, and what is known of the days before. Internal to src/forecast. */
#ifndef GRANARY_FORECAST_FRAME_H
#define GRANARY_FORECAST_FRAME_H

#include "granary/history.h"

#define LEVELS 5 /* clearnesses */

struct cell {
    int64_t start_s;
    int64_t day;             /* local calendar day, days since 1970-01-01 on the wall clock */
    int64_t wall_s;          /* wall-clock seconds into that day, at the cell's middle */
    bool day_off;            /* a weekend day or a holiday */
    double clear_kw[LEVELS]; /* the arrays under each clearness, NAN until asked for */
};

/* How one past day stands in the history; `age` 1 is yesterday. */
struct past_day {
    int64_t start_s;
    bool even;                     /* the clock did not change in it */
    bool house_known, solar_known; /* to nine tenths */
};

/* Mean powers before a moment; NAN where less than half of the time is known. */
struct frame_levels {
    double house_kw, solar_kw; /* of 24 hours */
    double late_house_kw;      /* of the last 2 hours */
};

/* Half hours that may be asked for: the oldest day that a path is made of, and the days from which its holes
 * are filled. */
#define FRAME_SPAN ((size_t)(GR_HISTORY_DAYS + 9) * 48)

/* One series of the past by half hours; NAN: not known. */
struct series {
    double kw[FRAME_SPAN];
};

struct frame {
    const struct gr_expectation *expectation;
    const struct gr_site *site;
    const struct gr_zone *zone;
    const int64_t *bounds_s;
    size_t slots;
    int64_t now_s;        /* = bounds_s[0]; nothing that ended later is looked at */
    int64_t past_first_s; /* start of the oldest half hour in `house` and `solar`, whose last ones are over */
    struct series house, solar;
    int64_t today; /* the local day of now_s */
    double clearness[LEVELS];
    struct past_day past[GR_HISTORY_DAYS + 1]; /* by age; [0] is never known */
    struct frame_levels level;                 /* at the start of the horizon */
    double usual_house_kw, usual_solar_kw;     /* means of the week before it; NAN: not known */
    size_t cells;
    struct cell *cell;
};

/* Fills the two series. */
void frame_read_past(struct frame *frame, const struct gr_history *history);

/* Fills `past`; stops once `path_days` days with a known house are found, the rest counts as not known.
 * Returns how many. */
size_t frame_survey_past(struct frame *frame);

/* House power `age` days before `today` on the wall clock `wall_s`; holes are filled from the nearest days
 * that know the same wall-clock time, or else from the profile. */
double frame_past_house_kw(const struct frame *frame, int64_t day, int64_t wall_s);

/* Solar power whole days of 24 h before the cell; holes are filled from the nearest days, or else from the
 * arrays under usual clearness, or else 0. */
double frame_past_solar_kw(const struct frame *frame, struct cell *cell, int64_t days_back);

/* Levels before the start of the horizon, and before the same time `age` days earlier. */
struct frame_levels frame_levels_at(const struct frame *frame, int64_t age);

/* Fills the levels and usual powers. */
void frame_survey_levels(struct frame *frame);

double frame_profile_kw(const struct frame *frame, int64_t wall_s);

/* The site's arrays during the cell under clearness number `level`; 0 without arrays. */
double frame_model_kw(const struct frame *frame, struct cell *cell, size_t level);

#endif
