#include "store/parts.h"

#include <math.h>

/* The columns in the order of the structs. */
#define MEANS "start_s, house_kw, solar_kw, battery_kw, grid_kw, car_kw, state_of_charge_percent, outdoor_c"
#define SAMPLES                                                                                              \
    "house_samples, solar_samples, battery_samples, grid_samples, car_samples, state_of_charge_samples,"     \
    " outdoor_samples"

static const char what_put[] = "keep a half hour";
static const char what_get[] = "read half hours";

/* What is not known is NULL. */
static bool bind_known(sqlite3_stmt *statement, int index, double value)
{
    int code =
        isfinite(value) ? sqlite3_bind_double(statement, index, value) : sqlite3_bind_null(statement, index);
    return code == SQLITE_OK;
}

static bool bind_record(sqlite3_stmt *statement, const struct gr_slot_record *record)
{
    return sqlite3_bind_int64(statement, 1, record->start_s) == SQLITE_OK &&
           bind_known(statement, 2, record->house_kw) && bind_known(statement, 3, record->solar_kw) &&
           bind_known(statement, 4, record->battery_kw) && bind_known(statement, 5, record->grid_kw) &&
           bind_known(statement, 6, record->car_kw) &&
           bind_known(statement, 7, record->state_of_charge_percent) &&
           bind_known(statement, 8, record->outdoor_c);
}

static bool bind_samples(sqlite3_stmt *statement, const struct gr_samples *samples)
{
    return sqlite3_bind_int(statement, 9, samples->house) == SQLITE_OK &&
           sqlite3_bind_int(statement, 10, samples->solar) == SQLITE_OK &&
           sqlite3_bind_int(statement, 11, samples->battery) == SQLITE_OK &&
           sqlite3_bind_int(statement, 12, samples->grid) == SQLITE_OK &&
           sqlite3_bind_int(statement, 13, samples->car) == SQLITE_OK &&
           sqlite3_bind_int(statement, 14, samples->state_of_charge) == SQLITE_OK &&
           sqlite3_bind_int(statement, 15, samples->outdoor) == SQLITE_OK;
}

/* samples is NULL for a half hour. */
static int put_record(struct gr_store *store, const char *sql, const char *what,
                      const struct gr_slot_record *record, const struct gr_samples *samples,
                      struct gr_error *error)
{
    sqlite3_stmt *statement = NULL;
    int result = gr_store_begin(store, error);
    if (result == GR_OK) {
        result = gr_store_prepare(store, &statement, sql, what, error);
    }
    if (result == GR_OK &&
        !(bind_record(statement, record) && (!samples || bind_samples(statement, samples)))) {
        result = gr_store_fail(store, what, error);
    }
    if (result == GR_OK) {
        result = gr_store_run(store, statement, what, error);
    }
    (void)sqlite3_finalize(statement);
    return result;
}

int gr_store_put_slot(struct gr_store *store, const struct gr_slot_record *record, struct gr_error *error)
{
    return put_record(store,
                      "INSERT OR REPLACE INTO slots (" MEANS ") VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
                      what_put, record, NULL, error);
}

int gr_store_put_fine(struct gr_store *store, const struct gr_fine_record *record, struct gr_error *error)
{
    return put_record(store,
                      "INSERT OR REPLACE INTO fine (" MEANS ", " SAMPLES ") VALUES"
                      " (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15)",
                      "keep five minutes", &record->means, &record->samples, error);
}

int gr_store_put_slots(struct gr_store *store, const struct gr_slot_record *records, size_t count,
                       struct gr_error *error)
{
    int result = gr_store_commit(store, error);
    for (size_t i = 0; result == GR_OK && i < count; i++) {
        result = gr_store_put_slot(store, &records[i], error);
    }
    if (result != GR_OK) {
        (void)sqlite3_exec(store->db, "ROLLBACK", NULL, NULL, NULL);
        return result;
    }
    return gr_store_end(store, what_put, error);
}

static double known(sqlite3_stmt *statement, int column)
{
    int type = sqlite3_column_type(statement, column);
    return type == SQLITE_FLOAT || type == SQLITE_INTEGER ? sqlite3_column_double(statement, column)
                                                          : (double)NAN;
}

