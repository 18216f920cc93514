/* The reasons of the engine's commands and of its plan: what binds is named where it is the reason. */
#include "check.h"

#include "engine_bench.h"

#include "granary/why.h"

/* After a change of the configuration. */
static void restart(struct bench *bench)
{
    gr_engine_free(bench->engine);
    gr_zone_free(bench->zone);
    start_bench(bench);
}

/* Selling pays 0.29 from 18:00 to 18:30: more than a kWh of the night costs, less than one bought then. */
static void pay_exports(struct bench *bench)
{
    bench->config.export.source[0].bands = (struct gr_rate_bands){
        .count = 2,
        .band = {{.from_minute = 1080, .to_minute = 1110, .weekdays = 127, .price_per_kwh = 0.29},
                 {.from_minute = 0, .to_minute = 1440, .weekdays = 127, .price_per_kwh = 0.05}}};
    bench->percent = 95;
}

static void ask(struct bench *bench, const char *json)
{
    struct gr_error error = {""};
    struct gr_event event = {.kind = GR_EVENT_OVERRIDE, .at = bench->now};
    if (gr_override_parse(&event.of.override, json, strlen(json), bench->zone, bench->now.utc_s, &error) !=
            GR_OK ||
        gr_engine_handle(bench->engine, &event, &error) != GR_OK) {
        fail_msg("%s was refused: %s", json, error.text);
    }
}

static void assert_reason(const struct bench *bench, enum gr_command_kind kind, const char *words)
{
    const struct gr_command *command = &bench->decision.command;
    if (command->kind != kind || !strstr(command->reason, words)) {
        fail_msg("found %s, \"%s\"; expected %s, \"...%s...\"", gr_command_name(command->kind),
                 command->reason, gr_command_name(kind), words);
    }
}

/* The slot that begins then, of the present plan. */
static const struct gr_plan_slot *slot_at(struct bench *bench, int hour, int minute)
{
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    for (size_t t = 0; t < plan.count; t++) {
        if (plan.slots[t].start_s == midnight_s + hour * 3600 + minute * 60) {
            return &plan.slots[t];
        }
    }
    fail_msg("no slot begins at %02d:%02d", hour, minute);
    return NULL;
}

static void every_slot_of_the_plan_has_the_reason_of_its_command(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 18, 0);
    tick(bench);
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    assert_true(plan.count > 90);
    for (size_t t = 0; t < plan.count; t++) {
        const struct gr_plan_slot *slot = &plan.slots[t];
        const struct gr_why *why = gr_engine_plan_why(bench->engine, t);
        char words[32];
        (void)snprintf(words, sizeof words, ": %s", gr_command_name(slot->kind));
        assert_says(slot->reason, words);
        assert_int_equal(why->kind, slot->kind);
        assert_int_equal(why->start_s, slot->start_s);
        assert_near(why->of[slot->kind].end_kwh, slot->stored_kwh, 1e-9);
        assert_near(why->of[slot->kind].meter_cost + why->of[slot->kind].wear_cost, slot->cost, 1e-9);
        assert_true(slot->has_next && slot->next_best_more >= -why->ready_cost - 1e-9);
    }
    assert_null(gr_engine_plan_why(bench->engine, plan.count));
}

static void charging_at_night_and_giving_in_the_evening_are_told_with_their_prices(void **state)
{
    struct bench *bench = *state;
    bench->percent = 25;
    go_to(bench, 1, 0);
    tick(bench);
    assert_reason(bench, GR_CHARGE, "at 05:30, ");
    assert_reason(bench, GR_CHARGE, "; importing costs 0.0900 until then, and better early: charge; ");
    go_to(bench, 18, 0);
    bench->percent = 80;
    tick(bench);
    assert_reason(bench, GR_FOLLOW, "importing now costs 0.3000: follow; ");
}

/* Money is the same all day; from 02:00 to 04:00 a kWh stands for 0.05 kg, else for 0.60. A kg counts 0.40,
 * so that waiting is worth 0.22 a kWh. The cost told stays money. */
