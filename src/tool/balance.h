/* Do the powers add up? House = grid + solar - battery - car, and where they do not, which single mistake
 * would explain it. */
#ifndef GRANARY_TOOL_BALANCE_H
#define GRANARY_TOOL_BALANCE_H

#include "granary/channel.h"

#include <stdbool.h>
#include <stddef.h>

/* `kw` holds the powers in our signs, NAN for what is not known; without a car power there is no car, without
 * solar no sun. Without a house power the rest must not be negative. Writes what was found as one line. False
 * where the balance does not close; true too where grid or battery are unknown, so that nothing can be said
 * (the text is empty then). */
bool gr_balance_diagnose(const double kw[GR_CHANNELS], char *text, size_t size);

#endif
