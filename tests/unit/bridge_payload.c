/* From payloads to values: what is read, and what is refused with which words. */
#include "granary/bridge.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static struct gr_input percent(void)
{
    return (struct gr_input){.configured = true,
                             .topic = "house/soc",
                             .unit = GR_UNIT_PERCENT,
                             .sign = 1.0,
                             .scale = 1.0,
                             .least = 0.0,
                             .greatest = 100.0};
}

static struct gr_input power(enum gr_unit unit)
{
    struct gr_input input = percent();
    input.unit = unit;
    input.least = -12.0;
    input.greatest = 12.0;
    return input;
}

static struct gr_input json(struct gr_input input, const char *pointer)
{
    input.is_json = true;
    (void)snprintf(input.pointer, sizeof input.pointer, "%s", pointer);
    return input;
}

static void check_value(const struct gr_input *input, enum gr_channel channel, const char *payload,
                        double value)
{
    struct gr_error error = {""};
    double out;
    if (gr_payload_read(&out, input, channel, 10.0, payload, strlen(payload), &error) != GR_OK) {
        fail_msg("<%s>: %s", payload, error.text);
    }
    if (out < value - 1e-9 || out > value + 1e-9) {
        fail_msg("<%s> gave %.12g, expected %.12g", payload, out, value);
    }
}

static void check_refusal(const struct gr_input *input, enum gr_channel channel, const void *payload,
                          size_t length, const char *words)
{
    struct gr_error error = {""};
    double out = 77.0;
    int code = gr_payload_read(&out, input, channel, 10.0, payload, length, &error);
    if (code != GR_INVALID || out != 77.0) {
        fail_msg("<%s> gave code %d and %g, expected a refusal", (const char *)payload, code, out);
    }
    if (!strstr(error.text, words)) {
        fail_msg("<%.40s>: \"%s\" does not say \"%s\"", (const char *)payload, error.text, words);
    }
    for (const char *c = error.text; *c != '\0'; c++) {
        assert_in_range(*c, 0x20, 0x7E);
    }
}

static void plain_numbers_are_read(void **state)
{
    (void)state;
    static const struct {
        const char *payload;
        double value;
    } rows[] = {
        {"57", 57.0},  {"57.25", 57.25}, {" 57\r\n", 57.0}, {"\t57", 57.0},  {"+57", 57.0},
        {"057", 57.0}, {"5.7e1", 57.0},  {"570E-1", 57.0},  {".5", 0.5},     {"0.5", 0.5},
        {"0", 0.0},    {"-0", 0.0},      {"00.5", 0.5},     {"1e-400", 0.0},
    };
    struct gr_input input = percent();
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        check_value(&input, GR_STATE_OF_CHARGE, rows[i].payload, rows[i].value);
    }
}

static void what_is_no_plain_number_is_refused(void **state)
{
    (void)state;
    static const struct {
        const char *payload, *words;
    } rows[] = {
        {"", "found nothing"},
        {" \r\n", "found nothing"},
        {"unavailable", "no value at present"},
        {"Unknown", "no value at present"},
        {"none", "no value at present"},
        {"null", "no value at present"},
        {"NaN", "finite plain number"},
        {"inf", "finite plain number"},
        {"-Infinity", "finite plain number"},
        {"1e400", "finite plain number"},
        {"57 %", "found \"57 %\", expected a finite plain number without a unit"},
        {"5W", "without a unit"},
        {"12,5", "decimal point, no comma"},
        {"1 000", "finite plain number"},
        {"0x20", "finite plain number"},
        {"5.", "finite plain number"},
        {".", "finite plain number"},
        {"+", "finite plain number"},
        {"--5", "finite plain number"},
        {"+-5", "finite plain number"},
        {"5e", "finite plain number"},
        {"true", "finite plain number"},
        {"{\"soc\": 57}", "needs a pointer"},
        {"[57]", "needs a pointer"},
        {"\"57\"", "needs a pointer"},
        {"11111111111111111111111111111111111111111111111111111111111111111111111", "finite plain number"},
    };
    struct gr_input input = percent();
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        check_refusal(&input, GR_STATE_OF_CHARGE, rows[i].payload, strlen(rows[i].payload), rows[i].words);
    }
}

