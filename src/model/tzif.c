/* TZif files, RFC 8536: a header, a block of 32-bit times and, from version 2 on, a second header, a block of
 * 64-bit times and a footer. */
#include "zone_data.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HEADER_SIZE 44
#define TYPE_SIZE 6

struct header {
    char version; /* 0 for version 1, else '2', '3', '4' */
    uint32_t ut_count, standard_count, leap_count, time_count, type_count, name_bytes;
};

static uint32_t read_u32(const unsigned char *at)
{
    return (uint32_t)at[0] << 24 | (uint32_t)at[1] << 16 | (uint32_t)at[2] << 8 | at[3];
}

static int32_t read_i32(const unsigned char *at)
{
    int64_t value = read_u32(at);
    return (int32_t)(value > INT32_MAX ? value - (INT64_C(1) << 32) : value);
}

static int64_t read_i64(const unsigned char *at)
{
    uint64_t value = (uint64_t)read_u32(at) << 32 | read_u32(at + 4);
    return value > INT64_MAX ? -(int64_t)(UINT64_MAX - value) - 1 : (int64_t)value;
}

/* NULL, or what is wrong. */
static const char *read_header(struct header *out, const unsigned char *bytes, uint64_t length)
{
    if (length < HEADER_SIZE || memcmp(bytes, "TZif", 4) != 0) {
        return "no TZif header";
    }
    out->version = (char)bytes[4];
    if (out->version != '\0' && (out->version < '2' || out->version > '4')) {
        return "a TZif version other than 1 to 4";
    }
    out->ut_count = read_u32(bytes + 20);
    out->standard_count = read_u32(bytes + 24);
    out->leap_count = read_u32(bytes + 28);
    out->time_count = read_u32(bytes + 32);
    out->type_count = read_u32(bytes + 36);
    out->name_bytes = read_u32(bytes + 40);
    return NULL;
}

static uint64_t block_size(const struct header *header, unsigned time_size)
{
    return (uint64_t)header->time_count * (time_size + 1) + (uint64_t)header->type_count * TYPE_SIZE +
           header->name_bytes + (uint64_t)header->leap_count * (time_size + 4) + header->standard_count +
           header->ut_count;
}

static const char *check_counts(const struct header *header, uint64_t length, unsigned time_size)
{
    if (block_size(header, time_size) > length) {
        return "fewer bytes than the header promises";
    }
    if (header->type_count == 0 || header->type_count > 256 || header->name_bytes == 0 ||
        header->name_bytes > 65536) {
        return "an impossible number of local time types";
    }
    return header->leap_count > 0 ? "leap seconds, which Unix time has not" : NULL;
}

static int allocate(struct gr_zone *zone, const struct header *header)
{
    zone->transition_count = header->time_count;
    zone->type_count = header->type_count;
    zone->transitions = calloc((size_t)header->time_count + 1, sizeof *zone->transitions);
    zone->types_after = calloc((size_t)header->time_count + 1, 1);
    zone->types = calloc(header->type_count, sizeof *zone->types);
    zone->names = calloc(header->name_bytes, 1);
    return zone->transitions && zone->types_after && zone->types && zone->names ? GR_OK : GR_NO_MEMORY;
}

static const char *copy_transitions(struct gr_zone *zone, const unsigned char *times,
                                    const unsigned char *indices, unsigned time_size)
{
    for (size_t i = 0; i < zone->transition_count; i++) {
        const unsigned char *at = times + i * time_size;
        zone->transitions[i] = time_size == 8 ? read_i64(at) : read_i32(at);
        zone->types_after[i] = indices[i];
        if (i > 0 && zone->transitions[i] <= zone->transitions[i - 1]) {
            return "transitions out of order";
        }
        if (indices[i] >= zone->type_count) {
            return "a transition to a local time type that is not there";
        }
    }
    return NULL;
}

