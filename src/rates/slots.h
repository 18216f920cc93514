/* Collects the slots of a foreign document as they stand there, then makes a table of them. */
#ifndef GRANARY_RATES_SLOTS_H
#define GRANARY_RATES_SLOTS_H

#include "field.h"

enum { GR_START, GR_END, GR_DURATION, GR_PRICE, GR_FIELDS };

/* The mapping's name for a field; "" where it is not mapped. */
const char *gr_mapping_field(const struct gr_rate_mapping *mapping, int which);

struct gr_raw_slot {
    struct gr_moment start, end;
    bool has_end;
    bool occurs_twice; /* its start is a wall-clock reading that occurs twice, and this is the first
                          occurrence */
    int64_t start_s, end_s;
    double price_per_kwh;
    size_t list;  /* local times run in one direction within a list */
    size_t order; /* in the document */
};

struct gr_slots {
    const struct gr_rate_mapping *mapping;
    const struct gr_zone *zone;
    struct gr_raw_slot *slot;
    size_t count, capacity;
};

/* Interprets the fields (unmapped ones are not looked at) and appends a slot. */
int gr_slots_add(struct gr_slots *slots, size_t list, const struct gr_field fields[GR_FIELDS],
                 struct gr_error *error);

/* Resolves local times and lengths, sorts, drops duplicates, refuses what contradicts itself. */
int gr_slots_finish(struct gr_slots *slots, struct gr_rate_table *out, struct gr_error *error);

void gr_slots_free(struct gr_slots *slots);

#endif
