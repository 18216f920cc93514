/* Files that stand beside the configuration: tariffs, strategies. Read as strictly as the configuration
 * itself. */
#include "config/form.h"

#include <string.h>

static void set_folder(struct gr_reader *reader)
{
    const char *slash = strrchr(reader->file, '/');
    size_t length = !slash ? 0 : slash == reader->file ? 1 : (size_t)(slash - reader->file);
    (void)snprintf(reader->folder, sizeof reader->folder, "%.*s", length ? (int)length : 1,
                   length ? reader->file : ".");
}

int gr_part_file_read(struct gr_reader *reader, gr_root_reader read, void *out)
{
    config_t tree;
    size_t before = reader->complaints->count;
    config_init(&tree);
    set_folder(reader);
    if (config_read_file(&tree, reader->file)) {
        gr_scan_text(reader, reader->file);
        read(reader, config_root_setting(&tree), out);
    } else if (config_error_type(&tree) == CONFIG_ERR_FILE_IO) {
        gr_complain_at(reader, reader->file, 0, "cannot be read");
    } else {
        const char *file = config_error_file(&tree), *why = config_error_text(&tree);
        gr_explain_syntax(reader, file ? file : reader->file, config_error_line(&tree),
                          why ? why : "syntax error");
    }
    config_destroy(&tree);
    if (reader->out_of_memory) {
        return GR_NO_MEMORY;
    }
    return reader->complaints->count == before ? GR_OK : GR_INVALID;
}
