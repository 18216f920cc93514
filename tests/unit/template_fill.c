/* ${name} in topics and payloads. */
#include "check.h"

#include "granary/template.h"

#include <jansson.h>
#include <stdlib.h>

static const struct gr_template_value values[] = {
    {.name = "power_w", .number = 2512.5},  {.name = "nought", .number = -0.0},
    {.name = "tiny", .number = 0.00000049}, {.name = "third", .number = 1.0 / 3},
    {.name = "great", .number = 1e15},      {.name = "nothing", .number = NAN},
    {.name = "word", .text = "charge"},     {.name = "reason", .text = "it's \"dear\" \\ \n \xE2\x82\xAC"}};
enum { VALUES = sizeof values / sizeof *values };

static void places_are_filled_as_they_say(void **state)
{
    (void)state;
    static const struct {
        const char *pattern, *expected;
    } rows[] = {
        {"", ""},
        {"plain {text} [with] braces", "plain {text} [with] braces"},
        {"${power_w}", "2512.5"},
        {"${power_w:.0}|${power_w:.2}", "2512|2512.50"}, /* half to even: IEEE 754, as printf rounds */
        {"${power_w:*-1}", "-2512.5"},
        {"${power_w:*0.001:.3}", "2.513"},
        {"${power_w:*0.1:.0}", "251"},
        {"${power_w:+100:*2}", "5225"},
        {"${nought}|${nought:.2}|${nought:*-1}", "0|0.00|0"},
        {"${tiny}|${third}|${great}", "0|0.333333|1000000000000000"},
        {"${nothing}|${nothing:json}", "null|null"},
        {"${word}|${word:json}|${power_w:json}", "charge|\"charge\"|2512.5"},
        {"${reason:json}", "\"it's \\\"dear\\\" \\\\ \\n \xE2\x82\xAC\""},
        {"$$5 and $${word}", "$5 and ${word}"},
        {"{\"p\": ${power_w:.0}, \"why\": ${reason:json}}",
         "{\"p\": 2512, \"why\": \"it's \\\"dear\\\" \\\\ \\n \xE2\x82\xAC\"}"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char *out;
        struct gr_error error = {""};
        if (gr_template_fill(&out, rows[i].pattern, values, VALUES, &error) != GR_OK) {
            fail_msg("%s: %s", rows[i].pattern, error.text);
        }
        assert_string_equal(out, rows[i].expected);
        free(out);
    }
}

static void mistakes_are_named_with_what_is_allowed(void **state)
{
    (void)state;
    static const struct {
        const char *pattern, *words;
    } rows[] = {
        {"${powr_w}", "${powr_w}: there is no such value here; known: power_w, nought"},
        {"${power_w:kW}", "json, *FACTOR"},
        {"${power_w:*}", "json, *FACTOR"},
        {"${power_w:*1e999}", "json, *FACTOR"},
        {"${power_w:.7}", ".0 to .6"},
        {"${power_w:}", "json, *FACTOR"},
        {"${word:.2}", "is a text"},
        {"${}", "a name is wanted"},
        {"${power_w", "after $ stands {NAME}"},
        {"5 $", "after $ stands {NAME}"},
        {"$power_w", "after $ stands {NAME}"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char *out = NULL;
        struct gr_error error = {""};
        assert_int_equal(gr_template_fill(&out, rows[i].pattern, values, VALUES, &error), GR_INVALID);
        assert_null(out);
        assert_says(error.text, rows[i].words);
    }
    struct gr_error error = {""};
    assert_int_equal(gr_template_check("${any}", NULL, 0, &error), GR_INVALID);
    assert_says(error.text, "this text must be fixed");
}

static void what_begins_like_json_must_be_json_whatever_the_values(void **state)
{
    (void)state;
    struct gr_error error = {""};
    assert_int_equal(gr_template_check("{\"mode\": ${word:json}, \"w\": ${power_w}}", values, VALUES, &error),
                     GR_OK);
    assert_int_equal(gr_template_check("[${power_w:*-0.001}]", values, VALUES, &error), GR_OK);
    assert_int_equal(gr_template_check("mode=${word}", values, VALUES, &error), GR_OK);
    assert_int_equal(gr_template_check("{\"mode\": ${word}}", values, VALUES, &error), GR_INVALID);
    /* good with a tame word, broken by one that holds quotes */
    assert_int_equal(gr_template_check("{\"mode\": \"${word}\"}", values, VALUES, &error), GR_INVALID);
    assert_says(error.text, "${NAME:json}");
    assert_int_equal(gr_template_check("{\"a\": 1, \"a\": 2}", values, VALUES, &error), GR_INVALID);
    assert_int_equal(gr_template_check("{\"a\": 1", values, VALUES, &error), GR_INVALID);
}

/* Random texts and numbers come back as they were through JSON. */
static void every_value_survives_json(void **state)
{
    (void)state;
    unsigned long long random = 0x9e3779b97f4a7c15u;
    print_message("seed %llx\n", random);
    for (int round = 0; round < 2000; round++) {
        char text[24];
        size_t length = 0;
        for (; length < 20; length++) {
            random = random * 6364136223846793005u + 1442695040888963407u;
            text[length] = (char)(1 + (random >> 33) % 127);
        }
        text[length] = '\0';
        double number = (double)((int64_t)(random >> 20) % 2000000) / 64 - 10000;
        const struct gr_template_value pair[] = {{.name = "t", .text = text},
                                                 {.name = "n", .number = number}};
        char *out;
        assert_int_equal(gr_template_fill(&out, "{\"t\":${t:json},\"n\":${n}}", pair, 2, NULL), GR_OK);
        json_t *read = json_loads(out, 0, NULL);
        assert_non_null(read);
        assert_string_equal(json_string_value(json_object_get(read, "t")), text);
        assert_near(json_number_value(json_object_get(read, "n")), number, 1e-6);
        json_decref(read);
        free(out);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(places_are_filled_as_they_say),
        cmocka_unit_test(mistakes_are_named_with_what_is_allowed),
        cmocka_unit_test(what_begins_like_json_must_be_json_whatever_the_values),
        cmocka_unit_test(every_value_survives_json),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
