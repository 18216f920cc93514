#include "discover/words.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_WORDS = 24, WORD_SIZE = 24, COMMON_NUMERATOR = 3, COMMON_DENOMINATOR = 5, FEW = 5 };

/* What a word may speak of besides the channels. */
enum { SHARE = GR_CHANNELS, POWER, OTHER };

struct word {
    const char *text;
    int speaks_of;
    int strength; /* strong words go before weak ones, later ones before earlier ones */
};

/* Common practice, no source: English words that people put into topics. */
static const struct word known[] = {
    {"soc", GR_STATE_OF_CHARGE, 3},
    {"charge", SHARE, 1},
    {"level", SHARE, 1},
    {"percent", SHARE, 1},
    {"percentage", SHARE, 1},
    {"battery", GR_BATTERY_POWER, 2},
    {"batt", GR_BATTERY_POWER, 2},
    {"bat", GR_BATTERY_POWER, 2},
    {"accumulator", GR_BATTERY_POWER, 2},
    {"storage", GR_BATTERY_POWER, 1},
    {"grid", GR_GRID_POWER, 2},
    {"mains", GR_GRID_POWER, 2},
    {"utility", GR_GRID_POWER, 2},
    {"meter", GR_GRID_POWER, 1},
    {"import", GR_GRID_POWER, 1},
    {"exchange", GR_GRID_POWER, 1},
    {"solar", GR_SOLAR_POWER, 2},
    {"pv", GR_SOLAR_POWER, 2},
    {"photovoltaic", GR_SOLAR_POWER, 2},
    {"photovoltaics", GR_SOLAR_POWER, 2},
    {"sun", GR_SOLAR_POWER, 1},
    {"roof", GR_SOLAR_POWER, 1},
    {"panels", GR_SOLAR_POWER, 1},
    {"production", GR_SOLAR_POWER, 1},
    {"generation", GR_SOLAR_POWER, 1},
    {"house", GR_HOUSE_POWER, 1},
    {"home", GR_HOUSE_POWER, 1},
    {"household", GR_HOUSE_POWER, 2},
    {"load", GR_HOUSE_POWER, 2},
    {"loads", GR_HOUSE_POWER, 2},
    {"consumption", GR_HOUSE_POWER, 1},
    {"demand", GR_HOUSE_POWER, 1},
    {"car", GR_CAR_POWER, 3},
    {"ev", GR_CAR_POWER, 3},
    {"evse", GR_CAR_POWER, 3},
    {"vehicle", GR_CAR_POWER, 3},
    {"charger", GR_CAR_POWER, 2},
    {"power", POWER, 0},
    {"watt", POWER, 0},
    {"watts", POWER, 0},
    {"w", POWER, 0},
    {"kw", POWER, 0},
    {"kilowatt", POWER, 0},
    {"kilowatts", POWER, 0},
    {"voltage", OTHER, 0},
    {"volt", OTHER, 0},
    {"volts", OTHER, 0},
    {"v", OTHER, 0},
    {"current", OTHER, 0},
    {"amp", OTHER, 0},
    {"amps", OTHER, 0},
    {"ampere", OTHER, 0},
    {"a", OTHER, 0},
    {"temperature", OTHER, 0},
    {"temp", OTHER, 0},
    {"humidity", OTHER, 0},
    {"frequency", OTHER, 0},
    {"hz", OTHER, 0},
    {"energy", OTHER, 0},
    {"kwh", OTHER, 0},
    {"wh", OTHER, 0},
    {"price", OTHER, 0},
    {"tariff", OTHER, 0},
    {"cost", OTHER, 0},
    {"uptime", OTHER, 0},
    {"rssi", OTHER, 0},
    {"signal", OTHER, 0},
    {"lux", OTHER, 0},
    {"illuminance", OTHER, 0},
    {"pressure", OTHER, 0},
    {"count", OTHER, 0},
    {"counter", OTHER, 0},
    {"total", OTHER, 0},
    {"reactive", OTHER, 0},
    {"apparent", OTHER, 0},
    {"var", OTHER, 0},
    {"va", OTHER, 0},
    {"factor", OTHER, 0},
    {"limit", OTHER, 0},
    {"setpoint", OTHER, 0},
    {"target", OTHER, 0},
    {"forecast", OTHER, 0},
    {"time", OTHER, 0},
    {"timestamp", OTHER, 0},
    {"utc", OTHER, 0},
    {"step", OTHER, 0},
    {"phone", OTHER, 0},
    {"health", OTHER, 0},
};

struct name {
    char words[MOST_WORDS][WORD_SIZE];
    size_t count;
};

struct gr_names {
    struct name *names;
    size_t count;
};

/* ---- taking names apart ---- */

static void close_word(struct name *name, size_t *length)
{
    if (*length > 0) { /* then there was room for it */
        name->words[name->count++][*length] = '\0';
    }
    *length = 0;
}

/* Letters in a row are a word; a capital after a small letter begins one ("batteryPower"). */
static void split(struct name *name, const char *text)
{
    size_t length = 0;
    for (char before = '\0'; *text; before = *text++) {
        unsigned char c = (unsigned char)*text;
        if (!isalpha(c) || (isupper(c) && islower((unsigned char)before))) {
            close_word(name, &length);
        }
        if (isalpha(c) && length + 1 < WORD_SIZE && name->count < MOST_WORDS) {
            name->words[name->count][length++] = (char)tolower(c);
        }
    }
    close_word(name, &length);
}

