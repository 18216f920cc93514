#include "granary/civil.h"
#include "usage/rows.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* No source: common practice of reading house meters. A fuse of 100 kW is beyond any house; a house that
 * takes 30 kW half of the time or 20 W on the mean has its figures in another unit. */
#define MOST_KW 100
#define MOST_MEDIAN_KW 30
#define LEAST_MEAN_KW 0.02
#define SLIP_FACTOR 20
#define LEAST_SLIP_KW 1
#define MANY_ZEROS 0.1
#define EARLIEST_NOON_H 9.5
#define LATEST_NOON_H 15.5

#define REMARK_SIZE 200

/* A remark that has no room any more is dropped. */
static void remark(struct gr_usage_report *report, const char *text)
{
    size_t used = strlen(report->remarks);
    if (used + strlen(text) + 3 < sizeof report->remarks) {
        (void)snprintf(report->remarks + used, sizeof report->remarks - used, "%s%s", used > 0 ? "; " : "",
                       text);
    }
}

static void count_gaps(const struct gr_usage *usage, struct gr_usage_report *report)
{
    const double *values = usage->load_kw ? usage->load_kw : usage->solar_kw;
    int64_t length_s = 0;
    for (size_t i = 0; i < usage->count; i++) {
        if (!isnan(values[i])) {
            length_s = 0;
            continue;
        }
        if (length_s == 0 && report->gaps++ == 0) {
            report->first_gap_s = usage->start_s + (int64_t)i * usage->step_s;
        }
        length_s += usage->step_s;
        report->longest_gap_s = length_s > report->longest_gap_s ? length_s : report->longest_gap_s;
    }
}

/* ---- sizes ---- */

struct spread {
    double median, high, mean; /* high: the 99 % quantile */
    double zeros;              /* share */
    size_t known;
    bool falls; /* at least once from one known value to the next */
};

static int compare(const void *a, const void *b)
{
    const double *x = a, *y = b;
    return (*x > *y) - (*x < *y);
}

static int measure(struct spread *out, const double *values, size_t count)
{
    double *known = malloc(count * sizeof *known), sum = 0;
    size_t zeros = 0;
    *out = (struct spread){.known = 0};
    if (!known) {
        return GR_NO_MEMORY;
    }
    for (size_t i = 0; i < count; i++) {
        if (!isnan(values[i])) {
            out->falls = out->falls || (out->known > 0 && values[i] < known[out->known - 1]);
            known[out->known++] = values[i];
            sum += values[i];
            zeros += values[i] == 0;
        }
    }
    if (out->known > 0) {
        qsort(known, out->known, sizeof *known, compare);
        out->median = known[out->known / 2];
        out->high = known[(out->known - 1) * 99 / 100];
        out->mean = sum / (double)out->known;
        out->zeros = (double)zeros / (double)out->known;
    }
    free(known);
    return GR_OK;
}

static void count_high(const struct gr_usage *usage, const double *values, const struct spread *spread,
                       struct gr_usage_report *report)
{
    double limit = fmax(SLIP_FACTOR * spread->high, LEAST_SLIP_KW);
    limit = fmin(limit, MOST_KW);
    for (size_t i = 0; i < usage->count; i++) {
        report->suspect_high += values[i] > limit;
    }
}

static void judge_load(const struct spread *load, struct gr_usage_report *report)
{
    char text[REMARK_SIZE];
    if (load->known == 0) {
        remark(report, "the load column is empty");
    } else if (load->median > MOST_MEDIAN_KW) {
        (void)snprintf(text, sizeof text,
                       "the load is %.0f kW half of the time: looks like W or Wh taken for kW or kWh",
                       load->median);
        remark(report, text);
    } else if (load->mean > 0 && load->mean < LEAST_MEAN_KW) {
        (void)snprintf(text, sizeof text, "the mean load is %.3g W: looks like kW or kWh taken for W or Wh",
                       load->mean * 1000);
        remark(report, text);
    }
    if (load->known >= 48 && !load->falls && load->high > load->median) {
        remark(report, "the load never falls: looks like a meter's reading, not the energy of each step");
    }
    if (load->known > 0 && load->zeros > MANY_ZEROS) {
        (void)snprintf(text, sizeof text,
                       "the load is 0 in %.0f %% of the steps: is it net of sun or battery?",
                       load->zeros * 100);
        remark(report, text);
    }
}

/* ---- the sun ---- */

