#include "daemon/appliance.h"

#include "config/json_text.h"
#include "granary/civil.h"

#include <jansson.h>
#include <math.h>
#include <stdlib.h>

/* The next moment at which the wall clock shows ready_by and a run that begins now has ended. */
static int64_t find_ready_by(const struct gr_appliance *appliance, const struct gr_zone *zone, int64_t now_s)
{
    int64_t length_s = llround(appliance->hours * 3600);
    int64_t ready_by_s = now_s + GR_DAY_S + length_s;
    for (int day = 0; day < 3 && appliance->ready_by_minute >= 0; day++) {
        int64_t midnight_s = gr_zone_local_s(zone, gr_zone_day_start_s(zone, now_s, day));
        ready_by_s = gr_zone_utc_s(
            zone, midnight_s - midnight_s % GR_DAY_S + (int64_t)appliance->ready_by_minute * 60, 0);
        if (ready_by_s >= now_s + length_s) {
            break;
        }
    }
    return ready_by_s;
}

static json_t *write_choice(const struct gr_appliance *appliance, const struct gr_run_choice *choice)
{
    char start[GR_RFC3339_SIZE], end[GR_RFC3339_SIZE];
    return json_pack("{s:s, s:s, s:f, s:f, s:f}", "start", gr_rfc3339_format(start, choice->start_s), "end",
                     gr_rfc3339_format(end, choice->start_s + llround(appliance->hours * 3600)), "power_kw",
                     appliance->kw, "cost", choice->cost, "cost_now", choice->cost_now);
}

void gr_appliances_publish(const struct gr_config *config, const struct gr_engine *engine,
                           const struct gr_zone *zone, struct gr_device *device, struct gr_bridge *bridge,
                           int64_t now_s)
{
    for (size_t i = 0; i < config->appliance_count; i++) {
        const struct gr_appliance *appliance = &config->appliances[i];
        const struct gr_run run = {.kw = appliance->kw,
                                   .hours = appliance->hours,
                                   .earliest_s = now_s,
                                   .ready_by_s = find_ready_by(appliance, zone, now_s)};
        struct gr_run_choice choice;
        struct gr_error error = {""};
        json_t *document = gr_engine_run(engine, &run, &choice, &error) == GR_OK
                               ? write_choice(appliance, &choice)
                               : json_pack("{s:s}", "reason", error.text);
        char *text = gr_json_text(document, JSON_COMPACT | JSON_REAL_PRECISION(5));
        if (text) {
            gr_device_update_appliance(device, bridge, i, text);
        }
        free(text);
        json_decref(document);
    }
}
