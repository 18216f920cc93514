/* What a person asks for, against the plan and under the guard. */
#include "check.h"

#include "engine_bench.h"

static int ask(struct bench *bench, const char *json, struct gr_error *error)
{
    struct gr_event event = {.kind = GR_EVENT_OVERRIDE, .at = bench->now};
    int status =
        gr_override_parse(&event.of.override, json, strlen(json), bench->zone, bench->now.utc_s, error);
    return status == GR_OK ? gr_engine_handle(bench->engine, &event, error) : status;
}

static void expect(struct bench *bench, const char *json)
{
    struct gr_error error = {""};
    if (ask(bench, json, &error) != GR_OK) {
        fail_msg("%s was refused: %s", json, error.text);
    }
    tick(bench);
}

static int cancel(struct bench *bench, int kind)
{
    struct gr_event event = {.kind = GR_EVENT_CANCEL, .at = bench->now, .of.cancel.kind = kind};
    return gr_engine_handle(bench->engine, &event, NULL);
}

static struct gr_override_view view(struct bench *bench, enum gr_override_kind kind)
{
    struct gr_override_view views[GR_OVERRIDE_KINDS];
    size_t count = gr_engine_overrides(bench->engine, views);
    for (size_t i = 0; i < count; i++) {
        if (views[i].override.kind == kind) {
            return views[i];
        }
    }
    fail_msg("no override %s is in force", gr_override_name(kind));
    return views[0];
}

static size_t in_force(struct bench *bench)
{
    struct gr_override_view views[GR_OVERRIDE_KINDS];
    return gr_engine_overrides(bench->engine, views);
}

static void a_command_is_given_until_its_time_and_then_the_plan_goes_on(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 18, 0);
    tick(bench);
    assert_int_equal(bench->decision.command.kind, GR_FOLLOW);
    expect(bench, "{\"override\":\"command\",\"command\":\"charge\",\"power_w\":2500,\"for\":\"PT30M\","
                  "\"by\":\"the kitchen\"}");
    assert_true(bench->decision.overrides_changed);
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
    assert_near(bench->decision.command.power_kw, 2.5, 1e-9);
    assert_says(bench->decision.command.reason, "as the kitchen asked");
    pass(bench, 29);
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
    assert_false(bench->decision.overrides_changed);
    pass(bench, 1);
    assert_true(bench->decision.overrides_changed);
    assert_int_equal(in_force(bench), 0);
    pass(bench, 15);
    assert_int_equal(bench->decision.command.kind, GR_FOLLOW);
}

static void a_command_ends_at_its_state_of_charge(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 18, 0);
    tick(bench);
    expect(bench, "{\"override\":\"command\",\"command\":\"charge\",\"until_percent\":60}");
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
    assert_near(bench->decision.command.power_kw, 6, 0.02);
    assert_near(bench->decision.command.target_percent, 60, 0);
    assert_int_equal(view(bench, GR_OVERRIDE_COMMAND).override.until_s, bench->now.utc_s + 86400);
    bench->percent = 58;
    pass(bench, 5);
    assert_int_equal(in_force(bench), 1);
    bench->percent = 60;
    pass(bench, 1);
    assert_int_equal(in_force(bench), 0);
}

/* Down to its level as well; targets are whole percents on the safe side. */
static void a_falling_command_ends_at_its_state_of_charge(void **state)
{
    struct bench *bench = *state;
    bench->percent = 60;
    go_to(bench, 12, 0);
    tick(bench);
    expect(bench, "{\"override\":\"command\",\"command\":\"export\",\"until_percent\":39.5}");
    assert_int_equal(bench->decision.command.kind, GR_EXPORT);
    assert_near(bench->decision.command.target_percent, 39, 0);
    bench->percent = 42;
    pass(bench, 5);
    assert_int_equal(in_force(bench), 1);
    bench->percent = 39.5;
    pass(bench, 1);
    assert_int_equal(in_force(bench), 0);
    bench->solar_kw = 4;
    expect(bench, "{\"override\":\"command\",\"command\":\"store\",\"until_percent\":60.5}");
    assert_int_equal(bench->decision.command.kind, GR_STORE);
    assert_near(bench->decision.command.target_percent, 61, 0);
    expect(bench, "{\"override\":\"command\",\"command\":\"rest\",\"for\":\"PT1H\"}");
    assert_near(bench->decision.command.target_percent, 20, 0);
}

