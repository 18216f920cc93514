/* The engine: events in, decisions out. The daemon, the simulated house, a back-test and a replay all drive
 * this same code; the same events give the same decisions, to the byte. It does no I/O and reads no clock. */
#ifndef GRANARY_ENGINE_H
#define GRANARY_ENGINE_H

#include "granary/channel.h"
#include "granary/command.h"
#include "granary/error.h"
#include "granary/guard.h"
#include "granary/history.h"
#include "granary/override.h"
#include "granary/peak.h"
#include "granary/rates.h"
#include "granary/site.h"
#include "granary/weather.h"
#include "granary/why.h"
#include "granary/zone.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct gr_planning {
    int slot_minutes;  /* 5, 10, 15, 30 or 60 */
    int horizon_hours; /* 12 to 96 */
    struct gr_expectation expectation;
    bool may_export; /* whether the battery may feed the grid by command */
    double
        least_gain_per_exported_kwh; /* money that a kWh fed in by command must promise over the next best */
    int export_from_minute, export_to_minute; /* local time in which it may, past midnight where the end comes
                                                 first; equal: always */
    double floor_percent;  /* lowest state of charge a plan may use; at least the reserve */
    double cycles_per_day; /* a plan takes at most so many capacities a day from the store; 0: no bound */
    bool brief; /* for back-tests: no table of the plan is made, targets reach to the slot's end only, and no
                   reasons are given */
    int full_every_days; /* the battery should be full once in so many days, for its cells; 0: never asked */
    double full_percent; /* state of charge that counts as full */
    double
        carbon_price_per_kg; /* money that a kg of carbon dioxide counts, by the table of carbon; 0: none */
    bool carbon_credits_export; /* a kWh fed in counts what a kWh imported would have emitted */
    double end_value_factor; /* what is left three days after the horizon is worth this x discharge efficiency
                                x median import price */
};

/* For back-tests only: what is known of the time to come. `fill` writes mean powers over the slots and leaves
 * alone what is not known; it is called once a plan, on arrays full of NAN. */
struct gr_foreknowledge {
    void (*fill)(const void *context, const int64_t *bounds_s, size_t slots, double *house_kw,
                 double *solar_kw); /* NULL: nothing is known */
    const void *context;
};

struct gr_engine_config {
    struct gr_site site;
    struct gr_peak_charge peak; /* what the month's highest imports cost */
    struct gr_planning planning;
    struct gr_safety safety;
    struct gr_foreknowledge known;
    struct gr_tariff import,
        export; /* sources in order; tables empty at first, bands filled; copied by gr_engine_create */
    struct gr_tariff carbon; /* likewise, kg of carbon dioxide per kWh imported for prices; may be empty */
};

/* What the tables of a source tell: prices of a kWh either way, or the carbon of one imported. */
enum gr_direction { GR_IMPORT, GR_EXPORT_DIRECTION, GR_CARBON, GR_DIRECTIONS };

/* "import", "export", "carbon"; NULL out of range. */
const char *gr_direction_name(enum gr_direction direction);
/* GR_DIRECTIONS for any other word. */
enum gr_direction gr_direction_named(const char *name);

enum gr_event_kind {
    GR_EVENT_READING,  /* a channel's value was received and found plausible by the input mapping */
    GR_EVENT_RATES,    /* a checked table for one source */
    GR_EVENT_WEATHER,  /* a checked table of what is told of the weather */
    GR_EVENT_HISTORY,  /* a half hour of the past, from the store */
    GR_EVENT_LINK,     /* the broker connection came up or went down */
    GR_EVENT_OVERRIDE, /* somebody asks for something else than the plan */
    GR_EVENT_CANCEL,   /* and no longer */
    GR_EVENT_RIVAL,    /* somebody else commands on our topic, or has ended */
    GR_EVENT_WINDOWS,  /* all windows that an event source tells of, instead of those it told before */
    GR_EVENT_FULL,     /* from the store: when the battery was full */
    GR_EVENT_METERED   /* what the grid meter saw in a stretch that is over: from the store, for the month's
                          peaks. Stretches come in the order of time; what is known already is left aside */
};

