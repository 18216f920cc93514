/* How fast the back-test lives through a period: run by hand (bench_backtest [DAYS]), not by ctest. Times are
 * of the processor, one core, on a made-up house; ratios to the first line of each table carry from machine
 * to machine, the times do not. DAYS (28 by default) is the length of the shortest period. */
#include "backtest_house.h"

#include <time.h>

enum { LONGEST_DAYS = 365 };

static double processor_s(void)
{
    struct timespec now;
    (void)clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

struct timing {
    double seconds;
    size_t plans, steps;
};

/* One run over the first `days` days of the house's half hours. */
static struct timing time_run(struct made_up *it, const char *strategy, int days)
{
    struct gr_backtest_result result;
    struct gr_error error = {""};
    it->strategy = strategy_named(strategy);
    it->backtest.to_s = made_up_start_s + (int64_t)days * GR_DAY_S;
    double start_s = processor_s();
    if (gr_backtest_run(&result, &it->backtest, &error) != GR_OK) {
        fprintf(stderr, "%s: %s\n", strategy, error.text);
        exit(1);
    }
    struct timing timing = {processor_s() - start_s, result.plans, result.step_count};
    gr_backtest_result_free(&result);
    return timing;
}

/* As a configuration has it that says nothing about planning. */
static void make_up_year(struct made_up *it, int32_t step_s, bool tables)
{
    make_up(it, step_s, LONGEST_DAYS, tables, 7);
    it->config.planning.horizon_hours = 48;
    it->config.planning.expectation.path_days = 14;
    it->config.planning.slot_minutes = step_s / 60;
}

static void print_planned(const char *what, struct timing timing, struct timing first)
{
    double each_us = 1e6 * timing.seconds / (double)timing.plans;
    double first_us = 1e6 * first.seconds / (double)first.plans;
    printf("  %-24s %7zu %9.2f %12.0f %12.0f %9.2f\n", what, timing.plans, timing.seconds, 1e6 / each_us,
           each_us, each_us / first_us);
}

static void print_planned_heads(const char *title)
{
    printf("%-26s %7s %9s %12s %12s %9s\n", title, "plans", "seconds", "plans/s", "us a plan", "ratio");
}

static void bench_horizons(int days)
{
    static const int horizons[] = {12, 24, 48, 72, 96};
    struct timing first = {0};
    print_planned_heads("horizon, half hours");
    for (size_t k = 0; k < sizeof horizons / sizeof *horizons; k++) {
        struct made_up it;
        char what[32];
        make_up_year(&it, 1800, false);
        it.config.planning.horizon_hours = horizons[k];
        struct timing timing = time_run(&it, "planned", days);
        first = k == 0 ? timing : first;
        (void)snprintf(what, sizeof what, "%d h", horizons[k]);
        print_planned(what, timing, first);
        forget(&it);
    }
}

static void bench_lengths(int days)
{
    struct timing first = {0};
    print_planned_heads("length, 48 h horizon");
    for (int length = days; length <= LONGEST_DAYS; length *= 2) {
        struct made_up it;
        char what[32];
        make_up_year(&it, 1800, false);
        struct timing timing = time_run(&it, "planned", length);
        first = length == days ? timing : first;
        (void)snprintf(what, sizeof what, "%d days", length);
        print_planned(what, timing, first);
        forget(&it);
    }
}

static void bench_prices(int days)
{
    static const struct {
        const char *what;
        int32_t step_s;
        bool tables;
    } rows[] = {{"bands, half hours", 1800, false},
                {"tables, half hours", 1800, true},
                {"bands, hours", 3600, false}};
    struct timing first = {0};
    print_planned_heads("prices and slots, 48 h");
    for (size_t k = 0; k < sizeof rows / sizeof *rows; k++) {
        struct made_up it;
        make_up_year(&it, rows[k].step_s, rows[k].tables);
        struct timing timing = time_run(&it, "planned", days);
        first = k == 0 ? timing : first;
        print_planned(rows[k].what, timing, first);
        forget(&it);
    }
}

/* What has no plans to count, by the step. */
static void bench_others(void)
{
    static const char *const strategies[] = {"none", "follow", "night-fill", "foresight"};
    double first_us = 0;
    printf("%-26s %7s %9s %12s %12s %9s\n", "the others, a year", "steps", "seconds", "steps/s", "us a step",
           "ratio");
    for (size_t k = 0; k < sizeof strategies / sizeof *strategies; k++) {
        struct made_up it;
        make_up_year(&it, 1800, false);
        struct timing timing = time_run(&it, strategies[k], LONGEST_DAYS);
        double each_us = 1e6 * timing.seconds / (double)timing.steps;
        first_us = k == 0 ? each_us : first_us;
        printf("  %-24s %7zu %9.3f %12.0f %12.2f %9.2f\n", strategies[k], timing.steps, timing.seconds,
               1e6 / each_us, each_us, each_us / first_us);
        forget(&it);
    }
}

int main(int argc, char **argv)
{
    int days = argc > 1 ? atoi(argv[1]) : 28;
    if (days < 1 || days > LONGEST_DAYS) {
        fprintf(stderr, "bench_backtest: found %s, expected days from 1 to %d\n", argv[1], LONGEST_DAYS);
        return 2;
    }
    bench_horizons(days);
    bench_lengths(days);
    bench_prices(days);
    bench_others();
    return 0;
}
