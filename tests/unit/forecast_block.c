/* A car's charging taken out of a total that was made up. */
#include "check.h"

#include "granary/block.h"

#include <stdlib.h>

enum { DAYS = 60 };

struct bench {
    int32_t step_s;
    size_t count;
    double *total_kw, *true_kw, *car_kw;
};

/* splitmix64 (public domain, S. Vigna): 0 to 1. */
static double chance_of(uint64_t number)
{
    uint64_t z = (number + 1) * UINT64_C(0x9e3779b97f4a7c15);
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return (double)((z ^ (z >> 31)) >> 11) * 0x1p-53;
}

/* A house that bakes now and then, for half an hour at most. */
static struct bench bench_new(int32_t step_s)
{
    struct bench bench = {.step_s = step_s, .count = (size_t)DAYS * 86400 / (size_t)step_s};
    bench.total_kw = calloc(bench.count, sizeof(double));
    bench.true_kw = calloc(bench.count, sizeof(double));
    bench.car_kw = calloc(bench.count, sizeof(double));
    assert_true(bench.total_kw && bench.true_kw && bench.car_kw);
    for (size_t i = 0; i < bench.count; i++) {
        size_t half = i * (size_t)step_s / 1800;
        bool bakes = chance_of(half) < 0.03;
        bench.total_kw[i] = 0.3 + 0.5 * chance_of(i + 9999) + (bakes ? 2.2 : 0);
    }
    return bench;
}

static void bench_free(struct bench *bench)
{
    free(bench->total_kw);
    free(bench->true_kw);
    free(bench->car_kw);
}

static void charge(struct bench *bench, double start_s, double length_s, double kw)
{
    for (size_t i = 0; i < bench->count; i++) {
        double from_s = fmax(start_s, (double)i * bench->step_s);
        double to_s = fmin(start_s + length_s, (double)(i + 1) * bench->step_s);
        if (to_s > from_s) {
            bench->true_kw[i] += kw * (to_s - from_s) / bench->step_s;
            bench->total_kw[i] += kw * (to_s - from_s) / bench->step_s;
        }
    }
}

/* Evenings of every other day, never twice alike. */
static void charge_often(struct bench *bench, double kw)
{
    for (int day = 0; day < DAYS; day += 2) {
        double start_s = day * 86400.0 + 3600 * (18 + 2 * chance_of((uint64_t)day + 31));
        charge(bench, start_s, 3600 * (1.5 + 3 * chance_of((uint64_t)day + 77)), kw);
    }
}

static struct gr_blocks separate(struct bench *bench)
{
    struct gr_error error = {""};
    struct gr_blocks blocks;
    struct gr_series total = {.step_s = bench->step_s, .count = bench->count, .kw = bench->total_kw};
    if (gr_blocks_separate(&blocks, bench->car_kw, &total, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
    return blocks;
}

static void check_found(const struct bench *bench, double least_share, double most_wrong)
{
    double found = 0, wrong = 0, truth = 0;
    for (size_t i = 0; i < bench->count; i++) {
        found += fmin(bench->car_kw[i], bench->true_kw[i]);
        wrong += fmax(0, bench->car_kw[i] - bench->true_kw[i]);
        truth += bench->true_kw[i];
        assert_true(bench->car_kw[i] >= 0 && bench->car_kw[i] <= bench->total_kw[i]);
    }
    if (found < least_share * truth || wrong > most_wrong * truth) {
        fail_msg("%.3f found, %.3f wrong", found / truth, wrong / truth);
    }
}

static void charging_is_found_at_every_step(void **state)
{
    (void)state;
    static const int32_t steps_s[] = {300, 900, 1800, 3600};
    for (size_t i = 0; i < sizeof steps_s / sizeof *steps_s; i++) {
        struct bench bench = bench_new(steps_s[i]);
        charge_often(&bench, 7.2);
        struct gr_blocks blocks = separate(&bench);
        assert_true(blocks.count >= 25 && blocks.count <= 33);
        assert_near(blocks.power_kw, 7.2, 0.5);
        check_found(&bench, steps_s[i] == 3600 ? 0.85 : 0.9, 0.05);
        bench_free(&bench);
    }
}

static void a_house_without_a_car_is_left_alone(void **state)
{
    (void)state;
    struct bench bench = bench_new(1800);
    struct gr_blocks blocks = separate(&bench);
    assert_int_equal(blocks.count, 0);
    assert_near(blocks.power_kw, 0, 0);
    check_found(&bench, 0, 0);
    bench_free(&bench);
}

static void a_few_blocks_make_no_car(void **state)
{
    (void)state;
    struct bench bench = bench_new(1800);
    for (int day = 5; day < 55; day += 12) {
        charge(&bench, day * 86400.0 + 3600 * 10, 7200, 7.2);
    }
    assert_int_equal(separate(&bench).count, 0);
    bench_free(&bench);
}

static void gaps_stay_gaps_and_do_no_harm(void **state)
{
    (void)state;
    struct bench bench = bench_new(1800);
    charge_often(&bench, 11);
    for (size_t i = 100; i < bench.count; i += 37) {
        bench.total_kw[i] = NAN;
    }
    struct gr_blocks blocks = separate(&bench);
    assert_true(blocks.count >= 15);
    for (size_t i = 0; i < bench.count; i++) {
        assert_true(isnan(bench.total_kw[i]) == isnan(bench.car_kw[i]));
    }
    bench_free(&bench);
}

/* What rises out of a time that nobody knows has nothing to rise from. */
static void power_after_a_long_gap_is_the_houses(void **state)
{
    (void)state;
    struct bench bench = bench_new(1800);
    charge_often(&bench, 11);
    size_t day = (size_t)30 * 48;
    for (size_t i = day; i < day + 24; i++) {
        bench.total_kw[i] = NAN;
    }
    for (size_t i = day + 24; i < day + 30; i++) {
        bench.total_kw[i] = 11.5;
    }
    struct gr_blocks blocks = separate(&bench);
    assert_near(blocks.power_kw, 11, 0.5);
    for (size_t i = day + 24; i < day + 30; i++) {
        assert_near(bench.car_kw[i], 0, 0);
    }
    bench_free(&bench);
}

static void series_out_of_shape_are_refused(void **state)
{
    (void)state;
    struct gr_blocks blocks;
    struct gr_error error = {""};
    double kw = 1, car_kw;
    struct gr_series total = {.step_s = 7, .count = 1, .kw = &kw};
    assert_int_equal(gr_blocks_separate(&blocks, &car_kw, &total, &error), GR_INVALID);
    total.step_s = 7200;
    assert_int_equal(gr_blocks_separate(&blocks, &car_kw, &total, &error), GR_INVALID);
    total.step_s = 1000;
    assert_int_equal(gr_blocks_separate(&blocks, &car_kw, &total, &error), GR_INVALID);
    assert_says(error.text, "slots of 1000 s");
    total.step_s = 1800;
    total.count = 0;
    assert_int_equal(gr_blocks_separate(&blocks, &car_kw, &total, &error), GR_OK);
    total.count = 1;
    assert_int_equal(gr_blocks_separate(&blocks, &car_kw, &total, &error), GR_OK);
    assert_near(car_kw, 0, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(charging_is_found_at_every_step),
        cmocka_unit_test(a_house_without_a_car_is_left_alone),
        cmocka_unit_test(a_few_blocks_make_no_car),
        cmocka_unit_test(gaps_stay_gaps_and_do_no_harm),
        cmocka_unit_test(power_after_a_long_gap_is_the_houses),
        cmocka_unit_test(series_out_of_shape_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
