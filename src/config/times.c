#include "config/form.h"

#include "granary/civil.h"

#include <ctype.h>
#include <string.h>

/* Two digits; -1 where there are none. */
static int two_digits(const char *text)
{
    if (!isdigit((unsigned char)text[0]) || !isdigit((unsigned char)text[1])) {
        return -1;
    }
    return (text[0] - '0') * 10 + (text[1] - '0');
}

int gr_clock_time_parse(const char *text)
{
    if (strlen(text) != 5 || text[2] != ':') {
        return -1;
    }
    int hour = two_digits(text), minute = two_digits(text + 3);
    if (hour < 0 || minute < 0 || minute > 59 || hour * 60 + minute > 1440) {
        return -1;
    }
    return hour * 60 + minute;
}

static int weekday_of(const char *text)
{
    static const char *const names[7] = {"Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"};
    for (int day = 0; day < 7; day++) {
        if (strncmp(text, names[day], 3) == 0) {
            return day;
        }
    }
    return -1;
}

/* "Mon" or "Mon-Fri" at *text, which is moved behind it; 0 where there is neither. */
static unsigned take_days(const char **text)
{
    int first = weekday_of(*text);
    if (first < 0) {
        return 0;
    }
    *text += 3;
    int last = first;
    if (**text == '-') {
        last = weekday_of(*text + 1);
        if (last < 0) {
            return 0;
        }
        *text += 4;
    }
    unsigned days = 0;
    for (int day = first;; day = (day + 1) % 7) {
        days |= 1U << day;
        if (day == last) {
            return days;
        }
    }
}

unsigned gr_weekdays_parse(const char *text)
{
    if (strcmp(text, "all") == 0) {
        return 127;
    }
    unsigned days = 0;
    for (;;) {
        unsigned more = take_days(&text);
        if (more == 0) {
            return 0;
        }
        days |= more;
        if (*text == '\0') {
            return days;
        }
        if (*text++ != ',') {
            return 0;
        }
        while (*text == ' ') {
            text++;
        }
    }
}

/* "MM-DD", 29 February included. */
static bool take_date(const char *text, int out[2])
{
    out[0] = two_digits(text);
    out[1] = two_digits(text + 3);
    return text[2] == '-' && gr_civil_is_date(2024, out[0], out[1]);
}

bool gr_season_parse(const char *text, int out[4])
{
    return strlen(text) == 12 && strncmp(text + 5, "..", 2) == 0 && take_date(text, out) &&
           take_date(text + 7, out + 2);
}
