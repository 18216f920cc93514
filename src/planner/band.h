/* What the live policy and the bands share. */
#ifndef GRANARY_PLANNER_BAND_H
#define GRANARY_PLANNER_BAND_H

#include "planner/slot.h"

#include "granary/planner.h"

/* The rest of the slot as a slot of its own, for one load (house and car) and sun. */
struct gr_slot gr_band_slot(const struct gr_outlook *outlook, double load_kw, double solar_kw);

/* What follows is about such a slot, whatever its load and sun. */

/* Stored energy at the end of a mean battery power over the outlook, standing loss taken off. */
double gr_band_end_kwh(const struct gr_outlook *outlook, const struct gr_slot *slot, double battery_kw);

/* Greatest mean powers over the time left, >= 0: until full, and until down to the floor. */
double gr_band_fill_kw(const struct gr_outlook *outlook, const struct gr_slot *slot);
double gr_band_empty_kw(const struct gr_outlook *outlook, const struct gr_slot *slot);

/* The mean power (+ charges) that comes of asking for one, and the least that is to be asked for a mean. */
double gr_band_given_kw(const struct gr_outlook *outlook, const struct gr_slot *slot, double asked_kw);
double gr_band_asked_kw(const struct gr_outlook *outlook, const struct gr_slot *slot, double mean_kw);

#endif