static const char *copy_types(struct gr_zone *zone, const unsigned char *types, uint32_t name_bytes)
{
    for (size_t i = 0; i < zone->type_count; i++) {
        const unsigned char *at = types + i * TYPE_SIZE;
        zone->types[i] = (struct gr_zone_type){read_i32(at), at[5]};
        if (zone->types[i].offset_s < GR_LEAST_OFFSET_S || zone->types[i].offset_s > GR_MOST_OFFSET_S) {
            return "an impossible offset from UTC";
        }
        if (at[5] >= name_bytes) {
            return "an abbreviation that is not there";
        }
    }
    return NULL;
}

static const char *copy_block(struct gr_zone *zone, const struct header *header, const unsigned char *block,
                              unsigned time_size)
{
    const unsigned char *indices = block + (size_t)header->time_count * time_size;
    const unsigned char *types = indices + header->time_count;
    const unsigned char *names = types + (size_t)header->type_count * TYPE_SIZE;
    memcpy(zone->names, names, header->name_bytes);
    if (zone->names[header->name_bytes - 1] != '\0') {
        return "an abbreviation without end";
    }
    const char *wrong = copy_transitions(zone, block, indices, time_size);
    return wrong ? wrong : copy_types(zone, types, header->name_bytes);
}

static const char *read_footer(struct gr_zone *zone, const unsigned char *footer, uint64_t length)
{
    const unsigned char *end = length > 1 ? memchr(footer + 1, '\n', (size_t)(length - 1)) : NULL;
    if (!end || footer[0] != '\n') {
        return "no footer";
    }
    size_t text_length = (size_t)(end - footer - 1);
    if (text_length == 0) {
        return NULL;
    }
    if (gr_posix_tz_parse(&zone->rule, (const char *)footer + 1, text_length) != GR_OK) {
        return "a footer that is no POSIX TZ string";
    }
    zone->has_rule = true;
    return NULL;
}

/* Skips the 32-bit block where a 64-bit one follows. */
static const char *find_block(struct header *header, const unsigned char **bytes, uint64_t *length)
{
    const char *wrong = read_header(header, *bytes, *length);
    if (wrong) {
        return wrong;
    }
    if (header->version != '\0') {
        uint64_t skip = HEADER_SIZE + block_size(header, 4);
        if (skip > *length) {
            return "fewer bytes than the header promises";
        }
        *bytes += skip;
        *length -= skip;
        wrong = read_header(header, *bytes, *length);
        if (wrong) {
            return wrong;
        }
    }
    *bytes += HEADER_SIZE;
    *length -= HEADER_SIZE;
    return check_counts(header, *length, header->version == '\0' ? 4 : 8);
}

int gr_zone_parse(struct gr_zone **out, const char *name, const void *tzif, size_t length,
                  struct gr_error *error)
{
    int rc = GR_NO_MEMORY;
    const char *wrong = "no memory for it";
    const unsigned char *bytes = tzif;
    uint64_t left = length;
    struct header header;
    struct gr_zone *zone = calloc(1, sizeof *zone);
    if (!zone) {
        goto out;
    }
    (void)snprintf(zone->name, sizeof zone->name, "%s", name);
    rc = GR_INVALID;
    wrong = find_block(&header, &bytes, &left);
    if (wrong) {
        goto out;
    }
    rc = allocate(zone, &header);
    if (rc != GR_OK) {
        wrong = "no memory for it";
        goto out;
    }
    unsigned time_size = header.version == '\0' ? 4 : 8;
    wrong = copy_block(zone, &header, bytes, time_size);
    if (!wrong && time_size == 8) {
        uint64_t skip = block_size(&header, 8);
        wrong = read_footer(zone, bytes + skip, left - skip);
    }
    rc = wrong ? GR_INVALID : GR_OK;
out:
    if (rc == GR_OK) {
        *out = zone;
        return rc;
    }
    gr_zone_free(zone);
    return gr_error_set(error, rc, "time zone %.63s: found %s", name, wrong);
}
