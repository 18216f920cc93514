#include "check.h"

#include "config/slurp.h"
#include "granary/config.h"
#include "granary/eventlog.h"
#include "world/world.h"

#include <stdlib.h>

static int fixed_zone(struct gr_zone **out, const char *name, struct gr_error *error)
{
    return gr_zone_fixed(out, name, 0, error);
}

static char *text_of_settings(const struct gr_engine_config *config)
{
    char *text = NULL;
    size_t length = 0;
    FILE *stream = open_memstream(&text, &length);
    gr_eventlog_write_settings(stream, config);
    (void)fclose(stream);
    return text;
}

static void read_settings(struct gr_engine_config *out, char *text)
{
    struct gr_error error = {""};
    memset(out, 0, sizeof *out);
    for (char *line = strtok(text, "\n"); line; line = strtok(NULL, "\n")) {
        if (gr_eventlog_read_setting(out, line, &error) != GR_OK) {
            fail_msg("%s: %s", line, error.text);
        }
    }
    assert_int_equal(gr_eventlog_check_settings(out, &error), GR_OK);
}

/* Whatever a configuration can say is in the log: a member without a line would come back as zero. */
static void every_member_of_a_configuration_comes_back_as_it_was(void **state)
{
    (void)state;
    struct gr_complaints complaints = {0};
    struct gr_config *config = calloc(1, sizeof *config);
    struct gr_engine_config *back = calloc(1, sizeof *back);
    assert_int_equal(gr_config_read(config, GRANARY_SOURCE_DIR "/conf/granary.conf", &complaints), GR_OK);
    config->engine.planning.export_from_minute = 1020;
    config->engine.planning.export_to_minute = 1260;
    config->engine.planning.least_gain_per_exported_kwh = 0.03;
    config->engine.planning.full_every_days = 14;
    config->engine.planning.carbon_price_per_kg = 0.08;
    config->engine.planning.carbon_credits_export = true;
    config->engine.carbon = config->engine.import;
    config->engine.carbon.source[0].bands.band[0].price_per_kwh = 0.31;
    config->engine.planning.brief = true;
    config->engine.safety.in_the_past = true;
    config->engine.safety.trust_clock = true;
    config->engine.safety.commanding = true;
    config->engine.site.grid.car_side = GR_CAR_ON_HOUSE_SIDE;
    config->engine.site.grid.car_charger_kw = 7.2;
    config->engine.site.dc_coupled = true;
    config->engine.site.inverter = (struct gr_dc_inverter){4.6, 0.96, 0.95};
    config->engine.site.curves.charge_power = (struct gr_curve_points){2, {8, 10}, {4, 0.8}};
    config->engine.site.curves.discharge_power = (struct gr_curve_points){2, {0, 1}, {2, 5}};
    config->engine.site.curves.charge_loss = (struct gr_curve_points){2, {0, 4}, {0.04, 0.24}};
    config->engine.site.curves.discharge_loss = (struct gr_curve_points){2, {0, 5}, {0.04, 0.34}};
    config->engine.site.curves.charge_by_temperature = (struct gr_curve_points){3, {-10, 0, 10}, {0, 1.5, 4}};
    config->engine.site.curves.wear_steps = (struct gr_curve_points){2, {0, 2}, {0.02, 0}};
    config->engine.peak = (struct gr_peak_charge){.any = true,
                                                  .minutes = 15,
                                                  .days = 3,
                                                  .from_minute = 420,
                                                  .to_minute = 1200,
                                                  .weekdays = 31,
                                                  .per_kw = 4.7,
                                                  .step = {{2, 150.5}, {5, 250}, {10, 417.25}},
                                                  .step_count = 3};
    (void)snprintf(config->engine.site.name, GR_NAME_SIZE, "a \"house\" \\ with a name");
    char *text = text_of_settings(&config->engine);
    read_settings(back, text);
    /* The same text again, and the same bytes: no member is left out. */
    char *again = text_of_settings(back);
    free(text);
    text = text_of_settings(&config->engine);
    assert_string_equal(again, text);
    assert_memory_equal(&back->site.battery, &config->engine.site.battery, sizeof back->site.battery);
    assert_memory_equal(&back->site.curves, &config->engine.site.curves, sizeof back->site.curves);
    assert_memory_equal(&back->planning, &config->engine.planning, sizeof back->planning);
    assert_memory_equal(&back->safety, &config->engine.safety, sizeof back->safety);
    assert_memory_equal(&back->peak, &config->engine.peak, sizeof back->peak);
    assert_string_equal(back->site.name, config->engine.site.name);
    free(again);
    free(text);
    free(back);
    free(config);
    gr_complaints_free(&complaints);
}

