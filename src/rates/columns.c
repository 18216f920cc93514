#include "columns.h"
#include "text.h"

#include <stdio.h>
#include <string.h>

#define MOST_COLUMNS 9999
#define NAMES_SIZE 160

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
static bool place_numbered(struct gr_columns *columns)
{
    bool by_name = false;
    for (size_t i = 0; i < columns->wanted; i++) {
        const char *name = columns->name[i];
        size_t position = position_of(name);
        columns->at[i] = position > 0 ? position - 1 : GR_NO_COLUMN;
        by_name = by_name || (position == 0 && name[0] != '\0');
    }
    return by_name;
}

static int match_name(struct gr_columns *columns, const struct gr_csv_field *found, struct gr_error *error)
{
    for (size_t i = 0; i < columns->wanted; i++) {
        const char *name = columns->name[i];
        if (name[0] == '\0' || position_of(name) > 0 || found->length != strlen(name) ||
            memcmp(found->text, name, found->length) != 0) {
            continue;
        }
        if (columns->at[i] != GR_NO_COLUMN) {
            return gr_error_set(error, GR_INVALID, "line 1: found column '%s' twice, expected it once", name);
        }
        columns->at[i] = columns->count;
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

static int check_columns(const struct gr_columns *columns, const char *names, struct gr_error *error)
{
    for (size_t i = 0; i < columns->wanted; i++) {
        const char *name = columns->name[i];
        if (name[0] != '\0' && columns->at[i] == GR_NO_COLUMN && !columns->optional[i]) {
            return gr_error_set(error, GR_INVALID, "line 1: found the columns %s, expected one named '%s'",
                                names, name);
        }
    }
    return GR_OK;
}

int gr_columns_find(struct gr_columns *columns, struct gr_csv *csv, struct gr_error *error)
{
    char names[NAMES_SIZE] = "";
    struct gr_csv_field field;
    columns->count = 0;
    if (!place_numbered(columns)) {
        return GR_OK;
    }
    do {
        int rc = gr_csv_next(csv, &field, error);
        if (rc == GR_OK) {
            rc = match_name(columns, &field, error);
        }
        if (rc == GR_OK && ++columns->count > MOST_COLUMNS) {
            rc = gr_error_set(error, GR_INVALID, "line 1: found more than %d columns", MOST_COLUMNS);
        }
        if (rc != GR_OK) {
            return rc;
        }
        list_name(names, &field);
    } while (!field.ends_record);
    return check_columns(columns, names, error);
}

static int read_record(const struct gr_columns *columns, struct gr_csv *csv, struct gr_record *out,
                       size_t *count, bool *is_blank, struct gr_error *error)
{
    struct gr_csv_field field;
    *count = 0;
    do {
        int rc = gr_csv_next(csv, &field, error);
        if (rc != GR_OK) {
            return rc;
        }
        for (size_t i = 0; i < columns->wanted; i++) {
            if (columns->at[i] == *count) {
                out->text[i] = field;
            }
        }
        (*count)++;
    } while (!field.ends_record);
    *is_blank = *count == 1 && field.length == 0;
    return GR_OK;
}

static int make_fields(const struct gr_columns *columns, struct gr_record *record, size_t count,
                       struct gr_error *error)
{
    for (size_t i = 0; i < columns->wanted; i++) {
        const struct gr_csv_field *found = &record->text[i];
        if (columns->at[i] == GR_NO_COLUMN) {
            continue;
        }
        if (columns->at[i] >= count) {
            return gr_error_set(error, GR_INVALID, "%s: found %zu fields, expected a column %s",
                                record->where, count, columns->name[i]);
        }
        if (found->length > GR_CSV_FIELD_SIZE) {
            return gr_error_set(error, GR_INVALID, "%s, field %s: found more than %d bytes, expected fewer",
                                record->where, columns->name[i], GR_CSV_FIELD_SIZE);
        }
        record->field[i] =
            (struct gr_field){record->where, columns->name[i], GR_FIELD_TEXT, found->text, found->length, 0};
    }
    return GR_OK;
}

int gr_columns_next(struct gr_columns *columns, struct gr_csv *csv, struct gr_record *out, bool *more,
                    struct gr_error *error)
{
    bool is_blank = true;
    size_t count = 0;
    while (is_blank && csv->at < csv->end) {
        out->line = csv->line;
        int rc = read_record(columns, csv, out, &count, &is_blank, error);
        if (rc != GR_OK) {
            return rc;
        }
    }
    *more = !is_blank;
    if (is_blank) {
        return GR_OK;
    }
    (void)snprintf(out->where, sizeof out->where, "line %zu", out->line);
    memset(out->field, 0, sizeof out->field);
    columns->count = columns->count > 0 ? columns->count : count;
    if (count != columns->count) {
        return gr_error_set(error, GR_INVALID, "%s: found %zu fields, expected %zu as on the first line",
                            out->where, count, columns->count);
    }
    return make_fields(columns, out, count, error);
}
