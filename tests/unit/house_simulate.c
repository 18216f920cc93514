/* The parts of `granary simulate` that need no broker. */
#include "granary/bridge.h"
#include "granary/civil.h"
#include "granary/rates.h"
#include "tool/simulate.h"
#include "zone_file.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

static const int64_t day_s = 1773097200; /* 2026-03-10T00:00+01:00 */

/* ---- readings ---- */

static struct gr_input json_input(const char *topic, const char *pointer, enum gr_unit unit, double sign)
{
    struct gr_input input = {
        .configured = true, .unit = unit, .sign = sign, .scale = 1, .least = -50, .greatest = 100};
    (void)snprintf(input.topic, sizeof input.topic, "%s", topic);
    input.is_json = pointer != NULL;
    (void)snprintf(input.pointer, sizeof input.pointer, "%s", pointer ? pointer : "");
    return input;
}

static struct gr_config *make_config(void)
{
    struct gr_config *config = calloc(1, sizeof *config);
    assert_non_null(config);
    config->engine.site.battery = (struct gr_battery){.capacity_kwh = 12,
                                                      .charge_kw = 4,
                                                      .discharge_kw = 5,
                                                      .charge_efficiency = 0.9,
                                                      .discharge_efficiency = 0.8,
                                                      .wear_per_kwh = 0.02};
    return config;
}

/* Publishes a value and reads it with the daemon's own reader. */
static void expect_back(struct gr_input input, enum gr_channel channel, double value, const char *payload)
{
    struct gr_config *config = make_config();
    struct gr_sim_readings readings;
    struct gr_error error = {""};
    double values[GR_CHANNELS] = {0}, back = NAN;
    values[channel] = value;
    config->inputs[channel] = input;
    assert_int_equal(gr_sim_readings_init(&readings, config, &error), GR_OK);
    assert_int_equal(readings.topics, 1);
    char *text = gr_sim_readings_payload(&readings, 0, values);
    assert_non_null(text);
    assert_string_equal(text, payload);
    if (gr_payload_read(&back, &input, channel, 12, text, strlen(text), &error) != GR_OK ||
        fabs(back - value) > 1e-6) {
        fail_msg("%s: read back as %g, expected %g %s", text, back, value, error.text);
    }
    free(text);
    free(config);
}

static void what_is_published_is_what_the_daemon_reads(void **state)
{
    (void)state;
    struct gr_input scaled = json_input("a", NULL, GR_UNIT_W, -1);
    scaled.scale = 0.1;
    scaled.offset = 20;
    expect_back(json_input("a", NULL, GR_UNIT_PERCENT, 1), GR_STATE_OF_CHARGE, 62.5, "62.5");
    expect_back(json_input("a", "", GR_UNIT_RATIO, 1), GR_STATE_OF_CHARGE, 62.5, "0.625");
    expect_back(json_input("a", NULL, GR_UNIT_KWH, 1), GR_STATE_OF_CHARGE, 62.5, "7.5");
    expect_back(json_input("a", "/x", GR_UNIT_WH, 1), GR_STATE_OF_CHARGE, 62.5, "{\"x\":7500.0}");
    expect_back(json_input("a", "/x/y~1z~0/0", GR_UNIT_KW, 1), GR_SOLAR_POWER, 1.25,
                "{\"x\":{\"y/z~\":{\"0\":1.25}}}");
    expect_back(json_input("a", "/x", GR_UNIT_W, -1), GR_BATTERY_POWER, 1.25, "{\"x\":-1250.0}");
    expect_back(scaled, GR_GRID_POWER, 1.25, "-12700.0");
    expect_back(json_input("a", "/x", GR_UNIT_BOOLEAN, 1), GR_GRID_PRESENT, 1, "{\"x\":true}");
    expect_back(json_input("a", NULL, GR_UNIT_BOOLEAN, 1), GR_GRID_PRESENT, 0, "false");
}

