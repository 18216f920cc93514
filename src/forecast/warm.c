/* Draws the load of the paths to the cold and the heat outdoors. */
#include "forecast/weather.h"

#include <math.h>

enum { DAYS = 28, AROUND_DAYS = 7, REFERENCE_DAYS = 14 };

static const double heating_below_c = 16; /* bases of degree-days: common practice, no source */
static const double cooling_above_c = 18;
static const double ridge = 20;          /* K2 x days: what a few days of little change may not overrule */
static const double half_life_days = 14; /* as the weights of the paths fall */
static const double level_share = 0.5;   /* how far the paths were drawn to the level of the last day */
static const double most_change = 2;     /* of the load, either way */

/* Means of whole days of 24 h that end at the present: [0] is the last one. */
struct days {
    double load_kw[DAYS + AROUND_DAYS], cold_k[DAYS + AROUND_DAYS];
};

/* How much heating, or cooling, a mean temperature asks for. */
static double degrees(double mean_c, bool cooling)
{
    return fmax(0, cooling ? mean_c - cooling_above_c : heating_below_c - mean_c);
}

/* Mean temperature of the 24 h before a half hour; NAN where less than half is told. */
static double mean_before_c(struct gr_weather *weather, int64_t number)
{
    double sum = 0;
    size_t known = 0;
    for (int64_t back = 1; back <= CELLS_PER_DAY; back++) {
        const struct weather_cell *cell = weather_cell_at(weather, number - back);
        if (cell && !isnan(cell->temperature_c)) {
            sum += cell->temperature_c;
            known++;
        }
    }
    return known >= CELLS_PER_DAY / 2 ? sum / (double)known : (double)NAN;
}

static double mean_load_kw(const struct gr_history *history, int64_t number)
{
    double sum = 0, kw;
    size_t known = 0;
    for (int64_t back = 1; back <= CELLS_PER_DAY; back++) {
        if (gr_history_house(history, (number - back) * GR_HISTORY_STEP_S, &kw) == GR_OK) {
            sum += kw;
            known++;
        }
    }
    return known >= CELLS_PER_DAY * 3 / 4 ? sum / (double)known : (double)NAN;
}

/* Mean of the known values of the week before; NAN where there are less than three. */
static double week_before(const double *values, size_t day)
{
    double sum = 0;
    size_t known = 0;
    for (size_t i = day + 1; i <= day + AROUND_DAYS && i < DAYS + AROUND_DAYS; i++) {
        if (!isnan(values[i])) {
            sum += values[i];
            known++;
        }
    }
    return known >= 3 ? sum / (double)known : (double)NAN;
}

/* kW per K of daily means, from how a day differed from the week before it. What chance alone would bring is
 * taken off; never below 0. */
static double find_slope(const struct days *days)
{
    double both = 0, square = 0, load = 0, known = 0;
    for (size_t day = 0; day < DAYS; day++) {
        double colder = days->cold_k[day] - week_before(days->cold_k, day);
        double more = days->load_kw[day] - week_before(days->load_kw, day);
        if (!isnan(colder) && !isnan(more)) {
            both += colder * more;
            square += colder * colder;
            load += more * more;
            known++;
        }
    }
    if (known < 7 || !(square > 0)) {
        return 0;
    }
    double slope = both / (square + ridge);
    double chance = fmax(load - slope * both, 0) / (known - 1);
    double surplus = 1 - 2 * chance / (slope * slope * square + 1e-12);
    return slope > 0 && surplus > 0 ? slope * surplus : 0;
}

/* What the paths were made of: the past days as they weigh, drawn to the last one. */
static double reference(const double *cold_k)
{
    double sum = 0, total = 0;
    for (size_t day = 0; day < REFERENCE_DAYS; day++) {
        if (!isnan(cold_k[day])) {
            double weight = pow(0.5, (double)day / half_life_days);
            sum += weight * cold_k[day];
            total += weight;
        }
    }
    double last = isnan(cold_k[0]) ? sum / total : cold_k[0];
    return (1 - level_share) * sum / total + level_share * last;
}

static double mean_known(const double *values, size_t count)
{
    double sum = 0, known = 0;
    for (size_t i = 0; i < count; i++) {
        sum += isnan(values[i]) ? 0 : values[i];
        known += !isnan(values[i]);
    }
    return sum / known;
}

/* The day around a half hour to come: what heats a house is the mean of hours, not the moment. */
static double to_come_k(struct gr_weather *weather, int64_t number, bool cooling)
{
    double mean_c = mean_before_c(weather, number + CELLS_PER_DAY / 2);
    return isnan(mean_c) ? (double)NAN : degrees(mean_c, cooling);
}

static void follow(struct gr_weather *weather, struct gr_paths *paths, const struct days *days,
                   const int64_t *bounds_s, bool cooling)
{
    double slope = find_slope(days);
    double usual_kw = mean_known(days->load_kw, REFERENCE_DAYS), usual_k = reference(days->cold_k);
    if (!(slope > 0) || !(usual_kw > 0) || isnan(usual_k)) {
        return;
    }
    for (size_t slot = 0; slot < paths->slots; slot++) {
        double colder = to_come_k(weather, bounds_s[slot] / GR_HISTORY_STEP_S, cooling) - usual_k;
        double factor = isnan(colder) ? 1 : 1 + slope * colder / usual_kw;
        factor = fmin(fmax(factor, 1 / most_change), most_change);
        for (size_t path = 0; path < paths->count; path++) {
            paths->load_kw[path * paths->slots + slot] *= factor;
        }
    }
}

void weather_warm(struct gr_weather *weather, struct gr_paths *paths, const struct gr_history *history,
                  const int64_t *bounds_s)
{
    struct days heating, cooling;
    int64_t now = bounds_s[0] / GR_HISTORY_STEP_S;
    if (isnan(to_come_k(weather, now, false))) {
        return; /* nothing is told */
    }
    for (size_t day = 0; day < DAYS + AROUND_DAYS; day++) {
        int64_t end = now - (int64_t)day * CELLS_PER_DAY;
        double mean_c = mean_before_c(weather, end);
        heating.load_kw[day] = cooling.load_kw[day] = mean_load_kw(history, end);
        heating.cold_k[day] = isnan(mean_c) ? (double)NAN : degrees(mean_c, false);
        cooling.cold_k[day] = isnan(mean_c) ? (double)NAN : degrees(mean_c, true);
    }
    follow(weather, paths, &heating, bounds_s, false);
    follow(weather, paths, &cooling, bounds_s, true);
}
