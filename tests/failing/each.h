/* Does something again and again, with another one of its calls failing each time. */
#ifndef GRANARY_TESTS_FAILING_EACH_H
#define GRANARY_TESTS_FAILING_EACH_H

#include "failing/failing.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* How many calls of a kind are made to fail: every one, or one in so many, from a random one on, or from each
 * place the first. */
struct failing_plan {
    enum failing_kind kind;
    long stride; /* 1: every one; 0: the first from each place */
};

/* From "KIND", "KIND/STRIDE" or "KIND/places". */
static inline bool failing_plan_read(struct failing_plan *out, const char *text)
{
    static const char *const names[FAILING_KINDS] = {"memory", "write", "sync", "sqlite", "curl", "mqtt"};
    for (int i = 0; i < FAILING_KINDS; i++) {
        size_t length = strlen(names[i]);
        if (strncmp(text, names[i], length) == 0 && (text[length] == '\0' || text[length] == '/')) {
            out->kind = (enum failing_kind)i;
            bool places = strcmp(text + length, "/places") == 0;
            out->stride = places ? 0 : text[length] ? strtol(text + length + 1, NULL, 10) : 1;
            return out->stride > 0 || places;
        }
    }
    return false;
}

/* The one that fails at present. */
static long failing_at;

static inline long failing_each_place(const struct failing_plan *plan, void (*run)(void *context),
                                      void *context, long *failed)
{
    failing_at = 0;
    failing_begin(plan->kind, 0);
    run(context);
    long calls = failing_end();
    for (*failed = 0; failing_new((size_t)*failed) > 0; ++*failed) {
        failing_at = failing_new((size_t)*failed);
        failing_begin(plan->kind, failing_at);
        run(context);
        (void)failing_end();
    }
    return calls;
}

/* Calls `run` until it made fewer calls than the one that was to fail. Returns how many calls there were and
 * sets *failed to how many of them were made to fail. `run` must do the same each time. */
static inline long failing_each(const struct failing_plan *plan, void (*run)(void *context), void *context,
                                long *failed)
{
    long calls = 0, n = plan->stride <= 1 ? 1 : 1 + (long)(rand() % plan->stride);
    *failed = 0;
    if (plan->stride == 0) {
        return failing_each_place(plan, run, context, failed);
    }
    for (;; n += plan->stride) {
        failing_at = n;
        failing_begin(plan->kind, n);
        run(context);
        calls = failing_end();
        if (calls < n) {
            return calls;
        }
        ++*failed;
    }
}

#endif
