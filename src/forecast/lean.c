#include "granary/history.h"

#include <math.h>

void gr_paths_mean(const struct gr_paths *paths, size_t slot, double *load_kw, double *solar_kw)
{
    *load_kw = 0;
    *solar_kw = 0;
    for (size_t path = 0; path < paths->count; path++) {
        *load_kw += paths->weight[path] * paths->load_kw[path * paths->slots + slot];
        *solar_kw += paths->weight[path] * paths->solar_kw[path * paths->slots + slot];
    }
}

/* Mean over [from_s, to_s) after the present of a factor that starts at 1 and halves every half_life_s. */
static double fading(double from_s, double to_s, double half_life_s)
{
    double rate = log(2) / half_life_s;
    return (exp(-rate * from_s) - exp(-rate * to_s)) / (rate * (to_s - from_s));
}

static void pull(double *kw, double seen_kw, double factor)
{
    if (isfinite(seen_kw)) {
        *kw += factor * (fmax(seen_kw, 0) - *kw);
    }
}

void gr_paths_lean(struct gr_paths *paths, const int64_t *bounds_s, double house_kw, double solar_kw,
                   double half_life_s)
{
    if (!(half_life_s > 0)) {
        return;
    }
    for (size_t slot = 0; slot < paths->slots; slot++) {
        double factor = fading((double)(bounds_s[slot] - bounds_s[0]),
                               (double)(bounds_s[slot + 1] - bounds_s[0]), half_life_s);
        for (size_t path = 0; path < paths->count; path++) {
            pull(&paths->load_kw[path * paths->slots + slot], house_kw, factor);
            pull(&paths->solar_kw[path * paths->slots + slot], solar_kw, factor);
        }
    }
}
