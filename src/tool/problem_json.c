#include "tool/problem_json.h"

#include <errno.h>
#include <jansson.h>
#include <stdlib.h>
#include <string.h>

#define DEFAULT_PENALTY_PER_KWH 10

/* Where the reader is, for messages. */
struct reader {
    const char *name;
    struct gr_error *error;
};

/* A value as the message shows it: short, on one line. */
struct shown {
    char text[48];
};

static struct shown show_value(const json_t *value)
{
    struct shown shown = {"nothing"};
    char *dump = value ? json_dumps(value, JSON_ENCODE_ANY | JSON_COMPACT | JSON_ENSURE_ASCII) : NULL;
    if (dump) {
        bool long_text = strlen(dump) >= sizeof shown.text;
        (void)snprintf(shown.text, sizeof shown.text, long_text ? "%.40s..." : "%s", dump);
        free(dump);
    }
    return shown;
}

static int refuse(const struct reader *reader, const char *member, const json_t *found, const char *allowed)
{
    return gr_error_set(reader->error, GR_INVALID, "%s: %s: found %s, allowed is %s", reader->name, member,
                        show_value(found).text, allowed);
}

/* ---- members ---- */

static int read_number(const struct reader *reader, const json_t *object, const char *name,
                       const char *member, double *out)
{
    const json_t *value = json_object_get(object, member);
    if (!json_is_number(value)) {
        return refuse(reader, name, value, "a number");
    }
    *out = json_number_value(value);
    return GR_OK;
}

static int read_flag(const struct reader *reader, const json_t *object, const char *name, const char *member,
                     bool *out)
{
    const json_t *value = json_object_get(object, member);
    if (!json_is_boolean(value)) {
        return refuse(reader, name, value, "true or false");
    }
    *out = json_is_true(value);
    return GR_OK;
}

static int read_array(const struct reader *reader, const json_t *object, const char *name, const char *member,
                      size_t slots, double *out)
{
    const json_t *array = json_object_get(object, member);
    if (!json_is_array(array)) {
        return refuse(reader, name, array, "an array with one number per slot");
    }
    if (json_array_size(array) != slots) {
        return gr_error_set(reader->error, GR_INVALID,
                            "%s: %s: found %zu entries, allowed is one per slot, %zu", reader->name, name,
                            json_array_size(array), slots);
    }
    for (size_t t = 0; t < slots; t++) {
        const json_t *value = json_array_get(array, t);
        if (!json_is_number(value)) {
            return gr_error_set(reader->error, GR_INVALID, "%s: %s, slot %zu: found %s, allowed is a number",
                                reader->name, name, t, show_value(value).text);
        }
        out[t] = json_number_value(value);
    }
    return GR_OK;
}

static int find_object(const struct reader *reader, const json_t *root, const char *member,
                       const json_t **out)
{
    *out = json_object_get(root, member);
    return json_is_object(*out) ? GR_OK : refuse(reader, member, *out, "an object");
}

/* ---- parts of a problem ---- */

static int read_arrays(const struct reader *reader, const json_t *root, const json_t *battery,
                       struct gr_problem *problem, double *block)
{
    const struct {
        const json_t *object;
        const char *name, *member;
        const double **out;
    } arrays[] = {
        {root, "hours", "hours", &problem->hours},
        {root, "load_kw", "load_kw", &problem->load_kw},
        {root, "solar_kw", "solar_kw", &problem->solar_kw},
        {root, "import_price", "import_price", &problem->import_price},
        {root, "export_price", "export_price", &problem->export_price},
        {battery, "battery.floor_kwh", "floor_kwh", &problem->floor_kwh},
    };
    int rc = GR_OK;
    for (size_t i = 0; i < sizeof arrays / sizeof *arrays && !rc; i++) {
        rc = read_array(reader, arrays[i].object, arrays[i].name, arrays[i].member, problem->slots, block);
        *arrays[i].out = block;
        block += problem->slots;
    }
    return rc;
}

static int read_numbers(const struct reader *reader, const json_t *root, const json_t *battery,
                        struct gr_problem *problem)
{
    const json_t *grid;
    int rc = find_object(reader, root, "grid", &grid);
    if (rc) {
        return rc;
    }
    struct gr_battery *into = &problem->battery;
    const struct {
        const json_t *object;
        const char *name, *member;
        double *out;
    } numbers[] = {
        {battery, "battery.capacity_kwh", "capacity_kwh", &into->capacity_kwh},
        {battery, "battery.charge_kw", "charge_kw", &into->charge_kw},
        {battery, "battery.discharge_kw", "discharge_kw", &into->discharge_kw},
        {battery, "battery.charge_efficiency", "charge_efficiency", &into->charge_efficiency},
        {battery, "battery.discharge_efficiency", "discharge_efficiency", &into->discharge_efficiency},
        {battery, "battery.standing_loss_kw", "standing_loss_kw", &into->standing_loss_kw},
        {battery, "battery.wear_per_kwh", "wear_per_kwh", &into->wear_per_kwh},
        {battery, "battery.start_kwh", "start_kwh", &problem->start_kwh},
        {grid, "grid.import_limit_kw", "import_limit_kw", &problem->import_limit_kw},
        {grid, "grid.export_limit_kw", "export_limit_kw", &problem->export_limit_kw},
    };
    for (size_t i = 0; i < sizeof numbers / sizeof *numbers && !rc; i++) {
        rc = read_number(reader, numbers[i].object, numbers[i].name, numbers[i].member, numbers[i].out);
    }
    rc = rc ? rc : read_flag(reader, grid, "grid.curtailable", "curtailable", &problem->curtailable);
    problem->penalty_per_kwh = DEFAULT_PENALTY_PER_KWH;
    if (!rc && json_object_get(root, "penalty_per_kwh")) {
        rc = read_number(reader, root, "penalty_per_kwh", "penalty_per_kwh", &problem->penalty_per_kwh);
    }
    return rc;
}

