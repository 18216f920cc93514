#include "forecast/kernel.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double unknown_distance = 0.5;
static const size_t pool_hours = 1; /* to either side */

const struct kernel_shape kernel_of_load = {.other_type = 0.4,
                                            .other_weekday = 0.8,
                                            .clock_hours = 0.5,
                                            .recent_pull = 2,
                                            .fade_hours = 8,
                                            .least_scale = 1e-6,
                                            .floor_share = 0.05,
                                            .memory = {{60, 5, 1}, {90, 10, 2}, {120, 20, 4}}};

const struct kernel_shape kernel_of_sun = {.other_type = 1,
                                           .other_weekday = 1,
                                           .clock_hours = 0.5,
                                           .recent_pull = 2,
                                           .fade_hours = 8,
                                           .least_scale = 1e-6,
                                           .floor_share = 0.05,
                                           .memory = {{60, 5, 1}, {90, 10, 2}, {120, 20, 4}}};

/* Yield by irradiance: what the plane, shadows and the conversion make of it changes slowly. */
const struct kernel_shape kernel_of_weather = {.other_type = 1,
                                               .other_weekday = 1,
                                               .clock_hours = 0.5,
                                               .recent_pull = 0,
                                               .fade_hours = 8,
                                               .least_scale = 0.01,
                                               .floor_share = 0.05,
                                               .memory = {{60, 5, 0}, {90, 10, 0}, {120, 20, 0}}};

int kernel_create(struct kernel *kernel, const struct record *record, const struct kernel_shape *shape)
{
    *kernel = (struct kernel){.record = record, .shape = shape};
    size_t most = (size_t)MEMORY_DAYS * KERNEL_NEIGHBOURS;
    size_t reach = pool_hours * record->per_hour;
    kernel->room = malloc(2 * most * sizeof *kernel->room);
    kernel->spare = kernel->room ? kernel->room + most : NULL;
    kernel->stride = record->per_hour > 2 ? record->per_hour / 2 : 1;
    for (size_t i = 0; i < KERNEL_NEIGHBOURS && i * kernel->stride <= 2 * reach; i++) {
        double hours = ((double)(i * kernel->stride) - (double)reach) / (double)record->per_hour;
        kernel->bell[i] = exp(-0.5 * pow(hours / shape->clock_hours, 2));
    }
    return kernel->room ? GR_OK : GR_NO_MEMORY;
}

void kernel_free(struct kernel *kernel)
{
    free(kernel->room < kernel->spare ? kernel->room : kernel->spare); /* two halves of one piece */
    kernel->room = kernel->spare = NULL;
}

static double log_level(const struct kernel *kernel, size_t end, size_t hours, double floor_level)
{
    return log(record_level(kernel->record, end, hours * kernel->record->per_hour) + floor_level);
}

static double distance(double a, double b)
{
    double apart = fabs(a - b);
    return isnan(apart) ? unknown_distance : apart;
}

void kernel_aim(struct kernel *kernel, size_t from)
{

    const struct kernel_shape *shape = kernel->shape;
    double usual = record_level(kernel->record, from, 28 * kernel->record->per_day);
    double floor_level = shape->floor_share * (usual > 1e-3 ? usual : 1e-3);
    double recent = log_level(kernel, from, 2, floor_level);
    double level = log_level(kernel, from, 24, floor_level);
    kernel->from = from;
    for (size_t day = 1; day <= MEMORY_DAYS; day++) {
        size_t then = record_back(kernel->record, from, day);
        bool within = then < from;
        double level_distance = within ? distance(log_level(kernel, then, 24, floor_level), level) : 0;
        kernel->recent_distance[day] = within ? distance(log_level(kernel, then, 2, floor_level), recent) : 0;
        for (size_t m = 0; m < MEMORIES; m++) {
            bool remembered = within && day <= shape->memory[m].days;
            double age = (double)day / shape->memory[m].half_life_days;
            kernel->day_weight[m][day] =
                remembered ? exp(-log(2) * age - shape->memory[m].level_pull * level_distance) : 0;
        }
    }
}

/* Merges two neighbouring runs in rising order; of equal values the earlier stays first. */
static void merge(struct sample *out, const struct sample *left, const struct sample *right,
                  const struct sample *end)
{
    const struct sample *middle = right;
    while (left < middle && right < end) {
        *out++ = right->value < left->value ? *right++ : *left++;
    }
    memcpy(out, left, (size_t)(middle - left) * sizeof *out);
    memcpy(out + (middle - left), right, (size_t)(end - right) * sizeof *out);
}

/* Into rising order; much quicker here than qsort, which asks a function for each comparison. Half of a
 * year's evaluation went into that. */
