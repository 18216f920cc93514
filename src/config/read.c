#include "config/form.h"
#include "config/slurp.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static void set_folder(struct gr_reader *reader)
{
    const char *slash = strrchr(reader->file, '/');
    if (!slash) {
        (void)snprintf(reader->folder, sizeof reader->folder, ".");
    } else {
        size_t length = slash == reader->file ? 1 : (size_t)(slash - reader->file);
        (void)snprintf(reader->folder, sizeof reader->folder, "%.*s", (int)length, reader->file);
    }
}

/* The file itself and, once each, the files it includes. The library keeps one string for each. */
static void scan_files(struct gr_reader *reader, const config_setting_t *setting, const char **last)
{
    const char *file = config_setting_source_file(setting);
    if (file && file != *last && strcmp(file, reader->file) != 0) {
        gr_scan_text(reader, file);
        *last = file;
    }
    for (int i = 0; config_setting_is_aggregate(setting) && i < config_setting_length(setting); i++) {
        scan_files(reader, config_setting_get_elem(setting, (unsigned)i), last);
    }
}

/* Wear beyond the dearest price would keep the battery idle for ever: it was given in hundredths. */
static void check_wear(struct gr_reader *reader, const config_setting_t *root, const struct gr_config *config)
{
    double dearest = -INFINITY;
    for (size_t i = 0; i < config->import_count; i++) {
        dearest = fmax(dearest, config->import[i].greatest_per_kwh);
    }
    double wear = config->engine.site.battery.wear_per_kwh;
    if (config->import_count > 0 && wear > dearest) {
        gr_complain(reader, config_setting_get_member(root, "battery"), "wear_per_kwh",
                    "found %.6g per kWh, more than the greatest plausible import price %.6g, which smells of "
                    "hundredths (%.6g?)",
                    wear, dearest, wear / 100);
    }
}

/* Reading our own topics would close a circle. */
static void check_circle(struct gr_reader *reader, const config_setting_t *root,
                         const struct gr_config *config)
{
    char own[2 * GR_NAME_SIZE + 8];
    const struct gr_outputs *outputs = &config->outputs;
    (void)snprintf(own, sizeof own, "%s/5/%s/", outputs->domain, outputs->device);
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        if (strncmp(config->inputs[channel].topic, own, strlen(own)) == 0) {
            const config_setting_t *inputs = config_setting_get_member(root, "inputs");
            gr_complain(reader, config_setting_get_member(inputs, gr_channel_name((enum gr_channel)channel)),
                        "topic", "found a topic that Granary itself publishes; allowed: one of the house");
        }
    }
}

static void read_root(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out)
{
    char none;
    const char *last = NULL;
    gr_scan_text(reader, reader->file);
    scan_files(reader, root, &last);
    gr_form_read(reader, root, (const struct gr_key *const[]){gr_root_keys, NULL}, &none);
    gr_site_read(reader, root, out);
    gr_planning_read(reader, root, out);
    gr_mqtt_read(reader, root, out);
    gr_inputs_read(reader, root, out);
    gr_rates_group_read(reader, root, out);
    gr_weather_read(reader, root, out);
    gr_event_sources_read(reader, root, out);
    gr_hub_read(reader, root, out);
    check_wear(reader, root, out);
    check_circle(reader, root, out);
}

static void complain_unreadable(struct gr_reader *reader)
{
    struct gr_error error = {"cannot read it"};
    char *text = NULL;
    size_t length = 0;
    (void)gr_slurp(&text, &length, reader->file, (size_t)1024 * 1024, &error);
    free(text);
    gr_complain_at(reader, reader->file, 0, "%s", error.text);
}

static void parse(struct gr_reader *reader, struct gr_config *out)
{
    config_t tree;
    config_init(&tree);
    config_set_include_dir(&tree, reader->folder);
    if (config_read_file(&tree, reader->file)) {
        read_root(reader, config_root_setting(&tree), out);
    } else {
        const char *file = config_error_file(&tree), *why = config_error_text(&tree);
        bool unreadable = config_error_type(&tree) == CONFIG_ERR_FILE_IO;
        if (unreadable) {
            complain_unreadable(reader);
        } else {
            gr_explain_syntax(reader, file ? file : reader->file, config_error_line(&tree),
                              why ? why : "syntax error");
        }
    }
    config_destroy(&tree);
}

int gr_config_read(struct gr_config *out, const char *file, struct gr_complaints *complaints)
{
    struct gr_reader reader = {.complaints = complaints, .file = file};
    struct gr_config *config = calloc(1, sizeof *config);
    if (!config) {
        return GR_NO_MEMORY;
    }
    int code = GR_INVALID;
    size_t before = complaints->count;
    set_folder(&reader);
    if (strlen(file) >= sizeof config->file) {
        gr_complain_at(&reader, file, 0, "the path is too long");
        goto out;
    }
    (void)snprintf(config->file, sizeof config->file, "%s", file);
    parse(&reader, config);
    if (reader.out_of_memory) {
        code = GR_NO_MEMORY;
    } else if (complaints->count == before) {
        *out = *config;
        code = GR_OK;
    }
out:
    gr_zone_free(reader.zone);
    free(config);
    return code;
}
