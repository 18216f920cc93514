#include "csv.h"

static void put(struct gr_csv_field *out, char byte)
{
    if (out->length < GR_CSV_FIELD_SIZE) {
        out->text[out->length++] = byte;
    } else {
        out->length = GR_CSV_FIELD_SIZE + 1;
    }
}

static int read_quoted(struct gr_csv *csv, struct gr_csv_field *out, struct gr_error *error)
{
    size_t opened = csv->line;
    for (csv->at++; csv->at < csv->end; csv->at++) {
        if (*csv->at == '"') {
            csv->at++;
            if (csv->at == csv->end || *csv->at != '"') {
                return GR_OK;
            }
        }
        csv->line += *csv->at == '\n';
        put(out, *csv->at);
    }
    return gr_error_set(error, GR_INVALID,
                        "line %zu: found a quote that is never closed, expected another '\"'", opened);
}

static bool is_line_end(const struct gr_csv *csv)
{
    return *csv->at == '\n' || (*csv->at == '\r' && csv->at + 1 < csv->end && csv->at[1] == '\n');
}

static int read_plain(struct gr_csv *csv, struct gr_csv_field *out, struct gr_error *error)
{
    for (; csv->at < csv->end && *csv->at != csv->separator && !is_line_end(csv); csv->at++) {
        if (*csv->at == '"') {
            return gr_error_set(error, GR_INVALID,
                                "line %zu: found a quote inside a field, expected the whole field in quotes",
                                csv->line);
        }
        put(out, *csv->at);
    }
    return GR_OK;
}

static int end_field(struct gr_csv *csv, struct gr_csv_field *out, struct gr_error *error)
{
    out->ends_record = true;
    if (csv->at == csv->end) {
        return GR_OK;
    }
    if (*csv->at == csv->separator) {
        csv->at++;
        out->ends_record = false;
        return GR_OK;
    }
    if (!is_line_end(csv)) {
        return gr_error_set(
            error, GR_INVALID,
            "line %zu: found text behind a closing quote, expected a separator or the end of the line",
            csv->line);
    }
    csv->at += *csv->at == '\r' ? 2 : 1;
    csv->line++;
    return GR_OK;
}

int gr_csv_next(struct gr_csv *csv, struct gr_csv_field *out, struct gr_error *error)
{
    out->length = 0;
    bool quoted = csv->at < csv->end && *csv->at == '"';
    int rc = quoted ? read_quoted(csv, out, error) : read_plain(csv, out, error);
    return rc == GR_OK ? end_field(csv, out, error) : rc;
}
