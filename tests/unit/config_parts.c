/* The small readers beside the file: clock times, days, seasons, dates in addresses, secrets, zones,
 * spelling. */
#include "check.h"
#include "config/form.h"

#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

static void clock_times_have_five_characters_and_end_at_midnight(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        int minute;
    } rows[] = {{"00:00", 0},  {"05:30", 330}, {"23:59", 1439}, {"24:00", 1440}, {"24:01", -1},
                {"5:30", -1},  {"05:60", -1},  {"25:00", -1},   {"0530", -1},    {"", -1},
                {"ab:cd", -1}, {"-1:00", -1},  {"05:3 ", -1}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        if (gr_clock_time_parse(rows[i].text) != rows[i].minute) {
            fail_msg("\"%s\": %d", rows[i].text, gr_clock_time_parse(rows[i].text));
        }
    }
}

static void weekdays_are_lists_and_spans(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        unsigned days;
    } rows[] = {{"all", 127},     {"Mon", 1},      {"Mon-Fri", 31},    {"Sat,Sun", 96},
                {"Sat, Sun", 96}, {"Sun-Mon", 65}, {"Mon-Mon", 1},     {"Tue-Mon", 127},
                {"", 0},          {"mon", 0},      {"Mon-", 0},        {"Mon,", 0},
                {"Monday", 0},    {"Mon;Tue", 0},  {"Mon-Tue-Wed", 0}, {"alles", 0}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        if (gr_weekdays_parse(rows[i].text) != rows[i].days) {
            fail_msg("\"%s\": %u", rows[i].text, gr_weekdays_parse(rows[i].text));
        }
    }
}

static void seasons_are_two_dates_that_exist(void **state)
{
    (void)state;
    int out[4];
    assert_true(gr_season_parse("11-01..03-31", out));
    assert_int_equal(out[0] * 1000000 + out[1] * 10000 + out[2] * 100 + out[3], 11010331);
    assert_true(gr_season_parse("02-29..02-29", out));
    static const char *const bad[] = {
        "", "11-01", "11-01..13-01", "02-30..03-01", "11-01-03-31", "1-1..3-31", "11/01..03/31"};
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        if (gr_season_parse(bad[i], out)) {
            fail_msg("\"%s\" was taken", bad[i]);
        }
    }
}

static void addresses_are_filled_with_the_local_day_and_the_next(void **state)
{
    (void)state;
    struct gr_zone *zone = NULL;
    assert_int_equal(gr_zone_fixed(&zone, "two hours east", 7200, NULL), GR_OK);
    int64_t new_year_s = 1735682400; /* 2024-12-31T22:00:00Z, local midnight of 2025-01-01 */
    static const struct {
        int64_t after_s;
        const char *pattern, *filled;
    } rows[] = {{0, "/{year}/{month}/{day}", "/2025/01/01"},
                {-1, "/{year}-{month}-{day}..{next_year}-{next_month}-{next_day}", "/2024-12-31..2025-01-01"},
                {0, "no placeholder", "no placeholder"},
                {0, "", ""}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char out[100];
        assert_int_equal(
            gr_fill_date(out, sizeof out, rows[i].pattern, zone, new_year_s + rows[i].after_s, NULL), GR_OK);
        assert_string_equal(out, rows[i].filled);
    }
    gr_zone_free(zone);
}

static void unknown_placeholders_and_long_results_are_refused(void **state)
{
    (void)state;
    struct gr_zone *zone = NULL;
    struct gr_error error;
    char out[8];
    assert_int_equal(gr_zone_fixed(&zone, "UTC", 0, NULL), GR_OK);
    assert_int_equal(gr_fill_date(out, sizeof out, "{hour}", zone, 0, &error), GR_INVALID);
    assert_non_null(strstr(error.text, "found \"{hour}\"; allowed placeholders: {year}"));
    assert_int_equal(gr_fill_date(out, sizeof out, "{", zone, 0, &error), GR_INVALID);
    assert_int_equal(gr_fill_date(out, sizeof out, "{year}", zone, 0, &error), GR_OK);
    assert_int_equal(gr_fill_date(out, sizeof out, "1234567", zone, 0, &error), GR_OK);
    assert_int_equal(gr_fill_date(out, sizeof out, "12345678", zone, 0, &error), GR_INVALID);
    assert_int_equal(gr_fill_date(out, sizeof out, "{year}{year}", zone, 0, &error), GR_INVALID);
    gr_zone_free(zone);
}

