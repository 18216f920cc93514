#define _GNU_SOURCE /* unshare */
#include "store_file.h"

#include <errno.h>
#include <math.h>
#include <sched.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdbool.h>
#include <sys/mount.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>

#include <cmocka.h>

#define PAGE 4096L /* SQLite's default page size */

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

/* The next figure of a xorshift sequence. */
static uint64_t draw(uint64_t *seed)
{
    *seed ^= *seed << 13;
    *seed ^= *seed >> 7;
    *seed ^= *seed << 17;
    return *seed;
}

static uint64_t begin_draw(void)
{
    uint64_t seed = (uint64_t)time(NULL) * 2654435761U + (uint64_t)getpid();
    print_message("seed %llu\n", (unsigned long long)seed);
    return seed;
}

/* ---- content whose every row says whether it is whole ---- */

static int put_slot(struct gr_store *store, int64_t number, struct gr_error *error)
{
    double x = (double)number;
    struct gr_slot_record record = {number * 1800, x, 2 * x, -x, 3 * x, NAN, x / 1e6, -3 * x};
    return gr_store_put_slot(store, &record, error);
}

/* Goes with the half hour of the same number. */
static int put_fine(struct gr_store *store, int64_t number, struct gr_error *error)
{
    double x = (double)number;
    int32_t n = (int32_t)number;
    struct gr_fine_record record = {{number * 300, -x, x, 2 * x, NAN, 5 * x, x / 1e6, -4 * x},
                                    {n, n + 1, n + 2, n + 3, n + 4, n + 5, n + 6}};
    return gr_store_put_fine(store, &record, error);
}

/* A day of 48 slots that all have the same price. */
static int put_rates(struct gr_store *store, int64_t number, struct gr_error *error)
{
    struct gr_rate rates[48];
    for (int64_t i = 0; i < 48; i++) {
        rates[i] = (struct gr_rate){i * 1800, (i + 1) * 1800, (double)number};
    }
    struct gr_rate_table table = {rates, 48};
    return gr_store_put_rates(store, "import", "day-ahead", &table, 0, error);
}

static int put_command(struct gr_store *store, int64_t number, struct gr_error *error)
{
    struct gr_command command = {.kind = GR_STORE, .sequence = (uint64_t)number, .reason = "test"};
    return gr_store_put_command(store, &command, error);
}

static void count_whole(void *context, const struct gr_slot_record *record)
{
    int64_t *count = context;
    double x = (double)record->start_s / 1800;
    assert_true(record->house_kw == x && record->solar_kw == 2 * x && record->battery_kw == -x &&
                record->grid_kw == 3 * x && isnan(record->car_kw) &&
                record->state_of_charge_percent == x / 1e6 && record->outdoor_c == -3 * x);
    ++*count;
}

static void count_whole_fine(void *context, const struct gr_fine_record *record)
{
    int64_t *count = context;
    const struct gr_slot_record *means = &record->means;
    const struct gr_samples *samples = &record->samples;
    double x = (double)means->start_s / 300;
    int32_t n = (int32_t)(means->start_s / 300);
    assert_true(means->house_kw == -x && means->solar_kw == x && means->battery_kw == 2 * x &&
                isnan(means->grid_kw) && means->car_kw == 5 * x &&
                means->state_of_charge_percent == x / 1e6 && means->outdoor_c == -4 * x);
    assert_true(samples->house == n && samples->solar == n + 1 && samples->battery == n + 2 &&
                samples->grid == n + 3 && samples->car == n + 4 && samples->state_of_charge == n + 5 &&
                samples->outdoor == n + 6);
    ++*count;
}

static void count_any_fine(void *context, const struct gr_fine_record *record)
{
    int64_t *count = context;
    *count += record->means.start_s != INT64_MIN;
}

static void count_any(void *context, const struct gr_slot_record *record)
{
    int64_t *count = context;
    *count += record->start_s != INT64_MIN;
}

/* Fails the test where a row is not whole. */
static int64_t read_whole(struct gr_store *store)
{
    int64_t count = 0, fine = 0;
    struct gr_rate_table table;
    assert_int_equal(gr_store_each_slot(store, 0, count_whole, &count, NULL), GR_OK);
    assert_int_equal(gr_store_each_fine(store, 0, count_whole_fine, &fine, NULL), GR_OK);
    assert_true(fine == 0 || fine == count); /* written together, kept together */
    assert_int_equal(gr_store_get_rates(store, "import", "day-ahead", &table, NULL), GR_OK);
    assert_true(table.count == 0 || table.count == 48);
    for (size_t i = 0; i < table.count; i++) {
        assert_true(table.rates[i].price_per_kwh == table.rates[0].price_per_kwh);
    }
    free(table.rates);
    return count;
}

