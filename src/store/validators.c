#include "store/parts.h"

#include <string.h>

static const char what_put[] = "keep validators";
static const char what_get[] = "read validators";

static bool bind_text(sqlite3_stmt *statement, int index, const char *text)
{
    return sqlite3_bind_text(statement, index, text ? text : "", -1, SQLITE_STATIC) == SQLITE_OK;
}

int gr_store_put_validators(struct gr_store *store, const char *url, const char *etag,
                            const char *last_modified, struct gr_error *error)
{
    static const char sql[] = "INSERT OR REPLACE INTO validators VALUES (?1, ?2, ?3)";
    /* A URL with the day in it makes a row a day; a replaced row becomes the youngest. */
    static const char forget[] =
        "DELETE FROM validators WHERE rowid <= (SELECT max(rowid) FROM validators) - 64";
    sqlite3_stmt *statement = NULL;
    int result = gr_store_begin(store, error);
    if (result == GR_OK) {
        result = gr_store_prepare(store, &statement, sql, what_put, error);
    }
    if (result == GR_OK && !(bind_text(statement, 1, url) && bind_text(statement, 2, etag) &&
                             bind_text(statement, 3, last_modified))) {
        result = gr_store_fail(store, what_put, error);
    }
    if (result == GR_OK) {
        result = gr_store_run(store, statement, what_put, error);
    }
    (void)sqlite3_finalize(statement);
    if (result == GR_OK) {
        result = gr_store_execute(store, forget, what_put, error);
    }
    return result == GR_OK ? gr_store_end(store, what_put, error) : result;
}

static void take_text(sqlite3_stmt *statement, int column, char *out, size_t size)
{
    const char *text = (const char *)sqlite3_column_text(statement, column);
    size_t length = text ? strlen(text) : 0;
    if (length > 0 && length < size) {
        memcpy(out, text, length + 1);
    }
}

int gr_store_get_validators(struct gr_store *store, const char *url, char *etag, char *last_modified,
                            size_t size, struct gr_error *error)
{
    static const char sql[] = "SELECT etag, last_modified FROM validators WHERE url = ?1";
    sqlite3_stmt *statement = NULL;
    etag[0] = last_modified[0] = '\0';
    int result = gr_store_prepare(store, &statement, sql, what_get, error);
    if (result == GR_OK && !bind_text(statement, 1, url)) {
        result = gr_store_fail(store, what_get, error);
    }
    if (result == GR_OK) {
        int code = sqlite3_step(statement);
        if (code == SQLITE_ROW) {
            take_text(statement, 0, etag, size);
            take_text(statement, 1, last_modified, size);
        } else if (code != SQLITE_DONE) {
            result = gr_store_fail(store, what_get, error);
        }
    }
    (void)sqlite3_finalize(statement);
    return result;
}