static bool holds(const struct name *name, const char *word)
{
    for (size_t i = 0; i < name->count; i++) {
        if (strcmp(name->words[i], word) == 0) {
            return true;
        }
    }
    return false;
}

int gr_names_create(struct gr_names **out, const struct gr_topic_series *series, size_t count)
{
    struct gr_names *names = calloc(1, sizeof *names);
    if (!names) {
        return GR_NO_MEMORY;
    }
    names->names = calloc(count + 1, sizeof *names->names);
    if (!names->names) {
        free(names);
        return GR_NO_MEMORY;
    }
    names->count = count;
    for (size_t i = 0; i < count; i++) {
        split(&names->names[i], series[i].topic);
        if (series[i].is_json) {
            split(&names->names[i], series[i].pointer);
        }
    }
    *out = names;
    return GR_OK;
}

void gr_names_free(struct gr_names *names)
{
    if (names) {
        free(names->names);
        free(names);
    }
}

/* ---- judging ---- */

/* "home/..." before everything tells nothing apart. */
static bool is_common(const struct gr_names *names, const char *word)
{
    size_t holders = 0;
    for (size_t i = 0; i < names->count; i++) {
        holders += holds(&names->names[i], word);
    }
    return names->count >= FEW && holders * COMMON_DENOMINATOR > names->count * COMMON_NUMERATOR;
}

/* "home/..." may also be where everything is, the house's own power or not. */
static bool is_place(const struct gr_names *names, const struct name *name, size_t at)
{
    size_t beginners = 0;
    for (size_t i = 0; at == 0 && i < names->count; i++) {
        beginners += names->names[i].count > 1 && strcmp(names->names[i].words[0], name->words[0]) == 0;
    }
    return beginners >= FEW;
}

static const struct word *look_up(const char *text)
{
    for (size_t i = 0; i < sizeof known / sizeof *known; i++) {
        if (strcmp(known[i].text, text) == 0) {
            return &known[i];
        }
    }
    return NULL;
}

/* What the words of one name say together. */
struct meaning {
    const struct word *role; /* the strongest, and of these the last one */
    const struct word *other;
    bool power, share, battery, car;
};

static struct meaning read_name(const struct gr_names *names, size_t series)
{
    const struct name *name = &names->names[series];
    struct meaning meaning = {0};
    for (size_t i = 0; i < name->count; i++) {
        const struct word *word = look_up(name->words[i]);
        if (!word || (word->speaks_of < GR_CHANNELS && is_common(names, word->text)) ||
            (word->speaks_of == GR_HOUSE_POWER && is_place(names, name, i))) {
            continue;
        }
        meaning.power = meaning.power || word->speaks_of == POWER;
        meaning.share = meaning.share || word->speaks_of == SHARE || word->speaks_of == GR_STATE_OF_CHARGE;
        meaning.battery = meaning.battery || word->speaks_of == GR_BATTERY_POWER;
        meaning.car = meaning.car || word->speaks_of == GR_CAR_POWER;
        meaning.other = word->speaks_of == OTHER ? word : meaning.other;
        if (word->speaks_of < GR_CHANNELS && (!meaning.role || word->strength >= meaning.role->strength)) {
            meaning.role = word;
        }
    }
    return meaning;
}

static double suit_power(const struct meaning *meaning, enum gr_channel channel)
{
    double suits = meaning->power ? 1 : 0;
    if (meaning->role) {
        double weight = meaning->role->strength > 1 ? 3 : 2;
        suits += meaning->role->speaks_of == (int)channel ? weight : -3;
    }
    if (meaning->other && !meaning->power) {
        suits -= 4;
    }
    return suits - (meaning->share && !meaning->power ? 2 : 0);
}

static double suit_state(const struct meaning *meaning)
{
    if (meaning->role && meaning->role->speaks_of == GR_STATE_OF_CHARGE) {
        return meaning->car ? -2 : 4; /* a car has a battery too */
    }
    bool elsewhere = meaning->role && meaning->role->speaks_of != GR_BATTERY_POWER;
    if (elsewhere || meaning->power || meaning->other) {
        return -4;
    }
    return (meaning->battery ? 1 : 0) + (meaning->share ? 2 : 0);
}

double gr_names_suit(const struct gr_names *names, size_t series, enum gr_channel channel, const char **word)
{
    struct meaning meaning = read_name(names, series);
    double suits = channel == GR_STATE_OF_CHARGE ? suit_state(&meaning) : suit_power(&meaning, channel);
    *word = meaning.role ? meaning.role->text : "";
    return suits;
}

bool gr_names_hold_unit(const struct gr_names *names, size_t series, enum gr_unit unit)
{
    const struct name *name = &names->names[series];
    if (unit == GR_UNIT_KW) {
        return holds(name, "kw") || holds(name, "kilowatt") || holds(name, "kilowatts");
    }
    return holds(name, "w") || holds(name, "watt") || holds(name, "watts");
}