static void what_it_costs_is_told_in_money_and_energy(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 18, 0);
    tick(bench);
    expect(bench, "{\"override\":\"command\",\"command\":\"charge\",\"power_w\":4000,\"for\":\"PT1H\"}");
    struct gr_override_view charge = view(bench, GR_OVERRIDE_COMMAND);
    /* 4 kWh at 0.30 by day, which the night would have brought at 0.09 a few hours later */
    assert_true(charge.cost > 0.3 && charge.cost < 1.3);
    assert_true(charge.import_kwh > -1 && charge.import_kwh < 5);
    assert_int_equal(cancel(bench, GR_OVERRIDE_COMMAND), GR_OK);
    expect(bench, "{\"override\":\"command\",\"command\":\"follow\",\"for\":\"PT1H\"}");
    assert_near(view(bench, GR_OVERRIDE_COMMAND).cost, 0, 0.02); /* it does so anyway */
}

static void a_raised_reserve_fills_and_is_kept_until_its_end(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 18, 0);
    tick(bench);
    expect(bench, "{\"override\":\"reserve\",\"percent\":80,\"for\":\"PT3H\",\"by\":\"storm\"}");
    pass(bench, 12);
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
    assert_true(bench->decision.command.target_percent >= 79);
    bench->percent = 80;
    pass(bench, 20);
    assert_int_not_equal(bench->decision.command.kind, GR_EXPORT);
    assert_true(bench->decision.command.target_percent >= 80);
    assert_true(view(bench, GR_OVERRIDE_RESERVE).cost > 0);
    pass(bench, 160);
    assert_int_equal(in_force(bench), 0);
    assert_int_equal(bench->decision.command.kind, GR_FOLLOW);
    assert_true(bench->decision.command.target_percent < 30);
}

static void a_fault_keeps_the_raised_reserve_as_target(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 18, 0);
    tick(bench);
    expect(bench, "{\"override\":\"reserve\",\"percent\":45,\"for\":\"PT3H\"}");
    bench->silent = true;
    pass(bench, 10);
    assert_int_equal(bench->decision.command.kind, GR_FOLLOW);
    assert_near(bench->decision.command.target_percent, 45, 0);
}

static void guests_raise_the_expected_load_until_they_leave(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 18, 0);
    tick(bench);
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    double usual_kw = plan.slots[4].house_kw;
    expect(bench, "{\"override\":\"load\",\"factor\":2,\"for\":\"PT6H\"}");
    plan = gr_engine_plan_view(bench->engine);
    assert_near(plan.slots[4].house_kw / usual_kw, 2, 0.2);
    assert_near(plan.slots[20].house_kw, usual_kw, 0.1);
    assert_true(view(bench, GR_OVERRIDE_LOAD).import_kwh > 2);
}

static void no_export_forbids_a_sale_that_would_pay(void **state)
{
    struct bench *bench = *state;
    gr_engine_free(bench->engine);
    gr_zone_free(bench->zone);
    bench->config.export.source[0].bands.band[0].price_per_kwh = 0.60;
    bench->percent = 90;
    start_bench(bench);
    go_to(bench, 18, 0);
    tick(bench);
    assert_int_equal(bench->decision.command.kind, GR_EXPORT);
    expect(bench, "{\"override\":\"no-export\",\"until\":\"22:00\"}");
    assert_int_not_equal(bench->decision.command.kind, GR_EXPORT);
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    for (size_t t = 0; t < 8; t++) {
        assert_int_not_equal(plan.slots[t].kind, GR_EXPORT);
    }
    assert_true(view(bench, GR_OVERRIDE_NO_EXPORT).cost >= 0);
}

