#include "granary/guard.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

enum {
    MOST_CLOCK_STEP_MS = 30000,
    MOST_POWER_GAP_MS = 180000, /* a longer silence tells nothing about the energy moved meanwhile */
    STAND_BY_MS = 600000,
    CONFIRM_MS = 5000,        /* a message that was delivered twice confirms nothing */
    CONTRADICTION_MS = 300000 /* powers are read one after the other: shorter contradictions are usual */
};

/* Nothing was built before it: a clock that says so has not been set since the machine started. */
static const int64_t earliest_utc_s = INT64_C(1767225600); /* 2026-01-01T00:00:00Z */

static const double agree_percent = 2;     /* two readings this near each other tell the same */
static const double frozen_share = 0.05;   /* of capacity, moved while the state of charge stood still */
static const double move_allowance = 1.25; /* meters and clocks are not exact */

static const char *const fault_names[GR_FAULTS] = {
    "none",  "starting", "clock",      "link",   "state-of-charge", "grid-absent", "power",
    "rates", "planner",  "recovering", "budget", "inverter",        "rival"};

const char *gr_fault_name(enum gr_fault fault)
{
    return (unsigned)fault < GR_FAULTS ? fault_names[fault] : NULL;
}

void gr_guard_init(struct gr_guard *guard)
{
    memset(guard, 0, sizeof *guard);
    guard->contradicted_ms = -1;
    guard->frozen.percent = NAN;
    for (int i = 0; i < GR_CHANNELS; i++) {
        guard->reading[i].candidate = NAN;
    }
}

static void accept(struct gr_reading *reading, double value, int64_t mono_ms)
{
    reading->seen = true;
    reading->value = value;
    reading->mono_ms = mono_ms;
    reading->candidate = NAN;
}

/* What the battery could have moved since the last reading, in percent points. */
static double reachable_percent(const struct gr_reading *reading, int64_t mono_ms, double greatest_kw,
                                double capacity_kwh)
{
    double hours = fmax(0, (double)(mono_ms - reading->mono_ms) / 3.6e6);
    return agree_percent + move_allowance * greatest_kw * hours / capacity_kwh * 100;
}

/* A jump has to be told twice, with some time between, in which the battery may have moved on. */
static bool is_confirmed(struct gr_reading *reading, double percent, int64_t mono_ms, double greatest_kw,
                         double capacity_kwh)
{
    const struct gr_reading then = {.mono_ms = reading->candidate_ms};
    double reachable = reachable_percent(&then, mono_ms, greatest_kw, capacity_kwh);
    bool agrees = fabs(percent - reading->candidate) <= reachable; /* false while there is none */
    if (agrees && mono_ms - reading->candidate_ms >= CONFIRM_MS) {
        return true;
    }
    if (!agrees) {
        reading->candidate = percent;
        reading->candidate_ms = mono_ms;
    }
    return false;
}

static bool note_state_of_charge(struct gr_guard *guard, double percent, int64_t mono_ms, double greatest_kw,
                                 double capacity_kwh)
{
    struct gr_reading *reading = &guard->reading[GR_STATE_OF_CHARGE];
    bool jumped = reading->seen && fabs(percent - reading->value) >
                                       reachable_percent(reading, mono_ms, greatest_kw, capacity_kwh);
    if (jumped && !is_confirmed(reading, percent, mono_ms, greatest_kw, capacity_kwh)) {
        return false;
    }
    accept(reading, percent, mono_ms);
    if (percent != guard->frozen.percent) {
        guard->frozen.percent = percent;
        guard->frozen.moved_kwh = 0;
        guard->frozen.most_kwh = 0;
    }
    return jumped;
}

static void note_battery_power(struct gr_guard *guard, double kw, int64_t mono_ms)
{
    struct gr_reading *reading = &guard->reading[GR_BATTERY_POWER];
    int64_t gap_ms = mono_ms - reading->mono_ms;
    if (reading->seen && gap_ms > 0 && gap_ms <= MOST_POWER_GAP_MS) {
        guard->frozen.moved_kwh += reading->value * (double)gap_ms / 3.6e6;
        guard->frozen.most_kwh = fmax(guard->frozen.most_kwh, fabs(guard->frozen.moved_kwh));
    }
    accept(reading, kw, mono_ms);
}