/* A night with faults, recorded; the recording begins when it has gone on for a while. */
struct recording {
    struct world world;
    char *text;
    size_t length;
    FILE *stream;
};

static void note_event(void *context, const struct gr_event *event)
{
    gr_eventlog_write_event(((struct recording *)context)->stream, event);
}

static void note_turn(void *context, const struct gr_moment *now, const struct gr_decision *decision)
{
    gr_eventlog_write_turn(((struct recording *)context)->stream, now, decision);
}

static void note_change(void *context)
{
    struct recording *recording = context;
    gr_eventlog_write_start(recording->stream, recording->world.engine, &recording->world.now);
}

static void live(struct recording *recording, int turns)
{
    for (int i = 0; i < turns; i++) {
        world_turn(&recording->world, 60);
    }
}

static void begin_recording(struct recording *recording)
{
    const struct gr_engine_tap tap = {note_event, note_turn, note_change, recording};
    recording->stream = open_memstream(&recording->text, &recording->length);
    note_change(recording);
    gr_engine_set_tap(recording->world.engine, &tap);
}

static void record(struct recording *recording)
{
    struct world *world = &recording->world;
    world_init(world);
    world->config.safety.max_age_s[GR_OUTDOOR_TEMPERATURE] = 7200;
    assert_true(world_begin(world));
    live(recording, 100);
    world->outdoor_c = -3;
    begin_recording(recording);
    live(recording, 100);
    world->obedience = WORLD_DEAF;
    live(recording, 60);
    world->obedience = WORLD_OBEYS;
    world->clock_error_s = 7200;
    live(recording, 30);
    assert_int_equal(gr_engine_reconfigure(world->engine, &world->config, world->zone, NULL), GR_OK);
    world->load.solar_kw = 3;
    live(recording, 200);
    gr_engine_raise_sequence(world->engine, 100000);
    struct gr_event ask = {.kind = GR_EVENT_OVERRIDE,
                           .at = world->now,
                           .of.override = {.kind = GR_OVERRIDE_COMMAND,
                                           .command = GR_REST,
                                           .until_percent = NAN,
                                           .since_s = world->now.utc_s,
                                           .until_s = world->now.utc_s + 3600,
                                           .by = "the \"attic\""}};
    assert_int_equal(gr_engine_handle(world->engine, &ask, NULL), GR_OK);
    live(recording, 10);
    const struct gr_window dear = {.kind = GR_WINDOW_PAYMENT,
                                   .start_s = world->true_s + 1000,
                                   .end_s = world->true_s + 8000,
                                   .value = 1.25};
    struct gr_event windows = {
        .kind = GR_EVENT_WINDOWS, .at = world->now, .of.windows = {.source = 3, .list = &dear, .count = 1}};
    assert_int_equal(gr_engine_handle(world->engine, &windows, NULL), GR_OK);
    live(recording, 10);
    struct gr_rate told = {world->true_s + 3600, world->true_s + 90000, 0.4};
    struct gr_rate_table table = {&told, 1};
    struct gr_event sky = {.kind = GR_EVENT_WEATHER,
                           .at = world->now,
                           .of.weather = {.kind = GR_WEATHER_CLOUD_COVER, .table = &table}};
    assert_int_equal(gr_engine_handle(world->engine, &sky, NULL), GR_OK);
    struct gr_event cancel = {.kind = GR_EVENT_CANCEL, .at = world->now, .of.cancel.kind = GR_OVERRIDE_KINDS};
    assert_int_equal(gr_engine_handle(world->engine, &cancel, NULL), GR_OK);
    world_set_link(world, false);
    live(recording, 5);
    world_set_link(world, true);
    live(recording, 90);
    (void)fclose(recording->stream);
}

