#include "planner/work.h"

#include "granary/error.h"
#include "granary/planner.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* Levels closer than this share of the domain are one level. */
#define NEAR 1e-12

void gr_value_free(struct gr_value *value)
{
    free(value->kwh);
    free(value->value);
    memset(value, 0, sizeof *value);
}

/* Index of the last point at or below kwh. */
static size_t find_point(const struct gr_value *value, double kwh)
{
    size_t low = 0, high = value->count;
    while (high - low > 1) {
        size_t middle = low + (high - low) / 2;
        if (value->kwh[middle] <= kwh) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return low;
}

double gr_value_at(const struct gr_value *value, double kwh)
{
    size_t last = value->count - 1;
    if (!(kwh > value->kwh[0])) {
        return value->value[0];
    }
    if (kwh >= value->kwh[last]) {
        return value->value[last];
    }
    size_t i = find_point(value, kwh);
    struct gr_point a = {value->kwh[i], value->value[i]};
    return gr_point_line(a, (struct gr_point){value->kwh[i + 1], value->value[i + 1]}, kwh);
}

double gr_value_marginal(const struct gr_value *value, double kwh)
{
    if (value->count < 2) {
        return 0;
    }
    /* A level a rounding error below a kink means the kink. */
    double nudge = NEAR * value->kwh[value->count - 1];
    size_t i = find_point(value, kwh + nudge);
    i = i + 1 < value->count ? i : value->count - 2;
    return -(value->value[i + 1] - value->value[i]) / (value->kwh[i + 1] - value->kwh[i]);
}

int gr_value_of_points(struct gr_value *out, const struct gr_point *at, size_t count, double base)
{
    out->count = count;
    out->kwh = calloc(count, sizeof *out->kwh);
    out->value = calloc(count, sizeof *out->value);
    if (!out->kwh || !out->value) {
        gr_value_free(out);
        return GR_NO_MEMORY;
    }
    for (size_t i = 0; i < count; i++) {
        out->kwh[i] = at[i].x;
        out->value[i] = at[i].value + base;
    }
    return GR_OK;
}

static int add_value(struct gr_sum *sum, struct gr_points *scratch, const struct gr_value *value,
                     double weight)
{
    int rc = gr_points_reserve(scratch, value->count);
    if (rc) {
        return rc;
    }
    scratch->count = 0;
    for (size_t i = 0; i < value->count; i++) {
        gr_points_push(scratch, value->kwh[i], value->value[i]);
    }
    return gr_sum_add(sum, scratch->at, scratch->count, weight);
}

int gr_value_mean(struct gr_value *out, const struct gr_value *const *values, const double *weights,
                  size_t count)
{
    memset(out, 0, sizeof *out);
    if (count == 0) {
        return GR_INVALID;
    }
    struct gr_sum sum = {0};
    struct gr_points scratch = {0};
    int rc = GR_OK;
    for (size_t i = 0; i < count && !rc; i++) {
        rc = values[i]->count > 0 ? add_value(&sum, &scratch, values[i], weights[i]) : GR_INVALID;
    }
    rc = rc ? rc : gr_sum_total(&sum);
    rc = rc ? rc : gr_points_reserve(&scratch, sum.carry.count);
    if (!rc) {
        /* The same kink computed along two ways may differ in its last digit: one point is enough. */
        double width_kwh = sum.carry.at[sum.carry.count - 1].x - sum.carry.at[0].x, over = 0, under = 0;
        const struct gr_prune_rule rule = {0, NEAR * width_kwh, SIZE_MAX};
        size_t kept = gr_points_prune(scratch.at, &sum.carry, &rule, &over, &under);
        rc = gr_value_of_points(out, scratch.at, kept, 0);
    }
    gr_sum_free(&sum);
    gr_points_free(&scratch);
    return rc;
}
