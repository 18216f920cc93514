#include "store_file.h"

#include <math.h>
#include <setjmp.h>
#include <sqlite3.h>
#include <stdarg.h>
#include <stdbool.h>
#include <sys/stat.h>
#include <time.h>

#include <cmocka.h>

#define HOUR 3600

static int set_up(void **state)
{
    struct store_file *at = calloc(1, sizeof *at);
    *state = at;
    return at ? store_file_make(at) : -1;
}

static int tear_down(void **state)
{
    store_file_remove(*state);
    free(*state);
    return 0;
}

static struct gr_store *open_store(const struct store_file *at)
{
    struct gr_error error = {"not touched"};
    struct gr_store *store = NULL;
    if (gr_store_open(&store, at->file, STORE_NOW, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
    assert_string_equal(error.text, "");
    return store;
}

static struct gr_store *reopen(struct gr_store *store, const struct store_file *at)
{
    gr_store_close(store);
    return open_store(at);
}

/* Runs SQL on the file behind the module's back. */
static void run_sql(const struct store_file *at, const char *sql)
{
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open(at->file, &db), SQLITE_OK);
    if (sqlite3_exec(db, sql, NULL, NULL, NULL) != SQLITE_OK) {
        fail_msg("%s: %s", sql, sqlite3_errmsg(db));
    }
    assert_int_equal(sqlite3_close(db), SQLITE_OK);
}

/* The single integer that the SQL yields, as another process would see it. */
static long long ask(const struct store_file *at, const char *sql)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *statement = NULL;
    assert_int_equal(sqlite3_open(at->file, &db), SQLITE_OK);
    assert_int_equal(sqlite3_prepare_v2(db, sql, -1, &statement, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_step(statement), SQLITE_ROW);
    long long value = sqlite3_column_int64(statement, 0);
    assert_int_equal(sqlite3_finalize(statement), SQLITE_OK);
    assert_int_equal(sqlite3_close(db), SQLITE_OK);
    return value;
}

/* ---- rates ---- */

struct span {
    int from_h, to_h;
    double price;
};

static struct gr_rate_table table_of(const struct span *spans, struct gr_rate *room)
{
    struct gr_rate_table table = {room, 0};
    for (; spans->to_h > 0; spans++) {
        room[table.count++] = (struct gr_rate){STORE_NOW + spans->from_h * (int64_t)HOUR,
                                               STORE_NOW + spans->to_h * (int64_t)HOUR, spans->price};
    }
    return table;
}

static void put(struct gr_store *store, const char *source, const struct span *spans, int keep_h)
{
    struct gr_rate room[8];
    struct gr_error error = {""};
    struct gr_rate_table table = table_of(spans, room);
    if (gr_store_put_rates(store, "import", source, &table, STORE_NOW + keep_h * (int64_t)HOUR, &error) !=
        GR_OK) {
        fail_msg("%s", error.text);
    }
}

static void expect(struct gr_store *store, const char *what, const char *direction, const char *source,
                   const struct span *spans)
{
    struct gr_rate room[8];
    struct gr_rate_table got, expected = table_of(spans, room);
    assert_int_equal(gr_store_get_rates(store, direction, source, &got, NULL), GR_OK);
    bool same = got.count == expected.count;
    for (size_t i = 0; i < got.count && same; i++) {
        same = got.rates[i].start_s == room[i].start_s && got.rates[i].end_s == room[i].end_s &&
               got.rates[i].price_per_kwh == room[i].price_per_kwh;
    }
    for (size_t i = 0; i < got.count && !same; i++) {
        print_message("got %.2f to %.2f h: %g\n", (double)(got.rates[i].start_s - STORE_NOW) / HOUR,
                      (double)(got.rates[i].end_s - STORE_NOW) / HOUR, got.rates[i].price_per_kwh);
    }
    free(got.rates);
    if (!same) {
        fail_msg("%s: not as expected", what);
    }
}

static void a_newer_table_replaces_what_its_span_held(void **state)
{
    static const struct {
        const char *what;
        struct span old[6], newer[4];
        int keep_h;
        struct span expected[8];
    } rows[] = {
        {"nothing before", {{0}}, {{1, 2, 0.2}, {2, 3, -0.1}}, 0, {{1, 2, 0.2}, {2, 3, -0.1}}},
        {"the same span", {{1, 2, 0.2}, {2, 3, 0.3}}, {{1, 3, 0.5}}, 0, {{1, 3, 0.5}}},
        {"beside", {{1, 2, 0.2}}, {{2, 3, 0.3}}, 0, {{1, 2, 0.2}, {2, 3, 0.3}}},
        {"before", {{3, 4, 0.2}}, {{1, 2, 0.3}}, 0, {{1, 2, 0.3}, {3, 4, 0.2}}},
        {"over the beginning", {{1, 4, 0.2}}, {{0, 2, 0.3}}, 0, {{0, 2, 0.3}, {2, 4, 0.2}}},
        {"over the end", {{1, 4, 0.2}}, {{3, 5, 0.3}}, 0, {{1, 3, 0.2}, {3, 5, 0.3}}},
        {"in the middle of one", {{1, 6, 0.2}}, {{2, 3, 0.3}}, 0, {{1, 2, 0.2}, {2, 3, 0.3}, {3, 6, 0.2}}},
        {"a gap replaces too",
         {{1, 6, 0.2}},
         {{1, 2, 0.3}, {4, 5, 0.4}},
         0,
         {{1, 2, 0.3}, {4, 5, 0.4}, {5, 6, 0.2}}},
        {"what ended is forgotten", {{1, 2, 0.2}, {2, 3, 0.3}}, {{5, 6, 0.4}}, 2, {{2, 3, 0.3}, {5, 6, 0.4}}},
        {"an empty table only forgets", {{1, 2, 0.2}, {2, 4, 0.3}}, {{0}}, 3, {{2, 4, 0.3}}},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct store_file *at = *state;
        static const struct span other[] = {{0, 20, 1.5}, {0}};
        struct gr_store *store = open_store(at);
        put(store, "day-ahead", rows[i].old, -99);
        put(store, "another", other, -99);
        put(store, "day-ahead", rows[i].newer, rows[i].keep_h);
        expect(store, rows[i].what, "import", "day-ahead", rows[i].expected);
        expect(store, rows[i].what, "import", "another", other);
        store = reopen(store, at);
        expect(store, rows[i].what, "import", "day-ahead", rows[i].expected);
        gr_store_close(store);
        assert_int_equal(unlink(at->file), 0);
    }
}

static void sources_and_directions_do_not_mix(void **state)
{
    static const struct span some[] = {{1, 2, 0.2}, {0}}, none[] = {{0}};
    struct gr_store *store = open_store(*state);
    put(store, "a", some, 0);
    expect(store, "same", "import", "a", some);
    expect(store, "other source", "import", "b", none);
    expect(store, "other direction", "export", "a", none);
    expect(store, "a name that looks like SQL", "import", "a' OR '1'='1", none);
    gr_store_close(store);
}

static void a_table_out_of_order_is_refused_and_the_old_one_stays(void **state)
{
    static const struct span bad[][4] = {{{2, 3, 0.1}, {1, 2, 0.1}},
                                         {{1, 3, 0.1}, {2, 4, 0.1}},
                                         {{1, 1, 0.1}},
                                         {{1, 2, NAN}},
                                         {{1, 2, INFINITY}}};
    static const struct span old[] = {{1, 2, 0.2}, {0}};
    struct gr_store *store = open_store(*state);
    put(store, "a", old, 0);
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct gr_rate room[8];
        struct gr_error error = {""};
        struct gr_rate_table table = table_of(bad[i], room);
        assert_int_equal(gr_store_put_rates(store, "import", "a", &table, 0, &error), GR_INVALID);
        assert_non_null(strstr(error.text, "out of order or has no finite price"));
        expect(store, "after a bad table", "import", "a", old);
    }
    gr_store_close(store);
}

