#include "zone_data.h"

#include "granary/civil.h"

#include <stdio.h>
#include <stdlib.h>

int gr_zone_fixed(struct gr_zone **out, const char *name, int32_t offset_s, struct gr_error *error)
{
    if (offset_s < GR_LEAST_OFFSET_S || offset_s > GR_MOST_OFFSET_S) {
        return gr_error_set(error, GR_INVALID, "time zone %s: an offset of %d s is impossible", name,
                            (int)offset_s);
    }
    struct gr_zone *zone = calloc(1, sizeof *zone);
    if (!zone) {
        return gr_error_set(error, GR_NO_MEMORY, "time zone %s: out of memory", name);
    }
    (void)snprintf(zone->name, sizeof zone->name, "%s", name);
    (void)snprintf(zone->rule.standard_name, sizeof zone->rule.standard_name, "%.31s", name);
    zone->has_rule = true;
    zone->rule.standard_s = offset_s;
    *out = zone;
    return GR_OK;
}

void gr_zone_free(struct gr_zone *zone)
{
    if (zone) {
        free(zone->transitions);
        free(zone->types_after);
        free(zone->types);
        free(zone->names);
        free(zone);
    }
}

const char *gr_zone_name(const struct gr_zone *zone)
{
    return zone->name;
}

/* Number of transitions at or before the moment. */
static size_t count_transitions(const struct gr_zone *zone, int64_t utc_s)
{
    size_t low = 0, high = zone->transition_count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (zone->transitions[middle] <= utc_s) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    return low;
}

/* NULL where the rule holds. */
static const struct gr_zone_type *find_type(const struct gr_zone *zone, int64_t utc_s)
{
    size_t passed = count_transitions(zone, utc_s);
    if (zone->has_rule && passed == zone->transition_count) {
        return NULL;
    }
    return &zone->types[passed > 0 ? zone->types_after[passed - 1] : 0];
}

int32_t gr_zone_offset_s(const struct gr_zone *zone, int64_t utc_s)
{
    const struct gr_zone_type *type = find_type(zone, utc_s);
    if (type) {
        return type->offset_s;
    }
    return gr_posix_tz_is_summer(&zone->rule, utc_s) ? zone->rule.summer_s : zone->rule.standard_s;
}

const char *gr_zone_abbreviation(const struct gr_zone *zone, int64_t utc_s)
{
    const struct gr_zone_type *type = find_type(zone, utc_s);
    if (type) {
        return zone->names + type->name_at;
    }
    return gr_posix_tz_is_summer(&zone->rule, utc_s) ? zone->rule.summer_name : zone->rule.standard_name;
}

int64_t gr_zone_next_change_s(const struct gr_zone *zone, int64_t utc_s)
{
    size_t passed = count_transitions(zone, utc_s);
    if (passed < zone->transition_count) {
        return zone->transitions[passed];
    }
    return zone->has_rule ? gr_posix_tz_next_change_s(&zone->rule, utc_s) : INT64_MAX;
}

int64_t gr_zone_local_s(const struct gr_zone *zone, int64_t utc_s)
{
    return utc_s + gr_zone_offset_s(zone, utc_s);
}

/* Walks through the stretches of constant offset in which the reading could lie; each has at most one moment
 * that reads so, and where the clock at the beginning of a stretch is already past the reading, it was
 * skipped by the jump. */
int64_t gr_zone_utc_s(const struct gr_zone *zone, int64_t local_s, int second)
{
    int64_t begin = local_s - GR_MOST_OFFSET_S;
    bool found = false;
    int64_t moment = begin;
    while (begin <= local_s - GR_LEAST_OFFSET_S) {
        int64_t end = gr_zone_next_change_s(zone, begin);
        int64_t candidate = local_s - gr_zone_offset_s(zone, begin);
        if (!found && candidate < begin) {
            return begin;
        }
        if (candidate >= begin && candidate < end) {
            moment = candidate;
            if (found || !second) {
                break;
            }
            found = true;
        }
        begin = end;
    }
    return moment;
}

int64_t gr_zone_day_start_s(const struct gr_zone *zone, int64_t utc_s, int days)
{
    int64_t day = gr_civil_day(gr_zone_local_s(zone, utc_s)) + days;
    return gr_zone_utc_s(zone, day * GR_DAY_S, 0);
}