static void channels_that_share_a_topic_share_one_payload(void **state)
{
    (void)state;
    struct gr_config *config = make_config();
    struct gr_sim_readings readings;
    struct gr_error error;
    double values[GR_CHANNELS] = {[GR_STATE_OF_CHARGE] = 50, [GR_BATTERY_POWER] = -2, [GR_GRID_POWER] = 3};
    config->inputs[GR_STATE_OF_CHARGE] = json_input("battery", "/charge", GR_UNIT_PERCENT, 1);
    config->inputs[GR_BATTERY_POWER] = json_input("battery", "/power/now", GR_UNIT_KW, 1);
    config->inputs[GR_GRID_POWER] = json_input("meter", NULL, GR_UNIT_KW, 1);
    assert_int_equal(gr_sim_readings_init(&readings, config, &error), GR_OK);
    assert_int_equal(readings.topics, 2);
    char *battery = gr_sim_readings_payload(&readings, 0, values);
    char *meter = gr_sim_readings_payload(&readings, 1, values);
    assert_string_equal(battery, "{\"charge\":50.0,\"power\":{\"now\":-2.0}}");
    assert_string_equal(meter, "3.0");
    free(battery);
    free(meter);
    free(config);
}

static void channels_that_cannot_share_a_payload_are_refused(void **state)
{
    (void)state;
    static const struct {
        const char *first, *second;
    } rows[] = {{"/a", "/a"}, {"/a", "/a/b"}, {"/a/b", "/a"}, {NULL, "/a"}, {NULL, NULL}, {"", "/a"}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_config *config = make_config();
        struct gr_sim_readings readings;
        struct gr_error error = {""};
        config->inputs[GR_BATTERY_POWER] = json_input("house", rows[i].first, GR_UNIT_KW, 1);
        config->inputs[GR_GRID_POWER] = json_input("house", rows[i].second, GR_UNIT_KW, 1);
        assert_int_equal(gr_sim_readings_init(&readings, config, &error), GR_INVALID);
        assert_non_null(strstr(error.text, "inputs.grid_power"));
        assert_non_null(strstr(error.text, "\"house\""));
        free(config);
    }
}

/* ---- hub ---- */

static int take(struct gr_sim_hub *hub, const char *document)
{
    struct gr_error error;
    return gr_sim_hub_take(hub, document, strlen(document), &error);
}

static void the_hub_obeys_a_command_until_its_end(void **state)
{
    (void)state;
    struct gr_sim_hub hub;
    gr_sim_hub_init(&hub);
    assert_int_equal(gr_sim_hub_kind(&hub, day_s), GR_FOLLOW);
    assert_int_equal(take(&hub,
                          "{\"command\":\"charge\",\"power_w\":3000,\"target_percent\":80,"
                          "\"issued\":\"2026-03-10T01:00:00Z\",\"valid_until\":\"2026-03-10T01:05:00Z\","
                          "\"reason\":\"cheap\",\"sequence\":12}"),
                     GR_OK);
    int64_t end_s = day_s + 3600 + 3600 + 300;
    assert_int_equal(gr_sim_hub_kind(&hub, end_s - 1), GR_CHARGE);
    assert_int_equal(gr_sim_hub_kind(&hub, end_s), GR_FOLLOW);
    assert_true(hub.inverter.power_kw == 3 && hub.inverter.target_percent == 80 &&
                hub.inverter.sequence == 12);
    assert_string_equal(hub.reason, "cheap");
}

static void the_hub_takes_follow_without_an_end(void **state)
{
    (void)state;
    struct gr_sim_hub hub;
    gr_sim_hub_init(&hub);
    assert_int_equal(take(&hub,
                          "{\"command\":\"follow\",\"power_w\":0,\"target_percent\":null,\"issued\":null,"
                          "\"valid_until\":null,\"reason\":\"stopped\",\"sequence\":null}"),
                     GR_OK);
    assert_true(hub.inverter.valid_until_s == INT64_MAX);
}

