/* What the benches that live through past usage are told on their command line. */
#ifndef GRANARY_TESTS_BENCH_SCENE_H
#define GRANARY_TESTS_BENCH_SCENE_H

#include "tool/backtest.h"

#include <stdbool.h>
#include <stdio.h>
#include <string.h>

/* Reads CONFIG USAGE TARIFF [--from DATE --to DATE] into `options`, and the scene they name, to be freed;
 * false, and a line on the standard error, where that cannot be. */
static inline bool read_scene(struct gr_bt_scene *scene, struct gr_bt_options *options, int argc, char **argv)
{
    bool dated = argc == 8 && strcmp(argv[4], "--from") == 0 && strcmp(argv[6], "--to") == 0;
    if (argc != 4 && !dated) {
        (void)fprintf(stderr, "%s: expected CONFIG USAGE TARIFF [--from DATE --to DATE]\n", argv[0]);
        return false;
    }
    options->config_file = argv[1];
    options->usage_file = argv[2];
    options->tariff_file[0] = argv[3];
    options->from = dated ? argv[5] : NULL;
    options->to = dated ? argv[7] : NULL;
    return gr_bt_scene_read(scene, options) == GR_OK;
}

#endif
