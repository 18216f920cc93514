#include "read.h"
#include "walk.h"

#include <stdio.h>

struct reading {
    struct gr_slots *slots;
    size_t list; /* of the list at hand, unlike that of any other one that is not empty */
};

static void begin_list(void *context)
{
    struct reading *reading = context;
    reading->list = reading->slots->count;
}

static int read_element(void *context, json_t *element, const char *path, struct gr_error *error)
{
    struct reading *reading = context;
    struct gr_field fields[GR_FIELDS] = {{0}};
    char where[GR_WALK_PATH_SIZE + 16];
    (void)snprintf(where, sizeof where, "element %s", path);
    for (int i = 0; i < GR_FIELDS; i++) {
        const char *pointer = gr_mapping_field(reading->slots->mapping, i);
        if (pointer[0] != '\0' && gr_walk_field(&fields[i], element, where, pointer, error) != GR_OK) {
            return GR_INVALID;
        }
    }
    return gr_slots_add(reading->slots, reading->list, fields, error);
}

static int check_pointers(const struct gr_rate_mapping *mapping, struct gr_error *error)
{
    int rc = gr_json_pointer_check(mapping->list, error);
    for (int i = 0; i < GR_FIELDS && rc == GR_OK; i++) {
        rc = gr_json_pointer_check(gr_mapping_field(mapping, i), error);
    }
    return rc;
}

int gr_read_json(struct gr_slots *slots, const char *bytes, size_t length, struct gr_error *error)
{
    struct reading reading = {.slots = slots};
    const struct gr_walk walk = {
        .list = slots->mapping->list, .element = read_element, .begin = begin_list, .context = &reading};
    int rc = check_pointers(slots->mapping, error);
    if (rc != GR_OK) {
        return rc;
    }
    json_t *document;
    rc = gr_walk_parse(&document, bytes, length, error);
    if (rc == GR_OK) {
        rc = gr_walk_elements(&walk, document, error);
        json_decref(document);
    }
    return rc;
}
