/* Which of many numbers on a broker are the house's: every sign, watts and kilowatts, noise and decoys. */
#include "check.h"

#include "granary/discover.h"

#include <stdlib.h>

enum { SECONDS = 3600, EVERY = 10 };

struct home {
    struct gr_heard *heard;
    uint64_t random;
    double grid_sign, battery_sign, noise; /* noise is a share of each meter's reading */
    bool watts[GR_CHANNELS];               /* else kilowatts */
    bool house_measured, car, sun;
    bool car_inside; /* the house's meter counts it in */
    bool idle;       /* the battery hardly does anything */
    double share;    /* of the state of charge, what a percent is published as */
    const char *topic[GR_CHANNELS];
    double kwh;
};

static const char *const plain_names[GR_CHANNELS] = {
    [GR_STATE_OF_CHARGE] = "home/battery/soc", [GR_BATTERY_POWER] = "home/battery/power",
    [GR_GRID_POWER] = "home/grid/power",       [GR_SOLAR_POWER] = "home/solar/power",
    [GR_HOUSE_POWER] = "home/load/power",      [GR_CAR_POWER] = "home/car/power"};

/* Nothing in these tells what they carry. */
static const char *const numbered_names[GR_CHANNELS] = {
    [GR_STATE_OF_CHARGE] = "x/11", [GR_BATTERY_POWER] = "x/12", [GR_GRID_POWER] = "x/13",
    [GR_SOLAR_POWER] = "x/14",     [GR_HOUSE_POWER] = "x/15",   [GR_CAR_POWER] = "x/16"};

/* Marsaglia's xorshift, 64 bits. */
static double chance(struct home *home)
{
    home->random ^= home->random << 13;
    home->random ^= home->random >> 7;
    home->random ^= home->random << 17;
    return (double)(home->random >> 11) / 9007199254740992.0;
}

static void publish(struct home *home, const char *topic, double value, int64_t at_ms)
{
    char text[40];
    int length = snprintf(text, sizeof text, "%.4f", value);
    assert_int_equal(gr_heard_note(home->heard, topic, text, (size_t)length, false, at_ms), GR_OK);
}

static void publish_power(struct home *home, enum gr_channel channel, double kw, int64_t at_ms)
{
    double read = kw * (1 + home->noise * (2 * chance(home) - 1));
    publish(home, home->topic[channel], home->watts[channel] ? read * 1000 : read, at_ms);
}

static void publish_decoys(struct home *home, int second, int64_t at_ms)
{
    publish(home, "home/kitchen/temperature", 20.5 + 0.3 * chance(home), at_ms);
    publish(home, "home/grid/voltage", 231 + 2 * chance(home), at_ms);
    publish(home, "home/grid/frequency", 50 + 0.02 * chance(home), at_ms);
    publish(home, "home/meter/energy_total", 10234.5 + second * 0.0004, at_ms);
    publish(home, "home/bath/humidity", 55 + 3 * chance(home), at_ms);
    publish(home, "home/plug/power", chance(home) < 0.1 ? 60 : 0.4, at_ms);
    publish(home, "home/uptime", 86400 + second, at_ms);
    publish(home, "y/1", 40 + 5 * chance(home), at_ms);
    publish(home, "y/2", 300 * chance(home), at_ms);
}

/* An hour: the battery follows, then charges from the grid for a while, then rests; clouds, a kettle, a car.
 */
