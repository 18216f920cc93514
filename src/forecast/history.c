#include "granary/history.h"

#include <math.h>
#include <stdlib.h>

#define RING ((int64_t)GR_HISTORY_DAYS * 48)

struct half_hour {
    int64_t number; /* start_s / GR_HISTORY_STEP_S; only a match makes the values count */
    double house_kw, solar_kw, outdoor_c;
};

struct gr_history {
    int64_t newest; /* number of the latest half hour put so far */
    struct half_hour ring[RING];
};

/* No start that fits an int64_t has this number. */
static const int64_t never = INT64_MIN;

int gr_history_create(struct gr_history **out)
{
    *out = malloc(sizeof **out);
    if (!*out) {
        return GR_NO_MEMORY;
    }
    (*out)->newest = never;
    for (int64_t i = 0; i < RING; i++) {
        (*out)->ring[i] = (struct half_hour){never, NAN, NAN, NAN};
    }
    return GR_OK;
}

void gr_history_free(struct gr_history *history)
{
    free(history);
}

static size_t place_of(int64_t number)
{
    int64_t rest = number % RING;
    return (size_t)(rest < 0 ? rest + RING : rest);
}

/* The place of a half hour that fits into the ring; NULL for another. */
static struct half_hour *open_slot(struct gr_history *history, int64_t start_s)
{
    int64_t number = start_s / GR_HISTORY_STEP_S;
    if (start_s % GR_HISTORY_STEP_S != 0 || (history->newest != never && number <= history->newest - RING)) {
        return NULL;
    }
    struct half_hour *slot = &history->ring[place_of(number)];
    if (slot->number != number) {
        *slot = (struct half_hour){number, NAN, NAN, NAN};
    }
    if (number > history->newest) {
        history->newest = number;
    }
    return slot;
}

static void take(double *kept_kw, double kw)
{
    if (isfinite(kw)) {
        *kept_kw = fmax(kw, 0);
    }
}

void gr_history_put(struct gr_history *history, int64_t start_s, double house_kw, double solar_kw)
{
    struct half_hour *slot = open_slot(history, start_s);
    if (slot) {
        take(&slot->house_kw, house_kw);
        take(&slot->solar_kw, solar_kw);
    }
}

void gr_history_put_outdoor(struct gr_history *history, int64_t start_s, double outdoor_c)
{
    struct half_hour *slot = isfinite(outdoor_c) ? open_slot(history, start_s) : NULL;
    if (slot) {
        slot->outdoor_c = outdoor_c;
    }
}

static const struct half_hour *find(const struct gr_history *history, int64_t start_s)
{
    int64_t number = start_s / GR_HISTORY_STEP_S;
    const struct half_hour *slot = &history->ring[place_of(number)];
    /* A newer half hour may have pushed this one out of the span without taking its place yet. */
    bool within = slot->number == number && number > history->newest - RING;
    return within && start_s % GR_HISTORY_STEP_S == 0 ? slot : NULL;
}

int gr_history_house(const struct gr_history *history, int64_t start_s, double *house_kw)
{
    const struct half_hour *slot = find(history, start_s);
    if (!slot || isnan(slot->house_kw)) {
        return GR_NOT_FOUND;
    }
    *house_kw = slot->house_kw;
    return GR_OK;
}

int gr_history_solar(const struct gr_history *history, int64_t start_s, double *solar_kw)
{
    const struct half_hour *slot = find(history, start_s);
    if (!slot || isnan(slot->solar_kw)) {
        return GR_NOT_FOUND;
    }
    *solar_kw = slot->solar_kw;
    return GR_OK;
}

void gr_history_read(const struct gr_history *history, int64_t first_s, size_t count, double *house_kw,
                     double *solar_kw)
{
    int64_t number = first_s / GR_HISTORY_STEP_S;
    size_t place = place_of(number);
    for (size_t i = 0; i < count; i++, number++) {
        const struct half_hour *slot = &history->ring[place];
        bool known = slot->number == number && number > history->newest - RING;
        house_kw[i] = known ? slot->house_kw : NAN;
        solar_kw[i] = known ? slot->solar_kw : NAN;
        place = place + 1 < RING ? place + 1 : 0;
    }
}

int gr_history_outdoor(const struct gr_history *history, int64_t start_s, double *outdoor_c)
{
    const struct half_hour *slot = find(history, start_s);
    if (!slot || isnan(slot->outdoor_c)) {
        return GR_NOT_FOUND;
    }
    *outdoor_c = slot->outdoor_c;
    return GR_OK;
}
