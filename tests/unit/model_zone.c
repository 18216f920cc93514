#include "granary/civil.h"
#include "granary/zone.h"

#include "zone_file.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

static int64_t moment(const char *text)
{
    int64_t out = 0;
    if (gr_rfc3339_parse(&out, text, strlen(text)) != GR_OK) {
        fail_msg("'%s' is no time", text);
    }
    return out;
}

/* ---- against the C library ---- */

static void use_c_zone(const char *name)
{
    assert_int_equal(setenv("TZ", name, 1), 0);
    tzset();
}

static void compare_with_c_library(const struct gr_zone *zone, int64_t utc_s)
{
    time_t at = (time_t)utc_s;
    struct tm tm;
    assert_non_null(localtime_r(&at, &tm));
    const char *name = gr_zone_abbreviation(zone, utc_s);
    if (gr_zone_offset_s(zone, utc_s) != tm.tm_gmtoff || strcmp(name, tm.tm_zone) != 0) {
        char text[GR_RFC3339_SIZE];
        fail_msg("%s at %s: offset %d s %s, the C library says %ld s %s", gr_zone_name(zone),
                 gr_rfc3339_format(text, utc_s), (int)gr_zone_offset_s(zone, utc_s), name, tm.tm_gmtoff,
                 tm.tm_zone);
    }
}

#define FROM_S INT64_C(0)        /* 1970 */
#define TO_S INT64_C(4133980800) /* 2101 */

static void sweep(const struct gr_zone *zone, int64_t step_s)
{
    for (int64_t t = FROM_S; t < TO_S; t += step_s) {
        compare_with_c_library(zone, t);
    }
    for (int64_t t = gr_zone_next_change_s(zone, FROM_S); t < TO_S; t = gr_zone_next_change_s(zone, t)) {
        compare_with_c_library(zone, t - 1);
        compare_with_c_library(zone, t);
    }
}

static void offsets_of_well_known_zones_agree_with_the_c_library(void **state)
{
    (void)state;
    static const char *const names[] = {"Europe/London",       "Europe/Dublin",     "America/New_York",
                                        "Australia/Lord_Howe", "Asia/Kathmandu",    "America/Santiago",
                                        "Pacific/Apia",        "Africa/Casablanca", "America/Nuuk",
                                        "Asia/Gaza",           "Antarctica/Troll",  "UTC"};
    for (size_t i = 0; i < COUNT(names); i++) {
        struct gr_zone *zone = load_zone(names[i]);
        assert_non_null(zone);
        use_c_zone(names[i]);
        sweep(zone, 17 * 3600 + 421);
        gr_zone_free(zone);
    }
}

static void every_zone_of_the_system_is_read_and_agrees_with_the_c_library(void **state)
{
    (void)state;
    FILE *list = fopen("/usr/share/zoneinfo/tzdata.zi", "r");
    if (!list) {
        skip();
    }
    char line[256], name[128];
    int zones = 0;
    while (fgets(line, sizeof line, list)) {
        if (sscanf(line, "Z %127s", name) == 1) {
            struct gr_zone *zone = load_zone(name);
            assert_non_null(zone);
            use_c_zone(name);
            sweep(zone, 23 * GR_DAY_S + 4217);
            gr_zone_free(zone);
            zones++;
        }
    }
    (void)fclose(list);
    assert_true(zones > 200);
}

/* ---- there and back ---- */

static void a_reading_leads_back_to_its_moment(void **state)
{
    (void)state;
    static const char *const names[] = {"Europe/London", "America/New_York", "Australia/Lord_Howe",
                                        "Europe/Dublin", "America/Santiago", "Pacific/Apia",
                                        "America/Nuuk",  "America/St_Johns"};
    for (size_t i = 0; i < COUNT(names); i++) {
        struct gr_zone *zone = load_zone(names[i]);
        assert_non_null(zone);
        for (int64_t t = FROM_S; t < TO_S; t += 17 * 3600 + 1261) {
            int64_t local = gr_zone_local_s(zone, t);
            int64_t first = gr_zone_utc_s(zone, local, 0), second = gr_zone_utc_s(zone, local, 1);
            assert_true(first == t || second == t);
            assert_true(first <= second);
            assert_true(gr_zone_local_s(zone, first) == local && gr_zone_local_s(zone, second) == local);
        }
        gr_zone_free(zone);
    }
}

