#include "granary/holidays.h"

#include "granary/civil.h"

#include <stdio.h>
#include <string.h>

enum { SATURDAY = 6, LEAP_YEAR = 2000 };

bool gr_is_holiday(const struct gr_holidays *holidays, int64_t day)
{
    if (holidays->date[0] == 0) {
        return false;
    }
    struct gr_civil civil = gr_civil_from_seconds(day * GR_DAY_S);
    int of_every_year = civil.month * 100 + civil.day, of_this_year = civil.year * 10000 + of_every_year;
    for (size_t i = 0; i < GR_MOST_HOLIDAYS && holidays->date[i] != 0; i++) {
        if (holidays->date[i] == of_every_year || holidays->date[i] == of_this_year) {
            return true;
        }
    }
    return false;
}

bool gr_is_day_off(const struct gr_holidays *holidays, int64_t day)
{
    return gr_civil_weekday(day * GR_DAY_S) >= SATURDAY || gr_is_holiday(holidays, day);
}

/* 0 where the word is no date. */
static int parse_date(const char *word, size_t length)
{
    int year = 0, month = 0, day = 0, used = 0;
    char text[16];
    if (length != 5 && length != 10) {
        return 0;
    }
    (void)snprintf(text, sizeof text, "%.*s", (int)length, word);
    if (text[strspn(text, "0123456789-")] != '\0') {
        return 0;
    }
    bool read = length == 10 ? sscanf(text, "%4d-%2d-%2d%n", &year, &month, &day, &used) == 3
                             : sscanf(text, "%2d-%2d%n", &month, &day, &used) == 2;
    bool exists = gr_civil_is_date(length == 10 ? year : LEAP_YEAR, month, day);
    return read && exists && (size_t)used == length ? year * 10000 + month * 100 + day : 0;
}

int gr_holidays_parse(struct gr_holidays *out, const char *text, struct gr_error *error)
{
    struct gr_holidays read = {{0}};
    size_t count = 0;
    for (const char *at = text + strspn(text, ", "); *at; at += strspn(at, ", ")) {
        size_t length = strcspn(at, ", ");
        int date = parse_date(at, length);
        if (date == 0) {
            return gr_error_set(
                error, GR_INVALID,
                "found \"%.*s\"; allowed: dates like \"2026-04-06\", or \"12-25\" for every year",
                (int)(length < 40 ? length : 40), at);
        }
        if (count == GR_MOST_HOLIDAYS) {
            return gr_error_set(error, GR_INVALID, "found more than %d dates; allowed: %d", GR_MOST_HOLIDAYS,
                                GR_MOST_HOLIDAYS);
        }
        read.date[count++] = date;
        at += length;
    }
    *out = read;
    return GR_OK;
}
