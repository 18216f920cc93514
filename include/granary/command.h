/* A command is a band of battery power inside which the inverter follows the house. */
#ifndef GRANARY_COMMAND_H
#define GRANARY_COMMAND_H

#include <stdbool.h>
#include <stdint.h>

/*              band (kW)   in words, with C the greatest charge and D the greatest discharge power */
enum gr_command_kind {
    GR_FOLLOW, /* [-D, +C]  cover the house, store the surplus: the safe default */
    GR_STORE,  /* [0, +C]   store the surplus, do not discharge */
    GR_SERVE,  /* [-D, 0]   cover the house, export the surplus */
    GR_CHARGE, /* [P, P]    charge at P, from the grid where the sun does not reach */
    GR_EXPORT, /* [-P, -P]  discharge at P whatever the house takes */
    GR_REST,   /* [0, 0]    no battery flow */
    GR_COMMAND_KINDS
};

struct gr_band {
    double low_kw, high_kw; /* battery power, + charges; low <= high */
};

#define GR_REASON_SIZE 320

struct gr_command {
    enum gr_command_kind kind;
    double power_kw;       /* P of charge and export, >= 0; 0 for the others */
    double target_percent; /* state of charge the command works towards: charge stops there from below, the
                              discharging commands from above; 100 or the reserve where the command has no
                              nearer aim */
    int64_t issued_s, valid_until_s; /* Unix seconds; after valid_until a hub returns to follow by itself */
    uint64_t sequence;               /* rises with every issue, also across restarts */
    char reason[GR_REASON_SIZE];     /* plain words, UTF-8, no newline */
};

/* "follow", "store", ... for ever the same words on every topic; NULL for a value out of range. */
const char *gr_command_name(enum gr_command_kind kind);

/* The kind of that name, or -1. */
int gr_command_kind_of(const char *name);

/* The band of a command for a battery whose greatest powers are charge_kw and discharge_kw; `power_kw` is
 * clamped to what the battery can do. */
struct gr_band gr_command_band(enum gr_command_kind kind, double power_kw, double charge_kw,
                               double discharge_kw);

/* Battery power inside the band that brings the house's net load (house - solar, kW) nearest to zero
 * exchange. */
double gr_band_power_kw(struct gr_band band, double net_load_kw);

#endif