static void rates_are_committed_at_once_with_what_was_pending(void **state)
{
    static const struct span some[] = {{1, 2, 0.2}, {0}};
    struct gr_slot_record record = {.start_s = 1800};
    struct gr_store *store = open_store(*state);
    assert_int_equal(gr_store_put_slot(store, &record, NULL), GR_OK);
    assert_int_equal(ask(*state, "SELECT count(*) FROM slots"), 0);
    put(store, "a", some, 0);
    assert_int_equal(ask(*state, "SELECT count(*) FROM rates"), 1);
    assert_int_equal(ask(*state, "SELECT count(*) FROM slots"), 1);
    gr_store_close(store);
}

static void a_table_that_fails_half_way_leaves_the_old_one_and_what_was_pending(void **state)
{
    static const struct span old[] = {{1, 4, 0.2}, {0}};
    static const struct span newer[] = {{1, 2, 0.3}, {2, 3, 7}, {0}};
    struct gr_rate room[8];
    struct gr_error error = {""};
    struct gr_slot_record record = {.start_s = 1800};
    struct gr_rate_table table = table_of(newer, room);
    struct gr_store *store = open_store(*state);
    put(store, "a", old, 0);
    run_sql(*state, "CREATE TRIGGER no BEFORE INSERT ON rates WHEN NEW.price_per_kwh = 7"
                    " BEGIN SELECT RAISE(FAIL, 'not seven'); END");
    assert_int_equal(gr_store_put_slot(store, &record, NULL), GR_OK);
    assert_int_equal(gr_store_put_rates(store, "import", "a", &table, STORE_NOW, &error), GR_IO);
    assert_non_null(strstr(error.text, "cannot keep rates: not seven"));
    expect(store, "after the failure", "import", "a", old);
    gr_store_close(store);
    assert_int_equal(ask(*state, "SELECT count(*) FROM slots"), 1);
}

