#include "granary/house.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static const struct gr_site site = {.battery = {.capacity_kwh = 20, .charge_kw = 4, .discharge_kw = 5},
                                    .reserve_percent = 10};

static void expect_band(struct gr_inverter inverter, double stored_kwh, int64_t utc_s, double low_kw,
                        double high_kw)
{
    struct gr_band band = gr_inverter_band(&inverter, &site, stored_kwh, utc_s);
    if (band.low_kw != low_kw || band.high_kw != high_kw) {
        fail_msg("%s %g kW to %g %% with %g kWh at %lld: [%g, %g], expected [%g, %g]",
                 gr_command_name(inverter.kind), inverter.power_kw, inverter.target_percent, stored_kwh,
                 (long long)utc_s, band.low_kw, band.high_kw, low_kw, high_kw);
    }
}

static void every_command_falls_back_to_follow_at_its_end(void **state)
{
    (void)state;
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        struct gr_inverter inverter = {(enum gr_command_kind)kind, 3, kind == GR_CHARGE ? 100 : 10, 1000, 7};
        struct gr_band own = gr_command_band(inverter.kind, 3, 4, 5);
        expect_band(inverter, 10, 999, own.low_kw, own.high_kw);
        expect_band(inverter, 10, 1000, -5, 4);
        expect_band(inverter, 10, 1001, -5, 4);
    }
}

static void a_command_without_an_end_holds_for_ever(void **state)
{
    (void)state;
    expect_band((struct gr_inverter){GR_STORE, 0, 100, INT64_MAX, 0}, 10, INT64_MAX - 1, 0, 4);
}

static void charge_stops_at_its_target(void **state)
{
    (void)state;
    struct gr_inverter charge = {GR_CHARGE, 3, 50, 1000, 7};
    expect_band(charge, 9.99, 0, 3, 3);
    expect_band(charge, 10, 0, 0, 0);
    expect_band(charge, 12, 0, 0, 0);
}

static void no_command_discharges_at_the_reserve(void **state)
{
    (void)state;
    static const struct {
        enum gr_command_kind kind;
        double low_kw, high_kw;
    } rows[] = {{GR_FOLLOW, 0, 4}, {GR_STORE, 0, 4},  {GR_SERVE, 0, 0},
                {GR_CHARGE, 3, 3}, {GR_EXPORT, 0, 0}, {GR_REST, 0, 0}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_inverter inverter = {rows[i].kind, 3, rows[i].kind == GR_CHARGE ? 100 : 0, 1000, 7};
        expect_band(inverter, 2, 0, rows[i].low_kw, rows[i].high_kw);
        expect_band(inverter, 1, 0, rows[i].low_kw, rows[i].high_kw);
    }
}

static void export_and_serve_stop_at_a_target_above_the_reserve(void **state)
{
    (void)state;
    expect_band((struct gr_inverter){GR_EXPORT, 3, 40, 1000, 7}, 8.01, 0, -3, -3);
    expect_band((struct gr_inverter){GR_EXPORT, 3, 40, 1000, 7}, 8, 0, 0, 0);
    expect_band((struct gr_inverter){GR_SERVE, 0, 40, 1000, 7}, 8, 0, 0, 0);
    expect_band((struct gr_inverter){GR_SERVE, 0, 40, 1000, 7}, 8, 1000, -5, 4);
}

static void discharging_stops_at_the_reserve_or_a_higher_target(void **state)
{
    (void)state;
    struct gr_inverter export = {GR_EXPORT, 3, 40, 1000, 7};
    struct gr_inverter follow = {GR_FOLLOW, 0, 40, 1000, 7};
    assert_true(gr_inverter_stop_kwh(&export, &site, 0) == 8);
    assert_true(gr_inverter_stop_kwh(&export, &site, 1000) == 2);
    assert_true(gr_inverter_stop_kwh(&follow, &site, 0) == 2);
    export.target_percent = 5;
    assert_true(gr_inverter_stop_kwh(&export, &site, 0) == 2);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_command_falls_back_to_follow_at_its_end),
        cmocka_unit_test(a_command_without_an_end_holds_for_ever),
        cmocka_unit_test(charge_stops_at_its_target),
        cmocka_unit_test(no_command_discharges_at_the_reserve),
        cmocka_unit_test(export_and_serve_stop_at_a_target_above_the_reserve),
        cmocka_unit_test(discharging_stops_at_the_reserve_or_a_higher_target),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
