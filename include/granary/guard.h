/* The guard: whether the inputs can be trusted, when to fall back to `follow`, and how often a command may
 * change. Nothing in the planner may override it. Pure: time comes in as an argument. */
#ifndef GRANARY_GUARD_H
#define GRANARY_GUARD_H

#include "granary/channel.h"
#include "granary/command.h"
#include "granary/site.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Wall clock and monotonic clock, read together once per turn by the shell. Ages are measured on the
 * monotonic clock, tariffs on the wall clock. */
struct gr_moment {
    int64_t utc_s;
    int64_t mono_ms;
    bool synchronised; /* whether the system says its clock is set (true where it cannot be asked) */
};

struct gr_safety {
    bool commanding;     /* false: observe only */
    int validity_s;      /* a command expires after this; re-issued at half of it; 60 to 3600 */
    int dwell_s;         /* a command is kept at least this long unless safety asks otherwise */
    double least_gain;   /* money that a change must promise over the rest of its slot and all that follows,
                            together with what keeping the command has cost since its last change */
    int changes_per_day; /* budget of changes in any 24 h */
    bool trust_clock;    /* do without the system's word that its clock is synchronised */
    bool in_the_past; /* for back-tests: moments before this program was written are no fault of the clock */
    int recovery_s;   /* all must be well this long before commands resume */
    int answer_s;     /* the battery's power must answer a command within this time; 0: not watched */
    double max_age_s[GR_CHANNELS]; /* greatest age of a reading; 0: the channel is not configured */
};

enum gr_fault {
    GR_FAULT_NONE,
    GR_FAULT_STARTING,        /* not all has been seen yet */
    GR_FAULT_CLOCK,           /* stepped, or not set */
    GR_FAULT_LINK,            /* no broker */
    GR_FAULT_STATE_OF_CHARGE, /* missing, stale or implausible */
    GR_FAULT_GRID_ABSENT,
    GR_FAULT_POWER, /* net load cannot be known */
    GR_FAULT_RATES, /* the present price is not published */
    GR_FAULT_PLANNER,
    GR_FAULT_RECOVERING, /* all is well again, but not for long enough */
    GR_FAULT_BUDGET,     /* too many changes today */
    GR_FAULT_INVERTER,   /* the battery does not do what is commanded */
    GR_FAULT_RIVAL,      /* somebody else commands it on our topic */
    GR_FAULTS
};

/* "none", "starting", "clock", ...: fixed words for topics and tests. */
const char *gr_fault_name(enum gr_fault fault);

/* ---- readings ---- */

struct gr_reading {
    bool seen; /* a live (not retained) value has come */
    double value;
    int64_t mono_ms;  /* when */
    double candidate; /* a value that jumped, waiting for a second one that agrees; NAN: none */
    int64_t candidate_ms;
};

/* Energy moved since the state of charge last changed, to notice a reading that is frozen. */
struct gr_frozen {
    double percent;
    double moved_kwh;
    double most_kwh; /* greatest amount of it: what is given back afterwards does not clear the reading */
    int64_t mono_ms;
};

struct gr_guard {
    struct gr_reading reading[GR_CHANNELS];
    struct gr_frozen frozen;
    int64_t contradicted_ms; /* since when the powers contradict each other; -1: they do not */
    int64_t rival_until_ms;  /* another one commanded not long ago: stand by until then; 0: none */
    bool started, link_up;
    int64_t last_utc_s, last_mono_ms;
    bool clock_stepped;
    int64_t well_since_ms; /* monotonic moment since which no fault has been met, where well */
    bool well, ever_well;
};

void gr_guard_init(struct gr_guard *guard);

/* Notes a reading. A state of charge that jumps by more than the battery could have moved is held back until
 * a second one agrees, within 2 percent points and what the battery could move, 5 s later or more (an
 * inverter that recalibrates; a lone outlier, even one delivered twice, is dropped). True where such a jump
 * was believed: what was planned from the old value is void. */
bool gr_guard_reading(struct gr_guard *guard, enum gr_channel channel, double value, bool retained,
                      const struct gr_moment *at, double greatest_kw, double capacity_kwh);

/* True where the channel has a live reading no older than its greatest age; *value is set then. */
bool gr_guard_fresh(const struct gr_guard *guard, const struct gr_safety *safety, enum gr_channel channel,
                    const struct gr_moment *now, double *value);

/* Notes what the balance of the powers leaves for the house (grid + solar - battery - car, kW; NAN: not
 * known) and the greatest of them. Well below zero for five minutes, they contradict each other: a unit or a
 * sign is wrong. */
void gr_guard_balance(struct gr_guard *guard, double rest_kw, double greatest_kw,
                      const struct gr_moment *now);

/* GR_FAULT_POWER while they do. */
enum gr_fault gr_guard_look_at_balance(const struct gr_guard *guard, const struct gr_moment *now,
                                       char text[GR_REASON_SIZE]);

/* Somebody else was seen to command, or (gone) was seen to end: we stand by for ten minutes from the last
 * time. */
void gr_guard_rival(struct gr_guard *guard, bool gone, const struct gr_moment *now);

/* Notices clock steps (wall and monotonic clocks disagree by more than 30 s since the last turn). */
void gr_guard_turn(struct gr_guard *guard, const struct gr_moment *now);

/* The worst fault among what the guard itself can see: clock, link, state of charge (missing, stale, frozen),
 * grid absent. `text` is the reason in plain words. */
enum gr_fault gr_guard_look(const struct gr_guard *guard, const struct gr_safety *safety,
                            const struct gr_moment *now, double capacity_kwh, char text[GR_REASON_SIZE]);