static void bytes_that_are_no_text_are_refused(void **state)
{
    (void)state;
    static const struct {
        const char *payload;
        size_t length;
        const char *words;
    } rows[] = {
        {"5\xFF", 2, "found \"5\\xFF\", expected UTF-8"},
        {"\xEF\xBB\xBF"
         "57",
         5, "byte order mark"},
        {"57\0", 3, "found \"57\\x00\""},
        {"\0", 1, "found \"\\x00\""},
        {"5\x1B[31m", 6, "found \"5\\x1B[31m\""},
        {"\xFF\xFE"
         "5\0",
         4, "UTF-8"},
    };
    struct gr_input plain = percent(), pointed = json(percent(), "/soc");
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        check_refusal(&plain, GR_STATE_OF_CHARGE, rows[i].payload, rows[i].length, rows[i].words);
        check_refusal(&pointed, GR_STATE_OF_CHARGE, rows[i].payload, rows[i].length, "expected");
    }
}

static void numbers_are_found_by_pointer(void **state)
{
    (void)state;
    static const struct {
        const char *pointer, *payload;
        double value;
    } rows[] = {
        {"/soc", "{\"soc\": 57.5, \"other\": null}", 57.5},
        {"/a/b", "{\"a\": {\"b\": 57}}", 57.0},
        {"/a/1", "{\"a\": [1, 57]}", 57.0},
        {"", "57", 57.0},
        {"/soc", "{\"soc\": \" 57.5 \"}", 57.5},
        {"/soc", "{\"soc\": 57, \"counter\": 123456789012345678901234567890}", 57.0},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct gr_input input = json(percent(), rows[i].pointer);
        check_value(&input, GR_STATE_OF_CHARGE, rows[i].payload, rows[i].value);
    }
}

static void json_without_a_number_at_the_pointer_is_refused(void **state)
{
    (void)state;
    static const struct {
        const char *payload, *words;
    } rows[] = {
        {"", "expected JSON"},
        {"{\"soc\": 57", "expected JSON"},
        {"{\"soc\": 57} x", "expected JSON"},
        {"{\"soc\": 57,}", "expected JSON"},
        {"{\"soc\": NaN}", "expected JSON"},
        {"{\"soc\": 1e999}", "expected JSON"},
        {"{\"soc\": 1, \"soc\": 2}", "duplicate"},
        {"{\"state\": 57}", "soc"},
        {"{\"soc\": null}", "found null, expected a number"},
        {"{\"soc\": true}", "found true, expected a number"},
        {"{\"soc\": [57]}", "found an array, expected a number"},
        {"{\"soc\": {\"value\": 57}}", "found an object, expected a number"},
        {"{\"soc\": \"unavailable\"}", "no value at present"},
        {"{\"soc\": \"\"}", "found nothing"},
        {"{\"soc\": \"57 %\"}", "without a unit"},
    };
    struct gr_input input = json(percent(), "/soc");
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        check_refusal(&input, GR_STATE_OF_CHARGE, rows[i].payload, strlen(rows[i].payload), rows[i].words);
    }
}

static void deep_nesting_is_refused(void **state)
{
    (void)state;
    struct gr_input input = json(percent(), "/soc");
    char deep[30000];
    memset(deep, '[', sizeof deep / 2);
    memset(deep + sizeof deep / 2, ']', sizeof deep / 2);
    check_refusal(&input, GR_STATE_OF_CHARGE, deep, sizeof deep, "expected JSON");
}

static void a_payload_of_ten_megabytes_is_refused_by_its_size(void **state)
{
    (void)state;
    const size_t length = 10000000;
    char *payload = malloc(length);
    assert_non_null(payload);
    memset(payload, ' ', length);
    payload[0] = '5';
    struct gr_input input = percent();
    check_refusal(&input, GR_STATE_OF_CHARGE, payload, length,
                  "found 10000000 bytes, expected at most 65536");
    double out;
    assert_int_equal(gr_payload_read(&out, &input, GR_STATE_OF_CHARGE, 10.0, payload, 65536, NULL), GR_OK);
    free(payload);
}