static void readings_that_occur_twice_or_never_are_resolved(void **state)
{
    (void)state;
    static const struct {
        const char *zone, *local, *first, *second;
    } rows[] = {
        {"Europe/London", "2026-10-25T01:30", "2026-10-25T01:30:00+01:00", "2026-10-25T01:30:00+00:00"},
        {"Europe/London", "2026-10-25T01:00", "2026-10-25T00:00:00Z", "2026-10-25T01:00:00Z"},
        {"Europe/London", "2026-10-25T00:59", "2026-10-24T23:59:00Z", "2026-10-24T23:59:00Z"},
        {"Europe/London", "2026-10-25T02:00", "2026-10-25T02:00:00Z", "2026-10-25T02:00:00Z"},
        {"Europe/London", "2026-03-29T01:30", "2026-03-29T01:00:00Z", "2026-03-29T01:00:00Z"},
        {"Europe/London", "2026-03-29T01:00", "2026-03-29T01:00:00Z", "2026-03-29T01:00:00Z"},
        {"Europe/London", "2026-03-29T02:00", "2026-03-29T01:00:00Z", "2026-03-29T01:00:00Z"},
        {"America/New_York", "2026-11-01T01:30", "2026-11-01T05:30:00Z", "2026-11-01T06:30:00Z"},
        {"Australia/Lord_Howe", "2026-04-05T01:45", "2026-04-04T14:45:00Z", "2026-04-04T15:15:00Z"},
        {"Australia/Lord_Howe", "2026-10-04T02:15", "2026-10-03T15:30:00Z", "2026-10-03T15:30:00Z"},
        {"America/Santiago", "2026-09-06T00:00", "2026-09-06T04:00:00Z", "2026-09-06T04:00:00Z"},
        {"Pacific/Apia", "2011-12-30T12:00", "2011-12-30T10:00:00Z", "2011-12-30T10:00:00Z"},
        {"Europe/Dublin", "2026-10-25T01:30", "2026-10-25T00:30:00Z", "2026-10-25T01:30:00Z"},
        {"Europe/London", "2080-10-27T01:30", "2080-10-27T00:30:00Z", "2080-10-27T01:30:00Z"},
        {"America/New_York", "2080-03-10T02:30", "2080-03-10T07:00:00Z", "2080-03-10T07:00:00Z"},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct gr_zone *zone = load_zone(rows[i].zone);
        assert_non_null(zone);
        int64_t local = 0;
        assert_int_equal(gr_local_time_parse(&local, rows[i].local, strlen(rows[i].local)), GR_OK);
        int64_t first = gr_zone_utc_s(zone, local, 0), second = gr_zone_utc_s(zone, local, 1);
        if (first != moment(rows[i].first) || second != moment(rows[i].second)) {
            char a[GR_RFC3339_SIZE], b[GR_RFC3339_SIZE];
            fail_msg("%s %s: got %s and %s", rows[i].zone, rows[i].local, gr_rfc3339_format(a, first),
                     gr_rfc3339_format(b, second));
        }
        gr_zone_free(zone);
    }
}

static void a_skipped_day_has_no_length(void **state)
{
    (void)state;
    struct gr_zone *apia = load_zone("Pacific/Apia");
    assert_non_null(apia);
    int64_t noon = moment("2011-12-29T12:00:00-10:00");
    assert_true(gr_zone_day_start_s(apia, noon, 0) == moment("2011-12-29T00:00:00-10:00"));
    assert_true(gr_zone_day_start_s(apia, noon, 1) == moment("2011-12-30T10:00:00Z"));
    assert_true(gr_zone_day_start_s(apia, noon, 2) == moment("2011-12-30T10:00:00Z"));
    assert_true(gr_zone_day_start_s(apia, noon, 3) == moment("2012-01-01T00:00:00+14:00"));
    gr_zone_free(apia);
}

static void a_fixed_zone_never_changes(void **state)
{
    (void)state;
    struct gr_zone *zone = NULL;
    struct gr_error error = {""};
    assert_int_equal(gr_zone_fixed(&zone, "UTC", 0, &error), GR_OK);
    assert_string_equal(gr_zone_name(zone), "UTC");
    assert_string_equal(gr_zone_abbreviation(zone, 1795597459), "UTC");
    assert_true(gr_zone_next_change_s(zone, 0) == INT64_MAX);
    assert_true(gr_zone_utc_s(zone, 1795597459, 1) == 1795597459);
    assert_true(gr_zone_day_start_s(zone, 1795597459, 0) == moment("2026-11-25T00:00:00Z"));
    gr_zone_free(zone);
    assert_int_equal(gr_zone_fixed(&zone, "Nowhere", 200000, &error), GR_INVALID);
    assert_non_null(strstr(error.text, "200000 s"));
}

