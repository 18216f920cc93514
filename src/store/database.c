#include "store/parts.h"

int gr_store_fail(struct gr_store *store, const char *what, struct gr_error *error)
{
    int code = sqlite3_errcode(store->db);
    (void)gr_error_set(error, GR_IO, "store %.150s: cannot %s: %.150s", store->file, what,
                       sqlite3_errmsg(store->db));
    return code == SQLITE_NOMEM ? GR_NO_MEMORY : GR_IO;
}

int gr_store_execute(struct gr_store *store, const char *sql, const char *what, struct gr_error *error)
{
    return sqlite3_exec(store->db, sql, NULL, NULL, NULL) == SQLITE_OK ? GR_OK
                                                                       : gr_store_fail(store, what, error);
}

int gr_store_prepare(struct gr_store *store, sqlite3_stmt **out, const char *sql, const char *what,
                     struct gr_error *error)
{
    return sqlite3_prepare_v2(store->db, sql, -1, out, NULL) == SQLITE_OK ? GR_OK
                                                                          : gr_store_fail(store, what, error);
}

int gr_store_run(struct gr_store *store, sqlite3_stmt *statement, const char *what, struct gr_error *error)
{
    int code = sqlite3_step(statement);
    int result = code == SQLITE_DONE || code == SQLITE_ROW ? GR_OK : gr_store_fail(store, what, error);
    (void)sqlite3_reset(statement);
    return result;
}

int gr_store_number(struct gr_store *store, const char *sql, int64_t *out, const char *what,
                    struct gr_error *error)
{
    sqlite3_stmt *statement = NULL;
    int result = gr_store_prepare(store, &statement, sql, what, error);
    if (result != GR_OK) {
        return result;
    }
    int code = sqlite3_step(statement);
    if (code == SQLITE_ROW && sqlite3_column_type(statement, 0) == SQLITE_INTEGER) {
        *out = sqlite3_column_int64(statement, 0);
    } else if (code != SQLITE_ROW && code != SQLITE_DONE) {
        result = gr_store_fail(store, what, error);
    }
    (void)sqlite3_finalize(statement);
    return result;
}

int gr_store_begin(struct gr_store *store, struct gr_error *error)
{
    if (!sqlite3_get_autocommit(store->db)) {
        return GR_OK;
    }
    return gr_store_execute(store, "BEGIN IMMEDIATE", "begin to write", error);
}

int gr_store_end(struct gr_store *store, const char *what, struct gr_error *error)
{
    if (sqlite3_get_autocommit(store->db)) {
        return GR_OK;
    }
    int result = gr_store_execute(store, "COMMIT", what, error);
    if (result != GR_OK && !sqlite3_get_autocommit(store->db)) {
        (void)sqlite3_exec(store->db, "ROLLBACK", NULL, NULL, NULL);
    }
    return result;
}

int gr_store_commit(struct gr_store *store, struct gr_error *error)
{
    return gr_store_end(store, "write what was pending", error);
}
