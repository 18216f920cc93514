/* The worked examples of conf/rates: each sample document is read through the mapping its fragment describes.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include <libconfig.h>
#include <math.h>
#include <time.h>

#include "rates_support.h"

static const struct gr_rate_mapping nested_per_mwh = {.format = GR_RATES_JSON,
                                                      .list = "/board/rows",
                                                      .start = "/span/opens",
                                                      .end = "/span/shuts",
                                                      .price = "/amount/net",
                                                      .scale = 0.001,
                                                      .factor = 1.2,
                                                      .add_per_kwh = 0.065};

static const struct gr_rate_mapping keyed_by_day_cents = {.format = GR_RATES_JSON,
                                                          .list = "/days/*/slots",
                                                          .start = "/t",
                                                          .duration = "/minutes",
                                                          .price = "/cents",
                                                          .scale = 0.01,
                                                          .factor = 1};

static const struct gr_rate_mapping local_times = {.format = GR_RATES_CSV,
                                                   .start = "starts",
                                                   .price = "price per kWh",
                                                   .start_is_local = true,
                                                   .slot_minutes = 30,
                                                   .scale = 1,
                                                   .factor = 1,
                                                   .separator = ';'};

#define FOLDER GRANARY_SOURCE_DIR "/conf/rates/"

static size_t read_file(char *out, size_t size, const char *name)
{
    char path[512];
    (void)snprintf(path, sizeof path, "%s%s", FOLDER, name);
    FILE *file = fopen(path, "rb");
    assert_non_null(file);
    size_t length = fread(out, 1, size, file);
    (void)fclose(file);
    assert_true(length > 0 && length < size);
    return length;
}

static void expect_text(const config_t *config, const char *key, const char *expected)
{
    const char *found = "";
    (void)config_lookup_string(config, key, &found);
    assert_string_equal(found, expected);
}

static double number(const config_t *config, const char *key, double otherwise)
{
    double found = otherwise;
    (void)config_lookup_float(config, key, &found);
    return found;
}

/* The fragment and the mapping written out in this test must say the same. */
static void expect_fragment(const char *name, const struct gr_rate_mapping *mapping, const char *unit)
{
    char text[4096];
    size_t length = read_file(text, sizeof text - 1, name);
    text[length] = '\0';
    config_t config;
    config_init(&config);
    if (!config_read_string(&config, text)) {
        fail_msg("%s:%d: %s", name, config_error_line(&config), config_error_text(&config));
    }
    char separator[2] = {mapping->separator, '\0'};
    int is_local = 0, slot_minutes = 0;
    (void)config_lookup_bool(&config, "start_is_local", &is_local);
    (void)config_lookup_int(&config, "slot_minutes", &slot_minutes);
    expect_text(&config, "format", mapping->format == GR_RATES_JSON ? "json" : "csv");
    expect_text(&config, "list", mapping->list);
    expect_text(&config, "start", mapping->start);
    expect_text(&config, "end", mapping->end);
    expect_text(&config, "duration", mapping->duration);
    expect_text(&config, "price", mapping->price);
    expect_text(&config, "unit", unit);
    expect_text(&config, "separator", separator);
    assert_int_equal(is_local, mapping->start_is_local);
    assert_int_equal(slot_minutes, mapping->slot_minutes);
    expect_price(number(&config, "tax_factor", 1), mapping->factor);
    expect_price(number(&config, "add_per_kwh", 0), mapping->add_per_kwh);
    config_destroy(&config);
}

struct sample {
    const char *at;
    double per_kwh;
};

static void expect_document(const char *name, const struct gr_rate_mapping *mapping, const char *zone_name,
                            const struct gr_rate_rules *rules, size_t slots, const struct sample *samples,
                            size_t count)
{
    static const double rounding = 1e-12;
    char bytes[16384];
    size_t length = read_file(bytes, sizeof bytes, name);
    struct gr_zone *zone = load_zone(zone_name);
    struct gr_rate_table table = {NULL, 0};
    struct gr_error error = {""};
    if (gr_rates_read(&table, mapping, zone, bytes, length, &error) != GR_OK ||
        gr_rates_check(&table, rules, zone, &error) != GR_OK) {
        fail_msg("%s: %s", name, error.text);
    }
    assert_int_equal(table.count, slots);
    for (size_t i = 0; i < count; i++) {
        const struct gr_rate *rate = gr_rate_table_at(&table, moment(samples[i].at));
        assert_non_null(rate);
        if (rate->price_per_kwh < samples[i].per_kwh - rounding ||
            rate->price_per_kwh > samples[i].per_kwh + rounding) {
            fail_msg("%s at %s: %.9g, expected %.9g", name, samples[i].at, rate->price_per_kwh,
                     samples[i].per_kwh);
        }
    }
    gr_rate_table_free(&table);
    gr_zone_free(zone);
}

