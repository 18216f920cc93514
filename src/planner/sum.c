#include "planner/sum.h"

#include "granary/error.h"

void gr_sum_free(struct gr_sum *sum)
{
    for (size_t k = 0; k < GR_SUM_LEVELS; k++) {
        gr_points_free(&sum->level[k]);
    }
    gr_points_free(&sum->carry);
    gr_points_free(&sum->spare);
}

void gr_sum_clear(struct gr_sum *sum)
{
    for (size_t k = 0; k < GR_SUM_LEVELS; k++) {
        sum->level[k].count = 0;
    }
    sum->carry.count = 0;
}

static void swap_points(struct gr_points *a, struct gr_points *b)
{
    struct gr_points kept = *a;
    *a = *b;
    *b = kept;
}

/* Adds a level to the carry and empties it. */
static int take_level(struct gr_sum *sum, struct gr_points *level)
{
    if (sum->carry.count == 0) {
        swap_points(&sum->carry, level);
    } else {
        int rc = gr_points_add(&sum->spare, &sum->carry, level);
        if (rc) {
            return rc;
        }
        swap_points(&sum->carry, &sum->spare);
    }
    level->count = 0;
    return GR_OK;
}

int gr_sum_add(struct gr_sum *sum, const struct gr_point *at, size_t count, double weight)
{
    int rc = gr_points_reserve(&sum->carry, count);
    if (rc) {
        return rc;
    }
    sum->carry.count = 0;
    for (size_t i = 0; i < count; i++) {
        gr_points_push(&sum->carry, at[i].x, weight * at[i].value);
    }
    size_t k = 0;
    for (; k + 1 < GR_SUM_LEVELS && sum->level[k].count > 0; k++) {
        rc = take_level(sum, &sum->level[k]);
        if (rc) {
            return rc;
        }
    }
    swap_points(&sum->level[k], &sum->carry);
    sum->carry.count = 0;
    return GR_OK;
}

int gr_sum_total(struct gr_sum *sum)
{
    sum->carry.count = 0;
    for (size_t k = 0; k < GR_SUM_LEVELS; k++) {
        int rc = sum->level[k].count > 0 ? take_level(sum, &sum->level[k]) : GR_OK;
        if (rc) {
            return rc;
        }
    }
    return GR_OK;
}