static void live(struct home *home)
{
    double wander = 0;
    home->kwh = 5;
    for (int second = 0; second < SECONDS; second += EVERY) {
        int64_t at_ms = 1000 + (int64_t)second * 1000;
        double hour = second / 3600.0;
        wander = 0.95 * wander + 0.1 * (chance(home) - 0.5);
        double house = 0.45 + fabs(wander) + (second % 1500 < 180 ? 2.1 : 0);
        double sun = home->sun ? 1.6 + 0.9 * sin(9 * hour) + 0.3 * chance(home) : 0;
        double car = home->car && hour > 0.55 && hour < 0.8 ? 7.1 : 0;
        double battery = home->idle   ? 0.05 * sin(40 * hour)
                         : hour < 0.3 ? sun - house
                         : hour < 0.6 ? 2.5
                         : hour < 0.7 ? 0
                                      : fmin(3, sun - house);
        home->kwh += battery * EVERY / 3600.0;
        publish(home, home->topic[GR_STATE_OF_CHARGE], home->idle ? 50 : home->share * home->kwh * 10, at_ms);
        publish_power(home, GR_BATTERY_POWER, home->battery_sign * battery, at_ms + 100);
        publish_power(home, GR_GRID_POWER, home->grid_sign * (house + car + battery - sun), at_ms + 200);
        publish_power(home, GR_SOLAR_POWER, sun, at_ms + 300);
        if (home->house_measured) {
            publish_power(home, GR_HOUSE_POWER, house + (home->car_inside ? car : 0), at_ms + 400);
        }
        if (home->car) {
            publish_power(home, GR_CAR_POWER, car, at_ms + 500);
        }
        publish_decoys(home, second, at_ms + 600);
    }
}

static void begin(struct home *home, const char *const names[GR_CHANNELS])
{
    *home = (struct home){.random = 88172645463325252u,
                          .grid_sign = 1,
                          .battery_sign = 1,
                          .noise = 0.01,
                          .share = 1,
                          .house_measured = true,
                          .sun = true};
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        home->watts[channel] = true;
        home->topic[channel] = names[channel];
    }
    assert_int_equal(gr_heard_create(&home->heard), GR_OK);
}

static void assert_found(const struct home *home, const struct gr_proposal *proposal,
                         const struct gr_topic_series *series, enum gr_channel channel)
{
    const struct gr_finding *finding = &proposal->of[channel];
    if (!finding->found || strcmp(series[finding->series].topic, home->topic[channel]) != 0) {
        fail_msg("%s: found %s (%s)", gr_channel_name(channel),
                 finding->found ? series[finding->series].topic : "nothing", finding->why);
    }
    enum gr_unit unit = channel == GR_STATE_OF_CHARGE ? (home->share < 1 ? GR_UNIT_RATIO : GR_UNIT_PERCENT)
                        : home->watts[channel]        ? GR_UNIT_W
                                                      : GR_UNIT_KW;
    double sign = channel == GR_BATTERY_POWER ? home->battery_sign
                  : channel == GR_GRID_POWER  ? home->grid_sign
                                              : 1;
    bool told = home->sun || channel != GR_SOLAR_POWER; /* zero is zero in every unit */
    if ((told && finding->unit != unit) || finding->sign != sign) {
        fail_msg("%s: unit %d, sign %g (%s)", gr_channel_name(channel), (int)finding->unit, finding->sign,
                 finding->why);
    }
}

/* Lives the hour and expects every role to be found as it is. */
static void find_all(struct home *home, struct gr_proposal *proposal)
{
    size_t count;
    live(home);
    const struct gr_topic_series *series = gr_heard_series(home->heard, &count);
    assert_int_equal(gr_discover(proposal, series, count, NULL), GR_OK);
    for (int channel = 0; channel <= GR_CAR_POWER; channel++) {
        bool there =
            (channel != GR_HOUSE_POWER || home->house_measured) && (channel != GR_CAR_POWER || home->car);
        if (there) {
            assert_found(home, proposal, series, (enum gr_channel)channel);
        } else if (proposal->of[channel].found) {
            fail_msg("%s: found %s", gr_channel_name((enum gr_channel)channel),
                     series[proposal->of[channel].series].topic);
        }
    }
    gr_heard_free(home->heard);
}

