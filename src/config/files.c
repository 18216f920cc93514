/* Paths in the configuration. */
#include "config/form.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static bool is_credential(const char *name)
{
    const char *folder = getenv("CREDENTIALS_DIRECTORY");
    char path[2 * GR_PATH_SIZE];
    if (!folder || strchr(name, '/')) {
        return false;
    }
    int length = snprintf(path, sizeof path, "%s/%s", folder, name);
    return length > 0 && (size_t)length < sizeof path && access(path, F_OK) == 0;
}

void gr_resolve_path(struct gr_reader *reader, const config_setting_t *group, const char *key,
                     char path[GR_PATH_SIZE], bool may_be_credential)
{
    if (!path[0] || path[0] == '/' || (may_be_credential && is_credential(path))) {
        return;
    }
    char whole[2 * GR_PATH_SIZE];
    int length = snprintf(whole, sizeof whole, "%s/%s", reader->folder, path);
    if (length < 0 || length >= GR_PATH_SIZE) {
        gr_complain(reader, group, key, "found a path of %d bytes; allowed: at most %d", length,
                    GR_PATH_SIZE - 1);
        return;
    }
    memcpy(path, whole, (size_t)length + 1);
}

void gr_need_file(struct gr_reader *reader, const config_setting_t *group, const char *key, const char *path)
{
    struct stat status;
    if (!path[0]) {
        return;
    }
    if (stat(path, &status) != 0 || access(path, R_OK) != 0) {
        gr_complain(reader, group, key, "cannot read %.150s: %s", path, strerror(errno));
    } else if (!S_ISREG(status.st_mode) || status.st_size == 0) {
        gr_complain(reader, group, key, "%.150s is %s; needed: a file that holds something", path,
                    S_ISREG(status.st_mode) ? "empty" : "no regular file");
    }
}

void gr_need_secret(struct gr_reader *reader, const config_setting_t *group, const char *key,
                    const char *name)
{
    char *text = NULL;
    struct gr_error error = {""};
    if (!name[0]) {
        return;
    }
    if (gr_secret_read(&text, name, &error) != GR_OK) {
        gr_complain(reader, group, key, "%s", error.text);
        return;
    }
    size_t length = strlen(text);
    if (length == 0) {
        gr_complain(reader, group, key, "%.150s is empty; needed: a file that holds something", name);
    }
    explicit_bzero(text, length);
    free(text);
}
