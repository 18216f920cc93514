/* Closing the loop: what the battery does is compared with what it was told. */
#include "granary/guard.h"

#include "granary/coupling.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

static const int64_t limit_ms = INT64_C(7200000);      /* cold and heat last for hours */
static const int64_t first_pause_ms = INT64_C(900000); /* and then twice as long each time */
enum { MOST_DOUBLINGS = 4 };

static const double least_tolerance_kw = 0.25; /* stand-by flow and the meter's own error */
static const double tolerance_share = 0.05;    /* of the battery's greatest power */
static const double answers_share = 0.1;       /* of the power commanded: less is no answer */
static const double taper_percent = 95;        /* a full battery takes less and less */
static const double near_percent = 2;          /* of the target or the reserve: it may have stopped there */
static const double gauge_points = 5;          /* percent points that a command should have moved */
static const double against_points = 1.5;      /* moved the other way: more than a meter's error */

static const char *const answer_names[GR_ANSWERS] = {"unknown", "follows", "retried", "limited", "refuses"};

const char *gr_answer_name(enum gr_answer answer)
{
    return (unsigned)answer < GR_ANSWERS ? answer_names[answer] : NULL;
}

void gr_answer_init(struct gr_answer_watch *watch)
{
    memset(watch, 0, sizeof *watch);
    watch->kind = GR_FOLLOW;
    watch->astray_ms = -1;
    watch->gauge_percent = NAN;
    watch->charge_kw = INFINITY;
    watch->discharge_kw = INFINITY;
}

static void begin(struct gr_answer_watch *watch, const struct gr_moment *now)
{
    watch->since_ms = now->mono_ms;
    watch->astray_ms = -1;
    watch->gauge_percent = NAN;
}

void gr_answer_told(struct gr_answer_watch *watch, enum gr_command_kind kind, double power_kw,
                    double target_percent, const struct gr_moment *now)
{
    watch->target_percent = target_percent;
    if (kind == watch->kind && power_kw == watch->power_kw) {
        return;
    }
    /* Another power is no excuse for a battery that has not been doing this for a while. */
    bool same = kind == watch->kind;
    int64_t astray_ms = same ? watch->astray_ms : -1;
    watch->kind = kind;
    watch->power_kw = power_kw;
    /* After a refusal one trial has to do. */
    watch->repeated = watch->refusals > 0 || (same && watch->repeated);
    begin(watch, now);
    watch->astray_ms = astray_ms;
    if (watch->answer != GR_ANSWER_REFUSES && !watch->repeated) {
        watch->answer = GR_ANSWER_UNKNOWN;
    }
}

void gr_answer_jumped(struct gr_answer_watch *watch)
{
    watch->gauge_percent = NAN;
}

/* EXCUSED: it stands still where it may, which says neither that it does as told nor that it does not. */
enum verdict { UNSEEN, EXCUSED, DOES, GIVES_LESS, DOES_NOT, GOES_AGAINST };

static double tolerance_kw(const struct gr_site *site)
{
    const struct gr_battery *battery = &site->battery;
    return fmax(least_tolerance_kw, tolerance_share * fmax(battery->charge_kw, battery->discharge_kw));
}

/* Where less than commanded is no fault: at the end of the way, or where the connection has no room. */
static bool may_give_less(const struct gr_answer_watch *watch, const struct gr_answer_seen *seen)
{
    const struct gr_site *site = seen->site;
    double percent = seen->state_of_charge_percent, tolerance = tolerance_kw(site);
    if (watch->kind == GR_CHARGE) {
        return !(percent < fmin(watch->target_percent - near_percent, taper_percent)) ||
               seen->grid_kw >= site->grid.import_limit_kw - tolerance;
    }
    return !(percent > fmax(watch->target_percent, site->reserve_percent) + near_percent) ||
           seen->grid_kw <= tolerance - site->grid.export_limit_kw;
}

/* What the command asks for, as far as the battery lets it at this level and temperature, and an inverter
 * that it shares with the sun. */
static double expected_kw(const struct gr_answer_watch *watch, const struct gr_answer_seen *seen)
{
    const struct gr_battery_curves *curves = &seen->site->curves;
    bool charges = watch->kind == GR_CHARGE;
    struct gr_curve power = gr_curve_of(charges ? &curves->charge_power : &curves->discharge_power);
    double stored_kwh = seen->state_of_charge_percent / 100 * seen->site->battery.capacity_kwh;
    double solar_kw = isnan(seen->solar_kw) ? 0 : seen->solar_kw;
    double inverter_kw = charges ? gr_site_most_charge_kw(seen->site, solar_kw)
                                 : fmax(0, gr_site_most_discharge_kw(seen->site) - solar_kw);
    double kw = fmin(watch->power_kw, charges ? fmin(inverter_kw, seen->temperature_kw) : inverter_kw);
    return power.count == 0 || isnan(stored_kwh) ? kw : fmin(kw, gr_curve_value(&power, stored_kwh));
}

