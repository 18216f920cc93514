#include "rates/columns.h"
#include "rates/text.h"
#include "rates/wall.h"
#include "usage/rows.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define MOST_BYTES ((size_t)64 * 1024 * 1024)
#define LEAST_TEMPERATURE_C (-90)
#define GREATEST_TEMPERATURE_C 70

enum { START, FIRST_VALUE, COLUMNS = FIRST_VALUE + GR_USAGE_VALUES };

static const char *const default_name[COLUMNS] = {"start_utc", "load_kwh", "solar_kwh", "temperature_c"};

struct gr_usage_mapping gr_usage_default_mapping(void)
{
    struct gr_usage_mapping mapping = {.unit = GR_USAGE_KWH};
    (void)snprintf(mapping.start, sizeof mapping.start, "%s", default_name[START]);
    (void)snprintf(mapping.load, sizeof mapping.load, "%s", default_name[FIRST_VALUE + GR_USAGE_LOAD]);
    (void)snprintf(mapping.solar, sizeof mapping.solar, "%s", default_name[FIRST_VALUE + GR_USAGE_SOLAR]);
    (void)snprintf(mapping.temperature, sizeof mapping.temperature, "%s",
                   default_name[FIRST_VALUE + GR_USAGE_TEMPERATURE]);
    return mapping;
}

void gr_usage_free(struct gr_usage *usage)
{
    free(usage->load_kw);
    free(usage->solar_kw);
    free(usage->temperature_c);
    *usage = (struct gr_usage){0};
}

static int check_call(const struct gr_usage_mapping *mapping, const struct gr_zone *zone, const char *bytes,
                      size_t length, struct gr_error *error)
{
    if (mapping->start[0] == '\0' || (mapping->load[0] == '\0' && mapping->solar[0] == '\0')) {
        return gr_error_set(error, GR_INVALID, "the mapping names no column of %s",
                            mapping->start[0] == '\0' ? "starts" : "load or solar");
    }
    if (mapping->start_is_local && !zone) {
        return gr_error_set(error, GR_INVALID, "the mapping has local times, but no time zone is known");
    }
    if (length > MOST_BYTES) {
        return gr_error_set(error, GR_INVALID, "found %zu bytes, expected at most %zu (64 MB)", length,
                            MOST_BYTES);
    }
    if (length > 0 && memchr(bytes, '\0', length)) {
        return gr_error_set(error, GR_INVALID,
                            "found zero bytes, expected comma-separated text in ASCII or UTF-8 (is it a "
                            "spreadsheet or UTF-16?)");
    }
    return GR_OK;
}

/* The most frequent of the usual separators on the first line. */
static char find_separator(const char *text, size_t length)
{
    static const char usual[] = ",;\t";
    size_t most = 0;
    char found = ',';
    for (size_t i = 0; usual[i] != '\0'; i++) {
        size_t count = 0;
        for (size_t k = 0; k < length && text[k] != '\n'; k++) {
            count += text[k] == usual[i];
        }
        if (count > most) {
            most = count;
            found = usual[i];
        }
    }
    return found;
}

/* ---- one row ---- */

static bool is_blank(char byte)
{
    return byte == ' ' || byte == '\t';
}

static struct gr_field trim(const struct gr_field *field)
{
    struct gr_field out = *field;
    while (out.length > 0 && is_blank(out.text[0])) {
        out.text++;
        out.length--;
    }
    while (out.length > 0 && is_blank(out.text[out.length - 1])) {
        out.length--;
    }
    return out;
}

static bool says_nothing(const struct gr_field *field)
{
    static const char *const words[] = {"null", "nan", "n/a", "na", "-"};
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        if (field->length == strlen(words[i]) && strncasecmp(field->text, words[i], field->length) == 0) {
            return true;
        }
    }
    return field->length == 0;
}

/* Files whose separator is not the comma may have it in their numbers: then it is put right in `room`. */
static void mend_comma(struct gr_field *field, char separator, char room[GR_CSV_FIELD_SIZE])
{
    const char *comma = memchr(field->text, ',', field->length);
    if (separator == ',' || !comma || memchr(field->text, '.', field->length) ||
        field->length > GR_CSV_FIELD_SIZE) {
        return;
    }
    memcpy(room, field->text, field->length);
    room[comma - field->text] = '.';
    field->text = room;
}

static int take_value(double *out, const struct gr_field *field, char separator,
                      struct gr_usage_report *report, struct gr_error *error)
{
    char room[GR_CSV_FIELD_SIZE];
    struct gr_field value = trim(field);
    *out = NAN;
    if (says_nothing(&value)) {
        report->empty_values++;
        return GR_OK;
    }
    mend_comma(&value, separator, room);
    return gr_field_number(out, &value, error);
}

