#include "tool/problem_json.h"

#include "config/json_text.h"

#include <errno.h>
#include <jansson.h>
#include <stdlib.h>
#include <string.h>

#define DEFAULT_PENALTY_PER_KWH 10

/* Where the reader is, for messages, and the room that is left for arrays. */
struct reader {
    const char *name;
    struct gr_error *error;
    double *room;
    bool *flags;
    size_t *ends, *days;
};

/* A value as the message shows it: short, on one line. */
struct shown {
    char text[48];
};

static struct shown show_value(const json_t *value)
{
    struct shown shown = {"nothing"};
    char *dump = gr_json_text(value, JSON_ENCODE_ANY | JSON_COMPACT | JSON_ENSURE_ASCII);
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

static int check_size(const struct reader *reader, const json_t *array, const char *name, size_t slots)
{
    size_t size = json_array_size(array);
    return size == slots ? GR_OK
                         : gr_error_set(reader->error, GR_INVALID,
                                        "%s: %s: found %zu entries, allowed is one per slot, %zu",
                                        reader->name, name, size, slots);
}

static int refuse_entry(const struct reader *reader, const char *name, size_t t, const json_t *found,
                        const char *allowed)
{
    return gr_error_set(reader->error, GR_INVALID, "%s: %s, slot %zu: found %s, allowed is %s", reader->name,
                        name, t, show_value(found).text, allowed);
}

static int read_array(struct reader *reader, const json_t *object, const char *name, const char *member,
                      size_t slots, const double **out)
{
    const json_t *array = json_object_get(object, member);
    if (!json_is_array(array)) {
        return refuse(reader, name, array, "an array with one number per slot");
    }
    int rc = check_size(reader, array, name, slots);
    for (size_t t = 0; t < slots && !rc; t++) {
        const json_t *value = json_array_get(array, t);
        rc = json_is_number(value) ? GR_OK : refuse_entry(reader, name, t, value, "a number");
        reader->room[t] = json_number_value(value);
    }
    *out = reader->room;
    reader->room += slots;
    return rc;
}

/* A number for all slots, or an array: then the number is its greatest. */
static int read_limit(struct reader *reader, const json_t *object, const char *name, const char *member,
                      size_t slots, double *out, const double **array)
{
    if (!json_is_array(json_object_get(object, member))) {
        return read_number(reader, object, name, member, out);
    }
    int rc = read_array(reader, object, name, member, slots, array);
    *out = rc ? 0 : (*array)[0];
    for (size_t t = 1; t < slots && !rc; t++) {
        *out = (*array)[t] > *out ? (*array)[t] : *out;
    }
    return rc;
}

/* A flag for all slots, or an array of flags. */
static int read_flags(struct reader *reader, const json_t *object, const char *name, const char *member,
                      size_t slots, const bool **out)
{
    const json_t *value = json_object_get(object, member);
    bool whole = json_is_boolean(value);
    if (!whole && !json_is_array(value)) {
        return refuse(reader, name, value, "true, false or an array with one of them per slot");
    }
    int rc = whole ? GR_OK : check_size(reader, value, name, slots);
    for (size_t t = 0; t < slots && !rc; t++) {
        const json_t *flag = whole ? value : json_array_get(value, t);
        rc = json_is_boolean(flag) ? GR_OK : refuse_entry(reader, name, t, flag, "true or false");
        reader->flags[t] = json_is_true(flag);
    }
    *out = reader->flags;
    reader->flags += slots;
    return rc;
}

static int find_object(const struct reader *reader, const json_t *root, const char *member,
                       const json_t **out)
{
    *out = json_object_get(root, member);
    return json_is_object(*out) ? GR_OK : refuse(reader, member, *out, "an object");
}

/* ---- parts of a problem ---- */

static int read_arrays(struct reader *reader, const json_t *root, const json_t *battery,
                       struct gr_problem *problem)
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
        rc = read_array(reader, arrays[i].object, arrays[i].name, arrays[i].member, problem->slots,
                        arrays[i].out);
    }
    return rc;
}

