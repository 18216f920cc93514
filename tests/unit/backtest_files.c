/* Tariff and strategy files: the examples, and what is refused with which words. */
#include "check.h"
#include "config/form.h"
#include "config/slurp.h"
#include "granary/config.h"
#include "zone_file.h"

#include <dirent.h>
#include <stdlib.h>
#include <unistd.h>

struct read {
    struct gr_backtest_tariff tariff;
    struct gr_strategy strategy;
    struct gr_complaints complaints;
    int code;
};

static struct read read_tariff(const char *path)
{
    struct read read = {.code = GR_INVALID};
    struct gr_config *config = calloc(1, sizeof *config);
    struct gr_zone *zone = load_zone("Europe/Lisbon");
    assert_true(config && zone);
    (void)snprintf(config->currency, sizeof config->currency, "EUR");
    read.code = gr_tariff_file_read(&read.tariff, path, config, zone, &read.complaints);
    gr_zone_free(zone);
    free(config);
    return read;
}

static struct read read_strategy(const char *path)
{
    struct read read = {.code = GR_INVALID};
    read.code = gr_strategy_read(&read.strategy, path, &read.complaints);
    return read;
}

static void end(struct read *read)
{
    gr_backtest_tariff_free(&read->tariff);
    gr_complaints_free(&read->complaints);
}

static int accept_all(const char *folder, struct read (*read)(const char *path))
{
    char path[600];
    int files = 0;
    DIR *open = opendir(folder);
    assert_non_null(open);
    for (struct dirent *entry = readdir(open); entry; entry = readdir(open)) {
        if (strstr(entry->d_name, ".conf")) {
            (void)snprintf(path, sizeof path, "%s/%s", folder, entry->d_name);
            struct read one = read(path);
            if (one.code != GR_OK) {
                fail_msg("%s", one.complaints.count ? one.complaints.items[0].text : path);
            }
            end(&one);
            files++;
        }
    }
    closedir(open);
    return files;
}

static void every_example_is_read(void **state)
{
    (void)state;
    assert_true(accept_all(GRANARY_SOURCE_DIR "/conf/tariffs", read_tariff) >= 6);
    assert_true(accept_all(GRANARY_SOURCE_DIR "/conf/strategies", read_strategy) >= 4);
}

static void a_tariff_file_gives_bands_tables_taxes_and_peaks(void **state)
{
    (void)state;
    struct read night = read_tariff(GRANARY_SOURCE_DIR "/conf/tariffs/night-band.conf");
    assert_near(night.tariff.import.source[0].bands.band[0].price_per_kwh, 0.085 * 1.05, 1e-12);
    assert_near(night.tariff.export.source[0].bands.band[0].price_per_kwh, 0.13, 1e-12);
    assert_near(night.tariff.standing_charge_per_day, 0.46 * 1.05, 1e-12);
    end(&night);
    struct read table = read_tariff(GRANARY_SOURCE_DIR "/conf/tariffs/half-hourly.conf");
    assert_int_equal(table.tariff.import.source[0].table.count, 96);
    assert_int_equal(table.tariff.export.source[0].table.count, 96);
    assert_int_equal(table.tariff.published_minute, 16 * 60);
    end(&table);
    struct read peak = read_tariff(GRANARY_SOURCE_DIR "/conf/tariffs/peak-steps.conf");
    assert_true(peak.tariff.peak.any);
    assert_int_equal(peak.tariff.peak.days, 3);
    assert_int_equal(peak.tariff.peak.step_count, 4);
    assert_near(peak.tariff.peak.step[1].up_to_kw, 5, 0);
    end(&peak);
    peak = read_tariff(GRANARY_SOURCE_DIR "/conf/tariffs/peak-per-kw.conf");
    assert_int_equal(peak.tariff.settlement_minutes, 60);
    assert_int_equal(peak.tariff.peak.weekdays, 31);
    assert_near(peak.tariff.peak.per_kw, 4.5, 0);
    end(&peak);
}

static void what_a_strategy_does_not_say_is_as_configured(void **state)
{
    (void)state;
    struct read read = read_strategy(GRANARY_SOURCE_DIR "/conf/strategies/wear-shy.conf");
    assert_int_equal(read.code, GR_OK);
    assert_int_equal(read.strategy.kind, GR_STRATEGY_PLANNED);
    assert_int_equal(read.strategy.may_export, -1);
    assert_true(isnan(read.strategy.floor_percent) && isnan(read.strategy.reserve_percent));
    assert_near(read.strategy.wear_per_kwh, 0.06, 0);
    assert_int_equal(read.strategy.export_from_minute, read.strategy.export_to_minute);
    end(&read);
}

#define RATES                                                                                                \
    "rates = { currency = \"EUR\"; import = ( { kind = \"bands\"; name = \"i\"; bands = ( { price_per_kwh "  \
    "= "                                                                                                     \
    "0.3; } ); } ); };\n"

struct refusal {
    const char *text, *words;
};

static void refuse(const struct refusal *row, struct read (*read)(const char *path))
{
    char path[] = "/tmp/granary-backtest-XXXXXX";
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    assert_true(write(fd, row->text, strlen(row->text)) == (ssize_t)strlen(row->text));
    close(fd);
    struct read one = read(path);
    unlink(path);
    if (one.code != GR_INVALID || one.complaints.count == 0) {
        fail_msg("taken: %s", row->text);
    }
    assert_says(one.complaints.items[0].text, row->words);
    assert_int_equal(one.complaints.count, 1);
    end(&one);
}