static void fill(const struct store_file *at)
{
    struct gr_store *store = NULL;
    assert_int_equal(gr_store_open(&store, at->file, STORE_NOW, NULL), GR_OK);
    for (int64_t i = 1; i <= 1000; i++) {
        assert_int_equal(put_slot(store, i, NULL), GR_OK);
        assert_int_equal(put_fine(store, i, NULL), GR_OK);
        assert_int_equal(put_command(store, i, NULL), GR_OK);
    }
    assert_int_equal(put_rates(store, 1, NULL), GR_OK);
    gr_store_close(store);
}

/* Overwrites `length` bytes from `offset` on with random ones. */
static void smash(const struct store_file *at, long offset, long length, uint64_t *seed)
{
    FILE *file = fopen(at->file, "r+b");
    assert_non_null(file);
    assert_int_equal(fseek(file, offset, SEEK_SET), 0);
    for (long i = 0; i < length; i++) {
        assert_int_not_equal(fputc((int)(draw(seed) & 255), file), EOF);
    }
    assert_int_equal(fclose(file), 0);
}

static long file_size(const struct store_file *at)
{
    struct stat status;
    assert_int_equal(stat(at->file, &status), 0);
    return (long)status.st_size;
}

/* Opens a file that is damaged beyond doubt: what it held must be kept aside to the byte, and a new store
 * must work. */
static void expect_new_beginning(const struct store_file *at, const char *aside)
{
    size_t before = 0, after = 0;
    uint64_t last = 0;
    struct gr_error error = {""};
    struct gr_store *store = NULL;
    char name[400];
    unsigned char *old = store_file_bytes(at->file, &before);
    assert_int_equal(gr_store_open(&store, at->file, STORE_NOW, &error), GR_OK);
    (void)snprintf(name, sizeof name, "%s/%s", at->folder, aside);
    unsigned char *kept = store_file_bytes(name, &after);
    assert_non_null(strstr(error.text, "was damaged"));
    assert_non_null(strstr(error.text, aside));
    assert_int_equal(before, after);
    assert_memory_equal(old, kept, before);
    free(old);
    free(kept);
    assert_int_equal(read_whole(store), 0);
    assert_int_equal(gr_store_last_sequence(store, &last, NULL), GR_OK);
    assert_true(last >= STORE_NOW); /* beyond what the lost file had issued */
    assert_int_equal(put_slot(store, 1, NULL), GR_OK);
    gr_store_close(store);
    assert_int_equal(gr_store_open(&store, at->file, STORE_NOW, &error), GR_OK);
    assert_string_equal(error.text, "");
    assert_int_equal(read_whole(store), 1);
    gr_store_close(store);
}

static void a_smashed_header_is_kept_aside_and_a_new_store_begun(void **state)
{
    uint64_t seed = begin_draw();
    fill(*state);
    smash(*state, 0, 100, &seed);
    expect_new_beginning(*state, "store.db.bad-20261125T090419Z");
    smash(*state, 0, 100, &seed); /* again within the same second */
    expect_new_beginning(*state, "store.db.bad-20261125T090419Z-1");
}

static void smashed_pages_are_found_at_the_start(void **state)
{
    uint64_t seed = begin_draw();
    fill(*state);
    smash(*state, PAGE, file_size(*state) - PAGE, &seed);
    expect_new_beginning(*state, "store.db.bad-20261125T090419Z");
}

static void one_smashed_page_of_history_is_found_at_the_start(void **state)
{
    uint64_t seed = begin_draw();
    fill(*state);
    smash(*state, file_size(*state) / PAGE / 2 * PAGE, PAGE, &seed);
    expect_new_beginning(*state, "store.db.bad-20261125T090419Z");
}

static void a_file_cut_short_is_found_at_the_start(void **state)
{
    struct store_file *at = *state;
    fill(at);
    assert_int_equal(truncate(at->file, 3 * PAGE), 0);
    expect_new_beginning(at, "store.db.bad-20261125T090419Z");
}

