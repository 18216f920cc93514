#include "usage/rows.h"
#include "rates/text.h"
#include "rates/wall.h"

#include <math.h>
#include <stdlib.h>

/* Some twenty years of five minutes. */
#define MOST_SLOTS ((size_t)2200000)

static const int32_t steps_s[] = {300, 900, 1800, 3600};
#define STEPS (sizeof steps_s / sizeof steps_s[0])

void gr_usage_rows_free(struct gr_usage_rows *rows)
{
    free(rows->row);
    rows->row = NULL;
    rows->count = rows->capacity = 0;
}

int gr_usage_rows_add(struct gr_usage_rows *rows, const struct gr_usage_row *row, struct gr_error *error)
{
    if (rows->count >= MOST_SLOTS) {
        return gr_error_set(error, GR_INVALID, "line %zu: found more than %zu rows", row->line, MOST_SLOTS);
    }
    if (rows->count >= rows->capacity) {
        size_t capacity = rows->capacity > 0 ? 2 * rows->capacity : 1024;
        struct gr_usage_row *larger = realloc(rows->row, capacity * sizeof *larger);
        if (!larger) {
            return gr_error_set(error, GR_NO_MEMORY, "out of memory");
        }
        rows->row = larger;
        rows->capacity = capacity;
    }
    rows->row[rows->count++] = *row;
    return GR_OK;
}

/* ---- order ---- */

static int compare_rows(const void *a, const void *b)
{
    const struct gr_usage_row *x = a, *y = b;
    if (x->stamp_s != y->stamp_s) {
        return x->stamp_s < y->stamp_s ? -1 : 1;
    }
    return (x->line > y->line) - (x->line < y->line);
}

static void resolve_and_sort(struct gr_usage_rows *rows)
{
    bool backwards = rows->row[rows->count - 1].stamp.s < rows->row[0].stamp.s, twice;
    int64_t previous_s = INT64_MIN;
    for (size_t i = 0; i < rows->count; i++) {
        struct gr_usage_row *row = &rows->row[i];
        row->stamp_s = gr_wall_resolve(rows->zone, &row->stamp, backwards, previous_s, &twice);
        previous_s = row->stamp_s;
    }
    qsort(rows->row, rows->count, sizeof *rows->row, compare_rows);
}

static bool are_equal(const struct gr_usage_row *a, const struct gr_usage_row *b)
{
    for (int i = 0; i < GR_USAGE_VALUES; i++) {
        if (a->value[i] != b->value[i] && !(isnan(a->value[i]) && isnan(b->value[i]))) {
            return false;
        }
    }
    return true;
}

static int drop_duplicates(struct gr_usage_rows *rows, struct gr_usage_report *report, struct gr_error *error)
{
    char shown[GR_MOMENT_SIZE];
    size_t kept = 1;
    for (size_t i = 1; i < rows->count; i++) {
        const struct gr_usage_row *last = &rows->row[kept - 1], *row = &rows->row[i];
        if (row->stamp_s != last->stamp_s) {
            rows->row[kept++] = *row;
        } else if (are_equal(last, row)) {
            report->duplicates++;
        } else {
            return gr_error_set(error, GR_INVALID,
                                "lines %zu and %zu: found different values for the same time %s, expected "
                                "one row for each",
                                last->line, row->line, gr_text_moment(shown, rows->zone, row->stamp_s));
        }
    }
    rows->count = kept;
    return GR_OK;
}

/* ---- the step ---- */

static int32_t commonest_step(const struct gr_usage_rows *rows)
{
    size_t counts[STEPS] = {0}, best = 0;
    for (size_t i = 1; i < rows->count; i++) {
        for (size_t k = 0; k < STEPS; k++) {
            counts[k] += rows->row[i].stamp_s - rows->row[i - 1].stamp_s == steps_s[k];
        }
    }
    for (size_t k = 1; k < STEPS; k++) {
        best = counts[k] > counts[best] ? k : best;
    }
    return 2 * counts[best] >= rows->count - 1 ? steps_s[best] : 0;
}

static bool is_usual_step(int64_t difference_s)
{
    for (size_t k = 0; k < STEPS; k++) {
        if (difference_s == steps_s[k]) {
            return true;
        }
    }
    return false;
}

static int refuse_steps(const struct gr_usage_rows *rows, struct gr_error *error)
{
    size_t i = 1;
    if (rows->count < 2) {
        return gr_error_set(error, GR_INVALID, "line %zu: found one row only, expected at least two, %s",
                            rows->row[0].line, "5, 15, 30 or 60 minutes apart");
    }
    while (i + 1 < rows->count && is_usual_step(rows->row[i].stamp_s - rows->row[i - 1].stamp_s)) {
        i++;
    }
    return gr_error_set(error, GR_INVALID,
                        "line %zu: found a row %.9g minutes after that of line %zu, expected most rows to be "
                        "5, 15, 30 or 60 minutes apart",
                        rows->row[i].line, (double)(rows->row[i].stamp_s - rows->row[i - 1].stamp_s) / 60,
                        rows->row[i - 1].line);
}