static void a_pause_follows_and_goes_before_a_command(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 1, 0);
    tick(bench);
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
    expect(bench, "{\"override\":\"command\",\"command\":\"rest\",\"for\":\"PT2H\"}");
    assert_int_equal(bench->decision.command.kind, GR_REST);
    expect(bench, "{\"override\":\"pause\",\"for\":\"PT1H\"}");
    assert_int_equal(bench->decision.command.kind, GR_FOLLOW);
    assert_int_equal(bench->decision.fault, GR_FAULT_NONE);
    assert_int_equal(cancel(bench, GR_OVERRIDE_PAUSE), GR_OK);
    pass(bench, 1);
    assert_int_equal(bench->decision.command.kind, GR_REST);
    assert_int_equal(cancel(bench, GR_OVERRIDE_KINDS), GR_OK);
    pass(bench, 15);
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
    assert_int_equal(cancel(bench, GR_OVERRIDE_KINDS), GR_NOT_FOUND);
}

static void the_guard_stands_above_every_override(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 18, 0);
    bench->percent = 50;
    tick(bench);
    expect(bench, "{\"override\":\"command\",\"command\":\"export\",\"power_w\":6000,\"for\":\"PT4H\"}");
    assert_int_equal(bench->decision.command.kind, GR_EXPORT);
    assert_true(bench->decision.command.power_kw <= 5.8 + 1e-9); /* 5 kW beyond what the house takes */
    bench->car_kw = 7;
    pass(bench, 1);
    assert_int_not_equal(bench->decision.command.kind, GR_EXPORT);
    assert_says(bench->decision.held_back,
                "export is not allowed now: a car draws, and the battery must not feed it");
    bench->car_kw = 0;
    pass(bench, 1);
    assert_int_equal(bench->decision.command.kind, GR_EXPORT);
    bench->percent = 20;
    pass(bench, 3);
    assert_int_not_equal(bench->decision.command.kind, GR_EXPORT);
    bench->silent = true;
    pass(bench, 10);
    assert_int_equal(bench->decision.command.kind, GR_FOLLOW);
    assert_int_not_equal(bench->decision.fault, GR_FAULT_NONE);
    assert_int_equal(in_force(bench), 1);
}

static void a_charge_that_was_asked_for_keeps_to_the_import_limit(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 18, 0);
    bench->house_kw = 11;
    tick(bench);
    expect(bench, "{\"override\":\"command\",\"command\":\"charge\",\"for\":\"PT4H\"}");
    assert_int_equal(bench->decision.command.kind, GR_CHARGE);
    assert_near(bench->decision.command.power_kw, 4, 0.011);
}

static void a_payment_makes_the_battery_ready_to_sell_in_its_window(void **state)
{
    struct bench *bench = *state;
    bench->percent = 60;
    go_to(bench, 12, 0);
    tick(bench);
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    for (size_t t = 0; t < 16; t++) {
        assert_int_not_equal(plan.slots[t].kind, GR_EXPORT); /* a kWh sold earns 0.05 */
    }
    expect(bench, "{\"override\":\"payment\",\"per_kwh\":1.5,\"from\":\"17:00\",\"until\":\"18:00\",\"by\":"
                  "\"the network\"}");
    plan = gr_engine_plan_view(bench->engine);
    size_t exports = 0;
    for (size_t t = 0; t < 16; t++) {
        bool inside =
            plan.slots[t].start_s >= midnight_s + 17 * 3600 && plan.slots[t].start_s < midnight_s + 18 * 3600;
        exports += inside && plan.slots[t].kind == GR_EXPORT;
        assert_near(plan.slots[t].export_price, inside ? 1.55 : 0.05, 1e-9);
        assert_near(plan.slots[t].import_price, inside ? 1.80 : 0.30, 1e-9);
    }
    assert_int_equal(exports, 2);
    assert_true(view(bench, GR_OVERRIDE_PAYMENT).cost <
                -3); /* 5 kW for an hour at 1.5, less what was stored */
}