static void a_file_of_something_else_is_kept_aside(void **state)
{
    struct store_file *at = *state;
    FILE *file = fopen(at->file, "wb");
    assert_non_null(file);
    for (int i = 0; i < 100; i++) {
        assert_true(fputs("This is no database.\n", file) >= 0);
    }
    assert_int_equal(fclose(file), 0);
    expect_new_beginning(at, "store.db.bad-20261125T090419Z");
}

static void the_log_of_a_damaged_file_is_kept_with_it(void **state)
{
    struct store_file *at = *state;
    uint64_t seed = begin_draw();
    char log[100], aside[160];
    size_t length = 0;
    fill(at);
    smash(at, 0, 100, &seed);
    (void)snprintf(log, sizeof log, "%s-wal", at->file);
    FILE *file = fopen(log, "wb");
    assert_non_null(file);
    assert_true(fputs("what a log may hold", file) >= 0);
    assert_int_equal(fclose(file), 0);
    expect_new_beginning(at, "store.db.bad-20261125T090419Z");
    (void)snprintf(aside, sizeof aside, "%s.bad-20261125T090419Z-wal", at->file);
    unsigned char *kept = store_file_bytes(aside, &length);
    assert_int_equal(length, 19);
    assert_memory_equal(kept, "what a log may hold", 19);
    free(kept);
}

/* Every call must come back with a code of its own accord, whatever the bytes are. */
static void use_all(struct gr_store *store)
{
    int64_t count = 0;
    uint64_t last = 0;
    struct gr_rate_table table;
    char etag[100], modified[100];
    (void)gr_store_each_slot(store, 0, count_any, &count, NULL);
    (void)gr_store_each_fine(store, 0, count_any_fine, &count, NULL);
    if (gr_store_get_rates(store, "import", "day-ahead", &table, NULL) == GR_OK) {
        for (size_t i = 0; i < table.count; i++) {
            assert_true(isfinite(table.rates[i].price_per_kwh) &&
                        table.rates[i].start_s < table.rates[i].end_s);
        }
        free(table.rates);
    }
    (void)gr_store_last_sequence(store, &last, NULL);
    (void)put_slot(store, 5, NULL);
    (void)put_fine(store, 5, NULL);
    (void)put_command(store, (int64_t)(last & 0xffffffff) + 1, NULL);
    (void)put_rates(store, 2, NULL);
    (void)gr_store_put_validators(store, "https://a.example/", "e", "m", NULL);
    (void)gr_store_get_validators(store, "https://a.example/", etag, modified, sizeof etag, NULL);
    (void)gr_store_trim(store, 1000000, 1000000, NULL);
    (void)gr_store_commit(store, NULL);
}

static void random_damage_never_does_more_than_cost_the_content(void **state)
{
    struct store_file *at = *state;
    uint64_t seed = begin_draw();
    int found = 0;
    for (int round = 0; round < 60; round++) {
        struct gr_store *store = NULL;
        struct gr_error error = {""};
        fill(at);
        long length = 1 + (long)(draw(&seed) % (round % 2 ? 16 : PAGE));
        smash(at, (long)(draw(&seed) % (uint64_t)(file_size(at) - length)), length, &seed);
        if (gr_store_open(&store, at->file, STORE_NOW, &error) == GR_OK) {
            found += error.text[0] != '\0';
            use_all(store);
            gr_store_close(store);
        } else {
            assert_true(strlen(error.text) > 10);
        }
        store_file_remove(at);
        assert_int_equal(mkdir(at->folder, 0700), 0);
    }
    print_message("%d of 60 were found at the start\n", found);
    assert_true(found > 0);
}

/* ---- power cuts ---- */

/* Writes for ever; tells the parent each number once everything up to it is committed. */
static void write_for_ever(const struct store_file *at, int pipe_end)
{
    struct gr_store *store = NULL;
    struct gr_error error;
    int result = gr_store_open(&store, at->file, STORE_NOW, &error);
    uint64_t first = 0;
    if (result != GR_OK || error.text[0] || gr_store_last_sequence(store, &first, NULL) != GR_OK) {
        _exit(3);
    }
    for (int64_t i = (int64_t)first + 1;; i++) {
        /* The command may commit what is pending to reserve sequences: pairs come after it. */
        if (put_command(store, i, NULL) != GR_OK || put_slot(store, i, NULL) != GR_OK ||
            put_fine(store, i, NULL) != GR_OK || (i % 7 == 0 && put_rates(store, i, NULL) != GR_OK) ||
            (i % 11 == 0 && gr_store_commit(store, NULL) != GR_OK) ||
            write(pipe_end, &i, sizeof i) != sizeof i) {
            _exit(4);
        }
    }
}

