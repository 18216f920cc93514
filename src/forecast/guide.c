/* Draws the sun of the paths to what the weather promises. */
#include "forecast/weather.h"

#include <math.h>
#include <string.h>

enum { SKILL_DAYS = 28, BY_HAND_DAYS = 7, REACH = 2 /* half hours to either side */ };

static const double half_life_days = 10;     /* of what a half hour says of the yield */
static const double fade_per_day = 0.95;     /* of what a day says of the skill */
static const double first_trust = 0.6;       /* of a promise that has never been checked */
static const double first_spread = 0.6;      /* likewise, of the variance that is left */
static const double prior_days = 1.5;        /* how many days these count */
static const double promise_days = 1;        /* how many days the arrays' or the table's own word counts */
static const double most_ratio = 3;          /* of what the arrays are said to give */
static const double least_variance = 0.0625; /* what is left of it at best */
static const double out_share = 0.15;        /* of the usual yield: a day below it is no day of weather */

/* What was had and promised by now, by half hours before the present. */
struct past_sun {
    struct gr_weather *weather;
    const struct gr_history *history;
    const struct gr_site *site;
    int64_t now;                   /* number of the first half hour that is not over */
    bool absolute;                 /* the measure is in kW of these arrays */
    bool out[GR_HISTORY_DAYS + 1]; /* by days before: left out */
    double ratio[CELLS_PER_DAY];   /* had / promised, by number modulo a day; NAN: not known */
};

/* The half hour `back` half hours before the present; false where it is not known or was not promised. */
static bool look(struct past_sun *past, int64_t back, double *had_kw, double *promised_kw)
{
    int64_t number = past->now - back;
    if (back < 1 || back > (int64_t)GR_HISTORY_DAYS * CELLS_PER_DAY ||
        gr_history_solar(past->history, number * GR_HISTORY_STEP_S, had_kw) != GR_OK) {
        return false;
    }
    *promised_kw = weather_measure(past->weather, number, true, past->site);
    return !isnan(*promised_kw);
}

static int64_t day_of(int64_t back)
{
    return (back + CELLS_PER_DAY - 1) / CELLS_PER_DAY;
}

/* Marks the days (of 24 h, counted back from the present) that brought next to nothing of what was promised,
 * against the mean of all. */
static void survey(struct past_sun *past, struct gr_sun_promise *out)
{
    double had[GR_HISTORY_DAYS + 1] = {0}, promised[GR_HISTORY_DAYS + 1] = {0}, all_had = 0, all_promised = 0;
    for (int64_t back = 1; back <= (int64_t)GR_HISTORY_DAYS * CELLS_PER_DAY; back++) {
        double had_kw, promised_kw;
        if (look(past, back, &had_kw, &promised_kw)) {
            had[day_of(back)] += had_kw;
            promised[day_of(back)] += promised_kw;
            all_had += had_kw;
            all_promised += promised_kw;
        }
    }
    double kept_had = 0, kept_promised = 0;
    for (int64_t day = 1; day <= GR_HISTORY_DAYS; day++) {
        past->out[day] = had[day] * all_promised < out_share * all_had * promised[day];
        out->days += promised[day] > 0 && !past->out[day];
        out->days_out += past->out[day];
        kept_had += past->out[day] ? 0 : had[day];
        kept_promised += past->out[day] ? 0 : promised[day];
    }
    out->ratio = kept_promised > 0 ? kept_had / kept_promised : NAN;
}

/* What was had of what was promised around one time of the day. */
static double find_ratio(struct past_sun *past, int64_t first_back, double usual)
{
    double had = 0, promised = 0, prior = 0;
    for (int64_t day = 0; day < GR_HISTORY_DAYS; day++) {
        for (int64_t away = -REACH; away <= REACH; away++) {
            double had_kw, promised_kw;
            int64_t back = first_back + day * CELLS_PER_DAY + away;
            if (!look(past, back, &had_kw, &promised_kw) || past->out[day_of(back)]) {
                continue;
            }
            double bell = exp(-0.5 * (double)(away * away));
            double weight = bell * pow(0.5, (double)day / half_life_days);
            had += weight * had_kw;
            promised += weight * promised_kw;
            prior = fmax(prior, promised_kw);
        }
    }
    if (!past->absolute) {
        return promised > 0 ? had / promised : (double)NAN;
    }
    double word = promise_days * fmax(prior, 1e-3);
    return fmin((had + word * usual) / (promised + word), most_ratio);
}

static size_t place(int64_t number)
{
    return (size_t)((number % CELLS_PER_DAY + CELLS_PER_DAY) % CELLS_PER_DAY);
}

