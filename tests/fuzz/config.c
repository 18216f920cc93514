/* A configuration file, read as the daemon does, from memory. */
#include "fuzz/fuzz.h"

#include "granary/config.h"

#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct gr_complaints complaints = {0};
    struct gr_config *config = calloc(1, sizeof *config);
    char path[] = "/tmp/granary-fuzz-XXXXXX";
    int fd = mkstemp(path);
    if (config && fd >= 0 && write(fd, data, size) == (ssize_t)size) {
        (void)gr_config_read(config, path, &complaints);
    }
    if (fd >= 0) {
        (void)close(fd);
        (void)unlink(path);
    }
    gr_complaints_free(&complaints);
    free(config);
    return 0;
}
