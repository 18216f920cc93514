/* What the files of the engine share. */
#ifndef GRANARY_ENGINE_INTERNAL_H
#define GRANARY_ENGINE_INTERNAL_H

#include "granary/charger.h"
#include "granary/engine.h"
#include "granary/planner.h"
#include "granary/why.h"

/* ---- prices.c: what is expected of prices that are not published yet ---- */

#define GR_QUARTERS 96
#define GR_PRICE_MISSES 14

/* Learned from the published prices of 28 days; all by quarter hours of the local day, NAN: not known. */
struct gr_price_habit {
    bool learned;
    int64_t end_s;                /* of the published prices it was learned from */
    double usual[2][GR_QUARTERS]; /* of weekdays and of weekend days */
    double excess[GR_QUARTERS];   /* by which the last published day lay above the usual */
    double level;                 /* mean of it */
    /* By how much past days' prices missed what the day before gave to expect of them, the last day first. */
    double miss[GR_PRICE_MISSES][GR_QUARTERS], mean_miss[GR_PRICE_MISSES];
};

/* From all that is published before end_s. */
void gr_price_habit_learn(struct gr_price_habit *habit, const struct gr_tariff *tariff,
                          const struct gr_zone *zone, int64_t end_s);
/* For a moment after the end of what is published; NAN: nothing is known. */
double gr_price_habit_at(const struct gr_price_habit *habit, const struct gr_zone *zone, int64_t utc_s);
/* By how much the price at that moment might miss what is expected: as it did each of the past days. */
void gr_price_habit_misses(const struct gr_price_habit *habit, const struct gr_zone *zone, int64_t utc_s,
                           double miss[GR_PRICE_MISSES]);

/* ---- horizon.c: slots and prices from now on ---- */

struct gr_horizon {
    size_t slots, room;
    int64_t *bounds_s;                                       /* slots + 1 */
    double *hours, *import_price, *export_price, *floor_kwh; /* a price on carbon is in the prices once
                                                                gr_horizon_price_carbon has put it there */
    double *carbon_kg;                                       /* per kWh imported; NAN: not known */
    double *carbon_price;  /* money per kWh that is in the import price for it */
    double *carbon_credit; /* and in the export price */
    bool *expected;        /* the import price is not published */
};

void gr_horizon_free(struct gr_horizon *horizon);

/* Cuts the time from from_s on into slots: at multiples of slot_minutes (UTC), wherever a price may change,
 * and where a window or an override of prices or a wish begins or ends, as long as a slot stays a minute
 * long. Ends early where no import price is known or expected. Floors are left to the caller. A missing
 * export price counts as 0, missing carbon stays unknown. What is not published comes from the habits (by
 * direction), which are learned anew where the end of what is published has moved. GR_NOT_FOUND where not
 * even the first slot has a price. */
int gr_horizon_build(struct gr_horizon *out, const struct gr_engine_config *config,
                     const struct gr_tariff tariffs[GR_DIRECTIONS],
                     struct gr_price_habit habits[GR_DIRECTIONS], const struct gr_overrides *overrides,
                     const struct gr_zone *zone, int64_t from_s);

/* What a kWh counts for its carbon; 0 where that is not known. */
double gr_engine_carbon_price(const struct gr_planning *planning, double kg_per_kwh);
/* Puts the price on carbon on top of the horizon's prices. */
void gr_horizon_price_carbon(struct gr_horizon *horizon, const struct gr_planning *planning);

/* ---- plan.c ---- */

/* A plan of 96 hours with a full charge every day. */
#define GR_MOST_FULL_WINDOWS 5

