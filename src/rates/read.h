#ifndef GRANARY_RATES_READ_H
#define GRANARY_RATES_READ_H

#include "slots.h"

/* The two kinds of document; each appends what it finds to the slots. */
int gr_read_json(struct gr_slots *slots, const char *bytes, size_t length, struct gr_error *error);
int gr_read_csv(struct gr_slots *slots, const char *bytes, size_t length, struct gr_error *error);

#endif
