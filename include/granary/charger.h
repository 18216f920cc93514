/* A car that charges behind a meter that only knows the total, told from the house at the moment: a charger
 * of known power makes the load rise by just that, and stay there. block.h does the same for past usage.
 * Pure. */
#ifndef GRANARY_CHARGER_H
#define GRANARY_CHARGER_H

#include <stdbool.h>
#include <stdint.h>

enum gr_charger_phase { GR_CHARGER_IDLE, GR_CHARGER_RISEN, GR_CHARGER_CHARGES };

/* What a turn leaves for the next one. */
struct gr_charger {
    bool begun;
    enum gr_charger_phase phase;
    int64_t mono_ms;  /* of the last known total */
    int64_t since_ms; /* when the load rose */
    int64_t high_ms;  /* when it was last high enough to hold a charging car */
    double house_kw;  /* before it rose, smoothed over two minutes */
    double least_kw;  /* least rise since */
    double car_kw;    /* while it charges */
};

void gr_charger_init(struct gr_charger *charger);

/* Takes the load seen now, house and car together (NAN: not known), and returns the car's part of it: 0 while
 * none is recognised, never more than the total. The load has to rise by 0.8 to 1.2 times power_kw and to
 * stay up for five minutes; what the house adds on top meanwhile does no harm. It is over once the total has
 * been below 0.6 of power_kw for half a minute, or after 16 hours. A gap of ten minutes forgets all. */
double gr_charger_turn(struct gr_charger *charger, double power_kw, double total_kw, int64_t mono_ms);

#endif
