#include "config/slurp.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static int refuse(struct gr_error *error, const char *path, const char *why)
{
    return gr_error_set(error, GR_IO, "cannot read %.200s: %s", path, why);
}

static int take(char **out, size_t *length, int file, const char *path, size_t most, struct gr_error *error)
{
    struct stat status;
    if (fstat(file, &status) != 0) {
        return refuse(error, path, strerror(errno));
    }
    if (!S_ISREG(status.st_mode)) {
        return refuse(error, path, "it is no regular file");
    }
    char *bytes = malloc(most + 2);
    if (!bytes) {
        return gr_error_set(error, GR_NO_MEMORY, "out of memory");
    }
    size_t used = 0;
    ssize_t got = 1;
    while (used <= most && (got = read(file, bytes + used, most + 1 - used)) > 0) {
        used += (size_t)got;
    }
    if (got < 0 || used > most) {
        int code = gr_error_set(error, GR_IO, "cannot read %.200s: %s", path,
                                got < 0 ? strerror(errno) : "it is too long");
        free(bytes);
        return code;
    }
    bytes[used] = '\0';
    *out = bytes;
    *length = used;
    return GR_OK;
}

int gr_slurp(char **out, size_t *length, const char *path, size_t most, struct gr_error *error)
{
    int file = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    if (file < 0) {
        return refuse(error, path, strerror(errno));
    }
    int code = take(out, length, file, path, most, error);
    (void)close(file);
    return code;
}
