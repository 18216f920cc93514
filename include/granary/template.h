/* Templates for topics and payloads: a text in which ${name} stands for a value.
 *
 *     ${power_w}             a number, as short as it can be written with at most six decimals; or a text
 *     ${power_w:*0.1}        times 0.1; ${...:*-1} turns the sign round
 *     ${power_w:*0.001:+5}   and then plus 5
 *     ${power_w:.2}          with two decimals
 *     ${reason:json}         as JSON: a text in quotes with escapes, a number as it is
 *     $$                     one $
 */
#ifndef GRANARY_TEMPLATE_H
#define GRANARY_TEMPLATE_H

#include "granary/error.h"

#include <stdbool.h>
#include <stddef.h>

struct gr_template_value {
    const char *name;
    const char *text; /* NULL: it is a number */
    double number;    /* NAN is written as null */
    bool raw;         /* the text is JSON by itself */
};

/* *out is to be freed. GR_INVALID, with what was found and what is allowed, for an unknown name, an option
 * that does not fit, a brace that is not closed. */
int gr_template_fill(char **out, const char *pattern, const struct gr_template_value *values, size_t count,
                     struct gr_error *error);

/* Whether every value, however odd, gives a good text: fills it with the values, and again with texts that
 * hold quotes, line breaks and other scripts. What begins with { or [ must be JSON each time. */
int gr_template_check(const char *pattern, const struct gr_template_value *values, size_t count,
                      struct gr_error *error);

#endif