/* Kills a writer after `most` messages; returns the last sequence it said it had issued. */
static uint64_t kill_a_writer(const struct store_file *at, uint64_t most)
{
    int ends[2], status = 0;
    int64_t last = 0, number = 0;
    assert_int_equal(pipe(ends), 0);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        (void)close(ends[0]);
        write_for_ever(at, ends[1]);
    }
    (void)close(ends[1]);
    for (uint64_t i = 0; i < most && read(ends[0], &number, sizeof number) == sizeof number; i++) {
        last = number;
    }
    assert_int_equal(kill(child, SIGKILL), 0);
    while (read(ends[0], &number, sizeof number) == sizeof number) {
        last = number;
    }
    (void)close(ends[0]);
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL); /* else it failed by itself */
    return (uint64_t)last;
}

static void a_writer_killed_20_times_leaves_whole_rows_and_rising_sequences(void **state)
{
    uint64_t seed = begin_draw();
    int64_t before = 0;
    for (int i = 0; i < 20; i++) {
        struct gr_store *store = NULL;
        struct gr_error error = {""};
        uint64_t last = 0;
        uint64_t issued = kill_a_writer(*state, 20 + draw(&seed) % 900);
        assert_int_equal(gr_store_open(&store, ((struct store_file *)*state)->file, STORE_NOW, &error),
                         GR_OK);
        assert_string_equal(error.text, "");
        int64_t count = read_whole(store);
        assert_true(count > before);
        before = count;
        assert_int_equal(gr_store_last_sequence(store, &last, NULL), GR_OK);
        assert_true(last >= issued);
        gr_store_close(store);
    }
    print_message("%lld half hours kept\n", (long long)before);
}

/* ---- disks that refuse ---- */

/* Mounts a small file system on the folder, seen by this process only; skips the test where that is not
 * allowed. */
static void mount_small(const struct store_file *at)
{
    if (unshare(CLONE_NEWNS) != 0 || mount("none", "/", NULL, MS_REC | MS_PRIVATE, NULL) != 0 ||
        mount("none", at->folder, "tmpfs", 0, "size=256k") != 0) {
        print_message("no right to mount a file system: %s\n", strerror(errno));
        skip();
    }
}

/* Takes all the room that is left. */
static void eat_room(const struct store_file *at)
{
    char name[100], block[512] = "";
    (void)snprintf(name, sizeof name, "%s/filler", at->folder);
    FILE *file = fopen(name, "wb");
    assert_non_null(file);
    setbuf(file, NULL);
    while (fwrite(block, sizeof block, 1, file) == 1) {
    }
    (void)fclose(file);
}

static void a_full_disk_is_an_error_and_the_old_rows_stay(void **state)
{
    struct store_file *at = *state;
    struct gr_store *store = NULL;
    struct gr_error error = {""};
    char filler[100];
    mount_small(at);
    assert_int_equal(gr_store_open(&store, at->file, STORE_NOW, &error), GR_OK);
    assert_int_equal(put_slot(store, 1, NULL), GR_OK);
    assert_int_equal(put_fine(store, 1, NULL), GR_OK);
    assert_int_equal(put_command(store, 1, NULL), GR_OK);
    assert_int_equal(put_rates(store, 1, NULL), GR_OK);
    eat_room(at);
    int result = GR_OK;
    for (int64_t i = 2; i < 200 && result == GR_OK; i++) {
        result = put_rates(store, i, &error);
    }
    assert_int_equal(result, GR_IO);
    assert_non_null(strstr(error.text, "full"));
    assert_non_null(strstr(error.text, at->file));
    assert_int_equal(put_slot(store, 2, NULL), GR_OK); /* only pending */
    assert_int_equal(put_fine(store, 2, NULL), GR_OK);
    assert_int_equal(gr_store_commit(store, &error), GR_IO);
    assert_int_equal(put_command(store, 2, NULL), GR_OK); /* covered by the block reserved before */
    assert_int_equal(gr_store_commit(store, &error), GR_IO);
    assert_int_equal(read_whole(store), 1);
    (void)snprintf(filler, sizeof filler, "%s/filler", at->folder);
    assert_int_equal(unlink(filler), 0);
    assert_int_equal(put_slot(store, 3, NULL), GR_OK); /* room again: works again without reopening */
    assert_int_equal(put_fine(store, 3, NULL), GR_OK);
    assert_int_equal(put_rates(store, 3, NULL), GR_OK);
    gr_store_close(store);
    assert_int_equal(gr_store_open(&store, at->file, STORE_NOW, &error), GR_OK);
    assert_string_equal(error.text, "");
    assert_int_equal(read_whole(store), 2);
    gr_store_close(store);
    assert_int_equal(umount2(at->folder, MNT_DETACH), 0);
}

