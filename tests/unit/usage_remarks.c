#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "tool/usage_file.h"
#include "usage_support.h"

#include <dirent.h>

/* A week of hours with a load and a sun of the given sizes, both in kWh; the sun's middle at this hour, UTC.
 */
static void write_week(char *out, size_t size, double load, double sun, int noon_h)
{
    size_t used = (size_t)snprintf(out, size, "start_utc,load_kwh,solar_kwh\n");
    for (int hour = 0; hour < 7 * 24; hour++) {
        int from_noon = abs((hour - noon_h + 12 + 7 * 24) % 24 - 12);
        double up = from_noon < 6 ? sun * cos(from_noon * 3.14159265 / 12) : 0;
        used += (size_t)snprintf(out + used, size - used, "2026-06-%02dT%02d:00Z,%.6g,%.6g\n", 1 + hour / 24,
                                 hour % 24, load * (1 + hour % 5), up);
    }
}

static struct gr_usage_report report_of(const char *document, const struct gr_zone *zone)
{
    const struct gr_usage_mapping mapping = gr_usage_default_mapping();
    struct gr_usage usage = {0};
    struct gr_usage_report report;
    struct gr_error error = {""};
    if (gr_usage_read(&usage, &mapping, zone, document, strlen(document), &report, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
    gr_usage_free(&usage);
    return report;
}

static void wrong_units_and_zones_are_remarked(void **state)
{
    (void)state;
    static const struct {
        double load, sun;
        int noon_h;
        const char *words; /* "": no remark */
    } rows[] = {
        {0.3, 3, 12, ""},
        {0.3, 3, 10, ""},
        {300, 3, 12, "looks like W or Wh"},
        {0.0003, 3, 12, "looks like kW or kWh taken for W or Wh"},
        {0.3, 3000, 12, "the sun gives 3000 kW: looks like W or Wh"},
        {0.3, 3, 20, "the middle of the sun's day is at 20:"},
        {0.3, 3, 4, "the middle of the sun's day is at 04:"},
        {0, 3, 12, "the load is 0 in 100 % of the steps"},
    };
    struct gr_zone *utc = NULL;
    char document[16384];
    assert_int_equal(gr_zone_fixed(&utc, "UTC", 0, NULL), GR_OK);
    for (size_t i = 0; i < COUNT(rows); i++) {
        write_week(document, sizeof document, rows[i].load, rows[i].sun, rows[i].noon_h);
        struct gr_usage_report report = report_of(document, utc);
        if (rows[i].words[0] == '\0') {
            assert_string_equal(report.remarks, "");
        } else if (!strstr(report.remarks, rows[i].words)) {
            fail_msg("row %zu: '%s' lacks '%s'", i, report.remarks, rows[i].words);
        }
    }
    gr_zone_free(utc);
}

/* Neither has a middle: no sun at all, and one that shines by day as by night. */
static void a_sun_without_a_noon_says_nothing_about_the_zone(void **state)
{
    (void)state;
    static const double suns[] = {0, 1};
    struct gr_zone *utc = NULL;
    char document[16384];
    assert_int_equal(gr_zone_fixed(&utc, "UTC", 0, NULL), GR_OK);
    for (size_t i = 0; i < COUNT(suns); i++) {
        size_t used = (size_t)snprintf(document, sizeof document, "start_utc,solar_kwh\n");
        for (int hour = 0; hour < 48; hour++) {
            used += (size_t)snprintf(document + used, sizeof document - used, "2026-06-%02dT%02d:00Z,%g\n",
                                     1 + hour / 24, hour % 24, suns[i]);
        }
        assert_string_equal(report_of(document, utc).remarks, "");
    }
    gr_zone_free(utc);
}

static void a_column_without_a_number_is_remarked(void **state)
{
    (void)state;
    char document[16384];
    size_t used = (size_t)snprintf(document, sizeof document, "start_utc,load_kwh,solar_kwh\n");
    for (int hour = 0; hour < 48; hour++) {
        used += (size_t)snprintf(document + used, sizeof document - used, "2026-06-%02dT%02d:00Z,,\n",
                                 1 + hour / 24, hour % 24);
    }
    struct gr_usage_report report = report_of(document, NULL);
    assert_non_null(strstr(report.remarks, "the load column is empty"));
    assert_non_null(strstr(report.remarks, "the solar column is empty"));
}

static void a_meters_reading_is_remarked(void **state)
{
    (void)state;
    char document[16384];
    size_t used = (size_t)snprintf(document, sizeof document, "start_utc,load_kwh\n");
    for (int hour = 0; hour < 72; hour++) {
        used += (size_t)snprintf(document + used, sizeof document - used, "2026-06-%02dT%02d:00Z,%g\n",
                                 1 + hour / 24, hour % 24, 2 + 0.3 * hour);
    }
    struct gr_usage_report report = report_of(document, NULL);
    assert_non_null(strstr(report.remarks, "looks like a meter's reading"));
}

static void single_values_of_another_unit_are_counted(void **state)
{
    (void)state;
    char document[16384];
    write_week(document, sizeof document, 0.3, 3, 12);
    assert_int_equal(report_of(document, NULL).suspect_high, 0);
    char *at = strstr(document, "2026-06-03T00:00Z,");
    assert_non_null(at);
    memcpy(at, "2026-06-03T00:00Z,9", 19); /* 0.x becomes 9.x */
    assert_int_equal(report_of(document, NULL).suspect_high, 0);
    memcpy(at + 18, "999", 3);
    assert_int_equal(report_of(document, NULL).suspect_high, 1);
}

/* ---- open data of real houses ---- */

struct tally {
    int files, remarked;
};

static void read_house(const char *path, const struct gr_zone *zone, struct tally *tally)
{
    const struct gr_usage_mapping mapping = gr_usage_default_mapping();
    struct gr_usage usage = {0};
    struct gr_usage_report report;
    struct gr_error error = {""};
    if (gr_usage_load(&usage, &mapping, zone, path, &report, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
    assert_true(usage.load_kw && usage.count >= 8000);
    assert_true(report.rows <= usage.count);
    assert_int_equal(report.duplicates, 0);
    tally->files++;
    tally->remarked += report.remarks[0] != '\0';
    print_message("%s: %zu rows, %zu gaps, %zu suspicious, %s\n", strrchr(path, '/') + 1, report.rows,
                  report.gaps, report.suspect_high, report.remarks[0] ? report.remarks : "no remark");
    gr_usage_free(&usage);
}

/* Skips where the folder is absent. */
static struct tally read_folder(const char *name, const char *zone_name)
{
    char folder[300], path[600];
    struct tally tally = {0, 0};
    (void)snprintf(folder, sizeof folder, GRANARY_SHARED_DIR "/data/households/%s", name);
    DIR *opened = opendir(folder);
    if (!opened) {
        print_message("%s is not there\n", folder);
        skip();
    }
    struct gr_zone *zone = load_zone(zone_name);
    for (struct dirent *entry = NULL; (entry = readdir(opened));) {
        size_t length = strlen(entry->d_name);
        if (length > 4 && strcmp(entry->d_name + length - 4, ".csv") == 0) {
            (void)snprintf(path, sizeof path, "%s/%s", folder, entry->d_name);
            read_house(path, zone, &tally);
        }
    }
    (void)closedir(opened);
    gr_zone_free(zone);
    assert_true(tally.files > 0);
    return tally;
}

/* The provenance of the data tells which homes are clean. */
static void clean_houses_with_sun_are_read_without_a_remark(void **state)
{
    (void)state;
    struct tally tally = read_folder("fontana17", "America/Los_Angeles");
    assert_int_equal(tally.remarked, 0);
}

static void suspect_houses_are_read_and_remarked(void **state)
{
    (void)state;
    struct tally tally = read_folder("fontana17/suspect", "America/Los_Angeles");
    assert_true(tally.remarked > 0);
}

static void houses_without_sun_are_read(void **state)
{
    (void)state;
    (void)read_folder("sgsc10", "Australia/Sydney");
    (void)read_folder("lcl", "Europe/London");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(wrong_units_and_zones_are_remarked),
        cmocka_unit_test(a_sun_without_a_noon_says_nothing_about_the_zone),
        cmocka_unit_test(a_column_without_a_number_is_remarked),
        cmocka_unit_test(a_meters_reading_is_remarked),
        cmocka_unit_test(single_values_of_another_unit_are_counted),
        cmocka_unit_test(clean_houses_with_sun_are_read_without_a_remark),
        cmocka_unit_test(suspect_houses_are_read_and_remarked),
        cmocka_unit_test(houses_without_sun_are_read),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
