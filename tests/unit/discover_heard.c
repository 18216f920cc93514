/* Taking messages apart into numbers, and writing what was found as a configuration. */
#include "check.h"

#include "granary/discover.h"

#include <stdlib.h>
#include <unistd.h>

static void hear(struct gr_heard *heard, const char *topic, const char *payload, bool retained, int64_t at_ms)
{
    assert_int_equal(gr_heard_note(heard, topic, payload, strlen(payload), retained, at_ms), GR_OK);
}

static const struct gr_topic_series *find(struct gr_heard *heard, const char *topic, const char *pointer)
{
    size_t count;
    const struct gr_topic_series *series = gr_heard_series(heard, &count);
    for (size_t i = 0; i < count; i++) {
        if (strcmp(series[i].topic, topic) == 0 && strcmp(series[i].pointer, pointer) == 0) {
            return &series[i];
        }
    }
    return NULL;
}

static void plain_numbers_and_members_of_json_become_series(void **state)
{
    (void)state;
    struct gr_heard *heard;
    size_t count;
    unsigned without;
    assert_int_equal(gr_heard_create(&heard), GR_OK);
    hear(heard, "a", "12.5", false, 1000);
    hear(heard, "a", " -3 ", false, 2000);
    hear(heard, "b", "{\"x/y\":{\"~\":[1,{\"w\":\"7.5\"}]},\"on\":true,\"text\":\"5 W\"}", false, 1000);
    hear(heard, "c", "off", false, 1000);
    hear(heard, "c", "{broken", false, 1000);
    hear(heard, "c", "", false, 1000);
    (void)gr_heard_series(heard, &count);
    assert_int_equal(count, 3);
    const struct gr_topic_series *plain = find(heard, "a", "");
    assert_non_null(plain);
    assert_false(plain->is_json);
    assert_int_equal(plain->live, 2);
    assert_near(plain->least, -3, 0);
    assert_near(plain->greatest, 12.5, 0);
    assert_non_null(find(heard, "b", "/x~1y/~0/0"));
    assert_near(find(heard, "b", "/x~1y/~0/1/w")->last, 7.5, 0);
    assert_int_equal(gr_heard_messages(heard, &without), 6);
    assert_int_equal(without, 3);
    gr_heard_free(heard);
}

static void retained_values_are_known_but_no_samples(void **state)
{
    (void)state;
    struct gr_heard *heard;
    assert_int_equal(gr_heard_create(&heard), GR_OK);
    hear(heard, "a", "40", true, 1000);
    const struct gr_topic_series *series = find(heard, "a", "");
    assert_int_equal(series->live, 0);
    assert_int_equal(series->retained, 1);
    assert_int_equal(series->count, 0);
    assert_near(series->last, 40, 0);
    gr_heard_free(heard);
}

static void long_listening_thins_samples_out_over_the_whole_time(void **state)
{
    (void)state;
    struct gr_heard *heard;
    assert_int_equal(gr_heard_create(&heard), GR_OK);
    for (int i = 0; i < 100000; i++) {
        char text[16];
        (void)snprintf(text, sizeof text, "%d", i % 977);
        hear(heard, "a", text, false, i);
    }
    const struct gr_topic_series *series = find(heard, "a", "");
    assert_int_equal(series->live, 100000);
    assert_true(series->count >= 512 && series->count <= 1024);
    assert_true(series->samples[0].mono_ms < 500);
    assert_true(series->samples[series->count - 1].mono_ms > 99000);
    for (size_t i = 0; i < series->count; i++) {
        assert_near(series->samples[i].value, (double)(series->samples[i].mono_ms % 977), 0);
    }
    gr_heard_free(heard);
}

static void more_numbers_than_there_is_room_for_are_let_go(void **state)
{
    (void)state;
    struct gr_heard *heard;
    size_t count;
    assert_int_equal(gr_heard_create(&heard), GR_OK);
    for (int i = 0; i < 2000; i++) {
        char topic[300];
        (void)snprintf(topic, sizeof topic, "t/%d%0*d", i, i % 2 ? 0 : 280, 0);
        hear(heard, topic, "1", false, 0);
    }
    (void)gr_heard_series(heard, &count);
    assert_int_equal(count, 1000); /* a topic of 256 bytes and more has no place in a configuration */
    for (int i = 0; i < 100; i++) {
        char topic[40];
        (void)snprintf(topic, sizeof topic, "late/%d", i);
        hear(heard, topic, "1", false, 0);
    }
    (void)gr_heard_series(heard, &count);
    assert_int_equal(count, 1024);
    assert_null(find(heard, "late/99", ""));
    hear(heard, "t/0", "7", false, 1);
    gr_heard_free(heard);
}

static void what_lies_deep_or_under_a_long_name_is_passed_over(void **state)
{
    (void)state;
    struct gr_heard *heard;
    size_t count;
    char text[2700];
    assert_int_equal(gr_heard_create(&heard), GR_OK);
    hear(heard, "a", "{\"1\":{\"2\":{\"3\":{\"4\":{\"5\":{\"6\":1, \"7\":{\"8\":2}}}}}}}", false, 0);
    (void)snprintf(text, sizeof text, "{\"%0*d\": 1, \"near\": 2}", 2500, 0);
    hear(heard, "b", text, false, 0);
    (void)gr_heard_series(heard, &count);
    assert_int_equal(count, 2);
    assert_non_null(find(heard, "a", "/1/2/3/4/5/6"));
    assert_non_null(find(heard, "b", "/near"));
    gr_heard_free(heard);
}

