#include "granary/house.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>

#include <cmocka.h>

static const uint64_t seed = 20260310;

static struct gr_house_scene plain_scene(void)
{
    return (struct gr_house_scene){
        .site = {.battery = {.capacity_kwh = 10,
                             .charge_kw = 4,
                             .discharge_kw = 5,
                             .charge_efficiency = 0.95,
                             .discharge_efficiency = 0.9,
                             .standing_loss_kw = 0.02,
                             .wear_per_kwh = 0.03},
                 .reserve_percent = 10,
                 .grid = {.import_limit_kw = 14, .export_limit_kw = 6}},
    };
}

static double around(int64_t counter, double least, double greatest)
{
    double share = (gr_house_noise(seed, 100, counter) + 2) / 4;
    return least + fmin(fmax(share, 0), 1) * (greatest - least);
}

static struct gr_house_load random_load(int64_t step)
{
    return (struct gr_house_load){.house_kw = around(3 * step, 0, 6),
                                  .solar_kw = fmax(around(3 * step + 1, -4, 8), 0),
                                  .car_kw = step / 97 % 3 == 0 ? 7 : 0};
}

static struct gr_band random_band(int64_t step, const struct gr_battery *battery)
{
    enum gr_command_kind kind = (enum gr_command_kind)(step / 40 % GR_COMMAND_KINDS);
    return gr_command_band(kind, around(-step - 1, 0, 6), battery->charge_kw, battery->discharge_kw);
}

static void expect_near(const char *what, int64_t step, double got, double expected, double tolerance)
{
    if (!(fabs(got - expected) <= tolerance)) {
        fail_msg("seed %llu, step %lld: %s is %.12g, expected %.12g", (unsigned long long)seed,
                 (long long)step, what, got, expected);
    }
}

/* Every kWh that enters the house leaves it again, or is stored, or is a loss that the ratings explain. */
static void check_balance(const struct gr_house_scene *scene, const struct gr_house_flow *flow,
                          double before_kwh, int64_t step, double seconds)
{
    const struct gr_battery *battery = &scene->site.battery;
    double h = seconds / 3600;
    double in = flow->grid_kw + flow->solar_kw - flow->curtail_kw;
    expect_near("what came in", step, in, flow->house_kw + flow->car_kw + flow->battery_kw, 1e-9);
    double charged = flow->battery_kw > 0 ? flow->battery_kw * h : 0;
    double discharged = flow->battery_kw < 0 ? -flow->battery_kw * h : 0;
    double kept =
        before_kwh + charged * battery->charge_efficiency - discharged / battery->discharge_efficiency;
    double after = kept - battery->standing_loss_kw * h;
    expect_near("stored energy", step, flow->stored_kwh, after < 0 ? 0 : after, 1e-9);
    assert_true(flow->stored_kwh >= 0);
    assert_true(flow->stored_kwh <= battery->capacity_kwh);
}

static void check_limits(const struct gr_house_scene *scene, const struct gr_house_flow *flow)
{
    const struct gr_grid *grid = &scene->site.grid;
    double net_kw = flow->house_kw + flow->car_kw - flow->solar_kw;
    assert_true(flow->grid_kw <= fmax(grid->import_limit_kw, net_kw) + 1e-9);
    double most_export =
        grid->solar_curtailable ? grid->export_limit_kw : fmax(grid->export_limit_kw, -net_kw);
    assert_true(flow->grid_kw >= -most_export - 1e-9);
    assert_true(flow->battery_kw <= scene->site.battery.charge_kw);
    assert_true(flow->battery_kw >= -scene->site.battery.discharge_kw);
    assert_true(flow->curtail_kw >= 0 && flow->curtail_kw <= flow->solar_kw);
}

static void run_at_random(const struct gr_house_scene *scene, double seconds)
{
    double stored_kwh = 5;
    for (int64_t step = 0; step < 20000; step++) {
        struct gr_house_load load = random_load(step);
        struct gr_house_flow flow;
        double before_kwh = stored_kwh;
        gr_house_step(&flow, scene, &load, random_band(step, &scene->site.battery), 1, &stored_kwh, seconds);
        check_balance(scene, &flow, before_kwh, step, seconds);
        check_limits(scene, &flow);
        assert_true(stored_kwh == flow.stored_kwh);
    }
}

