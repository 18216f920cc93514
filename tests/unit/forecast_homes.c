/* Paths on a real home's year (hourly, Fontana, California): better than yesterday, and spread about as wide
 * as the truth. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "forecast_house.h"

#define MOST_HOURS 9000

struct year {
    size_t hours;
    int64_t start_s[MOST_HOURS];
    double load_kw[MOST_HOURS], solar_kw[MOST_HOURS];
};

static double number_or_nan(char **at)
{
    char *end;
    double value = strtod(*at, &end);
    double result = end == *at ? NAN : value;
    *at = *end == ',' ? end + 1 : end;
    return result;
}

/* NULL where the file is not there. Columns: start_utc, load_kwh, solar_kwh; an empty field is a gap. */
static struct year *read_year(const char *path)
{
    FILE *file = fopen(path, "r");
    struct year *year = file ? calloc(1, sizeof *year) : NULL;
    char line[200];
    while (year && fgets(line, sizeof line, file)) {
        char *comma = strchr(line, ',');
        int64_t start_s;
        if (!comma || gr_rfc3339_parse(&start_s, line, (size_t)(comma - line)) != GR_OK ||
            year->hours == MOST_HOURS) {
            continue;
        }
        char *at = comma + 1;
        year->start_s[year->hours] = start_s;
        year->load_kw[year->hours] = number_or_nan(&at);
        year->solar_kw[year->hours++] = number_or_nan(&at);
    }
    if (file) {
        (void)fclose(file);
    }
    return year;
}

struct score {
    double square, square_yesterday, bias, inside, hours;
};

/* Share of the paths' weight at or below the value. */
static double rank_of(const struct house *house, size_t slot, double load_kw)
{
    double share = 0;
    for (size_t path = 0; path < house->paths.count; path++) {
        share += path_load(house, path, slot) <= load_kw ? house->paths.weight[path] : 0;
    }
    return share;
}

/* At the start of hour `now` the paths for the next day are built from what was put before it, and scored. */
static void score_day(struct house *house, const struct year *year, size_t now, struct score *score)
{
    house_build(house, year->start_s[now], 24, 3600);
    for (size_t slot = 0; slot < 24; slot++) {
        double truth = year->load_kw[now + slot];
        double yesterday = year->load_kw[now + slot - 24];
        double mean;
        double solar;
        gr_paths_mean(&house->paths, slot, &mean, &solar);
        if (isnan(truth) || isnan(yesterday)) {
            continue;
        }
        double rank = rank_of(house, slot, truth);
        score->square += (mean - truth) * (mean - truth);
        score->square_yesterday += (yesterday - truth) * (yesterday - truth);
        score->bias += mean - truth;
        score->inside += rank > 0.1 && rank < 0.9;
        score->hours++;
    }
}

static void the_mean_of_paths_beats_yesterday_and_their_spread_holds_the_truth(void **state)
{
    (void)state;
    struct year *year = read_year(GRANARY_SHARED_DIR "/data/households/fontana17/home01.csv");
    if (!year) {
        print_message("household data is not here\n");
        skip();
        return;
    }
    struct house *house = house_new("America/Los_Angeles");
    struct score score = {0};
    const size_t first = 840; /* five weeks */
    const size_t last = 2880; /* 17 weeks */
    assert_true(year->hours > 8000);
    for (size_t hour = 0; hour + 24 < year->hours && hour < last; hour++) {
        if (hour >= first && wall_hour(house, year->start_s[hour]) == 16) {
            score_day(house, year, hour, &score);
        }
        gr_history_put(house->history, year->start_s[hour], year->load_kw[hour], year->solar_kw[hour]);
        gr_history_put(house->history, year->start_s[hour] + 1800, year->load_kw[hour], year->solar_kw[hour]);
    }
    double rmse = sqrt(score.square / score.hours);
    double rmse_yesterday = sqrt(score.square_yesterday / score.hours);
    double inside = score.inside / score.hours;
    print_message("%.0f hours: RMSE %.3f kW, yesterday's %.3f kW, bias %.3f kW, %.0f %% between the 10 and "
                  "90 %% path\n",
                  score.hours, rmse, rmse_yesterday, score.bias / score.hours, 100 * inside);
    assert_true(score.hours > 24 * 80);
    assert_true(rmse < 0.85 * rmse_yesterday);
    assert_true(fabs(score.bias) / score.hours < 0.1 * rmse_yesterday);
    assert_true(inside > 0.6 && inside < 0.9);
    house_free(house);
    free(year);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_mean_of_paths_beats_yesterday_and_their_spread_holds_the_truth),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