static void damaged_rates_are_reported_and_not_used(void **state)
{
    static const char *const damage[] = {"UPDATE rates SET price_per_kwh = 9e999 WHERE start_s > 0",
                                         "UPDATE rates SET end_s = end_s + 5 WHERE start_s > 0"};
    static const struct span some[] = {{1, 2, 0.2}, {2, 3, 0.2}, {0}};
    for (size_t i = 0; i < sizeof damage / sizeof damage[0]; i++) {
        struct gr_rate_table table;
        struct gr_error error = {""};
        struct gr_store *store = open_store(*state);
        put(store, "a", some, 0);
        run_sql(*state, damage[i]);
        assert_int_equal(gr_store_get_rates(store, "import", "a", &table, &error), GR_INVALID);
        assert_int_equal(table.count, 0);
        assert_null(table.rates);
        assert_non_null(strstr(error.text, "is damaged"));
        gr_store_close(store);
    }
}

/* ---- history ---- */

struct seen {
    struct gr_slot_record records[8];
    size_t count;
};

static void note(void *context, const struct gr_slot_record *record)
{
    struct seen *seen = context;
    assert_true(seen->count < 8);
    seen->records[seen->count++] = *record;
}

static struct seen read_slots(struct gr_store *store, int64_t from_s)
{
    struct seen seen = {.count = 0};
    assert_int_equal(gr_store_each_slot(store, from_s, note, &seen, NULL), GR_OK);
    return seen;
}

