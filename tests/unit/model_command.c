#include "check.h"

#include "granary/channel.h"
#include "granary/command.h"

/* The table of bands, for a battery that charges with 5 kW and discharges with 6 kW; the net load is house -
 * sun. */
static const struct {
    enum gr_command_kind kind;
    double power_kw, net_load_kw, battery_kw;
} rows[] = {
    {GR_FOLLOW, 0, 2, -2}, {GR_FOLLOW, 0, -3, 3}, {GR_FOLLOW, 0, 9, -6}, {GR_FOLLOW, 0, -8, 5},
    {GR_STORE, 0, 2, 0},   {GR_STORE, 0, -3, 3},  {GR_SERVE, 0, 2, -2},  {GR_SERVE, 0, -3, 0},
    {GR_CHARGE, 3, 2, 3},  {GR_CHARGE, 3, -4, 3}, {GR_CHARGE, 9, 0, 5},  {GR_CHARGE, -1, 0, 0},
    {GR_EXPORT, 4, 1, -4}, {GR_EXPORT, 9, 1, -6}, {GR_REST, 3, 2, 0},    {GR_REST, 0, -2, 0},
};

static void each_band_bounds_what_the_inverter_does(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_band band = gr_command_band(rows[i].kind, rows[i].power_kw, 5, 6);
        double power_kw = gr_band_power_kw(band, rows[i].net_load_kw);
        if (fabs(power_kw - rows[i].battery_kw) > 1e-12) {
            fail_msg("%s %.1f kW at a net load of %.1f kW: %.3f kW, expected %.3f kW",
                     gr_command_name(rows[i].kind), rows[i].power_kw, rows[i].net_load_kw, power_kw,
                     rows[i].battery_kw);
        }
    }
}

static void names_and_kinds_are_each_others_inverse(void **state)
{
    (void)state;
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        assert_int_equal(gr_command_kind_of(gr_command_name((enum gr_command_kind)kind)), kind);
    }
    assert_int_equal(gr_command_kind_of("Follow"), -1);
    assert_int_equal(gr_command_kind_of(""), -1);
    assert_null(gr_command_name(GR_COMMAND_KINDS));
    assert_null(gr_channel_name(GR_CHANNELS));
}

static void every_channel_says_what_it_is_counted_in(void **state)
{
    (void)state;
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        const char *name = gr_channel_name((enum gr_channel)channel);
        const char *unit = gr_channel_unit((enum gr_channel)channel);
        bool power = strstr(name, "_power") || strcmp(name, "inverter_available") == 0;
        assert_string_equal(unit, power                                  ? "kW"
                                  : strstr(name, "temperature")          ? "degrees Celsius"
                                  : strcmp(name, "state_of_charge") == 0 ? "%"
                                                                         : "");
    }
    assert_string_equal(gr_channel_unit(GR_CHANNELS), "");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_band_bounds_what_the_inverter_does),
        cmocka_unit_test(every_channel_says_what_it_is_counted_in),
        cmocka_unit_test(names_and_kinds_are_each_others_inverse),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