struct gr_engine_plan {
    bool made;
    int64_t made_s, made_mono_ms;
    struct gr_horizon horizon;
    struct gr_paths paths;
    struct gr_path_values values;
    struct gr_sun_promise promise;
    double penalty_per_kwh;
    double dearest_per_kwh; /* the dearest price, with what a kWh may count for the month's peak */
    size_t full_windows, full_by[GR_MOST_FULL_WINDOWS]; /* by the end of which slots the battery should have
                                                           been full, each time since the one before */
    bool full_due;   /* the first of them can only be kept at full power from now on */
    bool *been_full; /* per slot, whether it has been at the slot's start; one entry more. NULL where that is
                        not asked for, or the plan is brief */
    double cycle_price; /* counted on a kWh discharged, so that the plan keeps its bound on cycles */
    double *peak_kw;    /* per slot: the level below which the month's peak is kept, GR_NO_PEAK_KW where no
                           peak counts. NULL where none is paid for */
    double *soft_kw;    /* the same after what the interval at hand has had already; within peak_kw's block */
    double peak_per_kwh;            /* money that a kWh above it stands for */
    struct gr_overrides overrides;  /* that it was made with */
    struct gr_plan_slot *slots;     /* horizon.slots of them */
    struct gr_why *why;             /* likewise */
    double cost, carbon_cost;       /* money, and what the carbon in it counts besides */
    double import_co2_kg;           /* NAN: not known of any slot */
    int64_t car_start_s, car_end_s; /* when a car that asked had best charge; 0: none did */
    double car_kw, car_cost;        /* with which power; money, without the battery */
    double start_kwh;               /* stored energy at the beginning */
    double left_kwh;                /* stored energy at the end */
    double import_kwh;              /* from the grid */
};

void gr_engine_plan_free(struct gr_engine_plan *plan);

/* ---- full.c ---- */

/* From when the days to the next full charge count. */
struct gr_fullness {
    int64_t since_s; /* 0: not yet */
    bool known;      /* seen, or told by the store */
};

double gr_engine_full_kwh(const struct gr_engine_config *config);
void gr_engine_note_full(struct gr_engine *engine, const struct gr_moment *now, double percent);
int gr_engine_take_full(struct gr_engine *engine, const struct gr_event *event, struct gr_error *error);
/* Sets full_windows and full_by of a plan whose horizon is there. */
void gr_engine_find_full(const struct gr_engine *engine, struct gr_engine_plan *plan);
/* been_full at the end of slot t, by what is stored then. */
void gr_engine_carry_full(const struct gr_engine_config *config, struct gr_engine_plan *plan, size_t t,
                          double stored_kwh);

/* ---- peak.c ---- */

#define GR_NO_PEAK_KW 1e6

/* What the grid meter has seen of the month's peaks. Zero: nothing yet. */
struct gr_peak_meter {
    int64_t month;                /* of the local clock: years * 12 + months */
    double day_kw[GR_MONTH_DAYS]; /* highest peak so far by the day's number */
    int64_t interval;             /* the one that is open: its number, */
    int day;                      /* the day it counts for, */
    double kwh, seconds;          /* and what of it counts */
    int64_t until_s;              /* everything before is in it */
    bool leveled;                 /* whether the next ones are there: */
    int64_t level_day;            /* on which local day, since 1970, */
    double level_kw;              /* which level was chosen for the month's peak to stay below */
};

/* Takes the mean grid power of a stretch that is over; parts that are known already are left out. */
void gr_peak_meter_note(struct gr_peak_meter *meter, const struct gr_peak_charge *charge,
                        const struct gr_zone *zone, int64_t from_s, int64_t to_s, double grid_kw);
/* Sets the levels of a plan whose horizon and paths are there: peak_kw, soft_kw, peak_per_kwh. Nothing where
 * no peak is paid for. */
int gr_engine_plan_peak(struct gr_engine *engine, struct gr_engine_plan *plan,
                        const struct gr_problem *problem, struct gr_error *error);
/* Mean import that keeps the interval at hand at its level from now on. */
double gr_engine_peak_now_kw(const struct gr_engine *engine, const struct gr_engine_plan *plan,
                             int64_t now_s);

/* ---- tail.c ---- */

/* The value function at the horizon's end where the horizon is of a day or longer: that of the mean course of
 * three more days, its last one again and again, with the prices that are published or expected, towards the
 * problem's own end value. No function, with GR_OK, where that is not to be had. */