static int set_up(void **state)
{
    struct recording *recording = calloc(1, sizeof *recording);
    record(recording);
    *state = recording;
    return 0;
}

/* ---- a month whose peaks are paid for ---- */

/* An hour of five days ago, as the store tells it. */
static void tell_metered(struct recording *recording, double grid_kw)
{
    const struct world *world = &recording->world;
    int64_t then_s = world->began_s - (int64_t)5 * 86400;
    struct gr_event event = {
        .kind = GR_EVENT_METERED, .at = world->now, .of.metered = {then_s, then_s + 3600, grid_kw}};
    assert_int_equal(gr_engine_handle(world->engine, &event, NULL), GR_OK);
}

/* What the month had before the recording is in its state alone. Then a reload under which other hours count,
 * so that the past is told anew, and midnight, at which the level is chosen again. */
static int set_up_peaks(void **state)
{
    struct recording *recording = calloc(1, sizeof *recording);
    struct world *world = &recording->world;
    world_init(world);
    world->config.peak =
        (struct gr_peak_charge){.any = true, .minutes = 60, .days = 1, .weekdays = 127, .per_kw = 9};
    world->config.planning.expectation.path_days = 3;
    world->stored_kwh = 3;
    assert_true(world_begin(world));
    tell_metered(recording, 3);
    live(recording, 40);
    begin_recording(recording);
    live(recording, 60);
    world->config.peak.minutes = 30;
    assert_int_equal(gr_engine_reconfigure(world->engine, &world->config, world->zone, NULL), GR_OK);
    tell_metered(recording, 4);
    live(recording, 200);
    world_pass(world, (int64_t)18 * 3600);
    live(recording, 150);
    (void)fclose(recording->stream);
    *state = recording;
    return 0;
}

static int tear_down(void **state)
{
    struct recording *recording = *state;
    world_end(&recording->world);
    free(recording->text);
    free(recording);
    return 0;
}

static int replay(struct gr_replay *out, const char *text, size_t length, struct gr_error *error)
{
    return gr_eventlog_replay(out, "x.log", text, length, fixed_zone, error);
}

