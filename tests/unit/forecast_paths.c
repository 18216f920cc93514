/* Paths: which days they follow, what they weigh, and what stands in where little is known. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "forecast_house.h"

static const int64_t day_s = 86400;
static const int64_t hour_s = 3600;
static const int64_t monday_s = 1781481600; /* 2026-06-15 00:00 UTC, a Monday */

static int set_up(void **state)
{
    *state = house_new("");
    return 0;
}

static int tear_down(void **state)
{
    house_free(*state);
    return 0;
}

/* Load: 100 x days since the first Monday (30 days before counts from -3000 on) + 5000 + hour; sun: the same
 * / 1000. */
static double code_of(int64_t t)
{
    int64_t days = (t - monday_s + 40 * day_s) / day_s - 40;
    int64_t half_hours = t % day_s / 1800;
    return 5000 + 100 * (double)days + (double)half_hours / 2;
}

static void put_days(struct house *house, int64_t end_s, int days)
{
    for (int64_t t = end_s - days * day_s; t < end_s; t += 1800) {
        gr_history_put(house->history, t, code_of(t), code_of(t) / 1000);
    }
}

static void a_path_follows_one_past_day_and_its_followers(void **state)
{
    struct house *house = *state;
    put_days(house, monday_s, 14);
    house_build(house, monday_s, 144, 1800);
    house_undraw(house);
    assert_int_equal(house->paths.count, 14);
    for (size_t path = 0; path < 14; path++) {
        int64_t age = (int64_t)path + 1; /* newest first */
        for (size_t slot = 0; slot < house->slots; slot++) {
            int64_t ahead = (int64_t)slot / 48;
            int64_t source_age =
                age > ahead ? age - ahead : 1; /* once yesterday is reached, yesterday again */
            int64_t source_s = monday_s - source_age * day_s + (int64_t)(slot % 48) * 1800;
            assert_true(fabs(path_load(house, path, slot) - code_of(source_s)) < 1e-9);
            assert_true(fabs(path_solar(house, path, slot) - code_of(source_s) / 1000) < 1e-9);
        }
    }
}

static void from_the_middle_of_a_day_the_same_time_of_the_past_day_comes_first(void **state)
{
    struct house *house = *state;
    int64_t now_s = monday_s + 17 * hour_s;
    put_days(house, now_s, 15);
    house_build(house, now_s, 48, 1800);
    house_undraw(house);
    assert_int_equal(house->paths.count, 14);
    assert_true(fabs(path_load(house, 0, 0) - (code_of(monday_s - day_s) + 17)) < 1e-9);
    assert_true(fabs(path_load(house, 0, 13) - (code_of(monday_s - day_s) + 23.5)) < 1e-9);
    /* Today is not over: yesterday stands in for tomorrow too. The day before has yesterday as its follower.
     */
    assert_true(fabs(path_load(house, 0, 14) - code_of(monday_s - day_s)) < 1e-9);
    assert_true(fabs(path_load(house, 1, 14) - code_of(monday_s - day_s)) < 1e-9);
    assert_true(fabs(path_load(house, 2, 14) - code_of(monday_s - 2 * day_s)) < 1e-9);
}

static void a_follower_that_is_not_known_is_replaced_by_the_same_day_again(void **state)
{
    struct house *house = *state;
    put_days(house, monday_s - 3 * day_s, 5);
    put_days(house, monday_s, 1);
    house_build(house, monday_s, 96, 1800);
    house_undraw(house);
    assert_int_equal(house->paths.count, 6 + 10);
    assert_true(fabs(path_load(house, 1, 0) - code_of(monday_s - 4 * day_s)) < 1e-9);
    assert_true(fabs(path_load(house, 1, 48) - code_of(monday_s - 4 * day_s)) < 1e-9);
    assert_true(fabs(path_load(house, 2, 48) - code_of(monday_s - 4 * day_s)) < 1e-9);
}