/* ---- files of our own making ---- */

struct bytes {
    unsigned char at[2048];
    size_t length;
};

static void put(struct bytes *bytes, const void *what, size_t length)
{
    assert_true(bytes->length + length <= sizeof bytes->at);
    memcpy(bytes->at + bytes->length, what, length);
    bytes->length += length;
}

static void put_number(struct bytes *bytes, int64_t value, unsigned size)
{
    for (unsigned i = size; i-- > 0;) {
        unsigned char byte = (unsigned char)((uint64_t)value >> (8 * i));
        put(bytes, &byte, 1);
    }
}

struct recipe {
    char version;
    int64_t transitions[3];
    int transition_count;
    unsigned char types_after[3];
    int32_t offsets[2];
    int type_count;
    unsigned char name_at;
    int leap_count;
    const char *names;
    int name_bytes;
    const char *footer;
};

static void put_header(struct bytes *out, const struct recipe *recipe, bool empty)
{
    put(out, "TZif", 4);
    put(out, &recipe->version, 1);
    put(out, (const char[15]){0}, 15);
    const int counts[] = {
        0, 0, recipe->leap_count, recipe->transition_count, recipe->type_count, recipe->name_bytes};
    for (size_t i = 0; i < COUNT(counts); i++) {
        put_number(out, empty ? 0 : counts[i], 4);
    }
}

static struct bytes bake(const struct recipe *recipe)
{
    struct bytes out = {.length = 0};
    unsigned time_size = recipe->version == '\0' ? 4 : 8;
    if (time_size == 8) {
        put_header(&out, recipe, true);
    }
    put_header(&out, recipe, false);
    for (int i = 0; i < recipe->transition_count; i++) {
        put_number(&out, recipe->transitions[i], time_size);
    }
    put(&out, recipe->types_after, (size_t)recipe->transition_count);
    for (int i = 0; i < recipe->type_count; i++) {
        put_number(&out, recipe->offsets[i % 2], 4);
        put(&out, (const unsigned char[2]){0, recipe->name_at}, 2);
    }
    put(&out, recipe->names, (size_t)recipe->name_bytes);
    for (int i = 0; i < recipe->leap_count; i++) {
        put_number(&out, 0, 8);
        put_number(&out, 0, time_size - 4);
    }
    if (time_size == 8) {
        put(&out, recipe->footer, strlen(recipe->footer));
    }
    return out;
}

static struct recipe good_recipe(void)
{
    return (struct recipe){.version = '2',
                           .transitions = {-1000, 1000, 2000},
                           .transition_count = 3,
                           .types_after = {1, 0, 1},
                           .offsets = {3600, -7200},
                           .type_count = 2,
                           .name_at = 0,
                           .names = "AAA\0BBB",
                           .name_bytes = 8,
                           .footer = "\nBBB2\n"};
}

static void files_of_versions_1_to_4_are_read(void **state)
{
    (void)state;
    static const char versions[] = {'\0', '2', '3', '4'};
    for (size_t i = 0; i < COUNT(versions); i++) {
        struct recipe recipe = good_recipe();
        recipe.version = versions[i];
        struct bytes bytes = bake(&recipe);
        struct gr_zone *zone = NULL;
        struct gr_error error = {""};
        assert_int_equal(gr_zone_parse(&zone, "Test/Zone", bytes.at, bytes.length, &error), GR_OK);
        assert_int_equal(gr_zone_offset_s(zone, -1001), 3600);
        assert_int_equal(gr_zone_offset_s(zone, -1000), -7200);
        assert_int_equal(gr_zone_offset_s(zone, 1999), 3600);
        assert_int_equal(gr_zone_offset_s(zone, 2000), -7200);
        assert_int_equal(gr_zone_offset_s(zone, INT64_C(4000000000)), -7200);
        assert_true(gr_zone_next_change_s(zone, 1000) == 2000);
        assert_true(gr_zone_next_change_s(zone, 2000) == INT64_MAX);
        gr_zone_free(zone);
    }
}

