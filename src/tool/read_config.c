#include "tool/read_config.h"

#include <stdio.h>
#include <stdlib.h>

struct gr_config *gr_tool_read_config(const char *file)
{
    struct gr_complaints complaints = {0};
    struct gr_config *config = calloc(1, sizeof *config);
    if (!config) {
        (void)fprintf(stderr, "%s: out of memory\n", file);
        return NULL;
    }
    if (gr_config_read(config, file, &complaints) != GR_OK) {
        free(config);
        config = NULL;
    }
    gr_complaints_print(stderr, &complaints);
    gr_complaints_free(&complaints);
    return config;
}