static void at_most_the_asked_number_of_days_is_used_and_gaps_are_passed_over(void **state)
{
    struct house *house = *state;
    put_days(house, monday_s - 12 * day_s, 20);
    put_days(house, monday_s, 3);
    house->expectation.path_days = 5;
    house_build(house, monday_s, 48, 1800);
    house_undraw(house);
    assert_int_equal(house->paths.count, 5);
    assert_true(fabs(path_load(house, 2, 0) - code_of(monday_s - 3 * day_s)) < 1e-9);
    assert_true(fabs(path_load(house, 3, 0) - code_of(monday_s - 13 * day_s)) < 1e-9);
}

static void the_profile_weighs_what_is_missing(void **state)
{
    struct house *house = *state;
    for (int days = 0; days <= 16; days++) {
        put_days(house, monday_s, days);
        house_build(house, monday_s, 48, 1800);
        size_t known = days < 14 ? (size_t)days : 14;
        assert_int_equal(house->paths.count, known + (days < 14 ? 10 : 0));
        double past = 0;
        for (size_t path = 0; path < known; path++) {
            past += house->paths.weight[path];
        }
        assert_true(fabs(past - (double)known / 14) < 1e-12);
    }
}

static void of_two_days_of_one_type_the_later_weighs_more(void **state)
{
    struct house *house = *state;
    put_days(house, monday_s, 14);
    house_build(house, monday_s, 48, 1800);
    house_undraw(house);
    /* Fridays, ages 3 and 10: a week apart is half of a half-life. */
    assert_true(fabs(house->paths.weight[9] / house->paths.weight[2] - sqrt(0.5)) < 1e-12);
}

static void a_weekend_day_weighs_less_for_a_monday(void **state)
{
    struct house *house = *state;
    put_days(house, monday_s, 14);
    house_build(house, monday_s, 48, 1800);
    house_undraw(house);
    double day = pow(0.5, 1.0 / 14);
    assert_true(fabs(house->paths.weight[1] / house->paths.weight[2] - 0.4 / day) <
                1e-12); /* Saturday, Friday */
    assert_true(fabs(house->paths.weight[7] / house->paths.weight[6] - 0.4 * day) <
                1e-12);                                                               /* Sunday, Monday */
    assert_true(fabs(house->paths.weight[1] / house->paths.weight[0] - day) < 1e-12); /* Saturday, Sunday */
}

/* The Friday before was one: it weighs for the Monday as the Saturday does. */
static void a_holiday_weighs_like_a_weekend_day(void **state)
{
    struct house *house = *state;
    struct gr_civil friday = gr_civil_from_seconds(monday_s - 3 * (int64_t)GR_DAY_S);
    house->expectation.holidays.date[0] = friday.year * 10000 + friday.month * 100 + friday.day;
    put_days(house, monday_s, 14);
    house_build(house, monday_s, 48, 1800);
    house_undraw(house);
    double day = pow(0.5, 1.0 / 14);
    assert_true(fabs(house->paths.weight[2] / house->paths.weight[1] - day) < 1e-12); /* Friday, Saturday */
    assert_true(fabs(house->paths.weight[2] / house->paths.weight[3] - 0.4 / day) < 1e-12);
}

static void a_day_type_that_fits_half_the_horizon_weighs_in_between(void **state)
{
    struct house *house = *state;
    put_days(house, monday_s, 14);
    house_build(house, monday_s, 96, 1800);
    house_undraw(house);
    /* Sunday a week ago is followed by a Monday; Monday a week ago by a Tuesday. */
    assert_true(fabs(house->paths.weight[7] / house->paths.weight[6] - sqrt(0.4) * pow(0.5, 1.0 / 14)) <
                1e-12);
}

/* Every day draws 1 kW and has 0.5 kW of sun, except the days that are asked for. */
static void put_flat_days(struct house *house, double last_house_kw, double last_solar_kw)
{
    for (int64_t t = monday_s - 20 * day_s; t < monday_s; t += 1800) {
        bool last = t >= monday_s - day_s;
        gr_history_put(house->history, t, last ? last_house_kw : 1, last ? last_solar_kw : 0.5);
    }
}

