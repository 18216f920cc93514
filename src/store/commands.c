#include "store/parts.h"

#include <math.h>

#define BLOCK 1024
#define GREATEST ((uint64_t)1 << 62)

static const char what_put[] = "keep a command";
static const char what_reserve[] = "reserve sequences";

static int write_reservation(struct gr_store *store, uint64_t end, struct gr_error *error)
{
    static const char sql[] = "INSERT INTO reserved VALUES (1, ?1)"
                              " ON CONFLICT (only) DO UPDATE SET sequence = max(sequence, excluded.sequence)";
    sqlite3_stmt *statement = NULL;
    int result = gr_store_prepare(store, &statement, sql, what_reserve, error);
    if (result == GR_OK && sqlite3_bind_int64(statement, 1, (int64_t)end) != SQLITE_OK) {
        result = gr_store_fail(store, what_reserve, error);
    }
    if (result == GR_OK) {
        result = gr_store_run(store, statement, what_reserve, error);
    }
    (void)sqlite3_finalize(statement);
    return result;
}

int gr_store_reserve(struct gr_store *store, uint64_t end, struct gr_error *error)
{
    int result = gr_store_commit(store, error);
    if (result != GR_OK) {
        return result;
    }
    /* This one commit must survive a power cut as well. */
    result = gr_store_execute(store, "PRAGMA synchronous = FULL", what_reserve, error);
    if (result == GR_OK) {
        result = write_reservation(store, end, error);
    }
    (void)sqlite3_exec(store->db, "PRAGMA synchronous = NORMAL", NULL, NULL, NULL);
    if (result == GR_OK && end > store->reserved) {
        store->reserved = end;
    }
    return result;
}

static bool bind_command(sqlite3_stmt *statement, const struct gr_command *command)
{
    const char *kind = gr_command_name(command->kind);
    double power_kw = isfinite(command->power_kw) ? command->power_kw : 0;
    return sqlite3_bind_int64(statement, 1, (int64_t)command->sequence) == SQLITE_OK &&
           sqlite3_bind_int64(statement, 2, command->issued_s) == SQLITE_OK &&
           sqlite3_bind_int64(statement, 3, command->valid_until_s) == SQLITE_OK &&
           sqlite3_bind_text(statement, 4, kind ? kind : "unknown", -1, SQLITE_STATIC) == SQLITE_OK &&
           sqlite3_bind_double(statement, 5, power_kw) == SQLITE_OK &&
           sqlite3_bind_double(statement, 6, command->target_percent) == SQLITE_OK &&
           sqlite3_bind_text(statement, 7, command->reason, -1, SQLITE_STATIC) == SQLITE_OK;
}

static int insert_command(struct gr_store *store, const struct gr_command *command, struct gr_error *error)
{
    static const char sql[] = "INSERT OR REPLACE INTO commands VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";
    sqlite3_stmt *statement = NULL;
    int result = gr_store_begin(store, error);
    if (result == GR_OK) {
        result = gr_store_prepare(store, &statement, sql, what_put, error);
    }
    if (result == GR_OK && !bind_command(statement, command)) {
        result = gr_store_fail(store, what_put, error);
    }
    if (result == GR_OK) {
        result = gr_store_run(store, statement, what_put, error);
    }
    (void)sqlite3_finalize(statement);
    return result;
}

int gr_store_cover_sequence(struct gr_store *store, uint64_t sequence, struct gr_error *error)
{
    if (sequence == 0 || sequence > GREATEST) {
        return gr_error_set(error, GR_INVALID,
                            "store %.200s: a command with sequence %llu, expected 1 to 2^62", store->file,
                            (unsigned long long)sequence);
    }
    /* Half a block ahead, so that a full disk does not leave the very next sequence uncovered. */
    return sequence + BLOCK / 2 > store->reserved ? gr_store_reserve(store, sequence + BLOCK, error) : GR_OK;
}

int gr_store_put_command(struct gr_store *store, const struct gr_command *command, struct gr_error *error)
{
    int result = gr_store_cover_sequence(store, command->sequence, error);
    return result == GR_OK ? insert_command(store, command, error) : result;
}

int gr_store_last_sequence(struct gr_store *store, uint64_t *sequence, struct gr_error *error)
{
    int64_t last = 0;
    int result = gr_store_number(store,
                                 "SELECT max((SELECT coalesce(max(sequence), 0) FROM commands),"
                                 " (SELECT coalesce(max(sequence), 0) FROM reserved))",
                                 &last, "read the sequence", error);
    *sequence = last > 0 ? (uint64_t)last : 0;
    return result;
}
