#include "daemon/inputs.h"

#include "daemon/log.h"

#include <inttypes.h>
#include <string.h>

size_t gr_inputs_filters(const struct gr_config *config, const char *out[GR_CHANNELS])
{
    size_t count = 0;
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        const struct gr_input *input = &config->inputs[channel];
        bool known = !input->configured;
        for (size_t i = 0; i < count && !known; i++) {
            known = strcmp(out[i], input->topic) == 0;
        }
        if (!known) {
            out[count++] = input->topic;
        }
    }
    return count;
}

static void refuse(struct gr_refusals *refusals, const char *topic, enum gr_channel channel,
                   const char *reason, const struct gr_moment *now)
{
    uint64_t count;
    if (gr_refusals_note(refusals, topic, reason, now->mono_ms, &count)) {
        gr_log(GR_LOG_WARNING,
               "inputs.%s: refused a message on %s (%" PRIu64 " since the last such line): %s",
               gr_channel_name(channel), topic, count, reason);
    }
}

bool gr_inputs_take(const struct gr_config *config, struct gr_engine *engine, struct gr_refusals *refusals,
                    const struct gr_bridge_event *message, const struct gr_moment *now)
{
    bool any = false;
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        const struct gr_input *input = &config->inputs[channel];
        struct gr_error error = {""};
        struct gr_event event = {.kind = GR_EVENT_READING, .at = *now};
        if (!input->configured || !gr_topic_matches(input->topic, message->topic)) {
            continue;
        }
        event.of.reading.channel = (enum gr_channel)channel;
        event.of.reading.retained = message->retained;
        if (message->oversized) {
            refuse(refusals, message->topic, (enum gr_channel)channel, "the payload is larger than 64 kB",
                   now);
        } else if (gr_payload_read(&event.of.reading.value, input, (enum gr_channel)channel,
                                   config->engine.site.battery.capacity_kwh, message->payload,
                                   message->length, &error) != GR_OK ||
                   gr_engine_handle(engine, &event, &error) != GR_OK) {
            refuse(refusals, message->topic, (enum gr_channel)channel, error.text, now);
        } else {
            any = true;
        }
    }
    return any;
}