static void quotes_come_back_as_they_were_through_the_configuration(void **state)
{
    (void)state;
    char quoted[64];
    assert_true(gr_config_quote(quoted, sizeof quoted, "a\"b\\c\td"));
    assert_string_equal(quoted, "\"a\\\"b\\\\c\\x09d\"");
    assert_false(gr_config_quote(quoted, 10, "0123456789"));
    struct gr_mqtt mqtt;
    struct gr_complaints complaints = {0};
    char text[160];
    assert_true(gr_config_quote(quoted, sizeof quoted, "it's \"\\quoted\""));
    (void)snprintf(text, sizeof text, "mqtt = { host = \"127.0.0.1\"; user = %s; };", quoted);
    assert_int_equal(gr_mqtt_read_text(&mqtt, text, &complaints), GR_OK);
    assert_string_equal(mqtt.user, "it's \"\\quoted\"");
    assert_int_equal(mqtt.port, 1883);
    assert_int_equal(gr_mqtt_read_text(&mqtt, "mqtt = { host = \"a\"; port = 0; };", &complaints),
                     GR_INVALID);
    assert_says(complaints.items[0].text, "command line:1: mqtt.port");
    gr_complaints_free(&complaints);
}

static void what_was_not_found_is_marked_in_the_configuration(void **state)
{
    (void)state;
    struct gr_proposal proposal;
    assert_int_equal(gr_discover(&proposal, NULL, 0, NULL), GR_OK);
    char *text = gr_discover_config(&proposal, NULL, "mqtt = { host = \"h\"; };", "Europe/Lisbon");
    assert_non_null(text);
    assert_says(text, "timezone = \"Europe/Lisbon\"");
    assert_says(text, "topic = \"not-found/state-of-charge\"");
    assert_says(text, "commanding = false");
    free(text);
}

/* Six numbers, each with a sign and a unit that is not the usual one. */
static void what_was_found_reads_as_a_configuration_that_says_the_same(void **state)
{
    (void)state;
    static const enum gr_unit units[] = {GR_UNIT_RATIO, GR_UNIT_W, GR_UNIT_KW,
                                         GR_UNIT_W,     GR_UNIT_W, GR_UNIT_KW};
    struct gr_topic_series series[GR_CAR_POWER + 1];
    struct gr_proposal proposal = {.capacity_kwh = 12.34};
    memset(series, 0, sizeof series);
    for (int channel = 0; channel <= GR_CAR_POWER; channel++) {
        (void)snprintf(series[channel].topic, GR_TOPIC_SIZE, "h/\"%d\"", channel);
        (void)snprintf(series[channel].pointer, GR_FIELD_SIZE, "/%d", channel);
        series[channel].is_json = channel % 2 == 1;
        series[channel].least = -4200;
        proposal.of[channel] = (struct gr_finding){.found = true,
                                                   .series = (size_t)channel,
                                                   .unit = units[channel],
                                                   .sign = -1,
                                                   .why = "it looks so"};
    }
    proposal.of[GR_STATE_OF_CHARGE].sureness = GR_SURE;
    proposal.of[GR_BATTERY_POWER].sureness = GR_LIKELY;
    char *text = gr_discover_config(&proposal, series, "mqtt = { host = \"h\"; };", "Europe/Lisbon");
    assert_says(text, "capacity_kwh = 12.3;");
    assert_says(text, "up to 4.20 kW");
    assert_says(text, "# sure: it looks so.\n    state_of_charge = {\n");
    assert_says(text, "# likely: it looks so.\n    battery_power = {   # <-- look twice\n");
    assert_says(text, "# a guess: it looks so.\n    grid_power");
    assert_says(text, "car_charger_side = \"house\";");
    char path[] = "/tmp/granary-discover-XXXXXX";
    int fd = mkstemp(path);
    assert_int_equal(write(fd, text, strlen(text)), strlen(text));
    (void)close(fd);
    struct gr_complaints complaints = {0};
    struct gr_config *config = calloc(1, sizeof *config);
    int code = gr_config_read(config, path, &complaints);
    (void)remove(path);
    if (code != GR_OK) {
        fail_msg("%s\n%s", complaints.items[0].text, text);
    }
    for (int channel = 0; channel <= GR_CAR_POWER; channel++) {
        const struct gr_input *input = &config->inputs[channel];
        assert_string_equal(input->topic, series[channel].topic);
        assert_int_equal(input->is_json, series[channel].is_json);
        assert_string_equal(input->pointer, series[channel].is_json ? series[channel].pointer : "");
        assert_int_equal(input->unit, units[channel]);
        assert_near(input->sign, channel == GR_STATE_OF_CHARGE ? 1 : -1, 0);
    }
    free(config);
    free(text);
    proposal.house_holds_car = true;
    text = gr_discover_config(&proposal, series, "mqtt = { host = \"h\"; };", "Europe/Lisbon");
    assert_says(text, "\n#    house_power = {");
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(plain_numbers_and_members_of_json_become_series),
        cmocka_unit_test(retained_values_are_known_but_no_samples),
        cmocka_unit_test(long_listening_thins_samples_out_over_the_whole_time),
        cmocka_unit_test(more_numbers_than_there_is_room_for_are_let_go),
        cmocka_unit_test(what_lies_deep_or_under_a_long_name_is_passed_over),
        cmocka_unit_test(quotes_come_back_as_they_were_through_the_configuration),
        cmocka_unit_test(what_was_not_found_is_marked_in_the_configuration),
        cmocka_unit_test(what_was_found_reads_as_a_configuration_that_says_the_same),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