static void every_sign_and_unit_is_found_with_names(void **state)
{
    (void)state;
    for (int which = 0; which < 16; which++) {
        struct home home;
        struct gr_proposal proposal;
        begin(&home, plain_names);
        home.grid_sign = which & 1 ? -1 : 1;
        home.battery_sign = which & 2 ? -1 : 1;
        home.watts[GR_GRID_POWER] = home.watts[GR_HOUSE_POWER] = (which & 4) != 0;
        home.watts[GR_BATTERY_POWER] = home.watts[GR_SOLAR_POWER] = (which & 8) != 0;
        find_all(&home, &proposal);
        for (int channel = 0; channel <= GR_HOUSE_POWER; channel++) {
            assert_true(proposal.of[channel].sureness >= GR_LIKELY);
        }
        assert_near(proposal.capacity_kwh, 10, 1.5);
    }
}

static void every_sign_and_unit_is_found_without_names(void **state)
{
    (void)state;
    for (int which = 0; which < 16; which++) {
        struct home home;
        struct gr_proposal proposal;
        begin(&home, numbered_names);
        home.grid_sign = which & 1 ? -1 : 1;
        home.battery_sign = which & 2 ? -1 : 1;
        home.watts[GR_GRID_POWER] = (which & 4) != 0;
        home.watts[GR_BATTERY_POWER] = (which & 8) != 0;
        find_all(&home, &proposal);
    }
}

static void a_house_without_a_meter_of_its_own_is_told_from_the_others(void **state)
{
    (void)state;
    for (int which = 0; which < 8; which++) {
        struct home home;
        struct gr_proposal proposal;
        begin(&home, plain_names);
        home.house_measured = false;
        home.car = true;
        home.grid_sign = which & 1 ? -1 : 1;
        home.battery_sign = which & 2 ? -1 : 1;
        home.watts[GR_GRID_POWER] = (which & 4) != 0;
        find_all(&home, &proposal);
        assert_true(isnan(proposal.miss_kw));
        assert_near(proposal.least_house_kw, 0.45, 0.25);
    }
}

static void noisy_meters_and_a_car_are_no_hindrance(void **state)
{
    (void)state;
    struct home home;
    struct gr_proposal proposal;
    begin(&home, plain_names);
    home.noise = 0.08;
    home.car = true;
    home.battery_sign = -1;
    find_all(&home, &proposal);
    assert_says(proposal.of[GR_BATTERY_POWER].why, "without it");
}

static void a_night_without_sun_is_enough(void **state)
{
    (void)state;
    struct home home;
    struct gr_proposal proposal;
    begin(&home, plain_names);
    home.sun = false;
    home.grid_sign = -1;
    find_all(&home, &proposal);
    assert_says(proposal.of[GR_SOLAR_POWER].why, "says little");
}

static void the_first_of_all_topics_may_be_the_state_of_charge(void **state)
{
    (void)state;
    struct home home;
    struct gr_proposal proposal;
    begin(&home, plain_names);
    home.topic[GR_STATE_OF_CHARGE] = "a/battery/soc";
    publish(&home, "a/battery/soc", 50, 0);
    find_all(&home, &proposal);
}

static void the_same_power_on_a_second_topic_takes_nothing_from_the_first(void **state)
{
    (void)state;
    struct home home;
    struct gr_proposal proposal;
    size_t count;
    begin(&home, plain_names);
    live(&home);
    const struct gr_topic_series *series = gr_heard_series(home.heard, &count);
    for (size_t i = 0; i < count; i++) {
        if (strcmp(series[i].topic, "home/grid/power") == 0) {
            struct gr_topic_series grid = series[i];
            for (size_t k = 0; k < grid.count; k++) {
                publish(&home, "home/grid/kilowatts", grid.samples[k].value / 1000, grid.samples[k].mono_ms);
            }
            break;
        }
    }
    series = gr_heard_series(home.heard, &count);
    assert_int_equal(gr_discover(&proposal, series, count, NULL), GR_OK);
    assert_true(proposal.of[GR_GRID_POWER].found);
    assert_says(series[proposal.of[GR_GRID_POWER].series].topic, "home/grid/");
    assert_int_equal(proposal.of[GR_GRID_POWER].sureness, GR_SURE);
    gr_heard_free(home.heard);
}