/* RFC 9636, section 3.3: an empty footer says nothing of the time behind the last transition. */
static void without_a_rule_the_last_offset_stays(void **state)
{
    (void)state;
    struct recipe recipe = good_recipe();
    recipe.footer = "\n\n";
    struct bytes bytes = bake(&recipe);
    struct gr_zone *zone = NULL;
    struct gr_error error = {""};
    assert_int_equal(gr_zone_parse(&zone, "Test/Zone", bytes.at, bytes.length, &error), GR_OK);
    assert_int_equal(gr_zone_offset_s(zone, 1999), 3600);
    assert_int_equal(gr_zone_offset_s(zone, INT64_C(4000000000)), -7200);
    assert_true(gr_zone_next_change_s(zone, 2000) == INT64_MAX);
    gr_zone_free(zone);
}

static void expect_refused(const struct bytes *bytes, const char *words)
{
    struct gr_zone *zone = NULL;
    struct gr_error error = {""};
    int rc = gr_zone_parse(&zone, "Test/Zone", bytes->at, bytes->length, &error);
    if (rc != GR_INVALID || zone || !strstr(error.text, words) || !strstr(error.text, "Test/Zone")) {
        fail_msg("rc %d, message '%s', expected '%s'", rc, error.text, words);
    }
}

#define EXPECT_REFUSED(change, words)                                                                        \
    do {                                                                                                     \
        struct recipe recipe = good_recipe();                                                                \
        recipe.change;                                                                                       \
        struct bytes bytes = bake(&recipe);                                                                  \
        expect_refused(&bytes, words);                                                                       \
    } while (0)

static void damaged_files_are_refused_with_the_reason(void **state)
{
    (void)state;
    EXPECT_REFUSED(version = '5', "version other than 1 to 4");
    EXPECT_REFUSED(transitions[1] = -1000, "out of order");
    EXPECT_REFUSED(transitions[2] = 999, "out of order");
    EXPECT_REFUSED(types_after[1] = 2, "type that is not there");
    EXPECT_REFUSED(type_count = 257, "impossible number of local time types");
    EXPECT_REFUSED(type_count = 0, "impossible number of local time types");
    EXPECT_REFUSED(offsets[1] = 93600, "impossible offset");
    EXPECT_REFUSED(offsets[1] = -90000, "impossible offset");
    EXPECT_REFUSED(offsets[1] = INT32_MIN, "impossible offset");
    EXPECT_REFUSED(name_at = 8, "abbreviation that is not there");
    EXPECT_REFUSED(name_bytes = 7, "abbreviation without end");
    EXPECT_REFUSED(name_bytes = 0, "impossible number");
    EXPECT_REFUSED(leap_count = 1, "leap seconds");
    EXPECT_REFUSED(footer = "", "no footer");
    EXPECT_REFUSED(footer = "\n", "no footer");
    EXPECT_REFUSED(footer = "\nBBB2", "no footer");
    EXPECT_REFUSED(footer = "BBB2\n", "no footer");
    EXPECT_REFUSED(footer = "\nBBB\n", "no POSIX TZ string");
    struct bytes html = {.at = "<html>404</html>", .length = 16}, nothing = {.length = 0};
    expect_refused(&html, "no TZif header");
    expect_refused(&nothing, "no TZif header");
}

static void counts_that_promise_too_much_are_refused(void **state)
{
    (void)state;
    struct recipe recipe = good_recipe();
    for (size_t header = 0; header <= 44; header += 44) {
        for (size_t count = 20; count < 44; count += 4) {
            struct bytes bytes = bake(&recipe);
            memset(bytes.at + header + count, 0xff, 4);
            struct gr_zone *zone = NULL;
            assert_int_equal(gr_zone_parse(&zone, "Test/Zone", bytes.at, bytes.length, NULL), GR_INVALID);
        }
    }
}

static void every_beginning_of_a_file_is_refused(void **state)
{
    (void)state;
    unsigned char bytes[ZONE_FILE_SIZE];
    size_t length = read_zone_file(bytes, "Europe/London");
    assert_true(length > 1000);
    for (size_t cut = 0; cut < length; cut++) {
        unsigned char *exact = malloc(cut + 1); /* so that a sanitizer sees every read beyond the end */
        assert_non_null(exact);
        memcpy(exact + 1, bytes, cut);
        struct gr_zone *zone = NULL;
        assert_int_equal(gr_zone_parse(&zone, "Europe/London", exact + 1, cut, NULL), GR_INVALID);
        free(exact);
    }
}

