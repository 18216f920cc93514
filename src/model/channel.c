#include "granary/channel.h"

#include <stddef.h>

static const struct {
    const char *name, *unit;
} channels[GR_CHANNELS] = {[GR_STATE_OF_CHARGE] = {"state_of_charge", "%"},
                           [GR_BATTERY_POWER] = {"battery_power", "kW"},
                           [GR_GRID_POWER] = {"grid_power", "kW"},
                           [GR_SOLAR_POWER] = {"solar_power", "kW"},
                           [GR_HOUSE_POWER] = {"house_power", "kW"},
                           [GR_CAR_POWER] = {"car_power", "kW"},
                           [GR_GRID_PRESENT] = {"grid_present", ""},
                           [GR_INVERTER_AVAILABLE] = {"inverter_available", "kW"},
                           [GR_OUTDOOR_TEMPERATURE] = {"outdoor_temperature", "degrees Celsius"},
                           [GR_BATTERY_TEMPERATURE] = {"battery_temperature", "degrees Celsius"}};

const char *gr_channel_name(enum gr_channel channel)
{
    return (unsigned)channel < GR_CHANNELS ? channels[channel].name : NULL;
}

const char *gr_channel_unit(enum gr_channel channel)
{
    return (unsigned)channel < GR_CHANNELS ? channels[channel].unit : "";
}
