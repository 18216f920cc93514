/* What a back-test lived through, as a planning problem of its own. */
#ifndef GRANARY_TESTS_BACKTEST_PROBLEM_H
#define GRANARY_TESTS_BACKTEST_PROBLEM_H

#include "backtest_house.h"

#include <math.h>

enum { COURSE_ROOM = 24 * 14 };

struct course {
    double hours[COURSE_ROOM], load_kw[COURSE_ROOM], solar_kw[COURSE_ROOM];
    double import_price[COURSE_ROOM], export_price[COURSE_ROOM], floor_kwh[COURSE_ROOM];
    double end_kwh[2], end_value[2];
};

/* The problem of the first `slots` entries of a course, whose floors and end this fills in; it points into
 * the course. */
static inline struct gr_problem course_problem(struct course *course, size_t slots, const struct made_up *it,
                                               const struct gr_backtest_result *result)
{
    double capacity_kwh = it->backtest.capacity_kwh, dearest = 0;
    for (size_t t = 0; t < slots; t++) {
        course->floor_kwh[t] = 0.1 * capacity_kwh;
        dearest = fmax(dearest, fmax(fabs(course->import_price[t]), fabs(course->export_price[t])));
    }
    course->end_kwh[1] = capacity_kwh;
    course->end_value[1] = capacity_kwh * result->left_per_kwh;
    return (struct gr_problem){.slots = slots,
                               .hours = course->hours,
                               .load_kw = course->load_kw,
                               .solar_kw = course->solar_kw,
                               .import_price = course->import_price,
                               .export_price = course->export_price,
                               .floor_kwh = course->floor_kwh,
                               .battery = it->config.site.battery,
                               .start_kwh = result->start_kwh,
                               .import_limit_kw = 20,
                               .export_limit_kw = 5,
                               .curtailable = true,
                               .penalty_per_kwh = 20 * dearest,
                               .end_points = 2,
                               .end_kwh = course->end_kwh,
                               .end_value = course->end_value};
}

#endif