static void paths_are_drawn_to_the_level_of_the_last_day(void **state)
{
    struct house *house = *state;
    put_flat_days(house, 1.5, 0.25);
    house_build(house, monday_s, 48, 1800);
    double usual_house = (6 + 1.5) / 7, usual_solar = (6 * 0.5 + 0.25) / 7;
    double house_ratio = (1.5 + usual_house / 20) / (1 + usual_house / 20);
    double solar_ratio = (0.25 + usual_solar / 20) / (0.5 + usual_solar / 20);
    for (size_t slot = 0; slot < 48; slot++) {
        assert_true(fabs(path_load(house, 5, slot) - sqrt(house_ratio)) < 1e-9);
        assert_true(fabs(path_solar(house, 5, slot) - 0.5 * pow(solar_ratio, 0.3)) < 1e-9);
    }
}

static void a_day_far_out_of_the_usual_draws_by_a_bounded_factor(void **state)
{
    struct house *house = *state;
    put_flat_days(house, 40, 8);
    house_build(house, monday_s, 48, 1800);
    assert_true(fabs(path_load(house, 5, 0) - exp(0.5 * 0.7)) < 1e-9);
    assert_true(fabs(path_solar(house, 5, 0) - 0.5 * exp(0.3 * 0.7)) < 1e-9);
    gr_history_free(house->history);
    assert_int_equal(gr_history_create(&house->history), GR_OK);
    put_flat_days(house, 0, 0);
    house_build(house, monday_s, 48, 1800);
    assert_true(fabs(path_load(house, 5, 0) - exp(-0.5 * 0.7)) < 1e-9);
}

static void a_day_that_was_preceded_by_a_like_level_weighs_more(void **state)
{
    struct house *house = *state;
    for (int64_t t = monday_s - 20 * day_s; t < monday_s; t += 1800) {
        bool high = t >= monday_s - day_s || (t >= monday_s - 8 * day_s && t < monday_s - 7 * day_s);
        gr_history_put(house->history, t, high ? 2 : 1, 0);
    }
    house_build(house, monday_s, 48, 1800);
    /* Mondays one and two weeks ago: half of a half-life apart, and the second came after a lower level. */
    double usual = (6 + 2) / 7.0;
    double unlike = log((2 + usual / 20) / (1 + usual / 20));
    double expected = sqrt(0.5) * exp(-(0.7 + 0.3) * unlike);
    assert_true(fabs(house->paths.weight[13] / house->paths.weight[6] - expected) < 1e-9);
}

static void a_house_that_stood_empty_has_finite_paths(void **state)
{
    struct house *house = *state;
    for (int64_t t = monday_s - 20 * day_s; t < monday_s; t += 1800) {
        gr_history_put(house->history, t, 0, 0);
    }
    house_build(house, monday_s, 48, 1800);
    assert_int_equal(house->paths.count, 14);
    gr_history_put(house->history, monday_s - 1800, 3, 1);
    house_build(house, monday_s, 48, 1800);
    assert_true(path_load(house, 3, 0) == 0);
}

static void a_house_without_history_gets_its_profile_on_the_mean(void **state)
{
    struct house *house = *state;
    for (size_t hour = 0; hour < 24; hour++) {
        house->expectation.house_kw[hour] = 0.2 + (double)hour / 10;
    }
    house_build(house, monday_s + 7 * hour_s, 60, 1800);
    for (size_t slot = 0; slot < house->slots; slot++) {
        double load;
        double solar;
        gr_paths_mean(&house->paths, slot, &load, &solar);
        assert_true(fabs(load - (0.2 + (double)((7 + slot / 2) % 24) / 10)) < 1e-12);
        assert_true(solar == 0);
    }
}

static void without_history_the_sun_of_the_arrays_is_spread_around_the_usual(void **state)
{
    struct house *house = *state;
    house_add_array(house);
    house_build(house, monday_s, 48, 1800);
    double least = INFINITY;
    double most = 0;
    for (size_t path = 0; path < house->paths.count; path++) {
        assert_true(path_solar(house, path, 0) == 0);
        least = fmin(least, path_solar(house, path, 24));
        most = fmax(most, path_solar(house, path, 24));
    }
    assert_true(least > 0.2 && least < 1 && most > 3 && most <= 5);
}