static void units_become_those_of_the_core(void **state)
{
    (void)state;
    static const struct {
        enum gr_channel channel;
        enum gr_unit unit;
        double sign, scale, offset;
        const char *payload;
        double value;
    } rows[] = {
        {GR_BATTERY_POWER, GR_UNIT_KW, 1.0, 1.0, 0.0, "-3.5", -3.5},
        {GR_BATTERY_POWER, GR_UNIT_W, 1.0, 1.0, 0.0, "-3500", -3.5},
        {GR_BATTERY_POWER, GR_UNIT_W, -1.0, 1.0, 0.0, "3500", -3.5},
        {GR_GRID_POWER, GR_UNIT_W, -1.0, 10.0, 50.0, "20", -0.25},
        {GR_STATE_OF_CHARGE, GR_UNIT_RATIO, 1.0, 1.0, 0.0, "0.57", 57.0},
        {GR_STATE_OF_CHARGE, GR_UNIT_KWH, 1.0, 1.0, 0.0, "5.7", 57.0},
        {GR_STATE_OF_CHARGE, GR_UNIT_WH, 1.0, 1.0, 0.0, "5700", 57.0},
        {GR_STATE_OF_CHARGE, GR_UNIT_PERCENT, 1.0, 1.25, -25.0, "60", 50.0},
        {GR_STATE_OF_CHARGE, GR_UNIT_PERCENT, 1.0, 1.0, 0.0, "100", 100.0},
        {GR_STATE_OF_CHARGE, GR_UNIT_PERCENT, 1.0, 1.0, 0.0, "100.5", 100.0},
        {GR_STATE_OF_CHARGE, GR_UNIT_PERCENT, 1.0, 1.0, 0.0, "102", 100.0},
        {GR_STATE_OF_CHARGE, GR_UNIT_RATIO, 1.0, 1.0, 0.0, "1.01", 100.0},
        {GR_OUTDOOR_TEMPERATURE, GR_UNIT_CELSIUS, 1.0, 1.0, 0.0, "-7.5", -7.5},
        {GR_OUTDOOR_TEMPERATURE, GR_UNIT_CELSIUS, 1.0, 0.1, 0.0, "118", 11.8},
        {GR_OUTDOOR_TEMPERATURE, GR_UNIT_FAHRENHEIT, 1.0, 1.0, 0.0, "14", -10.0},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct gr_input input = rows[i].channel == GR_STATE_OF_CHARGE ? percent() : power(rows[i].unit);
        input.unit = rows[i].unit;
        input.sign = rows[i].sign;
        input.scale = rows[i].scale;
        input.offset = rows[i].offset;
        check_value(&input, rows[i].channel, rows[i].payload, rows[i].value);
    }
}

static void an_implausible_value_is_refused_with_a_guess_at_the_unit(void **state)
{
    (void)state;
    static const struct {
        enum gr_channel channel;
        enum gr_unit unit;
        double least, greatest;
        const char *payload, *words;
    } rows[] = {
        {GR_BATTERY_POWER, GR_UNIT_KW, -12.0, 12.0, "3450",
         "found 3450 kW, plausible is -12 to 12 kW (is the payload in W?)"},
        {GR_BATTERY_POWER, GR_UNIT_KW, -12.0, 12.0, "-3450", "(is the payload in W?)"},
        {GR_BATTERY_POWER, GR_UNIT_W, -12.0, 12.0, "13000", "found 13 kW, plausible is -12 to 12 kW"},
        {GR_SOLAR_POWER, GR_UNIT_KW, 0.0, 12.0, "-2", "(is the sign the other way round?)"},
        {GR_STATE_OF_CHARGE, GR_UNIT_PERCENT, 0.0, 100.0, "102.5", "found 102.5 %, plausible is 0 to 100 %"},
        {GR_STATE_OF_CHARGE, GR_UNIT_PERCENT, 0.0, 100.0, "570", "(is the payload in tenths of a percent?)"},
        {GR_STATE_OF_CHARGE, GR_UNIT_PERCENT, 0.0, 100.0, "5700",
         "(is the payload in hundredths of a percent?)"},
        {GR_STATE_OF_CHARGE, GR_UNIT_PERCENT, 0.0, 100.0, "-1", "found -1 %"},
        {GR_STATE_OF_CHARGE, GR_UNIT_RATIO, 0.0, 100.0, "57", "(is the payload in percent?)"},
        {GR_STATE_OF_CHARGE, GR_UNIT_KWH, 0.0, 100.0, "5700", "(is the payload in Wh?)"},
        {GR_STATE_OF_CHARGE, GR_UNIT_WH, 5.0, 100.0, "5.7", "(is the payload in kWh?)"},
        {GR_STATE_OF_CHARGE, GR_UNIT_PERCENT, 5.0, 100.0, "0.57", "(is the payload a ratio from 0 to 1?)"},
        {GR_BATTERY_POWER, GR_UNIT_W, -12.0, 12.0, "1e308", "plausible is -12 to 12 kW"},
        {GR_OUTDOOR_TEMPERATURE, GR_UNIT_CELSIUS, -60.0, 60.0, "68",
         "found 68 degrees Celsius, plausible is -60 to 60 degrees Celsius (is the payload in degrees "
         "Fahrenheit?)"},
        {GR_OUTDOOR_TEMPERATURE, GR_UNIT_CELSIUS, -60.0, 60.0, "215",
         "(is the payload in tenths of a degree?)"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct gr_input input = percent();
        input.unit = rows[i].unit;
        input.least = rows[i].least;
        input.greatest = rows[i].greatest;
        check_refusal(&input, rows[i].channel, rows[i].payload, strlen(rows[i].payload), rows[i].words);
    }
}

static void arithmetic_beyond_all_bounds_is_refused(void **state)
{
    (void)state;
    struct gr_input input = power(GR_UNIT_KW);
    input.scale = 1000.0;
    check_refusal(&input, GR_BATTERY_POWER, "1e308", 5, "beyond all bounds");
    double out;
    struct gr_error error;
    input = percent();
    input.unit = GR_UNIT_KWH;
    assert_int_equal(gr_payload_read(&out, &input, GR_STATE_OF_CHARGE, 0.0, "5", 1, &error), GR_INVALID);
}

static void the_grid_is_present_or_not(void **state)
{
    (void)state;
    static const struct {
        const char *payload;
        double value;
    } rows[] = {
        {"true", 1.0}, {"FALSE", 0.0}, {"1", 1.0},     {"0", 0.0},
        {"on", 1.0},   {"Off", 0.0},   {"yes\n", 1.0}, {"NO", 0.0},
    };
    struct gr_input plain = percent();
    plain.unit = GR_UNIT_BOOLEAN;
    struct gr_input pointed = json(plain, "/grid");
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        check_value(&plain, GR_GRID_PRESENT, rows[i].payload, rows[i].value);
    }
    check_value(&pointed, GR_GRID_PRESENT, "{\"grid\": true}", 1.0);
    check_value(&pointed, GR_GRID_PRESENT, "{\"grid\": false}", 0.0);
    check_value(&pointed, GR_GRID_PRESENT, "{\"grid\": 1}", 1.0);
    check_value(&pointed, GR_GRID_PRESENT, "{\"grid\": \"off\"}", 0.0);
    plain.sign = -1.0;
    check_value(&plain, GR_GRID_PRESENT, "on", 0.0);
}

