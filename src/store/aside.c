#include "granary/civil.h"
#include "store/parts.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char *const endings[] = {"-wal", "-shm", ""}; /* the file last: see gr_store_set_aside */

#define ENDINGS (sizeof endings / sizeof endings[0])
#define NAME_SIZE 4200

static bool names_are_free(const char *base)
{
    char name[NAME_SIZE];
    for (size_t i = 0; i < ENDINGS; i++) {
        (void)snprintf(name, sizeof name, "%s%s", base, endings[i]);
        if (access(name, F_OK) == 0) {
            return false;
        }
    }
    return true;
}

/* "FILE.bad-20261125T090419Z", or with a number after it where that is taken. */
static bool choose_name(char out[NAME_SIZE], const char *file, int64_t now_s)
{
    struct gr_civil at = gr_civil_from_seconds(now_s);
    for (int i = 0; i < 100; i++) {
        int length = snprintf(out, NAME_SIZE - 8, "%s.bad-%04d%02d%02dT%02d%02d%02dZ", file, at.year,
                              at.month, at.day, at.hour, at.minute, at.second);
        if (length < 0 || length >= NAME_SIZE - 8) {
            return false;
        }
        if (i > 0) {
            (void)snprintf(out + length, 8, "-%d", i);
        }
        if (names_are_free(out)) {
            return true;
        }
    }
    return false;
}

int gr_store_set_aside(const char *file, int64_t now_s, const char *why, struct gr_error *error)
{
    char base[NAME_SIZE], from[NAME_SIZE], to[NAME_SIZE];
    if (!choose_name(base, file, now_s)) {
        return gr_error_set(error, GR_IO,
                            "store %.150s is damaged and there is no free name to keep it under", file);
    }
    /* The log goes first: a log left beside a new file could be replayed into it. */
    for (size_t i = 0; i < ENDINGS; i++) {
        (void)snprintf(from, sizeof from, "%s%s", file, endings[i]);
        (void)snprintf(to, sizeof to, "%s%s", base, endings[i]);
        if (rename(from, to) != 0 && errno != ENOENT) {
            return gr_error_set(error, GR_IO, "store %.150s is damaged and cannot be renamed: %s", file,
                                strerror(errno));
        }
    }
    return gr_error_set(error, GR_OK, "store %.120s was damaged (%.100s): kept as %.140s, begun anew", file,
                        why, base);
}
