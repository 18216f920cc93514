#include "bridge/credentials.h"

#include <stdlib.h>
#include <string.h>

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
