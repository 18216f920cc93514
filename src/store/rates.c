#include "store/parts.h"

#include <math.h>
#include <stdlib.h>

static const char what_put[] = "keep rates";
static const char what_get[] = "read rates";

/* Every statement of this file names its values alike: ?1 direction, ?2 source, ?3 and ?4 moments, ?5 price.
 */
struct values {
    const char *direction, *source;
    int64_t from_s, to_s;
    double price_per_kwh;
};

static int bind(struct gr_store *store, sqlite3_stmt *statement, const struct values *values,
                struct gr_error *error)
{
    int count = sqlite3_bind_parameter_count(statement);
    bool good = sqlite3_bind_text(statement, 1, values->direction, -1, SQLITE_STATIC) == SQLITE_OK &&
                sqlite3_bind_text(statement, 2, values->source, -1, SQLITE_STATIC) == SQLITE_OK &&
                (count < 3 || sqlite3_bind_int64(statement, 3, values->from_s) == SQLITE_OK) &&
                (count < 4 || sqlite3_bind_int64(statement, 4, values->to_s) == SQLITE_OK) &&
                (count < 5 || sqlite3_bind_double(statement, 5, values->price_per_kwh) == SQLITE_OK);
    return good ? GR_OK : gr_store_fail(store, what_put, error);
}

static int run_once(struct gr_store *store, const char *sql, const struct values *values,
                    struct gr_error *error)
{
    sqlite3_stmt *statement = NULL;
    int result = gr_store_prepare(store, &statement, sql, what_put, error);
    if (result == GR_OK) {
        result = bind(store, statement, values, error);
    }
    if (result == GR_OK) {
        result = gr_store_run(store, statement, what_put, error);
    }
    (void)sqlite3_finalize(statement);
    return result;
}

/* Empties the span of the new table: first saves what reaches beyond its end, then cuts what reaches into it.
 */
static int clear_span(struct gr_store *store, const struct values *span, struct gr_error *error)
{
    static const char save[] =
        "INSERT OR REPLACE INTO rates SELECT direction, source, ?4, end_s, price_per_kwh FROM rates"
        " WHERE direction = ?1 AND source = ?2 AND start_s < ?4 AND end_s > ?4";
    static const char cut[] = "UPDATE rates SET end_s = ?3"
                              " WHERE direction = ?1 AND source = ?2 AND start_s < ?3 AND end_s > ?3";
    static const char empty[] =
        "DELETE FROM rates WHERE direction = ?1 AND source = ?2 AND start_s >= ?3 AND start_s < ?4";
    static const char *const sql[] = {save, cut, empty};
    int result = GR_OK;
    for (size_t i = 0; i < sizeof sql / sizeof sql[0] && result == GR_OK; i++) {
        result = run_once(store, sql[i], span, error);
    }
    return result;
}

static int insert_rates(struct gr_store *store, const struct values *span, const struct gr_rate_table *table,
                        struct gr_error *error)
{
    sqlite3_stmt *statement = NULL;
    int result =
        gr_store_prepare(store, &statement, "INSERT INTO rates VALUES (?1, ?2, ?3, ?4, ?5)", what_put, error);
    for (size_t i = 0; i < table->count && result == GR_OK; i++) {
        const struct gr_rate *rate = &table->rates[i];
        struct values values = {span->direction, span->source, rate->start_s, rate->end_s,
                                rate->price_per_kwh};
        result = bind(store, statement, &values, error);
        if (result == GR_OK) {
            result = gr_store_run(store, statement, what_put, error);
        }
    }
    (void)sqlite3_finalize(statement);
    return result;
}

static int forget(struct gr_store *store, int64_t keep_from_s, struct gr_error *error)
{
    sqlite3_stmt *statement = NULL;
    int result = gr_store_prepare(store, &statement, "DELETE FROM rates WHERE end_s <= ?1", what_put, error);
    if (result == GR_OK && sqlite3_bind_int64(statement, 1, keep_from_s) != SQLITE_OK) {
        result = gr_store_fail(store, what_put, error);
    }
    if (result == GR_OK) {
        result = gr_store_run(store, statement, what_put, error);
    }
    (void)sqlite3_finalize(statement);
    return result;
}