/* `given_kw` is positive in the direction of the command. */
static enum verdict judge_power(const struct gr_answer_watch *watch, const struct gr_answer_seen *seen,
                                double given_kw)
{
    double tolerance = tolerance_kw(seen->site), asked_kw = expected_kw(watch, seen);
    if (given_kw < -tolerance) {
        return GOES_AGAINST;
    }
    if (given_kw > watch->power_kw + tolerance) {
        return DOES_NOT;
    }
    bool gives = given_kw >= answers_share * asked_kw;
    if (given_kw >= asked_kw - tolerance || (gives && may_give_less(watch, seen))) {
        return DOES;
    }
    if (gives) {
        return GIVES_LESS;
    }
    return may_give_less(watch, seen) ? EXCUSED : DOES_NOT;
}

/* By the power seen, which must be younger than the command. */
static enum verdict judge_flow(const struct gr_answer_watch *watch, const struct gr_answer_seen *seen)
{
    double kw = seen->battery_kw, tolerance = tolerance_kw(seen->site);
    if (isnan(kw) || seen->battery_ms <= watch->since_ms) {
        return UNSEEN;
    }
    switch (watch->kind) {
    case GR_CHARGE:
        return judge_power(watch, seen, kw);
    case GR_EXPORT:
        return judge_power(watch, seen, -kw);
    case GR_STORE:
        return kw < -tolerance ? DOES_NOT : DOES;
    case GR_SERVE:
        return kw > tolerance ? DOES_NOT : DOES;
    case GR_REST:
        return fabs(kw) > tolerance ? DOES_NOT : DOES;
    case GR_FOLLOW: /* is what the inverter does by itself */
    case GR_COMMAND_KINDS:
        break;
    }
    return UNSEEN;
}

/* By the course of the state of charge, which tells a sign that is wrong on both sides, and stands in for a
 * power that is not read at all. */
static enum verdict judge_course(struct gr_answer_watch *watch, const struct gr_answer_seen *seen,
                                 const struct gr_moment *now)
{
    double percent = seen->state_of_charge_percent;
    if ((watch->kind != GR_CHARGE && watch->kind != GR_EXPORT) || isnan(percent)) {
        return UNSEEN;
    }
    if (isnan(watch->gauge_percent)) {
        watch->gauge_percent = percent;
        watch->gauge_ms = now->mono_ms;
    }
    double direction = watch->kind == GR_CHARGE ? 1 : -1;
    double hours = (double)(now->mono_ms - watch->gauge_ms) / 3.6e6;
    double asked = expected_kw(watch, seen) * hours / seen->site->battery.capacity_kwh * 100;
    double moved = direction * (percent - watch->gauge_percent);
    if (asked < gauge_points) {
        return UNSEEN;
    }
    watch->gauge_percent = NAN;
    if (moved < -against_points) {
        return GOES_AGAINST;
    }
    if (moved >= 2 * answers_share * asked) {
        return DOES;
    }
    return may_give_less(watch, seen) ? EXCUSED : DOES_NOT;
}

static void describe(struct gr_answer_watch *watch, const struct gr_answer_seen *seen, enum verdict verdict,
                     bool by_course)
{
    char told[48];
    bool has_power = watch->kind == GR_CHARGE || watch->kind == GR_EXPORT;
    (void)snprintf(told, sizeof told, has_power ? "%s %.2f kW" : "%s", gr_command_name(watch->kind),
                   watch->power_kw);
    if (by_course) {
        (void)snprintf(watch->text, sizeof watch->text, "%s was commanded, but the state of charge %s", told,
                       verdict == GOES_AGAINST
                           ? "goes the other way: does the hub turn the sign of commands round?"
                           : "does not move as it should");
        return;
    }
    const char *guess = "";
    if (verdict == GOES_AGAINST) {
        guess = ": is the sign of inputs.battery_power, or of the hub's commands, the wrong way round?";
    } else if (has_power && fabs(fabs(seen->battery_kw) * 1000 - watch->power_kw) < 0.1 * watch->power_kw) {
        guess = ": is inputs.battery_power in kW?";
    }
    (void)snprintf(watch->text, sizeof watch->text, "%s was commanded, the battery is at %+.2f kW%s", told,
                   seen->battery_kw, guess);
}

