/* Log lines on standard error, with the priority prefix that systemd's journal reads where it listens
 * (sd-daemon(3)). */
#ifndef GRANARY_DAEMON_LOG_H
#define GRANARY_DAEMON_LOG_H

enum gr_log_level { GR_LOG_ERROR = 3, GR_LOG_WARNING = 4, GR_LOG_NOTICE = 5, GR_LOG_INFO = 6 };

void gr_log(enum gr_log_level level, const char *format, ...) __attribute__((format(printf, 2, 3)));

#endif
