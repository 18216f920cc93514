#include "csv.h"
#include "read.h"
#include "text.h"

#include <stdio.h>
#include <string.h>

#define NO_COLUMN ((size_t)-1)
#define MOST_COLUMNS 9999
#define NAMES_SIZE 160

struct columns {
    size_t of_field[GR_FIELDS]; /* NO_COLUMN where it is not mapped, or not found yet */
    size_t count;               /* what each line must have */
};

/* "#1" is the first column; 0 where the name is no position. */
static size_t position_of(const char *name)
{
    size_t digits = strspn(name + (name[0] == '#'), "0123456789"), position = 0;
    if (name[0] != '#' || digits == 0 || digits > 4 || name[1 + digits] != '\0') {
        return 0;
    }
    for (name++; *name != '\0'; name++) {
        position = position * 10 + (size_t)(*name - '0');
    }
    return position;
}

/* Columns by position; returns whether a header is needed for the others. */
static bool place_numbered(const struct gr_rate_mapping *mapping, struct columns *columns)
{
    bool by_name = false;
    for (int i = 0; i < GR_FIELDS; i++) {
        const char *name = gr_mapping_field(mapping, i);
        size_t position = position_of(name);
        columns->of_field[i] = position > 0 ? position - 1 : NO_COLUMN;
        by_name = by_name || (position == 0 && name[0] != '\0');
    }
    return by_name;
}

static int match_name(const struct gr_rate_mapping *mapping, struct columns *columns,
                      const struct gr_csv_field *found, struct gr_error *error)
{
    for (int i = 0; i < GR_FIELDS; i++) {
        const char *name = gr_mapping_field(mapping, i);
        if (name[0] == '\0' || position_of(name) > 0 || found->length != strlen(name) ||
            memcmp(found->text, name, found->length) != 0) {
            continue;
        }
        if (columns->of_field[i] != NO_COLUMN) {
            return gr_error_set(error, GR_INVALID, "line 1: found column '%s' twice, expected it once", name);
        }
        columns->of_field[i] = columns->count;
    }
    return GR_OK;
}

static void list_name(char names[NAMES_SIZE], const struct gr_csv_field *field)
{
    char shown[GR_QUOTED_SIZE];
    size_t used = strlen(names);
    size_t length = field->length > GR_CSV_FIELD_SIZE ? GR_CSV_FIELD_SIZE : field->length;
    (void)snprintf(names + used, NAMES_SIZE - used, "%s%s", used > 0 ? ", " : "",
                   gr_text_quote(shown, field->text, length));
}

static int check_columns(const struct gr_rate_mapping *mapping, const struct columns *columns,
                         const char *names, struct gr_error *error)
{
    for (int i = 0; i < GR_FIELDS; i++) {
        const char *name = gr_mapping_field(mapping, i);
        if (name[0] != '\0' && columns->of_field[i] == NO_COLUMN) {
            return gr_error_set(error, GR_INVALID, "line 1: found the columns %s, expected one named '%s'",
                                names, name);
        }
    }
    return GR_OK;
}

static int read_header(struct gr_csv *csv, const struct gr_rate_mapping *mapping, struct columns *columns,
                       struct gr_error *error)
{
    char names[NAMES_SIZE] = "";
    struct gr_csv_field field;
    do {
        int rc = gr_csv_next(csv, &field, error);
        if (rc == GR_OK) {
            rc = match_name(mapping, columns, &field, error);
        }
        if (rc == GR_OK && ++columns->count > MOST_COLUMNS) {
            rc = gr_error_set(error, GR_INVALID, "line 1: found more than %d columns", MOST_COLUMNS);
        }
        if (rc != GR_OK) {
            return rc;
        }
        list_name(names, &field);
    } while (!field.ends_record);
    return check_columns(mapping, columns, names, error);
}

struct record {
    struct gr_csv_field field[GR_FIELDS];
    size_t count;
    bool is_blank; /* one empty field: a line with nothing on it */
};

static int read_record(struct gr_csv *csv, const struct columns *columns, struct record *out,
                       struct gr_error *error)
{
    struct gr_csv_field field;
    out->count = 0;
    do {
        int rc = gr_csv_next(csv, &field, error);
        if (rc != GR_OK) {
            return rc;
        }
        for (int i = 0; i < GR_FIELDS; i++) {
            if (columns->of_field[i] == out->count) {
                out->field[i] = field;
            }
        }
        out->count++;
    } while (!field.ends_record);
    out->is_blank = out->count == 1 && field.length == 0;
    return GR_OK;
}

static int add_record(struct gr_slots *slots, const struct columns *columns, const struct record *record,
                      size_t line, struct gr_error *error)
{
    struct gr_field fields[GR_FIELDS] = {{0}};
    char where[32];
    (void)snprintf(where, sizeof where, "line %zu", line);
    for (int i = 0; i < GR_FIELDS; i++) {
        const char *name = gr_mapping_field(slots->mapping, i);
        if (name[0] == '\0') {
            continue;
        }
        if (columns->of_field[i] >= record->count) {
            return gr_error_set(error, GR_INVALID, "%s: found %zu fields, expected a column %s", where,
                                record->count, name);
        }
        const struct gr_csv_field *found = &record->field[i];
        if (found->length > GR_CSV_FIELD_SIZE) {
            return gr_error_set(error, GR_INVALID, "%s, field %s: found more than %d bytes, expected fewer",
                                where, name, GR_CSV_FIELD_SIZE);
        }
        fields[i] = (struct gr_field){where, name, GR_FIELD_TEXT, found->text, found->length, 0};
    }
    return gr_slots_add(slots, 0, fields, error);
}

int gr_read_csv(struct gr_slots *slots, const char *bytes, size_t length, struct gr_error *error)
{
    const struct gr_rate_mapping *mapping = slots->mapping;
    struct gr_csv csv = {bytes, bytes + length, mapping->separator ? mapping->separator : ',', 1};
    struct columns columns = {.count = 0};
    struct record record;
    int rc = GR_OK;
    if (place_numbered(mapping, &columns)) {
        rc = read_header(&csv, mapping, &columns, error);
    }
    while (rc == GR_OK && csv.at < csv.end) {
        size_t line = csv.line;
        rc = read_record(&csv, &columns, &record, error);
        if (rc != GR_OK || record.is_blank) {
            continue;
        }
        if (columns.count == 0) {
            columns.count = record.count;
        }
        if (record.count != columns.count) {
            return gr_error_set(error, GR_INVALID,
                                "line %zu: found %zu fields, expected %zu as on the first line", line,
                                record.count, columns.count);
        }
        rc = add_record(slots, &columns, &record, line, error);
    }
    return rc;
}