static void learn_limit(struct gr_answer_watch *watch, double battery_kw, const struct gr_moment *now)
{
    double limit_kw = floor(fabs(battery_kw) * 100) / 100;
    if (watch->kind == GR_CHARGE) {
        watch->charge_kw = limit_kw;
        watch->charge_until_ms = now->mono_ms + limit_ms;
    } else {
        watch->discharge_kw = limit_kw;
        watch->discharge_until_ms = now->mono_ms + limit_ms;
    }
    watch->answer = GR_ANSWER_LIMITED;
}

static void forget_limits(struct gr_answer_watch *watch, const struct gr_moment *now)
{
    if (now->mono_ms >= watch->charge_until_ms) {
        watch->charge_kw = INFINITY;
    }
    if (now->mono_ms >= watch->discharge_until_ms) {
        watch->discharge_kw = INFINITY;
    }
}

static void refuse(struct gr_answer_watch *watch, const struct gr_moment *now)
{
    int doublings = watch->refusals < MOST_DOUBLINGS ? watch->refusals : MOST_DOUBLINGS;
    watch->refusals++;
    watch->pause_until_ms = now->mono_ms + first_pause_ms * (INT64_C(1) << doublings);
    watch->answer = GR_ANSWER_REFUSES;
    begin(watch, now);
}

static bool note_disobedience(struct gr_answer_watch *watch, bool may_repeat, const struct gr_moment *now)
{
    if (watch->repeated || !may_repeat) {
        refuse(watch, now);
        return false;
    }
    watch->repeated = true;
    watch->answer = GR_ANSWER_RETRIED;
    begin(watch, now);
    return true;
}

static void note_obedience(struct gr_answer_watch *watch, const struct gr_safety *safety, bool by_course,
                           const struct gr_moment *now)
{
    watch->astray_ms = -1;
    watch->against = watch->against && !by_course;
    if (!watch->against && now->mono_ms - watch->since_ms >= (int64_t)safety->answer_s * 1000) {
        bool limited = isfinite(watch->kind == GR_CHARGE ? watch->charge_kw : watch->discharge_kw);
        watch->answer = limited ? GR_ANSWER_LIMITED : GR_ANSWER_FOLLOWS;
        watch->repeated = false;
        watch->refusals = 0;
    }
}

/* The battery is somewhere else: true once that has gone on for long enough. */
static bool is_astray(struct gr_answer_watch *watch, const struct gr_safety *safety,
                      const struct gr_moment *now)
{
    if (watch->astray_ms < 0) {
        watch->astray_ms = now->mono_ms;
    }
    return now->mono_ms - watch->astray_ms >= (int64_t)safety->answer_s * 1000;
}

bool gr_answer_turn(struct gr_answer_watch *watch, const struct gr_safety *safety,
                    const struct gr_answer_seen *seen, bool may_repeat, const struct gr_moment *now)
{
    forget_limits(watch, now);
    if (safety->answer_s <= 0 || !safety->commanding || watch->kind == GR_FOLLOW) {
        return false;
    }
    enum verdict flow = judge_flow(watch, seen), course = judge_course(watch, seen, now);
    if (course == GOES_AGAINST) {
        describe(watch, seen, course, true);
        watch->against = true;
        refuse(watch, now);
        return false;
    }
    if (flow == UNSEEN && course == DOES_NOT) {
        describe(watch, seen, course, true);
        return note_disobedience(watch, may_repeat, now);
    }
    if (flow == DOES || (flow == UNSEEN && course == DOES)) {
        note_obedience(watch, safety, course == DOES, now);
        return false;
    }
    if (flow == UNSEEN || flow == EXCUSED || !is_astray(watch, safety, now)) {
        return false;
    }
    describe(watch, seen, flow, false);
    if (flow == GIVES_LESS) {
        learn_limit(watch, seen->battery_kw, now);
        begin(watch, now);
        return false;
    }
    return note_disobedience(watch, may_repeat, now);
}

enum gr_fault gr_answer_look(const struct gr_answer_watch *watch, const struct gr_moment *now,
                             char text[GR_REASON_SIZE])
{
    int64_t left_ms = watch->pause_until_ms - now->mono_ms;
    if (left_ms <= 0) {
        return GR_FAULT_NONE;
    }
    (void)snprintf(text, GR_REASON_SIZE, "%.170s; tried again in %" PRId64 " min", watch->text,
                   (left_ms + 59999) / 60000);
    return GR_FAULT_INVERTER;
}