static void energy_closes_and_no_limit_is_passed_in_any_kind_of_house(void **state)
{
    (void)state;
    for (int variant = 0; variant < 16; variant++) {
        struct gr_house_scene scene = plain_scene();
        scene.site.grid.car_side = variant & 1 ? GR_CAR_ON_HOUSE_SIDE : GR_CAR_ON_GRID_SIDE;
        scene.site.grid.solar_curtailable = variant & 2;
        scene.site.grid.export_limit_kw = variant & 4 ? 0 : 3;
        run_at_random(&scene, variant & 8 ? 60 : 1800);
    }
}

static void follow_never_exports_energy_of_the_battery(void **state)
{
    (void)state;
    struct gr_house_scene scene = plain_scene();
    struct gr_band follow = gr_command_band(GR_FOLLOW, 0, 4, 5);
    double stored_kwh = 5;
    int discharging = 0;
    for (int64_t step = 0; step < 20000; step++) {
        struct gr_house_load load = random_load(step);
        struct gr_house_flow flow;
        scene.site.grid.car_side = step / 500 % 2 ? GR_CAR_ON_HOUSE_SIDE : GR_CAR_ON_GRID_SIDE;
        gr_house_step(&flow, &scene, &load, follow, 1, &stored_kwh, 60);
        discharging += flow.battery_kw < 0;
        assert_true(flow.battery_kw >= 0 || flow.grid_kw >= -1e-9);
    }
    assert_true(discharging > 1000);
}

static void discharging_ends_at_the_stop_and_charging_at_capacity(void **state)
{
    (void)state;
    struct gr_house_scene scene = plain_scene();
    scene.site.battery.standing_loss_kw = 0;
    struct gr_house_load load = {.house_kw = 0.5};
    struct gr_house_flow flow;
    double stored_kwh = 2;
    gr_house_step(&flow, &scene, &load, (struct gr_band){-5, -5}, 1.1, &stored_kwh, 3600);
    expect_near("battery power", 0, flow.battery_kw, -0.9 * 0.9, 1e-12);
    expect_near("stored energy", 0, stored_kwh, 1.1, 1e-12);
    stored_kwh = 9.05;
    gr_house_step(&flow, &scene, &load, (struct gr_band){4, 4}, 1.1, &stored_kwh, 3600);
    expect_near("battery power", 1, flow.battery_kw, 1, 1e-12);
    expect_near("stored energy", 1, stored_kwh, 10, 1e-12);
}

static void a_full_battery_is_held_full_against_its_standing_loss(void **state)
{
    (void)state;
    struct gr_house_scene scene = plain_scene();
    struct gr_house_load load = {.house_kw = 0.5};
    struct gr_house_flow flow;
    double stored_kwh = 10;
    gr_house_step(&flow, &scene, &load, (struct gr_band){4, 4}, 1, &stored_kwh, 3600);
    expect_near("battery power", 0, flow.battery_kw, 0.02 / 0.95, 1e-12);
    expect_near("stored energy", 0, stored_kwh, 10, 1e-12);
}

static void an_empty_battery_loses_nothing_more(void **state)
{
    (void)state;
    struct gr_house_scene scene = plain_scene();
    struct gr_house_load load = {.house_kw = 0.5};
    struct gr_house_flow flow;
    double stored_kwh = 0.005;
    gr_house_step(&flow, &scene, &load, (struct gr_band){0, 0}, 1, &stored_kwh, 3600);
    assert_true(stored_kwh == 0);
    assert_true(flow.battery_kw == 0);
}

static void follow_feeds_a_car_on_the_house_side_only(void **state)
{
    (void)state;
    static const struct {
        enum gr_car_side side;
        double battery_kw, grid_kw;
    } rows[] = {{GR_CAR_ON_GRID_SIDE, -1, 3}, {GR_CAR_ON_HOUSE_SIDE, -4, 0}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_house_scene scene = plain_scene();
        scene.site.grid.car_side = rows[i].side;
        struct gr_house_load load = {.house_kw = 1, .car_kw = 3};
        struct gr_house_flow flow;
        double stored_kwh = 8;
        gr_house_step(&flow, &scene, &load, (struct gr_band){-5, 4}, 1, &stored_kwh, 60);
        expect_near("battery power", (int64_t)i, flow.battery_kw, rows[i].battery_kw, 1e-12);
        expect_near("grid power", (int64_t)i, flow.grid_kw, rows[i].grid_kw, 1e-12);
    }
}