static void a_half_hour_comes_back_as_it_was_and_unknown_stays_unknown(void **state)
{
    struct gr_slot_record known = {1800, 0.1, 0.2, -0.3, 0.4, 0.5, 66.6, -7.5};
    struct gr_slot_record unknown = {3600, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
    struct gr_store *store = open_store(*state);
    assert_int_equal(gr_store_put_slot(store, &unknown, NULL), GR_OK);
    assert_int_equal(gr_store_put_slot(store, &known, NULL), GR_OK);
    store = reopen(store, *state);
    struct seen seen = read_slots(store, 0);
    assert_int_equal(seen.count, 2);
    struct gr_slot_record *got = &seen.records[0];
    assert_true(got->start_s == 1800 && got->house_kw == 0.1 && got->solar_kw == 0.2 &&
                got->battery_kw == -0.3 && got->grid_kw == 0.4 && got->car_kw == 0.5 &&
                got->state_of_charge_percent == 66.6 && got->outdoor_c == -7.5);
    got = &seen.records[1];
    assert_true(got->start_s == 3600 && isnan(got->house_kw) && isnan(got->solar_kw) &&
                isnan(got->battery_kw) && isnan(got->grid_kw) && isnan(got->car_kw) &&
                isnan(got->state_of_charge_percent) && isnan(got->outdoor_c));
    gr_store_close(store);
    assert_int_equal(ask(*state, "SELECT count(*) FROM slots WHERE house_kw IS NULL AND car_kw IS NULL"), 1);
}

static void a_half_hour_put_twice_is_kept_once(void **state)
{
    struct gr_slot_record record = {1800, 1, 1, 1, 1, 1, 1, 1};
    struct gr_store *store = open_store(*state);
    assert_int_equal(gr_store_put_slot(store, &record, NULL), GR_OK);
    record.house_kw = 2;
    assert_int_equal(gr_store_put_slot(store, &record, NULL), GR_OK);
    struct seen seen = read_slots(store, 0);
    assert_int_equal(seen.count, 1);
    assert_true(seen.records[0].house_kw == 2);
    gr_store_close(store);
}

static void many_half_hours_are_kept_together_or_not_at_all(void **state)
{
    struct gr_slot_record records[3] = {{.start_s = 1800}, {.start_s = 3600}, {.start_s = 5400}};
    struct gr_error error = {""};
    struct gr_store *store = open_store(*state);
    assert_int_equal(gr_store_put_slots(store, records, 2, NULL), GR_OK);
    assert_int_equal(ask(*state, "SELECT count(*) FROM slots"), 2);
    run_sql(*state, "CREATE TRIGGER no BEFORE INSERT ON slots WHEN NEW.start_s = 5400"
                    " BEGIN SELECT RAISE(FAIL, 'not this one'); END");
    records[0].house_kw = 7;
    assert_int_equal(gr_store_put_slots(store, records, 3, &error), GR_IO);
    assert_non_null(strstr(error.text, "not this one"));
    gr_store_close(store);
    assert_int_equal(ask(*state, "SELECT count(*) * 10 + max(house_kw) FROM slots"), 20);
}

static void half_hours_wait_for_the_commit(void **state)
{
    struct gr_slot_record record = {.start_s = 1800};
    struct gr_store *store = open_store(*state);
    assert_int_equal(gr_store_put_slot(store, &record, NULL), GR_OK);
    assert_int_equal(read_slots(store, 0).count, 1);
    assert_int_equal(ask(*state, "SELECT count(*) FROM slots"), 0);
    assert_int_equal(gr_store_commit(store, NULL), GR_OK);
    assert_int_equal(ask(*state, "SELECT count(*) FROM slots"), 1);
    assert_int_equal(gr_store_commit(store, NULL), GR_OK);
    gr_store_close(store);
}

static void trimming_forgets_what_is_older_and_nothing_else(void **state)
{
    struct gr_command command = {.kind = GR_REST};
    struct gr_store *store = open_store(*state);
    for (int64_t i = 1; i <= 5; i++) {
        struct gr_slot_record record = {.start_s = 1800 * i};
        command.sequence = (uint64_t)i;
        command.issued_s = 1800 * i;
        assert_int_equal(gr_store_put_slot(store, &record, NULL), GR_OK);
        assert_int_equal(gr_store_put_command(store, &command, NULL), GR_OK);
    }
    assert_int_equal(gr_store_trim(store, 5400, 5400, NULL), GR_OK);
    struct seen seen = read_slots(store, 0);
    assert_int_equal(seen.count, 3);
    assert_int_equal(seen.records[0].start_s, 5400);
    assert_int_equal(read_slots(store, 5401).count, 2);
    gr_store_close(store);
    assert_int_equal(ask(*state, "SELECT min(sequence) * 10 + count(*) FROM commands"), 33);
}

/* ---- commands ---- */

static uint64_t last_sequence(struct gr_store *store)
{
    uint64_t last = 99;
    assert_int_equal(gr_store_last_sequence(store, &last, NULL), GR_OK);
    return last;
}

static void a_command_is_noted_whole(void **state)
{
    struct gr_command command = {
        GR_CHARGE, 2.5, 80, STORE_NOW, STORE_NOW + 300, 7, "cheap until 05:00; it's \"night\""};
    struct gr_store *store = open_store(*state);
    assert_int_equal(gr_store_put_command(store, &command, NULL), GR_OK);
    gr_store_close(store);
    assert_int_equal(
        ask(*state, "SELECT count(*) FROM commands WHERE sequence = 7 AND kind = 'charge' AND power_kw = 2.5"
                    " AND target_percent = 80 AND issued_s = 1795597459 AND valid_until_s = 1795597759"
                    " AND reason = 'cheap until 05:00; it''s \"night\"'"),
        1);
}

static void sequences_rise_even_where_the_last_commands_were_lost(void **state)
{
    struct gr_command command = {.kind = GR_STORE};
    struct gr_store *store = open_store(*state);
    assert_int_equal(last_sequence(store), 0);
    for (uint64_t sequence = 1; sequence <= 3000; sequence++) {
        command.sequence = sequence;
        assert_int_equal(gr_store_put_command(store, &command, NULL), GR_OK);
        if (sequence % 100 ==
            1) { /* what a restart after a crash would find: nothing but what is committed */
            long long kept = ask(*state, "SELECT sequence FROM reserved");
            assert_true(kept >= (long long)sequence + 511 && kept <= (long long)sequence + 1536);
        }
    }
    assert_true(last_sequence(store) >= 3000);
    assert_true(ask(*state, "SELECT count(*) FROM commands") < 3000);
    store = reopen(store, *state);
    assert_true(last_sequence(store) >= 3000 + 511 && last_sequence(store) <= 3000 + 1536);
    gr_store_close(store);
}

static void a_sequence_beyond_the_reserved_block_moves_the_block(void **state)
{
    struct gr_command command = {.kind = GR_STORE, .sequence = 5000000000};
    struct gr_error error = {""};
    struct gr_store *store = open_store(*state);
    assert_int_equal(gr_store_put_command(store, &command, NULL), GR_OK);
    assert_true(last_sequence(store) >= 5000000000);
    command.sequence = 3; /* an engine that began anew does not pull it back */
    assert_int_equal(gr_store_put_command(store, &command, NULL), GR_OK);
    assert_true(last_sequence(store) >= 5000000000);
    command.sequence = 0;
    assert_int_equal(gr_store_put_command(store, &command, &error), GR_INVALID);
    command.sequence = UINT64_MAX;
    assert_int_equal(gr_store_put_command(store, &command, &error), GR_INVALID);
    assert_non_null(strstr(error.text, "18446744073709551615"));
    gr_store_close(store);
}

/* ---- texts ---- */

static void texts_are_kept_by_name_at_once(void **state)
{
    struct gr_store *store = open_store(*state);
    char *text;
    assert_int_equal(gr_store_get_text(store, "overrides", &text, NULL), GR_OK);
    assert_null(text);
    assert_int_equal(gr_store_put_text(store, "overrides", "[]", NULL), GR_OK);
    assert_int_equal(gr_store_put_text(store, "overrides", "[{\"a\": \"b\"}]", NULL), GR_OK);
    assert_int_equal(ask(*state, "SELECT count(*) FROM texts"), 1);
    assert_int_equal(gr_store_get_text(store, "overrides", &text, NULL), GR_OK);
    assert_string_equal(text, "[{\"a\": \"b\"}]");
    free(text);
    gr_store_close(store);
}

/* ---- validators ---- */

static void validators_are_kept_by_url_at_once(void **state)
{
    char etag[32], modified[32];
    struct gr_store *store = open_store(*state);
    assert_int_equal(gr_store_put_validators(store, "https://a.example/", "\"v0\"", "x", NULL), GR_OK);
    assert_int_equal(gr_store_put_validators(store, "https://a.example/", "\"v1\"", NULL, NULL), GR_OK);
    assert_int_equal(ask(*state, "SELECT count(*) FROM validators WHERE etag = '\"v1\"'"), 1);
    store = reopen(store, *state);
    assert_int_equal(gr_store_get_validators(store, "https://a.example/", etag, modified, sizeof etag, NULL),
                     GR_OK);
    assert_string_equal(etag, "\"v1\"");
    assert_string_equal(modified, "");
    assert_int_equal(gr_store_get_validators(store, "https://a.example/", etag, modified, 4, NULL), GR_OK);
    assert_string_equal(etag, "");
    assert_int_equal(gr_store_get_validators(store, "https://b.example/", etag, modified, sizeof etag, NULL),
                     GR_OK);
    assert_string_equal(etag, "");
    gr_store_close(store);
}

static void only_the_last_64_validators_are_kept(void **state)
{
    char url[64], etag[8], modified[8];
    struct gr_store *store = open_store(*state);
    for (int day = 0; day < 100; day++) {
        (void)snprintf(url, sizeof url, "https://a.example/%d", day);
        assert_int_equal(gr_store_put_validators(store, url, "e", "m", NULL), GR_OK);
        assert_int_equal(gr_store_put_validators(store, "https://fixed.example/", "f", "m", NULL), GR_OK);
    }
    assert_in_range(ask(*state, "SELECT count(*) FROM validators"), 30, 64);
    assert_int_equal(gr_store_get_validators(store, url, etag, modified, sizeof etag, NULL), GR_OK);
    assert_string_equal(etag, "e");
    assert_int_equal(
        gr_store_get_validators(store, "https://fixed.example/", etag, modified, sizeof etag, NULL), GR_OK);
    assert_string_equal(etag, "f");
    gr_store_close(store);
}

/* ---- the file ---- */

static void a_new_file_has_our_version_and_is_not_for_everyone(void **state)
{
    struct store_file *at = *state;
    struct stat status;
    gr_store_close(open_store(at));
    assert_int_equal(ask(at, "PRAGMA user_version"), 4);
    assert_int_equal(stat(at->file, &status), 0);
    assert_int_equal(status.st_mode & 0007, 0);
}

static void an_empty_file_and_an_empty_database_are_moved_up(void **state)
{
    struct store_file *at = *state;
    FILE *file = fopen(at->file, "wb");
    assert_non_null(file);
    assert_int_equal(fclose(file), 0);
    gr_store_close(open_store(at));
    assert_int_equal(ask(at, "PRAGMA user_version"), 4);
    assert_int_equal(unlink(at->file), 0);
    run_sql(at, "CREATE TABLE t (x); DROP TABLE t; PRAGMA user_version = 0");
    gr_store_close(open_store(at));
    assert_int_equal(ask(at, "PRAGMA user_version"), 4);
}

static void what_is_not_ours_is_refused_and_left_alone(void **state)
{
    static const struct {
        const char *sql, *expected;
    } rows[] = {
        {"PRAGMA application_id = 1735552633; PRAGMA user_version = 5; CREATE TABLE t (x)",
         "version 5, expected at most 4"},
        {"PRAGMA application_id = 1735552633; PRAGMA user_version = -1; CREATE TABLE t (x)", "version -1"},
        {"PRAGMA user_version = 1; CREATE TABLE t (x)", "another program"},
        {"CREATE TABLE t (x)", "another program"},
        {"PRAGMA application_id = 5", "another program"},
    };
    struct store_file *at = *state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        size_t before = 0, after = 0;
        char aside[400];
        struct gr_error error = {""};
        struct gr_store *store = NULL;
        run_sql(at, rows[i].sql);
        unsigned char *old = store_file_bytes(at->file, &before);
        assert_int_equal(gr_store_open(&store, at->file, STORE_NOW, &error), GR_INVALID);
        unsigned char *now = store_file_bytes(at->file, &after);
        if (!strstr(error.text, rows[i].expected)) {
            fail_msg("\"%s\" does not say \"%s\"", error.text, rows[i].expected);
        }
        assert_int_equal(before, after);
        assert_memory_equal(old, now, before);
        store_file_find(at, "store.db.bad", aside);
        assert_string_equal(aside, "");
        free(old);
        free(now);
        assert_int_equal(unlink(at->file), 0);
    }
}