static void zone_names_that_leave_the_folder_are_refused_without_a_look(void **state)
{
    (void)state;
    static const char *const names[] = {
        "",
        "/etc/localtime",
        "../zoneinfo/UTC",
        "Europe/../UTC",
        "Europe/",
        "Europe/Li sbon",
        "Europe/No_Such_Town",
        "Europe",
        "Xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx"};
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        struct gr_zone *zone = NULL;
        struct gr_error error = {""};
        assert_int_not_equal(gr_zone_load(&zone, names[i], &error), GR_OK);
        assert_null(zone);
        assert_non_null(strstr(error.text, "allowed: a"));
    }
}

static void a_zone_that_is_not_in_the_folder_is_told_from_one_that_is(void **state)
{
    (void)state;
    struct gr_zone *zone = NULL;
    assert_int_equal(gr_zone_load(&zone, "Europe/Lisbon", NULL), GR_OK);
    assert_int_equal(gr_zone_offset_s(zone, 1720000000), 3600); /* July 2024: western European summer time */
    gr_zone_free(zone);
}

/* ---- secrets ---- */

struct folder {
    char path[40], file[60];
};

static void write_secret(const struct folder *folder, const void *bytes, size_t length, mode_t mode)
{
    FILE *file = fopen(folder->file, "w");
    assert_non_null(file);
    assert_int_equal(fwrite(bytes, 1, length, file), length);
    fclose(file);
    assert_int_equal(chmod(folder->file, mode), 0);
}

static int make_folder(void **state)
{
    struct folder *folder = calloc(1, sizeof *folder);
    if (!folder) {
        return -1;
    }
    strcpy(folder->path, "/tmp/granary-secret-XXXXXX");
    if (!mkdtemp(folder->path)) {
        free(folder);
        return -1;
    }
    snprintf(folder->file, sizeof folder->file, "%s/word", folder->path);
    *state = folder;
    return 0;
}

static int remove_folder(void **state)
{
    struct folder *folder = *state;
    unlink(folder->file);
    rmdir(folder->path);
    unsetenv("CREDENTIALS_DIRECTORY");
    free(folder);
    return 0;
}

static void one_newline_at_a_secrets_end_is_dropped_and_no_more(void **state)
{
    struct folder *folder = *state;
    static const char *const rows[][2] = {
        {"open\n", "open"}, {"open", "open"}, {"open\n\n", "open\n"}, {" open \n", " open "}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char *text = NULL;
        struct gr_error error = {"old"};
        write_secret(folder, rows[i][0], strlen(rows[i][0]), 0600);
        assert_int_equal(gr_secret_read(&text, folder->file, &error), GR_OK);
        assert_string_equal(text, rows[i][1]);
        assert_string_equal(error.text, "");
        free(text);
    }
}

static void a_secret_that_others_may_read_is_read_with_a_warning(void **state)
{
    struct folder *folder = *state;
    char *text = NULL;
    struct gr_error error = {""};
    write_secret(folder, "open", 4, 0644);
    assert_int_equal(gr_secret_read(&text, folder->file, &error), GR_OK);
    assert_non_null(strstr(error.text, "everybody on this machine may read"));
    assert_null(strstr(error.text, "open"));
    free(text);
}

static void a_bare_name_is_a_systemd_credential_first(void **state)
{
    struct folder *folder = *state;
    char *text = NULL;
    struct gr_error error = {""};
    write_secret(folder, "open\n", 5, 0600);
    assert_int_equal(gr_secret_read(&text, "word", &error), GR_IO);
    assert_int_equal(setenv("CREDENTIALS_DIRECTORY", folder->path, 1), 0);
    assert_int_equal(gr_secret_read(&text, "word", &error), GR_OK);
    assert_string_equal(text, "open");
    free(text);
    text = NULL;
    assert_int_equal(gr_secret_read(&text, "../word", &error), GR_IO);
    assert_null(text);
}

