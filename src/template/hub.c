#include "granary/hub.h"

#include "granary/civil.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct gr_template_value text_value(const char *name, const char *text)
{
    return (struct gr_template_value){.name = name, .text = text ? text : ""};
}

static struct gr_template_value number_value(const char *name, double number)
{
    return (struct gr_template_value){.name = name, .number = number};
}

static struct gr_template_value raw_value(const char *name, const char *text)
{
    return (struct gr_template_value){.name = name, .text = text, .raw = true};
}

/* ---- actuate ---- */

/* + charges, - discharges; where the inverter follows the house by itself, the limit of the band. */
static double band_power_kw(const struct gr_command *command, const struct gr_battery *battery)
{
    struct gr_band band =
        gr_command_band(command->kind, command->power_kw, battery->charge_kw, battery->discharge_kw);
    return band.low_kw == band.high_kw ? band.low_kw : 0;
}

void gr_actuate_values(struct gr_template_value out[GR_ACTUATE_VALUES], struct gr_actuate_room *room,
                       const struct gr_command *command, const struct gr_battery *battery)
{
    struct gr_band band =
        gr_command_band(command->kind, command->power_kw, battery->charge_kw, battery->discharge_kw);
    const struct gr_template_value values[GR_ACTUATE_VALUES] = {
        text_value("command", gr_command_name(command->kind)),
        number_value("power_w", command->power_kw * 1000),
        number_value("battery_w", band_power_kw(command, battery) * 1000),
        number_value("most_charge_w", fmax(0, band.high_kw) * 1000),
        number_value("most_discharge_w", fmax(0, -band.low_kw) * 1000),
        number_value("target_percent", command->target_percent),
        text_value("issued", gr_rfc3339_format(room->issued, command->issued_s)),
        text_value("valid_until", gr_rfc3339_format(room->valid_until, command->valid_until_s)),
        number_value("valid_until_unix", (double)command->valid_until_s),
        number_value("valid_s", (double)(command->valid_until_s - command->issued_s)),
        text_value("reason", command->reason),
        number_value("sequence", (double)command->sequence)};
    memcpy(out, values, sizeof values);
}

/* ---- announce ---- */

const char *gr_announce_kind(const char *datatype)
{
    static const char *const kinds[][2] = {{"integer", "number"},  {"float", "number"},
                                           {"enum", "choice"},     {"boolean", "switch"},
                                           {"datetime", "moment"}, {"json", "document"}};
    for (size_t i = 0; datatype && i < sizeof kinds / sizeof *kinds; i++) {
        if (strcmp(kinds[i][0], datatype) == 0) {
            return kinds[i][1];
        }
    }
    return "text";
}

/* The words of an enum as a JSON array; they are ids and need no escapes. */
static void write_words(char *out, size_t size, const struct gr_announced *what)
{
    bool is_choice = what->datatype && strcmp(what->datatype, "enum") == 0 && what->format;
    size_t used = (size_t)snprintf(out, size, "[");
    const char *word = is_choice ? what->format : "";
    while (*word && used + strlen(word) + 8 < size) {
        size_t length = strcspn(word, ",");
        used +=
            (size_t)snprintf(out + used, size - used, "%s\"%.*s\"", used > 1 ? "," : "", (int)length, word);
        word += length + (word[length] == ',');
    }
    (void)snprintf(out + used, size - used, "]");
}

/* One end of "least:greatest"; NAN where it is open. */
static double read_end(const struct gr_announced *what, bool greatest)
{
    const char *colon = what->format ? strchr(what->format, ':') : NULL;
    const char *text = !colon ? "" : greatest ? colon + 1 : what->format;
    char *end;
    double number = strtod(text, &end);
    return colon && end != text ? number : (double)NAN;
}

void gr_announce_values(struct gr_template_value out[GR_ANNOUNCE_VALUES], struct gr_announce_room *room,
                        const struct gr_announced *what)
{
    (void)snprintf(room->id, sizeof room->id, "%s%s%s", what->property ? what->node : what->device,
                   what->property ? "-" : "", what->property ? what->property : "");
    (void)snprintf(room->state_topic, sizeof room->state_topic, "%s/%s/%s", what->root,
                   what->property ? what->node : "health", what->property ? what->property : "mode");
    (void)snprintf(room->set_topic, sizeof room->set_topic, "%s%s", what->settable ? room->state_topic : "",
                   what->settable ? "/set" : "");
    (void)snprintf(room->availability_topic, sizeof room->availability_topic, "%s/$state", what->root);
    write_words(room->words, sizeof room->words, what);
    const struct gr_template_value values[GR_ANNOUNCE_VALUES] = {
        text_value("device", what->device),
        text_value("site", what->site),
        text_value("root", what->root),
        text_value("node", what->node),
        text_value("property", what->property),
        text_value("id", room->id),
        text_value("name", what->name),
        text_value("kind", gr_announce_kind(what->datatype)),
        text_value("datatype", what->datatype),
        text_value("unit", what->unit),
        text_value("format", what->format),
        raw_value("words", room->words),
        number_value("least", read_end(what, false)),
        number_value("greatest", read_end(what, true)),
        raw_value("settable", what->settable ? "true" : "false"),
        text_value("state_topic", room->state_topic),
        text_value("set_topic", room->set_topic),
        text_value("availability_topic", room->availability_topic)};
    memcpy(out, values, sizeof values);
}

/* Whether a list of words with commas between them holds one; an empty list holds all. */
static bool list_holds(const char *list, const char *word)
{
    size_t length = strlen(word);
    if (!list[0]) {
        return true;
    }
    for (const char *at = list; *at; at += strcspn(at, ",") + (at[strcspn(at, ",")] == ',')) {
        at += strspn(at, " ");
        size_t found = strcspn(at, ", ");
        if (found == length && memcmp(at, word, length) == 0) {
            return true;
        }
    }
    return false;
}

bool gr_announce_wants(const struct gr_announce *entry, const struct gr_announced *what)
{
    if ((entry->of == GR_ANNOUNCE_PROPERTY) != (what->property != NULL)) {
        return false;
    }
    if (!what->property) {
        return true;
    }
    bool settable =
        entry->settable == GR_ANNOUNCE_ANY || (entry->settable == GR_ANNOUNCE_SETTABLE) == what->settable;
    return settable && list_holds(entry->kinds, gr_announce_kind(what->datatype)) &&
           list_holds(entry->nodes, what->node);
}