struct gr_event {
    enum gr_event_kind kind;
    struct gr_moment at;
    union {
        struct {
            enum gr_channel channel;
            double value;
            bool
                retained; /* came from the broker's memory: its age is unknown, so it never counts as fresh */
        } reading;
        struct {
            enum gr_direction direction;
            size_t source;
            const struct gr_rate_table *table; /* copied; overlays what the source had */
        } rates;
        struct {
            enum gr_weather_kind kind;
            const struct gr_rate_table *table; /* values of that kind for prices; copied */
        } weather;
        struct {
            int64_t start_s;
            double house_kw, solar_kw, outdoor_c; /* NAN: not known */
        } history;
        struct {
            bool up;
        } link;
        struct {
            bool gone;
        } rival;
        struct {
            int64_t from_s, to_s;
            double grid_kw; /* mean; where it is below 0 nothing was imported */
        } metered;
        struct {
            int64_t since_s; /* from which the days to the next full charge count */
        } full;
        struct gr_override override; /* replaces one of the same kind; refused where it cannot be */
        struct {
            int kind; /* enum gr_override_kind; GR_OVERRIDE_KINDS: all */
        } cancel;
        struct {
            int32_t source;
            const struct gr_window *list; /* copied; their own source is not looked at */
            size_t count;
        } windows;
    } of;
};

/* One slot of the plan as it stands. */
struct gr_plan_slot {
    int64_t start_s, end_s;
    double import_price, export_price;
    bool expected_price; /* not yet published */
    double house_kw, solar_kw;
    enum gr_command_kind kind;
    double power_kw; /* of charge and export */
    double battery_kw, grid_kw;
    double stored_kwh;        /* at the slot's end */
    double cost;              /* of the slot: import - export + wear */
    double carbon_kg_per_kwh; /* of a kWh imported; NAN: not known */
    double import_co2_kg;     /* of what is imported in the slot; NAN likewise */
    double marginal_value_per_kwh;
    char reason[GR_REASON_SIZE]; /* plain words with the numbers that decided */
    bool has_next;               /* whether any other command is possible and makes a difference */
    enum gr_command_kind next_best;
    double next_best_more; /* money that it would cost more over the rest of the plan; INFINITY where it would
                              break a limit or not keep what has to be kept */
};

struct gr_plan_view {
    const struct gr_plan_slot *slots; /* owned by the engine, valid until its next call */
    size_t count;
    int64_t made_s;
    double cost;          /* money; a price on carbon is not in it */
    double import_co2_kg; /* of the slots of which it is known; NAN: of none */
};

/* A finished half hour, for the store. NAN: not known. */
struct gr_slot_record {
    int64_t start_s;
    double house_kw, solar_kw, battery_kw, grid_kw, car_kw, state_of_charge_percent;
    double outdoor_c; /* temperature */
};

#define GR_FINE_STEP_S 300

/* Live readings that came within the time, of each channel; of `house` those of the grid where the load is
 * computed from the balance. */
struct gr_samples {
    int32_t house, solar, battery, grid, car, state_of_charge, outdoor;
};

/* Five finished minutes, for the store: means weighted with time (of the state of charge too), NAN where less
 * than half of the time is known. */
struct gr_fine_record {
    struct gr_slot_record means; /* start_s is a multiple of GR_FINE_STEP_S */
    struct gr_samples samples;
};

