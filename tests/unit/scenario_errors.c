#include "check.h"

#include "scenarios/scenario.h"

/* What is wrong with a scenario is said with file and line. */
static void refused(const char *text, const char *words)
{
    struct scenario scenario;
    struct gr_error error = {""};
    int status = scenario_read(&scenario, "x.txt", text, strlen(text), &error);
    if (status == GR_OK) {
        status = scenario_play(&scenario, "x.txt", &error);
        scenario_free(&scenario);
    }
    assert_int_not_equal(status, GR_OK);
    assert_says(error.text, words);
}

static void lines_that_are_not_understood_are_named(void **state)
{
    (void)state;
    refused("at 01:00\n\nfly to the moon\n", "x.txt:3: \"fly\" begins no line");
    refused("house takes much kW\n", "x.txt:1: found \"much\", expected a line like: house takes NUMBER kW");
    refused("after 10 fortnights\n", "found \"10\"");
    refused("at 25:00\n", "found \"25:00\"");
    refused("expect command dance\n", "found \"dance\", expected a line like: command");
    refused("expect\n", "the end of the line");
    refused("title \"no end\n", "x.txt:1: a quote without its end");
    refused("state_of_charge reads 1e999\n", "1e999");
}

static void what_is_not_as_it_must_be_is_told_with_what_is(void **state)
{
    (void)state;
    refused("at 01:00\nexpect command follow\n",
            "x.txt:2: found command charge 6.00 kW, 1 h 0 min 0 s after the start");
    refused("within 1 min fault budget\n", "not in time; at last fault none");
    refused("for 1 h command follow\n", "found command charge");
    refused("expect stored at least 51 %\n", "found stored 50.000");
    refused("expect reason \"zebra\"\n", "the reason \"");
}

static void the_house_is_told_before_the_first_moment(void **state)
{
    (void)state;
    refused("at 01:00\nreserve 10 %\n", "x.txt:2: this belongs before the first moment");
    refused("at 2026-03-09 00:00\n", "has passed already");
    refused("zone \"Nowhere/Land\"\nat 01:00\n", "x.txt:2: ");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lines_that_are_not_understood_are_named),
        cmocka_unit_test(what_is_not_as_it_must_be_is_told_with_what_is),
        cmocka_unit_test(the_house_is_told_before_the_first_moment),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
