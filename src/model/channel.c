#include "granary/channel.h"

#include <stddef.h>

static const char *const names[GR_CHANNELS] = {"state_of_charge", "battery_power",     "grid_power",
                                               "solar_power",     "house_power",       "car_power",
                                               "grid_present",    "inverter_available"};

const char *gr_channel_name(enum gr_channel channel)
{
    return (unsigned)channel < GR_CHANNELS ? names[channel] : NULL;
}