static void a_price_event_changes_the_price_of_its_time_alone(void **state)
{
    struct bench *bench = *state;
    go_to(bench, 12, 0);
    tick(bench);
    expect(bench, "{\"override\":\"price\",\"import_per_kwh\":0.9,\"from\":\"14:00\",\"until\":\"14:45\"}");
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    assert_near(plan.slots[3].import_price, 0.30, 1e-9);
    assert_near(plan.slots[4].import_price, 0.90, 1e-9);
    assert_int_equal(plan.slots[5].end_s, midnight_s + 14 * 3600 + 45 * 60);
    assert_near(plan.slots[5].import_price, 0.90, 1e-9);
    assert_near(plan.slots[6].import_price, 0.30, 1e-9);
}

static void a_wish_is_met_at_its_time(void **state)
{
    struct bench *bench = *state;
    bench->percent = 30;
    go_to(bench, 12, 0);
    tick(bench);
    expect(bench, "{\"override\":\"wish\",\"percent\":90,\"until\":\"17:00\"}");
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    assert_int_equal(plan.slots[9].end_s, midnight_s + 17 * 3600);
    assert_true(plan.slots[9].stored_kwh > 0.88 * 13.5);
}

static void a_car_is_told_the_cheapest_time_and_is_not_fed_by_the_battery(void **state)
{
    struct bench *bench = *state;
    bench->percent = 90;
    bench->config.site.grid.car_side = GR_CAR_ON_HOUSE_SIDE;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, NULL), GR_OK);
    go_to(bench, 18, 0);
    tick(bench);
    expect(bench, "{\"override\":\"car\",\"energy_kwh\":14,\"power_w\":7000,\"until\":\"07:00\"}");
    struct gr_outline outline = gr_engine_outline(bench->engine, &bench->decision, bench->now.utc_s);
    assert_true(outline.car_start_s >=
                midnight_s + 86400 + 1800); /* the night band begins at half past midnight */
    assert_int_equal(outline.car_end_s - outline.car_start_s, 7200);
    assert_true(outline.car_end_s <= midnight_s + 86400 + 19800);
    assert_near(outline.car_cost, 14 * 0.09, 0.01);
    struct gr_plan_view plan = gr_engine_plan_view(bench->engine);
    for (size_t t = 0; t < plan.count; t++) {
        if (plan.slots[t].start_s >= outline.car_start_s && plan.slots[t].end_s <= outline.car_end_s) {
            assert_true(plan.slots[t].battery_kw >= -1e-9);
            assert_true(plan.slots[t].grid_kw >= 7 && plan.slots[t].grid_kw <= 15 + 1e-6);
        }
    }
    assert_int_equal(cancel(bench, GR_OVERRIDE_CAR), GR_OK);
    pass(bench, 1);
    outline = gr_engine_outline(bench->engine, &bench->decision, bench->now.utc_s);
    assert_int_equal(outline.car_end_s, 0);
}

