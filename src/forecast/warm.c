/* Draws the load of the paths to the cold and the heat outdoors, as a thermometer of the house shows it, as
 * it is told, or both. */
#include "forecast/weather.h"

#include <math.h>

enum { DAYS = 28, AROUND_DAYS = 7, REFERENCE_DAYS = 14, LATE = 6 /* half hours */ };

static const double heating_below_c = 16; /* bases of degree-days: common practice, no source */
static const double cooling_above_c = 18;
static const double ridge = 20;          /* K2 x days: what a few days of little change may not overrule */
static const double half_life_days = 14; /* as the weights of the paths fall */
static const double level_share = 0.5;   /* how far the paths were drawn to the level of the last day */
static const double most_change = 2;     /* of the load, either way */
static const double stays_hours = 36;    /* after which 1/e is left of what is warmer than usual now */

/* The temperature outdoors from the days before on; all but `usual_c` as they are. */
struct air {
    struct gr_weather *weather;
    const struct gr_history *history;
    int64_t now;                   /* number of the first half hour to come */
    double apart_c;                /* by which the thermometer shows more than what is told */
    double usual_c[CELLS_PER_DAY]; /* as measured in the last week, by number modulo a day; NAN: not known */
    double warmer_c;               /* by which the last hours were warmer than that; NAN: not known */
};

static double measured_c(const struct air *air, int64_t number)
{
    double value = NAN;
    if (number < air->now) {
        (void)gr_history_outdoor(air->history, number * GR_HISTORY_STEP_S, &value);
    }
    return value;
}

static double told_c(const struct air *air, int64_t number)
{
    const struct weather_cell *cell = weather_cell_at(air->weather, number);
    return cell ? cell->temperature_c : (double)NAN;
}

static size_t place_in_day(int64_t number)
{
    return (size_t)((number % CELLS_PER_DAY + CELLS_PER_DAY) % CELLS_PER_DAY);
}

/* As measured; else as told, as this thermometer would show it; else, of the time to come, as usual with what
 * is left of the present difference from it. NAN: not known. */
static double temperature_c(const struct air *air, int64_t number)
{
    double value = measured_c(air, number);
    if (isnan(value)) {
        value = told_c(air, number) + air->apart_c;
    }
    if (isnan(value) && number >= air->now) {
        double hours = (double)(number - air->now) * GR_HISTORY_STEP_S / 3600;
        value = air->usual_c[place_in_day(number)] + air->warmer_c * exp(-hours / stays_hours);
    }
    return value;
}

/* Means of whole days of 24 h that end at the present: [0] is the last one. */
struct days {
    double load_kw[DAYS + AROUND_DAYS], cold_k[DAYS + AROUND_DAYS];
};

/* How much heating, or cooling, a mean temperature asks for. */
static double degrees(double mean_c, bool cooling)
{
    return fmax(0, cooling ? mean_c - cooling_above_c : heating_below_c - mean_c);
}

/* Mean temperature of the 24 h before a half hour; NAN where less than half is known. */
static double mean_before_c(const struct air *air, int64_t number)
{
    double sum = 0;
    size_t known = 0;
    for (int64_t back = 1; back <= CELLS_PER_DAY; back++) {
        double value = temperature_c(air, number - back);
        if (!isnan(value)) {
            sum += value;
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

/* What the thermometer shows more than what is told: of the sun on its wall, or of another place. */
static double find_apart_c(const struct air *air)
{
    double sum = 0;
    size_t known = 0;
    for (int64_t back = 1; back <= (int64_t)AROUND_DAYS * CELLS_PER_DAY; back++) {
        double apart_c = measured_c(air, air->now - back) - told_c(air, air->now - back);
        sum += isnan(apart_c) ? 0 : apart_c;
        known += isnan(apart_c) ? 0 : 1;
    }
    return known >= CELLS_PER_DAY / 2 ? sum / (double)known : 0;
}

static void find_usual(struct air *air)
{
    double warmer[LATE];
    for (int64_t place = 1; place <= CELLS_PER_DAY; place++) {
        double days[AROUND_DAYS];
        for (int64_t day = 0; day < AROUND_DAYS; day++) {
            days[day] = measured_c(air, air->now - place - day * CELLS_PER_DAY);
        }
        air->usual_c[place_in_day(air->now - place)] = mean_known(days, AROUND_DAYS);
    }
    for (int64_t back = 1; back <= LATE; back++) {
        warmer[back - 1] = measured_c(air, air->now - back) - air->usual_c[place_in_day(air->now - back)];
    }
    air->warmer_c = mean_known(warmer, LATE);
}

/* The day around a half hour to come: what heats a house is the mean of hours, not the moment. */
static double to_come_k(const struct air *air, int64_t number, bool cooling)
{
    double mean_c = mean_before_c(air, number + CELLS_PER_DAY / 2);
    return isnan(mean_c) ? (double)NAN : degrees(mean_c, cooling);
}

static void follow(const struct air *air, struct gr_paths *paths, const struct days *days,
                   const int64_t *bounds_s, bool cooling)
{
    double slope = find_slope(days);
    double usual_kw = mean_known(days->load_kw, REFERENCE_DAYS), usual_k = reference(days->cold_k);
    if (!(slope > 0) || !(usual_kw > 0) || isnan(usual_k)) {
        return;
    }
    for (size_t slot = 0; slot < paths->slots; slot++) {
        double colder = to_come_k(air, bounds_s[slot] / GR_HISTORY_STEP_S, cooling) - usual_k;
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
    struct air air = {.weather = weather, .history = history, .now = now};
    air.apart_c = find_apart_c(&air);
    find_usual(&air);
    if (isnan(to_come_k(&air, now, false))) {
        return; /* nothing is told, and nothing measured */
    }
    for (size_t day = 0; day < DAYS + AROUND_DAYS; day++) {
        int64_t end = now - (int64_t)day * CELLS_PER_DAY;
        double mean_c = mean_before_c(&air, end);
        heating.load_kw[day] = cooling.load_kw[day] = mean_load_kw(history, end);
        heating.cold_k[day] = isnan(mean_c) ? (double)NAN : degrees(mean_c, false);
        cooling.cold_k[day] = isnan(mean_c) ? (double)NAN : degrees(mean_c, true);
    }
    follow(&air, paths, &heating, bounds_s, false);
    follow(&air, paths, &cooling, bounds_s, true);
}
