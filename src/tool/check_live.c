#include "tool/check_live.h"

#include "daemon/clock.h"
#include "granary/bridge.h"
#include "tool/tables.h"
#include "tool/watch.h"

#include <poll.h>
#include <stdlib.h>
#include <string.h>

struct look {
    const struct gr_config *config;
    struct gr_zone *zone;
    struct gr_bridge *bridge;
    struct gr_fetch *fetch;
    struct gr_tables *tables;
    struct gr_watch watches[GR_CHANNELS];
    bool reached; /* the broker, at least once */
    char trouble[200];
};

/* A client of our own beside a daemon that runs: it leaves no will and publishes nothing. */
static int connect_broker(struct look *look, struct gr_error *error)
{
    const char *filters[GR_CHANNELS];
    size_t count = 0;
    struct gr_mqtt mqtt = look->config->mqtt;
    (void)snprintf(mqtt.client_id, sizeof mqtt.client_id, "%.*s-check", (int)sizeof mqtt.client_id - 7,
                   look->config->mqtt.client_id);
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        if (look->config->inputs[channel].configured) {
            filters[count++] = look->config->inputs[channel].topic;
        }
    }
    return gr_bridge_create(&look->bridge, &mqtt, NULL, 0, filters, count, (uint64_t)gr_clock_mono_ms(),
                            error);
}

static void take_events(struct look *look)
{
    struct gr_bridge_event event;
    while (gr_bridge_next(look->bridge, &event)) {
        if (event.kind == GR_BRIDGE_UP) {
            look->reached = true;
            look->trouble[0] = '\0';
        }
        if (event.kind == GR_BRIDGE_MESSAGE) {
            gr_watch_note(look->watches, look->config, event.topic, event.payload, event.length,
                          event.retained, gr_clock_mono_ms());
        } else if (event.kind == GR_BRIDGE_DOWN || event.kind == GR_BRIDGE_TAKEN_OVER) {
            (void)snprintf(look->trouble, sizeof look->trouble, "%s", event.text);
        }
        gr_bridge_event_free(&event);
    }
}

static int look_around(struct look *look, int seconds, struct gr_error *error)
{
    int64_t end_ms = gr_clock_mono_ms() + (int64_t)seconds * 1000;
    unsigned pending = 1;
    gr_tables_start(look->tables, look->fetch);
    while (gr_clock_mono_ms() < end_ms && (pending > 0 || !gr_watch_enough(look->watches, look->config))) {
        struct curl_waitfd waitfd = {.fd = gr_bridge_fd(look->bridge), .events = CURL_WAIT_POLLIN};
        gr_bridge_step(look->bridge, gr_clock_mono_ms());
        int code = gr_fetch_wait(look->fetch, &waitfd, 1, 200, error);
        if (code != GR_OK) {
            return code;
        }
        take_events(look);
        pending = gr_tables_step(look->tables, look->fetch);
    }
    return GR_OK;
}

static unsigned print_broker(const struct look *look)
{
    const struct gr_mqtt *mqtt = &look->config->mqtt;
    if (look->reached) {
        printf("\nBroker, live\n  %s, port %d: reached%s%s\n", mqtt->host, mqtt->port,
               look->trouble[0] ? ", but: " : "", look->trouble);
        return look->trouble[0] != '\0';
    }
    printf("\nBroker, live\n  %s, port %d: not reached%s%s\n", mqtt->host, mqtt->port,
           look->trouble[0] ? ": " : "", look->trouble);
    return 1;
}

static int open_all(struct look *look, struct gr_error *error)
{
    int code = gr_zone_load(&look->zone, look->config->engine.site.timezone, error);
    if (code == GR_OK) {
        code = gr_fetch_create(&look->fetch, error);
    }
    if (code == GR_OK) {
        code = gr_tables_create(&look->tables, look->config, look->zone, gr_clock_read().utc_s);
    }
    return code == GR_OK ? connect_broker(look, error) : code;
}

static void close_all(struct look *look)
{
    gr_bridge_free(look->bridge, 1000);
    gr_tables_free(look->tables);
    if (look->fetch) {
        gr_fetch_free(look->fetch);
    }
    gr_zone_free(look->zone);
}

int gr_check_live(const struct gr_config *config, int seconds)
{
    struct gr_error error = {"out of memory"};
    unsigned wrong = 1;
    struct look *look = calloc(1, sizeof *look);
    if (!look) {
        fprintf(stderr, "granary check: %s\n", error.text);
        return 1;
    }
    look->config = config;
    if (open_all(look, &error) == GR_OK && look_around(look, seconds, &error) == GR_OK) {
        wrong = print_broker(look);
        wrong += gr_watch_print(stdout, look->watches, config, gr_clock_mono_ms());
        wrong += gr_tables_print(stdout, look->tables);
        printf("\n%s\n", wrong ? "Something is wrong; see above." : "Nothing is wrong.");
    } else {
        fprintf(stderr, "granary check: %s\n", error.text);
    }
    close_all(look);
    free(look);
    return wrong ? 1 : 0;
}
