/* A configuration of which one group is a fragment out of conf/, the rest the parts of tests/unit/config. */
#ifndef GRANARY_TESTS_CONFIG_FRAGMENT_H
#define GRANARY_TESTS_CONFIG_FRAGMENT_H

#include "check.h"

#include "config/slurp.h"
#include "granary/config.h"

#include <stdlib.h>
#include <unistd.h>

static inline void copy_into(FILE *file, const char *folder, const char *name)
{
    char path[600];
    char *bytes = NULL;
    size_t length = 0;
    (void)snprintf(path, sizeof path, "%s%s", folder, name);
    assert_int_equal(gr_slurp(&bytes, &length, path, 65536, NULL), GR_OK);
    assert_int_equal(fwrite(bytes, 1, length, file), length);
    free(bytes);
}

/* The fragment stands between `before` and `after`; to be freed. */
static inline struct gr_config *read_fragment(const char *before, const char *folder, const char *fragment,
                                              const char *after)
{
    static const char *const parts[] = {"site.conf", "battery.conf", "grid.conf", "solar.conf",
                                        "mqtt.conf", "inputs.conf",  "rates.conf"};
    char name[] = "/tmp/granary-fragment-XXXXXX";
    int handle = mkstemp(name);
    assert_true(handle >= 0);
    FILE *file = fdopen(handle, "w");
    assert_non_null(file);
    for (size_t i = 0; i < sizeof parts / sizeof *parts; i++) {
        copy_into(file, GRANARY_SOURCE_DIR "/tests/unit/config/parts/", parts[i]);
    }
    (void)fputs(before, file);
    copy_into(file, folder, fragment);
    (void)fputs(after, file);
    assert_int_equal(fclose(file), 0);
    struct gr_config *config = calloc(1, sizeof *config);
    struct gr_complaints complaints = {0};
    assert_non_null(config);
    int status = gr_config_read(config, name, &complaints);
    gr_complaints_print(stderr, &complaints);
    gr_complaints_free(&complaints);
    (void)remove(name);
    assert_int_equal(status, GR_OK);
    return config;
}

#endif
