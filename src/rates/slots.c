#include "slots.h"
#include "text.h"
#include "wall.h"

#include "granary/civil.h"

#include <math.h>
#include <stdlib.h>

/* Ten years of quarter-hours are a third of this. */
#define MOST_SLOTS 1000000
#define LONGEST_SLOT_S (366 * (int64_t)GR_DAY_S)

const char *gr_mapping_field(const struct gr_rate_mapping *mapping, int which)
{
    switch (which) {
    case GR_START:
        return mapping->start;
    case GR_END:
        return mapping->end;
    case GR_DURATION:
        return mapping->duration;
    default:
        return mapping->price;
    }
}

void gr_slots_free(struct gr_slots *slots)
{
    free(slots->slot);
    slots->slot = NULL;
    slots->count = slots->capacity = 0;
}

static int grow(struct gr_slots *slots, struct gr_error *error)
{
    if (slots->count >= MOST_SLOTS) {
        return gr_error_set(error, GR_INVALID, "more than %d slots", MOST_SLOTS);
    }
    if (slots->count < slots->capacity) {
        return GR_OK;
    }
    size_t capacity = slots->capacity > 0 ? 2 * slots->capacity : 128;
    struct gr_raw_slot *larger = realloc(slots->slot, capacity * sizeof *larger);
    if (!larger) {
        return gr_error_set(error, GR_NO_MEMORY, "out of memory");
    }
    slots->slot = larger;
    slots->capacity = capacity;
    return GR_OK;
}

static int read_moment(const struct gr_slots *slots, struct gr_moment *out, const struct gr_field *field,
                       bool is_end, struct gr_error *error)
{
    int rc = gr_field_moment(out, field, slots->mapping->start_is_local, error);
    return rc == GR_OK ? gr_wall_exists(slots->zone, field, out, is_end, error) : rc;
}

/* Until the start is resolved, end_s is the length of the slot; 0 up to the next start. */
static int read_length(const struct gr_slots *slots, struct gr_raw_slot *slot,
                       const struct gr_field fields[GR_FIELDS], struct gr_error *error)
{
    if (slots->mapping->end[0] != '\0') {
        slot->has_end = true;
        return read_moment(slots, &slot->end, &fields[GR_END], true, error);
    }
    if (slots->mapping->duration[0] != '\0') {
        return gr_field_duration(&slot->end_s, &fields[GR_DURATION], error);
    }
    slot->end_s = (int64_t)slots->mapping->slot_minutes * 60;
    return GR_OK;
}

static int read_price(const struct gr_slots *slots, double *out, const struct gr_field *field,
                      struct gr_error *error)
{
    const struct gr_rate_mapping *mapping = slots->mapping;
    double number = 0;
    int rc = gr_field_number(&number, field, error);
    if (rc != GR_OK) {
        return rc;
    }
    *out = number * mapping->scale * mapping->factor + mapping->add_per_kwh;
    return isfinite(*out) ? GR_OK : gr_field_refuse(field, "a price of finite size", error);
}

int gr_slots_add(struct gr_slots *slots, size_t list, const struct gr_field fields[GR_FIELDS],
                 struct gr_error *error)
{
    struct gr_raw_slot slot = {.list = list, .order = slots->count};
    int rc = read_moment(slots, &slot.start, &fields[GR_START], false, error);
    if (rc == GR_OK) {
        rc = read_length(slots, &slot, fields, error);
    }
    if (rc == GR_OK) {
        rc = read_price(slots, &slot.price_per_kwh, &fields[GR_PRICE], error);
    }
    if (rc == GR_OK) {
        rc = grow(slots, error);
    }
    if (rc == GR_OK) {
        slots->slot[slots->count++] = slot;
    }
    return rc;
}

/* ---- moments ---- */

static void resolve_starts(struct gr_slots *slots)
{
    for (size_t i = 0, end; i < slots->count; i = end) {
        for (end = i; end < slots->count && slots->slot[end].list == slots->slot[i].list;) {
            end++;
        }
        bool backwards = slots->slot[end - 1].start.s < slots->slot[i].start.s;
        int64_t previous = INT64_MIN;
        for (size_t k = i; k < end; k++) {
            struct gr_raw_slot *slot = &slots->slot[k];
            slot->start_s =
                gr_wall_resolve(slots->zone, &slot->start, backwards, previous, &slot->occurs_twice);
            previous = slot->start_s;
        }
    }
}

static int resolve_end(const struct gr_slots *slots, struct gr_raw_slot *slot, struct gr_error *error)
{
    char start[GR_MOMENT_SIZE], end[GR_MOMENT_SIZE];
    if (!slot->has_end) {
        slot->end_s = slot->end_s > 0 ? slot->start_s + slot->end_s : 0;
        return GR_OK;
    }
    slot->end_s = slot->end.s;
    if (slot->end.is_local) {
        slot->end_s = gr_zone_utc_s(slots->zone, slot->end.s, 0);
        if (slot->end_s <= slot->start_s) {
            slot->end_s = gr_zone_utc_s(slots->zone, slot->end.s, 1);
        }
    }
    if (slot->end_s > slot->start_s && slot->end_s - slot->start_s <= LONGEST_SLOT_S) {
        return GR_OK;
    }
    return gr_error_set(
        error, GR_INVALID,
        "the slot that starts at %s ends at %s; expected an end after the start, within 366 days",
        gr_text_moment(start, slots->zone, slot->start_s), gr_text_moment(end, slots->zone, slot->end_s));
}

/* ---- from slots to a table ---- */