static int read_end_points(const struct reader *reader, const json_t *points, double *kwh, double *value)
{
    size_t count = json_array_size(points);
    for (size_t i = 0; i < count; i++) {
        const json_t *point = json_array_get(points, i);
        const json_t *first = json_array_get(point, 0), *second = json_array_get(point, 1);
        if (json_array_size(point) != 2 || !json_is_number(first) || !json_is_number(second)) {
            return gr_error_set(reader->error, GR_INVALID,
                                "%s: end_value_points, point %zu: found %s, allowed is [kWh, value]",
                                reader->name, i, show_value(point).text);
        }
        kwh[i] = json_number_value(first);
        value[i] = json_number_value(second);
    }
    return GR_OK;
}

/* The value of what is left: points, or a rate that becomes two points. `block` has room for both. */
static int read_end(const struct reader *reader, const json_t *root, struct gr_problem *problem,
                    double *block)
{
    const json_t *points = json_object_get(root, "end_value_points");
    const json_t *rate = json_object_get(root, "end_value_per_kwh");
    if (points && rate) {
        return refuse(reader, "end_value_per_kwh", rate, "nothing where end_value_points is given");
    }
    if (points && !json_is_array(points)) {
        return refuse(reader, "end_value_points", points, "an array of points [kWh, value]");
    }
    problem->end_points = points ? json_array_size(points) : 2;
    double *kwh = block, *value = block + problem->end_points;
    problem->end_kwh = kwh;
    problem->end_value = value;
    if (points) {
        return read_end_points(reader, points, kwh, value);
    }
    double per_kwh = 0;
    int rc = read_number(reader, root, "end_value_per_kwh", "end_value_per_kwh", &per_kwh);
    kwh[1] = problem->battery.capacity_kwh;
    value[1] = per_kwh * problem->battery.capacity_kwh;
    problem->end_points = problem->battery.capacity_kwh > 0 ? 2 : 1;
    return rc;
}

static int read_root(const struct reader *reader, const json_t *root, struct gr_problem_file *out)
{
    const json_t *battery, *hours = json_object_get(root, "hours");
    if (!json_is_object(root)) {
        return refuse(reader, "the whole", root, "an object");
    }
    if (!json_is_array(hours) || json_array_size(hours) == 0) {
        return refuse(reader, "hours", hours, "an array with one number per slot");
    }
    int rc = find_object(reader, root, "battery", &battery);
    if (rc) {
        return rc;
    }
    struct gr_problem *problem = &out->problem;
    problem->slots = json_array_size(hours);
    size_t points = json_array_size(json_object_get(root, "end_value_points"));
    out->block = calloc(6 * problem->slots + 2 * points + 4, sizeof *out->block);
    if (!out->block) {
        return gr_error_set(reader->error, GR_NO_MEMORY, "%s: no memory for %zu slots", reader->name,
                            problem->slots);
    }
    rc = read_arrays(reader, root, battery, problem, out->block);
    rc = rc ? rc : read_numbers(reader, root, battery, problem);
    rc = rc ? rc : read_end(reader, root, problem, out->block + 6 * problem->slots);
    out->has_optimum = json_is_number(json_object_get(root, "optimum_cost"));
    out->optimum_cost = json_number_value(json_object_get(root, "optimum_cost"));
    return rc;
}

/* ---- entry ---- */

/* A parser's message may quote bytes of the file; only what prints goes on. */
static void make_printable(char *text)
{
    for (; *text; text++) {
        if ((unsigned char)*text < 0x20 || (unsigned char)*text >= 0x7f) {
            *text = '?';
        }
    }
}

int gr_problem_read(struct gr_problem_file *out, FILE *stream, const char *name, struct gr_error *error)
{
    memset(out, 0, sizeof *out);
    json_error_t cause;
    json_t *root = json_loadf(stream, JSON_REJECT_DUPLICATES, &cause);
    if (!root) {
        make_printable(cause.text);
        return gr_error_set(error, GR_INVALID, "%s: line %d, column %d: %s, allowed is JSON", name,
                            cause.line, cause.column, cause.text);
    }
    const struct reader reader = {name, error};
    struct gr_error why = {""};
    int rc = read_root(&reader, root, out);
    json_decref(root);
    if (!rc) {
        rc = gr_problem_check(&out->problem, &why);
        if (rc) {
            (void)gr_error_set(error, rc, "%s: %s", name, why.text);
        }
    }
    if (rc) {
        gr_problem_file_free(out);
    }
    return rc;
}

int gr_problem_read_path(struct gr_problem_file *out, const char *path, struct gr_error *error)
{
    if (strcmp(path, "-") == 0) {
        return gr_problem_read(out, stdin, "standard input", error);
    }
    memset(out, 0, sizeof *out);
    FILE *stream = fopen(path, "rb");
    if (!stream) {
        return gr_error_set(error, GR_IO, "%s: cannot be opened: %s", path, strerror(errno));
    }
    int rc = gr_problem_read(out, stream, path, error);
    (void)fclose(stream);
    return rc;
}

void gr_problem_file_free(struct gr_problem_file *file)
{
    free(file->block);
    memset(file, 0, sizeof *file);
}