static void in_the_profile_paths_load_and_sun_are_not_arranged(void **state)
{
    struct house *house = *state;
    house_add_array(house);
    house_build(house, monday_s, 48, 1800);
    assert_int_equal(house->paths.count, 10);
    double mean_load;
    double mean_solar;
    gr_paths_mean(&house->paths, 24, &mean_load, &mean_solar);
    double load_load = 0;
    double load_solar = 0;
    double solar_solar = 0;
    for (size_t path = 0; path < 10; path++) {
        double load = path_load(house, path, 24) - mean_load;
        double solar = path_solar(house, path, 24) - mean_solar;
        load_load += load * load;
        load_solar += load * solar;
        solar_solar += solar * solar;
    }
    assert_true(fabs(load_solar) < 0.15 * sqrt(load_load * solar_solar));
    assert_true(sqrt(load_load / 10) > 0.2);
}

static void where_only_the_sun_is_unknown_it_comes_from_the_arrays(void **state)
{
    struct house *house = *state;
    house_add_array(house);
    for (int64_t t = monday_s - 14 * day_s; t < monday_s; t += 1800) {
        gr_history_put(house->history, t, 0.7, NAN);
    }
    house_build(house, monday_s, 48, 1800);
    assert_int_equal(house->paths.count, 14);
    double least = INFINITY;
    double most = 0;
    for (size_t path = 0; path < 14; path++) {
        assert_true(path_load(house, path, 24) == 0.7 && path_solar(house, path, 0) == 0);
        least = fmin(least, path_solar(house, path, 24));
        most = fmax(most, path_solar(house, path, 24));
    }
    assert_true(least > 0.2 && most > 2 * least);
}

static void unconfigured_arrays_show_in_the_profile_paths_once_the_sun_was_seen(void **state)
{
    struct house *house = *state;
    put_days(house, monday_s, 2);
    house_build(house, monday_s, 48, 1800);
    assert_int_equal(house->paths.count, 12);
    for (size_t path = 2; path < 12; path++) {
        assert_true(fabs(path_solar(house, path, 24) - code_of(monday_s - day_s / 2) / 1000) < 1e-9);
    }
}

static void a_constant_house_gives_constant_paths(void **state)
{
    struct house *house = *state;
    for (int64_t t = monday_s - 20 * day_s; t < monday_s; t += 1800) {
        gr_history_put(house->history, t, 0.75, 0.25);
    }
    static const int64_t lengths_s[] = {300, 1800, 2700, 5000, 86400};
    for (size_t i = 0; i < sizeof lengths_s / sizeof lengths_s[0]; i++) {
        house_build(house, monday_s - 777, 50, lengths_s[i]);
        assert_int_equal(house->paths.count, 14);
        for (size_t slot = 0; slot < 14 * house->slots; slot++) {
            assert_true(fabs(house->paths.load_kw[slot] - 0.75) < 1e-12);
            assert_true(fabs(house->paths.solar_kw[slot] - 0.25) < 1e-12);
        }
    }
}

static void the_energy_of_a_path_does_not_depend_on_how_the_horizon_is_cut(void **state)
{
    struct house *house = *state;
    put_days(house, monday_s, 14);
    int64_t now_s = monday_s + 1234;
    house_build(house, now_s, 700, 240);
    double fine[14];
    for (size_t path = 0; path < 14; path++) {
        fine[path] = 0;
        for (size_t slot = 0; slot < 700; slot++) {
            fine[path] += path_load(house, path, slot) * 240;
        }
    }
    static const int64_t lengths_s[] = {1200, 2400, 24000, 168000};
    for (size_t i = 0; i < 4; i++) {
        house_build(house, now_s, (size_t)(168000 / lengths_s[i]), lengths_s[i]);
        for (size_t path = 0; path < 14; path++) {
            double sum = 0;
            for (size_t slot = 0; slot < house->slots; slot++) {
                sum += path_load(house, path, slot) * (double)lengths_s[i];
            }
            assert_true(fabs(sum / fine[path] - 1) < 1e-12);
        }
    }
}

