/* JSON Pointers (RFC 6901) token by token. */
#ifndef GRANARY_RATES_POINTER_H
#define GRANARY_RATES_POINTER_H

#include "granary/rates.h"

#include <jansson.h>

#define GR_TOKEN_SIZE 256

/* Takes the next token off *pointer, which must not be empty, and decodes its escapes. GR_INVALID for bad
 * syntax. */
int gr_pointer_token(char token[GR_TOKEN_SIZE], const char **pointer, struct gr_error *error);

/* The member or element the token names; NULL with a message. */
json_t *gr_pointer_step(json_t *value, const char *token, struct gr_error *error);

/* GR_NO_MEMORY or GR_INVALID. The library leaves the text empty in most cases where memory ran out. */
int gr_json_error_kind(const json_error_t *json_error);

/* "an object", "null", ... */
const char *gr_json_kind(const json_t *value);

#endif
