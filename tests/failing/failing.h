/* A library that is preloaded into a program and makes the n-th call of one kind fail, once.
 *
 * From outside: GRANARY_FAIL=KIND:N in the environment, and GRANARY_FAIL_CALLS=FILE to be told at the end how
 * many calls of each kind there were. From inside a program that was started with the library preloaded: the
 * functions below, which are absent (NULL) where it was not. */
#ifndef GRANARY_TESTS_FAILING_H
#define GRANARY_TESTS_FAILING_H

#include <stdbool.h>
#include <stddef.h>

enum failing_kind {
    FAILING_MEMORY, /* malloc, calloc, realloc, of whatever library */
    FAILING_WRITE,  /* write, pwrite, writev: no room on the device */
    FAILING_SYNC,   /* fsync, fdatasync: input/output error */
    FAILING_SQLITE, /* open, prepare, bind, step, exec */
    FAILING_CURL,
    FAILING_MQTT, /* Paho */
    FAILING_KINDS
};

/* From here on the calls of all kinds are counted, and the n-th of this one fails; n 0: none, but those of it
 * are noted that come from where none came before. Of one thread. */
void failing_begin(enum failing_kind kind, long n) __attribute__((weak));

/* From here on none fails or is counted. Returns how many of that kind there were. */
long failing_end(void) __attribute__((weak));

/* Of those that were noted last, the number of this one; 0 behind the last. */
long failing_new(size_t index) __attribute__((weak));

#endif
