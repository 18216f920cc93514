/* What a topic's name says about what it carries. */
#ifndef GRANARY_DISCOVER_WORDS_H
#define GRANARY_DISCOVER_WORDS_H

#include "granary/discover.h"

/* What the words of all names say; a word that most names hold says nothing. */
struct gr_names;

int gr_names_create(struct gr_names **out, const struct gr_topic_series *series, size_t count);
void gr_names_free(struct gr_names *names);

/* How well the name of a series suits a channel: above 0 speaks for it, below 0 against it. `word` is set to
 * the word that decided, "" where none did; it lives as long as `names`. */
double gr_names_suit(const struct gr_names *names, size_t series, enum gr_channel channel, const char **word);

/* Whether a word of the name is that unit, watts or kilowatts. */
bool gr_names_hold_unit(const struct gr_names *names, size_t series, enum gr_unit unit);

#endif
