#include "forecast/frame.h"

#include "granary/civil.h"

#include <math.h>
#include <stdlib.h>

static const double half_life_days = 14;
static const double other_type_weight = 0.4; /* a weekday for a weekend day or the other way round */
/* How far a path is drawn to the present level, and how much less an unlike day counts; docs/forecast.md. */
static const double house_pull = 0.5;
static const double solar_pull = 0.3;
static const double most_pull = 0.7; /* of a logarithm of levels: about twice or half */
static const double day_unlikeness = 0.7;
static const double late_unlikeness = 0.3;
static const double level_floor = 0.05; /* of the usual power, added to levels: small ones differ by chance */
static const int64_t longest_horizon_s = (int64_t)400 * GR_DAY_S;

/* Scales of the profile: mean 1. */
static const double house_scale[LEVELS] = {0.6, 0.75, 0.9, 1.15, 1.6};
/* Clearness around the usual one, in units of the distance to the nearer end of 0 to 1: sum 0. Number 2 is
 * close to usual. */
static const double clearness_step[LEVELS] = {-1, -0.5, 0.1, 0.5, 0.9};
/* Which clearness goes with which scale. Taken together the ten pairs have no rank correlation, so that a
 * high load is no sign of a bright or a dull day. */
static const size_t paired_level[2 * LEVELS] = {3, 0, 2, 4, 1, 1, 4, 2, 0, 3};
/* Order in which days of unknown sun go through the clearnesses. */
static const size_t level_of_age[LEVELS] = {2, 4, 1, 3, 0};

static int check(const struct gr_expectation *expectation, const int64_t *bounds_s, size_t slots,
                 struct gr_error *error)
{
    if (slots == 0) {
        return gr_error_set(error, GR_INVALID, "paths: no slots, at least one expected");
    }
    for (size_t i = 0; i < slots; i++) {
        if (bounds_s[i + 1] <= bounds_s[i]) {
            return gr_error_set(error, GR_INVALID, "paths: slot %zu does not end after its start", i);
        }
    }
    if (bounds_s[slots] - bounds_s[0] > longest_horizon_s) {
        return gr_error_set(error, GR_INVALID, "paths: horizon longer than 400 days");
    }
    if (expectation->path_days < 1 || expectation->path_days > GR_HISTORY_DAYS) {
        return gr_error_set(error, GR_INVALID, "paths: %zu past days asked for, 1 to %d expected",
                            expectation->path_days, GR_HISTORY_DAYS);
    }
    for (size_t hour = 0; hour < 24; hour++) {
        double kw = expectation->house_kw[hour];
        if (!isfinite(kw) || kw < 0) {
            return gr_error_set(error, GR_INVALID,
                                "paths: typical house power of hour %zu is %g kW, 0 or more expected", hour,
                                kw);
        }
    }
    if (!(expectation->usual_clearness >= 0 && expectation->usual_clearness <= 1)) {
        return gr_error_set(error, GR_INVALID, "paths: usual clearness is %g, 0 to 1 expected",
                            expectation->usual_clearness);
    }
    return GR_OK;
}

static int64_t half_hour_number(int64_t utc_s)
{
    return utc_s / GR_HISTORY_STEP_S - (utc_s % GR_HISTORY_STEP_S < 0);
}

static bool is_day_off(const struct frame *frame, int64_t day)
{
    return gr_is_day_off(&frame->expectation->holidays, day);
}

static void place_cell(const struct frame *frame, struct cell *cell, int64_t number)
{
    cell->start_s = number * GR_HISTORY_STEP_S;
    int64_t middle_s = cell->start_s + GR_HISTORY_STEP_S / 2;
    int64_t local_s = gr_zone_local_s(frame->zone, middle_s);
    cell->day = gr_civil_day(local_s);
    cell->wall_s = local_s - cell->day * GR_DAY_S;
    cell->day_off = is_day_off(frame, cell->day);
    for (size_t level = 0; level < LEVELS; level++) {
        cell->clear_kw[level] = NAN;
    }
}

