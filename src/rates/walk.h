/* The elements of a list in a JSON document, wherever a pointer with "*" in it leads. */
#ifndef GRANARY_RATES_WALK_H
#define GRANARY_RATES_WALK_H

#include "field.h"

#include <jansson.h>

#define GR_WALK_PATH_SIZE 160

struct gr_walk {
    const char *list; /* JSON Pointer of the array; "" is the document itself; "*" stands for each member */
    /* One element; `path` ("/prices/3") is cut to fit. Not GR_OK ends the walk. */
    int (*element)(void *context, json_t *element, const char *path, struct gr_error *error);
    /* A further list begins; NULL: nobody asks. */
    void (*begin)(void *context);
    void *context;
};

/* GR_INVALID, naming the way, where the pointer leads to no array. */
int gr_walk_elements(const struct gr_walk *walk, json_t *document, struct gr_error *error);

/* The document's root, to be given back with json_decref; GR_INVALID, with line and column, where it is no
 * JSON. Numbers are read as doubles, so that a long number in a field nobody asked for does no harm. */
int gr_walk_parse(json_t **out, const char *bytes, size_t length, struct gr_error *error);

/* A member of an element as a field; `name` is its pointer. GR_INVALID where it is not there. */
int gr_walk_field(struct gr_field *out, json_t *element, const char *where, const char *name,
                  struct gr_error *error);

#endif
