#include "tool/watch.h"

#include "bridge/text.h"
#include "granary/bridge.h"
#include "tool/balance.h"

#include <math.h>
#include <string.h>

#define ENOUGH_PAYLOADS 4
#define ENOUGH_MS 10000

static void take_live(struct gr_watch *watch, const char *shown, int64_t mono_ms)
{
    if (watch->live > 0) {
        watch->varied = watch->varied || strcmp(watch->payload, shown) != 0;
        int64_t gap_ms = mono_ms - watch->mono_ms;
        watch->greatest_gap_ms = gap_ms > watch->greatest_gap_ms ? gap_ms : watch->greatest_gap_ms;
    }
    watch->first_ms = watch->live > 0 ? watch->first_ms : mono_ms;
    watch->mono_ms = mono_ms;
    watch->live++;
}

static void note(struct gr_watch *watch, const struct gr_config *config, enum gr_channel channel,
                 const void *payload, size_t length, bool retained, int64_t mono_ms)
{
    char shown[GR_ESCAPED_SIZE];
    struct gr_error error = {""};
    gr_escape(shown, payload, length);
    if (retained) {
        watch->retained++;
    } else {
        take_live(watch, shown, mono_ms);
    }
    (void)snprintf(watch->payload, sizeof watch->payload, "%s", shown);
    watch->valued =
        gr_payload_read(&watch->value, &config->inputs[channel], channel,
                        config->engine.site.battery.capacity_kwh, payload, length, &error) == GR_OK;
    (void)snprintf(watch->refusal, sizeof watch->refusal, "%s", watch->valued ? "" : error.text);
}

void gr_watch_note(struct gr_watch watches[GR_CHANNELS], const struct gr_config *config, const char *topic,
                   const void *payload, size_t length, bool retained, int64_t mono_ms)
{
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        const struct gr_input *input = &config->inputs[channel];
        if (input->configured && gr_topic_matches(input->topic, topic)) {
            note(&watches[channel], config, (enum gr_channel)channel, payload, length, retained, mono_ms);
        }
    }
}

static bool is_power(int channel)
{
    return channel >= GR_BATTERY_POWER && channel <= GR_CAR_POWER;
}

static bool was_long_watched(const struct gr_watch *watch)
{
    return watch->live >= ENOUGH_PAYLOADS && watch->mono_ms - watch->first_ms >= ENOUGH_MS;
}

bool gr_watch_enough(const struct gr_watch watches[GR_CHANNELS], const struct gr_config *config)
{
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        bool enough = is_power(channel) ? was_long_watched(&watches[channel]) : watches[channel].live > 0;
        if (config->inputs[channel].configured && !enough) {
            return false;
        }
    }
    return true;
}

/* Standing still while another power moves. Zero may well stand still, as the sun does at night; so may a
 * battery that charges at a fixed power. */
static bool is_frozen(const struct gr_watch watches[GR_CHANNELS], int channel)
{
    const struct gr_watch *watch = &watches[channel];
    if (!is_power(channel) || channel == GR_BATTERY_POWER || watch->varied || !was_long_watched(watch) ||
        !watch->valued || watch->value == 0) {
        return false;
    }
    for (int other = 0; other < GR_CHANNELS; other++) {
        if (is_power(other) && watches[other].varied && was_long_watched(&watches[other])) {
            return true;
        }
    }
    return false;
}

/* A share of 1 % or less is rare, a ratio that is taken for percent is not. */
static bool looks_like_ratio(const struct gr_watch *watch, const struct gr_input *input,
                             enum gr_channel channel)
{
    return channel == GR_STATE_OF_CHARGE && input->unit == GR_UNIT_PERCENT && watch->value > 0 &&
           watch->value <= 1;
}

