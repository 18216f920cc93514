/* A configuration file, read as the daemon does, from memory. */
#include "fuzz/fuzz.h"

#include "granary/config.h"

#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

/* One file for all inputs, without a name of its own: the making and removal of files took longer than their
 * reading. */
static int put_into_file(const uint8_t *data, size_t size)
{
    static int fd = -1;
    if (fd < 0) {
        char name[] = "/tmp/granary-fuzz-XXXXXX";
        fd = mkstemp(name);
        (void)unlink(name);
    }
    return fd >= 0 && ftruncate(fd, 0) == 0 && pwrite(fd, data, size, 0) == (ssize_t)size ? fd : -1;
}

bool fuzz_take(const uint8_t *data, size_t size)
{
    static struct gr_config config;
    struct gr_complaints complaints = {0};
    char path[64];
    int fd = put_into_file(data, size);
    (void)snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
    bool good = fd >= 0 && gr_config_read(&config, path, &complaints) == GR_OK;
    gr_complaints_free(&complaints);
    return good;
}