static void carbon_moves_a_charge_and_is_told_beside_the_price(void **state)
{
    struct bench *bench = *state;
    bench->config.import.source[0].bands = (struct gr_rate_bands){
        .count = 1, .band = {{.to_minute = 1440, .weekdays = 127, .price_per_kwh = 0.12}}};
    bench->config.carbon.count = 1;
    bench->config.carbon.source[0] = (struct gr_rate_source){
        .is_bands = true,
        .bands = {.count = 2,
                  .band = {{.from_minute = 120, .to_minute = 240, .weekdays = 127, .price_per_kwh = 0.05},
                           {.to_minute = 1440, .weekdays = 127, .price_per_kwh = 0.60}}}};
    restart(bench);
    bench->percent = 25;
    go_to(bench, 2, 0);
    tick(bench);
    assert_int_not_equal(bench->decision.command.kind, GR_CHARGE); /* carbon counts nothing yet */
    const struct gr_plan_slot *slot = slot_at(bench, 5, 0);
    assert_near(slot->carbon_kg_per_kwh, 0.60, 1e-12);
    assert_near(slot->import_co2_kg, 0.60 * 0.5 * fmax(0, slot->grid_kw), 1e-9);
    bench->config.planning.carbon_price_per_kg = 0.40;
    restart(bench);
    tick(bench);
    assert_reason(bench, GR_CHARGE, "; importing now costs 0.1200 and 0.0200 for its carbon: charge; ");
    slot = slot_at(bench, 2, 0);
    assert_near(slot->import_price, 0.12, 1e-12);
    assert_near(slot->cost, 0.12 * 0.5 * slot->grid_kw, 1e-9);
    assert_near(slot->import_co2_kg, 0.05 * 0.5 * slot->grid_kw, 1e-9);
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    double co2_kg = 0;
    for (size_t t = 0; t < plan.count; t++) {
        co2_kg += plan.slots[t].import_co2_kg;
    }
    assert_near(plan.import_co2_kg, co2_kg, 1e-9);
}

static void an_export_that_was_asked_away_is_told_with_what_it_would_save(void **state)
{
    struct bench *bench = *state;
    pay_exports(bench);
    restart(bench);
    go_to(bench, 18, 0);
    tick(bench);
    assert_int_equal(bench->decision.command.kind, GR_EXPORT);
    ask(bench, "{\"override\":\"no-export\",\"for\":\"PT1H\"}");
    tick(bench);
    assert_reason(bench, GR_FOLLOW, " less, but no export was asked for");
    assert_says(slot_at(bench, 18, 0)->reason, " less, but no export was asked for");
}

static void hours_without_export_are_named(void **state)
{
    struct bench *bench = *state;
    pay_exports(bench);
    bench->config.planning.export_from_minute = 20 * 60;
    bench->config.planning.export_to_minute = 22 * 60;
    restart(bench);
    go_to(bench, 18, 0);
    tick(bench);
    assert_int_not_equal(bench->decision.command.kind, GR_EXPORT);
    assert_says(bench->decision.command.reason,
                " less, but the battery may not feed the grid at this time of day");
}

/* From 22:00 to 6:00, past midnight. */
static void hours_of_export_may_pass_midnight(void **state)
{
    struct bench *bench = *state;
    static const struct {
        int hour;
        enum gr_bar bar;
    } rows[] = {{18, GR_BAR_EXPORT_HOURS}, {22, GR_BAR_NONE},         {24, GR_BAR_NONE},
                {29, GR_BAR_NONE},         {30, GR_BAR_EXPORT_HOURS}, {36, GR_BAR_EXPORT_HOURS}};
    pay_exports(bench);
    bench->config.planning.export_from_minute = 22 * 60;
    bench->config.planning.export_to_minute = 6 * 60;
    restart(bench);
    go_to(bench, 12, 0);
    tick(bench);
    struct gr_plan_view view = gr_engine_plan_view(bench->engine);
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        size_t slot = 0;
        while (view.slots[slot].start_s < midnight_s + rows[i].hour * 3600) {
            slot++;
        }
        assert_true(slot < view.count);
        enum gr_bar bar = gr_engine_plan_why(bench->engine, slot)->of[GR_EXPORT].bar;
        bool told_hours = bar == GR_BAR_EXPORT_HOURS;
        if (told_hours != (rows[i].bar == GR_BAR_EXPORT_HOURS)) {
            fail_msg("%d:00: bar %d", rows[i].hour, (int)bar);
        }
    }
}