static void each_command_moves_the_power_that_its_band_allows(void **state)
{
    (void)state;
    static const struct {
        enum gr_command_kind kind;
        double power_kw, house_kw, solar_kw, battery_kw, grid_kw;
    } rows[] = {
        {GR_FOLLOW, 0, 2, 0, -2, 0}, {GR_FOLLOW, 0, 1, 4, 3, 0},   {GR_FOLLOW, 0, 7, 0, -5, 2},
        {GR_FOLLOW, 0, 0, 6, 4, -2}, {GR_STORE, 0, 2, 0, 0, 2},    {GR_STORE, 0, 1, 3, 2, 0},
        {GR_SERVE, 0, 2, 0, -2, 0},  {GR_SERVE, 0, 1, 3, 0, -2},   {GR_CHARGE, 3, 1, 0, 3, 4},
        {GR_CHARGE, 3, 1, 5, 3, -1}, {GR_CHARGE, 9, 1, 0, 4, 5},   {GR_EXPORT, 3, 1, 0, -3, -2},
        {GR_EXPORT, 3, 4, 0, -3, 1}, {GR_EXPORT, 9, 1, 1, -5, -5}, {GR_REST, 0, 2, 0, 0, 2},
        {GR_REST, 0, 1, 3, 0, -2},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_house_scene scene = plain_scene();
        struct gr_house_load load = {.house_kw = rows[i].house_kw, .solar_kw = rows[i].solar_kw};
        struct gr_inverter inverter = {
            .kind = rows[i].kind, .power_kw = rows[i].power_kw, .valid_until_s = 1000};
        inverter.target_percent = rows[i].kind == GR_CHARGE ? 100 : 10;
        struct gr_house_flow flow;
        double stored_kwh = 5;
        struct gr_band band = gr_inverter_band(&inverter, &scene.site, stored_kwh, 0);
        gr_house_step(&flow, &scene, &load, band, 1, &stored_kwh, 60);
        expect_near("battery power", (int64_t)i, flow.battery_kw, rows[i].battery_kw, 1e-12);
        expect_near("grid power", (int64_t)i, flow.grid_kw, rows[i].grid_kw, 1e-12);
    }
}

static void the_connection_holds_battery_and_solar_back_and_says_so(void **state)
{
    (void)state;
    static const struct {
        bool curtailable;
        struct gr_house_load load;
        struct gr_band band;
        double battery_kw, grid_kw, curtail_kw, refused_kw;
    } rows[] = {
        {true, {.house_kw = 12}, {4, 4}, 2, 14, 0, 2},
        {true, {.house_kw = 16}, {4, 4}, 0, 16, 0, 4},
        {true, {.house_kw = 1}, {-5, -5}, -5, -4, 0, 0},
        {true, {.house_kw = 1, .solar_kw = 4}, {-5, -5}, -3, -6, 0, 2},
        {true, {.house_kw = 1, .solar_kw = 9}, {-5, 0}, 0, -6, 2, 0},
        {false, {.house_kw = 1, .solar_kw = 9}, {-5, -5}, 0, -8, 0, 5},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_house_scene scene = plain_scene();
        scene.site.grid.solar_curtailable = rows[i].curtailable;
        struct gr_house_flow flow;
        double stored_kwh = 5;
        gr_house_step(&flow, &scene, &rows[i].load, rows[i].band, 1, &stored_kwh, 60);
        expect_near("battery power", (int64_t)i, flow.battery_kw, rows[i].battery_kw, 1e-12);
        expect_near("grid power", (int64_t)i, flow.grid_kw, rows[i].grid_kw, 1e-12);
        expect_near("curtailed power", (int64_t)i, flow.curtail_kw, rows[i].curtail_kw, 1e-12);
        expect_near("refused power", (int64_t)i, flow.refused_kw, rows[i].refused_kw, 1e-12);
    }
}