struct gr_decision {
    struct gr_command command; /* in force; in observing mode what would be commanded */
    bool commanding;           /* false: observing only, nothing may go to the command topics */
    bool issue;                /* publish now: it changed or is due for renewal */
    bool changed;              /* kind or power differ from the last issue */
    enum gr_fault fault;       /* why it is follow; GR_FAULT_NONE while all is well */
    char fault_text[GR_REASON_SIZE];
    enum gr_answer answer;            /* whether the battery does what is commanded */
    char answer_text[GR_REASON_SIZE]; /* what it did instead when it last did not; "" where it never did */
    bool replanned;
    double plan_error; /* money: how far pruning may have put the plan's values off, where it was made anew */
    bool overrides_changed;            /* one was accepted, cancelled, or has ended */
    char held_back[GR_REASON_SIZE];    /* why an overriding command is not carried out now; "" */
    double stored_kwh;                 /* NAN while unknown */
    double house_kw, solar_kw, car_kw; /* as seen; NAN while unknown */
    double marginal_value_per_kwh;
    int changes_today;
    int64_t full_since_s; /* from when the days to the next full charge count; 0 where none is asked for */
    bool record_due;
    struct gr_slot_record record;
    bool fine_due; /* at most one in a turn: after a longer pause those in between are left out */
    struct gr_fine_record fine;
};

struct gr_engine;

/* The configuration is copied. `zone` must outlive the engine. `last_sequence` is the greatest sequence ever
 * issued (0: none), so that sequences rise across restarts. */
int gr_engine_create(struct gr_engine **out, const struct gr_engine_config *config,
                     const struct gr_zone *zone, uint64_t last_sequence, struct gr_error *error);
void gr_engine_free(struct gr_engine *engine);

/* Takes a new configuration: rate tables, readings and history are kept where they still fit (sources are
 * matched by position). GR_OK, or the old configuration stays in force. */
int gr_engine_reconfigure(struct gr_engine *engine, const struct gr_engine_config *config,
                          const struct gr_zone *zone, struct gr_error *error);

/* Sequences go on after last_sequence, where they have not come that far (a store that was opened late). */
void gr_engine_raise_sequence(struct gr_engine *engine, uint64_t last_sequence);

/* When the command changed in the last 24 h, by the wall clock, oldest first; returns the number. They count
 * against the day's budget, over a restart too where the new engine is told of them. */
size_t gr_engine_changes(const struct gr_engine *engine, const struct gr_moment *now,
                         int64_t out_s[GR_MOST_CHANGES]);
void gr_engine_restore_changes(struct gr_engine *engine, const int64_t *at_s, size_t count,
                               const struct gr_moment *now);

/* Takes note of an event. GR_INVALID for one that makes no sense (bad source number, bad channel): nothing
 * changed. */
int gr_engine_handle(struct gr_engine *engine, const struct gr_event *event, struct gr_error *error);

/* One turn of the control loop. Never fails: whatever goes wrong inside ends in `follow` with the reason. */
void gr_engine_tick(struct gr_engine *engine, struct gr_moment now, struct gr_decision *out);

/* Makes a plan for a given stored energy without touching the command in force (`granary plan`). */
int gr_engine_plan(struct gr_engine *engine, struct gr_moment now, double stored_kwh,
                   struct gr_plan_view *out, struct gr_error *error);

/* ---- what an event log needs (eventlog.h) ---- */

/* Is told of everything that goes into the engine and comes out. Calls end before the engine's do. */
struct gr_engine_tap {
    void (*event)(void *context, const struct gr_event *event); /* was taken */
    void (*turn)(void *context, const struct gr_moment *now, const struct gr_decision *decision);
    void (*changed)(void *context); /* another configuration or sequence: write a new start */
    void *context;
};

/* Copied; NULL: nobody is told any more. */
void gr_engine_set_tap(struct gr_engine *engine, const struct gr_engine_tap *tap);

const struct gr_engine_config *gr_engine_config_of(const struct gr_engine *engine);
const struct gr_tariff *gr_engine_tariff(const struct gr_engine *engine, enum gr_direction direction);
const struct gr_history *gr_engine_history(const struct gr_engine *engine);
const struct gr_weather *gr_engine_weather(const struct gr_engine *engine);