static int read_limits(struct reader *reader, const json_t *battery, const json_t *grid,
                       struct gr_problem *problem)
{
    const struct {
        const json_t *object;
        const char *name, *member;
        double *out;
        const double **array;
    } limits[] = {
        {battery, "battery.charge_kw", "charge_kw", &problem->battery.charge_kw, &problem->slot_charge_kw},
        {battery, "battery.discharge_kw", "discharge_kw", &problem->battery.discharge_kw,
         &problem->slot_discharge_kw},
        {grid, "grid.import_limit_kw", "import_limit_kw", &problem->import_limit_kw,
         &problem->slot_import_limit_kw},
        {grid, "grid.export_limit_kw", "export_limit_kw", &problem->export_limit_kw,
         &problem->slot_export_limit_kw},
    };
    int rc = GR_OK;
    for (size_t i = 0; i < sizeof limits / sizeof *limits && !rc; i++) {
        rc = read_limit(reader, limits[i].object, limits[i].name, limits[i].member, problem->slots,
                        limits[i].out, limits[i].array);
    }
    return rc;
}

/* An array of pairs of numbers as a curve; `allowed` says what a point is. Absent: no curve. */
static int read_curve(struct reader *reader, const json_t *object, const char *name, const char *member,
                      const char *allowed, struct gr_curve *out)
{
    const json_t *points = json_object_get(object, member);
    size_t count = json_array_size(points);
    if (!points) {
        return GR_OK;
    }
    if (!json_is_array(points) || count == 0) {
        return refuse(reader, name, points, "an array of points");
    }
    double *x = reader->room, *y = reader->room + count;
    for (size_t i = 0; i < count; i++) {
        const json_t *point = json_array_get(points, i);
        const json_t *first = json_array_get(point, 0), *second = json_array_get(point, 1);
        if (json_array_size(point) != 2 || !json_is_number(first) || !json_is_number(second)) {
            return gr_error_set(reader->error, GR_INVALID, "%s: %s, point %zu: found %s, allowed is %s",
                                reader->name, name, i, show_value(point).text, allowed);
        }
        x[i] = json_number_value(first);
        y[i] = json_number_value(second);
    }
    *out = (struct gr_curve){count, x, y};
    reader->room += 2 * count;
    return GR_OK;
}

static int read_curves(struct reader *reader, const json_t *battery, struct gr_problem *problem)
{
    const struct {
        const char *name, *member, *allowed;
        struct gr_curve *out;
    } curves[] = {
        {"battery.charge_power_points", "charge_power_points", "[kWh, kW]", &problem->charge_power},
        {"battery.discharge_power_points", "discharge_power_points", "[kWh, kW]", &problem->discharge_power},
        {"battery.charge_loss_points", "charge_loss_points", "[kW, kW]", &problem->charge_loss},
        {"battery.discharge_loss_points", "discharge_loss_points", "[kW, kW]", &problem->discharge_loss},
        {"battery.wear_steps", "wear_steps", "[kWh, money per kWh]", &problem->wear_steps},
    };
    int rc = GR_OK;
    for (size_t i = 0; i < sizeof curves / sizeof *curves && !rc; i++) {
        rc = read_curve(reader, battery, curves[i].name, curves[i].member, curves[i].allowed, curves[i].out);
    }
    return rc;
}

/* A DC-coupled battery: solar on its side, and the inverter. */
static int read_inverter(struct reader *reader, const json_t *root, struct gr_problem *problem)
{
    const json_t *inverter;
    struct gr_dc_inverter *into = &problem->inverter;
    if (!json_object_get(root, "dc_solar_kw")) {
        return GR_OK;
    }
    int rc = read_array(reader, root, "dc_solar_kw", "dc_solar_kw", problem->slots, &problem->dc_solar_kw);
    rc = rc ? rc : find_object(reader, root, "inverter", &inverter);
    rc = rc ? rc : read_number(reader, inverter, "inverter.limit_kw", "limit_kw", &into->limit_kw);
    rc = rc ? rc
            : read_number(reader, inverter, "inverter.to_ac_efficiency", "to_ac_efficiency",
                          &into->to_ac_efficiency);
    return rc ? rc
              : read_number(reader, inverter, "inverter.to_dc_efficiency", "to_dc_efficiency",
                            &into->to_dc_efficiency);
}