static int check_table(struct gr_store *store, const struct gr_rate_table *table, struct gr_error *error)
{
    for (size_t i = 0; i < table->count; i++) {
        const struct gr_rate *rate = &table->rates[i];
        if (rate->start_s >= rate->end_s || !isfinite(rate->price_per_kwh) ||
            (i > 0 && rate->start_s < rate[-1].end_s)) {
            return gr_error_set(error, GR_INVALID,
                                "store %.200s: rate %zu of %zu is out of order or has no finite price",
                                store->file, i + 1, table->count);
        }
    }
    return GR_OK;
}

static int replace(struct gr_store *store, const struct values *span, const struct gr_rate_table *table,
                   int64_t keep_from_s, struct gr_error *error)
{
    int result = GR_OK;
    if (table->count > 0) {
        result = clear_span(store, span, error);
    }
    if (result == GR_OK) {
        result = insert_rates(store, span, table, error);
    }
    return result == GR_OK ? forget(store, keep_from_s, error) : result;
}

int gr_store_put_rates(struct gr_store *store, const char *direction, const char *source,
                       const struct gr_rate_table *table, int64_t keep_from_s, struct gr_error *error)
{
    struct values span = {.direction = direction, .source = source};
    int result = check_table(store, table, error);
    if (result != GR_OK) {
        return result;
    }
    if (table->count > 0) {
        span.from_s = table->rates[0].start_s;
        span.to_s = table->rates[table->count - 1].end_s;
    }
    result = gr_store_begin(store, error);
    if (result == GR_OK) {
        result = gr_store_execute(store, "SAVEPOINT rates", what_put, error);
    }
    if (result != GR_OK) {
        return result;
    }
    result = replace(store, &span, table, keep_from_s, error);
    if (result != GR_OK) {
        /* Fails harmlessly where the database has rolled all back already. */
        (void)sqlite3_exec(store->db, "ROLLBACK TO rates; RELEASE rates", NULL, NULL, NULL);
        (void)gr_store_end(store, what_put, NULL);
        return result;
    }
    return gr_store_end(store, what_put, error);
}

static int append(struct gr_rate_table *table, size_t *room, struct gr_rate rate)
{
    if (table->count == *room) {
        size_t more = *room ? 2 * *room : 96;
        struct gr_rate *larger = realloc(table->rates, more * sizeof *larger);
        if (!larger) {
            return GR_NO_MEMORY;
        }
        table->rates = larger;
        *room = more;
    }
    table->rates[table->count++] = rate;
    return GR_OK;
}

/* One row into the table. Pages can be damaged in ways that the check at the start does not see. */
static int take_row(struct gr_store *store, sqlite3_stmt *statement, struct gr_rate_table *table,
                    size_t *room, struct gr_error *error)
{
    struct gr_rate rate = {sqlite3_column_int64(statement, 0), sqlite3_column_int64(statement, 1),
                           sqlite3_column_double(statement, 2)};
    bool follows = table->count == 0 || rate.start_s >= table->rates[table->count - 1].end_s;
    if (sqlite3_column_type(statement, 2) != SQLITE_FLOAT || !isfinite(rate.price_per_kwh) ||
        rate.start_s >= rate.end_s || !follows) {
        return gr_error_set(error, GR_INVALID, "store %.200s: the rate that starts at %lld is damaged",
                            store->file, (long long)rate.start_s);
    }
    int result = append(table, room, rate);
    return result == GR_OK ? GR_OK : gr_error_set(error, result, "out of memory for rates");
}

int gr_store_get_rates(struct gr_store *store, const char *direction, const char *source,
                       struct gr_rate_table *out, struct gr_error *error)
{
    static const char sql[] =
        "SELECT start_s, end_s, price_per_kwh FROM rates WHERE direction = ?1 AND source = ?2"
        " ORDER BY start_s";
    struct values values = {.direction = direction, .source = source};
    sqlite3_stmt *statement = NULL;
    size_t room = 0;
    int code = SQLITE_DONE;
    *out = (struct gr_rate_table){0};
    int result = gr_store_prepare(store, &statement, sql, what_get, error);
    if (result == GR_OK) {
        result = bind(store, statement, &values, error);
    }
    while (result == GR_OK && (code = sqlite3_step(statement)) == SQLITE_ROW) {
        result = take_row(store, statement, out, &room, error);
    }
    if (result == GR_OK && code != SQLITE_DONE) {
        result = gr_store_fail(store, what_get, error);
    }
    (void)sqlite3_finalize(statement);
    if (result != GR_OK) {
        free(out->rates);
        *out = (struct gr_rate_table){0};
    }
    return result;
}