static void a_battery_that_is_configured_not_to_feed_the_grid_says_so(void **state)
{
    struct bench *bench = *state;
    pay_exports(bench);
    bench->config.planning.may_export = false;
    restart(bench);
    go_to(bench, 18, 0);
    tick(bench);
    assert_int_not_equal(bench->decision.command.kind, GR_EXPORT);
    assert_int_equal(gr_engine_plan_why(bench->engine, 0)->of[GR_EXPORT].bar, GR_BAR_EXPORT_OFF);
    assert_null(gr_engine_plan_why(bench->engine, 10000));
}

static void an_export_below_the_least_gain_is_named_and_is_not_in_the_plan(void **state)
{
    struct bench *bench = *state;
    pay_exports(bench);
    bench->config.planning.least_gain_per_exported_kwh = 0.9;
    restart(bench);
    go_to(bench, 18, 0);
    tick(bench);
    assert_int_not_equal(bench->decision.command.kind, GR_EXPORT);
    assert_says(bench->decision.command.reason,
                " less, but it gains less than the 0.9000 asked of a kWh exported");
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    for (size_t t = 0; t < plan.count; t++) {
        assert_int_not_equal(plan.slots[t].kind, GR_EXPORT);
    }
    ask(bench, "{\"override\":\"command\",\"command\":\"export\",\"for\":\"PT1H\"}");
    tick(bench);
    assert_reason(bench, GR_EXPORT, "as somebody asked"); /* whatever it gains */
}

static void a_car_that_draws_is_named(void **state)
{
    struct bench *bench = *state;
    pay_exports(bench);
    restart(bench);
    bench->car_kw = 3;
    go_to(bench, 18, 0);
    tick(bench);
    assert_says(bench->decision.command.reason, " less, but a car draws, and the battery must not feed it");
}

static void a_charge_cut_by_the_import_limit_says_so(void **state)
{
    struct bench *bench = *state;
    bench->config.site.grid.import_limit_kw = 3;
    restart(bench);
    bench->percent = 21;
    go_to(bench, 1, 0);
    tick(bench);
    assert_reason(bench, GR_CHARGE, "; the power is what the import limit of 3.00 kW leaves");
    assert_says(slot_at(bench, 1, 30)->reason, "; the power is what the import limit of 3.00 kW leaves");
}

static void a_load_that_leaves_no_room_under_the_import_limit_is_named(void **state)
{
    struct bench *bench = *state;
    bench->config.site.grid.import_limit_kw = 3;
    restart(bench);
    bench->percent = 21;
    go_to(bench, 1, 0);
    tick(bench);
    bench->house_kw = 3.2; /* the mean of the last minutes is lower, and a charge is still wanted */
    pass(bench, 1);
    assert_reason(bench, GR_REST, " less, but the import limit of 3.00 kW leaves no room");
}

static void what_has_to_be_kept_is_named_with_whose_wish_it_is(void **state)
{
    struct bench *bench = *state;
    bench->percent = 20;
    go_to(bench, 18, 0);
    tick(bench);
    assert_says(bench->decision.command.reason, "; down to the reserve of 20 %");
    ask(bench, "{\"override\":\"reserve\",\"percent\":70,\"until\":\"23:00\"}");
    pass(bench, 11);
    assert_reason(bench, GR_CHARGE, "would not keep the reserve of 70 % asked for until 23:00: charge");
}

static void a_wish_is_named(void **state)
{
    struct bench *bench = *state;
    bench->percent = 30;
    go_to(bench, 18, 0);
    ask(bench, "{\"override\":\"wish\",\"percent\":90,\"until\":\"20:00\"}");
    tick(bench);
    assert_says(slot_at(bench, 19, 0)->reason, ": charge; ");
    assert_says(slot_at(bench, 19, 0)->reason, "; towards the wish for 90 % at 20:00");
}

