/* What the files of the store module share among themselves. */
#ifndef GRANARY_STORE_PARTS_H
#define GRANARY_STORE_PARTS_H

#include "granary/store.h"

#include <sqlite3.h>
#include <stdbool.h>

struct gr_store {
    sqlite3 *db;
    char *file;
    uint64_t reserved; /* end of the reserved block of sequences, as this handle knows it */
};

/* Turns the last error of the database into a code of ours and a message "store FILE: cannot WHAT: why". */
int gr_store_fail(struct gr_store *store, const char *what, struct gr_error *error);

/* Runs SQL that takes no values. */
int gr_store_execute(struct gr_store *store, const char *sql, const char *what, struct gr_error *error);

/* To be ended with sqlite3_finalize. */
int gr_store_prepare(struct gr_store *store, sqlite3_stmt **out, const char *sql, const char *what,
                     struct gr_error *error);

/* Runs a statement that yields no rows, and makes it ready to be bound again. */
int gr_store_run(struct gr_store *store, sqlite3_stmt *statement, const char *what, struct gr_error *error);

/* Reads the one integer that the SQL yields; *out is untouched where it yields no row or NULL. */
int gr_store_number(struct gr_store *store, const char *sql, int64_t *out, const char *what,
                    struct gr_error *error);

/* Begins the transaction that collects what is pending, unless it is open already. */
int gr_store_begin(struct gr_store *store, struct gr_error *error);

/* Ends gr_store_begin's transaction; on failure it is rolled back. */
int gr_store_end(struct gr_store *store, const char *what, struct gr_error *error);

/* Makes every sequence up to `end` taken, durably. Commits what is pending. */
int gr_store_reserve(struct gr_store *store, uint64_t end, struct gr_error *error);

/* Brings the schema to the version of this program. GR_INVALID for a newer one or a foreign database; nothing
 * is written then. */
int gr_store_check_version(struct gr_store *store, struct gr_error *error);
int gr_store_migrate(struct gr_store *store, struct gr_error *error);

/* Renames the file and its companions to names that are free; the message says to which. */
int gr_store_set_aside(const char *file, int64_t now_s, const char *why, struct gr_error *error);

#endif
