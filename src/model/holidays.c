#include "granary/holidays.h"

#include "granary/civil.h"

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

/* Value of so many digits; -1 where one is none. */
static int digits(const char *text, size_t count)
{
    int value = 0;
    for (size_t i = 0; i < count; i++) {
        if (text[i] < '0' || text[i] > '9') {
            return -1;
        }
        value = 10 * value + (text[i] - '0');
    }
    return value;
}

/* 0 where the word is no date. */
static int parse_date(const char *word, size_t length)
{
    bool of_every_year = length == 5;
    if ((!of_every_year && length != 10) || (!of_every_year && word[4] != '-')) {
        return 0;
    }
    const char *month_word = of_every_year ? word : word + 5;
    int year = of_every_year ? LEAP_YEAR : digits(word, 4);
    int month = digits(month_word, 2), day = digits(month_word + 3, 2);
    if (month_word[2] != '-' || !gr_civil_is_date(year, month, day)) {
        return 0;
    }
    return (of_every_year ? 0 : year * 10000) + month * 100 + day;
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
