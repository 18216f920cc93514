#include "granary/config.h"

#include "granary/civil.h"

#include <string.h>

struct placeholder {
    const char *name;
    int value, digits;
};
#define PLACEHOLDERS 6

static void list_placeholders(const struct gr_zone *zone, int64_t utc_s, struct placeholder out[PLACEHOLDERS])
{
    struct gr_civil day = gr_civil_from_seconds(gr_zone_local_s(zone, utc_s));
    struct gr_civil next = day;
    next.day++;
    next = gr_civil_from_seconds(gr_civil_seconds(&next));
    const struct placeholder all[PLACEHOLDERS] = {
        {"{year}", day.year, 4},       {"{month}", day.month, 2},       {"{day}", day.day, 2},
        {"{next_year}", next.year, 4}, {"{next_month}", next.month, 2}, {"{next_day}", next.day, 2}};
    memcpy(out, all, sizeof all);
}

static const struct placeholder *placeholder_at(const struct placeholder *all, const char *pattern)
{
    for (size_t i = 0; i < PLACEHOLDERS; i++) {
        if (strncmp(pattern, all[i].name, strlen(all[i].name)) == 0) {
            return &all[i];
        }
    }
    return NULL;
}

int gr_fill_date(char *out, size_t size, const char *pattern, const struct gr_zone *zone, int64_t utc_s,
                 struct gr_error *error)
{
    struct placeholder all[PLACEHOLDERS];
    list_placeholders(zone, utc_s, all);
    size_t used = 0;
    for (const char *at = pattern; *at;) {
        const struct placeholder *found = *at == '{' ? placeholder_at(all, at) : NULL;
        if (*at == '{' && !found) {
            return gr_error_set(
                error, GR_INVALID,
                "found \"%.30s\"; allowed placeholders: {year} {month} {day} {next_year} {next_month} "
                "{next_day}",
                at);
        }
        size_t width = found ? (size_t)found->digits : 1;
        if (used + width >= size) {
            return gr_error_set(error, GR_INVALID,
                                "found a text that is longer than %zu bytes when its date is filled in",
                                size - 1);
        }
        if (found) {
            (void)snprintf(out + used, size - used, "%0*d", found->digits, found->value);
            at += strlen(found->name);
        } else {
            out[used] = *at++;
        }
        used += width;
    }
    out[used] = '\0';
    return GR_OK;
}
