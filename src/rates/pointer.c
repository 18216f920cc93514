#include "pointer.h"
#include "text.h"

#include <string.h>

int gr_json_error_kind(const json_error_t *json_error)
{
    bool no_memory = json_error_code(json_error) == json_error_out_of_memory || json_error->text[0] == '\0';
    return no_memory ? GR_NO_MEMORY : GR_INVALID;
}

const char *gr_json_kind(const json_t *value)
{
    switch (json_typeof(value)) {
    case JSON_OBJECT:
        return "an object";
    case JSON_ARRAY:
        return "an array";
    case JSON_STRING:
        return "a string";
    case JSON_INTEGER:
    case JSON_REAL:
        return "a number";
    case JSON_TRUE:
        return "true";
    case JSON_FALSE:
        return "false";
    case JSON_NULL:
        break;
    }
    return "null";
}

static int refuse_syntax(struct gr_error *error, const char *pointer, const char *why)
{
    char shown[GR_QUOTED_SIZE];
    return gr_error_set(error, GR_INVALID, "%s is no JSON Pointer: %s",
                        gr_text_quote(shown, pointer, strlen(pointer)), why);
}

int gr_pointer_token(char token[GR_TOKEN_SIZE], const char **pointer, struct gr_error *error)
{
    const char *at = *pointer;
    size_t length = 0;
    if (*at != '/') {
        return refuse_syntax(error, *pointer, "each name must begin with '/'");
    }
    for (at++; *at != '\0' && *at != '/'; at++) {
        char character = *at;
        if (character == '~') {
            at++;
            if (*at != '0' && *at != '1') {
                return refuse_syntax(error, *pointer, "'~' must be followed by 0 or 1");
            }
            character = *at == '0' ? '~' : '/';
        }
        if (length + 1 == GR_TOKEN_SIZE) {
            return refuse_syntax(error, *pointer, "a name has more than 255 bytes");
        }
        token[length++] = character;
    }
    token[length] = '\0';
    *pointer = at;
    return GR_OK;
}

/* Digits without a leading zero, few enough not to overflow; "-" and everything else names no element. */
static bool read_index(size_t *out, const char *token)
{
    size_t length = strlen(token);
    if (length == 0 || length > 9 || strspn(token, "0123456789") != length ||
        (token[0] == '0' && length > 1)) {
        return false;
    }
    *out = 0;
    for (; *token != '\0'; token++) {
        *out = *out * 10 + (size_t)(*token - '0');
    }
    return true;
}

static json_t *step_into_array(json_t *array, const char *token, struct gr_error *error)
{
    char shown[GR_QUOTED_SIZE];
    size_t index;
    gr_text_quote(shown, token, strlen(token));
    if (!read_index(&index, token)) {
        (void)gr_error_set(error, GR_INVALID, "%s is no index into an array", shown);
        return NULL;
    }
    if (index >= json_array_size(array)) {
        (void)gr_error_set(error, GR_INVALID, "no element %s in an array of %zu", shown,
                           json_array_size(array));
        return NULL;
    }
    return json_array_get(array, index);
}

json_t *gr_pointer_step(json_t *value, const char *token, struct gr_error *error)
{
    char shown[GR_QUOTED_SIZE];
    if (json_is_array(value)) {
        return step_into_array(value, token, error);
    }
    gr_text_quote(shown, token, strlen(token));
    if (!json_is_object(value)) {
        (void)gr_error_set(error, GR_INVALID, "no member %s in %s", shown, gr_json_kind(value));
        return NULL;
    }
    json_t *member = json_object_get(value, token);
    if (!member) {
        (void)gr_error_set(error, GR_INVALID, "no member %s", shown);
    }
    return member;
}

struct json_t *gr_json_pointer(struct json_t *root, const char *pointer, struct gr_error *error)
{
    char token[GR_TOKEN_SIZE];
    json_t *value = root;
    while (value && *pointer != '\0') {
        if (gr_pointer_token(token, &pointer, error) != GR_OK) {
            return NULL;
        }
        value = gr_pointer_step(value, token, error);
    }
    return value;
}

int gr_json_pointer_check(const char *pointer, struct gr_error *error)
{
    char token[GR_TOKEN_SIZE];
    int rc = GR_OK;
    while (rc == GR_OK && *pointer != '\0') {
        rc = gr_pointer_token(token, &pointer, error);
    }
    return rc;
}
