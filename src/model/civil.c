#include "granary/civil.h"

/* Two thousand million years of 31 556 952 s: the year and its neighbours still fit into an int. */
#define MOST_SECONDS INT64_C(63113904000000000)

static int64_t divide_down(int64_t value, int64_t divisor)
{
    int64_t quotient = value / divisor;
    return quotient - (value % divisor < 0);
}

/* Days from 1970-01-01 to the first of the month. The year is counted from March, so that a leap day ends it;
 * 400 years have 146 097 days (common practice for the Gregorian calendar). */
static int64_t month_day(int64_t year, int month)
{
    int64_t from_march = (month + 9) % 12;
    int64_t y = year - (month <= 2);
    int64_t era = divide_down(y, 400);
    int64_t year_of_era = y - era * 400;
    int64_t day_of_year = (153 * from_march + 2) / 5;
    return era * 146097 + year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year - 719468;
}

int64_t gr_civil_seconds(const struct gr_civil *civil)
{
    int64_t months = (int64_t)civil->year * 12 + civil->month - 1;
    int64_t year = divide_down(months, 12);
    int64_t day = month_day(year, (int)(months - year * 12) + 1) + civil->day - 1;
    return day * GR_DAY_S + (int64_t)civil->hour * 3600 + (int64_t)civil->minute * 60 + civil->second;
}

int64_t gr_civil_day(int64_t seconds)
{
    return divide_down(seconds, GR_DAY_S);
}

/* The inverse of month_day, with the day of the month; the same March-based year. */
static void split_day(int64_t day, struct gr_civil *out)
{
    int64_t shifted = day + 719468;
    int64_t era = divide_down(shifted, 146097);
    int64_t day_of_era = shifted - era * 146097;
    int64_t year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36524 - day_of_era / 146096) / 365;
    int64_t day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    int64_t from_march = (5 * day_of_year + 2) / 153;
    out->day = (int)(day_of_year - (153 * from_march + 2) / 5 + 1);
    out->month = (int)(from_march < 10 ? from_march + 3 : from_march - 9);
    out->year = (int)(year_of_era + era * 400 + (out->month <= 2));
}

struct gr_civil gr_civil_from_seconds(int64_t seconds)
{
    if (seconds > MOST_SECONDS) {
        seconds = MOST_SECONDS;
    }
    if (seconds < -MOST_SECONDS) {
        seconds = -MOST_SECONDS;
    }
    int64_t day = gr_civil_day(seconds);
    int second_of_day = (int)(seconds - day * GR_DAY_S);
    struct gr_civil civil = {
        .hour = second_of_day / 3600,
        .minute = second_of_day / 60 % 60,
        .second = second_of_day % 60,
    };
    split_day(day, &civil);
    return civil;
}

int gr_civil_weekday(int64_t seconds)
{
    int64_t since_monday = gr_civil_day(seconds) + 3; /* 1970-01-01 was a Thursday */
    return (int)(since_monday - divide_down(since_monday, 7) * 7) + 1;
}

bool gr_civil_is_date(int year, int month, int day)
{
    if (year < 1 || year > 9999 || month < 1 || month > 12 || day < 1) {
        return false;
    }
    int64_t next = month == 12 ? month_day(year + 1, 1) : month_day(year, month + 1);
    return day <= next - month_day(year, month);
}
