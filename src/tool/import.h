/* What the files of `granary import` share. */
#ifndef GRANARY_TOOL_IMPORT_H
#define GRANARY_TOOL_IMPORT_H

#include "granary/block.h"
#include "granary/config.h"
#include "granary/store.h"
#include "granary/usage.h"

struct gr_import {
    const char *config_file, *usage_file;
    struct gr_usage_mapping mapping;
    bool dry_run, replace;
    bool car_inside;      /* the load holds a car's charging too */
    struct gr_blocks car; /* what was taken out of it */
    struct gr_config *config;
    struct gr_zone *zone;
    struct gr_usage usage;
    struct gr_usage_report report;
    size_t left_out; /* values that no house has */
};

/* Returns -1 to go on, or the exit status. */
int gr_import_arguments(struct gr_import *job, int argc, char **argv);

/* What was found in the file, in plain words. */
void gr_import_print(const struct gr_import *job);

/* Puts the half hours into the store; returns the exit status. */
int gr_import_keep(struct gr_import *job, int64_t now_s);

#endif
