#include "granary/civil.h"
#include "tool/import.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define TIME_SIZE 24

/* "2026-10-25 01:30" by the site's clock. */
static const char *local_time(char out[TIME_SIZE], const struct gr_zone *zone, int64_t utc_s)
{
    char text[GR_RFC3339_SIZE];
    gr_rfc3339_format_local(text, utc_s, gr_zone_offset_s(zone, utc_s));
    (void)snprintf(out, TIME_SIZE, "%.10s %.5s", text, text + 11);
    return out;
}

static void print_period(const struct gr_import *job)
{
    const struct gr_usage *usage = &job->usage;
    char from[TIME_SIZE], to[TIME_SIZE];
    int64_t end_s = usage->start_s + (int64_t)usage->count * usage->step_s;
    printf("%s: %zu rows, a step of %d minutes\n", job->usage_file, job->report.rows,
           (int)(usage->step_s / 60));
    printf("  period         %s to %s, %s (%.1f days)\n", local_time(from, job->zone, usage->start_s),
           local_time(to, job->zone, end_s), gr_zone_name(job->zone),
           (double)(end_s - usage->start_s) / GR_DAY_S);
    printf("  columns        %s%s%s\n", usage->load_kw ? "load" : "",
           usage->solar_kw ? (usage->load_kw ? ", solar" : "solar") : "",
           usage->temperature_c ? ", temperature" : "");
}

static void print_faults(const struct gr_import *job)
{
    const struct gr_usage_report *report = &job->report;
    char at[TIME_SIZE];
    if (report->gaps > 0) {
        printf("  gaps           %zu, the longest of %.4g hours, the first at %s\n", report->gaps,
               (double)report->longest_gap_s / 3600, local_time(at, job->zone, report->first_gap_s));
    } else {
        puts("  gaps           none");
    }
    printf("  duplicates     %zu rows that repeat another\n", report->duplicates);
    printf("  suspicious     %zu values far above the others, of which %zu above 100 kW are left out; %zu "
           "negative ones count as 0\n",
           report->suspect_high, job->left_out, report->negative_values);
    if (report->remarks[0]) {
        printf("  remarks        %s\n", report->remarks);
    }
}

static void print_car(const struct gr_import *job)
{
    const struct gr_blocks *car = &job->car;
    if (job->car_inside && car->count == 0) {
        puts("  car            no charging was recognised: the load is taken as it is");
    } else if (job->car_inside) {
        printf("  car            %zu blocks of %.1f kW, %.0f kWh, taken out of the load\n", car->count,
               car->power_kw, car->energy_kwh);
    }
}

static void print_clock_changes(const struct gr_import *job)
{
    int64_t end_s = job->usage.start_s + (int64_t)job->usage.count * job->usage.step_s;
    int64_t change_s = gr_zone_next_change_s(job->zone, job->usage.start_s);
    size_t count = 0;
    for (; change_s < end_s; change_s = gr_zone_next_change_s(job->zone, change_s)) {
        if (gr_zone_offset_s(job->zone, change_s) != gr_zone_offset_s(job->zone, change_s - 1)) {
            char at[TIME_SIZE];
            double hours = (double)(gr_zone_day_start_s(job->zone, change_s, 1) -
                                    gr_zone_day_start_s(job->zone, change_s, 0)) /
                           3600;
            printf("%s%.10s (%.4g hours)", count++ > 0 ? ", " : "  clock changes  ",
                   local_time(at, job->zone, change_s), hours);
        }
    }
    puts(count > 0 ? "" : "  clock changes  none in this period");
}

/* ---- energy per day ---- */

struct days {
    double kwh;
    size_t count;
};

/* A day counts where at least half of it is known; it is scaled up to the whole. */
static void add_day(struct days *days, const struct gr_usage *usage, const double *values, int64_t from_s,
                    int64_t to_s)
{
    double mean_kw = values ? gr_usage_mean(usage, values, from_s, to_s) : (double)NAN;
    if (!isnan(mean_kw)) {
        days->kwh += mean_kw * (double)(to_s - from_s) / 3600;
        days->count++;
    }
}

static void print_mean(const char *name, const struct days *days)
{
    if (days->count > 0) {
        printf("  %s %.2f kWh", name, days->kwh / (double)days->count);
    }
}

static void print_line(const char *head, const struct days *load, const struct days *solar)
{
    if (load->count > 0 || solar->count > 0) {
        printf("  %-13s", head);
        print_mean("load", load);
        print_mean("solar", solar);
        (void)putchar('\n');
    }
}

static void add_up(struct days *sum, struct days *part)
{
    sum->kwh += part->kwh;
    sum->count += part->count;
    *part = (struct days){0};
}

static void print_energy(const struct gr_import *job)
{
    const struct gr_usage *usage = &job->usage;
    struct days load = {0}, solar = {0}, all_load = {0}, all_solar = {0};
    char month[TIME_SIZE] = "", at[TIME_SIZE];
    int64_t end_s = usage->start_s + (int64_t)usage->count * usage->step_s;
    int64_t day_s = gr_zone_day_start_s(job->zone, usage->start_s, 0);
    puts("Energy per day, month by month:");
    while (day_s < end_s) {
        int64_t next_s = gr_zone_day_start_s(job->zone, day_s, 1);
        (void)snprintf(month, sizeof month, "%.7s", local_time(at, job->zone, day_s));
        add_day(&load, usage, usage->load_kw, day_s, next_s);
        add_day(&solar, usage, usage->solar_kw, day_s, next_s);
        local_time(at, job->zone, next_s);
        at[7] = '\0';
        if (next_s >= end_s || strcmp(at, month) != 0) {
            print_line(month, &load, &solar);
            add_up(&all_load, &load);
            add_up(&all_solar, &solar);
        }
        day_s = next_s;
    }
    print_line("all", &all_load, &all_solar);
}

void gr_import_print(const struct gr_import *job)
{
    print_period(job);
    print_faults(job);
    print_car(job);
    print_clock_changes(job);
    print_energy(job);
}