static void a_command_that_must_not_be_obeyed_ends_in_follow(void **state)
{
    (void)state;
#define UNTIL "\"valid_until\":\"2026-03-10T01:05:00Z\""
    static const char *const documents[] = {
        "",
        "[]",
        "{",
        "{}",
        "null",
        "{\"command\":\"discharge\",\"power_w\":1,\"target_percent\":10," UNTIL "}",
        "{\"command\":\"charge\",\"power_w\":-1,\"target_percent\":80," UNTIL "}",
        "{\"command\":\"charge\",\"power_w\":\"3000\",\"target_percent\":80," UNTIL "}",
        "{\"command\":\"charge\",\"target_percent\":80," UNTIL "}",
        "{\"command\":\"charge\",\"power_w\":3000," UNTIL "}",
        "{\"command\":\"charge\",\"power_w\":3000,\"target_percent\":180," UNTIL "}",
        "{\"command\":\"charge\",\"power_w\":3000,\"target_percent\":80,\"valid_until\":null}",
        "{\"command\":\"charge\",\"power_w\":3000,\"target_percent\":80}",
        "{\"command\":\"store\",\"power_w\":0,\"target_percent\":100,\"valid_until\":\"soon\"}",
        "{\"command\":\"follow\",\"command\":\"export\",\"power_w\":1," UNTIL "}",
    };
    for (size_t i = 0; i < sizeof documents / sizeof *documents; i++) {
        struct gr_sim_hub hub;
        gr_sim_hub_init(&hub);
        assert_int_equal(take(&hub, "{\"command\":\"rest\",\"power_w\":0,\"target_percent\":50," UNTIL "}"),
                         GR_OK);
        if (take(&hub, documents[i]) != GR_INVALID || gr_sim_hub_kind(&hub, day_s) != GR_FOLLOW) {
            fail_msg("obeyed: %s", documents[i]);
        }
    }
}

/* ---- prices ---- */

static struct gr_sim_scene priced_scene(void)
{
    struct gr_sim_scene scene = {.house.seed = 3, .price_swing = 0.1};
    for (int i = 0; i < GR_SIM_HALF_HOURS; i++) {
        scene.import_price[i] = 0.2 + 0.001 * i;
        scene.export_price[i] = 0.05 - 0.002 * i;
    }
    return scene;
}

static size_t read_document(const char *path, char *out, size_t size)
{
    FILE *file = fopen(path, "rb");
    assert_non_null(file);
    size_t length = fread(out, 1, size, file);
    (void)fclose(file);
    return length;
}

/* The document is read by the reader of the rates module and must say what the bill is made of. */
static void expect_document(const struct gr_zone *zone, const char *folder, const char *name,
                            enum gr_direction direction, size_t slots)
{
    static const struct gr_rate_mapping mapping = {
        .list = "/intervals", .start = "/from", .end = "/to", .price = "/price", .scale = 1, .factor = 1};
    struct gr_sim_scene scene = priced_scene();
    struct gr_rate_table table = {0};
    struct gr_error error = {""};
    char path[128], bytes[16384];
    (void)snprintf(path, sizeof path, "%s/%s", folder, name);
    size_t length = read_document(path, bytes, sizeof bytes);
    if (gr_rates_read(&table, &mapping, zone, bytes, length, &error) != GR_OK) {
        fail_msg("%s: %s", name, error.text);
    }
    assert_int_equal(table.count, slots);
    for (size_t i = 0; i < table.count; i++) {
        double price = gr_sim_price(&scene, direction, zone, table.rates[i].start_s);
        assert_true(fabs(table.rates[i].price_per_kwh - price) < 1e-9);
        assert_true(table.rates[i].end_s == table.rates[i].start_s + 1800);
    }
    gr_rate_table_free(&table);
    (void)remove(path);
}

