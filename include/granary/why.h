/* Why a command: what every other would cost more, and the words for what decided. Pure.
 *
 * The live policy (planner.h) compares commands by the expected cost of a slot and of all that follows. Here
 * that sum is taken apart so that a person can check it: money at the meter, wear, what is left in the store,
 * and which limits an alternative would break. Money that only stands for a broken limit is in none of it. */
#ifndef GRANARY_WHY_H
#define GRANARY_WHY_H

#include "granary/command.h"
#include "granary/planner.h"
#include "granary/zone.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Why a command may not be given, whatever it would earn. */
enum gr_bar {
    GR_BAR_NONE,
    GR_BAR_EXPORT_OFF,   /* the battery is configured not to feed the grid */
    GR_BAR_EXPORT_HOURS, /* not at this time of day */
    GR_BAR_EXPORT_ASKED, /* somebody asked for no export */
    GR_BAR_RESERVE,      /* nothing is stored above what has to be kept */
    GR_BAR_CAR,          /* a car draws, and the battery must not feed it */
    GR_BAR_CAR_UNKNOWN,  /* whether a car draws is not known */
    GR_BAR_LEAST_GAIN,   /* it promises less than is asked of an export */
    GR_BAR_IMPORT_LIMIT, /* the load seen now leaves no room under it */
    GR_BAR_EXPORT_LIMIT, /* the surplus seen now leaves no room under it */
    GR_BAR_NO_ROOM,      /* full */
    GR_BAR_TOO_LITTLE,   /* it gains too little over follow by each kWh that it holds back */
    GR_BAR_NO_STOCK,     /* down to what has to be kept */
    GR_BAR_TEMPERATURE,  /* the battery takes nothing at its temperature */
    GR_BARS
};

/* What an alternative would break, now or inevitably later. */
enum gr_breach {
    GR_BREACH_NONE,
    GR_BREACH_IMPORT_LIMIT,
    GR_BREACH_EXPORT_LIMIT,
    GR_BREACH_PEAK, /* the level below which the month's peak is kept */
    GR_BREACH_KEPT, /* what has to be kept: gr_kept says whose wish that is */
};

/* Whose wish it is that so much stays stored. */
enum gr_kept_kind {
    GR_KEPT_FLOOR,   /* the configured lowest state of charge */
    GR_KEPT_RESERVE, /* the site's reserve for an outage */
    GR_KEPT_ASKED,   /* a higher reserve that was asked for, until a time */
    GR_KEPT_WISH,    /* a state of charge wished for at a time */
    GR_KEPT_FULL     /* the full charge that is due by a time */
};

struct gr_kept {
    enum gr_kept_kind kind;
    double percent;
    int64_t until_s; /* of all but the first two */
};

/* One command that could be given in a slot, and what would follow; means over what may happen. */
struct gr_alternative {
    double power_kw; /* of charge and export, the best for it */
    double battery_kw, grid_kw, end_kwh;
    double meter_cost;  /* money in the slot: import less export */
    double carbon_cost; /* what its carbon counts by the price on it; nobody pays it */
    double wear_cost;
    double cycle_cost;  /* the price that a bound on cycles puts on it; nobody pays it */
    double after;       /* money still to come at the slot's end, by the value function */
    double broken_cost; /* penalties in the slot, beside the money */
    double more;        /* money that it would cost more than the command chosen, over the rest of the plan;
                           INFINITY where it was not reckoned. With a breach there is no money in it to
                           read */
    enum gr_bar bar;
    enum gr_breach breach; /* that the command chosen does not have */
};

/* Everything that the words are made of. */
struct gr_why {
    enum gr_command_kind kind; /* chosen */
    double power_kw;
    struct gr_alternative of[GR_COMMAND_KINDS];
    int64_t start_s, end_s;
    double hours;
    double stored_kwh, capacity_kwh, floor_kwh; /* at the start; the least that a command leaves */
    double import_price, export_price;          /* money alone */
    bool expected_price;                        /* the slot's own is not published yet */
    double import_limit_kw, export_limit_kw;
    double peak_kw; /* what the month's peak leaves for import; INFINITY: anything */
    bool at_import_limit, at_export_limit, at_peak; /* the power is what the limit leaves */
    double
        temperature_kw; /* what the battery's temperature lets in, where that is less than it could; else 0 */
    struct gr_kept kept;
    bool towards_kept;         /* a wish or a full charge, and the plan gives nothing until it is met */
    bool announced_price;      /* the slot's prices have an override or an event in them */
    double ready_cost;         /* money by which a charge may be dearer that makes ready early */
    double least_gain_per_kwh; /* asked of an export */
    int64_t same_until_s;      /* how long import costs the same as now; 0: not said */
    double same_worth;      /* what a stored kWh is then worth, of those that the plan has bought by then */
    bool later_expected[2]; /* the price of the next slot in which the plan discharges (0) or charges (1)
                               is not published yet */
};

/* What the words tell: the next best command that does something else, and the numbers that decided against
 * the command that is the plainest contrast: buying against not buying, giving against keeping. Where these
 * can be told by the kWh, (worth + wear + cycles - now - carbon) * moved_kwh is what the contrast would cost
 * more. */
struct gr_verdict {
    bool any;                  /* false: no other command does anything else */
    enum gr_command_kind next; /* next best */
    double next_more;          /* money; INFINITY: all others would break something */
    enum gr_command_kind against;
    double against_more; /* money */
    bool per_kwh;        /* whether the rest is there */
    double moved_kwh;    /* AC kWh that the chosen one puts more into the battery (- takes more out) */
    double stored_worth; /* of a stored kWh at the slot's end */
    double worth;        /* of a kWh at the battery's terminals, losses counted */
    double wear, cycles; /* that come on top of it where it is taken out */
    double now;          /* of a kWh at the meter now: bought, or not sold */
    double carbon;       /* what counts for its carbon besides */
};

/* What of an outlook is no money that anyone pays or gets. */
struct gr_why_marks {
    double cycle_price;     /* part of its wear, that only stands for a bound on cycles */
    double carbon_price;    /* part of its import price, that only stands for carbon */
    double carbon_credit;   /* likewise of its export price */
    double dearest_per_kwh; /* above any worth that prices can give a stored kWh: what is worth more keeps a
                               limit or what has to be kept */
};

/* Takes the choice apart: costs, flows and breaches of all commands at the powers of `choice`, against the
 * kind that it holds. Commands that it left out cost INFINITY more; bars are set only where charge or export
 * found no power. The members from `kept` on are the caller's. */
void gr_why_weigh(struct gr_why *out, const struct gr_outlook *outlook, const struct gr_choice *choice,
                  const struct gr_why_marks *marks);

struct gr_verdict gr_why_judge(const struct gr_why *why);

/* One line: "a stored kWh is worth 0.2140 at 18:00, 0.1930 after losses; importing now costs 0.0820: charge;
 * rest would cost 0.1120 more". Times are local. */
void gr_why_text(char out[GR_REASON_SIZE], const struct gr_why *why, const struct gr_zone *zone);

/* Why the command may not be given or is not: "" where nothing stands against it but its cost. */
void gr_why_hindrance(char out[GR_REASON_SIZE], const struct gr_why *why, enum gr_command_kind kind,
                      const struct gr_zone *zone);

#endif