static void assert_replays(const struct recording *recording, uint64_t decisions, uint64_t starts)
{
    struct gr_replay found;
    struct gr_error error = {""};
    if (replay(&found, recording->text, recording->length, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
    if (found.differing > 0) {
        fail_msg("line %llu:\n%s\n%s", (unsigned long long)found.first_line, found.logged, found.found);
    }
    assert_int_equal(found.decisions, decisions);
    assert_int_equal(found.starts, starts);
}

static void a_log_replays_to_the_byte(void **state)
{
    assert_replays(*state, 505, 3);
}

static void a_month_whose_peaks_are_paid_for_replays_to_the_byte(void **state)
{
    const struct recording *recording = *state;
    assert_replays(recording, 410, 2);
    assert_says(recording->text, "month's peak"); /* and they do change what is commanded */
}

static void a_peak_that_was_another_one_leads_to_other_decisions(void **state)
{
    struct recording *recording = *state;
    struct gr_replay found;
    struct gr_error error = {""};
    char *place = strstr(recording->text, "\nmetered ");
    assert_non_null(place);
    place = strchr(place + 1, '\n') - 2;
    assert_memory_equal(place, " 4\n", 3);
    place[1] = '1';
    assert_int_equal(replay(&found, recording->text, recording->length, &error), GR_OK);
    assert_true(found.differing > 0);
}

static void a_decision_that_was_another_one_is_found(void **state)
{
    struct recording *recording = *state;
    struct gr_replay found;
    struct gr_error error = {""};
    char *place = strstr(recording->text, "decision charge 6 ");
    assert_non_null(place);
    place[16] = '5';
    assert_int_equal(replay(&found, recording->text, recording->length, &error), GR_OK);
    assert_int_equal(found.differing, 1);
    assert_true(found.first_line > 50);
    assert_says(found.logged, "charge 5 ");
    assert_says(found.found, "charge 6 ");
}

static void a_reading_that_was_another_one_leads_to_other_decisions(void **state)
{
    struct recording *recording = *state;
    struct gr_replay found;
    struct gr_error error = {""};
    char *place = strstr(strstr(recording->text, "\nstate "), " state_of_charge ");
    assert_non_null(place);
    place[17] = place[17] == '9' ? '8' : '9';
    assert_int_equal(replay(&found, recording->text, recording->length, &error), GR_OK);
    assert_true(found.differing > 0);
}

static void a_line_that_was_cut_off_at_the_end_is_passed_over(void **state)
{
    struct recording *recording = *state;
    struct gr_replay found;
    struct gr_error error = {""};
    assert_int_equal(replay(&found, recording->text, recording->length - 40, &error), GR_OK);
    assert_int_equal(found.differing, 0);
}

static void refused(const char *text, const char *words)
{
    struct gr_replay found;
    struct gr_error error = {""};
    assert_int_not_equal(replay(&found, text, strlen(text), &error), GR_OK);
    assert_says(error.text, words);
}

static void what_is_no_log_is_refused_with_its_line(void **state)
{
    (void)state;
    refused("", "an empty file");
    refused("hello\n", "x.log:1: this is no event log that is understood here: it begins with \"hello\"");
    refused("granary-events 1 0\nbegin\n", "x.log:2: planning.slot_minutes is missing");
    refused("granary-events 1 0\nset sun 3\n", "no setting is called \"sun\"");
    refused("granary-events 1 0\nset planning.slot_minutes 5000000\n", "planning.slot_minutes: not what");
    refused("granary-events 1 0\ntick 1 2 1\n", "expected a setting");
    refused("granary-events 1 0\ndecision follow\n", "a tick before each decision");
}

static void lines_after_the_start_are_refused_where_they_make_no_sense(void **state)
{
    struct recording *recording = *state;
    static const char *const lines[][2] = {{"reading 1 2 1 moon 3\n", "a channel"},
                                           {"reading 1 2 1 grid_power 3 fresh\n", "retained"},
                                           {"tick 1 2\n", "Unix seconds"},
                                           {"tick 1 2 1 4\n", "a moment and no more"},
                                           {"rates 1 2 1 import 0 1 5 5 0.1\n", "slots"},
                                           {"rates 1 2 1 import 0 1 5 6 nan\n", "finite"},
                                           {"link 1 2 1 sideways\n", "\"up\""},
                                           {"history 1 2 1 1800 x 3\n", "two powers"},
                                           {"sequence -4\n", "a sequence"},
                                           {"begin\n", "\"begin\" once"},
                                           {"override 1 2 1 dance\n", "an override"},
                                           {"cancel 1 2 1 dance\n", "or \"all\""},
                                           {"state 3 4 00\n", "this version"},
                                           {"fly 1 2 1\n", "\"fly\" begins no line"}};
    size_t start = (size_t)(strstr(recording->text, "\nbegin\n") + 7 - recording->text);
    for (size_t i = 0; i < sizeof lines / sizeof lines[0]; i++) {
        char *text = malloc(start + strlen(lines[i][0]) + 1);
        memcpy(text, recording->text, start);
        memcpy(text + start, lines[i][0], strlen(lines[i][0]) + 1);
        refused(text, lines[i][1]);
        free(text);
    }
}

static void a_state_that_was_changed_is_not_believed(void **state)
{
    struct recording *recording = *state;
    char *place = strstr(recording->text, "\nstate ");
    char *end = strchr(place + 1, '\n');
    end[-1] = end[-1] == '0' ? '1' : '0';
    refused(recording->text, "a state that fits its sum");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_member_of_a_configuration_comes_back_as_it_was),
        cmocka_unit_test_setup_teardown(a_log_replays_to_the_byte, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_month_whose_peaks_are_paid_for_replays_to_the_byte, set_up_peaks,
                                        tear_down),
        cmocka_unit_test_setup_teardown(a_peak_that_was_another_one_leads_to_other_decisions, set_up_peaks,
                                        tear_down),
        cmocka_unit_test_setup_teardown(a_decision_that_was_another_one_is_found, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_reading_that_was_another_one_leads_to_other_decisions, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(a_line_that_was_cut_off_at_the_end_is_passed_over, set_up, tear_down),
        cmocka_unit_test(what_is_no_log_is_refused_with_its_line),
        cmocka_unit_test_setup_teardown(lines_after_the_start_are_refused_where_they_make_no_sense, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(a_state_that_was_changed_is_not_believed, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
