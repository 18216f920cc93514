/* Group mqtt. */
#include "config/form.h"

#include <ctype.h>
#include <inttypes.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <systemd/sd-id128.h>

static const struct gr_guess milliseconds[] = {{"milliseconds", 0.001, 0}, {NULL, 0, 0}};
static const int protocols[] = {5, 4, 0};

#define MQTT(member) offsetof(struct gr_mqtt, member)

const struct gr_key gr_mqtt_keys[] = {
    {.name = "host",
     .kind = GR_KEY_TEXT,
     .offset = MQTT(host),
     .size = 256,
     .required = true,
     .about = "name or address of the broker, without a scheme and without the port"},
    {.name = "port",
     .kind = GR_KEY_WHOLE,
     .offset = MQTT(port),
     .least = 1,
     .greatest = 65535,
     .standard_text = "1883, with TLS 8883",
     .about = "TCP port of the broker"},
    {.name = "protocol",
     .kind = GR_KEY_WHOLE,
     .offset = MQTT(protocol),
     .standard = 5,
     .choices = protocols,
     .about = "5 is MQTT 5 (falls back where the broker refuses it), 4 is MQTT 3.1.1"},
    {.name = "client_id",
     .kind = GR_KEY_TEXT,
     .offset = MQTT(client_id),
     .size = GR_NAME_SIZE - 8,
     .standard_text = "made from this machine's id, the site's name and the device",
     .about = "must be unlike that of every other client of the broker"},
    {.name = "user",
     .kind = GR_KEY_TEXT,
     .offset = MQTT(user),
     .size = 256,
     .about = "user name at the broker"},
    {.name = "password_file",
     .kind = GR_KEY_TEXT,
     .offset = MQTT(password_file),
     .size = GR_PATH_SIZE,
     .about = "file that holds the password and nothing else, or the name of a systemd credential"},
    {.name = "allow_plaintext",
     .kind = GR_KEY_BOOLEAN,
     .offset = MQTT(allow_plaintext),
     .standard = 0,
     .about = "set to true to send user and password unencrypted to another machine"},
    {.name = "tls",
     .kind = GR_KEY_BOOLEAN,
     .offset = MQTT(tls),
     .standard = 0,
     .about = "encrypt the connection and check who the broker is"},
    {.name = "ca_file",
     .kind = GR_KEY_TEXT,
     .offset = MQTT(ca_file),
     .size = GR_PATH_SIZE,
     .standard_text = "the system's authorities",
     .about = "PEM file of the authority that vouches for the broker"},
    {.name = "certificate_file",
     .kind = GR_KEY_TEXT,
     .offset = MQTT(certificate_file),
     .size = GR_PATH_SIZE,
     .about = "PEM file with our own certificate, where the broker asks for one"},
    {.name = "key_file",
     .kind = GR_KEY_TEXT,
     .offset = MQTT(key_file),
     .size = GR_PATH_SIZE,
     .about = "PEM file with the key of our certificate"},
    {.name = "keep_alive_s",
     .kind = GR_KEY_WHOLE,
     .offset = MQTT(keep_alive_s),
     .unit = "s",
     .least = 5,
     .greatest = 60,
     .standard = 10,
     .guesses = milliseconds,
     .about = "after one and a half times this silence the broker publishes the safe command"},
    {.name = NULL}};

static bool is_loopback(const char *host)
{
    return strcmp(host, "localhost") == 0 || strcmp(host, "::1") == 0 || strncmp(host, "127.", 4) == 0;
}

/* A host name or a numeric address. Two colons at least make an IPv6 address, one would be a port. */
static void check_host(struct gr_reader *reader, const config_setting_t *group, const struct gr_mqtt *mqtt)
{
    const char *colon = strchr(mqtt->host, ':');
    if (strstr(mqtt->host, "://") || strchr(mqtt->host, '/')) {
        gr_complain(
            reader, group, "host",
            "found \"%s\"; allowed: only the name or address, without a scheme (tls = true asks for TLS)",
            mqtt->host);
    } else if (colon && !strchr(colon + 1, ':')) {
        gr_complain(reader, group, "host",
                    "found \"%s\"; allowed: only the name or address, the port goes to mqtt.port",
                    mqtt->host);
    } else if (mqtt->host[strcspn(mqtt->host, " \t[]@")] != '\0') {
        gr_complain(reader, group, "host", "found \"%s\"; allowed: a name like broker.example or an address",
                    mqtt->host);
    }
}