static void a_day_of_prices_is_published_whole_on_days_of_23_24_and_25_hours(void **state)
{
    (void)state;
    static const struct {
        int64_t noon_s;
        const char *day;
        size_t slots;
    } rows[] = {
        {1773140400, "2026-03-10", 48}, {1774780200, "2026-03-29", 46}, {1792929600, "2026-10-25", 50}};
    char folder[] = "/tmp/granary-test-XXXXXX";
    struct gr_sim_scene scene = priced_scene();
    struct gr_zone *zone = load_zone("Europe/Berlin");
    assert_non_null(zone);
    assert_non_null(mkdtemp(folder));
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_error error = {""};
        char name[64];
        assert_int_equal(gr_sim_publish_rates(&scene, zone, "EUR", folder, rows[i].noon_s, day_s, &error),
                         GR_OK);
        (void)snprintf(name, sizeof name, "import-%s.json", rows[i].day);
        expect_document(zone, folder, name, GR_IMPORT, rows[i].slots);
        (void)snprintf(name, sizeof name, "export-%s.json", rows[i].day);
        expect_document(zone, folder, name, GR_EXPORT_DIRECTION, rows[i].slots);
    }
    assert_int_equal(rmdir(folder), 0); /* nothing else was left there */
    gr_zone_free(zone);
}

static void prices_that_cannot_be_published_are_an_error(void **state)
{
    (void)state;
    struct gr_sim_scene scene = priced_scene();
    struct gr_zone *zone = NULL;
    struct gr_error error = {""};
    assert_int_equal(gr_zone_fixed(&zone, "UTC", 0, NULL), GR_OK);
    assert_int_equal(gr_sim_publish_rates(&scene, zone, "EUR", "/nonexistent", day_s, day_s, &error), GR_IO);
    assert_non_null(strstr(error.text, "/nonexistent/import-2026-03-09.json"));
    gr_zone_free(zone);
}

static void prices_swing_from_day_to_day_together(void **state)
{
    (void)state;
    struct gr_sim_scene scene = priced_scene();
    struct gr_zone *zone = NULL;
    bool differ = false;
    assert_int_equal(gr_zone_fixed(&zone, "UTC", 0, NULL), GR_OK);
    for (int day = 0; day < 5; day++) {
        int64_t noon_s = 1773100800 + 43200 + 86400 * (int64_t)day;
        double ratio = gr_sim_price(&scene, GR_IMPORT, zone, noon_s) / scene.import_price[24];
        double evening = gr_sim_price(&scene, GR_IMPORT, zone, noon_s + 21600) / scene.import_price[36];
        differ = differ || fabs(ratio - 1) > 0.01;
        assert_true(fabs(ratio - evening) < 5e-4);
        assert_true(fabs(ratio - 1) < 0.35);
    }
    assert_true(differ);
    gr_zone_free(zone);
}

/* ---- account ---- */

static void energy_left_in_the_battery_counts_in_the_total(void **state)
{
    (void)state;
    struct gr_sim_account account = {.start_kwh = 4, .stored_kwh = {6, 3, 4}, .left_price = 0.2};
    account.bill[GR_SIM_GRANARY] = (struct gr_bill){.import_cost = 5, .export_income = 1, .wear_cost = 0.5};
    account.bill[GR_SIM_FOLLOWING] = (struct gr_bill){.import_cost = 6};
    account.bill[GR_SIM_BARE] = (struct gr_bill){.import_cost = 7};
    assert_true(fabs(gr_sim_total(&account, GR_SIM_GRANARY) - (5 - 1 + 0.5 - 2 * 0.2)) < 1e-12);
    assert_true(fabs(gr_sim_total(&account, GR_SIM_FOLLOWING) - (6 + 0.2)) < 1e-12);
    assert_true(gr_sim_total(&account, GR_SIM_BARE) == 7);
}

/* Half an hour of charging at 2 kW for the given reason, printed `times` times, 54 columns wide; the line of
 * the day is left out. */
