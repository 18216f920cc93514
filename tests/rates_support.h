/* What the tests of rates share. Include after cmocka.h. */
#ifndef GRANARY_TESTS_RATES_SUPPORT_H
#define GRANARY_TESTS_RATES_SUPPORT_H

#include "granary/civil.h"
#include "granary/rates.h"

#include "zone_file.h"

#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

static inline int64_t moment(const char *text)
{
    int64_t out = 0;
    if (gr_rfc3339_parse(&out, text, strlen(text)) != GR_OK) {
        fail_msg("'%s' is no time", text);
    }
    return out;
}

/* To the last bit: nothing here may round. */
static inline void expect_price(double got, double expected)
{
    if (got != expected) {
        fail_msg("got %.17g, expected %.17g", got, expected);
    }
}

static inline void expect_words(const struct gr_error *error, const char *words)
{
    if (!strstr(error->text, words)) {
        fail_msg("the message '%s' lacks '%s'", error->text, words);
    }
}

/* One slot per line, "2026-11-25T09:00Z 30min 0.25", for a comparison that shows what is different. */
static inline void describe(char *out, size_t size, const struct gr_rate_table *table)
{
    size_t used = 0;
    out[0] = '\0';
    for (size_t i = 0; i < table->count && used < size; i++) {
        char start[GR_RFC3339_SIZE];
        const struct gr_rate *rate = &table->rates[i];
        gr_rfc3339_format(start, rate->start_s);
        int length = snprintf(out + used, size - used, "%s%.16sZ %gmin %.9g", i > 0 ? "\n" : "", start,
                              (double)(rate->end_s - rate->start_s) / 60, rate->price_per_kwh);
        used += (size_t)length;
    }
}

static inline struct gr_rate_mapping plain_mapping(enum gr_rate_format format)
{
    struct gr_rate_mapping mapping = {.format = format, .scale = 1, .factor = 1, .slot_minutes = 30};
    (void)snprintf(mapping.start, sizeof mapping.start, "%s", format == GR_RATES_JSON ? "/start" : "start");
    (void)snprintf(mapping.price, sizeof mapping.price, "%s", format == GR_RATES_JSON ? "/price" : "price");
    return mapping;
}

#define SET(field, text) (void)snprintf((field), sizeof(field), "%s", (text))

/* Holds the table read from the document against `expected` as `describe` writes it. */
static inline void expect_read(const struct gr_rate_mapping *mapping, const struct gr_zone *zone,
                               const char *document, const char *expected)
{
    struct gr_error error = {""};
    struct gr_rate_table table = {NULL, 0};
    if (gr_rates_read(&table, mapping, zone, document, strlen(document), &error) != GR_OK) {
        fail_msg("refused: %s\n%.300s", error.text, document);
    }
    char got[8192];
    describe(got, sizeof got, &table);
    gr_rate_table_free(&table);
    if (strcmp(got, expected) != 0) {
        fail_msg("got\n%s\nexpected\n%s", got, expected);
    }
}

/* The document must be refused with a message that holds the words, and the result left alone. */
static inline void expect_refused_bytes(const struct gr_rate_mapping *mapping, const struct gr_zone *zone,
                                        const char *document, size_t length, const char *words)
{
    struct gr_error error = {""};
    struct gr_rate untouched = {1, 2, 3};
    struct gr_rate_table table = {&untouched, 1};
    int rc = gr_rates_read(&table, mapping, zone, document, length, &error);
    if (rc != GR_INVALID) {
        fail_msg("rc %d for %.300s, expected a refusal with '%s'", rc, document, words);
    }
    assert_ptr_equal(table.rates, &untouched);
    assert_int_equal(table.count, 1);
    assert_null(strchr(error.text, '\n'));
    expect_words(&error, words);
}

static inline void expect_refused(const struct gr_rate_mapping *mapping, const struct gr_zone *zone,
                                  const char *document, const char *words)
{
    expect_refused_bytes(mapping, zone, document, strlen(document), words);
}

#endif
