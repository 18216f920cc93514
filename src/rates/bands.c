#include "granary/civil.h"
#include "granary/rates.h"

/* A local calendar day, as far as bands look at it. */
struct day {
    int month, day;
    int weekday; /* 0 Monday to 6 Sunday */
};

static struct day day_of(int64_t local_s)
{
    struct gr_civil civil = gr_civil_from_seconds(local_s);
    return (struct day){civil.month, civil.day, gr_civil_weekday(local_s) - 1};
}

static bool is_in_season(const struct gr_rate_band *band, const struct day *day)
{
    int from = band->from_month * 100 + band->from_day;
    int to = band->to_month * 100 + band->to_day;
    int at = day->month * 100 + day->day;
    if (from == 0 && to == 0) {
        return true;
    }
    return from <= to ? at >= from && at <= to : at >= from || at <= to;
}

static bool begins_on(const struct gr_rate_band *band, const struct day *day)
{
    return (band->weekdays >> day->weekday & 1u) && is_in_season(band, day);
}

static bool matches(const struct gr_rate_band *band, const struct day *today, const struct day *yesterday,
                    int minute)
{
    if (band->from_minute < band->to_minute) {
        return minute >= band->from_minute && minute < band->to_minute && begins_on(band, today);
    }
    return (minute >= band->from_minute && begins_on(band, today)) ||
           (minute < band->to_minute && begins_on(band, yesterday));
}

static const struct gr_rate_band *find_band(const struct gr_rate_bands *bands, const struct day *today,
                                            const struct day *yesterday, int minute)
{
    for (size_t i = 0; i < bands->count; i++) {
        if (matches(&bands->band[i], today, yesterday, minute)) {
            return &bands->band[i];
        }
    }
    return NULL;
}

/* First minute after `minute` at which some band begins or ends, midnight at the latest. */
static int next_boundary(const struct gr_rate_bands *bands, int minute)
{
    int next = 24 * 60;
    for (size_t i = 0; i < bands->count; i++) {
        const int edges[] = {bands->band[i].from_minute, bands->band[i].to_minute};
        for (int e = 0; e < 2; e++) {
            if (edges[e] > minute && edges[e] < next) {
                next = edges[e];
            }
        }
    }
    return next;
}

/* Where the clock is changed before the next boundary, the price is looked at anew from there: the wall clock
 * has jumped. */
int gr_rate_bands_at(const struct gr_rate_bands *bands, const struct gr_zone *zone, int64_t utc_s,
                     double *price_per_kwh, int64_t *until_s)
{
    int64_t local = gr_zone_local_s(zone, utc_s);
    int64_t second_of_day = local - gr_civil_day(local) * GR_DAY_S;
    int minute = (int)(second_of_day / 60);
    int64_t boundary = utc_s + (int64_t)next_boundary(bands, minute) * 60 - second_of_day;
    int64_t change = gr_zone_next_change_s(zone, utc_s);
    *until_s = change < boundary ? change : boundary;

    struct day today = day_of(local), yesterday = day_of(local - GR_DAY_S);
    const struct gr_rate_band *band = find_band(bands, &today, &yesterday, minute);
    if (!band) {
        return GR_NOT_FOUND;
    }
    *price_per_kwh = band->price_per_kwh;
    return GR_OK;
}

/* ---- do they cover the year? ---- */

static int name_missing(struct gr_error *missing, const struct day *day, int minute)
{
    static const char *const weekdays[] = {"Monday", "Tuesday",  "Wednesday", "Thursday",
                                           "Friday", "Saturday", "Sunday"};
    static const char *const months[] = {"January",   "February", "March",    "April",
                                         "May",       "June",     "July",     "August",
                                         "September", "October",  "November", "December"};
    const char *month = months[day->month - 1];
    return gr_error_set(missing, GR_NOT_FOUND, "%s %02d:%02d in %s (from %d %s on)", weekdays[day->weekday],
                        minute / 60, minute % 60, month, day->day, month);
}

/* The first minute of the day that no band covers is midnight or the end of a band. */
static int find_gap(const struct gr_rate_bands *bands, const struct day *today, const struct day *yesterday)
{
    for (int minute = 0; minute < 24 * 60; minute = next_boundary(bands, minute)) {
        if (!find_band(bands, today, yesterday, minute)) {
            return minute;
        }
    }
    return -1;
}

/* Every date of a leap year on every weekday: what holds for these holds for all years. */
int gr_rate_bands_check(const struct gr_rate_bands *bands, struct gr_error *missing)
{
    int64_t new_year = gr_civil_seconds(&(struct gr_civil){.year = 2024, .month = 1, .day = 1});
    for (int date = 0; date < 366; date++) {
        struct day today = day_of(new_year + (int64_t)date * GR_DAY_S);
        struct day yesterday = day_of(new_year + (int64_t)(date - 1) * GR_DAY_S);
        for (int weekday = 0; weekday < 7; weekday++) {
            today.weekday = weekday;
            yesterday.weekday = (weekday + 6) % 7;
            int minute = find_gap(bands, &today, &yesterday);
            if (minute >= 0) {
                return name_missing(missing, &today, minute);
            }
        }
    }
    return GR_OK;
}
