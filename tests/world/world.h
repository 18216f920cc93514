/* The real engine and a simulated house, inverter and hub, turn by turn, with everything between them that
 * can go wrong. Shared by the scenarios and the long random runs. */
#ifndef GRANARY_TESTS_WORLD_H
#define GRANARY_TESTS_WORLD_H

#include "granary/engine.h"
#include "granary/house.h"

#include <stdbool.h>
#include <stdint.h>

/* What lies between the truth and a reading. */
struct world_channel {
    bool silent;      /* nothing is sent */
    bool frozen;      /* the last value is sent for ever */
    double forced;    /* sent instead of the truth; NAN: the truth */
    double once;      /* sent instead of the truth the next time only; NAN: the truth */
    double factor;    /* wrong unit or sign */
    double last_sent; /* NAN: nothing yet */
    int64_t every_s;  /* how often it is sent; 0: with every turn */
    int64_t sent_s;   /* true time */
};

enum world_inverter { WORLD_OBEYS, WORLD_DEAF, WORLD_TURNS_SIGNS };

struct world {
    struct gr_engine_config config;
    struct gr_zone *zone;
    struct gr_engine *engine;

    /* the truth */
    int64_t true_s, began_s;
    struct gr_house_scene scene;
    struct gr_house_load load;
    struct gr_house_flow flow; /* of the last step */
    double stored_kwh;
    double percent_error; /* the meter's calibration: what it shows more than there is */
    bool grid_present;

    /* the inverter and its hub */
    struct gr_inverter inverter;
    enum world_inverter obedience;
    double outdoor_c;
    double gives_at_most_kw; /* INFINITY: what the site says */

    /* between the two */
    bool link_up; /* commands reach the hub, readings reach the engine */
    int64_t clock_error_s;
    bool synchronised;
    struct world_channel channel[GR_CHANNELS];

    /* the engine's side */
    struct gr_moment now;
    struct gr_decision decision;
    uint64_t last_sequence;
    int64_t last_issue_true_s;
    /* For tests of the checks themselves: breaks a decision on purpose before anyone sees it. NULL: none. */
    void (*spoil)(struct world *world, struct gr_decision *decision, void *context);
    void *spoil_context;
};

/* An invented house: 13.5 kWh and 6 kW, reserve 20 %, limits 15 and 5 kW, half full at midnight of Tuesday 10
 * March 2026, a load of 0.8 kW, no sun, a cheap band from 00:30 to 05:30. Change config, load and truth
 * before world_begin. */
void world_init(struct world *world);

/* Creates zone (fixed UTC, where world->zone is NULL) and engine, and connects. False without memory. */
bool world_begin(struct world *world);
void world_end(struct world *world);

/* One turn: the house lives through so many seconds, readings are sent, the engine decides, the hub obeys. */
void world_turn(struct world *world, int seconds);

/* Time passes without a turn of the engine: a suspended machine, a dead process. */
void world_pass(struct world *world, int64_t seconds);

/* The connection goes or comes; the hub holds what it was told last until it expires. */
void world_set_link(struct world *world, bool up);

/* The process dies: the broker's last will tells the hub to follow. A new one starts with nothing but the
 * last sequence, the changes of the last day and what stands in the configuration. False without memory. */
bool world_restart(struct world *world);

/* A published table of one price over a span. */
bool world_publish(struct world *world, enum gr_direction direction, int64_t from_s, int64_t to_s,
                   double price);

double world_percent(const struct world *world);

#endif
