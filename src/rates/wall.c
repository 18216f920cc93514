#include "wall.h"
#include "text.h"

int gr_wall_exists(const struct gr_zone *zone, const struct gr_field *field, const struct gr_moment *moment,
                   bool is_end, struct gr_error *error)
{
    char shown[GR_QUOTED_SIZE];
    if (!moment->is_local) {
        return GR_OK;
    }
    int64_t utc = gr_zone_utc_s(zone, moment->s, 0);
    if (gr_zone_local_s(zone, utc) == moment->s ||
        (is_end && gr_zone_local_s(zone, utc - 1) + 1 == moment->s)) {
        return GR_OK;
    }
    return gr_error_set(
        error, GR_INVALID,
        "%s, field %s: %s does not exist in %s, where the clock is put forward then; expected a time "
        "that exists",
        field->where, field->name, gr_text_quote(shown, field->text, field->length), gr_zone_name(zone));
}

int64_t gr_wall_resolve(const struct gr_zone *zone, const struct gr_moment *moment, bool backwards,
                        int64_t previous_s, bool *occurs_twice)
{
    *occurs_twice = false;
    if (!moment->is_local) {
        return moment->s;
    }
    int64_t first = gr_zone_utc_s(zone, moment->s, 0);
    int64_t second = gr_zone_utc_s(zone, moment->s, 1);
    bool between = previous_s >= first && previous_s <= second;
    int64_t meant = between == backwards ? first : second;
    *occurs_twice = first != second && meant == first;
    return meant;
}