static void print_lines(const char *reason, int times, char *out, size_t size)
{
    struct gr_sim_scene scene = priced_scene();
    struct gr_sim_half_hour half_hour = {.start_s = day_s, .seconds = 1800};
    struct gr_sim_view view = {
        .stream = tmpfile(), .scene = &scene, .width = 54, .day_shown = -1, .kind_shown = -1};
    char day[64];
    scene.house.site.battery.capacity_kwh = 10;
    scene.price_swing = 0;
    half_hour.sum =
        (struct gr_house_flow){.house_kw = 900, .battery_kw = 3600, .grid_kw = 4500, .stored_kwh = 5};
    half_hour.seconds_of[GR_CHARGE] = 1200;
    half_hour.seconds_of[GR_FOLLOW] = 600;
    half_hour.power_kw[GR_CHARGE] = 2;
    (void)snprintf(half_hour.reason[GR_CHARGE], GR_REASON_SIZE, "%s", reason);
    assert_non_null(view.stream);
    assert_int_equal(gr_zone_fixed((struct gr_zone **)&view.zone, "UTC", 0, NULL), GR_OK);
    for (int i = 0; i < times; i++) {
        gr_sim_print_half_hour(&view, &half_hour);
    }
    rewind(view.stream);
    assert_non_null(fgets(day, sizeof day, view.stream));
    assert_string_equal(day, "Monday 2026-03-09\n");
    out[fread(out, 1, size - 1, view.stream)] = '\0';
    (void)fclose(view.stream);
    gr_zone_free((struct gr_zone *)view.zone);
}

static const char flow[] = "23:00    0.246 -0.042   0.50  0.00   +2.00  +2.50  50%  charge 2.00\n";

static void a_line_says_what_flowed_and_a_new_command_its_reason(void **state)
{
    (void)state;
    char lines[1024], expected[1024];
    print_lines("cheap", 2, lines, sizeof lines);
    (void)snprintf(expected, sizeof expected, "%s        cheap\n%s", flow, flow);
    assert_string_equal(lines, expected);
}

static void a_long_reason_is_broken_between_words(void **state)
{
    (void)state;
    char lines[1024], expected[1024];
    print_lines("for a price of 0.0820 \u20ac, a worth of 0.1926 \u20ac\u20ac, after losses", 1, lines,
                sizeof lines);
    (void)snprintf(expected, sizeof expected,
                   "%s        for a price of 0.0820 \u20ac, a worth of 0.1926 \u20ac\u20ac,\n"
                   "        after losses\n",
                   flow);
    assert_string_equal(lines, expected);
}

/* ---- scene ---- */

static int read_scene(const char *text, struct gr_sim_scene *scene, struct gr_complaints *complaints)
{
    char path[] = "/tmp/granary-test-XXXXXX";
    struct gr_config *config = make_config();
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, strlen(text)), (ssize_t)strlen(text));
    (void)close(fd);
    int result = gr_sim_scene_read(scene, path, config, complaints);
    (void)remove(path);
    free(config);
    return result;
}

#define ROW_OF_8 "0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1"
#define ROW_OF_24 ROW_OF_8 ", " ROW_OF_8 ", " ROW_OF_8
#define HOUSE "house = { base_kw = ( " ROW_OF_24 "); };\n"
#define SUN "sun = { clearness_mean = 0.6; };\n"
#define PRICES                                                                                               \
    "prices = { import_per_kwh = ( " ROW_OF_24 ", " ROW_OF_24 "); export_per_kwh = ( " ROW_OF_24             \
    ", " ROW_OF_24 "); };\n"

