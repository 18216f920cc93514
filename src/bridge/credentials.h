/* The broker's password, read afresh for each attempt to connect and wiped after it. */
#ifndef GRANARY_BRIDGE_CREDENTIALS_H
#define GRANARY_BRIDGE_CREDENTIALS_H

#include "granary/config.h"
#include "granary/error.h"

/* *out is NULL where no password file is given; else free it by gr_password_wipe. */
int gr_password_read(char **out, const struct gr_mqtt *mqtt, struct gr_error *error);

/* NULL is fine. */
void gr_password_wipe(char *password);

#endif
