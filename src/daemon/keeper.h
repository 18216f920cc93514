/* What the daemon keeps across restarts, and what becomes of it when the disk refuses: the control loop goes
 * on, the log says so once, and the store is opened again from time to time. */
#ifndef GRANARY_DAEMON_KEEPER_H
#define GRANARY_DAEMON_KEEPER_H

#include "granary/config.h"
#include "granary/engine.h"
#include "granary/store.h"

struct gr_keeper;

/* Opens the store in the folder that the configuration or $STATE_DIRECTORY names; that it cannot be opened is
 * no error. GR_NO_MEMORY. `now_s` by the system's clock. */
int gr_keeper_create(struct gr_keeper **out, const struct gr_outputs *outputs, int64_t now_s,
                     struct gr_error *error);

/* Writes what is pending; NULL is fine. */
void gr_keeper_free(struct gr_keeper *keeper);

/* NULL while there is none. To be asked for anew after each gr_keeper_retry that says true. */
struct gr_store *gr_keeper_store(const struct gr_keeper *keeper);

/* False while what is to be kept cannot be; true too where nothing is to be. */
bool gr_keeper_is_well(const struct gr_keeper *keeper);

/* The sequence after which commands go on. Where the store ought to tell but cannot, that is the time in
 * seconds, beyond any that was issued at a rate of one a second. */
uint64_t gr_keeper_last_sequence(const struct gr_keeper *keeper, int64_t now_s);

/* Feeds a store's half hours, as far back as the engine looks, into the engine. */
int gr_history_restore(struct gr_store *store, struct gr_engine *engine, const struct gr_moment *now,
                       struct gr_error *error);

/* The same with what the keeper holds; says so where it cannot be read. */
void gr_keeper_restore(const struct gr_keeper *keeper, struct gr_engine *engine, const struct gr_moment *now);

/* The same for what the month's peaks are reckoned from, where the engine has to know them. */
void gr_keeper_restore_peaks(const struct gr_keeper *keeper, struct gr_engine *engine,
                             const struct gr_moment *now);

/* Likewise, from when the days to the next full charge count. */
void gr_keeper_restore_full(const struct gr_keeper *keeper, struct gr_engine *engine,
                            const struct gr_moment *now);

/* Notes what the decision brought, and writes every five minutes. In between the file is not locked. */
void gr_keeper_note(struct gr_keeper *keeper, const struct gr_decision *decision,
                    const struct gr_outputs *outputs, const struct gr_moment *now);

/* Opens the store again where it could not be opened or has refused to write, every ten minutes. True where
 * the store of before is no more. */
bool gr_keeper_retry(struct gr_keeper *keeper, const struct gr_moment *now, int64_t system_now_s);

#endif
