#include "forecast/weather.h"

#include "granary/civil.h"
#include "granary/sun.h"

#include <math.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

enum { DAYS_AHEAD = 6, MOST_SLOTS = 5000 };
#define AHEAD ((int64_t)DAYS_AHEAD * CELLS_PER_DAY)
#define RING ((int64_t)(GR_HISTORY_DAYS + DAYS_AHEAD) * CELLS_PER_DAY)

static const int64_t early_s = (int64_t)6 * 3600;
static const double least_clear_kw = 0.02; /* below it a ratio to the clear sky tells nothing */
static const double most_clearness = 1.2;
static const double gamma_per_k = -0.0035, model_air_c = 15; /* as in gr_array_kw */

struct gr_weather {
    enum gr_weather_kind kind; /* of the sun */
    struct weather_cell ring[RING];
};

static const struct {
    const char *name;
    double least, greatest;
    const char *unit;
} kinds[GR_WEATHER_KINDS] = {[GR_WEATHER_IRRADIANCE] = {"irradiance", 0, 1.6, " kW/m2"},
                             [GR_WEATHER_CLOUD_COVER] = {"cloud cover", 0, 1, " of the sky"},
                             [GR_WEATHER_GENERATION] = {"generation", 0, 1000, " kW"},
                             [GR_WEATHER_TEMPERATURE] = {"temperature", -60, 60, " degrees"}};

const char *gr_weather_name(enum gr_weather_kind kind)
{
    return (unsigned)kind < GR_WEATHER_KINDS ? kinds[kind].name : "unknown";
}

int gr_weather_check(const struct gr_rate_table *table, enum gr_weather_kind kind, double least,
                     double greatest, const struct gr_zone *zone, int64_t now_s, struct gr_error *error)
{
    char moment[GR_RFC3339_SIZE];
    if (table->count == 0 || table->count > MOST_SLOTS) {
        return gr_error_set(error, GR_INVALID, "it holds %zu slots, 1 to %d expected", table->count,
                            MOST_SLOTS);
    }
    for (size_t i = 0; i < table->count; i++) {
        double value = table->rates[i].price_per_kwh;
        int64_t start_s = table->rates[i].start_s;
        if (!(value >= least && value <= greatest)) {
            return gr_error_set(error, GR_INVALID, "the %s at %s is %.6g%s, but %.4g to %.4g is plausible",
                                kinds[kind].name,
                                gr_rfc3339_format_local(moment, start_s, gr_zone_offset_s(zone, start_s)),
                                value, kinds[kind].unit, least, greatest);
        }
    }
    int64_t end_s = table->rates[table->count - 1].end_s;
    if (end_s < now_s + early_s) {
        return gr_error_set(error, GR_INVALID,
                            "it ends at %s, which is no forecast: six hours from now on expected",
                            gr_rfc3339_format_local(moment, end_s, gr_zone_offset_s(zone, end_s)));
    }
    return GR_OK;
}

static void forget_sun(struct weather_cell *cell)
{
    cell->last = cell->early = (struct told){NAN, NAN};
}

int gr_weather_create(struct gr_weather **out)
{
    *out = malloc(sizeof **out);
    if (!*out) {
        return GR_NO_MEMORY;
    }
    (*out)->kind = GR_WEATHER_IRRADIANCE;
    for (size_t i = 0; i < RING; i++) {
        (*out)->ring[i] = (struct weather_cell){.number = INT64_MIN, .temperature_c = NAN};
        forget_sun(&(*out)->ring[i]);
    }
    return GR_OK;
}

void gr_weather_free(struct gr_weather *weather)
{
    free(weather);
}

size_t gr_weather_size(void)
{
    return sizeof(struct gr_weather);
}

void gr_weather_save(const struct gr_weather *weather, void *bytes)
{
    memset(bytes, 0, sizeof *weather);
    memcpy((char *)bytes + offsetof(struct gr_weather, kind), &weather->kind, sizeof weather->kind);
    memcpy((char *)bytes + offsetof(struct gr_weather, ring), weather->ring, sizeof weather->ring);
}

/* Whether the half hour in this place of the ring is none, or one that belongs there. */
static bool belongs(int64_t number, int64_t place)
{
    static const int64_t greatest = (INT64_C(1) << 41) / GR_HISTORY_STEP_S; /* twice a log's own */
    return number == INT64_MIN ||
           (number >= -greatest && number <= greatest && (number % RING + RING) % RING == place);
}

