/* What the tests of past usage share. Include after cmocka.h. */
#ifndef GRANARY_TESTS_USAGE_SUPPORT_H
#define GRANARY_TESTS_USAGE_SUPPORT_H

#include "granary/civil.h"
#include "granary/usage.h"

#include "zone_file.h"

#include <math.h>
#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])
#define SET(field, text) (void)snprintf((field), sizeof(field), "%s", (text))

static inline void describe_column(char *out, size_t size, const char *name, const double *values,
                                   size_t count)
{
    size_t used = strlen(out);
    used += (size_t)snprintf(out + used, size - used, " %s", name);
    for (size_t i = 0; i < count && used + 32 < size; i++) {
        used += (size_t)(isnan(values[i]) ? snprintf(out + used, size - used, " -")
                                          : snprintf(out + used, size - used, " %.9g", values[i]));
    }
}

/* "2026-11-25T09:00Z 30min load 0.5 - 1 solar 0 0 0", for a comparison that shows what is different. */
static inline void describe_usage(char *out, size_t size, const struct gr_usage *usage)
{
    char start[GR_RFC3339_SIZE];
    gr_rfc3339_format(start, usage->start_s);
    (void)snprintf(out, size, "%.16sZ %dmin", start, (int)(usage->step_s / 60));
    if (usage->load_kw) {
        describe_column(out, size, "load", usage->load_kw, usage->count);
    }
    if (usage->solar_kw) {
        describe_column(out, size, "solar", usage->solar_kw, usage->count);
    }
    if (usage->temperature_c) {
        describe_column(out, size, "temperature", usage->temperature_c, usage->count);
    }
}

/* Reads the document and holds it against `expected` as describe_usage writes it; returns the report. */
static inline struct gr_usage_report expect_usage(const struct gr_usage_mapping *mapping,
                                                  const struct gr_zone *zone, const char *document,
                                                  const char *expected)
{
    struct gr_error error = {""};
    struct gr_usage usage = {0};
    struct gr_usage_report report;
    char got[4096];
    if (gr_usage_read(&usage, mapping, zone, document, strlen(document), &report, &error) != GR_OK) {
        fail_msg("refused: %s\n%.300s", error.text, document);
    }
    describe_usage(got, sizeof got, &usage);
    gr_usage_free(&usage);
    if (strcmp(got, expected) != 0) {
        fail_msg("got\n%s\nexpected\n%s\nof\n%.300s", got, expected, document);
    }
    return report;
}

/* The document must be refused with a message that holds the words, and the results left alone. */
static inline void expect_usage_refused(const struct gr_usage_mapping *mapping, const struct gr_zone *zone,
                                        const char *document, size_t length, const char *words)
{
    struct gr_error error = {""};
    struct gr_usage usage = {.start_s = 7};
    struct gr_usage_report report = {.rows = 77};
    int rc = gr_usage_read(&usage, mapping, zone, document, length, &report, &error);
    if (rc != GR_INVALID || !strstr(error.text, words)) {
        fail_msg("rc %d, message '%s', expected '%s' for\n%.300s", rc, error.text, words, document);
    }
    assert_null(strchr(error.text, '\n'));
    assert_true(usage.start_s == 7 && usage.count == 0 && !usage.load_kw);
    assert_int_equal(report.rows, 77);
}

#endif
