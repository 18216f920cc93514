#include "walk.h"
#include "pointer.h"
#include "text.h"

#include <stdio.h>
#include <string.h>

/* The way from the root to the value at hand, for messages; what does not fit is left out. */
struct path {
    char text[GR_WALK_PATH_SIZE];
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

static int read_list(const struct gr_walk *walk, json_t *list, const struct path *path,
                     struct gr_error *error)
{
    int rc = GR_OK;
    if (!json_is_array(list)) {
        return gr_error_set(error, GR_INVALID, "list '%s': found %s, expected an array", path->text,
                            gr_json_kind(list));
    }
    if (walk->begin) {
        walk->begin(walk->context);
    }
    for (size_t i = 0; i < json_array_size(list) && rc == GR_OK; i++) {
        struct path element = extend_by_index(path, i);
        rc = walk->element(walk->context, json_array_get(list, i), element.text, error);
    }
    return rc;
}

static int descend(const struct gr_walk *walk, json_t *value, const char *pointer, const struct path *path,
                   struct gr_error *error);

/* A "*" on the way: every member or element. */
static int walk_all(const struct gr_walk *walk, json_t *value, const char *pointer, const struct path *path,
                    struct gr_error *error)
{
    int rc = GR_OK;
    if (json_is_array(value)) {
        for (size_t i = 0; i < json_array_size(value) && rc == GR_OK; i++) {
            struct path next = extend_by_index(path, i);
            rc = descend(walk, json_array_get(value, i), pointer, &next, error);
        }
        return rc;
    }
    if (!json_is_object(value)) {
        return gr_error_set(error, GR_INVALID, "list '%s': found %s, expected an object or an array for '*'",
                            path->text, gr_json_kind(value));
    }
    for (void *at = json_object_iter(value); at && rc == GR_OK; at = json_object_iter_next(value, at)) {
        struct path next = extend(path, json_object_iter_key(at));
        rc = descend(walk, json_object_iter_value(at), pointer, &next, error);
    }
    return rc;
}

/* As deep as the mapping's pointer has tokens. */
static int descend(const struct gr_walk *walk, json_t *value, const char *pointer, const struct path *path,
                   struct gr_error *error)
{
    char token[GR_TOKEN_SIZE];
    struct gr_error reason = {""};
    if (*pointer == '\0') {
        return read_list(walk, value, path, error);
    }
    int rc = gr_pointer_token(token, &pointer, error);
    if (rc != GR_OK) {
        return rc;
    }
    if (strcmp(token, "*") == 0) {
        return walk_all(walk, value, pointer, path, error);
    }
    json_t *next = gr_pointer_step(value, token, &reason);
    if (!next) {
        return gr_error_set(error, GR_INVALID, "list '%s': found %s in '%s'", walk->list, reason.text,
                            path->text);
    }
    struct path longer = extend(path, token);
    return descend(walk, next, pointer, &longer, error);
}

int gr_walk_elements(const struct gr_walk *walk, json_t *document, struct gr_error *error)
{
    struct path root = {.length = 0};
    return descend(walk, document, walk->list, &root, error);
}

int gr_walk_parse(json_t **out, const char *bytes, size_t length, struct gr_error *error)
{
    json_error_t json_error;
    *out = json_loadb(bytes, length, JSON_REJECT_DUPLICATES | JSON_DECODE_INT_AS_REAL, &json_error);
    if (*out) {
        return GR_OK;
    }
    char reason[2 * JSON_ERROR_TEXT_LENGTH];
    gr_text_escape(reason, sizeof reason, json_error.text, strlen(json_error.text));
    return gr_error_set(error, gr_json_error_kind(&json_error),
                        "line %d, column %d: found no JSON document: %s", json_error.line, json_error.column,
                        reason[0] != '\0' ? reason : "out of memory");
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

int gr_walk_field(struct gr_field *out, json_t *element, const char *where, const char *name,
                  struct gr_error *error)
{
    struct gr_error reason = {""};
    json_t *value = gr_json_pointer(element, name, &reason);
    if (!value) {
        return gr_error_set(error, GR_INVALID, "%s, field %s: found %s", where, name, reason.text);
    }
    *out = field_of(value);
    out->where = where;
    out->name = name;
    return GR_OK;
}
