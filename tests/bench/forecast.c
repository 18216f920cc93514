/* How long a home's forecasts take: run by hand (bench_forecast), not by ctest. A made-up house, evaluated
 * day by day as `granary forecast --evaluate` does; processor time. */
#include "granary/forecast.h"
#include "granary/error.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#define YEAR_DAYS 365

static double now_s(void)
{
    struct timespec now;
    (void)clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static double next_random(uint64_t *seed)
{
    *seed = *seed * 6364136223846793005u + 1442695040888963407u;
    return (double)(*seed >> 11) * 0x1p-53;
}

static void fill(double *kw, size_t count, size_t per_day, enum gr_forecast_kind kind)
{
    uint64_t seed = 11;
    for (size_t i = 0; i < count; i++) {
        double hour = 24.0 * (double)(i % per_day) / (double)per_day;
        double sun = fmax(0, 3 * sin((hour - 6) * 3.14159265 / 12)) * (0.2 + 0.8 * next_random(&seed));
        double load = 0.3 + (hour > 17 && hour < 22 ? 1.2 : 0.1) + next_random(&seed);
        kw[i] = kind == GR_FORECAST_SUN ? sun : load;
    }
}

static double time_evaluation(enum gr_forecast_kind kind, int32_t step_s, size_t years,
                              const struct gr_zone *zone)
{
    size_t per_day = (size_t)(86400 / step_s);
    size_t count = years * YEAR_DAYS * per_day;
    double *kw = malloc(count * sizeof *kw);
    struct gr_lesson lesson = {
        .kind = kind, .series = {.step_s = step_s, .count = count, .kw = kw}, .zone = zone};
    struct gr_forecast_score score;
    struct gr_error error = {""};
    if (!kw) {
        exit(1);
    }
    fill(kw, count, per_day, kind);
    double start = now_s();
    if (gr_forecast_evaluate(&score, &lesson, &error) != GR_OK) {
        fprintf(stderr, "%s\n", error.text);
        exit(1);
    }
    double taken = now_s() - start;
    free(kw);
    return taken;
}

int main(void)
{
    static const int32_t steps_s[] = {3600, 1800, 900, 300};
    struct gr_zone *zone = NULL;
    if (gr_zone_fixed(&zone, "UTC", 0, NULL) != GR_OK) {
        return 1;
    }
    double first = 0;
    printf(
        "| step | years | load s | sun s | load against the first line |\n| --- | --- | --- | --- | --- |\n");
    for (size_t i = 0; i < sizeof steps_s / sizeof *steps_s; i++) {
        for (size_t years = 1; years <= (steps_s[i] < 1800 ? 1 : 4); years *= 2) {
            double load = time_evaluation(GR_FORECAST_LOAD, steps_s[i], years, zone);
            double sun = time_evaluation(GR_FORECAST_SUN, steps_s[i], years, zone);
            first = first > 0 ? first : load;
            printf("| %d min | %zu | %.2f | %.2f | %.1f |\n", (int)(steps_s[i] / 60), years, load, sun,
                   load / first);
            (void)fflush(stdout);
        }
    }
    gr_zone_free(zone);
    return 0;
}