/* The same bill from sums of energy per price, the other way about. */
static void the_bill_agrees_with_one_recomputed_from_energy_sums(void **state)
{
    (void)state;
    struct gr_house_scene scene = plain_scene();
    double bought[3] = {0}, sold[3] = {0}, given = 0, stored_kwh = 5;
    static const double prices[3] = {0.11, 0.31, -0.02};
    struct gr_bill bill = {0};
    for (int64_t step = 0; step < 5000; step++) {
        struct gr_house_load load = random_load(step);
        struct gr_house_flow flow;
        gr_house_step(&flow, &scene, &load, random_band(step, &scene.site.battery), 1, &stored_kwh, 60);
        gr_bill_add(&bill, &flow, prices[step % 3], 0.5 * prices[step % 3], 0.03, 60);
        *(flow.grid_kw > 0 ? &bought[step % 3] : &sold[step % 3]) += flow.grid_kw / 60;
        given += flow.battery_kw < 0 ? -flow.battery_kw / 60 : 0;
    }
    double total = 0.03 * given;
    for (int band = 0; band < 3; band++) {
        total += bought[band] * prices[band] + sold[band] * 0.5 * prices[band];
    }
    expect_near("import", 0, bill.import_kwh, bought[0] + bought[1] + bought[2], 1e-7);
    expect_near("export", 0, -bill.export_kwh, sold[0] + sold[1] + sold[2], 1e-7);
    expect_near("total", 0, gr_bill_total(&bill), total, 1e-7);
    assert_true(bill.export_kwh > 1 && bill.import_kwh > 1);
}

/* At 8 of 10 kWh: 4 kW would be let in at 6 kWh, 1 kW when full. */
static void a_tapering_battery_takes_and_gives_what_its_level_lets_it(void **state)
{
    (void)state;
    struct gr_house_scene scene = plain_scene();
    struct gr_house_load load = {.house_kw = 0};
    struct gr_house_flow flow;
    double stored_kwh = 8;
    scene.site.curves.charge_power = (struct gr_curve_points){2, {6, 10}, {4, 1}};
    scene.site.curves.discharge_power = (struct gr_curve_points){2, {0, 4}, {1, 5}};
    gr_house_step(&flow, &scene, &load, (struct gr_band){4, 4}, 1, &stored_kwh, 1);
    expect_near("charging", 0, flow.battery_kw, 2.5, 1e-12);
    stored_kwh = 2;
    gr_house_step(&flow, &scene, &load, (struct gr_band){-5, -5}, 1, &stored_kwh, 1);
    expect_near("discharging", 0, flow.battery_kw, -3, 1e-12);
}

/* An hour at 2 kW loses 0.3 kWh on the way in and on the way out. */
static void losses_by_power_and_wear_by_level_are_counted_as_they_are_given(void **state)
{
    (void)state;
    struct gr_house_scene scene = plain_scene();
    struct gr_house_load load = {.house_kw = 0};
    struct gr_house_flow flow;
    struct gr_bill bill = {0};
    double stored_kwh = 5;
    scene.site.battery.standing_loss_kw = 0;
    scene.site.curves.charge_loss = (struct gr_curve_points){2, {0, 4}, {0.1, 0.5}};
    scene.site.curves.discharge_loss = (struct gr_curve_points){2, {0, 4}, {0.1, 0.5}};
    scene.site.curves.wear_steps = (struct gr_curve_points){2, {0, 6}, {0.2, 0.05}};
    gr_house_step(&flow, &scene, &load, (struct gr_band){2, 2}, 1, &stored_kwh, 3600);
    expect_near("stored", 0, stored_kwh, 6.7, 1e-12);
    expect_near("wear of charging", 0, flow.wear_by_level, 0, 0);
    gr_house_step(&flow, &scene, &load, (struct gr_band){-2, -2}, 1, &stored_kwh, 3600);
    expect_near("left", 0, stored_kwh, 4.4, 1e-12);
    gr_bill_add(&bill, &flow, 0.3, 0.1, 0.03, 3600);
    expect_near("wear", 0, bill.wear_cost, 2 * 0.03 + 0.7 * 0.05 + 1.6 * 0.2, 1e-12);
}

