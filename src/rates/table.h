#ifndef GRANARY_RATES_TABLE_H
#define GRANARY_RATES_TABLE_H

#include "granary/rates.h"

/* Index of the first rate that ends after the moment; table->count where there is none. */
size_t gr_rate_table_find(const struct gr_rate_table *table, int64_t utc_s);

#endif