/* The middle of the sun's day by the wall clock, weighted with its energy on the circle of 24 h; NAN where
 * there is no sun or no middle. */
static double sun_noon_h(const struct gr_usage *usage, const struct gr_zone *zone)
{
    const double turn = 6.283185307179586, seconds = 86400;
    double along = 0, across = 0, sum = 0;
    for (size_t i = 0; i < usage->count; i++) {
        if (usage->solar_kw[i] > 0) {
            int64_t middle_s = usage->start_s + (int64_t)i * usage->step_s + usage->step_s / 2;
            double angle = turn * (double)(gr_zone_local_s(zone, middle_s) % GR_DAY_S) / seconds;
            along += usage->solar_kw[i] * cos(angle);
            across += usage->solar_kw[i] * sin(angle);
            sum += usage->solar_kw[i];
        }
    }
    double hours = atan2(across, along) / turn * 24;
    return sum > 0 && hypot(along, across) > 0.1 * sum ? (hours < 0 ? hours + 24 : hours) : (double)NAN;
}

static void judge_sun(const struct gr_usage *usage, const struct gr_zone *zone, const struct spread *solar,
                      struct gr_usage_report *report)
{
    char text[REMARK_SIZE];
    if (solar->known == 0) {
        remark(report, "the solar column is empty");
    } else if (solar->high > MOST_MEDIAN_KW) {
        (void)snprintf(text, sizeof text, "the sun gives %.0f kW: looks like W or Wh taken for kW or kWh",
                       solar->high);
        remark(report, text);
    }
    double noon_h = zone ? sun_noon_h(usage, zone) : (double)NAN;
    if (noon_h < EARLIEST_NOON_H || noon_h > LATEST_NOON_H) {
        (void)snprintf(
            text, sizeof text,
            "the middle of the sun's day is at %02d:%02d local time: are the times of another zone?",
            (int)noon_h, (int)(noon_h * 60) % 60);
        remark(report, text);
    }
}

/* ---- the clock ---- */

static bool is_known(const struct gr_usage *usage, int64_t from_s, int64_t to_s)
{
    const double *values = usage->load_kw ? usage->load_kw : usage->solar_kw;
    for (size_t i = 0; i < usage->count; i++) {
        int64_t start_s = usage->start_s + (int64_t)i * usage->step_s;
        if (start_s >= to_s) {
            break;
        }
        if (start_s >= from_s && !isnan(values[i])) {
            return true;
        }
    }
    return false;
}

/* An hour that the wall clock shows twice, but the file only once. */
static void judge_clock(const struct gr_usage *usage, const struct gr_zone *zone,
                        struct gr_usage_report *report)
{
    char text[REMARK_SIZE];
    int64_t end_s = usage->start_s + (int64_t)usage->count * usage->step_s;
    int64_t change_s = gr_zone_next_change_s(zone, usage->start_s);
    for (; change_s < end_s; change_s = gr_zone_next_change_s(zone, change_s)) {
        int64_t back_s = gr_zone_offset_s(zone, change_s - 1) - gr_zone_offset_s(zone, change_s);
        if (back_s > 0 && change_s + back_s <= end_s && !is_known(usage, change_s, change_s + back_s) &&
            is_known(usage, change_s - back_s, change_s)) {
            char shown[GR_RFC3339_SIZE];
            gr_rfc3339_format_local(shown, change_s, gr_zone_offset_s(zone, change_s));
            (void)snprintf(text, sizeof text,
                           "no clock change found where one was due on %.10s: the repeated hour is missing",
                           shown);
            remark(report, text);
        }
    }
}

int gr_usage_look(const struct gr_usage *usage, const struct gr_usage_rows *rows,
                  struct gr_usage_report *report)
{
    struct spread load, solar;
    count_gaps(usage, report);
    if (usage->load_kw) {
        if (measure(&load, usage->load_kw, usage->count) != GR_OK) {
            return GR_NO_MEMORY;
        }
        count_high(usage, usage->load_kw, &load, report);
        judge_load(&load, report);
    }
    if (usage->solar_kw) {
        if (measure(&solar, usage->solar_kw, usage->count) != GR_OK) {
            return GR_NO_MEMORY;
        }
        count_high(usage, usage->solar_kw, &solar, report);
        judge_sun(usage, rows->zone, &solar, report);
    }
    if (rows->any_local) {
        judge_clock(usage, rows->zone, report);
    }
    return GR_OK;
}
