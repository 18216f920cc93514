/* Which slot a person means, and what is told of it. */
#include "check.h"

#include "engine_bench.h"
#include "zone_file.h"

#include "granary/civil.h"
#include "tool/plan_explain.h"

enum { SLOTS = 96 };

/* Half hours from a moment on, in Lisbon: UTC in winter, an hour ahead in summer. */
struct asked {
    struct gr_zone *zone;
    struct gr_plan_slot slots[SLOTS];
    struct gr_plan_view plan;
};

static void make_plan(struct asked *asked, const char *from)
{
    int64_t from_s;
    memset(asked, 0, sizeof *asked);
    asked->zone = load_zone("Europe/Lisbon");
    assert_int_equal(gr_rfc3339_parse(&from_s, from, strlen(from)), GR_OK);
    int64_t end_s = from_s - from_s % 1800;
    for (size_t t = 0; t < SLOTS; t++) {
        asked->slots[t].start_s = t == 0 ? from_s : end_s;
        asked->slots[t].end_s = end_s += 1800;
    }
    asked->plan = (struct gr_plan_view){.slots = asked->slots, .count = SLOTS, .made_s = from_s};
}

/* A time in a plan made then: the beginning of its slot, or words of the refusal. */
struct row {
    const char *from, *text, *slot, *words;
};

static void check_row(const struct row *row)
{
    struct asked asked;
    struct gr_told_time told;
    struct gr_error error = {""};
    char start[GR_RFC3339_SIZE] = "none";
    size_t slot;
    make_plan(&asked, row->from);
    if (gr_told_time_read(&told, row->text) != GR_OK) {
        fail_msg("%s was not understood", row->text);
    }
    if (gr_told_time_slot(&slot, &told, asked.zone, &asked.plan, &error) == GR_OK) {
        (void)gr_rfc3339_format(start, asked.slots[slot].start_s);
    }
    if (strcmp(start, row->slot ? row->slot : "none") != 0 ||
        (row->words && !strstr(error.text, row->words))) {
        fail_msg("%s in a plan from %s: found slot %s, \"%s\"", row->text, row->from, start, error.text);
    }
    gr_zone_free(asked.zone);
}

static void a_time_means_the_slot_that_holds_it(void **state)
{
    (void)state;
    static const struct row rows[] = {
        {"2026-07-10T14:07:20Z", "18:00", "2026-07-10T17:00:00Z", NULL}, /* summer: an hour ahead */
        {"2026-07-10T14:07:20Z", "18:29", "2026-07-10T17:00:00Z", NULL},
        {"2026-07-10T14:07:20Z", "14:00", "2026-07-11T13:00:00Z", NULL}, /* over for today */
        {"2026-07-10T14:07:20Z", "15:07", "2026-07-10T14:07:20Z", NULL}, /* the clock still shows it */
        {"2026-07-10T14:07:20Z", "2026-07-11T18:10", "2026-07-11T17:00:00Z", NULL},
        {"2026-07-10T14:07:20Z", "2026-07-11T18:10:00+02:00", "2026-07-11T16:00:00Z", NULL},
        {"2026-07-10T14:07:20Z", "2026-07-12T14:59:59+01:00", "2026-07-12T13:30:00Z",
         NULL}, /* the last one */
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        check_row(&rows[i]);
    }
}

static void a_time_outside_of_the_plan_is_refused_with_its_ends(void **state)
{
    (void)state;
    static const char ends[] = "reaches from 2026-07-10T15:07:20+01:00 to 2026-07-12T15:00:00+01:00";
    static const char *const texts[] = {"2026-07-12T15:00", "2026-07-10T15:06", "2026-07-12T14:00:00Z",
                                        "2025-07-10T18:00", "2026-07-10T14:06:00Z"};
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        const struct row row = {"2026-07-10T14:07:20Z", texts[i], NULL, ends};
        check_row(&row);
    }
}

