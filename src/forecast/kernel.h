/* Weighted quantiles and means of earlier values at about the same time of day: the more a past day is like
 * the present one, the more it weighs. Three memories of different length answer apart. Internal to
 * src/forecast. */
#ifndef GRANARY_FORECAST_KERNEL_H
#define GRANARY_FORECAST_KERNEL_H

#include "forecast/record.h"

#define MEMORIES 3
#define MEMORY_DAYS 120
#define KERNEL_NEIGHBOURS 7 /* at most, of steps of 20 minutes */

struct kernel_shape {
    double other_type;    /* weight of a weekday for a weekend day and the other way round */
    double other_weekday; /* of any other day of the week */
    double clock_hours;   /* spread of the bell over the time of day */
    double recent_pull;   /* how much the last two hours matter, right at the present */
    double fade_hours;    /* and how soon that fades */
    double least_scale;   /* values measured by less than this tell nothing */
    double floor_share;   /* of the mean, added inside the logarithms */
    struct {
        size_t days;
        double half_life_days;
        double level_pull; /* how much the last 24 hours matter */
    } memory[MEMORIES];
};

extern const struct kernel_shape kernel_of_load, kernel_of_sun, kernel_of_weather;

struct sample {
    double value, weight[MEMORIES];
};

struct kernel {
    const struct record *record;
    const struct kernel_shape *shape;
    size_t from;
    double day_weight[MEMORIES][MEMORY_DAYS + 1];
    double recent_distance[MEMORY_DAYS + 1];
    size_t stride; /* neighbours within half an hour say much the same: finer slots are not all asked */
    double
        bell[KERNEL_NEIGHBOURS]; /* weights of the neighbours asked, from an hour before to an hour after */
    struct sample *room, *spare;
};

struct kernel_answer {
    double quantile_kw[MEMORIES][GR_QUANTILES];
    double mean_kw[MEMORIES];
};

int kernel_create(struct kernel *kernel, const struct record *record, const struct kernel_shape *shape);
void kernel_free(struct kernel *kernel);

/* Weighs the past days against what lies before `from`. */
void kernel_aim(struct kernel *kernel, size_t from);

/* False where no earlier value is near that time of day. */
bool kernel_ask(struct kernel *kernel, size_t slot, struct kernel_answer *out);

#endif
