#include "tool/usage_file.h"
#include "config/slurp.h"

#include <stdlib.h>

#define MOST_BYTES ((size_t)64 * 1024 * 1024)

int gr_usage_load(struct gr_usage *out, const struct gr_usage_mapping *mapping, const struct gr_zone *zone,
                  const char *path, struct gr_usage_report *report, struct gr_error *error)
{
    char *bytes = NULL;
    size_t length = 0;
    struct gr_error why = {""};
    int rc = gr_slurp(&bytes, &length, path, MOST_BYTES, error);
    if (rc != GR_OK) {
        return rc;
    }
    rc = gr_usage_read(out, mapping, zone, bytes, length, report, &why);
    free(bytes);
    return rc == GR_OK ? GR_OK : gr_error_set(error, rc, "%.120s: %.270s", path, why.text);
}