static void no_room_to_begin_with_is_an_error(void **state)
{
    struct store_file *at = *state;
    struct gr_store *store = NULL;
    struct gr_error error = {""};
    mount_small(at);
    eat_room(at);
    assert_int_equal(gr_store_open(&store, at->file, STORE_NOW, &error), GR_IO);
    assert_true(strlen(error.text) > 10);
    assert_int_equal(umount2(at->folder, MNT_DETACH), 0);
}

static void a_read_only_folder_is_an_error_and_changes_nothing(void **state)
{
    struct store_file *at = *state;
    struct gr_store *store = NULL;
    struct gr_error error = {""};
    mount_small(at);
    assert_int_equal(gr_store_open(&store, at->file, STORE_NOW, &error), GR_OK);
    gr_store_close(store);
    if (mount("none", at->folder, NULL, MS_REMOUNT | MS_RDONLY, NULL) != 0) {
        print_message("no right to make a file system read-only: %s\n", strerror(errno));
        skip();
    }
    assert_int_equal(gr_store_open(&store, at->file, STORE_NOW, &error), GR_IO);
    assert_non_null(strstr(error.text, "Read-only"));
    assert_non_null(strstr(error.text, at->file));
    assert_int_equal(umount2(at->folder, MNT_DETACH), 0);
}

/* Without any special right: the system refuses to let files grow. */
static void a_write_that_the_system_refuses_is_an_error_and_passes(void **state)
{
    struct store_file *at = *state;
    struct gr_store *store = NULL;
    struct gr_error error = {""};
    struct rlimit before, tight;
    fill(at);
    assert_int_equal(gr_store_open(&store, at->file, STORE_NOW, NULL), GR_OK);
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
    tight = (struct rlimit){.rlim_cur = 4096, .rlim_max = before.rlim_max};
    (void)signal(SIGXFSZ, SIG_IGN);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &tight), 0);
    int rates = put_rates(store, 2, &error);
    int slot = put_slot(store, 2000, NULL);
    int fine = put_fine(store, 2000, NULL);
    int commit = gr_store_commit(store, NULL);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
    assert_int_equal(rates, GR_IO);
    assert_int_equal(slot, GR_OK);
    assert_int_equal(fine, GR_OK);
    assert_int_equal(commit, GR_IO);
    assert_non_null(strstr(error.text, "cannot keep rates"));
    assert_int_equal(read_whole(store), 1000);
    assert_int_equal(put_rates(store, 3, NULL), GR_OK);
    assert_int_equal(put_slot(store, 2000, NULL), GR_OK);
    assert_int_equal(put_fine(store, 2000, NULL), GR_OK);
    gr_store_close(store);
    assert_int_equal(gr_store_open(&store, at->file, STORE_NOW, &error), GR_OK);
    assert_string_equal(error.text, "");
    assert_int_equal(read_whole(store), 1001);
    gr_store_close(store);
}

#define STORED(test) cmocka_unit_test_setup_teardown(test, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        STORED(a_smashed_header_is_kept_aside_and_a_new_store_begun),
        STORED(smashed_pages_are_found_at_the_start),
        STORED(one_smashed_page_of_history_is_found_at_the_start),
        STORED(a_file_cut_short_is_found_at_the_start),
        STORED(a_file_of_something_else_is_kept_aside),
        STORED(the_log_of_a_damaged_file_is_kept_with_it),
        STORED(random_damage_never_does_more_than_cost_the_content),
        STORED(a_writer_killed_20_times_leaves_whole_rows_and_rising_sequences),
        STORED(a_full_disk_is_an_error_and_the_old_rows_stay),
        STORED(no_room_to_begin_with_is_an_error),
        STORED(a_read_only_folder_is_an_error_and_changes_nothing),
        STORED(a_write_that_the_system_refuses_is_an_error_and_passes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
