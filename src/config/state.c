#include "granary/config.h"

#include <stdlib.h>

const char *gr_state_folder(const struct gr_outputs *outputs)
{
    const char *folder = outputs->state_directory[0] ? outputs->state_directory : getenv("STATE_DIRECTORY");
    return folder && folder[0] ? folder : NULL;
}
