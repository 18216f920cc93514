#include "bridge/credentials.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

int gr_tls_files_check(const struct gr_mqtt *mqtt, struct gr_error *error)
{
    const char *const files[] = {mqtt->ca_file, mqtt->certificate_file, mqtt->key_file};
    for (size_t i = 0; mqtt->tls && i < sizeof files / sizeof files[0]; i++) {
        if (files[i][0] != '\0' && access(files[i], R_OK) != 0) {
            return gr_error_set(error, GR_IO, "TLS file %s cannot be read (errno %d)", files[i], errno);
        }
    }
    return GR_OK;
}

int gr_password_read(char **out, const struct gr_mqtt *mqtt, struct gr_error *error)
{
    *out = NULL;
    return mqtt->password_file[0] == '\0' ? GR_OK : gr_secret_read(out, mqtt->password_file, error);
}

void gr_password_wipe(char *password)
{
    if (password) {
        explicit_bzero(password, strlen(password));
        free(password);
    }
}