static int64_t remainder_of(int64_t stamp_s, int32_t step_s)
{
    return (stamp_s % step_s + step_s) % step_s;
}

/* Where most rows stand within the step (Boyer and Moore's majority vote). */
static int64_t common_remainder(const struct gr_usage_rows *rows, int32_t step_s)
{
    int64_t candidate = 0;
    size_t votes = 0;
    for (size_t i = 0; i < rows->count; i++) {
        int64_t own = remainder_of(rows->row[i].stamp_s, step_s);
        if (votes == 0) {
            candidate = own;
        }
        votes += own == candidate ? 1 : (size_t)-1;
    }
    return candidate;
}

static int check_grid(const struct gr_usage_rows *rows, int32_t step_s, struct gr_error *error)
{
    char shown[GR_MOMENT_SIZE];
    int64_t common = common_remainder(rows, step_s);
    for (size_t i = 0; i < rows->count; i++) {
        int64_t off_s = remainder_of(rows->row[i].stamp_s - common, step_s);
        if (off_s != 0) {
            return gr_error_set(
                error, GR_INVALID,
                "line %zu: found %s, %.9g minutes beside the regular steps, expected every row a multiple of "
                "%d minutes from the others",
                rows->row[i].line, gr_text_moment(shown, rows->zone, rows->row[i].stamp_s),
                (double)off_s / 60, (int)(step_s / 60));
        }
    }
    const struct gr_usage_row *first = &rows->row[0], *last = &rows->row[rows->count - 1];
    if ((last->stamp_s - first->stamp_s) / step_s >= (int64_t)MOST_SLOTS) {
        return gr_error_set(error, GR_INVALID,
                            "lines %zu and %zu are %lld days apart, expected at most %lld at this step",
                            first->line, last->line, (long long)((last->stamp_s - first->stamp_s) / 86400),
                            (long long)MOST_SLOTS * step_s / 86400);
    }
    return GR_OK;
}

/* ---- values ---- */

static double to_kw(double value, enum gr_usage_unit unit, int32_t step_s)
{
    double per_hour = 3600 / (double)step_s;
    switch (unit) {
    case GR_USAGE_KWH:
        return value * per_hour;
    case GR_USAGE_WH:
        return value * per_hour / 1000;
    case GR_USAGE_W:
        return value / 1000;
    case GR_USAGE_KW:
        break;
    }
    return value;
}

static double *place(const struct gr_usage_rows *rows, const struct gr_usage *usage, int which,
                     struct gr_usage_report *report)
{
    double *out = malloc(usage->count * sizeof *out);
    for (size_t i = 0; out && i < usage->count; i++) {
        out[i] = NAN;
    }
    for (size_t i = 0; out && i < rows->count; i++) {
        double value = rows->row[i].value[which];
        if (which != GR_USAGE_TEMPERATURE) {
            report->negative_values += value < 0;
            value = value < 0 ? 0 : to_kw(value, rows->mapping->unit, usage->step_s);
        }
        out[(rows->row[i].stamp_s - rows->row[0].stamp_s) / usage->step_s] = value;
    }
    return out;
}

int gr_usage_rows_place(struct gr_usage_rows *rows, struct gr_usage *out, struct gr_usage_report *report,
                        struct gr_error *error)
{
    double **columns[GR_USAGE_VALUES] = {&out->load_kw, &out->solar_kw, &out->temperature_c};
    if (rows->count == 0) {
        return gr_error_set(error, GR_INVALID, "found no rows, expected at least two");
    }
    resolve_and_sort(rows);
    int rc = drop_duplicates(rows, report, error);
    if (rc != GR_OK) {
        return rc;
    }
    out->step_s = commonest_step(rows);
    if (out->step_s == 0 || rows->count < 2) {
        return refuse_steps(rows, error);
    }
    rc = check_grid(rows, out->step_s, error);
    if (rc != GR_OK) {
        return rc;
    }
    out->start_s = rows->row[0].stamp_s - (rows->mapping->start_is_end ? out->step_s : 0);
    out->count = (size_t)((rows->row[rows->count - 1].stamp_s - rows->row[0].stamp_s) / out->step_s) + 1;
    for (int i = 0; i < GR_USAGE_VALUES; i++) {
        if (rows->has[i] && !(*columns[i] = place(rows, out, i, report))) {
            return gr_error_set(error, GR_NO_MEMORY, "out of memory");
        }
    }
    return GR_OK;
}