/* Whatever is taken must answer questions sensibly. */
static void random_damage_is_refused_or_harmless(void **state)
{
    (void)state;
    unsigned seed = (unsigned)time(NULL);
    print_message("seed %u\n", seed);
    srandom(seed);
    unsigned char bytes[ZONE_FILE_SIZE], damaged[ZONE_FILE_SIZE];
    size_t length = read_zone_file(bytes, "America/Nuuk");
    assert_true(length > 500);
    int refused = 0;
    for (int round = 0; round < 20000; round++) {
        memcpy(damaged, bytes, length);
        for (long n = random() % 4; n >= 0; n--) {
            size_t within = random() % 2 ? 100 : length;
            damaged[(size_t)random() % within] = (unsigned char)random();
        }
        struct gr_zone *zone = NULL;
        if (gr_zone_parse(&zone, "Test/Zone", damaged, length, NULL) != GR_OK) {
            refused++;
            continue;
        }
        int64_t t = random() * 3L;
        int64_t back = gr_zone_utc_s(zone, gr_zone_local_s(zone, t), 1);
        assert_true(llabs((long long)(back - t)) <= 2 * 93600);
        assert_true(strlen(gr_zone_abbreviation(zone, t)) < 32);
        gr_zone_free(zone);
    }
    assert_true(refused > 1000);
}

/* ---- footers ---- */

static struct gr_zone *zone_of_footer(const char *tz)
{
    char footer[256];
    (void)snprintf(footer, sizeof footer, "\n%s\n", tz);
    struct recipe recipe = good_recipe();
    recipe.transition_count = 0;
    recipe.footer = footer;
    struct bytes bytes = bake(&recipe);
    struct gr_zone *zone = NULL;
    (void)gr_zone_parse(&zone, tz, bytes.at, bytes.length, NULL);
    return zone;
}

static void rules_agree_with_the_c_library(void **state)
{
    (void)state;
    static const char *const rules[] = {"EST5EDT,M3.2.0,M11.1.0",
                                        "CET-1CEST,M3.5.0,M10.5.0/3",
                                        "IST-1GMT0,M10.5.0,M3.5.0/1",
                                        "<+1030>-10:30<+11>-11,M10.1.0,M4.1.0",
                                        "<-02>2<-01>,M3.5.0/-1,M10.5.0/0",
                                        "EET-2EEST,M3.4.4/50,M10.4.4/50",
                                        "AAA3BBB,J60/0,J300/0",
                                        "AAA3BBB,59/0,300/0",
                                        "AAA-3:15:20BBB-4:45,J1/5,J364/20",
                                        "<+00>0<+02>-2,M3.5.0/1,M10.5.0/3",
                                        "NZST-12NZDT,M9.5.0,M4.1.0/3",
                                        "XYZ-5:30",
                                        "<-11>11"};
    for (size_t i = 0; i < COUNT(rules); i++) {
        struct gr_zone *zone = zone_of_footer(rules[i]);
        assert_non_null(zone);
        use_c_zone(rules[i]);
        sweep(zone, 31 * 3600 + 1811);
        gr_zone_free(zone);
    }
}

/* RFC 8536 section 3.3.1 gives this string for a place where summer time lasts all year. */
static void summer_time_may_last_all_year(void **state)
{
    (void)state;
    struct gr_zone *zone = zone_of_footer("EST5EDT,0/0,J365/25");
    assert_non_null(zone);
    for (int64_t t = moment("2026-12-28T00:00:00Z"); t < moment("2029-01-05T00:00:00Z"); t += 1800) {
        assert_int_equal(gr_zone_offset_s(zone, t), -4 * 3600);
    }
    gr_zone_free(zone);
}

/* From the wording of POSIX.1-2017 chapter 8.3 and, for the hours, RFC 8536 section 3.3.1 (from memory): Jn
 * never counts 29 February, n does; hours run from -167 to 167. Monday 4 January 2027 and 100 hours is Friday
 * 04:00. */
