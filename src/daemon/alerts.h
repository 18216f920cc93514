/* The alerts of the device: raised and cleared by what a turn brought. */
#ifndef GRANARY_DAEMON_ALERTS_H
#define GRANARY_DAEMON_ALERTS_H

#include "daemon/device.h"
#include "daemon/feed.h"
#include "daemon/keeper.h"

struct gr_alert_call {
    const struct gr_decision *decision;
    const struct gr_feed *feed;
    const struct gr_keeper *keeper;
    int64_t now_s, rates_until_s;
};

void gr_alerts_publish(const struct gr_alert_call *call, struct gr_device *device, struct gr_bridge *bridge);

#endif