static void another_program_that_writes_delays_us_by_a_few_seconds_at_most(void **state)
{
    struct store_file *at = *state;
    struct gr_slot_record record = {.start_s = 1800};
    struct gr_error error = {""};
    struct timespec begun, ended;
    sqlite3 *other = NULL;
    struct gr_store *store = open_store(at);
    assert_int_equal(sqlite3_open(at->file, &other), SQLITE_OK);
    assert_int_equal(sqlite3_exec(other, "BEGIN IMMEDIATE", NULL, NULL, NULL), SQLITE_OK);
    (void)clock_gettime(CLOCK_MONOTONIC, &begun);
    assert_int_equal(gr_store_put_slot(store, &record, &error), GR_IO);
    (void)clock_gettime(CLOCK_MONOTONIC, &ended);
    assert_in_range(ended.tv_sec - begun.tv_sec, 1, 5);
    assert_non_null(strstr(error.text, "locked"));
    assert_int_equal(sqlite3_exec(other, "COMMIT", NULL, NULL, NULL), SQLITE_OK);
    assert_int_equal(gr_store_put_slot(store, &record, &error), GR_OK);
    assert_int_equal(sqlite3_close(other), SQLITE_OK);
    gr_store_close(store);
    assert_int_equal(ask(at, "SELECT count(*) FROM slots"), 1);
}