static void sort_pool(struct kernel *kernel, size_t count)
{
    for (size_t run = 1; run < count; run *= 2) {
        for (size_t first = 0; first < count; first += 2 * run) {
            size_t middle = first + run < count ? first + run : count;
            size_t end = middle + run < count ? middle + run : count;
            merge(kernel->spare + first, kernel->room + first, kernel->room + middle, kernel->room + end);
        }
        struct sample *sorted = kernel->spare;
        kernel->spare = kernel->room;
        kernel->room = sorted;
    }
}

/* Takes the values around one past slot into the pool. */
static size_t gather_around(struct kernel *kernel, size_t centre, size_t day, double weight, size_t count)
{
    const struct record *record = kernel->record;
    size_t reach = pool_hours * record->per_hour;
    size_t stride = kernel->stride;
    size_t skipped = centre < reach ? (reach - centre + stride - 1) / stride : 0; /* before the series */
    size_t first = centre + skipped * stride - reach;
    for (size_t i = first; i <= centre + reach && i < kernel->from; i += stride) {
        if (isnan(record->series.kw[i]) || !(record->scale[i] > kernel->shape->least_scale)) {
            continue;
        }
        double bell = kernel->bell[(i + reach - centre) / stride];
        struct sample *sample = &kernel->room[count++];
        sample->value = record->series.kw[i] / record->scale[i];
        for (size_t m = 0; m < MEMORIES; m++) {
            sample->weight[m] = weight * bell * kernel->day_weight[m][day];
        }
    }
    return count;
}

static size_t gather(struct kernel *kernel, size_t slot)
{
    const struct record *record = kernel->record;
    const struct kernel_shape *shape = kernel->shape;
    double ahead_hours = ((double)(slot - kernel->from) + 0.5) / (double)record->per_hour;
    double pull = shape->recent_pull * exp(-ahead_hours / shape->fade_hours);
    size_t count = 0;
    for (size_t day = 1; day <= MEMORY_DAYS; day++) {
        size_t centre = record_back(record, slot, day);
        if (centre == SIZE_MAX) {
            break;
        }
        double weight = exp(-pull * kernel->recent_distance[day]);
        weight *= record->weekday[centre] == record->weekday[slot] ? 1 : shape->other_weekday;
        weight *= record_weekend(record, centre) == record_weekend(record, slot) ? 1 : shape->other_type;
        count = gather_around(kernel, centre, day, weight, count);
    }
    return count;
}

/* Quantiles of one memory from the sorted pool: straight lines between the middles of the samples' weights.
 */
static void find_quantiles(const struct sample *pool, size_t count, size_t m, double total, double *quantile)
{
    size_t level = 0;
    double passed = 0, last_middle = 0, last_value = pool[0].value;
    for (size_t i = 0; i < count && level < GR_QUANTILES; i++) {
        double middle = passed + pool[i].weight[m] / 2;
        for (; level < GR_QUANTILES && middle >= gr_quantile_levels[level] * total; level++) {
            double span = middle - last_middle;
            double share = span > 0 ? (gr_quantile_levels[level] * total - last_middle) / span : 1;
            quantile[level] = last_value + share * (pool[i].value - last_value);
        }
        passed += pool[i].weight[m];
        last_middle = middle;
        last_value = pool[i].value;
    }
    for (; level < GR_QUANTILES; level++) {
        quantile[level] = last_value;
    }
}

/* False where the memory holds nothing. */
static bool answer(const struct kernel *kernel, size_t count, size_t m, double scale,
                   struct kernel_answer *out)
{
    double total = 0, sum = 0;
    for (size_t i = 0; i < count; i++) {
        total += kernel->room[i].weight[m];
        sum += kernel->room[i].weight[m] * kernel->room[i].value;
    }
    if (!(total > 0)) {
        return false;
    }
    find_quantiles(kernel->room, count, m, total, out->quantile_kw[m]);
    out->mean_kw[m] = scale * sum / total;
    for (size_t q = 0; q < GR_QUANTILES; q++) {
        out->quantile_kw[m][q] *= scale;
    }
    return true;
}

bool kernel_ask(struct kernel *kernel, size_t slot, struct kernel_answer *out)
{
    size_t count = gather(kernel, slot);
    double scale = kernel->record->scale[slot];
    sort_pool(kernel, count);
    if (!answer(kernel, count, MEMORIES - 1, scale, out)) {
        return false;
    }
    for (size_t m = 0; m + 1 < MEMORIES; m++) {
        if (!answer(kernel, count, m, scale,
                    out)) { /* what a short memory has lost, the longest still knows */
            memcpy(out->quantile_kw[m], out->quantile_kw[MEMORIES - 1], sizeof out->quantile_kw[m]);
            out->mean_kw[m] = out->mean_kw[MEMORIES - 1];
        }
    }
    return true;
}