bool gr_weather_load(struct gr_weather *weather, const void *bytes)
{
    int kind;
    memcpy(&kind, (const char *)bytes + offsetof(struct gr_weather, kind), sizeof kind);
    bool sound = kind >= 0 && kind < GR_WEATHER_KINDS;
    for (int64_t i = 0; sound && i < RING; i++) {
        int64_t number;
        memcpy(&number,
               (const char *)bytes + offsetof(struct gr_weather, ring[0].number) +
                   (size_t)i * sizeof weather->ring[0],
               sizeof number);
        sound = belongs(number, i);
    }
    if (sound) {
        memcpy(weather, bytes, sizeof *weather);
    }
    return sound;
}

void gr_weather_forget_arrays(struct gr_weather *weather)
{
    for (size_t i = 0; i < RING; i++) {
        weather->ring[i].last.measure_kw = NAN;
        weather->ring[i].early.measure_kw = NAN;
    }
}

enum gr_weather_kind weather_kind(const struct gr_weather *weather)
{
    return weather->kind;
}

static struct weather_cell *place_of(struct gr_weather *weather, int64_t number)
{
    return &weather->ring[(number % RING + RING) % RING];
}

struct weather_cell *weather_cell_at(struct gr_weather *weather, int64_t number)
{
    struct weather_cell *cell = place_of(weather, number);
    return cell->number == number ? cell : NULL;
}

/* ---- taking ---- */

static void put(struct gr_weather *weather, enum gr_weather_kind kind, int64_t number, double value,
                int64_t at_s)
{
    struct weather_cell *cell = place_of(weather, number);
    if (cell->number != number) {
        *cell = (struct weather_cell){.number = number, .temperature_c = NAN};
        forget_sun(cell);
    }
    if (kind == GR_WEATHER_TEMPERATURE) {
        cell->temperature_c = value;
        cell->last.measure_kw = NAN;
        return;
    }
    cell->last = (struct told){value, NAN};
    if (number * GR_HISTORY_STEP_S - at_s >= early_s || isnan(cell->early.value)) {
        cell->early = cell->last;
    }
}

struct covered {
    const struct gr_rate_table *table;
    size_t at;
};

/* Time-weighted mean of the table over the half hour; NAN where it does not cover it wholly. Half hours come
 * in rising order. */
static double mean_of(struct covered *covered, int64_t start_s)
{
    const struct gr_rate_table *table = covered->table;
    int64_t end_s = start_s + GR_HISTORY_STEP_S, at_s = start_s;
    double sum = 0;
    for (; covered->at < table->count && table->rates[covered->at].end_s <= start_s; covered->at++) {
    }
    for (size_t i = covered->at; i < table->count && at_s < end_s; i++) {
        const struct gr_rate *rate = &table->rates[i];
        if (rate->start_s > at_s) {
            return NAN;
        }
        int64_t until_s = rate->end_s < end_s ? rate->end_s : end_s;
        sum += rate->price_per_kwh * (double)(until_s - at_s);
        at_s = until_s;
    }
    return at_s == end_s ? sum / GR_HISTORY_STEP_S : NAN;
}

static int64_t number_of(int64_t utc_s)
{
    return utc_s / GR_HISTORY_STEP_S - (utc_s % GR_HISTORY_STEP_S < 0);
}

void gr_weather_take(struct gr_weather *weather, enum gr_weather_kind kind, const struct gr_rate_table *table,
                     int64_t at_s)
{
    if (table->count == 0 || (unsigned)kind >= GR_WEATHER_KINDS) {
        return;
    }
    if (kind != GR_WEATHER_TEMPERATURE && kind != weather->kind) {
        weather->kind = kind;
        for (size_t i = 0; i < RING; i++) {
            forget_sun(&weather->ring[i]);
        }
    }
    struct covered covered = {.table = table};
    int64_t first = number_of(table->rates[0].start_s);
    int64_t end = number_of(table->rates[table->count - 1].end_s);
    int64_t latest = at_s > 0 ? number_of(at_s) + AHEAD : end;
    end = end < latest ? end : latest;
    first = first > end - RING ? first : end - RING;
    for (int64_t number = first; number < end; number++) {
        double value = mean_of(&covered, number * GR_HISTORY_STEP_S);
        if (isfinite(value)) {
            put(weather, kind, number, fmin(fmax(value, kinds[kind].least), kinds[kind].greatest), at_s);
        }
    }
}

/* ---- telling again ---- */

enum part { AIR, EARLY, LAST, PARTS };

static double part_of(const struct weather_cell *cell, enum part part)
{
    return part == AIR ? cell->temperature_c : part == EARLY ? cell->early.value : cell->last.value;
}