static void find_ratios(struct past_sun *past, const struct gr_sun_promise *promise)
{
    double usual = past->absolute && isnan(promise->ratio) ? 1 : promise->ratio;
    for (int64_t back = 1; back <= CELLS_PER_DAY; back++) {
        past->ratio[place(past->now - back)] = find_ratio(past, back, usual);
    }
}

/* What the last week says of the same time of a day. */
static double by_hand_kw(struct past_sun *past, int64_t back)
{
    double sum = 0, kw;
    size_t count = 0;
    for (int64_t day = 1; day <= BY_HAND_DAYS; day++) {
        int64_t number = past->now - back - day * CELLS_PER_DAY;
        if (gr_history_solar(past->history, number * GR_HISTORY_STEP_S, &kw) == GR_OK) {
            sum += kw;
            count++;
        }
    }
    return count > 0 ? sum / (double)count : (double)NAN;
}

/* Weights of promise and paths by least squares over the past days, each day worth less than the one after
 * it. */
static void find_trust(struct past_sun *past, struct gr_sun_promise *out)
{
    double both = 0, square = 0, by_hand = 0, days = 0;
    for (int64_t back = 1; back <= (int64_t)SKILL_DAYS * CELLS_PER_DAY; back++) {
        double had_kw, promised_kw, fade = pow(fade_per_day, (double)day_of(back));
        if (past->out[day_of(back)] || !look(past, back, &had_kw, &promised_kw)) {
            continue;
        }
        double ratio = past->ratio[place(past->now - back)], hand_kw = by_hand_kw(past, back);
        double apart_kw = ratio * promised_kw - hand_kw;
        if (!isnan(apart_kw)) {
            both += fade * (had_kw - hand_kw) * apart_kw;
            square += fade * apart_kw * apart_kw;
            by_hand += fade * (had_kw - hand_kw) * (had_kw - hand_kw);
            days += fade / CELLS_PER_DAY;
        }
    }
    double share = prior_days / (prior_days + days);
    double trust = square > 0 ? fmin(fmax(both / square, 0), 1) : first_trust;
    out->trust = share * first_trust + (1 - share) * trust;
    double left = by_hand - 2 * out->trust * both + out->trust * out->trust * square;
    double variance = by_hand > 0 ? fmin(fmax(left / by_hand, least_variance), 1) : first_spread;
    out->spread = sqrt(share * first_spread + (1 - share) * variance);
}

static double promised_kw(void *context, int64_t number)
{
    struct past_sun *past = context;
    return past->ratio[place(number)] * weather_measure(past->weather, number, false, past->site);
}

static void draw(struct gr_paths *paths, size_t slot, double promise_kw, const struct gr_sun_promise *promise)
{
    double load_kw, solar_kw;
    gr_paths_mean(paths, slot, &load_kw, &solar_kw);
    double mean_kw = promise->trust * promise_kw + (1 - promise->trust) * solar_kw;
    for (size_t path = 0; path < paths->count; path++) {
        double *kw = &paths->solar_kw[path * paths->slots + slot];
        double away = solar_kw > 1e-6 ? *kw / solar_kw - 1 : 0;
        *kw = fmax(0, mean_kw * (1 + promise->spread * away));
    }
}

/* Whether anything at all is promised from the present on. */
static bool is_promised(struct past_sun *past, const int64_t *bounds_s, size_t slots)
{
    for (int64_t number = past->now; number * GR_HISTORY_STEP_S < bounds_s[slots]; number++) {
        const struct weather_cell *cell = weather_cell_at(past->weather, number);
        if (cell && !isnan(cell->last.value)) {
            return true;
        }
    }
    return false;
}

struct gr_sun_promise gr_weather_guide(struct gr_weather *weather, struct gr_paths *paths,
                                       const struct gr_history *history, const struct gr_site *site,
                                       const int64_t *bounds_s)
{
    struct gr_sun_promise promise = {.spread = 1, .ratio = NAN};
    struct past_sun past = {.weather = weather,
                            .history = history,
                            .site = site,
                            .now = bounds_s[0] / GR_HISTORY_STEP_S,
                            .absolute =
                                site->array_count > 0 || weather_kind(weather) == GR_WEATHER_GENERATION};
    weather_warm(weather, paths, history, bounds_s);
    if (!is_promised(&past, bounds_s, paths->slots)) {
        return promise;
    }
    survey(&past, &promise);
    find_ratios(&past, &promise);
    find_trust(&past, &promise);
    for (size_t slot = 0; slot < paths->slots; slot++) {
        double kw = weather_mean(bounds_s[slot], bounds_s[slot + 1], promised_kw, &past);
        if (!isnan(kw)) {
            draw(paths, slot, kw, &promise);
        }
    }
    return promise;
}
