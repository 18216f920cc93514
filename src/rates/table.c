#include "table.h"

#include <stdlib.h>
#include <string.h>

void gr_rate_table_free(struct gr_rate_table *table)
{
    free(table->rates);
    *table = (struct gr_rate_table){NULL, 0};
}

int gr_rate_table_copy(struct gr_rate_table *out, const struct gr_rate_table *table)
{
    struct gr_rate *rates = NULL;
    if (table->count > 0) {
        rates = malloc(table->count * sizeof *rates);
        if (!rates) {
            return GR_NO_MEMORY;
        }
        memcpy(rates, table->rates, table->count * sizeof *rates);
    }
    *out = (struct gr_rate_table){rates, table->count};
    return GR_OK;
}

size_t gr_rate_table_find(const struct gr_rate_table *table, int64_t utc_s)
{
    size_t low = 0, high = table->count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (table->rates[middle].end_s <= utc_s) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    return low;
}

const struct gr_rate *gr_rate_table_at(const struct gr_rate_table *table, int64_t utc_s)
{
    size_t found = gr_rate_table_find(table, utc_s);
    return found < table->count && table->rates[found].start_s <= utc_s ? &table->rates[found] : NULL;
}

static void append(struct gr_rate_table *table, struct gr_rate rate, int64_t keep_from_s)
{
    if (rate.start_s < rate.end_s && rate.end_s > keep_from_s) {
        table->rates[table->count++] = rate;
    }
}

/* What is left of `old` beside the newer slots, which are written as well once nothing older can come before
 * them. *next is the first newer slot not yet written. */
static void overlay(struct gr_rate_table *out, struct gr_rate old, const struct gr_rate_table *newer,
                    size_t *next, int64_t keep_from_s)
{
    for (; *next < newer->count && newer->rates[*next].start_s < old.end_s; ++*next) {
        const struct gr_rate *over = &newer->rates[*next];
        if (over->end_s > old.start_s) {
            struct gr_rate before = {old.start_s, over->start_s, old.price_per_kwh};
            append(out, before, keep_from_s);
            old.start_s = over->end_s;
        }
        append(out, *over, keep_from_s);
    }
    append(out, old, keep_from_s);
}

/* A newer slot that reaches past the end of an old one has been written with it, and cuts those that follow.
 */
static struct gr_rate cut_start(struct gr_rate old, const struct gr_rate_table *newer, size_t next)
{
    if (next > 0 && newer->rates[next - 1].end_s > old.start_s) {
        old.start_s = newer->rates[next - 1].end_s;
    }
    return old;
}

int gr_rate_table_merge(struct gr_rate_table *table, const struct gr_rate_table *newer, int64_t keep_from_s)
{
    /* each newer slot can split one old slot in two */
    size_t most = table->count + 2 * newer->count;
    struct gr_rate_table merged = {malloc((most + 1) * sizeof *merged.rates), 0};
    if (!merged.rates) {
        return GR_NO_MEMORY;
    }
    size_t next = 0;
    for (size_t i = 0; i < table->count; i++) {
        struct gr_rate old = cut_start(table->rates[i], newer, next);
        if (old.start_s < old.end_s) {
            overlay(&merged, old, newer, &next, keep_from_s);
        }
    }
    for (; next < newer->count; next++) {
        append(&merged, newer->rates[next], keep_from_s);
    }
    free(table->rates);
    *table = merged;
    return GR_OK;
}
