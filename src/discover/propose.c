#include "discover/fit.h"

#include <ctype.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double sure_margin = 3, likely_margin = 1;
static const double telling_miss = 1.5; /* times the miss with the role */
static const double least_capacity_kwh = 0.5, greatest_capacity_kwh = 1000;

const char *gr_sureness_name(enum gr_sureness sureness)
{
    static const char *const names[] = {[GR_GUESS] = "a guess", [GR_LIKELY] = "likely", [GR_SURE] = "sure"};
    return names[sureness];
}

static enum gr_sureness judge(double margin)
{
    return margin >= sure_margin ? GR_SURE : margin >= likely_margin ? GR_LIKELY : GR_GUESS;
}

/* ---- why ---- */

static void say(struct gr_finding *finding, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void say(struct gr_finding *finding, const char *format, ...)
{
    size_t used = strlen(finding->why);
    va_list arguments;
    va_start(arguments, format);
    if (used > 0) {
        used += (size_t)snprintf(finding->why + used, sizeof finding->why - used, "; ");
    }
    if (used < sizeof finding->why) {
        (void)vsnprintf(finding->why + used, sizeof finding->why - used, format, arguments);
    }
    va_end(arguments);
    /* Names come from whoever publishes; the words stand in a comment of a configuration and on a screen. */
    for (char *at = finding->why; *at; at++) {
        *at = iscntrl((unsigned char)*at) ? '?' : *at;
    }
}

static void say_name(struct gr_finding *finding, const struct gr_field *field, enum gr_channel channel)
{
    const char *word;
    double suits = gr_names_suit(field->names, finding->series, channel, &word);
    if (suits > 1 && *word) {
        say(finding, "the name says \"%s\"", word);
    } else if (suits < -1) {
        say(finding, "though its name does not say so");
    }
}

static void say_balance(struct gr_finding *finding, const struct gr_search *search, enum gr_channel channel)
{
    double without = search->miss_kw[channel], with = search->house_miss_kw;
    if (isnan(with)) {
        return;
    }
    if (without > telling_miss * (with + 0.02)) {
        say(finding,
            "with it house = grid + solar - battery - car holds within %.2f kW, without it within %.2f kW",
            with, without);
    } else {
        say(finding, "the energy balance says little about it, its power hardly counted");
    }
}

static void say_state(struct gr_finding *finding, const struct gr_field *field,
                      const struct gr_casting *casting, struct gr_proposal *out)
{
    double capacity_kwh;
    if (casting->of[GR_STATE_OF_CHARGE] < 0 || casting->of[GR_BATTERY_POWER] < 0) {
        return;
    }
    double follows =
        gr_field_follow(field, (size_t)casting->of[GR_STATE_OF_CHARGE], (size_t)casting->of[GR_BATTERY_POWER],
                        casting->sign[GR_BATTERY_POWER], &capacity_kwh);
    if (follows > 0.5) {
        say(finding, "state of charge and battery power go together (%.0f %%)", 100 * follows);
        bool plausible = capacity_kwh >= least_capacity_kwh && capacity_kwh <= greatest_capacity_kwh;
        out->capacity_kwh = plausible && follows > 0.8 ? capacity_kwh : (double)NAN;
    } else {
        say(finding, "state of charge and battery power moved too little to tell whether they go together");
    }
}

static void say_doubts(struct gr_finding *finding, const struct gr_field *field,
                       const struct gr_search *search, enum gr_channel channel)
{
    double best = search->best.score;
    int rival = search->rival[channel];
    if (field->series[finding->series].live == 0) {
        say(finding, "only its retained value came: nothing was sent while listening");
    }
    if (best - search->other_series[channel] < likely_margin && rival >= 0) {
        const struct gr_topic_series *other = &field->series[field->candidates[rival].series];
        say(finding, "%.60s%s%.30s would do nearly as well", other->topic, other->is_json ? " " : "",
            other->pointer);
    }
    if (best - search->other_sign[channel] < likely_margin) {
        say(finding, "the sign could not be told");
    }
    if (best - search->other_unit[channel] < likely_margin) {
        say(finding, "W or kW could not be told");
    }
}

/* ---- findings ---- */

static void fill(struct gr_proposal *out, const struct gr_field *field, const struct gr_search *search,
                 enum gr_channel channel)
{
    struct gr_finding *finding = &out->of[channel];
    int index = search->best.of[channel];
    if (index < 0) {
        return;
    }
    double next = fmax(search->other_series[channel], search->other_unit[channel]);
    if (channel == GR_BATTERY_POWER || channel == GR_GRID_POWER) {
        next = fmax(next, search->other_sign[channel]);
    }
    finding->found = true;
    finding->series = field->candidates[index].series;
    finding->unit = field->candidates[index].unit;
    finding->sign = search->best.sign[channel];
    finding->sureness = judge(search->best.score - next);
    say_name(finding, field, channel);
    if (channel == GR_STATE_OF_CHARGE || channel == GR_BATTERY_POWER) {
        say_state(finding, field, &search->best, out);
    }
    if (channel != GR_STATE_OF_CHARGE) {
        say_balance(finding, search, channel);
    }
    say_doubts(finding, field, search, channel);
}

/* What the house draws by the other powers, and whether its own meter counts the car in. */
static void look_at_house(struct gr_proposal *out, const struct gr_field *field,
                          const struct gr_search *search)
{
    double house_kw[GR_FIT_POINTS];
    struct gr_casting casting = search->best;
    out->least_house_kw = out->mean_house_kw = NAN;
    if (casting.of[GR_GRID_POWER] < 0 || casting.of[GR_BATTERY_POWER] < 0) {
        return;
    }
    gr_casting_house(field, &casting, house_kw);
    out->least_house_kw = INFINITY;
    out->mean_house_kw = 0;
    for (size_t i = 0; i < field->points; i++) {
        out->least_house_kw = fmin(out->least_house_kw, house_kw[i]);
        out->mean_house_kw += house_kw[i] / (double)field->points;
    }
}

/* A car that is known by its name, but for which the balance has no use: the house's meter has it already. */
static void find_car_inside(struct gr_proposal *out, const struct gr_field *field,
                            const struct gr_search *search)
{
    const struct gr_casting *best = &search->best;
    int car = -1;
    double most = 2.5;
    for (size_t i = 0; i < field->count; i++) {
        double suits = field->candidates[i].suits[GR_CAR_POWER];
        if (suits > most) {
            most = suits;
            car = (int)i;
        }
    }
    if (car < 0 || best->of[GR_CAR_POWER] >= 0 || best->of[GR_HOUSE_POWER] < 0) {
        return;
    }
    struct gr_finding *finding = &out->of[GR_CAR_POWER];
    *finding = (struct gr_finding){.found = true,
                                   .series = field->candidates[car].series,
                                   .unit = field->candidates[car].unit,
                                   .sign = field->candidates[car].direction,
                                   .sureness = GR_LIKELY};
    say_name(finding, field, GR_CAR_POWER);
    say(finding, "the house's meter seems to count it in");
    out->house_holds_car = true;
}

int gr_discover(struct gr_proposal *out, const struct gr_topic_series *series, size_t count,
                struct gr_error *error)
{
    struct gr_names *names = NULL;
    struct gr_search search;
    struct gr_field *field = calloc(1, sizeof *field);
    int status = field ? gr_names_create(&names, series, count) : GR_NO_MEMORY;
    memset(out, 0, sizeof *out);
    out->miss_kw = out->capacity_kwh = out->least_house_kw = out->mean_house_kw = NAN;
    if (status == GR_OK) {
        gr_field_fill(field, series, count, names);
        status = gr_search_run(&search, field);
    }
    if (status == GR_OK) {
        for (int channel = 0; channel <= GR_CAR_POWER; channel++) {
            fill(out, field, &search, (enum gr_channel)channel);
        }
        out->miss_kw = search.house_miss_kw;
        look_at_house(out, field, &search);
        find_car_inside(out, field, &search);
    }
    gr_names_free(names);
    free(field);
    return status == GR_OK ? GR_OK : gr_error_set(error, status, "out of memory");
}