bool gr_guard_reading(struct gr_guard *guard, enum gr_channel channel, double value, bool retained,
                      const struct gr_moment *at, double greatest_kw, double capacity_kwh)
{
    if (retained) {
        /* Of unknown age, so never fresh; but a grid that was last said to be absent stays absent until told
         * otherwise. */
        if (channel == GR_GRID_PRESENT && !guard->reading[channel].seen) {
            guard->reading[channel].value = value;
            guard->reading[channel].candidate = value;
        }
        return false;
    }
    if (channel == GR_STATE_OF_CHARGE) {
        return note_state_of_charge(guard, value, at->mono_ms, greatest_kw, capacity_kwh);
    }
    if (channel == GR_BATTERY_POWER) {
        note_battery_power(guard, value, at->mono_ms);
    } else {
        accept(&guard->reading[channel], value, at->mono_ms);
    }
    return false;
}

bool gr_guard_fresh(const struct gr_guard *guard, const struct gr_safety *safety, enum gr_channel channel,
                    const struct gr_moment *now, double *value)
{
    const struct gr_reading *reading = &guard->reading[channel];
    if (!reading->seen || safety->max_age_s[channel] <= 0 ||
        (double)(now->mono_ms - reading->mono_ms) > safety->max_age_s[channel] * 1000) {
        return false;
    }
    *value = reading->value;
    return true;
}

void gr_guard_turn(struct gr_guard *guard, const struct gr_moment *now)
{
    int64_t wall_ms = (now->utc_s - guard->last_utc_s) * 1000;
    int64_t drift_ms = wall_ms - (now->mono_ms - guard->last_mono_ms);
    guard->clock_stepped =
        guard->started && (drift_ms > MOST_CLOCK_STEP_MS || drift_ms < -MOST_CLOCK_STEP_MS);
    guard->started = true;
    guard->last_utc_s = now->utc_s;
    guard->last_mono_ms = now->mono_ms;
}

static enum gr_fault say(char text[GR_REASON_SIZE], enum gr_fault fault, const char *words)
{
    (void)snprintf(text, GR_REASON_SIZE, "%s", words);
    return fault;
}

static enum gr_fault look_at_clock(const struct gr_guard *guard, const struct gr_safety *safety,
                                   const struct gr_moment *now, char text[GR_REASON_SIZE])
{
    if (guard->clock_stepped) {
        return say(text, GR_FAULT_CLOCK, "the clock was stepped");
    }
    if (now->utc_s < earliest_utc_s && !safety->in_the_past) {
        return say(text, GR_FAULT_CLOCK, "the clock has not been set: it shows a date before 2026");
    }
    if (!now->synchronised && !safety->trust_clock) {
        return say(text, GR_FAULT_CLOCK, "the system says its clock is not synchronised");
    }
    return GR_FAULT_NONE;
}

static enum gr_fault look_at_state_of_charge(const struct gr_guard *guard, const struct gr_safety *safety,
                                             const struct gr_moment *now, double capacity_kwh,
                                             char text[GR_REASON_SIZE])
{
    const struct gr_reading *reading = &guard->reading[GR_STATE_OF_CHARGE];
    double percent;
    if (!reading->seen) {
        return say(text, GR_FAULT_STARTING, "waiting for the first live state of charge");
    }
    if (!gr_guard_fresh(guard, safety, GR_STATE_OF_CHARGE, now, &percent)) {
        (void)snprintf(text, GR_REASON_SIZE,
                       "the last plausible state of charge is %" PRId64 " s old, at most %.0f s are allowed",
                       (now->mono_ms - reading->mono_ms) / 1000, safety->max_age_s[GR_STATE_OF_CHARGE]);
        return GR_FAULT_STATE_OF_CHARGE;
    }
    /* Near full and empty the energy goes into balancing or is held back: standing still is normal there. */
    bool near_end = percent >= 98 || percent <= 2;
    if (!near_end && guard->frozen.most_kwh > fmax(frozen_share * capacity_kwh, 0.3)) {
        (void)snprintf(text, GR_REASON_SIZE,
                       "the state of charge stands at %.1f %% although the battery moved %.2f kWh", percent,
                       guard->frozen.most_kwh);
        return GR_FAULT_STATE_OF_CHARGE;
    }
    return GR_FAULT_NONE;
}

