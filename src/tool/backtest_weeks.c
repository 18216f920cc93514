/* The weeks that a report shows step by step: such as are most like the others. */
#include "tool/backtest.h"

#include "granary/civil.h"

#include <math.h>
#include <stdlib.h>

enum { WEEK_DAYS = 7, FEWEST_FOR_QUARTERS = 12 };

/* Energy of one whole local week. */
struct candidate {
    int64_t from_s, to_s;
    double house_kwh, solar_kwh;
};

static size_t step_at(const struct gr_bt_scene *scene, int64_t moment_s)
{
    return (size_t)((moment_s - scene->usage.start_s) / scene->usage.step_s);
}

/* NAN for a week with a gap. */
static double energy(const struct gr_bt_scene *scene, const double *power_kw, int64_t from_s, int64_t to_s)
{
    double sum = 0;
    for (size_t i = step_at(scene, from_s); power_kw && i < step_at(scene, to_s); i++) {
        sum += power_kw[i];
    }
    return sum * scene->usage.step_s / 3600;
}

static int64_t first_monday_s(const struct gr_bt_scene *scene)
{
    int weekday = gr_civil_weekday(gr_zone_local_s(scene->zone, scene->from_s));
    int64_t monday_s = gr_zone_day_start_s(scene->zone, scene->from_s, (WEEK_DAYS + 1 - weekday) % WEEK_DAYS);
    return monday_s < scene->from_s ? gr_zone_day_start_s(scene->zone, monday_s, WEEK_DAYS) : monday_s;
}

static size_t list_candidates(const struct gr_bt_scene *scene, struct candidate *out, size_t most)
{
    size_t count = 0;
    int64_t from_s = first_monday_s(scene);
    while (count < most) {
        int64_t to_s = gr_zone_day_start_s(scene->zone, from_s, WEEK_DAYS);
        if (to_s > scene->to_s) {
            break;
        }
        struct candidate it = {from_s, to_s, energy(scene, scene->usage.load_kw, from_s, to_s),
                               energy(scene, scene->usage.solar_kw, from_s, to_s)};
        if (!isnan(it.house_kwh) && !isnan(it.solar_kwh)) {
            out[count++] = it;
        }
        from_s = to_s;
    }
    return count;
}

/* The one whose load and sun lie nearest to the means of all. */
static const struct candidate *find_typical(const struct candidate *week, size_t count)
{
    double house = 0, solar = 0, least = INFINITY;
    const struct candidate *best = week;
    for (size_t i = 0; i < count; i++) {
        house += week[i].house_kwh / (double)count;
        solar += week[i].solar_kwh / (double)count;
    }
    for (size_t i = 0; i < count; i++) {
        double distance = fabs(week[i].house_kwh - house) / fmax(house, 1e-6) +
                          fabs(week[i].solar_kwh - solar) / fmax(solar, 1e-6);
        if (distance < least) {
            least = distance;
            best = &week[i];
        }
    }
    return best;
}

static int compare_sun(const void *a, const void *b)
{
    const struct candidate *x = a, *y = b;
    return (x->solar_kwh > y->solar_kwh) - (x->solar_kwh < y->solar_kwh);
}

static int compare_house(const void *a, const void *b)
{
    const struct candidate *x = a, *y = b;
    return (x->house_kwh > y->house_kwh) - (x->house_kwh < y->house_kwh);
}

static void take(struct gr_bt_scene *scene, const char *what, const struct candidate *week)
{
    scene->week[scene->weeks++] = (struct gr_bt_week){what, week->from_s, week->to_s};
}

/* The quarters with least and most sun; without sun, with least and most use. */
static void take_quarters(struct gr_bt_scene *scene, struct candidate *week, size_t count)
{
    bool sunny = scene->usage.solar_kw != NULL;
    size_t quarter = count / 4;
    qsort(week, count, sizeof *week, sunny ? compare_sun : compare_house);
    take(scene, sunny ? "a week with much sun" : "a week of high use",
         find_typical(week + count - quarter, quarter));
    take(scene, sunny ? "a week with little sun" : "a week of low use", find_typical(week, quarter));
}

int gr_bt_choose_weeks(struct gr_bt_scene *scene)
{
    size_t most = (size_t)((scene->to_s - scene->from_s) / ((int64_t)6 * GR_DAY_S)) + 1;
    struct candidate *week = calloc(most, sizeof *week);
    if (!week) {
        return GR_NO_MEMORY;
    }
    size_t count = list_candidates(scene, week, most);
    scene->weeks = 0;
    if (count == 0) {
        int64_t to_s = gr_zone_day_start_s(scene->zone, scene->from_s, WEEK_DAYS);
        take(scene, "the first days",
             &(struct candidate){scene->from_s, to_s < scene->to_s ? to_s : scene->to_s, 0, 0});
    } else {
        take(scene, "a typical week", find_typical(week, count));
    }
    if (count >= FEWEST_FOR_QUARTERS) {
        take_quarters(scene, week, count);
    }
    free(week);
    return GR_OK;
}

size_t gr_bt_week_steps(const struct gr_bt_scene *scene, size_t number)
{
    const struct gr_bt_week *week = &scene->week[number];
    return (size_t)((week->to_s - week->from_s) / scene->usage.step_s);
}