/* Hysteresis: folds the fault of this turn into the history and returns what to act upon: the fault itself,
 * or GR_FAULT_RECOVERING until all has been well for recovery_s (no waiting after a plain start). */
enum gr_fault gr_guard_settle(struct gr_guard *guard, const struct gr_safety *safety, enum gr_fault fault,
                              const struct gr_moment *now, char text[GR_REASON_SIZE]);

/* ---- answer.c: whether the battery does what is commanded ---- */

enum gr_answer {
    GR_ANSWER_UNKNOWN, /* nothing is commanded that could be seen, or not for long enough */
    GR_ANSWER_FOLLOWS,
    GR_ANSWER_RETRIED, /* it did not, and the command was given once more */
    GR_ANSWER_LIMITED, /* it gives less than commanded: what it gives is its limit for a while */
    GR_ANSWER_REFUSES, /* it did not after the second time either: follow, for a while */
    GR_ANSWERS
};

/* "unknown", "follows", "retried", "limited", "refuses". */
const char *gr_answer_name(enum gr_answer answer);

/* What the battery was told and what it has made of it. */
struct gr_answer_watch {
    enum gr_command_kind kind;
    double power_kw, target_percent;
    int64_t since_ms;  /* of the command, or of its repetition */
    int64_t astray_ms; /* since when the battery has been doing something else; -1: it has not */
    bool repeated;
    bool against;                   /* the last refusal was seen by the state of charge alone */
    int refusals;                   /* in a row */
    int64_t pause_until_ms;         /* no command but follow until then; 0: none */
    double gauge_percent;           /* state of charge from which its course is judged; NAN: none */
    int64_t gauge_ms;               /* when it was that */
    double charge_kw, discharge_kw; /* what it was seen to give when asked for more; INFINITY: not known */
    int64_t charge_until_ms, discharge_until_ms;
    enum gr_answer answer;
    char text[GR_REASON_SIZE]; /* of what went wrong last */
};

struct gr_answer_seen {
    double battery_kw; /* NAN: not known */
    int64_t battery_ms;
    double state_of_charge_percent; /* NAN: not known */
    double grid_kw;                 /* NAN: not known */
    double solar_kw;                /* NAN: not known */
    double temperature_kw;          /* what the battery's temperature lets in; INFINITY: all */
    const struct gr_site *site;
};

void gr_answer_init(struct gr_answer_watch *watch);

/* The command in force; a change of kind or power begins a new watch. */
void gr_answer_told(struct gr_answer_watch *watch, enum gr_command_kind kind, double power_kw,
                    double target_percent, const struct gr_moment *now);

/* The state of charge has jumped: its course is judged from here on. */
void gr_answer_jumped(struct gr_answer_watch *watch);

/* Compares what is seen with what was told. True where the command is to be given once more at once; with
 * may_repeat false (the budget is spent) it goes straight to GR_ANSWER_REFUSES. Pauses after refusals: 15
 * min, doubling up to 4 h. */
bool gr_answer_turn(struct gr_answer_watch *watch, const struct gr_safety *safety,
                    const struct gr_answer_seen *seen, bool may_repeat, const struct gr_moment *now);

/* GR_FAULT_INVERTER during the pause after a refusal. */
enum gr_fault gr_answer_look(const struct gr_answer_watch *watch, const struct gr_moment *now,
                             char text[GR_REASON_SIZE]);

/* ---- pacing: commands change rarely ---- */

#define GR_MOST_CHANGES 512

struct gr_pacer {
    bool any;
    enum gr_command_kind kind;
    double power_kw;
    int64_t since_ms;   /* monotonic moment of the last change */
    double forgone;     /* money that keeping the command has cost since then */
    double loss_per_ms; /* what keeping it costs from weighed_ms until loss_end_ms */
    int64_t weighed_ms, loss_end_ms;
    int64_t change_ms[GR_MOST_CHANGES]; /* ring of the last changes */
    size_t changes;
};

void gr_pacer_init(struct gr_pacer *pacer);

/* Changes within the last 24 h. */
int gr_pacer_changes(const struct gr_pacer *pacer, const struct gr_moment *now);

/* When they were by the wall clock, in the order in which they were noted; returns their number. */
size_t gr_pacer_moments(const struct gr_pacer *pacer, const struct gr_moment *now,
                        int64_t out_s[GR_MOST_CHANGES]);

/* Counts changes of an earlier process. A moment that is still to come, as the clock went back since, counts
 * as now. */
void gr_pacer_restore(struct gr_pacer *pacer, const int64_t *at_s, size_t count, const struct gr_moment *now);

/* Keeps account of what the present command costs: `gain` money, over the next `hours`, more than what is
 * wished for. A small gain that is left undone again and again is worth a change in the end. Once a turn,
 * before gr_pacer_allows. */
void gr_pacer_weigh(struct gr_pacer *pacer, double gain, double hours, const struct gr_moment *now);

/* Whether `gain`, with what was forgone since the last change, is enough for one. */
bool gr_pacer_gains(const struct gr_pacer *pacer, const struct gr_safety *safety, double gain);

/* Whether the command may change now to something that costs `gain` less than keeping the present one.
 * Changes that safety asks for (forced) are always allowed and counted. */
bool gr_pacer_allows(const struct gr_pacer *pacer, const struct gr_safety *safety,
                     const struct gr_moment *now, double gain, bool forced);

/* Counts a repetition of the command as a change: an inverter may write its settings once more. */
void gr_pacer_repeat(struct gr_pacer *pacer, const struct gr_moment *now);

/* Notes that the command is now this one. Returns true where that is a change. */
bool gr_pacer_note(struct gr_pacer *pacer, enum gr_command_kind kind, double power_kw,
                   const struct gr_moment *now);

#endif
