#include "check.h"

#include "granary/civil.h"
#include "granary/holidays.h"

static int64_t day_of(int year, int month, int day)
{
    struct gr_civil civil = {.year = year, .month = month, .day = day};
    return gr_civil_seconds(&civil) / GR_DAY_S;
}

static void dates_of_one_year_and_of_every_year_are_known(void **state)
{
    (void)state;
    struct gr_holidays holidays;
    assert_int_equal(gr_holidays_parse(&holidays, " 2026-04-06,12-25, 02-29 ,", NULL), GR_OK);
    assert_true(gr_is_holiday(&holidays, day_of(2026, 4, 6)));
    assert_false(gr_is_holiday(&holidays, day_of(2027, 4, 6)));
    assert_true(gr_is_holiday(&holidays, day_of(2031, 12, 25)));
    assert_true(gr_is_holiday(&holidays, day_of(2028, 2, 29)));
    assert_false(gr_is_holiday(&holidays, day_of(2026, 12, 24)));
}

static void days_off_are_weekends_and_holidays(void **state)
{
    (void)state;
    struct gr_holidays holidays, none = {{0}};
    assert_int_equal(gr_holidays_parse(&holidays, "2026-11-25", NULL), GR_OK);
    assert_true(gr_is_day_off(&holidays, day_of(2026, 11, 25))); /* a Wednesday */
    assert_false(gr_is_day_off(&none, day_of(2026, 11, 25)));
    assert_true(gr_is_day_off(&none, day_of(2026, 11, 28)));
    assert_true(gr_is_day_off(&none, day_of(2026, 11, 29)));
    assert_false(gr_is_day_off(&holidays, day_of(2026, 11, 27)));
}

static void what_is_no_date_is_refused_and_changes_nothing(void **state)
{
    (void)state;
    static const char *const texts[] = {"25.12.",      "2026-13-01", "2026-02-29", "02-30",      "12-5",
                                        "2026-12-25x", "christmas",  "1-1",        "--",         "20-26-1225",
                                        "1a-25",       "/2-25",      "2026/04-06", "2026-04/06", "12/25",
                                        "202x-04-06",  "2026-0:-06"};
    struct gr_holidays holidays = {{1225}};
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        struct gr_error error = {""};
        if (gr_holidays_parse(&holidays, texts[i], &error) != GR_INVALID) {
            fail_msg("\"%s\" was taken", texts[i]);
        }
        assert_says(error.text, texts[i]);
        assert_int_equal(holidays.date[0], 1225);
    }
}

static void no_more_dates_are_taken_than_there_is_room_for(void **state)
{
    (void)state;
    char text[GR_MOST_HOLIDAYS * 6 + 16] = "";
    struct gr_holidays holidays;
    for (int i = 0; i < GR_MOST_HOLIDAYS; i++) {
        strcat(text, "01-01,");
    }
    assert_int_equal(gr_holidays_parse(&holidays, text, NULL), GR_OK);
    assert_true(gr_is_holiday(&holidays, day_of(2026, 1, 1)));
    assert_false(gr_is_holiday(&holidays, day_of(2026, 1, 2)));
    strcat(text, "01-02");
    assert_int_equal(gr_holidays_parse(&holidays, text, NULL), GR_INVALID);
    assert_int_equal(gr_holidays_parse(&holidays, "", NULL), GR_OK);
    assert_int_equal(holidays.date[0], 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(dates_of_one_year_and_of_every_year_are_known),
        cmocka_unit_test(days_off_are_weekends_and_holidays),
        cmocka_unit_test(what_is_no_date_is_refused_and_changes_nothing),
        cmocka_unit_test(no_more_dates_are_taken_than_there_is_room_for),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