static void what_is_neither_true_nor_false_is_refused(void **state)
{
    (void)state;
    static const char *const payloads[] = {"", "2", "1.0", "tru", "on off", "unavailable", "on\xC2\xA0"};
    struct gr_input plain = percent();
    plain.unit = GR_UNIT_BOOLEAN;
    struct gr_input pointed = json(plain, "/grid");
    for (size_t i = 0; i < sizeof payloads / sizeof payloads[0]; i++) {
        check_refusal(&plain, GR_GRID_PRESENT, payloads[i], strlen(payloads[i]), "expected true or false");
    }
    check_refusal(&pointed, GR_GRID_PRESENT, "{\"grid\": 2}", 11, "found 2, expected 1 or 0");
    check_refusal(&pointed, GR_GRID_PRESENT, "{\"grid\": null}", 14, "found null, expected true or false");
}

static void a_long_payload_is_shown_only_in_part(void **state)
{
    (void)state;
    char payload[300];
    memset(payload, 'x', sizeof payload);
    struct gr_input input = percent();
    struct gr_error error;
    double out;
    assert_int_equal(gr_payload_read(&out, &input, GR_STATE_OF_CHARGE, 10.0, payload, sizeof payload, &error),
                     GR_INVALID);
    assert_int_equal(strspn(error.text + strlen("found \""), "x"), 80);
    assert_non_null(strstr(error.text, "x...\", expected"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(plain_numbers_are_read),
        cmocka_unit_test(what_is_no_plain_number_is_refused),
        cmocka_unit_test(bytes_that_are_no_text_are_refused),
        cmocka_unit_test(numbers_are_found_by_pointer),
        cmocka_unit_test(json_without_a_number_at_the_pointer_is_refused),
        cmocka_unit_test(deep_nesting_is_refused),
        cmocka_unit_test(a_payload_of_ten_megabytes_is_refused_by_its_size),
        cmocka_unit_test(units_become_those_of_the_core),
        cmocka_unit_test(an_implausible_value_is_refused_with_a_guess_at_the_unit),
        cmocka_unit_test(arithmetic_beyond_all_bounds_is_refused),
        cmocka_unit_test(the_grid_is_present_or_not),
        cmocka_unit_test(what_is_neither_true_nor_false_is_refused),
        cmocka_unit_test(a_long_payload_is_shown_only_in_part),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