static int lay_out(struct frame *frame)
{
    int64_t end_s = frame->bounds_s[frame->slots];
    int64_t first = half_hour_number(frame->now_s);
    frame->cells = (size_t)(half_hour_number(end_s - 1) - first + 1);
    frame->cell = malloc(frame->cells * sizeof *frame->cell);
    if (!frame->cell) {
        return GR_NO_MEMORY;
    }
    frame->today = gr_civil_day(gr_zone_local_s(frame->zone, frame->now_s));
    for (size_t c = 0; c < frame->cells; c++) {
        place_cell(frame, &frame->cell[c], first + (int64_t)c);
    }
    double usual = frame->expectation->usual_clearness;
    for (size_t level = 0; level < LEVELS; level++) {
        frame->clearness[level] = usual + clearness_step[level] * fmin(usual, 1 - usual);
    }
    return GR_OK;
}

/* Time-weighted means of the cells over the slots. */
static void spread(const struct frame *frame, const double *cell_kw, double *slot_kw)
{
    int64_t origin_s = frame->cell[0].start_s;
    for (size_t s = 0; s < frame->slots; s++) {
        int64_t at_s = frame->bounds_s[s];
        int64_t end_s = frame->bounds_s[s + 1];
        double sum = 0;
        while (at_s < end_s) {
            int64_t c = (at_s - origin_s) / GR_HISTORY_STEP_S;
            int64_t until_s = origin_s + (c + 1) * GR_HISTORY_STEP_S;
            until_s = until_s < end_s ? until_s : end_s;
            sum += cell_kw[c] * (double)(until_s - at_s);
            at_s = until_s;
        }
        slot_kw[s] = sum / (double)(end_s - frame->bounds_s[s]);
    }
}

/* Age of the day that stands for the next day of the horizon: the follower where it is known, or the same day
 * again. */
static int64_t next_age(const struct frame *frame, int64_t age)
{
    return age > 1 && frame->past[age - 1].house_known ? age - 1 : age;
}

/* One possible course by cells, reused from path to path. */
struct course {
    double *house_kw, *solar_kw;
};

/* Lets the past day of that age run through the horizon; returns the path's weight before scaling. */
static double follow_day(const struct frame *frame, int64_t first_age, struct course *course)
{
    int64_t age = first_age;
    int64_t day = frame->today;
    bool day_off = is_day_off(frame, frame->today - age);
    size_t of_other_type = 0;
    for (size_t c = 0; c < frame->cells; c++) {
        struct cell *cell = &frame->cell[c];
        if (cell->day > day) {
            day = cell->day;
            age = next_age(frame, age);
            day_off = is_day_off(frame, frame->today - age);
        }
        int64_t source = frame->today - age;
        bool modelled = frame->site->array_count > 0 && !frame->past[age].solar_known;
        course->house_kw[c] = frame_past_house_kw(frame, source, cell->wall_s);
        course->solar_kw[c] = modelled ? frame_model_kw(frame, cell, level_of_age[age % LEVELS])
                                       : frame_past_solar_kw(frame, cell, cell->day - source);
        of_other_type += day_off != cell->day_off;
    }
    double share = (double)of_other_type / (double)frame->cells;
    return pow(0.5, (double)first_age / half_life_days) * pow(other_type_weight, share);
}

/* Logarithm of two levels; 0 where one is not known. */
static double compare(double now_kw, double then_kw, double usual_kw)
{
    double floor_kw = level_floor * usual_kw;
    double log_ratio = log((now_kw + floor_kw) / (then_kw + floor_kw));
    return isfinite(log_ratio) ? log_ratio : 0;
}

static double pull_of(double log_ratio, double share)
{
    return exp(share * fmin(fmax(log_ratio, -most_pull), most_pull));
}

/* Draws the course of a past day towards the level of the present, and returns how alike the two are: 1 where
 * their levels are the same. */
static double liken(const struct frame *frame, int64_t age, struct course *course)
{
    struct frame_levels then = frame_levels_at(frame, age);
    double house = compare(frame->level.house_kw, then.house_kw, frame->usual_house_kw);
    double late = compare(frame->level.late_house_kw, then.late_house_kw, frame->usual_house_kw);
    double solar = compare(frame->level.solar_kw, then.solar_kw, frame->usual_solar_kw);
    double house_factor = pull_of(house, house_pull), solar_factor = pull_of(solar, solar_pull);
    for (size_t c = 0; c < frame->cells; c++) {
        course->house_kw[c] *= house_factor;
        course->solar_kw[c] *= solar_factor;
    }
    return exp(-day_unlikeness * fabs(house) - late_unlikeness * fabs(late));
}

