#include "columns.h"
#include "read.h"

_Static_assert(GR_FIELDS <= GR_MOST_WANTED, "a record has room for every field of a mapping");

int gr_read_csv(struct gr_slots *slots, const char *bytes, size_t length, struct gr_error *error)
{
    const struct gr_rate_mapping *mapping = slots->mapping;
    struct gr_csv csv = {bytes, bytes + length, mapping->separator ? mapping->separator : ',', 1};
    struct gr_columns columns = {.wanted = GR_FIELDS};
    struct gr_record record;
    bool more = true;
    for (int i = 0; i < GR_FIELDS; i++) {
        columns.name[i] = gr_mapping_field(mapping, i);
    }
    int rc = gr_columns_find(&columns, &csv, error);
    while (rc == GR_OK && more) {
        rc = gr_columns_next(&columns, &csv, &record, &more, error);
        if (rc == GR_OK && more) {
            rc = gr_slots_add(slots, 0, record.field, error);
        }
    }
    return rc;
}
