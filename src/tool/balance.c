#include "tool/balance.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Meters differ by a few percent and are read some seconds apart. */
#define TOLERANCE_KW 0.25
#define TOLERANCE_SHARE 0.1
/* A house draws no more than this; an explanation that needs more is none. */
#define GREATEST_HOUSE_KW 60.0

static const enum gr_channel flows[] = {GR_GRID_POWER, GR_BATTERY_POWER, GR_SOLAR_POWER, GR_HOUSE_POWER,
                                        GR_CAR_POWER};
#define FLOWS (sizeof flows / sizeof *flows)

static double known_or_zero(double kw)
{
    return isnan(kw) ? 0 : kw;
}

static double house_by_the_others(const double kw[GR_CHANNELS])
{
    return kw[GR_GRID_POWER] + known_or_zero(kw[GR_SOLAR_POWER]) - kw[GR_BATTERY_POWER] -
           known_or_zero(kw[GR_CAR_POWER]);
}

static double tolerance_kw(const double kw[GR_CHANNELS])
{
    double greatest = 0;
    for (size_t i = 0; i < FLOWS; i++) {
        greatest = fmax(greatest, fabs(known_or_zero(kw[flows[i]])));
    }
    return fmax(TOLERANCE_KW, TOLERANCE_SHARE * greatest);
}

static bool closes(const double kw[GR_CHANNELS])
{
    double rest = house_by_the_others(kw), tolerance = tolerance_kw(kw);
    if (!isnan(kw[GR_HOUSE_POWER])) {
        return fabs(rest - kw[GR_HOUSE_POWER]) <= tolerance && kw[GR_HOUSE_POWER] >= -tolerance &&
               known_or_zero(kw[GR_SOLAR_POWER]) >= -tolerance;
    }
    return rest >= -tolerance && rest <= GREATEST_HOUSE_KW && known_or_zero(kw[GR_SOLAR_POWER]) >= -tolerance;
}

static void add_cause(char *text, size_t size, const char *channel, const char *cause)
{
    size_t used = strlen(text);
    (void)snprintf(text + used, size - used, "%s%s %s", used ? "; or " : "", channel, cause);
}

/* Tries one change of one flow. */
static void try_factor(const double kw[GR_CHANNELS], enum gr_channel channel, double factor,
                       const char *cause, char *text, size_t size)
{
    double changed[GR_CHANNELS];
    memcpy(changed, kw, sizeof changed);
    changed[channel] *= factor;
    bool matters = fabs(changed[channel] - kw[channel]) > tolerance_kw(kw);
    if (matters && fabs(changed[channel]) <= GREATEST_HOUSE_KW && closes(changed)) {
        add_cause(text, size, gr_channel_name(channel), cause);
    }
}

/* A house meter that counts the car in. */
static void try_car_inside(const double kw[GR_CHANNELS], char *text, size_t size)
{
    double changed[GR_CHANNELS];
    memcpy(changed, kw, sizeof changed);
    changed[GR_HOUSE_POWER] -= known_or_zero(kw[GR_CAR_POWER]);
    if (!isnan(kw[GR_HOUSE_POWER]) && known_or_zero(kw[GR_CAR_POWER]) > tolerance_kw(kw) && closes(changed)) {
        add_cause(text, size, "house_power", "contains the car");
    }
}

static void find_causes(const double kw[GR_CHANNELS], char *text, size_t size)
{
    for (size_t i = 0; i < FLOWS; i++) {
        if (!isnan(kw[flows[i]])) {
            try_factor(kw, flows[i], -1, "has its sign the other way round (`positive`)", text, size);
        }
    }
    try_car_inside(kw, text, size);
    for (size_t i = 0; i < FLOWS && !*text; i++) {
        if (!isnan(kw[flows[i]])) {
            try_factor(kw, flows[i], 1000, "is in kW where W is configured", text, size);
            try_factor(kw, flows[i], 0.001, "is in W where kW is configured", text, size);
        }
    }
}

bool gr_balance_diagnose(const double kw[GR_CHANNELS], char *text, size_t size)
{
    *text = '\0';
    if (isnan(kw[GR_GRID_POWER]) || isnan(kw[GR_BATTERY_POWER])) {
        return true;
    }
    double rest = house_by_the_others(kw), house = kw[GR_HOUSE_POWER];
    if (closes(kw)) {
        (void)snprintf(text, size,
                       "the powers add up: the house draws %.2f kW by grid + solar - battery - car%s", rest,
                       isnan(house) ? "" : ", as its own meter says");
        return true;
    }
    char causes[400] = "";
    find_causes(kw, causes, sizeof causes);
    int used =
        isnan(house)
            ? snprintf(
                  text, size,
                  "the powers do not add up: grid + solar - battery - car is %.2f kW, which no house draws",
                  rest)
            : snprintf(text, size,
                       "the powers do not add up: grid + solar - battery - car is %.2f kW, but house_power "
                       "says %.2f kW",
                       rest, house);
    if (used > 0 && (size_t)used < size) {
        (void)snprintf(text + used, size - (size_t)used, ". %s%s",
                       *causes ? "It looks as if " : "No single wrong sign or unit explains it", causes);
    }
    return false;
}