static void imagine(const struct frame *frame, size_t number, struct course *course)
{
    double scale = house_scale[number % LEVELS];
    size_t level = paired_level[number];
    for (size_t c = 0; c < frame->cells; c++) {
        struct cell *cell = &frame->cell[c];
        course->house_kw[c] = scale * frame_profile_kw(frame, cell->wall_s);
        course->solar_kw[c] = frame->site->array_count > 0
                                  ? frame_model_kw(frame, cell, level)
                                  : frame_past_solar_kw(frame, cell, cell->day - frame->today + 1);
    }
}

static int make_room(struct gr_paths *paths, size_t count, size_t slots)
{
    *paths = (struct gr_paths){.count = count, .slots = slots};
    paths->weight = calloc(count, sizeof *paths->weight);
    paths->load_kw = calloc(count * slots, sizeof *paths->load_kw);
    paths->solar_kw = calloc(count * slots, sizeof *paths->solar_kw);
    return paths->weight && paths->load_kw && paths->solar_kw ? GR_OK : GR_NO_MEMORY;
}

static void keep(const struct frame *frame, const struct course *course, double weight,
                 struct gr_paths *paths, size_t path)
{
    paths->weight[path] = weight;
    spread(frame, course->house_kw, paths->load_kw + path * paths->slots);
    spread(frame, course->solar_kw, paths->solar_kw + path * paths->slots);
}

static void scale_weights(double *weight, size_t count, double total)
{
    double sum = 0;
    for (size_t i = 0; i < count; i++) {
        sum += weight[i];
    }
    for (size_t i = 0; i < count; i++) {
        weight[i] *= total / sum;
    }
}

static void fill_paths(const struct frame *frame, struct course *course, size_t known, struct gr_paths *paths)
{
    size_t path = 0;
    for (int64_t age = 1; age <= GR_HISTORY_DAYS; age++) {
        if (frame->past[age].house_known) {
            double weight = follow_day(frame, age, course) * liken(frame, age, course);
            keep(frame, course, weight, paths, path++);
        }
    }
    double share_known = (double)known / (double)frame->expectation->path_days;
    scale_weights(paths->weight, known, share_known);
    for (size_t number = 0; path < paths->count; number++) {
        imagine(frame, number, course);
        keep(frame, course, 1, paths, path++);
    }
    scale_weights(paths->weight + known, paths->count - known, 1 - share_known);
}

int gr_paths_build(struct gr_paths *out, const struct gr_history *history,
                   const struct gr_expectation *expectation, const struct gr_site *site,
                   const struct gr_zone *zone, const int64_t *bounds_s, size_t slots, struct gr_error *error)
{
    struct frame frame = {.expectation = expectation, .site = site, .zone = zone};
    struct course course = {NULL, NULL};
    *out = (struct gr_paths){0};
    int code = check(expectation, bounds_s, slots, error);
    if (code != GR_OK) {
        return code;
    }
    frame.bounds_s = bounds_s;
    frame.slots = slots;
    frame.now_s = bounds_s[0];
    code = lay_out(&frame);
    if (code != GR_OK) {
        goto out;
    }
    frame_read_past(&frame, history);
    size_t known = frame_survey_past(&frame);
    frame_survey_levels(&frame);
    course.house_kw = malloc(frame.cells * sizeof *course.house_kw);
    course.solar_kw = malloc(frame.cells * sizeof *course.solar_kw);
    code = make_room(out, known + (known < expectation->path_days ? 2 * LEVELS : 0), slots);
    if (code != GR_OK || !course.house_kw || !course.solar_kw) {
        code = GR_NO_MEMORY;
        goto out;
    }
    fill_paths(&frame, &course, known, out);
out:
    free(course.house_kw);
    free(course.solar_kw);
    free(frame.cell);
    if (code != GR_OK) {
        gr_paths_free(out);
        return gr_error_set(error, code, "paths: out of memory for %zu slots", slots);
    }
    return GR_OK;
}
