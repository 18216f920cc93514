/* Time zones of the system's zoneinfo, for tests. */
#ifndef GRANARY_TESTS_ZONE_FILE_H
#define GRANARY_TESTS_ZONE_FILE_H

#include "granary/zone.h"

#include <stdio.h>

#define ZONE_FILE_SIZE 65536

/* Bytes read from /usr/share/zoneinfo/NAME; 0 where there is no such file. */
static inline size_t read_zone_file(unsigned char out[ZONE_FILE_SIZE], const char *name)
{
    char path[256];
    (void)snprintf(path, sizeof path, "/usr/share/zoneinfo/%s", name);
    FILE *file = fopen(path, "rb");
    if (!file) {
        return 0;
    }
    size_t length = fread(out, 1, ZONE_FILE_SIZE, file);
    (void)fclose(file);
    return length;
}

/* To be freed with gr_zone_free; NULL where it cannot be read. */
static inline struct gr_zone *load_zone(const char *name)
{
    unsigned char bytes[ZONE_FILE_SIZE];
    struct gr_error error = {""};
    struct gr_zone *zone = NULL;
    size_t length = read_zone_file(bytes, name);
    if (gr_zone_parse(&zone, name, bytes, length, &error) != GR_OK) {
        (void)fprintf(stderr, "%s\n", error.text);
        return NULL;
    }
    return zone;
}

#endif
