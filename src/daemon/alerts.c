#include "daemon/alerts.h"

#include "granary/civil.h"

#include <stdio.h>
#include <string.h>

static const int64_t soon_s = 7200; /* prices end: time enough for somebody to look */

enum { TEXT_SIZE = 600 };

static void alert_fault(const struct gr_decision *decision, struct gr_device *device,
                        struct gr_bridge *bridge)
{
    char text[TEXT_SIZE];
    enum gr_fault fault = decision->fault;
    bool raised = fault != GR_FAULT_NONE && fault != GR_FAULT_STARTING && fault != GR_FAULT_RECOVERING;
    (void)snprintf(text, sizeof text, "%s: %s", gr_fault_name(fault), decision->fault_text);
    gr_device_alert(device, bridge, GR_ALERT_FAULT, raised ? gr_fault_name(fault) : NULL, text);
}

static void alert_inverter(const struct gr_decision *decision, struct gr_device *device,
                           struct gr_bridge *bridge)
{
    char text[TEXT_SIZE];
    bool raised = decision->answer > GR_ANSWER_FOLLOWS;
    (void)snprintf(text, sizeof text, "%s: %s", gr_answer_name(decision->answer), decision->answer_text);
    gr_device_alert(device, bridge, GR_ALERT_INVERTER, raised ? gr_answer_name(decision->answer) : NULL,
                    text);
}

static void alert_rates(const struct gr_alert_call *call, struct gr_device *device, struct gr_bridge *bridge)
{
    char text[TEXT_SIZE], until[GR_RFC3339_SIZE];
    bool raised = call->rates_until_s - call->now_s<soon_s, known = call->rates_until_s> call->now_s;
    if (known) {
        (void)snprintf(text, sizeof text, "published import prices end at %s",
                       gr_rfc3339_format(until, call->rates_until_s));
    } else {
        (void)snprintf(text, sizeof text, "no import price is published for now");
    }
    gr_device_alert(device, bridge, GR_ALERT_RATES, raised ? text : NULL, text);
}

/* Appends "network: down: HTTP status 503" or "calls: 2 events refused" where a source is in trouble. */
static void tell_source(const json_t *source, char text[TEXT_SIZE])
{
    const char *state = json_string_value(json_object_get(source, "state"));
    const char *name = json_string_value(json_object_get(source, "source"));
    const char *why = json_string_value(json_object_get(source, "why"));
    size_t refused = json_array_size(json_object_get(source, "refused")), used = strlen(text);
    bool troubled = strcmp(state, "down") == 0 || strcmp(state, "refused") == 0;
    const char *mark = used > 0 ? "; " : "";
    if (troubled) {
        (void)snprintf(text + used, TEXT_SIZE - used, "%s%s: %s: %s", mark, name, state, why);
    } else if (refused > 0) {
        (void)snprintf(text + used, TEXT_SIZE - used, "%s%s: %zu events refused", mark, name, refused);
    }
}

static void alert_events(const struct gr_feed *feed, struct gr_device *device, struct gr_bridge *bridge)
{
    char text[TEXT_SIZE] = "";
    size_t index;
    json_t *sources = gr_feed_event_sources(feed), *source;
    json_array_foreach(sources, index, source)
    {
        tell_source(source, text);
    }
    json_decref(sources);
    gr_device_alert(device, bridge, GR_ALERT_EVENTS, text[0] ? text : NULL, text);
}

void gr_alerts_publish(const struct gr_alert_call *call, struct gr_device *device, struct gr_bridge *bridge)
{
    bool kept = gr_keeper_is_well(call->keeper);
    alert_fault(call->decision, device, bridge);
    alert_inverter(call->decision, device, bridge);
    alert_rates(call, device, bridge);
    alert_events(call->feed, device, bridge);
    gr_device_alert(device, bridge, GR_ALERT_STORE, kept ? NULL : "store",
                    "the state folder cannot be written: a restart would forget");
}