static void a_scene_keeps_what_is_configured_where_it_says_nothing(void **state)
{
    (void)state;
    struct gr_sim_scene scene;
    struct gr_complaints complaints = {0};
    int result =
        read_scene("start = \"2026-03-10T00:00\";\nbattery = { capacity_kwh = 11; };\n" HOUSE SUN PRICES,
                   &scene, &complaints);
    if (result != GR_OK) {
        fail_msg("%s", complaints.count ? complaints.items[0].text : "no complaint");
    }
    assert_true(scene.house.site.battery.capacity_kwh == 11);
    assert_true(scene.house.site.battery.discharge_efficiency == 0.8);
    assert_true(scene.house.site.battery.wear_per_kwh == 0.02);
    assert_int_equal(scene.publish_minute, 16 * 60);
    assert_true(scene.house.car_kw == 0);
}

static void a_wrong_scene_is_refused_with_line_and_key(void **state)
{
    (void)state;
#define START "start = \"2026-03-10T00:00\";\n"
    static const struct {
        const char *text, *line, *expected;
    } rows[] = {
        {HOUSE SUN PRICES, "", "start"},
        {"start = \"tomorrow\";\n" HOUSE SUN PRICES, ":1: ", "start"},
        {START "colour = 1;\n" HOUSE SUN PRICES, ":2: ", "colour"},
        {START HOUSE "sun = { clearness_mean = 60; };\n" PRICES, ":3: ", "sun.clearness_mean"},
        {START SUN PRICES, "", "house"},
        {START "house = { base_kw = ( 0.1, 0.2 ); };\n" SUN PRICES, ":2: ", "house.base_kw"},
        {START HOUSE SUN PRICES
         "car = { charge_kw = 7.0; from_hour = 1; hours = 2; weekdays = \"Caturday\"; };\n",
         ":5: ", "car.weekdays"},
        {START "seed = ;\n", ":2: ", ""},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_sim_scene scene;
        struct gr_complaints complaints = {0};
        assert_int_equal(read_scene(rows[i].text, &scene, &complaints), GR_INVALID);
        assert_true(complaints.count > 0);
        if (!strstr(complaints.items[0].text, rows[i].line) ||
            !strstr(complaints.items[0].text, rows[i].expected)) {
            fail_msg("row %zu: \"%s\", expected line \"%s\" and \"%s\"", i, complaints.items[0].text,
                     rows[i].line, rows[i].expected);
        }
        gr_complaints_free(&complaints);
    }
}

static void the_scene_of_the_demonstration_is_sound(void **state)
{
    (void)state;
    struct gr_config *config = make_config();
    struct gr_sim_scene scene;
    struct gr_complaints complaints = {0};
    int result = gr_sim_scene_read(&scene, GRANARY_SOURCE_DIR "/conf/demo/scene.conf", config, &complaints);
    if (result != GR_OK) {
        fail_msg("%s", complaints.count ? complaints.items[0].text : "no complaint");
    }
    assert_true(scene.export_price[36] >
                scene.import_price[4]); /* an evening's export pays more than a night's import */
    free(config);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_published_is_what_the_daemon_reads),
        cmocka_unit_test(channels_that_share_a_topic_share_one_payload),
        cmocka_unit_test(channels_that_cannot_share_a_payload_are_refused),
        cmocka_unit_test(the_hub_obeys_a_command_until_its_end),
        cmocka_unit_test(the_hub_takes_follow_without_an_end),
        cmocka_unit_test(a_command_that_must_not_be_obeyed_ends_in_follow),
        cmocka_unit_test(a_day_of_prices_is_published_whole_on_days_of_23_24_and_25_hours),
        cmocka_unit_test(prices_that_cannot_be_published_are_an_error),
        cmocka_unit_test(prices_swing_from_day_to_day_together),
        cmocka_unit_test(energy_left_in_the_battery_counts_in_the_total),
        cmocka_unit_test(a_line_says_what_flowed_and_a_new_command_its_reason),
        cmocka_unit_test(a_long_reason_is_broken_between_words),
        cmocka_unit_test(a_scene_keeps_what_is_configured_where_it_says_nothing),
        cmocka_unit_test(a_wrong_scene_is_refused_with_line_and_key),
        cmocka_unit_test(the_scene_of_the_demonstration_is_sound),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