static void a_cold_battery_takes_what_its_temperature_lets_in_and_gives_as_ever(void **state)
{
    (void)state;
    struct gr_house_scene scene = plain_scene();
    struct gr_house_flow flow;
    struct gr_house_load load = {.house_kw = 0, .air_c = 4};
    double stored_kwh = 5;
    scene.site.curves.charge_by_temperature = (struct gr_curve_points){2, {0, 10}, {1, 4}};
    gr_house_step(&flow, &scene, &load, (struct gr_band){4, 4}, 1, &stored_kwh, 60);
    expect_near("charging", 0, flow.battery_kw, 1 + 3 * 0.4, 1e-12);
    gr_house_step(&flow, &scene, &load, (struct gr_band){-5, -5}, 1, &stored_kwh, 60);
    expect_near("discharging", 1, flow.battery_kw, -5, 1e-12);
}

/* 7 kW of sun behind an inverter of 4 kW that gives 0.9: at rest it gives its 4 kW and loses the rest;
 * following, the house's 2.7 kW take 3 kW and the battery as much as it can, 4 kW. At night 3.6 kW from the
 * meter take 4. */
static void a_shared_inverter_lets_through_what_it_can_and_takes_its_share(void **state)
{
    (void)state;
    struct gr_house_scene scene = plain_scene();
    struct gr_house_flow flow;
    struct gr_house_load load = {.house_kw = 2.7, .solar_kw = 7};
    double stored_kwh = 5;
    scene.site.dc_coupled = true;
    scene.site.inverter = (struct gr_dc_inverter){4, 0.9, 0.8};
    gr_house_step(&flow, &scene, &load, (struct gr_band){0, 0}, 1, &stored_kwh, 60);
    expect_near("grid power at rest", 0, flow.grid_kw, -1.3, 1e-12);
    expect_near("held back", 0, flow.curtail_kw, 7 - 4 / 0.9, 1e-12);
    gr_house_step(&flow, &scene, &load, (struct gr_band){-5, 4}, 1, &stored_kwh, 60);
    expect_near("battery power", 1, flow.battery_kw, 4, 1e-12);
    expect_near("grid power", 1, flow.grid_kw, 0, 1e-12);
    scene.site.grid.solar_curtailable = true;
    scene.site.grid.export_limit_kw = 0.9;
    gr_house_step(&flow, &scene, &load, (struct gr_band){0, 0}, 1, &stored_kwh, 60);
    expect_near("grid power at the limit", 2, flow.grid_kw, -0.9, 1e-12);
    expect_near("held back", 2, flow.curtail_kw, 7 - 4, 1e-12);
    load.solar_kw = 0;
    gr_house_step(&flow, &scene, &load, (struct gr_band){4, 4}, 1, &stored_kwh, 60);
    expect_near("charging at night", 3, flow.battery_kw, 3.2, 1e-12);
    expect_near("grid power at night", 3, flow.grid_kw, 2.7 + 4, 1e-12);
    load.house_kw = 6;
    gr_house_step(&flow, &scene, &load, (struct gr_band){-5, 0}, 1, &stored_kwh, 60);
    expect_near("serving", 4, flow.battery_kw, -4 / 0.9, 1e-12);
    expect_near("grid power", 4, flow.grid_kw, 2, 1e-12);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(energy_closes_and_no_limit_is_passed_in_any_kind_of_house),
        cmocka_unit_test(follow_never_exports_energy_of_the_battery),
        cmocka_unit_test(discharging_ends_at_the_stop_and_charging_at_capacity),
        cmocka_unit_test(a_full_battery_is_held_full_against_its_standing_loss),
        cmocka_unit_test(an_empty_battery_loses_nothing_more),
        cmocka_unit_test(follow_feeds_a_car_on_the_house_side_only),
        cmocka_unit_test(each_command_moves_the_power_that_its_band_allows),
        cmocka_unit_test(the_connection_holds_battery_and_solar_back_and_says_so),
        cmocka_unit_test(the_bill_agrees_with_one_recomputed_from_energy_sums),
        cmocka_unit_test(a_cold_battery_takes_what_its_temperature_lets_in_and_gives_as_ever),
        cmocka_unit_test(a_shared_inverter_lets_through_what_it_can_and_takes_its_share),
        cmocka_unit_test(a_tapering_battery_takes_and_gives_what_its_level_lets_it),
        cmocka_unit_test(losses_by_power_and_wear_by_level_are_counted_as_they_are_given),
    };
    printf("random numbers from seed %llu\n", (unsigned long long)seed);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
