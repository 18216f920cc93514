/* What a problem may say besides, where it makes no sense: curves, states, an inverter, peaks. */
#include "check.h"

#include "granary/error.h"
#include "small_house.h"

/* A house in which everything that may be given is given, and is sound. */
struct whole {
    struct house house;
    double limit_kw[SLOTS], price[SLOTS], least_kw[SLOTS], greatest_kw[SLOTS], power_kw[SLOTS],
        wanted_kwh[SLOTS], carbon[SLOTS], dc_solar_kw[SLOTS];
    double power_kwh[2], most_kw[2], loss_at_kw[2], loss_kw[2], wear_kwh[2], wear[2], end_kwh[2],
        end_value[2];
    double seen_kw[1], step_kw[2], step_price[2];
    size_t full_by[2], day[SLOTS];
    struct gr_peak peak;
};

static void make_whole(struct whole *it)
{
    memset(it, 0, sizeof *it);
    make_house(&it->house, SLOTS);
    it->power_kwh[1] = it->end_kwh[1] = 10;
    it->most_kw[0] = it->most_kw[1] = 4;
    it->loss_at_kw[1] = 5;
    it->loss_kw[1] = 0.5;
    it->wear_kwh[1] = 2;
    it->full_by[1] = 3;
    it->day[2] = it->day[3] = 1;
    it->step_kw[0] = 2;
    it->step_kw[1] = 4;
    it->step_price[1] = 5;
    it->peak = (struct gr_peak){.per_kw = 1,
                                .steps = {2, it->step_kw, it->step_price},
                                .mean_of = 1,
                                .seen = 1,
                                .seen_kw = it->seen_kw,
                                .day = it->day};
    struct gr_problem *problem = &it->house.problem;
    problem->slot_import_limit_kw = problem->slot_export_limit_kw = it->limit_kw;
    problem->slot_import_peak_per_kwh = it->price;
    problem->slot_import_peak_kw = it->limit_kw;
    problem->slot_least_kw = it->least_kw;
    problem->slot_most_kw = it->greatest_kw;
    problem->slot_charge_kw = problem->slot_discharge_kw = it->power_kw;
    problem->wanted_kwh = it->wanted_kwh;
    problem->carbon_kg_per_kwh = it->carbon;
    problem->dc_solar_kw = it->dc_solar_kw;
    problem->inverter = (struct gr_dc_inverter){4, 0.96, 0.95};
    problem->charge_power = (struct gr_curve){2, it->power_kwh, it->most_kw};
    problem->discharge_power = (struct gr_curve){2, it->power_kwh, it->most_kw};
    problem->charge_loss = (struct gr_curve){2, it->loss_at_kw, it->loss_kw};
    problem->discharge_loss = (struct gr_curve){2, it->loss_at_kw, it->loss_kw};
    problem->wear_steps = (struct gr_curve){2, it->wear_kwh, it->wear};
    problem->full_windows = 2;
    problem->full_by = it->full_by;
    problem->full_kwh = 9;
    problem->peak = &it->peak;
    problem->end_points = 2;
    problem->end_kwh = it->end_kwh;
    problem->end_value = it->end_value;
}