static void check_tls(struct gr_reader *reader, const config_setting_t *group, const struct gr_mqtt *mqtt)
{
    static const char *const files[] = {"ca_file", "certificate_file", "key_file"};
    for (size_t i = 0; !mqtt->tls && i < sizeof files / sizeof *files; i++) {
        if (gr_given(group, files[i])) {
            gr_complain(reader, group, files[i], "found without tls = true; allowed: only with it");
        }
    }
    if ((mqtt->certificate_file[0] != '\0') != (mqtt->key_file[0] != '\0')) {
        gr_complain(reader, group, mqtt->key_file[0] ? "certificate_file" : "key_file",
                    "missing; a certificate needs its key and a key its certificate");
    }
}

static void check_login(struct gr_reader *reader, const config_setting_t *group, const struct gr_mqtt *mqtt)
{
    if (mqtt->password_file[0] && !mqtt->user[0]) {
        gr_complain(reader, group, "user", "missing; a password_file needs a user");
    }
    if (mqtt->user[0] && mqtt->host[0] && !mqtt->tls && !mqtt->allow_plaintext && !is_loopback(mqtt->host)) {
        gr_complain(reader, group, "tls",
                    "found user and password without encryption to %s; allowed: tls = true, or "
                    "allow_plaintext = true on a "
                    "network that you trust",
                    mqtt->host);
    }
}

static void check_files(struct gr_reader *reader, const config_setting_t *group, struct gr_mqtt *mqtt)
{
    struct {
        const char *key;
        char *path;
    } files[] = {{"ca_file", mqtt->ca_file},
                 {"certificate_file", mqtt->certificate_file},
                 {"key_file", mqtt->key_file}};
    for (size_t i = 0; i < sizeof files / sizeof *files; i++) {
        gr_resolve_path(reader, group, files[i].key, files[i].path, false);
        gr_need_file(reader, group, files[i].key, files[i].path);
    }
    gr_resolve_path(reader, group, "password_file", mqtt->password_file, true);
    gr_need_secret(reader, group, "password_file", mqtt->password_file);
}

/* FNV-1a (Fowler, Noll, Vo), 64 bits. */
static uint64_t mix(uint64_t hash, const void *bytes, size_t length)
{
    for (size_t i = 0; i < length; i++) {
        hash = (hash ^ ((const unsigned char *)bytes)[i]) * UINT64_C(1099511628211);
    }
    return hash;
}

/* The machine's id is confidential, so only a keyed hash of it leaves the machine. 20 characters: every
 * broker takes 23. */
static void make_client_id(struct gr_config *config)
{
    static const sd_id128_t ours = {.bytes = {0x5f, 0x1c, 0x0e, 0x7a, 0x93, 0xd2, 0x4b, 0x68, 0xa1, 0x07,
                                              0x3e, 0xc4, 0x59, 0x8d, 0x20, 0xb6}};
    sd_id128_t machine;
    if (sd_id128_get_machine_app_specific(ours, &machine) < 0) {
        machine = ours;
    }
    uint64_t hash = mix(UINT64_C(14695981039346656037), &machine, sizeof machine);
    hash = mix(hash, config->engine.site.name, strlen(config->engine.site.name) + 1);
    hash = mix(hash, config->outputs.device, strlen(config->outputs.device));
    (void)snprintf(config->mqtt.client_id, sizeof config->mqtt.client_id, "granary-%012" PRIx64,
                   hash & UINT64_C(0xffffffffffff));
}

void gr_mqtt_read(struct gr_reader *reader, const config_setting_t *root, struct gr_config *out)
{
    const config_setting_t *group = gr_group_member(reader, root, "mqtt", true);
    if (!group) {
        return;
    }
    struct gr_mqtt *mqtt = &out->mqtt;
    gr_form_read(reader, group, (const struct gr_key *const[]){gr_mqtt_keys, NULL}, mqtt);
    if (mqtt->port == 0) {
        mqtt->port = mqtt->tls ? 8883 : 1883;
    }
    check_host(reader, group, mqtt);
    check_tls(reader, group, mqtt);
    check_login(reader, group, mqtt);
    check_files(reader, group, mqtt);
    if (!mqtt->client_id[0]) {
        make_client_id(out);
    }
}

int gr_mqtt_read_text(struct gr_mqtt *out, const char *text, struct gr_complaints *complaints)
{
    struct gr_reader reader = {.complaints = complaints, .file = "command line", .folder = "."};
    struct gr_config *config = calloc(1, sizeof *config);
    size_t before = complaints->count;
    if (!config) {
        return GR_NO_MEMORY;
    }
    config_t tree;
    config_init(&tree);
    if (config_read_string(&tree, text)) {
        gr_mqtt_read(&reader, config_root_setting(&tree), config);
    } else {
        gr_complain_at(&reader, reader.file, 0, "mqtt: %s", config_error_text(&tree));
    }
    *out = config->mqtt;
    config_destroy(&tree);
    free(config);
    return reader.out_of_memory ? GR_NO_MEMORY : complaints->count == before ? GR_OK : GR_INVALID;
}