static void wrong_ones_are_refused_with_what_is_allowed(void **state)
{
    struct bench *bench = *state;
    static const struct {
        const char *json, *words;
    } rows[] = {
        {"charge", "no JSON"},
        {"[]", "no JSON object"},
        {"{}", "override: found \"no text\""},
        {"{\"override\":\"party\",\"for\":\"PT1H\"}", "override: found \"party\""},
        {"{\"override\":\"pause\"}", "every override has an end"},
        {"{\"override\":\"pause\",\"for\":\"2 hours\"}", "for: found \"2 hours\""},
        {"{\"override\":\"pause\",\"for\":\"PT0S\"}", "until: found"},
        {"{\"override\":\"pause\",\"for\":\"P90D\"}", "at most 62 days"},
        {"{\"override\":\"pause\",\"for\":\"PT1H\",\"until\":\"22:00\"}", "one of them"},
        {"{\"override\":\"pause\",\"until\":\"25:00\"}", "until: found \"25:00\""},
        {"{\"override\":\"pause\",\"until\":\"2020-01-01T00:00:00Z\"}", "a moment after now"},
        {"{\"override\":\"pause\",\"for\":\"PT1H\",\"power_w\":3}", "power_w: this member is not known"},
        {"{\"override\":\"command\",\"for\":\"PT1H\"}", "command: found"},
        {"{\"override\":\"command\",\"command\":\"fill\",\"for\":\"PT1H\"}", "command: found \"fill\""},
        {"{\"override\":\"command\",\"command\":\"charge\",\"power_w\":9000,\"for\":\"PT1H\"}", "to 6000"},
        {"{\"override\":\"command\",\"command\":\"charge\",\"power_w\":-1,\"for\":\"PT1H\"}", "power_w"},
        {"{\"override\":\"command\",\"command\":\"charge\",\"power_w\":\"2\",\"for\":\"PT1H\"}", "a number"},
        {"{\"override\":\"command\",\"command\":\"rest\",\"power_w\":500,\"for\":\"PT1H\"}",
         "with charge and export"},
        {"{\"override\":\"command\",\"command\":\"charge\",\"until_percent\":40}", "already"},
        {"{\"override\":\"command\",\"command\":\"export\",\"until_percent\":10}", "20 to 100"},
        {"{\"override\":\"command\",\"command\":\"rest\",\"until_percent\":60,\"for\":\"PT1H\"}",
         "until_percent"},
        {"{\"override\":\"reserve\",\"percent\":15,\"for\":\"PT1H\"}", "only be raised"},
        {"{\"override\":\"reserve\",\"percent\":101,\"for\":\"PT1H\"}", "up to 100"},
        {"{\"override\":\"reserve\",\"for\":\"PT1H\"}", "percent: found nothing"},
        {"{\"override\":\"load\",\"factor\":0,\"for\":\"PT1H\"}", "0.1 to 5"},
        {"{\"override\":\"car\",\"energy_kwh\":20,\"for\":\"PT9H\"}", "power_w: found nothing"},
        {"{\"override\":\"car\",\"energy_kwh\":20,\"power_w\":7000,\"for\":\"PT1H\"}",
         "only 7.0 can be charged"},
        {"{\"override\":\"car\",\"energy_kwh\":-1,\"power_w\":7000,\"for\":\"PT1H\"}",
         "energy_kwh: found -1"},
        {"{\"override\":\"car\",\"energy_kwh\":201,\"power_w\":7000,\"for\":\"P2D\"}", "above 0 up to 200"},
        {"{\"override\":\"car\",\"energy_kwh\":20,\"power_w\":0,\"for\":\"PT9H\"}", "power_w: found 0"},
        {"{\"override\":\"car\",\"energy_kwh\":20,\"power_w\":50001,\"for\":\"PT9H\"}",
         "above 0 up to 50000"},
        {"{\"override\":\"command\",\"command\":\"store\",\"until_percent\":40}", "nothing to store"},
        {"{\"override\":\"command\",\"command\":\"serve\",\"until_percent\":60}", "nothing to serve"},
        {"{\"override\":\"command\",\"command\":\"charge\",\"until_percent\":101}", "0 to 100"},
        {"{\"override\":\"load\",\"factor\":5.1,\"for\":\"PT1H\"}", "0.1 to 5"},
        {"{\"override\":\"payment\",\"per_kwh\":-1,\"for\":\"PT1H\"}", "per_kwh: found -1"},
        {"{\"override\":\"payment\",\"per_kwh\":1,\"from\":\"22:00\",\"until\":\"21:00\"}", "from: found"},
        {"{\"override\":\"price\",\"import_per_kwh\":\"x\",\"for\":\"PT1H\"}", "a number"},
        {"{\"override\":\"wish\",\"percent\":10,\"for\":\"PT1H\"}", "20 to 100"},
        {"{\"override\":\"load\",\"factor\":1e400,\"for\":\"PT1H\"}", "no JSON"},
        {"{\"override\":\"pause\",\"until\":22}", "until: found no text"},
        {"{\"override\":\"pause\",\"for\":60}", "for: found no text"},
        {"{\"override\":\"payment\",\"per_kwh\":1,\"from\":7,\"for\":\"PT1H\"}", "from: found no text"},
        {"{\"override\":\"pause\",\"by\":7,\"for\":\"PT1H\"}", "by: allowed is a text"},
        {"{\"override\":\"pause\",\"for\":\"PT1H\",\"by\":"
         "\"0123456789012345678901234567890123456789012345678901234567"
         "890123456789012345678901234567890123456789\"}",
         "by: allowed is a text"},
        {"{\"override\":\"pause\",\"until\":\"22:60\"}", "until: found \"22:60\""},
        {"{\"override\":\"pause\",\"until\":\"9:000\"}", "until: found \"9:000\""},
        {"{\"override\":\"pause\",\"until\":\"22-00\"}", "until: found \"22-00\""},
        {"{\"override\":\"pause\",\"until\":\"2a:00\"}", "until: found \"2a:00\""},
    };
    go_to(bench, 18, 0);
    tick(bench);
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_error error = {""};
        if (ask(bench, rows[i].json, &error) != GR_INVALID) {
            fail_msg("%s was taken", rows[i].json);
        }
        assert_says(error.text, rows[i].words);
        assert_int_equal(in_force(bench), 0);
    }
}

