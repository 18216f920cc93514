/* The worked examples of conf/events: each fragment is a whole event source, and its sample document is read
 * as it says. All of it is invented; openadr3.json keeps to the shape of OpenADR 3.1.0. */
#include "check.h"

#include "config_fragment.h"
#include "granary/civil.h"
#include "granary/window.h"

#include <string.h>

#define FOLDER GRANARY_SOURCE_DIR "/conf/events/"

/* One window a line, as the hours of January 2041, UTC. */
static void expect_windows(const char *fragment, const char *sample, const char *expected)
{
    struct gr_config *config = read_fragment("event_sources = ( {\n", FOLDER, fragment, "} );\n");
    struct gr_told_windows told = {.count = 0};
    struct gr_error error = {""};
    struct gr_zone *zone = NULL;
    char got[2000] = "", path[600], *bytes = NULL;
    size_t length = 0, used = 0;
    int64_t now_s = 0;
    (void)snprintf(path, sizeof path, FOLDER "%s", sample);
    assert_int_equal(config->event_source_count, 1);
    assert_int_equal(gr_slurp(&bytes, &length, path, 65536, &error), GR_OK);
    assert_int_equal(gr_zone_load(&zone, config->engine.site.timezone, &error), GR_OK);
    assert_int_equal(gr_rfc3339_parse(&now_s, "2041-01-15T12:00:00Z", 20), GR_OK);
    if (gr_windows_read(&told, &config->event_sources[0].mapping, zone, now_s, bytes, length, &error) !=
        GR_OK) {
        fail_msg("%s: %s", sample, error.text);
    }
    for (size_t i = 0; i < told.count && used < sizeof got; i++) {
        char start[GR_RFC3339_SIZE], end[GR_RFC3339_SIZE];
        const struct gr_window *window = &told.windows[i].window;
        used += (size_t)snprintf(
            got + used, sizeof got - used, "%.8s %.8s %s %g\n", gr_rfc3339_format(start, window->start_s) + 8,
            gr_rfc3339_format(end, window->end_s) + 8, gr_window_name(window->kind), window->value);
    }
    assert_int_equal(told.refused_count, 0);
    assert_string_equal(got, expected);
    gr_told_windows_free(&told);
    gr_zone_free(zone);
    free(bytes);
    free(config);
}

static void the_openadr_example_is_read_as_it_says(void **state)
{
    (void)state;
    expect_windows("openadr3.conf", "openadr3.json",
                   "15T17:00 15T18:00 import_price 0.55\n15T17:00 15T18:00 export_price 0.4\n"
                   "15T18:00 15T19:00 import_price 0.8\n15T18:00 15T19:00 export_price 0.6\n"
                   "15T19:00 15T20:00 import_price 0.45\n15T20:00 15T21:00 import_price 0.35\n"
                   "16T16:30 16T17:00 state_of_charge 90\n");
}

static void the_list_of_payments_is_read_as_it_says(void **state)
{
    (void)state;
    expect_windows("payments.conf", "payments.json",
                   "15T17:30 15T19:00 payment 1.5\n16T07:00 16T08:00 payment 0.8\n");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_openadr_example_is_read_as_it_says),
        cmocka_unit_test(the_list_of_payments_is_read_as_it_says),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