int gr_engine_value_tail(const struct gr_engine *engine, const struct gr_engine_plan *plan,
                         const struct gr_problem *problem, struct gr_path_values *out,
                         struct gr_error *error);

/* ---- spread.c ---- */

/* Gives the paths prices of their own where some of the horizon's are not published: as past days' prices
 * missed what was to be expected of them, around the same mean. Says where the paths meet, too. GR_OK or
 * GR_NO_MEMORY. */
int gr_engine_spread_prices(const struct gr_engine *engine, struct gr_engine_plan *plan);

/* ---- car.c ---- */

/* Finds the time in which a car that asked for energy had best charge, from the grid and from what the sun
 * leaves: the battery never feeds it. Horizon and paths are there already. */
void gr_engine_plan_car(struct gr_engine_plan *plan);
/* Mean power of the car in a slot. */
double gr_engine_car_kw(const struct gr_engine_plan *plan, size_t slot);

/* Everything of an outlook over one slot of the plan that does not depend on what happens in it: prices,
 * limits, battery, value function of what follows. Samples, hours and stored energy are the caller's to fill.
 */
struct gr_outlook gr_engine_outlook(const struct gr_engine *engine, const struct gr_engine_plan *plan,
                                    size_t slot);

/* ---- meter.c: means over half hours and five minutes, and what is seen right now ---- */

enum {
    GR_METER_HOUSE,
    GR_METER_SOLAR,
    GR_METER_BATTERY,
    GR_METER_GRID,
    GR_METER_CAR,
    GR_METER_PERCENT, /* state of charge */
    GR_METER_OUTDOOR, /* temperature */
    GR_METERS
};

/* Values over one stretch of time, weighted with how long each stood. */
struct gr_bin {
    int64_t step_s, start_s;
    double sum[GR_METERS], seconds[GR_METERS];
};

struct gr_meter {
    bool begun;
    int64_t mono_ms; /* of the last turn */
    int64_t utc_s;
    struct gr_bin half, fine;
    int32_t samples[GR_METERS]; /* readings since the last finished five minutes */
    double last[GR_METERS];     /* NAN: not known at the last turn */
    double smooth[GR_METERS];   /* exponentially weighted, NAN while not known */
    double spent_percent;       /* by which the state of charge fell, the past fading with GR_SPENT_FADES_S */
    double crest_percent;       /* from which the present fall is counted; NAN: none seen */
    double counted_s;           /* for how long that was counted, fading alike: at most GR_SPENT_FADES_S */
};

#define GR_SPENT_FADES_S (7 * 86400.0)

void gr_meter_init(struct gr_meter *meter);
/* Notes that a reading came. */
void gr_meter_count(struct gr_meter *meter, int which);
/* Advances to `now` with the values seen since the last turn; fills record_due, record, fine_due and fine. */
void gr_meter_turn(struct gr_meter *meter, const struct gr_moment *now, const double seen[GR_METERS],
                   struct gr_decision *out);

/* ---- the engine ---- */

/* What the inputs say right now, derived and checked for freshness. NAN: not known. */
struct gr_seen {
    double stored_kwh, state_of_charge_percent;
    double house_kw, solar_kw, battery_kw, grid_kw, car_kw; /* car 0 where not known */
    double outdoor_c;
    double steady_house_kw, steady_solar_kw; /* smoothed over a few minutes */
    bool car_known;
    double charge_available_kw, discharge_available_kw; /* greatest battery power at present; INFINITY where
                                                           not told */
};