static int compare_slots(const void *a, const void *b)
{
    const struct gr_raw_slot *x = a, *y = b;
    if (x->start_s != y->start_s) {
        return x->start_s < y->start_s ? -1 : 1;
    }
    return (x->order > y->order) - (x->order < y->order);
}

static int refuse_conflict(const struct gr_slots *slots, const struct gr_raw_slot *a,
                           const struct gr_raw_slot *b, struct gr_error *error)
{
    char first[GR_MOMENT_SIZE], second[GR_MOMENT_SIZE];
    return gr_error_set(
        error, GR_INVALID,
        "the slot that starts at %s (%.6g per kWh) overlaps the one that starts at %s (%.6g per kWh); "
        "expected one price for each moment",
        gr_text_moment(first, slots->zone, a->start_s), a->price_per_kwh,
        gr_text_moment(second, slots->zone, b->start_s), b->price_per_kwh);
}

static int drop_duplicates(struct gr_slots *slots, struct gr_error *error)
{
    size_t kept = 1;
    for (size_t i = 1; i < slots->count; i++) {
        const struct gr_raw_slot *last = &slots->slot[kept - 1], *slot = &slots->slot[i];
        if (slot->start_s != last->start_s) {
            slots->slot[kept++] = *slot;
        } else if (slot->end_s != last->end_s || slot->price_per_kwh != last->price_per_kwh) {
            return refuse_conflict(slots, last, slot, error);
        }
    }
    slots->count = kept;
    return GR_OK;
}

/* A reading that occurs twice but is listed once leaves open whether the price held for both. */
static int check_not_doubled(const struct gr_slots *slots, const struct gr_raw_slot *slot,
                             struct gr_error *error)
{
    char start[GR_MOMENT_SIZE];
    if (!slot->occurs_twice || slot->end_s <= gr_zone_utc_s(slots->zone, slot->start.s, 1)) {
        return GR_OK;
    }
    return gr_error_set(
        error, GR_INVALID,
        "the local time of %s occurs twice because the clock is put back, but is listed once; "
        "expected it twice, or times with their offset",
        gr_text_moment(start, slots->zone, slot->start_s));
}

static int fill_ends(struct gr_slots *slots, struct gr_error *error)
{
    size_t count = slots->count;
    if (count < 2) {
        return gr_error_set(
            error, GR_INVALID,
            "one slot only, and nothing tells how long it is; expected an end, a duration, or "
            "slot_minutes");
    }
    for (size_t i = 0; i < count; i++) {
        struct gr_raw_slot *slot = &slots->slot[i];
        slot->end_s = i + 1 < count ? slot[1].start_s : slot->start_s + slot[-1].end_s - slot[-1].start_s;
        int rc = check_not_doubled(slots, slot, error);
        if (rc != GR_OK) {
            return rc;
        }
    }
    return GR_OK;
}

/* "01:00 to 02:00" on the day when the clock is put back: two hours, unless the document lists that hour
 * twice. */
static void shorten_repeated(struct gr_slots *slots)
{
    for (size_t i = 0; i + 1 < slots->count; i++) {
        struct gr_raw_slot *slot = &slots->slot[i];
        int64_t by_wall_clock_s = slot->start_s + slot->end.s - slot->start.s;
        if (slot->occurs_twice && slot->has_end && slot->end.is_local && slot->end_s > slot[1].start_s &&
            by_wall_clock_s > slot->start_s && by_wall_clock_s <= slot[1].start_s) {
            slot->end_s = by_wall_clock_s;
        }
    }
}

static int check_overlaps(const struct gr_slots *slots, struct gr_error *error)
{
    for (size_t i = 1; i < slots->count; i++) {
        if (slots->slot[i - 1].end_s > slots->slot[i].start_s) {
            return refuse_conflict(slots, &slots->slot[i - 1], &slots->slot[i], error);
        }
    }
    return GR_OK;
}

static int write_table(const struct gr_slots *slots, struct gr_rate_table *out, struct gr_error *error)
{
    struct gr_rate *rates = malloc(slots->count * sizeof *rates);
    if (!rates) {
        return gr_error_set(error, GR_NO_MEMORY, "out of memory");
    }
    for (size_t i = 0; i < slots->count; i++) {
        const struct gr_raw_slot *slot = &slots->slot[i];
        rates[i] = (struct gr_rate){slot->start_s, slot->end_s, slot->price_per_kwh};
    }
    *out = (struct gr_rate_table){rates, slots->count};
    return GR_OK;
}

int gr_slots_finish(struct gr_slots *slots, struct gr_rate_table *out, struct gr_error *error)
{
    const struct gr_rate_mapping *mapping = slots->mapping;
    if (slots->count == 0) {
        return gr_error_set(error, GR_INVALID, "it holds no prices");
    }
    resolve_starts(slots);
    int rc = GR_OK;
    for (size_t i = 0; i < slots->count && rc == GR_OK; i++) {
        rc = resolve_end(slots, &slots->slot[i], error);
    }
    if (rc != GR_OK) {
        return rc;
    }
    qsort(slots->slot, slots->count, sizeof *slots->slot, compare_slots);
    rc = drop_duplicates(slots, error);
    if (rc == GR_OK && mapping->end[0] == '\0' && mapping->duration[0] == '\0' &&
        mapping->slot_minutes == 0) {
        rc = fill_ends(slots, error);
    }
    if (rc == GR_OK) {
        shorten_repeated(slots);
        rc = check_overlaps(slots, error);
    }
    return rc == GR_OK ? write_table(slots, out, error) : rc;
}
