/* The store (SQLite, WAL): rate tables, history of half hours and five minutes, decisions and the sequence
 * survive restarts. It is a convenience: no error of it may stop the control loop. To be used from one
 * thread.
 *
 * To be kind to memory cards, slot records, commands and trimming are written into an open transaction that
 * gr_store_commit ends: call it every few minutes and at shutdown. Until then they are seen through this
 * handle only and a crash loses them. Rates, validators and sequence reservations are committed at once, and
 * with them whatever was pending.
 *
 * GR_IO: disk full, read-only, input/output error, damage found while running; the message names the file and
 * the cause. After a GR_IO what was pending may be lost; the store may be used on and works again once the
 * cause is gone. GR_NO_MEMORY too. */
#ifndef GRANARY_STORE_H
#define GRANARY_STORE_H

#include "granary/engine.h"
#include "granary/error.h"
#include "granary/rates.h"

#include <stdint.h>

struct gr_store;

/* Opens or creates the file (its folder must exist), checks its schema version and moves it up, quick_check
 * at start. A corrupt file is renamed to FILE.bad-TIME with its -wal and -shm (never deleted) and a new one
 * begun, whose sequence goes on from now_s: GR_OK with a message in *error, which is empty otherwise. now_s
 * serves for nothing else. GR_INVALID for a file of a newer schema version or of another program: it is left
 * alone. GR_IO where the file cannot be opened for writing. */
int gr_store_open(struct gr_store **out, const char *file, int64_t now_s, struct gr_error *error);

/* Commits what is pending as far as it can; NULL is fine. */
void gr_store_close(struct gr_store *store);

/* Commits what is pending; GR_OK where nothing is. */
int gr_store_commit(struct gr_store *store, struct gr_error *error);

/* Replaces what the source had inside the table's span (gaps included; a slot that straddles a bound is cut
 * there), in one transaction, and forgets what ended by keep_from_s, of every source. An empty table only
 * forgets. GR_INVALID for a table that is not sorted or holds a price that is no finite number. */
int gr_store_put_rates(struct gr_store *store, const char *direction, const char *source,
                       const struct gr_rate_table *table, int64_t keep_from_s, struct gr_error *error);
/* *out is overwritten (count 0 where nothing is stored or on error), to be freed. GR_INVALID for damaged
 * rows. */
int gr_store_get_rates(struct gr_store *store, const char *direction, const char *source,
                       struct gr_rate_table *out, struct gr_error *error);

/* NAN is kept as such. A record of the same start is replaced. Pending until gr_store_commit. */
int gr_store_put_slot(struct gr_store *store, const struct gr_slot_record *record, struct gr_error *error);
/* The same for many, all or none of them, committed at once with what was pending. */
int gr_store_put_slots(struct gr_store *store, const struct gr_slot_record *records, size_t count,
                       struct gr_error *error);
/* Calls `each` for every record with start_s >= from_s, in order. */
int gr_store_each_slot(struct gr_store *store, int64_t from_s,
                       void (*each)(void *context, const struct gr_slot_record *record), void *context,
                       struct gr_error *error);

/* The same for five minutes. */
int gr_store_put_fine(struct gr_store *store, const struct gr_fine_record *record, struct gr_error *error);
int gr_store_each_fine(struct gr_store *store, int64_t from_s,
                       void (*each)(void *context, const struct gr_fine_record *record), void *context,
                       struct gr_error *error);

/* Makes sure that a sequence that is about to be published lies in a reserved block. GR_INVALID for sequence
 * 0 or beyond 2^62. */
int gr_store_cover_sequence(struct gr_store *store, uint64_t sequence, struct gr_error *error);

/* Notes a command, before it is published: its sequence is then covered by a reserved block. Pending until
 * gr_store_commit, but for the reservation, which is made durable at once, every 512 commands or so.
 * GR_INVALID for sequence 0 or beyond 2^62. */
int gr_store_put_command(struct gr_store *store, const struct gr_command *command, struct gr_error *error);

/* The end of the reserved block: at least the greatest sequence ever passed to gr_store_put_command, even
 * where the last commands were lost. Sequences go on after it, so they jump by up to 1536 at a restart. 0
 * where none was ever issued. */
int gr_store_last_sequence(struct gr_store *store, uint64_t *sequence, struct gr_error *error);

/* Validators of conditional requests, by URL. NULL counts as "". The 64 last put are kept.
 * Empty strings where none are kept or `size`
 * is too small. */
int gr_store_put_validators(struct gr_store *store, const char *url, const char *etag,
                            const char *last_modified, struct gr_error *error);
int gr_store_get_validators(struct gr_store *store, const char *url, char *etag, char *last_modified,
                            size_t size, struct gr_error *error);

/* Keeps a text under a name, in place of the one before; committed at once. */
int gr_store_put_text(struct gr_store *store, const char *name, const char *text, struct gr_error *error);
/* *out is to be freed; NULL, with GR_OK, where none is kept. */
int gr_store_get_text(struct gr_store *store, const char *name, char **out, struct gr_error *error);

/* Forgets half hours older than keep_from_s, and five minutes and commands older than keep_fine_from_s.
 * Pending until gr_store_commit. */
int gr_store_trim(struct gr_store *store, int64_t keep_from_s, int64_t keep_fine_from_s,
                  struct gr_error *error);

#endif