struct gr_engine {
    struct gr_engine_config config;
    const struct gr_zone *zone;
    struct gr_tariff tariffs[GR_DIRECTIONS];
    struct gr_price_habit habits[GR_DIRECTIONS];
    struct gr_guard guard;
    struct gr_pacer pacer;
    struct gr_answer_watch answer;
    struct gr_history *history;
    struct gr_weather *weather;
    struct gr_planner *planner;
    struct gr_meter meter;
    struct gr_charger charger; /* of a car without a topic of its own */
    struct gr_engine_plan plan;
    struct gr_overrides overrides;
    struct gr_override_cost {
        double cost, import_kwh; /* NAN: not worked out */
    } override_cost[GR_OVERRIDE_KINDS];
    bool overrides_changed; /* since the last turn */
    struct gr_fullness full;
    double temperature_kw; /* what the battery's temperature lets in, looked up at each turn; INFINITY: all */
    struct gr_peak_meter peak;
    bool replan, reissue;
    bool decided;              /* a decision was carried out since the start or the last fault */
    struct gr_command command; /* as last issued */
    enum gr_fault issued_fault;
    uint64_t sequence;
    struct gr_engine_tap tap;
};

/* Looks up what the battery's temperature lets in: at the reading where it is fresh, else at the worst that
 * the curve knows. */
void gr_engine_feel_battery(struct gr_engine *engine, const struct gr_moment *now);

/* The configured battery within the powers that it was seen to give, and that its temperature lets in. */
struct gr_battery gr_engine_battery(const struct gr_engine *engine);

/* What keeps the battery from feeding the grid by command at a moment, as far as the configuration and those
 * overrides go. */
enum gr_bar gr_engine_export_bar(const struct gr_engine *engine, const struct gr_overrides *overrides,
                                 int64_t utc_s);

double gr_engine_floor_kwh(const struct gr_engine_config *config);
/* The same in whole percent, rounded up, with the reserve that was asked for at a moment. */
double gr_engine_floor_percent(const struct gr_engine *engine, int64_t at_s);

/* Plans from `now` with this much stored, leaning to what is seen (house and solar may be NAN). The old plan
 * stays where this fails. */
int gr_engine_make_plan(struct gr_engine *engine, struct gr_moment now, double stored_kwh, double house_kw,
                        double solar_kw, struct gr_error *error);

/* ---- decide.c ---- */

/* What to do in the slot at hand, before pacing: best allowed band and what keeping the present one would
 * cost more. */
struct gr_wish {
    enum gr_command_kind kind;
    double power_kw;
    double target_percent;
    double gain;  /* of the wish over the command in force, money; at least least_gain for a charge that makes
                     ready */
    double hours; /* over which keeping it would cost that much: what is left of the slot */
    bool forced;  /* the command in force may not stay */
    const struct gr_override *asked; /* that it follows; NULL: the plan's own choice */
    double worth_per_kwh; /* of the energy that the wish moves into the store or out of it, else of one more
                             stored kWh */
    struct gr_why why;    /* left empty where the plan is brief */
};

/* Sets held_back where an overriding command is not allowed now. */
int gr_engine_decide(struct gr_engine *engine, const struct gr_moment *now, const struct gr_seen *seen,
                     struct gr_wish *out, char held_back[GR_REASON_SIZE], struct gr_error *error);

/* The live policy's choice where nothing bars it, else the cheapest that nothing bars. An export that
 * promises less than is asked of it is none: that is then its bar. */
enum gr_command_kind gr_engine_find_best(const struct gr_choice *choice, double least_gain_per_kwh,
                                         double hours, enum gr_bar bar[GR_COMMAND_KINDS]);

/* ---- reasons.c ---- */

/* Takes the choice in a slot of the plan apart, with all that the words need but what comes later. */
void gr_engine_weigh(struct gr_why *out, const struct gr_engine *engine, const struct gr_engine_plan *plan,
                     size_t slot, const struct gr_outlook *outlook, const struct gr_choice *choice,
                     const enum gr_bar bar[GR_COMMAND_KINDS]);

/* Writes the reasons of all slots, once all are known. */
void gr_engine_give_reasons(const struct gr_engine *engine, struct gr_engine_plan *plan);

/* The reason of a wish; of keeping the command in force, where it is `kept` instead. */
void gr_engine_explain(char out[GR_REASON_SIZE], const struct gr_engine *engine, const struct gr_wish *wish,
                       bool kept);

#endif