/* A second topic that does as well is named in a comment of the configuration: whoever publishes must not be
 * able to end that comment. */
static void a_name_cannot_break_out_of_the_comment_that_it_is_quoted_in(void **state)
{
    (void)state;
    struct home home;
    struct gr_proposal proposal;
    size_t count;
    begin(&home, numbered_names);
    live(&home);
    const struct gr_topic_series *series = gr_heard_series(home.heard, &count);
    for (size_t i = 0; i < count; i++) {
        if (strcmp(series[i].topic, "x/13") == 0) {
            struct gr_topic_series grid = series[i];
            for (size_t k = 0; k < grid.count; k++) {
                char text[80];
                int length = snprintf(text, sizeof text, "{\"\\n@include \\\"evil\\\"\\u001b\":%.4f}",
                                      grid.samples[k].value * 0.9);
                assert_int_equal(
                    gr_heard_note(home.heard, "x/17", text, (size_t)length, false, grid.samples[k].mono_ms),
                    GR_OK);
            }
            break;
        }
    }
    series = gr_heard_series(home.heard, &count);
    assert_int_equal(gr_discover(&proposal, series, count, NULL), GR_OK);
    assert_says(proposal.of[GR_GRID_POWER].why, "@include");
    assert_says(proposal.of[GR_GRID_POWER].why, "would do nearly as well");
    char *text = gr_discover_config(&proposal, series, "mqtt = { host = \"h\"; };", "UTC");
    assert_non_null(text);
    assert_null(strstr(text, "\n@include"));
    assert_null(strchr(text, 0x1b));
    free(text);
    gr_heard_free(home.heard);
}

/* Topics on which the house says nothing of its own, and what is proposed after the hour. */
static void propose(struct home *home, struct gr_proposal *proposal, const struct gr_topic_series **series)
{
    size_t count;
    *series = gr_heard_series(home->heard, &count);
    assert_int_equal(gr_discover(proposal, *series, count, NULL), GR_OK);
}

static void a_car_that_the_house_s_meter_counts_in_is_known_by_its_name(void **state)
{
    (void)state;
    struct home home;
    struct gr_proposal proposal;
    const struct gr_topic_series *series;
    begin(&home, plain_names);
    home.car = home.car_inside = true;
    live(&home);
    propose(&home, &proposal, &series);
    assert_true(proposal.house_holds_car);
    assert_found(&home, &proposal, series, GR_CAR_POWER);
    assert_found(&home, &proposal, series, GR_HOUSE_POWER);
    assert_says(proposal.of[GR_CAR_POWER].why, "the house's meter seems to count it in");
    assert_int_equal(proposal.of[GR_CAR_POWER].sureness, GR_LIKELY);
    gr_heard_free(home.heard);
}

static void a_battery_that_stood_still_is_said_to_have_told_too_little(void **state)
{
    (void)state;
    struct home home;
    struct gr_proposal proposal;
    const struct gr_topic_series *series;
    begin(&home, plain_names);
    home.idle = true;
    live(&home);
    propose(&home, &proposal, &series);
    assert_found(&home, &proposal, series, GR_STATE_OF_CHARGE);
    assert_says(proposal.of[GR_STATE_OF_CHARGE].why, "moved too little to tell");
    assert_true(isnan(proposal.capacity_kwh));
    gr_heard_free(home.heard);
}

static void a_state_of_charge_from_0_to_1_is_a_share_and_not_percent(void **state)
{
    (void)state;
    struct home home;
    struct gr_proposal proposal;
    begin(&home, plain_names);
    home.share = 0.01;
    find_all(&home, &proposal);
    assert_near(proposal.capacity_kwh, 10, 1.5);
}