/* Cost of changes, and the command in force at the start. */
static int read_commands(struct reader *reader, const json_t *root, struct gr_problem *problem)
{
    const json_t *first = json_object_get(root, "first_command");
    int rc = json_object_get(root, "change_cost")
                 ? read_number(reader, root, "change_cost", "change_cost", &problem->change_cost)
                 : GR_OK;
    if (rc || !first) {
        return rc;
    }
    int kind = json_is_string(first) ? gr_command_kind_of(json_string_value(first)) : -1;
    problem->first_kind = kind >= 0 ? (enum gr_command_kind)kind : GR_FOLLOW;
    return kind >= 0 ? GR_OK
                     : refuse(reader, "first_command", first, "follow, store, serve, charge, export or rest");
}

/* The slots by whose ends the battery should have been full once more. */
static int read_full(struct reader *reader, const json_t *battery, struct gr_problem *problem)
{
    const json_t *ends = json_object_get(battery, "full_by");
    if (!ends) {
        return GR_OK;
    }
    if (!json_is_array(ends)) {
        return refuse(reader, "battery.full_by", ends, "an array of slots");
    }
    for (size_t i = 0; i < json_array_size(ends); i++) {
        const json_t *end = json_array_get(ends, i);
        if (!json_is_integer(end) || json_integer_value(end) < 0) {
            return gr_error_set(reader->error, GR_INVALID,
                                "%s: battery.full_by, entry %zu: found %s, allowed is a slot", reader->name,
                                i, show_value(end).text);
        }
        reader->ends[i] = (size_t)json_integer_value(end);
    }
    problem->full_by = reader->ends;
    problem->full_windows = json_array_size(ends);
    problem->full_kwh = problem->battery.capacity_kwh;
    return json_object_get(battery, "full_kwh")
               ? read_number(reader, battery, "battery.full_kwh", "full_kwh", &problem->full_kwh)
               : GR_OK;
}

static int read_days(struct reader *reader, const json_t *peak, size_t slots, const size_t **out)
{
    const json_t *days = json_object_get(peak, "day");
    *out = reader->days;
    if (!days) {
        return GR_OK;
    }
    if (!json_is_array(days)) {
        return refuse(reader, "peak.day", days, "an array with one number per slot");
    }
    int rc = check_size(reader, days, "peak.day", slots);
    for (size_t t = 0; t < slots && !rc; t++) {
        const json_t *day = json_array_get(days, t);
        bool counts = json_is_integer(day) && json_integer_value(day) >= 0;
        rc = counts ? GR_OK : refuse_entry(reader, "peak.day", t, day, "a day, counted from 0");
        reader->days[t] = counts ? (size_t)json_integer_value(day) : 0;
    }
    return rc;
}

/* Payment for the month's highest import. */
static int read_peak(struct reader *reader, const json_t *root, struct gr_peak *out, size_t slots)
{
    const json_t *peak, *seen, *mean_of;
    int rc = find_object(reader, root, "peak", &peak);
    if (!rc && json_object_get(peak, "per_kw")) {
        rc = read_number(reader, peak, "peak.per_kw", "per_kw", &out->per_kw);
    }
    rc = rc ? rc : read_curve(reader, peak, "peak.steps", "steps", "[kW, money]", &out->steps);
    mean_of = json_object_get(peak, "mean_of");
    if (!rc && mean_of && !(json_is_integer(mean_of) && json_integer_value(mean_of) > 0)) {
        rc = refuse(reader, "peak.mean_of", mean_of, "a number of days");
    }
    out->mean_of = mean_of && !rc ? (size_t)json_integer_value(mean_of) : 1;
    seen = json_object_get(peak, "seen_kw");
    out->seen = json_array_size(seen);
    rc = rc || !seen ? rc : read_array(reader, peak, "peak.seen_kw", "seen_kw", out->seen, &out->seen_kw);
    return rc ? rc : read_days(reader, peak, slots, &out->day);
}