static int take_row(struct gr_usage_rows *rows, const struct gr_record *record, char separator,
                    struct gr_usage_report *report, struct gr_error *error)
{
    const struct gr_usage_mapping *mapping = rows->mapping;
    struct gr_usage_row row = {.line = record->line};
    struct gr_field stamp = trim(&record->field[START]);
    int rc = gr_field_moment(&row.stamp, &stamp, mapping->start_is_local, error);
    for (int i = 0; i < GR_USAGE_VALUES; i++) {
        row.value[i] = NAN;
        if (rc == GR_OK && rows->has[i]) {
            rc = take_value(&row.value[i], &record->field[FIRST_VALUE + i], separator, report, error);
        }
    }
    double *temperature = &row.value[GR_USAGE_TEMPERATURE];
    if (*temperature < LEAST_TEMPERATURE_C || *temperature > GREATEST_TEMPERATURE_C) {
        *temperature = NAN;
        report->empty_values++;
    }
    if (rc == GR_OK && row.stamp.is_local) {
        rows->any_local = true;
        rc = gr_wall_exists(rows->zone, &stamp, &row.stamp, mapping->start_is_end, error);
    }
    return rc == GR_OK ? gr_usage_rows_add(rows, &row, error) : rc;
}

/* Where all columns go by position the first line may still be a header: its stamp has no figure. */
static bool is_header(const struct gr_record *record)
{
    const struct gr_field *stamp = &record->field[START];
    for (size_t i = 0; i < stamp->length; i++) {
        if (stamp->text[i] >= '0' && stamp->text[i] <= '9') {
            return false;
        }
    }
    return true;
}

/* ---- the file ---- */

static int find_columns(struct gr_columns *columns, struct gr_csv *csv, struct gr_usage_rows *rows,
                        struct gr_error *error)
{
    const struct gr_usage_mapping *mapping = rows->mapping;
    const char *names[COLUMNS] = {mapping->start, mapping->load, mapping->solar, mapping->temperature};
    struct gr_csv again = *csv;
    columns->wanted = COLUMNS;
    for (size_t i = 0; i < COLUMNS; i++) {
        columns->name[i] = names[i];
        columns->optional[i] = i != START && strcmp(names[i], default_name[i]) == 0;
    }
    int rc = gr_columns_find(columns, csv, error);
    for (int i = 0; rc == GR_OK && i < GR_USAGE_VALUES; i++) {
        rows->has[i] = columns->at[FIRST_VALUE + i] != GR_NO_COLUMN;
    }
    if (rc == GR_OK && !rows->has[GR_USAGE_LOAD] && !rows->has[GR_USAGE_SOLAR]) {
        size_t needed = mapping->load[0] != '\0' ? FIRST_VALUE + GR_USAGE_LOAD : FIRST_VALUE + GR_USAGE_SOLAR;
        columns->optional[needed] = false; /* for the same message as for any other column */
        rc = gr_columns_find(columns, &again, error);
    }
    return rc;
}

static int read_rows(struct gr_usage_rows *rows, const char *text, size_t length,
                     struct gr_usage_report *report, struct gr_error *error)
{
    char separator = rows->mapping->separator ? rows->mapping->separator : find_separator(text, length);
    struct gr_csv csv = {text, text + length, separator, 1};
    struct gr_columns columns = {.wanted = 0};
    struct gr_record record;
    int rc = find_columns(&columns, &csv, rows, error);
    bool more = rc == GR_OK, may_be_header = columns.count == 0;
    while (rc == GR_OK && more) {
        rc = gr_columns_next(&columns, &csv, &record, &more, error);
        if (rc == GR_OK && more && !(may_be_header && is_header(&record))) {
            rc = take_row(rows, &record, separator, report, error);
        }
        may_be_header = false;
    }
    return rc;
}

int gr_usage_read(struct gr_usage *out, const struct gr_usage_mapping *mapping, const struct gr_zone *zone,
                  const void *bytes, size_t length, struct gr_usage_report *report, struct gr_error *error)
{
    struct gr_usage_rows rows = {.mapping = mapping, .zone = zone};
    struct gr_usage_report found = {.rows = 0};
    struct gr_usage usage = {0};
    const char *text = bytes;
    int rc = check_call(mapping, zone, text, length, error);
    if (rc != GR_OK) {
        return rc;
    }
    gr_text_skip_mark(&text, &length);
    rc = read_rows(&rows, text, length, &found, error);
    found.rows = rows.count;
    if (rc == GR_OK) {
        rc = gr_usage_rows_place(&rows, &usage, &found, error);
    }
    if (rc == GR_OK && gr_usage_look(&usage, &rows, &found) != GR_OK) {
        rc = gr_error_set(error, GR_NO_MEMORY, "out of memory");
    }
    gr_usage_rows_free(&rows);
    if (rc != GR_OK) {
        gr_usage_free(&usage);
        return rc;
    }
    *out = usage;
    if (report) {
        *report = found;
    }
    return GR_OK;
}
