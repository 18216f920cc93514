/* The engine in a house whose battery and sun share one inverter. */
#include "check.h"

#include "granary/coupling.h"
#include "world/world.h"

#include <string.h>

static const int64_t hour_s = 3600;

/* The world's house with a hybrid inverter of 5 kW, in front of 9 kW of panels. */
static void set_up_world(struct world *world)
{
    world_init(world);
    world->config.site.dc_coupled = true;
    world->config.site.inverter = (struct gr_dc_inverter){5, 0.92, 0.90};
    world->config.site.arrays[0] = (struct gr_solar_array){"roof", 9, 30, 180, 9};
    world->config.site.array_count = 1;
    world->config.safety.max_age_s[GR_HOUSE_POWER] = 0; /* told by the balance alone */
    world->config.planning.slot_minutes = 60;           /* so that it takes less time */
    world->config.planning.horizon_hours = 24;
    assert_true(world_begin(world));
}

static void shine(struct world *world)
{
    double hour = (double)((world->true_s - world->began_s) % (24 * hour_s)) / 3600;
    world->load = (struct gr_house_load){.house_kw = hour > 17 && hour < 22 ? 6.2 : 0.7,
                                         .solar_kw = 8 * fmax(0, sin(M_PI * (hour - 6) / 12))};
}

/* Grid power, sun and battery as they flow, by the inverter's rules written out once more. */
static void check_flow(const struct world *world)
{
    const struct gr_house_flow *flow = &world->flow;
    double given_kw = flow->solar_kw - flow->curtail_kw - flow->battery_kw;
    double ac_kw = given_kw > 0 ? 0.92 * given_kw : given_kw / 0.90;
    assert_near(flow->grid_kw, flow->house_kw - ac_kw, 1e-9);
    assert_true(fabs(ac_kw) <= 5 + 1e-9);
    assert_true(flow->grid_kw >= -5 - 1e-9);
}

static void two_days_behind_a_shared_inverter_go_well(void **state)
{
    (void)state;
    struct world world;
    double charged_kwh = 0, lost_kwh = 0;
    bool charge = false;
    set_up_world(&world);
    for (int turn = 0; turn < 2 * 24 * 60; turn++) {
        shine(&world);
        world_turn(&world, 60);
        check_flow(&world);
        assert_near(world.decision.house_kw, world.flow.house_kw, 1e-6);
        assert_int_not_equal(world.decision.answer, GR_ANSWER_REFUSES);
        assert_int_not_equal(world.decision.answer, GR_ANSWER_LIMITED);
        const struct gr_command *command = &world.decision.command;
        charge = charge || (command->kind == GR_CHARGE && world.load.solar_kw < 0.1);
        if (command->kind == GR_CHARGE) {
            assert_true(command->power_kw <= 5 * 0.90 + world.load.solar_kw + 0.01);
        }
        if (turn > 24 * 60) {
            charged_kwh += fmax(0, world.flow.battery_kw) / 60;
            lost_kwh += world.flow.curtail_kw / 60;
        }
    }
    assert_true(charge); /* at night, through the inverter */
    print_message("%.1f kWh charged, %.2f kWh of sun lost on the second day\n", charged_kwh, lost_kwh);
    assert_true(charged_kwh > 8);
    world_end(&world);
}

/* What is left of a plan's slot through the inverter: sun that neither battery nor inverter take is lost. */
static void the_plan_reckons_with_the_inverter(void **state)
{
    (void)state;
    struct world world;
    struct gr_plan_view plan;
    struct gr_error error = {""};
    set_up_world(&world);
    for (int turn = 0; turn < 30 * 12; turn++) {
        shine(&world);
        world_turn(&world, 300);
    }
    assert_int_equal(gr_engine_plan(world.engine, world.now, 6, &plan, &error), GR_OK);
    for (size_t t = 0; t < plan.count; t++) {
        const struct gr_plan_slot *slot = &plan.slots[t];
        assert_true(slot->grid_kw >= slot->house_kw - 5 - 1e-9);
        assert_true(slot->grid_kw <= slot->house_kw + 5 + 1e-9);
        assert_true(slot->battery_kw >= -5 / 0.92 - 1e-9);
    }
    world_end(&world);
}

static void powers_go_through_the_inverter_and_back(void **state)
{
    (void)state;
    struct gr_site site = {.dc_coupled = true, .inverter = {4, 0.9, 0.8}};
    assert_near(gr_site_drawn_kw(&site, 1, 4), -2.7, 1e-12);
    assert_near(gr_site_drawn_kw(&site, 4, 2.4), 2, 1e-12);
    assert_near(gr_site_grid_kw(&site, 10, 1, 4), 7.3, 1e-12);
    assert_near(gr_site_grid_kw(&site, 10, 1, 57), 6,
                1e-12); /* the inverter gives 4 kW of the sun, no more */
    assert_near(gr_site_battery_kw(&site, -2.7, 4), 1, 1e-12);
    assert_near(gr_site_battery_kw(&site, 2, 2.4), 4, 1e-12);
    assert_near(gr_site_battery_kw(&site, 9, 1), 4.2, 1e-12); /* no more than 4 kW are drawn */
    assert_near(gr_site_battery_kw(&site, -9, 0), -4 / 0.9, 1e-12);
    assert_near(gr_site_most_charge_kw(&site, 1), 4.2, 1e-12);
    assert_near(gr_site_most_discharge_kw(&site), 4 / 0.9, 1e-12);
    site.dc_coupled = false;
    assert_near(gr_site_drawn_kw(&site, 1, 4), -3, 0);
    assert_near(gr_site_battery_kw(&site, -3, 4), 1, 0);
    assert_true(isinf(gr_site_most_charge_kw(&site, 1)) && isinf(gr_site_most_discharge_kw(&site)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(powers_go_through_the_inverter_and_back),
        cmocka_unit_test(two_days_behind_a_shared_inverter_go_well),
        cmocka_unit_test(the_plan_reckons_with_the_inverter),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
