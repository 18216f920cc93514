/* Overrides: what a person asks for, for a while, against the plan. Each has an end. The guard stands above
 * every one of them. Pure. */
#ifndef GRANARY_OVERRIDE_H
#define GRANARY_OVERRIDE_H

#include "granary/command.h"
#include "granary/error.h"
#include "granary/site.h"
#include "granary/window.h"
#include "granary/zone.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum gr_override_kind {
    GR_OVERRIDE_COMMAND,   /* one command, whatever the plan says */
    GR_OVERRIDE_RESERVE,   /* a reserve above the configured one */
    GR_OVERRIDE_LOAD,      /* the house is expected to draw so many times what it usually does */
    GR_OVERRIDE_NO_EXPORT, /* the battery does not feed the grid by command */
    GR_OVERRIDE_PAUSE,     /* `follow`: the battery without Granary */
    GR_OVERRIDE_CAR,       /* a car wants energy by the end */
    GR_OVERRIDE_PRICE,     /* another import price from since_s on */
    GR_OVERRIDE_PAYMENT,   /* money for each kWh imported less or exported more, from since_s on */
    GR_OVERRIDE_WISH,      /* a state of charge wished for at the end */
    GR_OVERRIDE_KINDS
};

struct gr_override {
    enum gr_override_kind kind;
    enum gr_command_kind command;
    double power_kw;          /* of charge and export, 0: as much as can be; of the car's charger */
    double until_percent;     /* a command ends here too; NAN: by time only */
    double value;             /* reserve and wish in percent, load as a factor, car in kWh, money per kWh */
    int64_t since_s, until_s; /* since_s is when it was accepted, or from when a price holds */
    char by[GR_NAME_SIZE];    /* who asked for it, "" where nobody said */
};

/* At most one override of each kind, and the windows that event sources tell of. */
struct gr_overrides {
    bool active[GR_OVERRIDE_KINDS];
    struct gr_override of[GR_OVERRIDE_KINDS];
    size_t window_count;
    struct gr_window windows[GR_MOST_WINDOWS];
};

/* What is in force, and what it costs against the plan without it, over the planning horizon. */
struct gr_override_view {
    struct gr_override override;
    double cost;       /* money, less what more is left at the horizon's end; NAN: not worked out yet */
    double import_kwh; /* more from the grid; NAN likewise */
};

/* What an override is held against. */
struct gr_override_limits {
    struct gr_battery battery;
    double reserve_percent; /* no override goes below */
    bool may_export;
    double state_of_charge_percent; /* NAN: not known */
};

/* "command", "reserve", "load", "no-export", "pause", "car", "price", "payment", "wish"; NULL out of range.
 */
const char *gr_override_name(enum gr_override_kind kind);
/* The kind of that name, or -1. */
int gr_override_kind_of(const char *name);

/* GR_INVALID, with what was found and what is allowed, for one that cannot be: an end that has passed or is
 * more than GR_LONGEST_OVERRIDE_S away, powers and percentages beyond the battery, a lower reserve. */
#define GR_LONGEST_OVERRIDE_S (INT64_C(62) * 86400)
int gr_override_check(const struct gr_override *override, const struct gr_override_limits *limits,
                      int64_t now_s, struct gr_error *error);

/* The member of a request that holds the value: "percent", "factor", ...; NULL where a kind has none. */
const char *gr_override_value_name(enum gr_override_kind kind);

/* Reads a JSON object {"override": KIND, ...} (docs/topics.md describes it); `since_s` is now_s. Moments
 * without an offset are local. GR_INVALID, with what was found and expected. Not checked against limits. */
int gr_override_parse(struct gr_override *out, const char *json, size_t length, const struct gr_zone *zone,
                      int64_t now_s, struct gr_error *error);

/* Whether it has ended by time or by state of charge (NAN: not known). */
bool gr_override_is_over(const struct gr_override *override, int64_t now_s, double state_of_charge_percent);

/* "charge with 2.50 kW until 80 % or 2026-03-10T21:00:00Z, as the kitchen asked", cut to fit. */
void gr_override_describe(char *out, size_t size, const struct gr_override *override);

/* The power to command: what was asked for, or as much as the battery can; 0 but for charge and export. */
double gr_override_power_kw(const struct gr_override *override, const struct gr_battery *battery);

/* ---- windows ---- */

/* All windows of a source, instead of those it had; false where they are the same. GR_MOST_WINDOWS at most in
 * all: gr_overrides_have_room tells. */
bool gr_overrides_put_windows(struct gr_overrides *all, int32_t source, const struct gr_window *windows,
                              size_t count);
bool gr_overrides_have_room(const struct gr_overrides *all, int32_t source, size_t count);
/* Drops the windows that have ended. */
void gr_overrides_end_windows(struct gr_overrides *all, int64_t now_s);

/* ---- questions at one moment ---- */

/* What is to be commanded instead of the plan's choice; NULL: nothing. A pause goes before a command. */
const struct gr_override *gr_overrides_command(const struct gr_overrides *all, int64_t at_s);
/* The reserve asked for, 0 where none is. */
double gr_overrides_reserve_percent(const struct gr_overrides *all, int64_t at_s);
/* What the load is multiplied by, 1 where nothing is said. */
double gr_overrides_load_factor(const struct gr_overrides *all, int64_t at_s);
bool gr_overrides_forbid_export(const struct gr_overrides *all, int64_t at_s);
/* Prices of a slot as they are with a price or a payment that holds in it or in a part of it. What a person
 * says of a price goes before what a source says. */
void gr_overrides_price(const struct gr_overrides *all, int64_t from_s, int64_t to_s, double *import_price,
                        double *export_price);
/* The next moment after at_s at which a price, a payment or a wish begins or ends; INT64_MAX: none. */
int64_t gr_overrides_next_edge_s(const struct gr_overrides *all, int64_t at_s);
/* The state of charge wished for at a moment after after_s and up to to_s, 0 where none is. */
double gr_overrides_wish_percent(const struct gr_overrides *all, int64_t after_s, int64_t to_s);
/* The car's wish that is not over; NULL: none. */
const struct gr_override *gr_overrides_car(const struct gr_overrides *all, int64_t at_s);

#endif