/* The inner state but prices and history, as bytes that mean something to the same version only. The plan is
 * none of it: it is made anew at the next turn, by the engine that is saved as by the one that is loaded.
 * Loading refuses, with GR_INVALID and nothing changed, bytes that could do harm: a kind, a count or a moment
 * out of range, a text without an end. */
size_t gr_engine_state_size(void);
void gr_engine_save(struct gr_engine *engine, void *state);
int gr_engine_load(struct gr_engine *engine, const void *state, struct gr_error *error);

/* The plan the last tick used; count 0 while there is none. */
struct gr_plan_view gr_engine_plan_view(const struct gr_engine *engine);

/* Why a slot of that plan has its command; owned by the engine, valid until its next call. NULL out of range.
 */
const struct gr_why *gr_engine_plan_why(const struct gr_engine *engine, size_t slot);

/* The overrides in force, with what each costs by the last plan; returns their number. */
size_t gr_engine_overrides(const struct gr_engine *engine, struct gr_override_view out[GR_OVERRIDE_KINDS]);

/* What the weather promised the plan that the last tick used; trust 0 where nothing is told. */
struct gr_sun_promise gr_engine_sun_promise(const struct gr_engine *engine);

/* The plan in a few figures; NAN, and next_s 0, for what it does not tell. */
struct gr_outline {
    enum gr_command_kind next; /* the plan's next other command, from next_s on; what goes on to the plan's */
    int64_t next_s;            /* end, where there is none */
    double cost_today, cost_tomorrow; /* money from now to local midnight, and in the day that follows */
    int64_t car_start_s, car_end_s;   /* when a car that asked had best charge; 0: none did */
    double car_kw, car_cost;          /* with which power, for how much money, a price on carbon in it */
    double backup_hours; /* for which all that is stored carries the house's present load, at most 999 */
};

struct gr_outline gr_engine_outline(const struct gr_engine *engine, const struct gr_decision *decision,
                                    int64_t now_s);

/* What a day has cost so far, from records of five minutes. */
struct gr_spent {
    int64_t from_s, until_s; /* what is counted: from local midnight, or from where the records begin */
    double cost;             /* money: import - export + wear at published prices */
    double per_s;            /* of the last record, for a gap behind it */
};

/* At local midnight; then each record of the day is added in the order of time. A gap of up to a quarter of
 * an hour is filled from the record beside it; after a longer one counting begins anew. */
struct gr_spent gr_spent_begin(int64_t midnight_s);
void gr_engine_spend(const struct gr_engine *engine, struct gr_spent *spent,
                     const struct gr_slot_record *means);
/* Up to now_s; nothing is counted where the last record is long past. */
void gr_spent_end(struct gr_spent *spent, int64_t now_s);

/* A run of an appliance: so much power for so long, in one piece. */
struct gr_run {
    double kw, hours;               /* > 0 */
    int64_t earliest_s, ready_by_s; /* it may begin from the one, and has ended by the other */
};

struct gr_run_choice {
    int64_t start_s;
    double cost;     /* money, of the run at its best under the present plan, a price on carbon in it */
    double cost_now; /* of beginning at earliest_s */
};

/* The cheapest beginning, at the plan's slots or at earliest_s: what the run adds to each slot's cost and to
 * the cost of all that follows, at the live policy's choice with it and without it. GR_NOT_FOUND where there
 * is no plan or the run does not fit between the two moments and into the plan. */
int gr_engine_run(const struct gr_engine *engine, const struct gr_run *run, struct gr_run_choice *out,
                  struct gr_error *error);

/* The last known published price coverage, for the fetch schedule: end of the unbroken published prices from
 * now on. */
int64_t gr_engine_known_until_s(const struct gr_engine *engine, enum gr_direction direction, int64_t from_s);

#endif