static void tell_of(struct bench *bench, enum gr_window_kind kind, int hour, double value)
{
    const struct gr_window window = {.kind = kind,
                                     .start_s = midnight_s + hour * 3600,
                                     .end_s = midnight_s + (hour + 1) * 3600,
                                     .value = value};
    struct gr_event event = {
        .kind = GR_EVENT_WINDOWS, .at = bench->now, .of.windows = {.list = &window, .count = 1}};
    assert_int_equal(gr_engine_handle(bench->engine, &event, NULL), GR_OK);
    tick(bench);
}

static void what_an_event_source_tells_of_is_named(void **state)
{
    struct bench *bench = *state;
    bench->percent = 22;
    go_to(bench, 18, 0);
    tell_of(bench, GR_WINDOW_STATE_OF_CHARGE, 21, 80);
    int towards = 0;
    for (int half_hour = 36; half_hour < 42; half_hour++) {
        const struct gr_plan_slot *slot = slot_at(bench, half_hour / 2, half_hour % 2 * 30);
        towards += strstr(slot->reason, "; towards the wish for 80 % at 21:00") && slot->kind == GR_CHARGE;
    }
    assert_in_range(towards, 2, 4); /* 7.9 kWh with 6 kW */
    bench->percent = 60;
    tell_of(bench, GR_WINDOW_IMPORT_PRICE, 21, 0.9);
    assert_says(slot_at(bench, 21, 0)->reason, "importing now costs 0.9000: follow");
    assert_says(slot_at(bench, 21, 30)->reason, "; a price or payment announced for this time is in it");
    assert_null(strstr(slot_at(bench, 22, 0)->reason, "announced"));
}

static void a_wish_is_not_the_reason_of_what_is_used_before(void **state)
{
    struct bench *bench = *state;
    bench->percent = 25;
    go_to(bench, 1, 0);
    ask(bench, "{\"override\":\"wish\",\"percent\":60,\"until\":\"2026-03-10T23:00\"}");
    tick(bench);
    assert_reason(bench, GR_CHARGE, "importing costs 0.0900 until then");
    assert_null(strstr(bench->decision.command.reason, "wish"));
}

static void a_full_charge_that_is_due_is_named_until_the_battery_is_full(void **state)
{
    struct bench *bench = *state;
    bench->config.planning.full_every_days = 1;
    bench->config.planning.full_percent = 99.5;
    restart(bench);
    bench->percent = 40;
    go_to(bench, 18, 0);
    tick(bench); /* the day counts from here */
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    size_t full = 0, named = 0;
    while (full < plan.count &&
           plan.slots[full].stored_kwh < 0.999 * bench->config.site.battery.capacity_kwh) {
        named += strstr(plan.slots[full].reason, "the full charge due by 18:00") != NULL;
        full++;
    }
    assert_true(full < 48 && named > 0);
    for (size_t t = full + 1; t < 48; t++) {
        assert_null(strstr(plan.slots[t].reason, "full charge due by 18:00"));
    }
}

static void a_full_battery_is_named(void **state)
{
    struct bench *bench = *state;
    bench->percent = 100;
    bench->solar_kw = 4;
    go_to(bench, 12, 0);
    tick(bench);
    assert_reason(bench, GR_FOLLOW, "; the battery is full");
}

static void the_price_of_a_bound_on_cycles_is_named(void **state)
{
    struct bench *bench = *state;
    bench->config.planning.cycles_per_day = 0.2;
    restart(bench);
    bench->percent = 80;
    go_to(bench, 18, 0);
    tick(bench);
    assert_says(bench->decision.command.reason, " for the bound on cycles");
}

static void a_command_that_stays_for_its_time_says_what_would_be_better(void **state)
{
    struct bench *bench = *state;
    bench->percent = 25;
    go_to(bench, 5, 10);
    ask(bench, "{\"override\":\"pause\",\"until\":\"05:26\"}");
    pass(bench, 18);
    assert_int_equal(bench->decision.command.kind, GR_CHARGE); /* since 05:26; it is dear from 05:30 on */
    pass(bench, 5);
    assert_reason(bench, GR_CHARGE, "charge for now: follow would cost 0.");
    assert_says(bench->decision.command.reason, " less, but a command stays for 10 min");
}