/* xorshift; the state is the seed and never 0. */
static uint32_t draw(uint32_t *seed)
{
    *seed ^= *seed << 13;
    *seed ^= *seed >> 17;
    *seed ^= *seed << 5;
    return *seed;
}

static void put_random(struct house *house, uint32_t *seed, int64_t from_s, int64_t to_s)
{
    for (int64_t t = from_s; t < to_s; t += 1800) {
        double load = draw(seed) % 40 == 0 ? NAN : draw(seed) % 1000 / 250.0;
        double solar = draw(seed) % 12 == 0 ? NAN : draw(seed) % 1000 / 250.0;
        gr_history_put(house->history, t, load, solar);
    }
}

static void values_that_end_after_the_start_never_change_the_paths(void **state)
{
    (void)state;
    uint32_t seed = 20260615;
    print_message("seed %u\n", (unsigned)seed);
    for (int round = 0; round < 200; round++) {
        struct house *past = house_new("");
        struct house *future = house_new("");
        if (round % 2) {
            house_add_array(past);
            house_add_array(future);
        }
        int64_t days = draw(&seed) % 18;
        int64_t now_s = monday_s + draw(&seed) % (2 * 86400);
        int64_t over_s = now_s / 1800 * 1800; /* the half hour that holds the present is not over */
        uint32_t twin = seed;
        put_random(past, &seed, over_s - days * day_s, over_s);
        put_random(future, &twin, over_s - days * day_s, over_s);
        put_random(future, &twin, over_s, over_s + 3 * day_s);
        house_build(past, now_s, 96, 1800);
        house_build(future, now_s, 96, 1800);
        assert_int_equal(past->paths.count, future->paths.count);
        size_t values = past->paths.count * 96;
        assert_memory_equal(past->paths.weight, future->paths.weight, past->paths.count * sizeof(double));
        assert_memory_equal(past->paths.load_kw, future->paths.load_kw, values * sizeof(double));
        assert_memory_equal(past->paths.solar_kw, future->paths.solar_kw, values * sizeof(double));
        house_free(past);
        house_free(future);
    }
}

static void what_makes_no_sense_is_refused_by_name(void **state)
{
    struct house *house = *state;
    static const struct {
        int64_t bounds_s[3];
        size_t slots, days;
        double clearness, profile;
        const char *message;
    } table[] = {
        {{0, 1800, 3600}, 0, 14, 0.6, 1, "no slots"},
        {{0, 1800, 1800}, 2, 14, 0.6, 1, "slot 1 does not end after its start"},
        {{0, 1800, 401LL * 86400}, 2, 14, 0.6, 1, "horizon longer than 400 days"},
        {{0, 1800, 3600}, 2, 0, 0.6, 1, "0 past days asked for, 1 to 35 expected"},
        {{0, 1800, 3600}, 2, 36, 0.6, 1, "36 past days asked for, 1 to 35 expected"},
        {{0, 1800, 3600}, 2, 14, 1.1, 1, "usual clearness is 1.1, 0 to 1 expected"},
        {{0, 1800, 3600}, 2, 14, NAN, 1, "usual clearness is nan, 0 to 1 expected"},
        {{0, 1800, 3600}, 2, 14, 0.6, -1, "house power of hour 7 is -1 kW, 0 or more expected"},
        {{0, 1800, 3600}, 2, 14, 0.6, INFINITY, "house power of hour 7 is inf kW, 0 or more expected"},
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct gr_error error = {""};
        house->expectation.path_days = table[i].days;
        house->expectation.usual_clearness = table[i].clearness;
        house->expectation.house_kw[7] = table[i].profile;
        int code = gr_paths_build(&house->paths, house->history, &house->expectation, &house->site,
                                  house->zone, table[i].bounds_s, table[i].slots, &error);
        assert_int_equal(code, GR_INVALID);
        assert_true(house->paths.count == 0 && !house->paths.load_kw);
        if (!strstr(error.text, table[i].message)) {
            fail_msg("got \"%s\", expected \"%s\"", error.text, table[i].message);
        }
    }
}