static void a_file_that_cannot_be_is_an_error_with_its_name(void **state)
{
    struct store_file *at = *state;
    struct gr_store *store = NULL;
    struct gr_error error = {""};
    char missing[200];
    (void)snprintf(missing, sizeof missing, "%s/no/store.db", at->folder);
    assert_int_equal(gr_store_open(&store, missing, STORE_NOW, &error), GR_IO);
    assert_non_null(strstr(error.text, missing));
    assert_non_null(strstr(error.text, "No such file"));
    assert_int_equal(gr_store_open(&store, at->folder, STORE_NOW, &error), GR_IO);
    assert_non_null(strstr(error.text, "directory"));
    gr_store_close(NULL);
}

#define STORED(test) cmocka_unit_test_setup_teardown(test, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        STORED(a_newer_table_replaces_what_its_span_held),
        STORED(sources_and_directions_do_not_mix),
        STORED(a_table_out_of_order_is_refused_and_the_old_one_stays),
        STORED(rates_are_committed_at_once_with_what_was_pending),
        STORED(a_table_that_fails_half_way_leaves_the_old_one_and_what_was_pending),
        STORED(damaged_rates_are_reported_and_not_used),
        STORED(a_half_hour_comes_back_as_it_was_and_unknown_stays_unknown),
        STORED(a_half_hour_put_twice_is_kept_once),
        STORED(many_half_hours_are_kept_together_or_not_at_all),
        STORED(half_hours_wait_for_the_commit),
        STORED(trimming_forgets_what_is_older_and_nothing_else),
        STORED(a_command_is_noted_whole),
        STORED(sequences_rise_even_where_the_last_commands_were_lost),
        STORED(a_sequence_beyond_the_reserved_block_moves_the_block),
        STORED(texts_are_kept_by_name_at_once),
        STORED(validators_are_kept_by_url_at_once),
        STORED(only_the_last_64_validators_are_kept),
        STORED(a_new_file_has_our_version_and_is_not_for_everyone),
        STORED(an_empty_file_and_an_empty_database_are_moved_up),
        STORED(what_is_not_ours_is_refused_and_left_alone),
        STORED(another_program_that_writes_delays_us_by_a_few_seconds_at_most),
        STORED(a_file_that_cannot_be_is_an_error_with_its_name),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