bool gr_watch_judge(const struct gr_watch watches[GR_CHANNELS], const struct gr_config *config,
                    enum gr_channel channel, char *verdict, size_t size)
{
    const struct gr_watch *watch = &watches[channel];
    const struct gr_input *input = &config->inputs[channel];
    double max_age_s = config->engine.safety.max_age_s[channel];
    bool thermometer = channel == GR_OUTDOOR_TEMPERATURE || channel == GR_BATTERY_TEMPERATURE;
    if (thermometer && watch->live == 0 && !watch->refusal[0]) {
        (void)snprintf(verdict, size, "not heard meanwhile, which a thermometer may take %g s for",
                       max_age_s);
        return true; /* no command waits for it */
    }
    if (watch->live == 0 && watch->retained == 0) {
        (void)snprintf(verdict, size, "missing: nothing came on this topic");
    } else if (watch->refusal[0]) {
        (void)snprintf(verdict, size, "refused: %s", watch->refusal);
    } else if (watch->live == 0) {
        (void)snprintf(verdict, size, "only retained: an old value of unknown age, its sender said nothing");
    } else if (looks_like_ratio(watch, input, channel)) {
        (void)snprintf(verdict, size, "wrong unit? it looks like a ratio from 0 to 1 (unit = \"ratio\")");
    } else if (is_frozen(watches, (int)channel)) {
        (void)snprintf(verdict, size, "frozen? %u payloads were the same while other powers moved",
                       watch->live);
    } else if ((double)watch->greatest_gap_ms > max_age_s * 1000) {
        (void)snprintf(verdict, size, "too rare: %.0f s passed between two payloads, max_age_s is %g",
                       (double)watch->greatest_gap_ms / 1000, max_age_s);
    } else {
        (void)snprintf(verdict, size, "good");
        return true;
    }
    return false;
}

static void print_row(FILE *stream, const struct gr_watch *watch, enum gr_channel channel, const char *topic,
                      const char *verdict, int64_t now_mono_ms)
{
    char value[32] = "-", age[32] = "-";
    if (watch->valued) {
        (void)snprintf(value, sizeof value, "%.3f %s", watch->value, gr_channel_unit(channel));
    }
    if (watch->live > 0) {
        (void)snprintf(age, sizeof age, "%.0f s", (double)(now_mono_ms - watch->mono_ms) / 1000);
    } else if (watch->retained > 0) {
        (void)snprintf(age, sizeof age, "retained");
    }
    fprintf(stream, "  %-19s%-32s %-24.24s %-13s %-9s %s\n", gr_channel_name(channel), topic,
            watch->live + watch->retained > 0 ? watch->payload : "-", value, age, verdict);
}

/* Only live values of the same half minute can be held against each other. */
static bool print_balance(FILE *stream, const struct gr_watch watches[GR_CHANNELS])
{
    double kw[GR_CHANNELS];
    char text[700];
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        const struct gr_watch *watch = &watches[channel];
        kw[channel] = is_power(channel) && watch->valued && watch->live > 0 ? watch->value : (double)NAN;
    }
    bool good = gr_balance_diagnose(kw, text, sizeof text);
    fprintf(stream, "\n  Balance: %s.\n",
            *text ? text : "cannot be drawn up without grid_power and battery_power");
    return good;
}

unsigned gr_watch_print(FILE *stream, const struct gr_watch watches[GR_CHANNELS],
                        const struct gr_config *config, int64_t now_mono_ms)
{
    unsigned wrong = 0;
    fprintf(stream, "\nInputs, live\n  %-19s%-32s %-24s %-13s %-9s %s\n", "channel", "topic", "payload",
            "value", "age", "verdict");
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        if (config->inputs[channel].configured) {
            char verdict[500];
            wrong += !gr_watch_judge(watches, config, (enum gr_channel)channel, verdict, sizeof verdict);
            print_row(stream, &watches[channel], (enum gr_channel)channel, config->inputs[channel].topic,
                      verdict, now_mono_ms);
        }
    }
    return wrong + !print_balance(stream, watches);
}
