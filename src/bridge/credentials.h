/* What proves who we are and who the broker is: looked at afresh for each attempt to connect. */
#ifndef GRANARY_BRIDGE_CREDENTIALS_H
#define GRANARY_BRIDGE_CREDENTIALS_H

#include "granary/config.h"
#include "granary/error.h"

/* GR_IO, naming the file, where one that TLS needs cannot be read: the library does not always say why it
 * fails. */
int gr_tls_files_check(const struct gr_mqtt *mqtt, struct gr_error *error);

/* *out is NULL where no password file is given; else end it by gr_password_wipe. */
int gr_password_read(char **out, const struct gr_mqtt *mqtt, struct gr_error *error);

/* NULL is fine. */
void gr_password_wipe(char *password);

#endif
