/* What Granary is told about the house, one channel each. Values inside the core are always in these units
 * and signs, whatever the topic carried. */
#ifndef GRANARY_CHANNEL_H
#define GRANARY_CHANNEL_H

enum gr_channel {
    GR_STATE_OF_CHARGE,     /* percent of usable capacity, 0 to 100 */
    GR_BATTERY_POWER,       /* kW, + charges */
    GR_GRID_POWER,          /* kW, + imports */
    GR_SOLAR_POWER,         /* kW, >= 0 */
    GR_HOUSE_POWER,         /* kW, >= 0, without the battery, car apart */
    GR_CAR_POWER,           /* kW, >= 0 */
    GR_GRID_PRESENT,        /* 1 present, 0 absent */
    GR_INVERTER_AVAILABLE,  /* kW that the inverter can give or take at present */
    GR_OUTDOOR_TEMPERATURE, /* degrees Celsius */
    GR_BATTERY_TEMPERATURE, /* degrees Celsius, of the cells */
    GR_CHANNELS
};

/* The unit of a channel's values for people: "%", "kW", "degrees Celsius", "" for yes or no. */
const char *gr_channel_unit(enum gr_channel channel);

/* The configuration key of a channel ("state_of_charge", "battery_power", ...); NULL out of range. */
const char *gr_channel_name(enum gr_channel channel);

#endif
