/* The five-minute history, the move from schema version 1, and how much is written. */
#include "store_file.h"

#include <math.h>
#include <setjmp.h>
#include <sqlite3.h>
#include <stdarg.h>
#include <stdbool.h>

#include <cmocka.h>

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

static void run_sql(const struct store_file *at, const char *sql)
{
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open(at->file, &db), SQLITE_OK);
    if (sqlite3_exec(db, sql, NULL, NULL, NULL) != SQLITE_OK) {
        fail_msg("%s: %s", sql, sqlite3_errmsg(db));
    }
    assert_int_equal(sqlite3_close(db), SQLITE_OK);
}

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

/* ---- content ---- */

struct seen {
    struct gr_fine_record records[8];
    size_t count;
};

static void note(void *context, const struct gr_fine_record *record)
{
    struct seen *seen = context;
    assert_true(seen->count < 8);
    seen->records[seen->count++] = *record;
}

static struct seen read_fine(struct gr_store *store, int64_t from_s)
{
    struct seen seen = {.count = 0};
    assert_int_equal(gr_store_each_fine(store, from_s, note, &seen, NULL), GR_OK);
    return seen;
}

static void five_minutes_come_back_as_they_were_with_their_samples(void **state)
{
    struct gr_fine_record record = {{600, 0.1, NAN, -0.3, 0.4, 0.5, 66.6, -7.5}, {1, 2, 3, 4, 5, 6, 7}};
    struct gr_store *store = open_store(*state);
    assert_int_equal(gr_store_put_fine(store, &record, NULL), GR_OK);
    gr_store_close(store);
    store = open_store(*state);
    struct seen seen = read_fine(store, 600);
    assert_int_equal(seen.count, 1);
    const struct gr_slot_record *means = &seen.records[0].means;
    assert_true(means->start_s == 600 && means->house_kw == 0.1 && isnan(means->solar_kw) &&
                means->battery_kw == -0.3 && means->grid_kw == 0.4 && means->car_kw == 0.5 &&
                means->state_of_charge_percent == 66.6 && means->outdoor_c == -7.5);
    assert_memory_equal(&seen.records[0].samples, &record.samples, sizeof record.samples);
    assert_int_equal(read_fine(store, 601).count, 0);
    gr_store_close(store);
}

static void five_minutes_put_twice_are_kept_once_and_wait_for_the_commit(void **state)
{
    struct gr_fine_record record = {{.start_s = 600, .house_kw = 1}, {0}};
    struct gr_store *store = open_store(*state);
    assert_int_equal(gr_store_put_fine(store, &record, NULL), GR_OK);
    record.means.house_kw = 2;
    assert_int_equal(gr_store_put_fine(store, &record, NULL), GR_OK);
    assert_int_equal(ask(*state, "SELECT count(*) FROM fine"), 0);
    assert_int_equal(gr_store_commit(store, NULL), GR_OK);
    assert_int_equal(ask(*state, "SELECT count(*) * 10 + sum(house_kw) FROM fine"), 12);
    gr_store_close(store);
}

static void five_minutes_and_commands_are_forgotten_apart_from_half_hours(void **state)
{
    struct gr_store *store = open_store(*state);
    for (int64_t i = 1; i <= 5; i++) {
        struct gr_fine_record fine = {{.start_s = 1800 * i}, {0}};
        struct gr_slot_record half = {.start_s = 1800 * i};
        struct gr_command command = {.kind = GR_REST, .sequence = (uint64_t)i, .issued_s = 1800 * i};
        assert_int_equal(gr_store_put_fine(store, &fine, NULL), GR_OK);
        assert_int_equal(gr_store_put_slot(store, &half, NULL), GR_OK);
        assert_int_equal(gr_store_put_command(store, &command, NULL), GR_OK);
    }
    assert_int_equal(gr_store_trim(store, 3600, 7200, NULL), GR_OK);
    gr_store_close(store);
    assert_int_equal(ask(*state, "SELECT min(start_s) + count(*) FROM slots"), 3604);
    assert_int_equal(ask(*state, "SELECT min(start_s) + count(*) FROM fine"), 7202);
    assert_int_equal(ask(*state, "SELECT min(issued_s) + count(*) FROM commands"), 7202);
}

