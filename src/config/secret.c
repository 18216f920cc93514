#include "granary/config.h"

#include "config/slurp.h"

#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define MOST_SECRET_BYTES ((size_t)64 * 1024)

/* Where systemd has put the credential of that name; false where there is none. */
static bool credential_path(char *out, size_t size, const char *name)
{
    const char *folder = getenv("CREDENTIALS_DIRECTORY");
    if (!folder || strchr(name, '/') || name[0] == '.') {
        return false;
    }
    struct stat status;
    int length = snprintf(out, size, "%s/%s", folder, name);
    return length > 0 && (size_t)length < size && stat(out, &status) == 0;
}

int gr_secret_read(char **out, const char *name, struct gr_error *error)
{
    char path[2 * GR_PATH_SIZE];
    bool is_credential = credential_path(path, sizeof path, name);
    if (!is_credential) {
        (void)snprintf(path, sizeof path, "%s", name);
    }
    char *text = NULL;
    size_t length = 0;
    int code = gr_slurp(&text, &length, path, MOST_SECRET_BYTES, error);
    if (code != GR_OK) {
        return code;
    }
    if (memchr(text, '\0', length)) {
        free(text);
        return gr_error_set(error, GR_INVALID, "found a NUL byte in %.200s; allowed: a text", path);
    }
    if (length > 0 && text[length - 1] == '\n') {
        text[--length] = '\0';
    }
    struct stat status;
    if (!is_credential && stat(path, &status) == 0 && (status.st_mode & (S_IRWXO)) != 0) {
        (void)gr_error_set(error, GR_OK, "everybody on this machine may read %.200s (chmod o= closes it)",
                           path);
    } else if (error) {
        error->text[0] = '\0';
    }
    *out = text;
    return GR_OK;
}
