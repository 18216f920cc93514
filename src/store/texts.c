#include "store/parts.h"

#include <string.h>

static const char what_put[] = "keep a text";
static const char what_get[] = "read a text";

int gr_store_put_text(struct gr_store *store, const char *name, const char *text, struct gr_error *error)
{
    static const char sql[] = "INSERT OR REPLACE INTO texts VALUES (?1, ?2)";
    sqlite3_stmt *statement = NULL;
    int result = gr_store_begin(store, error);
    if (result == GR_OK) {
        result = gr_store_prepare(store, &statement, sql, what_put, error);
    }
    if (result == GR_OK && !(sqlite3_bind_text(statement, 1, name, -1, SQLITE_STATIC) == SQLITE_OK &&
                             sqlite3_bind_text(statement, 2, text, -1, SQLITE_STATIC) == SQLITE_OK)) {
        result = gr_store_fail(store, what_put, error);
    }
    if (result == GR_OK) {
        result = gr_store_run(store, statement, what_put, error);
    }
    (void)sqlite3_finalize(statement);
    return result == GR_OK ? gr_store_end(store, what_put, error) : result;
}

int gr_store_get_text(struct gr_store *store, const char *name, char **out, struct gr_error *error)
{
    static const char sql[] = "SELECT text FROM texts WHERE name = ?1";
    sqlite3_stmt *statement = NULL;
    *out = NULL;
    int result = gr_store_prepare(store, &statement, sql, what_get, error);
    if (result == GR_OK && sqlite3_bind_text(statement, 1, name, -1, SQLITE_STATIC) != SQLITE_OK) {
        result = gr_store_fail(store, what_get, error);
    }
    if (result == GR_OK) {
        int code = sqlite3_step(statement);
        if (code == SQLITE_ROW) {
            const char *text = (const char *)sqlite3_column_text(statement, 0);
            *out = text ? strdup(text) : NULL;
            result = *out ? GR_OK : gr_error_set(error, GR_NO_MEMORY, "out of memory");
        } else if (code != SQLITE_DONE) {
            result = gr_store_fail(store, what_get, error);
        }
    }
    (void)sqlite3_finalize(statement);
    return result;
}
