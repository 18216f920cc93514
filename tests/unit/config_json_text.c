#include "check.h"

#include "config/json_text.h"

#include <stdlib.h>

static long allocations, failing; /* the number of the allocation that fails; 0: none */

static void *allocate(size_t size)
{
    return ++allocations == failing ? NULL : malloc(size);
}

static int set_up(void **state)
{
    (void)state;
    json_set_alloc_funcs(allocate, free);
    allocations = failing = 0;
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    json_set_alloc_funcs(malloc, free);
    return 0;
}

/* As long as a command's; the longer the reason, the further on a growing buffer meets its bounds. */
static json_t *write_document(const char *reason)
{
    return json_pack("{s:s, s:i, s:i, s:s, s:s, s:s, s:i}", "command", "follow", "power_w", 0,
                     "target_percent", 10, "issued", "2041-01-15T02:00:00Z", "valid_until",
                     "2041-01-15T02:05:00Z", "reason", reason, "sequence", 1);
}

#define DOCUMENT                                                                                             \
    "{\"command\":\"follow\",\"power_w\":0,\"target_percent\":10,\"issued\":\"2041-01-15T02:00:00Z\","       \
    "\"valid_until\":\"2041-01-15T02:05:00Z\",\"reason\":\"starting\",\"sequence\":1}"

static void a_document_is_written_as_it_is(void **state)
{
    (void)state;
    json_t *document = write_document("starting");
    char *text = gr_json_text(document, JSON_COMPACT);
    assert_string_equal(text, DOCUMENT);
    free(text);
    text = gr_json_text(json_object_get(document, "reason"), JSON_ENCODE_ANY);
    assert_string_equal(text, "\"starting\"");
    free(text);
    json_decref(document);
    assert_null(gr_json_text(NULL, 0));
}

static void a_text_is_whole_or_none_whichever_allocation_fails(void **state)
{
    (void)state;
    json_t *document = write_document("starting");
    bool reached = true;
    long written = 0;
    for (long n = 1; reached; n++) {
        allocations = 0;
        failing = n;
        char *text = gr_json_text(document, JSON_COMPACT);
        reached = allocations >= n;
        failing = 0;
        written += text != NULL;
        if (text) {
            assert_string_equal(text, DOCUMENT);
        }
        assert_true(text || reached);
        free(text);
    }
    assert_int_equal(written, 1);
    json_decref(document);
}

static void what_does_not_fit_is_said_not_to_be_printed(void **state)
{
    (void)state;
    json_t *document = write_document("starting");
    char room[sizeof DOCUMENT + 2];
    for (size_t size = 1; size < sizeof DOCUMENT; size++) {
        FILE *stream = fmemopen(room, size, "w");
        (void)setvbuf(stream, NULL, _IONBF, 0);
        assert_false(gr_json_print(document, JSON_COMPACT, stream));
        (void)fclose(stream);
    }
    FILE *stream = fmemopen(room, sizeof room, "w");
    assert_true(gr_json_print(document, JSON_COMPACT, stream));
    (void)fclose(stream);
    assert_string_equal(room, DOCUMENT "\n");
    json_decref(document);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_document_is_written_as_it_is, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_text_is_whole_or_none_whichever_allocation_fails, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(what_does_not_fit_is_said_not_to_be_printed, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