static struct gr_rate_rules rules_for(const char *from, const char *to)
{
    return (struct gr_rate_rules){.least_per_kwh = -1,
                                  .greatest_per_kwh = 1,
                                  .cover_from_s = moment(from),
                                  .cover_to_s = moment(to),
                                  .usual_per_kwh = 0.25};
}

static void nested_half_hours_per_mwh_are_read(void **state)
{
    (void)state;
    /* 65.74, 91.67 and -7.97 per MWh, x 1.2 / 1000 + 0.065 */
    static const struct sample samples[] = {{"2026-11-26T00:29:59Z", 0.143888},
                                            {"2026-11-26T08:00:00Z", 0.175004},
                                            {"2026-11-26T13:15:00Z", 0.055436}};
    struct gr_rate_rules rules = rules_for("2026-11-26T00:00:00Z", "2026-11-27T00:00:00Z");
    expect_fragment("nested-per-mwh.conf", &nested_per_mwh, "per_mwh");
    expect_document("nested-per-mwh.json", &nested_per_mwh, "Europe/Lisbon", &rules, 48, samples,
                    COUNT(samples));
}

static void days_keyed_by_date_in_cents_are_read(void **state)
{
    (void)state;
    /* 24.00 cents at the beginning; both hours that the wall clock calls 02:00; the last hour of the second
     * day */
    static const struct sample samples[] = {
        {"2026-10-24T00:00:00+02:00", 0.24},   {"2026-10-24T19:30:00+02:00", 0.33},
        {"2026-10-25T02:00:00+02:00", 0.227},  {"2026-10-25T02:00:00+01:00", 0.221},
        {"2026-10-25T13:00:00+01:00", 0.1173}, {"2026-10-25T23:59:59+01:00", 0.234}};
    struct gr_rate_rules rules = rules_for("2026-10-24T00:00:00+02:00", "2026-10-26T00:00:00+01:00");
    expect_fragment("keyed-by-day-cents.conf", &keyed_by_day_cents, "minor_per_kwh");
    expect_document("keyed-by-day-cents.json", &keyed_by_day_cents, "Europe/Berlin", &rules, 49, samples,
                    COUNT(samples));
}

static void local_half_hours_of_the_longest_day_are_read(void **state)
{
    (void)state;
    static const struct sample samples[] = {{"2026-10-25T00:00:00+01:00", 0.1105},
                                            {"2026-10-25T01:30:00+01:00", 0.1120},
                                            {"2026-10-25T01:00:00+00:00", 0.1125},
                                            {"2026-10-25T01:30:00+00:00", 0.1130},
                                            {"2026-10-25T02:00:00+00:00", 0.1135}};
    struct gr_rate_rules rules = rules_for("2026-10-25T00:00:00+01:00", "2026-10-26T00:00:00+00:00");
    expect_fragment("local-times.conf", &local_times, "per_kwh");
    expect_document("local-times.csv", &local_times, "Europe/London", &rules, 50, samples, COUNT(samples));
}

/* Whatever is taken in spite of the damage must be a table: sorted, without overlaps, of finite prices. */
static void damage(const char *name, const struct gr_rate_mapping *mapping, const struct gr_zone *zone)
{
    char bytes[16384], damaged[16384];
    size_t length = read_file(bytes, sizeof bytes, name);
    int refused = 0;
    for (int round = 0; round < 2000; round++) {
        memcpy(damaged, bytes, length);
        for (long n = random() % 3; n >= 0; n--) {
            static const char likely[] = "0123456789,;.:-+eE\"\\{}[]\r\n *\0\xff";
            damaged[(size_t)random() % length] = likely[(size_t)random() % sizeof likely];
        }
        struct gr_rate_table table = {NULL, 0};
        struct gr_error error = {""};
        if (gr_rates_read(&table, mapping, zone, damaged, length, &error) != GR_OK) {
            assert_true(error.text[0] != '\0');
            refused++;
            continue;
        }
        for (size_t i = 0; i < table.count; i++) {
            assert_true(table.rates[i].start_s < table.rates[i].end_s);
            assert_true(i == 0 || table.rates[i - 1].end_s <= table.rates[i].start_s);
            assert_true(isfinite(table.rates[i].price_per_kwh));
        }
        gr_rate_table_free(&table);
    }
    assert_true(refused > 100);
}

static void random_damage_is_refused_or_harmless(void **state)
{
    (void)state;
    unsigned seed = (unsigned)time(NULL);
    print_message("seed %u\n", seed);
    srandom(seed);
    struct gr_zone *zone = load_zone("Europe/London");
    damage("nested-per-mwh.json", &nested_per_mwh, zone);
    damage("keyed-by-day-cents.json", &keyed_by_day_cents, zone);
    damage("local-times.csv", &local_times, zone);
    gr_zone_free(zone);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nested_half_hours_per_mwh_are_read),
        cmocka_unit_test(days_keyed_by_date_in_cents_are_read),
        cmocka_unit_test(local_half_hours_of_the_longest_day_are_read),
        cmocka_unit_test(random_damage_is_refused_or_harmless),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
