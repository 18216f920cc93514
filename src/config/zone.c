#include "granary/config.h"

#include "config/slurp.h"

#include <stdlib.h>
#include <string.h>

static const char zone_folder[] = "/usr/share/zoneinfo/";
#define MOST_ZONE_BYTES ((size_t)256 * 1024)

/* Names come from the configuration: they must not leave the folder. */
static bool is_zone_name(const char *name)
{
    static const char allowed[] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_+-/";
    size_t length = strlen(name);
    return length > 0 && length < GR_NAME_SIZE && name[0] != '/' && name[length - 1] != '/' &&
           strspn(name, allowed) == length;
}

int gr_zone_load(struct gr_zone **out, const char *name, struct gr_error *error)
{
    char path[sizeof zone_folder + GR_NAME_SIZE];
    if (!is_zone_name(name)) {
        return gr_error_set(error, GR_INVALID, "found \"%.60s\"; allowed: a zone name like \"Europe/Lisbon\"",
                            name);
    }
    (void)snprintf(path, sizeof path, "%s%s", zone_folder, name);
    char *bytes = NULL;
    size_t length = 0;
    int code = gr_slurp(&bytes, &length, path, MOST_ZONE_BYTES, NULL);
    if (code != GR_OK) {
        return code == GR_NO_MEMORY
                   ? code
                   : gr_error_set(error, GR_NOT_FOUND,
                                  "found \"%s\", which is no zone in %s (is the package tzdata installed?); "
                                  "allowed: a name like \"Europe/Lisbon\"",
                                  name, zone_folder);
    }
    code = gr_zone_parse(out, name, bytes, length, error);
    free(bytes);
    return code;
}
