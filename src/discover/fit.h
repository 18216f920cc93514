/* What the files of the fit share: series as candidates for the roles, and the search over them. */
#ifndef GRANARY_DISCOVER_FIT_H
#define GRANARY_DISCOVER_FIT_H

#include "discover/words.h"

enum { GR_FIT_POINTS = 160, GR_FIT_CANDIDATES = 48, GR_FIT_PER_ROLE = 12, GR_FIT_CARS = 4 };

/* A series taken in one unit, on points of time that are the same for all. */
struct gr_candidate {
    size_t series;
    enum gr_unit unit;
    double suits[GR_CHANNELS];   /* by name and by range, without the other series */
    double direction;            /* -1 where all of it is below zero, else +1 */
    double value[GR_FIT_POINTS]; /* kW, or percent */
    double step[GR_FIT_POINTS];  /* change over the lag, for the first points - lag of them */
    double least, greatest;
};

struct gr_field {
    const struct gr_topic_series *series;
    const struct gr_names *names;
    struct gr_candidate candidates[GR_FIT_CANDIDATES];
    size_t count, points, lag;
    double lag_hours;
};

/* Fills the field with what may be a power or a state of charge, the most likely ones where there are many.
 */
void gr_field_fill(struct gr_field *field, const struct gr_topic_series *series, size_t count,
                   const struct gr_names *names);

/* How a state of charge (candidate `state`) and battery power (`battery`, + charges after `sign`) go
 * together: 1 in step, -1 against each other, 0 where one of them hardly moves. *capacity_kwh by their ratio,
 * NAN where they say none. */
double gr_field_follow(const struct gr_field *field, size_t state, size_t battery, double sign,
                       double *capacity_kwh);

/* One way of giving the roles; -1: nobody has it. */
struct gr_casting {
    int of[GR_CHANNELS];
    double sign[GR_CHANNELS];
    double score;
};

/* The best casting, and for each role the best score with another series, with the other sign, and with the
 * other unit. */
struct gr_search {
    struct gr_casting best;
    double other_series[GR_CHANNELS], other_sign[GR_CHANNELS], other_unit[GR_CHANNELS];
    int rival[GR_CHANNELS];      /* candidate in other_series, -1: none */
    double miss_kw[GR_CHANNELS]; /* rms miss of the balance without this role */
    double house_miss_kw;        /* and with all; NAN where the house is not measured */
};

int gr_search_run(struct gr_search *out, const struct gr_field *field);

/* Power of the house by the other roles of a casting, point by point. */
void gr_casting_house(const struct gr_field *field, const struct gr_casting *casting,
                      double house_kw[GR_FIT_POINTS]);

#endif