/* Twelve of something may be either: whole numbers look like watts, others like kilowatts. */
static void a_name_may_tell_the_unit(void **state)
{
    (void)state;
    static const struct {
        const char *topic;
        double value;
        enum gr_unit unit;
    } rows[] = {{"home/solar", 12, GR_UNIT_W},           {"home/solar/kw", 12, GR_UNIT_KW},
                {"home/solar/kilowatt", 12, GR_UNIT_KW}, {"home/solar/kilowatts", 12, GR_UNIT_KW},
                {"home/solar", 12.5, GR_UNIT_KW},        {"home/solar/w", 12.5, GR_UNIT_W},
                {"home/solar/watt", 12.5, GR_UNIT_W},    {"home/solarWatts", 12.5, GR_UNIT_W}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct home home;
        struct gr_proposal proposal;
        const struct gr_topic_series *series;
        begin(&home, plain_names);
        home.sun = false;
        home.topic[GR_SOLAR_POWER] = rows[i].topic;
        home.noise = 0;
        live(&home);
        publish(&home, rows[i].topic, rows[i].value, 4000000);
        propose(&home, &proposal, &series);
        const struct gr_finding *sun = &proposal.of[GR_SOLAR_POWER];
        if (!sun->found || strcmp(series[sun->series].topic, rows[i].topic) != 0 ||
            sun->unit != rows[i].unit) {
            fail_msg("%s: found %s, unit %d (%s)", rows[i].topic,
                     sun->found ? series[sun->series].topic : "nothing", (int)sun->unit, sun->why);
        }
        gr_heard_free(home.heard);
    }
}

static void among_a_hundred_other_numbers_the_house_is_found_all_the_same(void **state)
{
    (void)state;
    struct home home;
    struct gr_proposal proposal;
    begin(&home, plain_names);
    for (int i = 0; i < 100; i++) {
        char topic[40];
        (void)snprintf(topic, sizeof topic, "a/sensor/temperature/%d", i);
        for (int second = 0; second < SECONDS; second += 600) {
            publish(&home, topic, 15 + i + 0.1 * chance(&home), 1000 + (int64_t)second * 1000);
        }
    }
    find_all(&home, &proposal);
}

static void a_value_that_was_only_retained_is_said_to_be_no_more_than_that(void **state)
{
    (void)state;
    struct home home;
    struct gr_proposal proposal;
    const struct gr_topic_series *series;
    begin(&home, plain_names);
    assert_int_equal(gr_heard_note(home.heard, "home/battery/soc", "55", 2, true, 500), GR_OK);
    propose(&home, &proposal, &series);
    assert_true(proposal.of[GR_STATE_OF_CHARGE].found);
    assert_says(proposal.of[GR_STATE_OF_CHARGE].why, "only its retained value came");
    gr_heard_free(home.heard);
}

/* The balance knows the grid's meter by what it shows, whatever it is called. */
static void a_power_under_a_name_of_something_else_is_found_with_a_word_of_doubt(void **state)
{
    (void)state;
    struct home home;
    struct gr_proposal proposal;
    const struct gr_topic_series *series;
    begin(&home, plain_names);
    home.topic[GR_GRID_POWER] = "home/pressure";
    live(&home);
    propose(&home, &proposal, &series);
    assert_found(&home, &proposal, series, GR_GRID_POWER);
    assert_says(proposal.of[GR_GRID_POWER].why, "though its name does not say so");
    gr_heard_free(home.heard);
}