/* On 25 October at 02:00 the clock is put back to 01:00, on 29 March at 01:00 forward to 02:00. */
static void a_time_that_comes_twice_or_never_is_refused_with_what_could_be_meant(void **state)
{
    (void)state;
    static const struct row rows[] = {
        {"2026-10-24T15:00:00Z", "01:30", NULL,
         "01:30 comes twice, as the clock is put back: 2026-10-25T01:30:00+01:00 or "
         "2026-10-25T01:30:00+00:00 is wanted"},
        {"2026-10-24T15:00:00Z", "2026-10-25T01:00", NULL, "comes twice"},
        {"2026-10-24T15:00:00Z", "2026-10-25T01:30:00+01:00", "2026-10-25T00:30:00Z", NULL},
        {"2026-10-24T15:00:00Z", "2026-10-25T01:30:00Z", "2026-10-25T01:30:00Z", NULL},
        {"2026-10-24T15:00:00Z", "2026-10-25T02:00", "2026-10-25T02:00:00Z", NULL},
        {"2026-10-25T01:10:00Z", "01:30", "2026-10-25T01:30:00Z", NULL}, /* the first is over */
        {"2026-03-28T15:00:00Z", "01:30", NULL,
         "01:30 is skipped, as the clock is put forward to 2026-03-29T02:00:00+01:00"},
        {"2026-03-28T15:00:00Z", "2026-03-29T02:00", "2026-03-29T01:00:00Z", NULL},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        check_row(&rows[i]);
    }
}

static void what_is_no_time_is_not_understood(void **state)
{
    (void)state;
    static const char *const texts[] = {
        "", "noon", "24:00", "25:00", "8:00", "18:60", "2026-03-10", "2026-13-10T18:00", "18:00Z"};
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        struct gr_told_time told;
        if (gr_told_time_read(&told, texts[i]) == GR_OK) {
            fail_msg("\"%s\" was understood", texts[i]);
        }
    }
}

static double number(const json_t *object, const char *member)
{
    const json_t *value = json_object_get(object, member);
    assert_true(json_is_number(value));
    return json_number_value(value);
}

/* The command chosen first, the others as they become dearer, and each the sum of now and later. */
static void check_alternatives(const json_t *told)
{
    json_t *alternatives = json_object_get(told, "alternatives");
    const json_t *chosen = json_array_get(alternatives, 0);
    double before = 0;
    assert_int_equal(json_array_size(alternatives), GR_COMMAND_KINDS);
    assert_string_equal(json_string_value(json_object_get(chosen, "command")),
                        json_string_value(json_object_get(told, "command")));
    assert_near(number(chosen, "more"), 0, 1e-12);
    for (size_t i = 1; i < GR_COMMAND_KINDS; i++) {
        const json_t *other = json_array_get(alternatives, i);
        if (!json_object_get(other, "more")) {
            assert_true(json_is_string(json_object_get(other, "hindrance")));
            before = INFINITY;
            continue;
        }
        double more = number(other, "more");
        assert_near(
            more, number(other, "cost_now") - number(chosen, "cost_now") + number(other, "later_more"), 1e-9);
        assert_true(more >= before - 1e-3);
        before = more;
    }
}

static void the_alternatives_of_every_slot_add_up_and_none_is_cheaper(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 18, 0);
    tick(bench);
    size_t slots = gr_engine_plan_view(bench->engine).count;
    for (size_t t = 0; t < slots; t++) {
        json_t *told = gr_explain_to_json(bench->engine, t, bench->zone);
        check_alternatives(told);
        json_decref(told);
    }
}

/* What the plan would cost if a slot had another command, found by giving that command. */
static void what_an_alternative_costs_more_is_what_the_plan_with_it_costs_more(void **state)
{
    struct bench *bench = *state;
    bench->percent = 90;
    bench->config.planning.expectation.path_days = 1;
    go_to(bench, 18, 0);
    tick(bench);
    const double more = gr_engine_plan_why(bench->engine, 0)->of[GR_REST].more;
    struct gr_error error = {""};
    struct gr_event event = {.kind = GR_EVENT_OVERRIDE,
                             .at = bench->now,
                             .of.override = {.kind = GR_OVERRIDE_COMMAND,
                                             .command = GR_REST,
                                             .until_percent = NAN,
                                             .since_s = bench->now.utc_s,
                                             .until_s = bench->now.utc_s + 1800}};
    assert_int_equal(gr_engine_handle(bench->engine, &event, &error), GR_OK);
    tick(bench);
    struct gr_override_view views[GR_OVERRIDE_KINDS];
    assert_int_equal(gr_engine_overrides(bench->engine, views), 1);
    assert_true(more > 0.01);
    assert_near(views[0].cost, more, 1e-3);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_time_means_the_slot_that_holds_it),
        cmocka_unit_test(a_time_outside_of_the_plan_is_refused_with_its_ends),
        cmocka_unit_test(a_time_that_comes_twice_or_never_is_refused_with_what_could_be_meant),
        cmocka_unit_test(what_is_no_time_is_not_understood),
        cmocka_unit_test_setup_teardown(the_alternatives_of_every_slot_add_up_and_none_is_cheaper, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(what_an_alternative_costs_more_is_what_the_plan_with_it_costs_more,
                                        set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
