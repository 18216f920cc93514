/* What is expected of prices that are not published yet: what like days had at that time of day, moved by how
 * the last published day differs from them. */
#include "engine/internal.h"

#include "granary/civil.h"

#include <math.h>

static const double half_life_days = 10;
static const double other_type_weight = 0.2; /* a weekday for a weekend day or the other way round */
static const double level_stays = 0.7;       /* from one day to the next */
static const double shape_stays = 0.3;
static const int64_t quarter_s = 900;

static double published_at(const struct gr_tariff *tariff, const struct gr_zone *zone, int64_t utc_s)
{
    struct gr_price price;
    bool published = gr_tariff_at(tariff, zone, utc_s, &price) == GR_OK && !price.expected;
    return published ? price.price_per_kwh : NAN;
}

static bool is_weekend(int64_t local_s)
{
    return gr_civil_weekday(local_s) >= 6;
}

/* Weighted sums over like days at one time of day, for both types of day. */
struct like_days {
    double sum[2], weight[2];
};

static void add_day(struct like_days *days, int back, bool weekend, double price)
{
    double weight = pow(0.5, back / half_life_days);
    for (int type = 0; type < 2; type++) {
        double share = (type == 1) == weekend ? weight : weight * other_type_weight;
        days->sum[type] += share * price;
        days->weight[type] += share;
    }
}

enum { DAYS = 28 };

/* Published prices of the days looked back to, the last one first; NAN: not known. */
struct past_prices {
    double price[DAYS][GR_QUARTERS];
    bool weekend[DAYS][GR_QUARTERS];
};

/* One time of day, of which the last published moment lies at last_local_s. */
static void learn_quarter(struct gr_price_habit *habit, struct past_prices *past,
                          const struct gr_tariff *tariff, const struct gr_zone *zone, size_t quarter,
                          int64_t last_local_s)
{
    struct like_days days = {{0, 0}, {0, 0}};
    for (int back = 0; back < DAYS; back++) {
        int64_t local_s = last_local_s - (int64_t)back * GR_DAY_S;
        double price = published_at(tariff, zone, gr_zone_utc_s(zone, local_s, 0));
        past->price[back][quarter] = price;
        past->weekend[back][quarter] = is_weekend(local_s);
        if (!isnan(price)) {
            add_day(&days, back, is_weekend(local_s), price);
        }
    }
    for (int type = 0; type < 2; type++) {
        habit->usual[type][quarter] = days.weight[type] > 0 ? days.sum[type] / days.weight[type] : NAN;
    }
}

static double mean_of(const double values[GR_QUARTERS])
{
    double sum = 0;
    int known = 0;
    for (size_t q = 0; q < GR_QUARTERS; q++) {
        if (!isnan(values[q])) {
            sum += values[q];
            known++;
        }
    }
    return known > 0 ? sum / known : 0;
}

static void find_excess(double excess[GR_QUARTERS], const struct gr_price_habit *habit,
                        const struct past_prices *past, int back)
{
    for (size_t q = 0; q < GR_QUARTERS; q++) {
        excess[q] = past->price[back][q] - habit->usual[past->weekend[back][q]][q];
    }
}

/* What stays of a day's excess after so many days. */
static double stays(double excess, double level, double days)
{
    double shape = isnan(excess) ? 0 : excess - level;
    return pow(level_stays, days) * level + pow(shape_stays, days) * shape;
}

static void learn_misses(struct gr_price_habit *habit, const struct past_prices *past)
{
    double excess[GR_QUARTERS], before[GR_QUARTERS];
    find_excess(excess, habit, past, 0);
    for (int back = 0; back < GR_PRICE_MISSES; back++) {
        find_excess(before, habit, past, back + 1);
        double level = mean_of(before);
        for (size_t q = 0; q < GR_QUARTERS; q++) {
            double miss = excess[q] - stays(before[q], level, 1);
            habit->miss[back][q] = isnan(miss) ? 0 : miss;
            excess[q] = before[q];
        }
        habit->mean_miss[back] = mean_of(habit->miss[back]);
    }
}

void gr_price_habit_learn(struct gr_price_habit *habit, const struct gr_tariff *tariff,
                          const struct gr_zone *zone, int64_t end_s)
{
    int64_t end_local_s = gr_zone_local_s(zone, end_s);
    int64_t midnight_s = gr_civil_day(end_local_s) * GR_DAY_S;
    struct past_prices past;
    for (size_t q = 0; q < GR_QUARTERS; q++) {
        int64_t local_s = midnight_s + (int64_t)q * quarter_s + quarter_s / 2;
        learn_quarter(habit, &past, tariff, zone, q, local_s < end_local_s ? local_s : local_s - GR_DAY_S);
    }
    find_excess(habit->excess, habit, &past, 0);
    habit->level = mean_of(habit->excess);
    learn_misses(habit, &past);
    habit->end_s = end_s;
    habit->learned = true;
}

static size_t quarter_of(int64_t local_s)
{
    return (size_t)((local_s - gr_civil_day(local_s) * GR_DAY_S) / quarter_s);
}

double gr_price_habit_at(const struct gr_price_habit *habit, const struct gr_zone *zone, int64_t utc_s)
{
    int64_t local_s = gr_zone_local_s(zone, utc_s);
    size_t q = quarter_of(local_s);
    double days = 1 + floor((double)(utc_s - habit->end_s) / GR_DAY_S);
    return habit->usual[is_weekend(local_s)][q] + stays(habit->excess[q], habit->level, days);
}

/* The miss of the first day goes on into the second, as any excess does, and the second has one of its own.
 */
void gr_price_habit_misses(const struct gr_price_habit *habit, const struct gr_zone *zone, int64_t utc_s,
                           double miss[GR_PRICE_MISSES])
{
    size_t q = quarter_of(gr_zone_local_s(zone, utc_s));
    size_t days = (size_t)((utc_s - habit->end_s) / GR_DAY_S);
    for (size_t day = 0; day < GR_PRICE_MISSES; day++) {
        miss[day] = 0;
    }
    for (size_t ago = 0; ago <= days; ago++) {
        double level = pow(level_stays, (double)ago), shape = pow(shape_stays, (double)ago);
        for (size_t day = 0; day < GR_PRICE_MISSES; day++) {
            size_t past = (day + ago) % GR_PRICE_MISSES;
            miss[day] +=
                level * habit->mean_miss[past] + shape * (habit->miss[past][q] - habit->mean_miss[past]);
        }
    }
}