/* Who asked is told on topics and in logs: a line break in it must not begin another line. */
static void who_asked_is_told_in_one_line(void **state)
{
    struct bench *bench = *state;
    expect(bench, "{\"override\":\"pause\",\"for\":\"PT1H\",\"by\":\"the\\nattic\\u0007\"}");
    assert_string_equal(view(bench, GR_OVERRIDE_PAUSE).override.by, "the attic ");
}

static void the_member_that_holds_the_value_is_named_for_each_kind(void **state)
{
    struct bench *bench = *state;
    static const struct {
        enum gr_override_kind kind;
        const char *name;
    } rows[] = {{GR_OVERRIDE_RESERVE, "percent"},
                {GR_OVERRIDE_LOAD, "factor"},
                {GR_OVERRIDE_PRICE, "import_per_kwh"},
                {GR_OVERRIDE_PAYMENT, "per_kwh"},
                {GR_OVERRIDE_WISH, "percent"}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char json[120];
        assert_string_equal(gr_override_value_name(rows[i].kind), rows[i].name);
        double value = rows[i].kind == GR_OVERRIDE_RESERVE || rows[i].kind == GR_OVERRIDE_WISH ? 60 : 0.5;
        (void)snprintf(json, sizeof json, "{\"override\":\"%s\",\"%s\":%g,\"for\":\"PT1H\"}",
                       gr_override_name(rows[i].kind), rows[i].name, value);
        expect(bench, json);
        assert_near(view(bench, rows[i].kind).override.value, value, 0);
    }
    assert_null(gr_override_value_name(GR_OVERRIDE_PAUSE));
    assert_null(gr_override_value_name(GR_OVERRIDE_KINDS));
}

static void what_no_request_can_say_is_refused_too(void **state)
{
    struct bench *bench = *state;
    struct gr_error error = {""};
    const struct gr_override_limits limits = {.battery = bench->config.site.battery, .reserve_percent = 20};
    struct gr_override override = {.kind = GR_OVERRIDE_KINDS, .until_s = 1000};
    assert_int_equal(gr_override_check(&override, &limits, 0, &error), GR_INVALID);
    assert_says(error.text, "unknown kind");
    assert_null(gr_override_name(override.kind));
    override.kind = GR_OVERRIDE_COMMAND;
    override.command = GR_COMMAND_KINDS;
    override.until_percent = NAN;
    assert_int_equal(gr_override_check(&override, &limits, 0, &error), GR_INVALID);
    assert_says(error.text, "command: found none");
}