/* What a problem may say besides. */
static int read_optional(struct reader *reader, const json_t *root, const json_t *battery, const json_t *grid,
                         struct gr_problem *problem)
{
    size_t slots = problem->slots;
    int rc = GR_OK;
    if (json_object_get(grid, "may_export")) {
        rc = read_flags(reader, grid, "grid.may_export", "may_export", slots, &problem->may_export);
    }
    if (!rc && json_object_get(battery, "wanted_kwh")) {
        rc = read_array(reader, battery, "battery.wanted_kwh", "wanted_kwh", slots, &problem->wanted_kwh);
        problem->wanted_per_kwh = problem->penalty_per_kwh;
    }
    if (!rc && json_object_get(battery, "wanted_per_kwh")) {
        rc = read_number(reader, battery, "battery.wanted_per_kwh", "wanted_per_kwh",
                         &problem->wanted_per_kwh);
    }
    problem->limits_discharge = json_object_get(battery, "most_discharged_kwh") != NULL;
    if (!rc && problem->limits_discharge) {
        rc = read_number(reader, battery, "battery.most_discharged_kwh", "most_discharged_kwh",
                         &problem->most_discharged_kwh);
    }
    if (!rc && json_object_get(root, "carbon_kg_per_kwh")) {
        rc = read_array(reader, root, "carbon_kg_per_kwh", "carbon_kg_per_kwh", slots,
                        &problem->carbon_kg_per_kwh);
        rc = rc ? rc
                : read_number(reader, root, "carbon_price_per_kg", "carbon_price_per_kg",
                              &problem->carbon_price_per_kg);
    }
    rc = rc ? rc : read_inverter(reader, root, problem);
    rc = rc ? rc : read_curves(reader, battery, problem);
    rc = rc ? rc : read_commands(reader, root, problem);
    return rc ? rc : read_full(reader, battery, problem);
}

static int read_numbers(struct reader *reader, const json_t *root, const json_t *battery,
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
        {battery, "battery.charge_efficiency", "charge_efficiency", &into->charge_efficiency},
        {battery, "battery.discharge_efficiency", "discharge_efficiency", &into->discharge_efficiency},
        {battery, "battery.standing_loss_kw", "standing_loss_kw", &into->standing_loss_kw},
        {battery, "battery.wear_per_kwh", "wear_per_kwh", &into->wear_per_kwh},
        {battery, "battery.start_kwh", "start_kwh", &problem->start_kwh},
    };
    for (size_t i = 0; i < sizeof numbers / sizeof *numbers && !rc; i++) {
        rc = read_number(reader, numbers[i].object, numbers[i].name, numbers[i].member, numbers[i].out);
    }
    rc = rc ? rc : read_limits(reader, battery, grid, problem);
    rc = rc ? rc : read_flag(reader, grid, "grid.curtailable", "curtailable", &problem->curtailable);
    problem->penalty_per_kwh = DEFAULT_PENALTY_PER_KWH;
    if (!rc && json_object_get(root, "penalty_per_kwh")) {
        rc = read_number(reader, root, "penalty_per_kwh", "penalty_per_kwh", &problem->penalty_per_kwh);
    }
    return rc ? rc : read_optional(reader, root, battery, grid, problem);
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

/* The value of what is left: points, or a rate that becomes two points. */
static int read_end(struct reader *reader, const json_t *root, struct gr_problem *problem)
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
    double *kwh = reader->room, *value = kwh + problem->end_points;
    reader->room += 2 * problem->end_points;
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

/* Room enough for every array of a file, whether it holds numbers or pairs. */
static size_t count_room(const json_t *value)
{
    size_t count = 2 * json_array_size(value) + 2;
    const char *key;
    json_t *inner;
    json_object_foreach((json_t *)value, key, inner)
    {
        count += count_room(inner);
    }
    return count;
}

static int read_root(struct reader *reader, const json_t *root, struct gr_problem_file *out)
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
    out->block = calloc(count_room(root), sizeof *out->block);
    out->flags = calloc(problem->slots, sizeof *out->flags);
    out->ends = calloc(json_array_size(json_object_get(battery, "full_by")) + 1, sizeof *out->ends);
    out->days = calloc(problem->slots, sizeof *out->days);
    if (!out->block || !out->flags || !out->ends || !out->days) {
        return gr_error_set(reader->error, GR_NO_MEMORY, "%s: no memory for %zu slots", reader->name,
                            problem->slots);
    }
    reader->room = out->block;
    reader->flags = out->flags;
    reader->ends = out->ends;
    reader->days = out->days;
    problem->peak = json_object_get(root, "peak") ? &out->peak : NULL;
    rc = read_arrays(reader, root, battery, problem);
    rc = rc ? rc : read_numbers(reader, root, battery, problem);
    rc = rc ? rc : read_end(reader, root, problem);
    rc = rc || !problem->peak ? rc : read_peak(reader, root, &out->peak, problem->slots);
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
    struct reader reader = {.name = name, .error = error};
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
    free(file->flags);
    free(file->ends);
    free(file->days);
    memset(file, 0, sizeof *file);
}