static void wrong_tariff_files_are_refused_with_the_reason(void **state)
{
    (void)state;
    static const struct refusal rows[] = {
        {RATES, "name: missing"},
        {"name = \"a\";", "rates: missing"},
        {"name = \"a\"; standing_charge = 1.0;" RATES, "standing_charge: unknown key; did you mean "
                                                       "standing_charge_per_day?"},
        {"name = \"a\"; tax_factor = 0.05;" RATES, "smells of a tax rate (1.05?)"},
        {"name = \"a\"; settlement_minutes = 45;" RATES, "settlement_minutes: found 45"},
        {"name = \"a\"; published = \"25:00\";" RATES, "published: found"},
        {"name = \"a\"; peak = { mean_of_days = 3; };" RATES, "found neither per_kw and steps"},
        {"name = \"a\"; peak = { per_kw = 3.0; steps = ( { up_to_kw = 1.0; price = 1.0; } ); };" RATES,
         "found both per_kw and steps"},
        {"name = \"a\"; peak = { steps = ( { up_to_kw = 5.0; price = 1.0; }, { up_to_kw = 2.0; price = 2.0; "
         "} ); };" RATES,
         "found 2 kW after 5 kW; allowed: steps that rise"},
        {"name = \"a\"; peak = { steps = (); };" RATES, "found 0 steps"},
        {"name = \"a\"; peak = { per_kw = 3.0; days = \"Moon\"; };" RATES, "peak.days: found \"Moon\""},
        {"name = \"a\"; rates = { currency = \"USD\"; import = ( { kind = \"bands\"; name = \"i\"; bands = ( "
         "{ "
         "price_per_kwh = 0.3; } ); } ); };",
         "found USD; allowed: EUR, the currency of the configuration"},
        {"name = \"a\"; rates = { currency = \"EUR\"; import = ( { kind = \"http\"; name = \"i\"; url = "
         "\"http://localhost/x\"; format = \"csv\"; start = \"a\"; price = \"b\"; unit = \"per_kwh\"; } ); "
         "};",
         "a back-test needs the past"},
        {"name = \"a\"; rates = { currency = \"EUR\"; import = ( { kind = \"file\"; name = \"i\"; path = "
         "\"/nowhere/{year}.csv\"; format = \"csv\"; start = \"a\"; price = \"b\"; unit = \"per_kwh\"; } ); "
         "};",
         "placeholders"},
        {"name = \"a\"; rates = { currency = \"EUR\"; import = ( { kind = \"file\"; name = \"i\"; path = "
         "\"/nowhere/p.csv\"; format = \"csv\"; start = \"a\"; price = \"b\"; unit = \"per_kwh\"; } ); };",
         "rates source \"i\": cannot read /nowhere/p.csv"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        refuse(&rows[i], read_tariff);
    }
}

static void wrong_strategy_files_are_refused_with_the_reason(void **state)
{
    (void)state;
    static const struct refusal rows[] = {
        {"kind = \"planned\";", "name: missing"},
        {"name = \"a\"; kind = \"plan\";", "kind: found"},
        {"name = \"a\"; reserve_percent = 0.2;", "smells of a ratio (20 %?)"},
        {"name = \"a\"; fill_percent = 101.0;", "fill_percent: found 101"},
        {"name = \"a\"; export_from = \"18:00\"; export_to = \"18:00\";", "the same time as export_from"},
        {"name = \"a\"; mayexport = true;", "did you mean may_export?"},
        {"name = \"a\" kind", "syntax"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        refuse(&rows[i], read_strategy);
    }
    struct read none = read_strategy("/nowhere/at-all.conf");
    assert_says(none.complaints.items[0].text, "/nowhere/at-all.conf: cannot be read");
    end(&none);
}

static void the_page_has_a_row_for_every_key_as_the_code_has_it(void **state)
{
    (void)state;
    const struct gr_key *const tables[] = {gr_tariff_keys, gr_peak_keys, gr_peak_step_keys, gr_strategy_keys};
    char *text = NULL;
    size_t length = 0;
    int missing = 0;
    assert_int_equal(gr_slurp(&text, &length, GRANARY_SOURCE_DIR "/docs/backtest.md", 1024 * 1024, NULL),
                     GR_OK);
    for (size_t i = 0; i < sizeof tables / sizeof *tables; i++) {
        for (const struct gr_key *key = tables[i]; key->name; key++) {
            char row[800];
            gr_key_row(key, row, sizeof row);
            if (!strstr(text, row)) {
                print_error("docs/backtest.md lacks:\n%s\n", row);
                missing++;
            }
        }
    }
    free(text);
    assert_int_equal(missing, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_example_is_read),
        cmocka_unit_test(a_tariff_file_gives_bands_tables_taxes_and_peaks),
        cmocka_unit_test(what_a_strategy_does_not_say_is_as_configured),
        cmocka_unit_test(wrong_tariff_files_are_refused_with_the_reason),
        cmocka_unit_test(wrong_strategy_files_are_refused_with_the_reason),
        cmocka_unit_test(the_page_has_a_row_for_every_key_as_the_code_has_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