/* Losses in an inverter that sees the sun before they arise, and readings of slightly different moments. */
static double tolerated_kw(double greatest_kw)
{
    return fmax(0.3, 0.15 * greatest_kw);
}

void gr_guard_balance(struct gr_guard *guard, double rest_kw, double greatest_kw, const struct gr_moment *now)
{
    if (!(rest_kw < -tolerated_kw(greatest_kw))) {
        guard->contradicted_ms = -1;
    } else if (guard->contradicted_ms < 0) {
        guard->contradicted_ms = now->mono_ms;
    }
}

enum gr_fault gr_guard_look_at_balance(const struct gr_guard *guard, const struct gr_moment *now,
                                       char text[GR_REASON_SIZE])
{
    if (guard->contradicted_ms < 0 || now->mono_ms - guard->contradicted_ms < CONTRADICTION_MS) {
        return GR_FAULT_NONE;
    }
    (void)snprintf(
        text, GR_REASON_SIZE,
        "the power readings contradict each other: grid + solar - battery - car has been below zero "
        "for %" PRId64 " s; is a unit or a sign of inputs wrong?",
        (now->mono_ms - guard->contradicted_ms) / 1000);
    return GR_FAULT_POWER;
}

void gr_guard_rival(struct gr_guard *guard, bool gone, const struct gr_moment *now)
{
    guard->rival_until_ms = gone ? 0 : now->mono_ms + STAND_BY_MS;
}

static bool is_grid_absent(const struct gr_guard *guard)
{
    const struct gr_reading *reading = &guard->reading[GR_GRID_PRESENT];
    bool told = reading->seen || !isnan(reading->candidate);
    return told && reading->value < 0.5;
}

enum gr_fault gr_guard_look(const struct gr_guard *guard, const struct gr_safety *safety,
                            const struct gr_moment *now, double capacity_kwh, char text[GR_REASON_SIZE])
{
    text[0] = '\0';
    enum gr_fault fault = look_at_clock(guard, safety, now, text);
    if (fault != GR_FAULT_NONE) {
        return fault;
    }
    if (!guard->link_up) {
        return say(text, GR_FAULT_LINK, "no connection to the broker");
    }
    if (now->mono_ms < guard->rival_until_ms) {
        return say(text, GR_FAULT_RIVAL,
                   "somebody else commands on our topic: standing by until that has stopped for ten minutes");
    }
    if (is_grid_absent(guard)) {
        return say(text, GR_FAULT_GRID_ABSENT, "the grid is absent: the house runs on its own");
    }
    return look_at_state_of_charge(guard, safety, now, capacity_kwh, text);
}

enum gr_fault gr_guard_settle(struct gr_guard *guard, const struct gr_safety *safety, enum gr_fault fault,
                              const struct gr_moment *now, char text[GR_REASON_SIZE])
{
    if (fault != GR_FAULT_NONE) {
        guard->well = false;
        return fault;
    }
    if (!guard->well) {
        guard->well = true;
        guard->well_since_ms = now->mono_ms;
    }
    if (!guard->ever_well) {
        guard->ever_well = true;
        guard->well_since_ms = now->mono_ms - (int64_t)safety->recovery_s * 1000;
    }
    int64_t left_ms = (int64_t)safety->recovery_s * 1000 - (now->mono_ms - guard->well_since_ms);
    if (left_ms > 0) {
        (void)snprintf(text, GR_REASON_SIZE,
                       "all is well again; commands resume in %" PRId64 " s if it stays so",
                       (left_ms + 999) / 1000);
        return GR_FAULT_RECOVERING;
    }
    return GR_FAULT_NONE;
}