/* ---- from version 1 ---- */

/* The schema as version 1 had it, with a row in each table. */
static const char version_1[] =
    "CREATE TABLE rates (direction TEXT NOT NULL, source TEXT NOT NULL, start_s INTEGER NOT NULL,"
    " end_s INTEGER NOT NULL, price_per_kwh REAL NOT NULL, PRIMARY KEY (direction, source, start_s),"
    " CHECK (start_s < end_s)) STRICT, WITHOUT ROWID;"
    "CREATE TABLE slots (start_s INTEGER PRIMARY KEY, house_kw REAL, solar_kw REAL, battery_kw REAL,"
    " grid_kw REAL, car_kw REAL, state_of_charge_percent REAL) STRICT;"
    "CREATE TABLE commands (sequence INTEGER PRIMARY KEY, issued_s INTEGER NOT NULL,"
    " valid_until_s INTEGER NOT NULL, kind TEXT NOT NULL, power_kw REAL NOT NULL, target_percent REAL,"
    " reason TEXT NOT NULL) STRICT;"
    "CREATE TABLE validators (url TEXT NOT NULL UNIQUE, etag TEXT NOT NULL, last_modified TEXT NOT NULL) "
    "STRICT;"
    "CREATE TABLE reserved (only INTEGER PRIMARY KEY CHECK (only = 1), sequence INTEGER NOT NULL) STRICT;"
    "PRAGMA application_id = 1735552633; PRAGMA user_version = 1;"
    "INSERT INTO rates VALUES ('import', 'a', 0, 1800, 0.25);"
    "INSERT INTO slots VALUES (1800, 1, 2, 3, 4, 5, 6);"
    "INSERT INTO commands VALUES (7, 1, 2, 'rest', 0, 50, 'why');"
    "INSERT INTO reserved VALUES (1, 1031);";

static void count_slot(void *context, const struct gr_slot_record *record)
{
    *(int *)context +=
        record->start_s == 1800 && record->house_kw == 1 && record->car_kw == 5 && isnan(record->outdoor_c);
}

static void expect_old_content(struct gr_store *store)
{
    struct gr_rate_table table;
    uint64_t sequence = 0;
    int slots = 0;
    assert_int_equal(gr_store_each_slot(store, 0, count_slot, &slots, NULL), GR_OK);
    assert_int_equal(slots, 1);
    assert_int_equal(gr_store_get_rates(store, "import", "a", &table, NULL), GR_OK);
    assert_true(table.count == 1 && table.rates[0].price_per_kwh == 0.25);
    free(table.rates);
    assert_int_equal(gr_store_last_sequence(store, &sequence, NULL), GR_OK);
    assert_int_equal(sequence, 1031);
}

static void a_file_of_version_1_is_moved_up_with_all_that_it_holds(void **state)
{
    struct gr_fine_record record = {{.start_s = 600}, {0}};
    run_sql(*state, version_1);
    struct gr_store *store = open_store(*state);
    expect_old_content(store);
    assert_int_equal(gr_store_put_fine(store, &record, NULL), GR_OK);
    gr_store_close(store);
    assert_int_equal(ask(*state, "PRAGMA user_version"), 4);
    store = open_store(*state);
    expect_old_content(store);
    assert_int_equal(read_fine(store, 0).count, 1);
    gr_store_close(store);
}

static void a_move_that_fails_leaves_version_1_as_it_was(void **state)
{
    struct store_file *at = *state;
    struct gr_error error = {""};
    struct gr_store *store = NULL;
    run_sql(at, version_1);
    run_sql(at, "CREATE TABLE fine (x)");
    assert_int_equal(gr_store_open(&store, at->file, STORE_NOW, &error), GR_IO);
    assert_non_null(strstr(error.text, "cannot bring the schema up to date: table fine already exists"));
    assert_int_equal(ask(at, "PRAGMA user_version"), 1);
    run_sql(at, "DROP TABLE fine");
    store = open_store(at);
    expect_old_content(store);
    gr_store_close(store);
}

