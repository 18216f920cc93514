#include "store/parts.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define DAMAGED 1 /* beside the GR_ codes, within this file */
#define BUSY_TIMEOUT_MS 2000

/* Makes sure that the file exists with rights of our choice (the log's files take them over) and can be
 * written. */
static int touch(const char *file, struct gr_error *error)
{
    struct stat status;
    int fd = open(file, O_RDWR | O_CREAT | O_CLOEXEC | O_NOCTTY | O_NONBLOCK, 0640);
    if (fd < 0 || fstat(fd, &status) != 0) {
        int result = gr_error_set(error, GR_IO, "store %.200s cannot be opened for writing: %s", file,
                                  strerror(errno));
        if (fd >= 0) {
            (void)close(fd);
        }
        return result;
    }
    (void)close(fd);
    return S_ISREG(status.st_mode) ? GR_OK
                                   : gr_error_set(error, GR_IO, "store %.200s is no regular file", file);
}

/* GR_IO where the database says that its content makes no sense becomes DAMAGED, with nothing but the reason
 * as its message. */
static int judge(struct gr_store *store, int result, struct gr_error *error)
{
    int code = sqlite3_errcode(store->db);
    if (result != GR_IO || (code != SQLITE_CORRUPT && code != SQLITE_NOTADB)) {
        return result;
    }
    (void)gr_error_set(error, GR_IO, "%.100s", sqlite3_errmsg(store->db));
    return DAMAGED;
}

static int check_pages(struct gr_store *store, struct gr_error *error)
{
    static const char what[] = "check the pages";
    sqlite3_stmt *statement = NULL;
    int result = gr_store_prepare(store, &statement, "PRAGMA quick_check(1)", what, error);
    if (result != GR_OK) {
        return judge(store, result, error);
    }
    if (sqlite3_step(statement) != SQLITE_ROW) {
        result = judge(store, gr_store_fail(store, what, error), error);
    } else {
        const char *answer = (const char *)sqlite3_column_text(statement, 0);
        if (!answer || strcmp(answer, "ok") != 0) {
            (void)gr_error_set(error, GR_IO, "%.100s", answer ? answer : "no answer");
            result = DAMAGED;
        }
    }
    (void)sqlite3_finalize(statement);
    return result;
}

static int connect_file(struct gr_store *store, struct gr_error *error)
{
    if (sqlite3_open_v2(store->file, &store->db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX, NULL) !=
        SQLITE_OK) {
        return store->db ? gr_store_fail(store, "open it", error)
                         : gr_error_set(error, GR_NO_MEMORY, "out of memory for the store");
    }
    (void)sqlite3_busy_timeout(store->db, BUSY_TIMEOUT_MS);
    /* A file that somebody doctored can do no more than hold wrong figures. */
    (void)sqlite3_db_config(store->db, SQLITE_DBCONFIG_DEFENSIVE, 1, NULL);
    (void)sqlite3_db_config(store->db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, NULL);
    return GR_OK;
}

static int set_up(struct gr_store *store, struct gr_error *error)
{
    static const char journal[] = "PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL;"
                                  "PRAGMA journal_size_limit = 4194304;";
    int64_t reserved = 0;
    int result = gr_store_check_version(store, error);
    if (result != GR_OK) {
        return judge(store, result, error);
    }
    result = check_pages(store, error);
    if (result == GR_OK) {
        result = gr_store_execute(store, journal, "set up the journal", error);
    }
    if (result == GR_OK) {
        result = gr_store_migrate(store, error);
    }
    if (result == GR_OK) {
        result =
            gr_store_number(store, "SELECT sequence FROM reserved", &reserved, "read the sequence", error);
        store->reserved = reserved > 0 ? (uint64_t)reserved : 0;
    }
    return judge(store, result, error);
}

/* On failure the files stay as they are, log included. */
static int open_once(struct gr_store *store, struct gr_error *error)
{
    int result = touch(store->file, error);
    if (result == GR_OK) {
        result = connect_file(store, error);
    }
    if (result == GR_OK) {
        result = set_up(store, error);
    }
    if (result != GR_OK && store->db) {
        (void)sqlite3_db_config(store->db, SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, NULL);
        (void)sqlite3_close(store->db);
        store->db = NULL;
    }
    return result;
}

/* After damage; *message holds the reason on entry and what was done on success. */
static int begin_anew(struct gr_store *store, int64_t now_s, struct gr_error *message)
{
    struct gr_error why = *message;
    int result = gr_store_set_aside(store->file, now_s, why.text, message);
    if (result != GR_OK) {
        return result;
    }
    struct gr_error done = *message;
    result = open_once(store, message);
    if (result == DAMAGED) {
        return GR_IO;
    }
    if (result == GR_OK && now_s > 0) {
        /* The old sequence is lost. Seconds since 1970 are beyond any that was issued at a rate of one a
         * second. */
        result = gr_store_reserve(store, (uint64_t)now_s, message);
    }
    if (result == GR_OK) {
        *message = done;
    }
    return result;
}

int gr_store_open(struct gr_store **out, const char *file, int64_t now_s, struct gr_error *error)
{
    struct gr_error message = {""};
    int result = GR_NO_MEMORY;
    struct gr_store *store = calloc(1, sizeof *store);
    if (store) {
        store->file = strdup(file);
    }
    if (!store || !store->file) {
        (void)gr_error_set(&message, GR_NO_MEMORY, "out of memory for the store");
        goto out;
    }
    result = open_once(store, &message);
    if (result == DAMAGED) {
        result = begin_anew(store, now_s, &message);
    }
out:
    if (error) {
        *error = message;
    }
    if (result != GR_OK) {
        gr_store_close(store);
        return result;
    }
    *out = store;
    return GR_OK;
}

void gr_store_close(struct gr_store *store)
{
    if (!store) {
        return;
    }
    if (store->db) {
        (void)gr_store_commit(store, NULL);
        (void)sqlite3_close(store->db);
    }
    free(store->file);
    free(store);
}
