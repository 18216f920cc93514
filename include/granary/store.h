/* The store (SQLite, WAL): rate tables, half-hour history, decisions and the sequence survive restarts. It is a convenience: no
 * error of it may stop the control loop. */
#ifndef GRANARY_STORE_H
#define GRANARY_STORE_H

#include "granary/engine.h"
#include "granary/error.h"
#include "granary/rates.h"

#include <stdint.h>

struct gr_store;

/* Opens or creates the file (its folder must exist), checks its schema version and moves it up, quick_check at start. A corrupt
 * file is renamed to FILE.bad-TIME (never deleted) and a new one begun: GR_OK with a message in *error. now_s only names that file. */
int gr_store_open(struct gr_store **out, const char *file, int64_t now_s, struct gr_error *error);
void gr_store_close(struct gr_store *store);

/* Replaces what the source had inside the table's span, in one transaction, and forgets what ended before keep_from_s. */
int gr_store_put_rates(struct gr_store *store, const char *direction, const char *source,
                       const struct gr_rate_table *table, int64_t keep_from_s, struct gr_error *error);
/* *out is overwritten (count 0 where nothing is stored), to be freed. */
int gr_store_get_rates(struct gr_store *store, const char *direction, const char *source, struct gr_rate_table *out,
                       struct gr_error *error);

int gr_store_put_slot(struct gr_store *store, const struct gr_slot_record *record, struct gr_error *error);
/* Calls `each` for every record with start_s >= from_s, in order. */
int gr_store_each_slot(struct gr_store *store, int64_t from_s,
                       void (*each)(void *context, const struct gr_slot_record *record), void *context,
                       struct gr_error *error);

/* Notes a command that was issued. The greatest sequence is kept too. */
int gr_store_put_command(struct gr_store *store, const struct gr_command *command, struct gr_error *error);
/* 0 where none was ever issued. */
int gr_store_last_sequence(struct gr_store *store, uint64_t *sequence, struct gr_error *error);

/* Validators of conditional requests, by URL. Empty strings where none are kept. */
int gr_store_put_validators(struct gr_store *store, const char *url, const char *etag, const char *last_modified,
                            struct gr_error *error);
int gr_store_get_validators(struct gr_store *store, const char *url, char *etag, char *last_modified, size_t size,
                            struct gr_error *error);

/* Forgets history and commands older than keep_from_s. */
int gr_store_trim(struct gr_store *store, int64_t keep_from_s, struct gr_error *error);

#endif
