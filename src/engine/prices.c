/* What is expected of prices that are not published yet: what like days had at that time of day, moved by how
 * the last published day differs from them. */
#include "engine/internal.h"

#include "granary/civil.h"

#include <math.h>

static const int look_back_days = 28;
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

/* One time of day, of which the last published moment lies at last_local_s. */
static void learn_quarter(struct gr_price_habit *habit, const struct gr_tariff *tariff,
                          const struct gr_zone *zone, size_t quarter, int64_t last_local_s)
{
    struct like_days days = {{0, 0}, {0, 0}};
    double last = NAN;
    for (int back = 0; back < look_back_days; back++) {
        int64_t local_s = last_local_s - (int64_t)back * GR_DAY_S;
        double price = published_at(tariff, zone, gr_zone_utc_s(zone, local_s, 0));
        last = back == 0 ? price : last;
        if (!isnan(price)) {
            add_day(&days, back, is_weekend(local_s), price);
        }
    }
    for (int type = 0; type < 2; type++) {
        habit->usual[type][quarter] = days.weight[type] > 0 ? days.sum[type] / days.weight[type] : NAN;
    }
    habit->excess[quarter] = last - habit->usual[is_weekend(last_local_s)][quarter];
}

void gr_price_habit_learn(struct gr_price_habit *habit, const struct gr_tariff *tariff,
                          const struct gr_zone *zone, int64_t end_s)
{
    int64_t end_local_s = gr_zone_local_s(zone, end_s);
    int64_t midnight_s = gr_civil_day(end_local_s) * GR_DAY_S;
    double sum = 0;
    int known = 0;
    for (size_t q = 0; q < GR_QUARTERS; q++) {
        int64_t local_s = midnight_s + (int64_t)q * quarter_s + quarter_s / 2;
        learn_quarter(habit, tariff, zone, q, local_s < end_local_s ? local_s : local_s - GR_DAY_S);
        if (!isnan(habit->excess[q])) {
            sum += habit->excess[q];
            known++;
        }
    }
    habit->level = known > 0 ? sum / known : 0;
    habit->end_s = end_s;
    habit->learned = true;
}

double gr_price_habit_at(const struct gr_price_habit *habit, const struct gr_zone *zone, int64_t utc_s)
{
    int64_t local_s = gr_zone_local_s(zone, utc_s);
    size_t q = (size_t)((local_s - gr_civil_day(local_s) * GR_DAY_S) / quarter_s);
    double days = 1 + floor((double)(utc_s - habit->end_s) / GR_DAY_S);
    double shape = isnan(habit->excess[q]) ? 0 : habit->excess[q] - habit->level;
    return habit->usual[is_weekend(local_s)][q] + pow(level_stays, days) * habit->level +
           pow(shape_stays, days) * shape;
}