static void each_is_described_in_words(void **state)
{
    (void)state;
    static const struct {
        struct gr_override override;
        const char *words;
    } rows[] = {
        {{.kind = GR_OVERRIDE_COMMAND,
          .command = GR_CHARGE,
          .power_kw = 2.5,
          .until_percent = 80,
          .by = "the kitchen"},
         "charge with 2.50 kW until 80 % or 2026-03-10T21:00:00Z, as the kitchen asked"},
        {{.kind = GR_OVERRIDE_COMMAND, .command = GR_REST, .until_percent = NAN},
         "rest until 2026-03-10T21:00:00Z, as somebody asked"},
        {{.kind = GR_OVERRIDE_RESERVE, .value = 40}, "keep 40 % in reserve until 2026"},
        {{.kind = GR_OVERRIDE_LOAD, .value = 1.5}, "expect 1.5 times the usual load until 2026"},
        {{.kind = GR_OVERRIDE_NO_EXPORT}, "no export by command until 2026"},
        {{.kind = GR_OVERRIDE_PAUSE}, "pause"},
        {{.kind = GR_OVERRIDE_CAR, .value = 20, .power_kw = 7},
         "20.0 kWh for the car with 7.00 kW until 2026"},
        {{.kind = GR_OVERRIDE_PRICE, .value = 0.5, .since_s = 1773162000},
         "a kWh bought costs 0.5000 from 2026-03-10T17:00:00Z until 2026"},
        {{.kind = GR_OVERRIDE_PAYMENT, .value = 1, .since_s = 1773162000},
         "a kWh bought less or sold more earns 1.0000 from 2026-03-10T17:00:00Z until 2026"},
        {{.kind = GR_OVERRIDE_WISH, .value = 90}, "have 90 % at the end, until 2026"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_override override = rows[i].override;
        char text[160], cut[12];
        override.until_s = 1773176400;
        gr_override_describe(text, sizeof text, &override);
        assert_says(text, rows[i].words);
        gr_override_describe(cut, sizeof cut, &override);
        assert_int_equal(strncmp(text, cut, sizeof cut - 1), 0);
        assert_true(strlen(cut) < sizeof cut);
    }
}

static void export_cannot_be_asked_for_where_it_is_not_allowed(void **state)
{
    struct bench *bench = *state;
    struct gr_error error = {""};
    bench->config.planning.may_export = false;
    assert_int_equal(gr_engine_reconfigure(bench->engine, &bench->config, bench->zone, &error), GR_OK);
    assert_int_equal(ask(bench, "{\"override\":\"command\",\"command\":\"export\",\"for\":\"PT1H\"}", &error),
                     GR_INVALID);
    assert_says(error.text, "not feed the grid");
}

static void ends_may_be_told_by_the_wall_clock(void **state)
{
    struct bench *bench = *state;
    struct gr_override override;
    static const struct {
        const char *until;
        int64_t seconds; /* after midnight */
    } rows[] = {{"22:00", 79200},
                {"17:59", 86400 + 64740},
                {"2026-03-10T23:30", 84600},
                {"2026-03-10T23:30:00+01:00", 81000}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char json[100];
        int length = snprintf(json, sizeof json, "{\"override\":\"pause\",\"until\":\"%s\"}", rows[i].until);
        assert_int_equal(
            gr_override_parse(&override, json, (size_t)length, bench->zone, midnight_s + 64800, NULL), GR_OK);
        assert_int_equal(override.until_s, midnight_s + rows[i].seconds);
    }
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(a_command_is_given_until_its_time_and_then_the_plan_goes_on),
        TEST(a_command_ends_at_its_state_of_charge),
        TEST(a_falling_command_ends_at_its_state_of_charge),
        TEST(what_it_costs_is_told_in_money_and_energy),
        TEST(a_raised_reserve_fills_and_is_kept_until_its_end),
        TEST(a_fault_keeps_the_raised_reserve_as_target),
        TEST(guests_raise_the_expected_load_until_they_leave),
        TEST(no_export_forbids_a_sale_that_would_pay),
        TEST(a_pause_follows_and_goes_before_a_command),
        TEST(the_guard_stands_above_every_override),
        TEST(a_charge_that_was_asked_for_keeps_to_the_import_limit),
        TEST(a_payment_makes_the_battery_ready_to_sell_in_its_window),
        TEST(a_price_event_changes_the_price_of_its_time_alone),
        TEST(a_wish_is_met_at_its_time),
        TEST(a_car_is_told_the_cheapest_time_and_is_not_fed_by_the_battery),
        TEST(wrong_ones_are_refused_with_what_is_allowed),
        TEST(who_asked_is_told_in_one_line),
        TEST(the_member_that_holds_the_value_is_named_for_each_kind),
        TEST(what_no_request_can_say_is_refused_too),
        cmocka_unit_test(each_is_described_in_words),
        TEST(export_cannot_be_asked_for_where_it_is_not_allowed),
        TEST(ends_may_be_told_by_the_wall_clock),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
