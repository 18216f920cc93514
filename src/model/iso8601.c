#include "granary/civil.h"

#include <stdio.h>

/* What is left of a text. */
struct scan {
    const char *at, *end;
};

static bool take_one_of(struct scan *scan, const char *characters)
{
    for (; scan->at < scan->end && *characters != '\0'; characters++) {
        if (*scan->at == *characters) {
            scan->at++;
            return true;
        }
    }
    return false;
}

static bool is_digit(const struct scan *scan)
{
    return scan->at < scan->end && *scan->at >= '0' && *scan->at <= '9';
}

/* Exactly `count` digits. */
static bool take_digits(struct scan *scan, int count, int *out)
{
    *out = 0;
    for (int i = 0; i < count; i++) {
        if (!is_digit(scan)) {
            return false;
        }
        *out = *out * 10 + (*scan->at++ - '0');
    }
    return true;
}

static bool take_fraction(struct scan *scan)
{
    bool any = false;
    for (; is_digit(scan); scan->at++) {
        any = true;
    }
    return any;
}

static bool take_date(struct scan *scan, struct gr_civil *out)
{
    return take_digits(scan, 4, &out->year) && take_one_of(scan, "-") && take_digits(scan, 2, &out->month) &&
           take_one_of(scan, "-") && take_digits(scan, 2, &out->day) &&
           gr_civil_is_date(out->year, out->month, out->day);
}

static bool take_time(struct scan *scan, struct gr_civil *out)
{
    if (!take_digits(scan, 2, &out->hour) || !take_one_of(scan, ":") || !take_digits(scan, 2, &out->minute)) {
        return false;
    }
    out->second = 0;
    if (take_one_of(scan, ":") &&
        (!take_digits(scan, 2, &out->second) || (take_one_of(scan, ".") && !take_fraction(scan)))) {
        return false;
    }
    return out->hour <= 23 && out->minute <= 59 && out->second <= 60;
}

static bool take_date_time(struct scan *scan, int64_t *out_local)
{
    struct gr_civil civil;
    if (!take_date(scan, &civil) || !take_one_of(scan, "Tt ") || !take_time(scan, &civil)) {
        return false;
    }
    *out_local = gr_civil_seconds(&civil);
    return true;
}

static bool take_offset(struct scan *scan, int *out_s)
{
    *out_s = 0;
    if (take_one_of(scan, "Zz")) {
        return true;
    }
    bool west = scan->at < scan->end && *scan->at == '-';
    int hours, minutes;
    if (!take_one_of(scan, "+-") || !take_digits(scan, 2, &hours)) {
        return false;
    }
    (void)take_one_of(scan, ":");
    if (!take_digits(scan, 2, &minutes) || hours > 23 || minutes > 59) {
        return false;
    }
    *out_s = (west ? -1 : 1) * (hours * 3600 + minutes * 60);
    return true;
}

int gr_rfc3339_parse(int64_t *out, const char *text, size_t length)
{
    struct scan scan = {text, text + length};
    int64_t local;
    int offset_s;
    if (!take_date_time(&scan, &local) || !take_offset(&scan, &offset_s) || scan.at != scan.end) {
        return GR_INVALID;
    }
    *out = local - offset_s;
    return GR_OK;
}

int gr_local_time_parse(int64_t *out_local, const char *text, size_t length)
{
    struct scan scan = {text, text + length};
    int64_t local;
    if (!take_date_time(&scan, &local) || scan.at != scan.end) {
        return GR_INVALID;
    }
    *out_local = local;
    return GR_OK;
}

static int64_t clamp_to_four_digit_years(int64_t seconds)
{
    const int64_t least = INT64_C(-62167219200); /* 0000-01-01T00:00:00 */
    const int64_t most = INT64_C(253402300799);  /* 9999-12-31T23:59:59 */
    return seconds < least ? least : seconds > most ? most : seconds;
}

/* "2026-11-25T09:04:19", followed by `tail`. The remainders tell the compiler that each field fits its width.
 */
static char *format_fields(char out[GR_RFC3339_SIZE], int64_t seconds, const char *tail)
{
    struct gr_civil c = gr_civil_from_seconds(seconds);
    (void)snprintf(out, GR_RFC3339_SIZE, "%04u-%02u-%02uT%02u:%02u:%02u%.6s", (unsigned)c.year % 10000u,
                   (unsigned)c.month % 100u, (unsigned)c.day % 100u, (unsigned)c.hour % 100u,
                   (unsigned)c.minute % 100u, (unsigned)c.second % 100u, tail);
    return out;
}

char *gr_rfc3339_format(char out[GR_RFC3339_SIZE], int64_t utc_s)
{
    return format_fields(out, clamp_to_four_digit_years(utc_s), "Z");
}

/* The text form knows whole minutes of offset only (RFC 3339 section 5.6); cutting it and the local time
 * alike keeps the moment right. */
char *gr_rfc3339_format_local(char out[GR_RFC3339_SIZE], int64_t utc_s, int32_t offset_s)
{
    int32_t offset_minutes = offset_s / 60 % (24 * 60);
    unsigned size = (unsigned)(offset_minutes < 0 ? -offset_minutes : offset_minutes);
    char tail[8];
    (void)snprintf(tail, sizeof tail, "%c%02u:%02u", offset_minutes < 0 ? '-' : '+', size / 60 % 24,
                   size % 60);
    int64_t local = clamp_to_four_digit_years(utc_s) + (int64_t)offset_minutes * 60;
    return format_fields(out, clamp_to_four_digit_years(local), tail);
}

/* Nine digits at most, so that no sum of parts can overflow. */
static bool take_number(struct scan *scan, int64_t *out)
{
    int digits = 0;
    *out = 0;
    for (; is_digit(scan) && digits < 9; digits++) {
        *out = *out * 10 + (*scan->at++ - '0');
    }
    return digits > 0;
}

int gr_duration_parse(int64_t *out_s, const char *text, size_t length)
{
    static const struct {
        bool after_t;
        char designator[2];
        int64_t seconds;
    } units[] = {
        {false, "W", 604800}, {false, "D", 86400}, {true, "H", 3600}, {true, "M", 60}, {true, "S", 1}};
    const size_t unit_count = sizeof units / sizeof units[0];
    struct scan scan = {text, text + length};
    bool after_t = false;
    int64_t total = 0, number;
    if (!take_one_of(&scan, "P") || scan.at == scan.end) {
        return GR_INVALID;
    }
    for (size_t next = 0; scan.at < scan.end; next++) {
        if (!after_t && take_one_of(&scan, "T")) {
            after_t = true;
        }
        if (!take_number(&scan, &number)) {
            return GR_INVALID;
        }
        while (next < unit_count &&
               (units[next].after_t != after_t || !take_one_of(&scan, units[next].designator))) {
            next++;
        }
        if (next >= unit_count) {
            return GR_INVALID;
        }
        total += number * units[next].seconds;
    }
    *out_s = total;
    return GR_OK;
}