static void what_was_asked_for_is_told_with_what_it_costs(void **state)
{
    struct bench *bench = *state;
    bench->percent = 95; /* more than the house takes before the night */
    go_to(bench, 18, 0);
    ask(bench, "{\"override\":\"command\",\"command\":\"rest\",\"for\":\"PT1H\",\"by\":\"Ana\"}");
    tick(bench);
    assert_reason(bench, GR_REST, "as Ana asked; follow would cost 0.");
    assert_says(slot_at(bench, 18, 30)->reason, "as Ana asked; follow would cost 0.");
    assert_says(slot_at(bench, 19, 30)->reason, ": follow; ");
}

/* Half hours of today from a table: 0.09 from 00:30 to 05:30, else 0.30; nothing of tomorrow. */
static void prices_that_are_not_published_are_named(void **state)
{
    struct bench *bench = *state;
    struct gr_rate rates[48];
    for (int64_t i = 0; i < 48; i++) {
        int64_t start_s = midnight_s + i * 1800;
        rates[i] = (struct gr_rate){start_s, start_s + 1800, i >= 1 && i < 11 ? 0.09 : 0.30};
    }
    struct gr_rate_table table = {.rates = rates, .count = 48};
    bench->config.import.source[0] = (struct gr_rate_source){.is_bands = false};
    restart(bench);
    go_to(bench, 18, 0);
    struct gr_event event = {.kind = GR_EVENT_RATES, .at = bench->now, .of.rates = {.table = &table}};
    assert_int_equal(gr_engine_handle(bench->engine, &event, NULL), GR_OK);
    tick(bench);
    assert_says(slot_at(bench, 26, 0)->reason, "; this price is not published yet");
    bench->percent = 22;
    pass(bench, 5);
    bool rests = false;
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    for (size_t t = 0; t < plan.count && !plan.slots[t].expected_price; t++) {
        rests = rests || strstr(plan.slots[t].reason, "rests on prices not published yet");
    }
    assert_true(rests);
}

static void a_brief_plan_has_no_reasons(void **state)
{
    struct bench *bench = *state;
    bench->config.planning.brief = true;
    restart(bench);
    tick(bench);
    assert_string_equal(bench->decision.command.reason, "as planned");
    assert_null(gr_engine_plan_why(bench->engine, 0));
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(every_slot_of_the_plan_has_the_reason_of_its_command),
        TEST(charging_at_night_and_giving_in_the_evening_are_told_with_their_prices),
        TEST(carbon_moves_a_charge_and_is_told_beside_the_price),
        TEST(an_export_that_was_asked_away_is_told_with_what_it_would_save),
        TEST(hours_without_export_are_named),
        TEST(hours_of_export_may_pass_midnight),
        TEST(a_battery_that_is_configured_not_to_feed_the_grid_says_so),
        TEST(an_export_below_the_least_gain_is_named_and_is_not_in_the_plan),
        TEST(a_car_that_draws_is_named),
        TEST(a_charge_cut_by_the_import_limit_says_so),
        TEST(a_load_that_leaves_no_room_under_the_import_limit_is_named),
        TEST(what_has_to_be_kept_is_named_with_whose_wish_it_is),
        TEST(a_wish_is_named),
        TEST(what_an_event_source_tells_of_is_named),
        TEST(a_wish_is_not_the_reason_of_what_is_used_before),
        TEST(a_full_charge_that_is_due_is_named_until_the_battery_is_full),
        TEST(a_full_battery_is_named),
        TEST(the_price_of_a_bound_on_cycles_is_named),
        TEST(a_command_that_stays_for_its_time_says_what_would_be_better),
        TEST(what_was_asked_for_is_told_with_what_it_costs),
        TEST(prices_that_are_not_published_are_named),
        TEST(a_brief_plan_has_no_reasons),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