/* A car has a battery too, and it may be as full as the house's. */
static void the_state_of_charge_of_a_car_is_not_the_house_s(void **state)
{
    (void)state;
    struct home home;
    struct gr_proposal proposal;
    const struct gr_topic_series *series;
    size_t count;
    begin(&home, plain_names);
    live(&home);
    series = gr_heard_series(home.heard, &count);
    for (size_t i = 0; i < count; i++) {
        if (strcmp(series[i].topic, "home/battery/soc") == 0) {
            struct gr_topic_series level = series[i];
            for (size_t k = 0; k < level.count; k++) {
                publish(&home, "car/soc", level.samples[k].value, level.samples[k].mono_ms);
            }
            break;
        }
    }
    propose(&home, &proposal, &series);
    assert_found(&home, &proposal, series, GR_STATE_OF_CHARGE);
    gr_heard_free(home.heard);
}

/* What is behind the twenty-fourth word, or in a word of more than 23 letters, is not read. */
static void of_endless_names_only_the_beginning_is_read(void **state)
{
    (void)state;
    struct home home;
    struct gr_proposal proposal;
    begin(&home, plain_names);
    home.topic[GR_GRID_POWER] = "grid/power/a/b/c/d/e/f/g/h/i/j/k/l/m/n/o/p/q/r/s/t/u/x/y/z/solar";
    home.topic[GR_SOLAR_POWER] = "solar/pneumonoultramicroscopicsilicovolcanoconiosis/power";
    find_all(&home, &proposal);
}

static void only_decoys_give_nothing_to_be_sure_of(void **state)
{
    (void)state;
    struct home home;
    struct gr_proposal proposal;
    size_t count;
    begin(&home, plain_names);
    for (int second = 0; second < SECONDS; second += EVERY) {
        publish_decoys(&home, second, (int64_t)second * 1000);
    }
    const struct gr_topic_series *series = gr_heard_series(home.heard, &count);
    assert_int_equal(gr_discover(&proposal, series, count, NULL), GR_OK);
    assert_false(proposal.of[GR_STATE_OF_CHARGE].found);
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        if (proposal.of[channel].found) {
            assert_int_equal(proposal.of[channel].sureness, GR_GUESS);
        }
    }
    gr_heard_free(home.heard);
}

static void silence_gives_an_empty_proposal(void **state)
{
    (void)state;
    struct gr_proposal proposal;
    assert_int_equal(gr_discover(&proposal, NULL, 0, NULL), GR_OK);
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        assert_false(proposal.of[channel].found);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_sign_and_unit_is_found_with_names),
        cmocka_unit_test(every_sign_and_unit_is_found_without_names),
        cmocka_unit_test(a_house_without_a_meter_of_its_own_is_told_from_the_others),
        cmocka_unit_test(noisy_meters_and_a_car_are_no_hindrance),
        cmocka_unit_test(a_night_without_sun_is_enough),
        cmocka_unit_test(the_first_of_all_topics_may_be_the_state_of_charge),
        cmocka_unit_test(the_same_power_on_a_second_topic_takes_nothing_from_the_first),
        cmocka_unit_test(a_name_cannot_break_out_of_the_comment_that_it_is_quoted_in),
        cmocka_unit_test(a_car_that_the_house_s_meter_counts_in_is_known_by_its_name),
        cmocka_unit_test(a_battery_that_stood_still_is_said_to_have_told_too_little),
        cmocka_unit_test(a_state_of_charge_from_0_to_1_is_a_share_and_not_percent),
        cmocka_unit_test(a_name_may_tell_the_unit),
        cmocka_unit_test(among_a_hundred_other_numbers_the_house_is_found_all_the_same),
        cmocka_unit_test(a_value_that_was_only_retained_is_said_to_be_no_more_than_that),
        cmocka_unit_test(a_power_under_a_name_of_something_else_is_found_with_a_word_of_doubt),
        cmocka_unit_test(the_state_of_charge_of_a_car_is_not_the_house_s),
        cmocka_unit_test(of_endless_names_only_the_beginning_is_read),
        cmocka_unit_test(only_decoys_give_nothing_to_be_sure_of),
        cmocka_unit_test(silence_gives_an_empty_proposal),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
