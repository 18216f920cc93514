#include "zone_data.h"

#include "granary/civil.h"

#include <string.h>

struct scan {
    const char *at, *end;
};

static bool take(struct scan *scan, char character)
{
    if (scan->at < scan->end && *scan->at == character) {
        scan->at++;
        return true;
    }
    return false;
}

/* One to three digits up to `most`. */
static bool take_number(struct scan *scan, int most, int *out)
{
    int digits = 0;
    *out = 0;
    for (; scan->at < scan->end && *scan->at >= '0' && *scan->at <= '9' && digits < 3; digits++) {
        *out = *out * 10 + (*scan->at++ - '0');
    }
    return digits > 0 && *out <= most;
}

/* [+-]hh[:mm[:ss]] */
static bool take_time(struct scan *scan, int most_hours, int32_t *out_s)
{
    bool negative = take(scan, '-');
    int hours, minutes = 0, seconds = 0;
    if (!negative) {
        (void)take(scan, '+');
    }
    if (!take_number(scan, most_hours, &hours)) {
        return false;
    }
    if (take(scan, ':')) {
        if (!take_number(scan, 59, &minutes) || (take(scan, ':') && !take_number(scan, 59, &seconds))) {
            return false;
        }
    }
    *out_s = (negative ? -1 : 1) * (hours * 3600 + minutes * 60 + seconds);
    return true;
}

static bool is_letter(char c)
{
    return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
}

static bool is_name_character(char c, bool quoted)
{
    return is_letter(c) || (quoted && ((c >= '0' && c <= '9') || c == '+' || c == '-'));
}

static bool take_name(struct scan *scan, char out[GR_ABBREVIATION_SIZE])
{
    bool quoted = take(scan, '<');
    size_t length = 0;
    while (scan->at < scan->end && is_name_character(*scan->at, quoted)) {
        if (length + 1 == GR_ABBREVIATION_SIZE) {
            return false;
        }
        out[length++] = *scan->at++;
    }
    out[length] = '\0';
    return length >= 3 && (!quoted || take(scan, '>'));
}

/* POSIX counts offsets west of UTC. */
static bool take_offset(struct scan *scan, int32_t *out_east_s)
{
    int32_t west_s;
    if (!take_time(scan, 24, &west_s)) {
        return false;
    }
    *out_east_s = -west_s;
    return true;
}

static bool take_month_date(struct scan *scan, struct gr_rule_date *out)
{
    out->kind = GR_DAY_OF_MONTH;
    return take_number(scan, 12, &out->month) && out->month >= 1 && take(scan, '.') &&
           take_number(scan, 5, &out->week) && out->week >= 1 && take(scan, '.') &&
           take_number(scan, 6, &out->day);
}

static bool take_rule_date(struct scan *scan, struct gr_rule_date *out)
{
    bool ok;
    if (take(scan, 'M')) {
        ok = take_month_date(scan, out);
    } else if (take(scan, 'J')) {
        out->kind = GR_DAY_JULIAN;
        ok = take_number(scan, 365, &out->day) && out->day >= 1;
    } else {
        out->kind = GR_DAY_OF_YEAR;
        ok = take_number(scan, 365, &out->day);
    }
    out->time_s = 2 * 3600;
    return ok && (!take(scan, '/') || take_time(scan, 167, &out->time_s));
}

static bool take_summer(struct scan *scan, struct gr_posix_tz *out)
{
    out->has_summer = true;
    out->summer_s = out->standard_s + 3600;
    if (!take_name(scan, out->summer_name)) {
        return false;
    }
    if (scan->at < scan->end && *scan->at != ',' && !take_offset(scan, &out->summer_s)) {
        return false;
    }
    return take(scan, ',') && take_rule_date(scan, &out->summer_starts) && take(scan, ',') &&
           take_rule_date(scan, &out->summer_ends);
}

int gr_posix_tz_parse(struct gr_posix_tz *out, const char *text, size_t length)
{
    struct scan scan = {text, text + length};
    memset(out, 0, sizeof *out);
    bool ok = take_name(&scan, out->standard_name) && take_offset(&scan, &out->standard_s) &&
              (scan.at == scan.end || take_summer(&scan, out)) && scan.at == scan.end;
    return ok ? GR_OK : GR_INVALID;
}

/* ---- the rule through the years ---- */

static int64_t first_of_month_s(int year, int month)
{
    return gr_civil_seconds(&(struct gr_civil){.year = year, .month = month, .day = 1});
}

static int64_t month_date_s(const struct gr_rule_date *date, int year)
{
    int64_t first = first_of_month_s(year, date->month);
    int64_t next_month = first_of_month_s(year, date->month + 1);
    int weekday_of_first = gr_civil_weekday(first) % 7;
    int64_t day = first + (int64_t)((date->day - weekday_of_first + 7) % 7 + 7 * (date->week - 1)) * GR_DAY_S;
    return day >= next_month ? day - (int64_t)7 * GR_DAY_S : day;
}

/* Local seconds of the yearly moment. */
static int64_t rule_date_s(const struct gr_rule_date *date, int year)
{
    if (date->kind == GR_DAY_OF_MONTH) {
        return month_date_s(date, year) + date->time_s;
    }
    int day = date->day;
    if (date->kind == GR_DAY_JULIAN) {
        day -= !(gr_civil_is_date(year, 2, 29) && day >= 60);
    }
    return first_of_month_s(year, 1) + (int64_t)day * GR_DAY_S + date->time_s;
}

static int64_t summer_start_s(const struct gr_posix_tz *rule, int year)
{
    return rule_date_s(&rule->summer_starts, year) - rule->standard_s;
}

static int64_t summer_end_s(const struct gr_posix_tz *rule, int year)
{
    return rule_date_s(&rule->summer_ends, year) - rule->summer_s;
}

/* Hours of up to 167 and days up to 365 carry a change into the years beside its own, so two years back are
 * looked at. Of two changes at one moment the later year's counts: "summer" all year round ends and begins
 * again at New Year. */
bool gr_posix_tz_is_summer(const struct gr_posix_tz *rule, int64_t utc_s)
{
    if (!rule->has_summer) {
        return false;
    }
    int this_year = gr_civil_from_seconds(utc_s).year;
    int64_t latest = INT64_MIN;
    bool summer = false;
    for (int year = this_year - 2; year <= this_year + 1; year++) {
        int64_t start = summer_start_s(rule, year);
        int64_t end = summer_end_s(rule, year);
        if (start <= utc_s && start >= latest) {
            latest = start;
            summer = true;
        }
        if (end <= utc_s && end >= latest) {
            latest = end;
            summer = false;
        }
    }
    return summer;
}

int64_t gr_posix_tz_next_change_s(const struct gr_posix_tz *rule, int64_t utc_s)
{
    if (!rule->has_summer) {
        return INT64_MAX;
    }
    int this_year = gr_civil_from_seconds(utc_s).year;
    int64_t next = INT64_MAX;
    for (int year = this_year - 1; year <= this_year + 2; year++) {
        int64_t changes[] = {summer_start_s(rule, year), summer_end_s(rule, year)};
        for (int i = 0; i < 2; i++) {
            if (changes[i] > utc_s && changes[i] < next) {
                next = changes[i];
            }
        }
    }
    return next;
}