static void a_problem_that_says_everything_is_refused_where_one_part_cannot_be(void **state)
{
    (void)state;
    struct whole it;
    struct gr_problem *problem = &it.house.problem;
    const struct {
        double *place;
        double value;
        const char *message;
    } rows[] = {
        {&it.limit_kw[1], -1, "grid.import_limit_kw, slot 1: found -1 kW"},
        {&it.price[0], -1, "slot_import_peak_per_kwh, slot 0: found -1 per kWh"},
        {&it.least_kw[3], NAN, "slot_least_kw, slot 3: found nan kW"},
        {&it.greatest_kw[2], NAN, "slot_most_kw, slot 2: found nan kW"},
        {&problem->outside_per_kwh, NAN, "outside_per_kwh: found nan per kWh"},
        {&it.power_kw[2], -1, "battery.charge_kw, slot 2: found -1 kW"},
        {&it.wanted_kwh[3], 11, "battery.wanted_kwh, slot 3: found 11 kWh, allowed is 0 to 10"},
        {&it.carbon[0], -1, "carbon_kg_per_kwh, slot 0: found -1 kg per kWh"},
        {&problem->wanted_per_kwh, -1, "wanted_per_kwh: found -1 per kWh"},
        {&problem->carbon_price_per_kg, NAN, "carbon_price_per_kg: found nan per kg"},
        {&problem->most_discharged_kwh, -1, "battery.most_discharged_kwh: found -1 kWh"},
        {&it.dc_solar_kw[1], -1, "dc_solar_kw, slot 1: found -1 kW"},
        {&problem->inverter.limit_kw, -1, "inverter.limit_kw: found -1 kW"},
        {&problem->inverter.to_ac_efficiency, 0, "inverter.to_ac_efficiency: found 0"},
        {&problem->inverter.to_dc_efficiency, 1.01, "inverter.to_dc_efficiency: found 1.01"},
        {&it.power_kwh[1], 0, "battery.charge_power_points, point 1: found 0 kWh after 0 kWh"},
        {&it.power_kwh[0], -1, "battery.charge_power_points, point 0: found -1 kWh"},
        {&it.most_kw[1], 0, "battery.charge_power_points, point 1: found 0 kW"},
        {&it.loss_at_kw[0], 1, "battery.charge_loss_points, point 0: found 1 kW, allowed is 0 kW"},
        {&it.loss_kw[1], 5, "battery.charge_loss_points, point 1: found a loss of 5 kW after 0 kW"},
        {&it.loss_kw[1], NAN, "battery.charge_loss_points, point 1: found nan kW"},
        {&it.wear_kwh[1], -1, "battery.wear_steps (kWh), point 1: found -1 kWh"},
        {&it.wear[0], -1, "battery.wear_steps (money), point 0: found -1 per kWh"},
        {&problem->change_cost, -1, "change_cost: found -1"},
        {&problem->full_kwh, 11, "battery.full_kwh: found 11 kWh, allowed is 0 to 10"},
        {&it.peak.per_kw, -1, "peak.per_kw: found -1 per kW"},
        {&it.seen_kw[0], -1, "peak.seen_kw, entry 0: found -1 kW"},
        {&it.step_kw[1], 2, "peak.steps (kW), point 1: found 2 kW after 2 kW"},
        {&it.step_price[0], -1, "peak.steps (money), point 0: found -1"},
        {&it.step_price[0], 6, "peak.steps, point 1: found 5 after 6, allowed is not to fall"},
        {&it.end_kwh[1], NAN, "end_value_points (kWh), point 1: found nan kWh"},
        {&it.end_value[0], INFINITY, "end_value_points (value), point 0: found inf"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_error error = {""};
        make_whole(&it);
        if (gr_problem_check(problem, &error) != GR_OK) {
            fail_msg("%s", error.text);
        }
        *rows[i].place = rows[i].value;
        if (gr_problem_check(problem, &error) != GR_INVALID ||
            strncmp(error.text, rows[i].message, strlen(rows[i].message)) != 0) {
            fail_msg("found \"%s\", expected \"%s\"", error.text, rows[i].message);
        }
    }
}

/* A loss of 1 kW at rest, and a power of 0.5 kW. */
static void a_power_that_its_loss_alone_takes_is_refused(void **state)
{
    (void)state;
    struct whole it;
    struct gr_error error = {""};
    make_whole(&it);
    it.loss_kw[0] = 1;
    it.loss_kw[1] = 1.2;
    assert_int_equal(gr_problem_check(&it.house.problem, &error), GR_OK);
    it.most_kw[1] = 0.5;
    assert_int_equal(gr_problem_check(&it.house.problem, &error), GR_INVALID);
    assert_says(error.text, "battery.charge_power_points, point 1: found 0.5 kW, the loss alone takes");
}

static void what_goes_in_pairs_is_refused_alone(void **state)
{
    (void)state;
    struct whole it;
    struct gr_problem *problem = &it.house.problem;
    const struct {
        const double **member;
        const char *message;
    } rows[] = {
        {&problem->slot_import_peak_per_kwh, "slot_import_peak_per_kwh: missing"},
        {&problem->slot_import_peak_kw, "slot_import_peak_kw: missing"},
        {&problem->slot_least_kw, "slot_least_kw: missing"},
        {&problem->slot_most_kw, "slot_most_kw: missing"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_error error = {""};
        make_whole(&it);
        *rows[i].member = NULL;
        assert_int_equal(gr_problem_check(problem, &error), GR_INVALID);
        assert_string_equal(error.text, rows[i].message);
    }
}

static void slots_days_and_commands_that_are_none_are_refused(void **state)
{
    (void)state;
    static const struct {
        size_t place, value;
        const char *message;
    } rows[] = {
        {0, 4, "battery.full_by, entry 0: found slot 4, allowed is to rise up to 3"},
        {1, 0, "battery.full_by, entry 1: found slot 0, allowed is to rise up to 3"},
        {2, 1, "peak.day, slot 0: found 1 after 0"},
        {4, 2, "peak.day, slot 2: found 2 after 0"},
        {5, 0, "peak.day, slot 3: found 0 after 1"},
        {6, 0, "peak.mean_of: found 0"},
        {7, GR_COMMAND_KINDS, "first_command: found command 6, there is none"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct whole it;
        struct gr_error error = {""};
        make_whole(&it);
        if (rows[i].place < 2) {
            it.full_by[rows[i].place] = rows[i].value;
        } else if (rows[i].place < 6) {
            it.day[rows[i].place - 2] = rows[i].value;
        } else if (rows[i].place == 6) {
            it.peak.mean_of = rows[i].value;
        } else {
            it.house.problem.first_kind = (enum gr_command_kind)rows[i].value;
        }
        assert_int_equal(gr_problem_check(&it.house.problem, &error), GR_INVALID);
        assert_says(error.text, rows[i].message);
    }
}

static void the_exhaustive_search_says_what_it_does_not_know(void **state)
{
    (void)state;
    static const char *const words[] = {"powers by level",
                                        "powers by level",
                                        "wear_steps",
                                        "change_cost",
                                        "battery.full_by",
                                        "battery.most_discharged_kwh",
                                        "peak"};
    for (size_t i = 0; i < sizeof words / sizeof *words; i++) {
        struct whole it;
        struct house house;
        struct gr_error error = {""};
        double low, high;
        make_whole(&it);
        make_house(&house, SLOTS);
        if (i == 0) {
            house.problem.charge_power = it.house.problem.charge_power;
        } else if (i == 1) {
            house.problem.discharge_power = it.house.problem.discharge_power;
        } else if (i == 2) {
            house.problem.wear_steps = it.house.problem.wear_steps;
        } else if (i == 3) {
            house.problem.change_cost = 0.1;
        } else if (i == 4) {
            house.problem.full_windows = 1;
            house.problem.full_by = it.full_by;
        } else if (i == 5) {
            house.problem.limits_discharge = true;
        } else {
            house.problem.peak = &it.peak;
        }
        assert_int_equal(gr_brute_solve(&house.problem, 11, &low, &high, &error), GR_INVALID);
        assert_says(error.text, words[i]);
        assert_says(error.text, ": an exhaustive search takes none");
    }
    struct house house;
    struct gr_error error = {""};
    double low, high;
    make_house(&house, SLOTS);
    house.hours[0] = -1;
    assert_int_equal(gr_brute_solve(&house.problem, 11, &low, &high, &error), GR_INVALID);
    assert_says(error.text, "hours, slot 0");
}

/* Four hours of 1 kW at 0.30; without a battery nothing can be done about it. */
static void the_exhaustive_search_without_a_battery_has_one_plan(void **state)
{
    (void)state;
    struct house house;
    struct gr_error error = {""};
    double low, high;
    make_house(&house, SLOTS);
    house.problem.battery.capacity_kwh = 0;
    for (size_t t = 0; t < SLOTS; t++) {
        house.load_kw[t] = 1;
    }
    assert_int_equal(gr_brute_solve(&house.problem, 11, &low, &high, &error), GR_OK);
    assert_near(low, 1.2, 1e-6);
    assert_near(high, 1.2, 1e-6);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_problem_that_says_everything_is_refused_where_one_part_cannot_be),
        cmocka_unit_test(a_power_that_its_loss_alone_takes_is_refused),
        cmocka_unit_test(what_goes_in_pairs_is_refused_alone),
        cmocka_unit_test(slots_days_and_commands_that_are_none_are_refused),
        cmocka_unit_test(the_exhaustive_search_says_what_it_does_not_know),
        cmocka_unit_test(the_exhaustive_search_without_a_battery_has_one_plan),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
