#include "store/parts.h"

#define APPLICATION_ID 0x67726e79 /* "grny"; the first step repeats it in figures */

/* Step i brings version i to version i + 1; steps that were once released are never changed. */
static const char *const steps[] = {
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
    "PRAGMA application_id = 1735552633; PRAGMA user_version = 1;",
    "CREATE TABLE fine (start_s INTEGER PRIMARY KEY, house_kw REAL, solar_kw REAL, battery_kw REAL,"
    " grid_kw REAL, car_kw REAL, state_of_charge_percent REAL, house_samples INTEGER NOT NULL,"
    " solar_samples INTEGER NOT NULL, battery_samples INTEGER NOT NULL, grid_samples INTEGER NOT NULL,"
    " car_samples INTEGER NOT NULL, state_of_charge_samples INTEGER NOT NULL) STRICT;"
    "PRAGMA user_version = 2;",
    "CREATE TABLE texts (name TEXT PRIMARY KEY, text TEXT NOT NULL) STRICT, WITHOUT ROWID;"
    "PRAGMA user_version = 3;",
    "ALTER TABLE slots ADD COLUMN outdoor_c REAL;"
    "ALTER TABLE fine ADD COLUMN outdoor_c REAL;"
    "ALTER TABLE fine ADD COLUMN outdoor_samples INTEGER NOT NULL DEFAULT 0;"
    "PRAGMA user_version = 4;",
};

#define VERSION ((int64_t)(sizeof steps / sizeof steps[0]))

static int read_version(struct gr_store *store, int64_t *version, struct gr_error *error)
{
    return gr_store_number(store, "PRAGMA user_version", version, "read the schema version", error);
}

int gr_store_check_version(struct gr_store *store, struct gr_error *error)
{
    int64_t version = 0, application = 0, tables = 0;
    int result = read_version(store, &version, error);
    if (result == GR_OK) {
        result = gr_store_number(store, "PRAGMA application_id", &application, "read the application", error);
    }
    if (result == GR_OK) {
        result =
            gr_store_number(store, "SELECT count(*) FROM sqlite_schema", &tables, "read the schema", error);
    }
    if (result != GR_OK || (application == 0 && version == 0 && tables == 0)) {
        return result;
    }
    if (application != APPLICATION_ID) {
        return gr_error_set(error, GR_INVALID, "store %.200s is the database of another program, left alone",
                            store->file);
    }
    if (version < 1 || version > VERSION) {
        return gr_error_set(error, GR_INVALID,
                            "store %.200s has schema version %lld, expected at most %lld; left alone",
                            store->file, (long long)version, (long long)VERSION);
    }
    return GR_OK;
}

static int climb(struct gr_store *store, struct gr_error *error)
{
    int64_t version = 0; /* read again: another process may have been quicker */
    int result = read_version(store, &version, error);
    for (; result == GR_OK && version >= 0 && version < VERSION; version++) {
        result = gr_store_execute(store, steps[version], "bring the schema up to date", error);
    }
    return result;
}

int gr_store_migrate(struct gr_store *store, struct gr_error *error)
{
    int64_t version = 0;
    int result = read_version(store, &version, error);
    if (result != GR_OK || version == VERSION) {
        return result;
    }
    result = gr_store_begin(store, error);
    if (result == GR_OK) {
        result = climb(store, error);
    }
    if (result != GR_OK) {
        (void)sqlite3_exec(store->db, "ROLLBACK", NULL, NULL, NULL);
        return result;
    }
    return gr_store_end(store, "bring the schema up to date", error);
}
