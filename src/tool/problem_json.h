/* Planning problems as JSON (the format is written out in docs/planner.md). */
#ifndef GRANARY_TOOL_PROBLEM_JSON_H
#define GRANARY_TOOL_PROBLEM_JSON_H

#include "granary/error.h"
#include "granary/planner.h"

#include <stdbool.h>
#include <stdio.h>

/* A problem with the arrays it points to. */
struct gr_problem_file {
    struct gr_problem problem;
    double *block;
    bool *flags;
    size_t *ends, *days;
    struct gr_peak peak;
    bool has_optimum;
    double optimum_cost; /* what the file says the optimum is, money */
};

/* Reads and checks one problem. `name` is what messages call the input. *out is overwritten, to be freed.
 * GR_INVALID: the message names the input, member, slot, what was found and what is allowed. */
int gr_problem_read(struct gr_problem_file *out, FILE *stream, const char *name, struct gr_error *error);

/* The same from a file; "-" is the standard input. GR_IO: it cannot be opened. */
int gr_problem_read_path(struct gr_problem_file *out, const char *path, struct gr_error *error);

void gr_problem_file_free(struct gr_problem_file *file);

#endif