/* ---- wear ---- */

/* Bytes handed to write calls so far, from the kernel's account; -1 where it keeps none. */
static long long written(void)
{
    FILE *file = fopen("/proc/self/io", "r");
    char line[100];
    long long bytes = -1;
    while (file && fgets(line, sizeof line, file)) {
        (void)sscanf(line, "wchar: %lld", &bytes);
    }
    if (file) {
        (void)fclose(file);
    }
    return bytes;
}

/* Three days of hours, as a weather forecast tells them. */
static void tell_weather(struct gr_store *store, int64_t now_s)
{
    static const char *const kinds[] = {"irradiance", "temperature"};
    struct gr_rate hours[72];
    struct gr_rate_table table = {hours, 72};
    for (size_t kind = 0; kind < 2; kind++) {
        for (size_t i = 0; i < 72; i++) {
            int64_t start_s = now_s - now_s % 3600 + (int64_t)i * 3600;
            hours[i] = (struct gr_rate){start_s, start_s + 3600, (double)(i * 7 % 24) / 24};
        }
        assert_int_equal(gr_store_put_rates(store, kinds[kind], "told", &table, now_s - 35 * 86400, NULL),
                         GR_OK);
    }
}

/* As the daemon does on a usual day: a commit every five minutes, a command renewed twice in between, the
 * weather every six hours. */
static void live_a_day(struct gr_store *store, int64_t day)
{
    struct gr_command command = {.kind = GR_CHARGE,
                                 .power_kw = 2.5,
                                 .reason = "charging at 2.50 kW: import costs 0.0900 per kWh now, one more "
                                           "stored kWh is worth 0.2312 later"};
    for (int64_t five = 0; five < 288; five++) {
        int64_t start_s = day * 86400 + five * 300;
        double x = (double)five / 7;
        struct gr_fine_record fine = {{start_s, x, x / 3, -x, x / 9, 0, 50 + x, x - 20},
                                      {30, 30, 30, 30, 0, 30, 5}};
        assert_int_equal(gr_store_put_fine(store, &fine, NULL), GR_OK);
        if (five % 6 == 5) {
            fine.means.start_s -= 1500;
            assert_int_equal(gr_store_put_slot(store, &fine.means, NULL), GR_OK);
        }
        for (int i = 0; i < 2; i++) {
            command.sequence = (uint64_t)(day * 576 + five * 2 + i + 1);
            command.issued_s = start_s + i * 150;
            assert_int_equal(gr_store_put_command(store, &command, NULL), GR_OK);
        }
        assert_int_equal(gr_store_commit(store, NULL), GR_OK);
        if (five % 72 == 0) {
            tell_weather(store, start_s);
        }
    }
}

static void a_day_of_history_costs_few_bytes(void **state)
{
    struct gr_store *store = open_store(*state);
    enum { DAYS = 30 };
    long long before = written();
    if (before < 0) {
        print_message("no account of written bytes here\n");
        gr_store_close(store);
        skip();
    }
    for (int64_t day = 0; day < DAYS; day++) {
        live_a_day(store, day);
    }
    long long per_day = (written() - before) / DAYS;
    gr_store_close(store);
    long long kept =
        ask(*state, "SELECT page_count * page_size / 30 FROM pragma_page_count, pragma_page_size");
    print_message("%lld bytes written a day, %lld kept a day\n", per_day, kept);
    assert_in_range(per_day, 100000, 12000000);
    assert_in_range(kept, 20000, 200000);
}

#define STORED(test) cmocka_unit_test_setup_teardown(test, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        STORED(five_minutes_come_back_as_they_were_with_their_samples),
        STORED(five_minutes_put_twice_are_kept_once_and_wait_for_the_commit),
        STORED(five_minutes_and_commands_are_forgotten_apart_from_half_hours),
        STORED(a_file_of_version_1_is_moved_up_with_all_that_it_holds),
        STORED(a_move_that_fails_leaves_version_1_as_it_was),
        STORED(a_day_of_history_costs_few_bytes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
