#include "read.h"
#include "text.h"

#include <math.h>

static int check_mapping(const struct gr_rate_mapping *mapping, const struct gr_zone *zone,
                         struct gr_error *error)
{
    if (mapping->start[0] == '\0' || mapping->price[0] == '\0') {
        return gr_error_set(error, GR_INVALID, "the mapping names no %s",
                            mapping->start[0] == '\0' ? "start" : "price");
    }
    if (!(mapping->scale > 0) || !isfinite(mapping->scale) || !(mapping->factor > 0) ||
        !isfinite(mapping->factor) || !isfinite(mapping->add_per_kwh)) {
        return gr_error_set(
            error, GR_INVALID,
            "the mapping's scale %g and factor %g must be above 0, and its addition %g finite",
            mapping->scale, mapping->factor, mapping->add_per_kwh);
    }
    if (mapping->slot_minutes < 0 || mapping->slot_minutes > 366 * 24 * 60) {
        return gr_error_set(error, GR_INVALID, "the mapping's slot_minutes are %d, expected 0 to %d",
                            mapping->slot_minutes, 366 * 24 * 60);
    }
    if (mapping->start_is_local && !zone) {
        return gr_error_set(error, GR_INVALID, "the mapping has local times, but no time zone is known");
    }
    return GR_OK;
}

int gr_rates_read(struct gr_rate_table *out, const struct gr_rate_mapping *mapping,
                  const struct gr_zone *zone, const void *bytes, size_t length, struct gr_error *error)
{
    struct gr_slots slots = {.mapping = mapping, .zone = zone};
    const char *text = bytes;
    int rc = check_mapping(mapping, zone, error);
    if (rc != GR_OK) {
        return rc;
    }
    gr_text_skip_mark(&text, &length);
    rc = mapping->format == GR_RATES_CSV ? gr_read_csv(&slots, text, length, error)
                                         : gr_read_json(&slots, text, length, error);
    if (rc == GR_OK) {
        rc = gr_slots_finish(&slots, out, error);
    }
    gr_slots_free(&slots);
    return rc;
}
