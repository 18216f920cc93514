#include "pointer.h"
#include "read.h"
#include "text.h"

#include <stdio.h>
#include <string.h>

#define PATH_SIZE 160

/* The way from the root to the value at hand, for messages; what does not fit is left out. */
struct path {
    char text[PATH_SIZE];
    size_t length;
};

static struct path extend(const struct path *path, const char *name)
{
    struct path longer = *path;
    size_t room = sizeof longer.text - longer.length;
    if (room > 16) {
        longer.text[longer.length] = '/';
        gr_text_escape(longer.text + longer.length + 1, room - 1, name, strlen(name));
        longer.length += strlen(longer.text + longer.length);
    }
    return longer;
}

static struct path extend_by_index(const struct path *path, size_t index)
{
    char name[24];
    (void)snprintf(name, sizeof name, "%zu", index);
    return extend(path, name);
}

static struct gr_field field_of(const json_t *value)
{
    struct gr_field field = {.kind = GR_FIELD_OTHER};
    if (json_is_string(value)) {
        field.kind = GR_FIELD_TEXT;
        field.text = json_string_value(value);
        field.length = json_string_length(value);
    } else if (json_is_number(value)) {
        field.kind = GR_FIELD_NUMBER;
        field.number = json_number_value(value);
    } else {
        field.text = gr_json_kind(value);
    }
    return field;
}

static int read_element(struct gr_slots *slots, size_t list, json_t *element, const struct path *path,
                        struct gr_error *error)
{
    struct gr_field fields[GR_FIELDS] = {{0}};
    char where[PATH_SIZE + 16];
    (void)snprintf(where, sizeof where, "element %s", path->text);
    for (int i = 0; i < GR_FIELDS; i++) {
        const char *pointer = gr_mapping_field(slots->mapping, i);
        struct gr_error reason = {""};
        if (pointer[0] == '\0') {
            continue;
        }
        json_t *value = gr_json_pointer(element, pointer, &reason);
        if (!value) {
            return gr_error_set(error, GR_INVALID, "%s, field %s: found %s", where, pointer, reason.text);
        }
        fields[i] = field_of(value);
        fields[i].where = where;
        fields[i].name = pointer;
    }
    return gr_slots_add(slots, list, fields, error);
}

static int read_list(struct gr_slots *slots, json_t *list, const struct path *path, struct gr_error *error)
{
    size_t list_number = slots->count; /* unlike that of any other list that is not empty */
    int rc = GR_OK;
    if (!json_is_array(list)) {
        return gr_error_set(error, GR_INVALID, "list '%s': found %s, expected an array", path->text,
                            gr_json_kind(list));
    }
    for (size_t i = 0; i < json_array_size(list) && rc == GR_OK; i++) {
        struct path element = extend_by_index(path, i);
        rc = read_element(slots, list_number, json_array_get(list, i), &element, error);
    }
    return rc;
}

static int walk(struct gr_slots *slots, json_t *value, const char *pointer, const struct path *path,
                struct gr_error *error);

/* A "*" on the way: every member or element. */
static int walk_all(struct gr_slots *slots, json_t *value, const char *pointer, const struct path *path,
                    struct gr_error *error)
{
    int rc = GR_OK;
    if (json_is_array(value)) {
        for (size_t i = 0; i < json_array_size(value) && rc == GR_OK; i++) {
            struct path next = extend_by_index(path, i);
            rc = walk(slots, json_array_get(value, i), pointer, &next, error);
        }
        return rc;
    }
    if (!json_is_object(value)) {
        return gr_error_set(error, GR_INVALID, "list '%s': found %s, expected an object or an array for '*'",
                            path->text, gr_json_kind(value));
    }
    for (void *at = json_object_iter(value); at && rc == GR_OK; at = json_object_iter_next(value, at)) {
        struct path next = extend(path, json_object_iter_key(at));
        rc = walk(slots, json_object_iter_value(at), pointer, &next, error);
    }
    return rc;
}

/* As deep as the mapping's pointer has tokens. */
static int walk(struct gr_slots *slots, json_t *value, const char *pointer, const struct path *path,
                struct gr_error *error)
{
    char token[GR_TOKEN_SIZE];
    struct gr_error reason = {""};
    if (*pointer == '\0') {
        return read_list(slots, value, path, error);
    }
    int rc = gr_pointer_token(token, &pointer, error);
    if (rc != GR_OK) {
        return rc;
    }
    if (strcmp(token, "*") == 0) {
        return walk_all(slots, value, pointer, path, error);
    }
    json_t *next = gr_pointer_step(value, token, &reason);
    if (!next) {
        return gr_error_set(error, GR_INVALID, "list '%s': found %s in '%s'", slots->mapping->list,
                            reason.text, path->text);
    }
    struct path longer = extend(path, token);
    return walk(slots, next, pointer, &longer, error);
}

static int check_pointers(const struct gr_rate_mapping *mapping, struct gr_error *error)
{
    int rc = gr_json_pointer_check(mapping->list, error);
    for (int i = 0; i < GR_FIELDS && rc == GR_OK; i++) {
        rc = gr_json_pointer_check(gr_mapping_field(mapping, i), error);
    }
    return rc;
}

/* Numbers are read as doubles, so that a long number in a field nobody asked for does no harm. */
int gr_read_json(struct gr_slots *slots, const char *bytes, size_t length, struct gr_error *error)
{
    struct path root = {.length = 0};
    json_error_t json_error;
    int rc = check_pointers(slots->mapping, error);
    if (rc != GR_OK) {
        return rc;
    }
    json_t *document =
        json_loadb(bytes, length, JSON_REJECT_DUPLICATES | JSON_DECODE_INT_AS_REAL, &json_error);
    if (!document) {
        char reason[2 * JSON_ERROR_TEXT_LENGTH];
        gr_text_escape(reason, sizeof reason, json_error.text, strlen(json_error.text));
        return gr_error_set(error, gr_json_error_kind(&json_error),
                            "line %d, column %d: found no JSON document: %s", json_error.line,
                            json_error.column, reason[0] != '\0' ? reason : "out of memory");
    }
    rc = walk(slots, document, slots->mapping->list, &root, error);
    json_decref(document);
    return rc;
}
