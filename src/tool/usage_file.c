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

int gr_usage_take_car_out(struct gr_usage *usage, struct gr_blocks *out, struct gr_error *error)
{
    struct gr_series total = {
        .start_s = usage->start_s, .step_s = usage->step_s, .count = usage->count, .kw = usage->load_kw};
    *out = (struct gr_blocks){.count = 0};
    if (!usage->load_kw) {
        return GR_OK;
    }
    double *car_kw = malloc(usage->count * sizeof *car_kw);
    if (!car_kw) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory to look for a car");
    }
    int status = gr_blocks_separate(out, car_kw, &total, error);
    for (size_t i = 0; status == GR_OK && i < usage->count; i++) {
        usage->load_kw[i] -= car_kw[i];
    }
    free(car_kw);
    return status;
}