static struct gr_slot_record read_record(sqlite3_stmt *statement)
{
    return (struct gr_slot_record){.start_s = sqlite3_column_int64(statement, 0),
                                   .house_kw = known(statement, 1),
                                   .solar_kw = known(statement, 2),
                                   .battery_kw = known(statement, 3),
                                   .grid_kw = known(statement, 4),
                                   .car_kw = known(statement, 5),
                                   .state_of_charge_percent = known(statement, 6),
                                   .outdoor_c = known(statement, 7)};
}

static struct gr_samples read_samples(sqlite3_stmt *statement)
{
    return (struct gr_samples){.house = sqlite3_column_int(statement, 8),
                               .solar = sqlite3_column_int(statement, 9),
                               .battery = sqlite3_column_int(statement, 10),
                               .grid = sqlite3_column_int(statement, 11),
                               .car = sqlite3_column_int(statement, 12),
                               .state_of_charge = sqlite3_column_int(statement, 13),
                               .outdoor = sqlite3_column_int(statement, 14)};
}

static int open_rows(struct gr_store *store, sqlite3_stmt **out, const char *sql, const char *what,
                     int64_t from_s, struct gr_error *error)
{
    int result = gr_store_prepare(store, out, sql, what, error);
    if (result == GR_OK && sqlite3_bind_int64(*out, 1, from_s) != SQLITE_OK) {
        result = gr_store_fail(store, what, error);
    }
    return result;
}

int gr_store_each_slot(struct gr_store *store, int64_t from_s,
                       void (*each)(void *context, const struct gr_slot_record *record), void *context,
                       struct gr_error *error)
{
    static const char sql[] = "SELECT " MEANS " FROM slots WHERE start_s >= ?1 ORDER BY start_s";
    sqlite3_stmt *statement = NULL;
    int code = SQLITE_DONE;
    int result = open_rows(store, &statement, sql, what_get, from_s, error);
    while (result == GR_OK && (code = sqlite3_step(statement)) == SQLITE_ROW) {
        struct gr_slot_record record = read_record(statement);
        each(context, &record);
    }
    if (result == GR_OK && code != SQLITE_DONE) {
        result = gr_store_fail(store, what_get, error);
    }
    (void)sqlite3_finalize(statement);
    return result;
}

int gr_store_each_fine(struct gr_store *store, int64_t from_s,
                       void (*each)(void *context, const struct gr_fine_record *record), void *context,
                       struct gr_error *error)
{
    static const char sql[] = "SELECT " MEANS ", " SAMPLES " FROM fine WHERE start_s >= ?1 ORDER BY start_s";
    static const char what[] = "read five minutes";
    sqlite3_stmt *statement = NULL;
    int code = SQLITE_DONE;
    int result = open_rows(store, &statement, sql, what, from_s, error);
    while (result == GR_OK && (code = sqlite3_step(statement)) == SQLITE_ROW) {
        struct gr_fine_record record = {read_record(statement), read_samples(statement)};
        each(context, &record);
    }
    if (result == GR_OK && code != SQLITE_DONE) {
        result = gr_store_fail(store, what, error);
    }
    (void)sqlite3_finalize(statement);
    return result;
}

static int forget(struct gr_store *store, const char *sql, int64_t keep_from_s, struct gr_error *error)
{
    static const char what[] = "forget what is old";
    sqlite3_stmt *statement = NULL;
    int result = gr_store_prepare(store, &statement, sql, what, error);
    if (result == GR_OK && sqlite3_bind_int64(statement, 1, keep_from_s) != SQLITE_OK) {
        result = gr_store_fail(store, what, error);
    }
    if (result == GR_OK) {
        result = gr_store_run(store, statement, what, error);
    }
    (void)sqlite3_finalize(statement);
    return result;
}

int gr_store_trim(struct gr_store *store, int64_t keep_from_s, int64_t keep_fine_from_s,
                  struct gr_error *error)
{
    int result = gr_store_begin(store, error);
    if (result == GR_OK) {
        result = forget(store, "DELETE FROM slots WHERE start_s < ?1", keep_from_s, error);
    }
    if (result == GR_OK) {
        result = forget(store, "DELETE FROM fine WHERE start_s < ?1", keep_fine_from_s, error);
    }
    if (result == GR_OK) {
        result = forget(store, "DELETE FROM commands WHERE issued_s < ?1", keep_fine_from_s, error);
    }
    return result;
}
