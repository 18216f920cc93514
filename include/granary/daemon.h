/* granaryd: one loop that turns the world into events and effects into the world. */
#ifndef GRANARY_DAEMON_H
#define GRANARY_DAEMON_H

/* The program's main, apart so that tests can link it. Returns the exit status. */
int gr_daemon_main(int argc, char **argv);

#endif