static void the_mean_goes_by_weight(void **state)
{
    (void)state;
    double weight[2] = {0.25, 0.75};
    double load[4] = {1, 2, 3, 4};
    double solar[4] = {0, 8, 4, 0};
    struct gr_paths paths = {.count = 2, .slots = 2, .weight = weight, .load_kw = load, .solar_kw = solar};
    double load_kw;
    double solar_kw;
    gr_paths_mean(&paths, 0, &load_kw, &solar_kw);
    assert_true(load_kw == 2.5 && solar_kw == 3);
    gr_paths_mean(&paths, 1, &load_kw, &solar_kw);
    assert_true(load_kw == 3.5 && solar_kw == 2);
}

static void leaning_halves_with_time_and_leaves_alone_what_is_not_seen(void **state)
{
    struct house *house = *state;
    put_days(house, monday_s, 14);
    house_build(house, monday_s, 240, 60);
    double before[3] = {path_load(house, 3, 0), path_load(house, 3, 30), path_load(house, 3, 239)};
    double sun = path_solar(house, 3, 0);
    gr_paths_lean(&house->paths, house->bounds_s, 0, NAN, 1800);
    assert_true(fabs(path_load(house, 3, 0) / before[0] - (1 - pow(0.5, 30.0 / 1800))) < 1e-4);
    assert_true(fabs(path_load(house, 3, 30) / before[1] - (1 - pow(0.5, 1830.0 / 1800))) < 1e-4);
    assert_true(path_load(house, 3, 239) > 0.99 * before[2]);
    assert_true(path_solar(house, 3, 0) == sun);
    gr_paths_lean(&house->paths, house->bounds_s, NAN, -0.2, 1800);
    assert_true(path_solar(house, 3, 0) > 0 && path_solar(house, 3, 0) < 0.02 * sun);
}

static void leaning_without_a_half_life_changes_nothing(void **state)
{
    struct house *house = *state;
    house_build(house, monday_s, 4, 1800);
    double load = path_load(house, 0, 0);
    gr_paths_lean(&house->paths, house->bounds_s, 9, 9, 0);
    gr_paths_lean(&house->paths, house->bounds_s, 9, 9, NAN);
    assert_true(path_load(house, 0, 0) == load && path_solar(house, 0, 0) == 0);
}

#define CASE(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        CASE(a_path_follows_one_past_day_and_its_followers),
        CASE(from_the_middle_of_a_day_the_same_time_of_the_past_day_comes_first),
        CASE(a_follower_that_is_not_known_is_replaced_by_the_same_day_again),
        CASE(at_most_the_asked_number_of_days_is_used_and_gaps_are_passed_over),
        CASE(the_profile_weighs_what_is_missing),
        CASE(of_two_days_of_one_type_the_later_weighs_more),
        CASE(a_weekend_day_weighs_less_for_a_monday),
        CASE(a_holiday_weighs_like_a_weekend_day),
        CASE(a_day_type_that_fits_half_the_horizon_weighs_in_between),
        CASE(paths_are_drawn_to_the_level_of_the_last_day),
        CASE(a_day_far_out_of_the_usual_draws_by_a_bounded_factor),
        CASE(a_day_that_was_preceded_by_a_like_level_weighs_more),
        CASE(a_house_that_stood_empty_has_finite_paths),
        CASE(a_house_without_history_gets_its_profile_on_the_mean),
        CASE(without_history_the_sun_of_the_arrays_is_spread_around_the_usual),
        CASE(in_the_profile_paths_load_and_sun_are_not_arranged),
        CASE(where_only_the_sun_is_unknown_it_comes_from_the_arrays),
        CASE(unconfigured_arrays_show_in_the_profile_paths_once_the_sun_was_seen),
        CASE(a_constant_house_gives_constant_paths),
        CASE(the_energy_of_a_path_does_not_depend_on_how_the_horizon_is_cut),
        cmocka_unit_test(values_that_end_after_the_start_never_change_the_paths),
        CASE(what_makes_no_sense_is_refused_by_name),
        CASE(the_mean_goes_by_weight),
        CASE(leaning_halves_with_time_and_leaves_alone_what_is_not_seen),
        CASE(leaning_without_a_half_life_changes_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
