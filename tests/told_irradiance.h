/* Irradiance as a forecast would have told it, made from what came. */
#ifndef GRANARY_TOLD_IRRADIANCE_H
#define GRANARY_TOLD_IRRADIANCE_H

#include <math.h>
#include <stddef.h>
#include <stdint.h>

static double next_random(uint64_t *seed)
{
    *seed = *seed * 6364136223846793005u + 1442695040888963407u;
    return (double)(*seed >> 11) * 0x1p-53;
}

/* Errors that last for hours, in proportion to the irradiance, as a forecast's have. Returns their RMSE as a
 * share of the mean irradiance by day. */
static double spoil(double *irradiance, size_t count, double size, uint64_t seed)
{
    const double keep = 0.97; /* from one quarter of an hour to the next */
    double error = 0, square = 0, sum = 0;
    size_t by_day = 0;
    for (size_t i = 0; i < count; i++) {
        double draw = 0;
        for (size_t n = 0; n < 12; n++) {
            draw += next_random(&seed) - 0.5;
        }
        error = keep * error + sqrt(1 - keep * keep) * draw;
        double told = fmax(0, irradiance[i] * (1 + size * error));
        if (irradiance[i] > 0) {
            square += (told - irradiance[i]) * (told - irradiance[i]);
            sum += irradiance[i];
            by_day++;
        }
        irradiance[i] = told;
    }
    return sqrt(square / (double)by_day) / (sum / (double)by_day);
}

#endif