static void rule_dates_fall_where_the_standards_say(void **state)
{
    (void)state;
    static const struct {
        const char *tz, *start;
    } rows[] = {
        {"AAA0BBB,J60/0,J300/0", "2024-03-01T00:00:00Z"},    {"AAA0BBB,J60/0,J300/0", "2023-03-01T00:00:00Z"},
        {"AAA0BBB,J59/0,J300/0", "2024-02-28T00:00:00Z"},    {"AAA0BBB,59/0,300/0", "2024-02-29T00:00:00Z"},
        {"AAA0BBB,59/0,300/0", "2023-03-01T00:00:00Z"},      {"AAA0BBB,60/0,300/0", "2024-03-01T00:00:00Z"},
        {"AAA0BBB,M1.1.1/100,J300", "2027-01-08T04:00:00Z"}, {"AAA0BBB,J1/-167,J200", "2025-12-25T01:00:00Z"},
        {"AAA0BBB,J365/167,J200", "2026-01-06T23:00:00Z"},   {"AAA2BBB,M2.5.0,J200", "2026-02-22T04:00:00Z"}};
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct gr_zone *zone = zone_of_footer(rows[i].tz);
        assert_non_null(zone);
        int64_t start = moment(rows[i].start);
        if (gr_zone_next_change_s(zone, start - 5 * GR_DAY_S) != start) {
            fail_msg("%s does not begin at %s", rows[i].tz, rows[i].start);
        }
        assert_string_equal(gr_zone_abbreviation(zone, start - 1), "AAA");
        assert_string_equal(gr_zone_abbreviation(zone, start), "BBB");
        gr_zone_free(zone);
    }
}

static void malformed_rules_are_refused(void **state)
{
    (void)state;
    static const char *const rules[] = {"A5",
                                        "AB5",
                                        "ABC",
                                        "ABC25",
                                        "ABC5:60",
                                        "ABC5:00:60",
                                        "ABC0005",
                                        "A[C5",
                                        "ABC5:/0",
                                        "<AB5",
                                        "<A>5",
                                        "<>5",
                                        "5",
                                        ",",
                                        "ABC--5",
                                        "ABC5DEF",
                                        "ABC5DE,M3.2.0,M11.1.0",
                                        "ABC5DEF,M3.2.0",
                                        "ABC5DEF,M3.2.0,",
                                        "ABC5DEF,M0.2.0,M11.1.0",
                                        "ABC5DEF,M13.2.0,M11.1.0",
                                        "ABC5DEF,M3.0.0,M11.1.0",
                                        "ABC5DEF,M3.6.0,M11.1.0",
                                        "ABC5DEF,M3.2.7,M11.1.0",
                                        "ABC5DEF,J0,J365",
                                        "ABC5DEF,J1,J366",
                                        "ABC5DEF,0,366",
                                        "ABC5DEF,M3.2.0/168,M11.1.0",
                                        "ABC5DEF,M3.2.0/-168,M11.1.0",
                                        "ABC5DEF,M3.2.0/,M11.1.0",
                                        "ABC5DEF,M3.2.0,M11.1.0x",
                                        "ABC5DEF,M3.2.0,M11.1.0 ",
                                        "AB\x80\x81 5",
                                        "ABCDEFGHIJKLMNOPQRSTUVWXYZABCDEFGHIJ5"};
    for (size_t i = 0; i < COUNT(rules); i++) {
        if (zone_of_footer(rules[i])) {
            fail_msg("'%s' was taken", rules[i]);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(offsets_of_well_known_zones_agree_with_the_c_library),
        cmocka_unit_test(every_zone_of_the_system_is_read_and_agrees_with_the_c_library),
        cmocka_unit_test(a_reading_leads_back_to_its_moment),
        cmocka_unit_test(readings_that_occur_twice_or_never_are_resolved),
        cmocka_unit_test(a_skipped_day_has_no_length),
        cmocka_unit_test(a_fixed_zone_never_changes),
        cmocka_unit_test(files_of_versions_1_to_4_are_read),
        cmocka_unit_test(without_a_rule_the_last_offset_stays),
        cmocka_unit_test(damaged_files_are_refused_with_the_reason),
        cmocka_unit_test(counts_that_promise_too_much_are_refused),
        cmocka_unit_test(every_beginning_of_a_file_is_refused),
        cmocka_unit_test(random_damage_is_refused_or_harmless),
        cmocka_unit_test(rules_agree_with_the_c_library),
        cmocka_unit_test(summer_time_may_last_all_year),
        cmocka_unit_test(rule_dates_fall_where_the_standards_say),
        cmocka_unit_test(malformed_rules_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