static int64_t newest_of(const struct gr_weather *weather)
{
    int64_t newest = INT64_MIN;
    for (size_t i = 0; i < RING; i++) {
        newest = weather->ring[i].number > newest ? weather->ring[i].number : newest;
    }
    return newest;
}

static void gather(const struct gr_weather *weather, enum part part, struct gr_rate_table *out)
{
    int64_t newest = newest_of(weather);
    out->count = 0;
    if (newest == INT64_MIN) {
        return;
    }
    for (int64_t number = newest - RING + 1; number <= newest; number++) {
        const struct weather_cell *cell = &weather->ring[(number % RING + RING) % RING];
        double value = cell->number == number ? part_of(cell, part) : (double)NAN;
        if (!isnan(value)) {
            int64_t start_s = number * GR_HISTORY_STEP_S;
            out->rates[out->count++] = (struct gr_rate){start_s, start_s + GR_HISTORY_STEP_S, value};
        }
    }
}

int gr_weather_retell(const struct gr_weather *weather, int64_t now_s,
                      void (*each)(void *context, enum gr_weather_kind kind,
                                   const struct gr_rate_table *table, int64_t at_s),
                      void *context)
{
    struct gr_rate_table table = {.rates = malloc(RING * sizeof *table.rates)};
    if (!table.rates) {
        return GR_NO_MEMORY;
    }
    for (int part = 0; part < PARTS; part++) {
        gather(weather, (enum part)part, &table);
        if (table.count > 0) {
            each(context, part == AIR ? GR_WEATHER_TEMPERATURE : weather->kind, &table,
                 part == LAST ? now_s : 0);
        }
    }
    free(table.rates);
    return GR_OK;
}

/* ---- what the arrays make of it ---- */

static double clear_sky_kw(const struct gr_site *site, int64_t start_s)
{
    enum { SAMPLES = 6 };
    double sum = 0;
    for (int64_t n = 0; n < SAMPLES; n++) {
        int64_t utc_s = start_s + (int64_t)GR_HISTORY_STEP_S * (2 * n + 1) / ((int64_t)2 * SAMPLES);
        struct gr_sun sun = gr_sun_at(utc_s, site->latitude_deg, site->longitude_deg);
        double elevation_deg = sun.elevation_deg + gr_sun_refraction_deg(sun.elevation_deg);
        sum += gr_clear_sky_haurwitz(90 - elevation_deg);
    }
    return sum / SAMPLES / 1000;
}

/* Kasten and Czeplak (Solar Energy 24, 1980): what is left of the clear sky's global irradiance (from
 * memory). */
static double clearness_under(double cloud_cover)
{
    return 1 - 0.75 * pow(cloud_cover, 3.4);
}

static double find_measure(const struct gr_weather *weather, const struct weather_cell *cell, double value,
                           const struct gr_site *site)
{
    int64_t start_s = cell->number * GR_HISTORY_STEP_S;
    if (weather->kind == GR_WEATHER_GENERATION) {
        return value;
    }
    double clear_kw = clear_sky_kw(site, start_s);
    bool clouds = weather->kind == GR_WEATHER_CLOUD_COVER;
    double clearness = clouds ? clearness_under(value) : value / fmax(clear_kw, least_clear_kw);
    if (site->array_count == 0) {
        return clouds ? clearness * clear_kw : value;
    }
    double kw = gr_site_solar_kw(site, start_s, start_s + GR_HISTORY_STEP_S, fmin(clearness, most_clearness));
    double warmer_c = isnan(cell->temperature_c) ? 0 : cell->temperature_c - model_air_c;
    return kw * (1 + gamma_per_k * warmer_c);
}

double weather_measure(struct gr_weather *weather, int64_t number, bool early, const struct gr_site *site)
{
    struct weather_cell *cell = weather_cell_at(weather, number);
    struct told *told = !cell ? NULL : early ? &cell->early : &cell->last;
    if (!told || isnan(told->value)) {
        return NAN;
    }
    if (isnan(told->measure_kw)) {
        told->measure_kw = find_measure(weather, cell, told->value, site);
    }
    return told->measure_kw;
}

double weather_mean(int64_t start_s, int64_t end_s, double (*of)(void *context, int64_t number),
                    void *context)
{
    double sum = 0;
    for (int64_t at_s = start_s; at_s < end_s;) {
        int64_t number = number_of(at_s);
        int64_t until_s = (number + 1) * GR_HISTORY_STEP_S;
        until_s = until_s < end_s ? until_s : end_s;
        sum += of(context, number) * (double)(until_s - at_s);
        at_s = until_s;
    }
    return sum / (double)(end_s - start_s);
}