static void secrets_that_cannot_be_text_are_refused(void **state)
{
    struct folder *folder = *state;
    char *text = NULL;
    struct gr_error error = {""};
    write_secret(folder, "a\0b", 3, 0600);
    assert_int_equal(gr_secret_read(&text, folder->file, &error), GR_INVALID);
    assert_int_equal(gr_secret_read(&text, folder->path, &error), GR_IO);
    char *large = calloc(1, 70000);
    assert_non_null(large);
    memset(large, 'x', 70000);
    write_secret(folder, large, 65536, 0600);
    assert_int_equal(gr_secret_read(&text, folder->file, &error), GR_OK);
    free(text);
    text = NULL;
    write_secret(folder, large, 65537, 0600);
    assert_int_equal(gr_secret_read(&text, folder->file, &error), GR_IO);
    assert_non_null(strstr(error.text, "too long"));
    assert_null(text);
    free(large);
}

static void near_spellings_are_found_and_far_ones_are_not(void **state)
{
    (void)state;
    const struct gr_key *const tables[] = {gr_battery_keys, gr_grid_keys, NULL};
    static const char *const rows[][2] = {{"capacity_kw", "capacity_kwh"},
                                          {"capacity", "capacity_kwh"},
                                          {"dischrage_kw", "discharge_kw"},
                                          {"export_limit_kW", "export_limit_kw"},
                                          {"wear_per_kw", "wear_per_kwh"},
                                          {"temperature", NULL},
                                          {"x", NULL},
                                          {"", NULL}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const char *found = gr_nearest_key(tables, rows[i][0]);
        if (!rows[i][1]) {
            assert_null(found);
        } else {
            assert_non_null(found);
            assert_string_equal(found, rows[i][1]);
        }
    }
}

static void quoted_texts_are_one_line_of_whole_letters(void **state)
{
    (void)state;
    char out[20];
    static const char *const rows[][2] = {{"", "\"\""},
                                          {"a\nb", "\"a\\x0ab\""},
                                          {"caf\xc3\xa9", "\"caf\xc3\xa9\""},
                                          {"caf\xe9", "\"caf\\xe9\""},
                                          {"abcdefghijklmn", "\"abcdefgh...\""},
                                          {"abcdefg\xe2\x82\xac!", "\"abcdefg\xe2\x82\xac...\""}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_string_equal(gr_quote(out, sizeof out, rows[i][0]), rows[i][1]);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(clock_times_have_five_characters_and_end_at_midnight),
        cmocka_unit_test(weekdays_are_lists_and_spans),
        cmocka_unit_test(seasons_are_two_dates_that_exist),
        cmocka_unit_test(addresses_are_filled_with_the_local_day_and_the_next),
        cmocka_unit_test(unknown_placeholders_and_long_results_are_refused),
        cmocka_unit_test(zone_names_that_leave_the_folder_are_refused_without_a_look),
        cmocka_unit_test(a_zone_that_is_not_in_the_folder_is_told_from_one_that_is),
        cmocka_unit_test_setup_teardown(one_newline_at_a_secrets_end_is_dropped_and_no_more, make_folder,
                                        remove_folder),
        cmocka_unit_test_setup_teardown(a_secret_that_others_may_read_is_read_with_a_warning, make_folder,
                                        remove_folder),
        cmocka_unit_test_setup_teardown(a_bare_name_is_a_systemd_credential_first, make_folder,
                                        remove_folder),
        cmocka_unit_test_setup_teardown(secrets_that_cannot_be_text_are_refused, make_folder, remove_folder),
        cmocka_unit_test(quoted_texts_are_one_line_of_whole_letters),
        cmocka_unit_test(near_spellings_are_found_and_far_ones_are_not),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
