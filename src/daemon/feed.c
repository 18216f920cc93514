#include "daemon/feed_item.h"

#include "config/slurp.h"
#include "daemon/log.h"
#include "granary/civil.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

static const int64_t keep_s = INT64_C(35) * 86400; /* earlier days give the expected rates */
static const int64_t look_at_file_s = 60;

/* splitmix64 (public domain, S. Vigna): spreads retries of many houses, no more. */
static double next_jitter(struct gr_feed *feed)
{
    uint64_t z = feed->jitter += UINT64_C(0x9e3779b97f4a7c15);
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return (double)((z ^ (z >> 31)) >> 11) * 0x1p-53;
}

static void tell_engine(struct gr_feed *feed, const struct gr_feed_item *item,
                        const struct gr_rate_table *table, const struct gr_moment *now)
{
    struct gr_error error = {""};
    struct gr_event event = {
        .kind = GR_EVENT_RATES,
        .at = *now,
        .of.rates = {.direction = item->direction, .source = item->index, .table = table}};
    if (gr_engine_handle(feed->engine, &event, &error) != GR_OK) {
        gr_log(GR_LOG_ERROR, "rates: %s: %s", item->source->name, error.text);
    }
}

/* The file may have been touched by others, or the plausible range narrowed since. */
static bool is_plausible(const struct gr_rate_table *table, const struct gr_source *source)
{
    for (size_t i = 0; i < table->count; i++) {
        double price = table->rates[i].price_per_kwh;
        if (!(price >= source->least_per_kwh && price <= source->greatest_per_kwh)) {
            return false;
        }
    }
    return true;
}

static void restore(struct gr_feed *feed, struct gr_feed_item *item, const struct gr_moment *now)
{
    struct gr_error error = {""};
    if (!feed->store) {
        return;
    }
    if (gr_store_get_rates(feed->store, gr_direction_name(item->direction), item->source->name, &item->table,
                           &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "rates: %s: the stored table cannot be read: %s", item->source->name,
               error.text);
        return;
    }
    if (!is_plausible(&item->table, item->source)) {
        gr_log(GR_LOG_WARNING, "rates: %s: the stored table holds prices that are not plausible: not used",
               item->source->name);
        gr_rate_table_free(&item->table);
    }
    if (item->table.count > 0) {
        tell_engine(feed, item, &item->table, now);
    }
}

static void add_sources(struct gr_feed *feed, enum gr_direction direction, const struct gr_source *sources,
                        size_t count, const struct gr_moment *now)
{
    for (size_t i = 0; i < count; i++) {
        if (sources[i].kind != GR_SOURCE_BANDS) {
            struct gr_feed_item *item = &feed->items[feed->count++];
            *item = (struct gr_feed_item){.source = &sources[i], .direction = direction, .index = i};
            restore(feed, item, now);
        }
    }
}

static void add_weather(struct gr_feed *feed, const struct gr_weather_source *weather)
{
    if (weather->configured) {
        struct gr_feed_item *item = &feed->items[feed->count++];
        *item = (struct gr_feed_item){.source = &weather->source, .weather = weather};
        gr_feed_restore_weather(feed, item);
    }
}

static void add_events(struct gr_feed *feed, const struct gr_config *config, const struct gr_moment *now)
{
    for (size_t i = 0; i < config->event_source_count; i++) {
        const struct gr_event_source *events = &config->event_sources[i];
        struct gr_feed_item *item = &feed->items[feed->count++];
        *item = (struct gr_feed_item){.source = &events->source, .events = events, .index = i};
        gr_feed_note_events(item, "waiting", "it has not been asked yet", now);
        gr_feed_restore_events(feed, item, now);
    }
}

int gr_feed_create(struct gr_feed **out, const struct gr_config *config, const struct gr_zone *zone,
                   struct gr_engine *engine, struct gr_fetch *fetch, struct gr_store *store,
                   uint64_t jitter_seed, const struct gr_moment *now, struct gr_error *error)
{
    struct gr_feed *feed = calloc(1, sizeof *feed);
    if (!feed) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory for the rate sources");
    }
    feed->zone = zone;
    feed->engine = engine;
    feed->fetch = fetch;
    feed->store = store;
    feed->jitter = jitter_seed;
    add_sources(feed, GR_IMPORT, config->import, config->import_count, now);
    add_sources(feed, GR_EXPORT_DIRECTION, config->export, config->export_count, now);
    add_sources(feed, GR_CARBON, config->carbon, config->carbon_count, now);
    add_weather(feed, &config->weather);
    add_events(feed, config, now);
    *out = feed;
    return GR_OK;
}

void gr_feed_set_store(struct gr_feed *feed, struct gr_store *store)
{
    feed->store = store;
}

void gr_feed_free(struct gr_feed *feed)
{
    if (feed) {
        for (size_t i = 0; i < feed->count; i++) {
            gr_rate_table_free(&feed->items[i].table);
            gr_told_windows_free(&feed->items[i].told);
        }
        free(feed);
    }
}

int gr_feed_pending(const struct gr_feed *feed)
{
    int pending = 0;
    for (size_t i = 0; i < feed->count; i++) {
        pending += feed->items[i].pending;
    }
    return pending;
}

/* ---- accepting a document ---- */

static void announce(const struct gr_feed *feed, const struct gr_feed_item *item,
                     const struct gr_rate_table *table)
{
    double least = INFINITY, greatest = -INFINITY;
    for (size_t i = 0; i < table->count; i++) {
        least = fmin(least, table->rates[i].price_per_kwh);
        greatest = fmax(greatest, table->rates[i].price_per_kwh);
    }
    int64_t from_s = table->rates[0].start_s, to_s = table->rates[table->count - 1].end_s;
    char from[GR_RFC3339_SIZE], to[GR_RFC3339_SIZE];
    gr_log(GR_LOG_INFO, "rates: %s: %s table accepted: %zu slots, %s to %s, %.4f to %.4f %sper kWh",
           item->source->name, gr_direction_name(item->direction), table->count,
           gr_rfc3339_format_local(from, from_s, gr_zone_offset_s(feed->zone, from_s)),
           gr_rfc3339_format_local(to, to_s, gr_zone_offset_s(feed->zone, to_s)), least, greatest,
           item->direction == GR_CARBON ? "kg " : "");
}

/* Reads, checks and only then takes over a document. */
static bool accept_rates(struct gr_feed *feed, struct gr_feed_item *item, const void *bytes, size_t length,
                         const struct gr_moment *now)
{
    struct gr_error error = {""};
    struct gr_rate_table table = {0};
    struct gr_rate_rules rules = {.least_per_kwh = item->source->least_per_kwh,
                                  .greatest_per_kwh = item->source->greatest_per_kwh,
                                  .cover_from_s = item->wanted_from_s,
                                  .cover_to_s = item->wanted_to_s,
                                  .usual_per_kwh = 0};
    /* Too few slots say nothing about what is usual. */
    if (item->table.count >= 24) {
        (void)gr_rate_table_median(&rules.usual_per_kwh, &item->table);
    }
    bool good = gr_rates_read(&table, &item->source->mapping, feed->zone, bytes, length, &error) == GR_OK &&
                gr_rates_check(&table, &rules, feed->zone, &error) == GR_OK &&
                gr_rate_table_merge(&item->table, &table, now->utc_s - keep_s) == GR_OK;
    if (!good) {
        gr_log(GR_LOG_WARNING, "rates: %s: refused, the last good table stays: %s", item->source->name,
               error.text[0] ? error.text : "no memory");
        gr_rate_table_free(&table);
        return false;
    }
    announce(feed, item, &table);
    tell_engine(feed, item, &table, now);
    item->stored = feed->store != NULL;
    if (feed->store && gr_store_put_rates(feed->store, gr_direction_name(item->direction), item->source->name,
                                          &table, now->utc_s - keep_s, &error) != GR_OK) {
        item->stored = false;
        gr_log(GR_LOG_WARNING, "rates: %s: could not be stored: %s", item->source->name, error.text);
    }
    gr_rate_table_free(&table);
    return true;
}

static bool accept_document(struct gr_feed *feed, struct gr_feed_item *item, const void *bytes, size_t length,
                            const struct gr_moment *now)
{
    return item->weather  ? gr_feed_accept_weather(feed, item, bytes, length, now)
           : item->events ? gr_feed_accept_events(feed, item, bytes, length, now)
                          : accept_rates(feed, item, bytes, length, now);
}

/* For messages. */
static const char *group_of(const struct gr_feed_item *item)
{
    return item->weather ? "weather" : item->events ? "events" : "rates";
}

/* ---- what is wanted ---- */

/* End of the unbroken stretch that holds from_s. */
static int64_t covered_until_s(const struct gr_rate_table *table, int64_t from_s)
{
    for (size_t i = 0; i < table->count; i++) {
        if (table->rates[i].start_s <= from_s && from_s < table->rates[i].end_s) {
            from_s = table->rates[i].end_s;
        }
    }
    return from_s;
}

/* Whether a table is wanted now: the rest of today first, tomorrow from its hour on. Sets the span and the
 * day; where nothing is wanted, those of today, whose table may be revised. */
static bool find_wanted(const struct gr_feed *feed, struct gr_feed_item *item, int64_t now_s, int64_t *day_s)
{
    int64_t today_s = gr_zone_day_start_s(feed->zone, now_s, 0);
    int64_t tomorrow_s = gr_zone_day_start_s(feed->zone, now_s, 1);
    int64_t after_s = gr_zone_day_start_s(feed->zone, now_s, 2);
    int64_t covered_s = covered_until_s(&item->table, now_s);
    int64_t minute = (gr_zone_local_s(feed->zone, now_s) - gr_zone_local_s(feed->zone, today_s)) / 60;
    if (item->weather || item->events) { /* they are revised all the time */
        *day_s = today_s;
        return true;
    }
    bool tomorrow_wanted =
        covered_s >= tomorrow_s && covered_s < after_s && minute >= item->source->fetch_from_minute;
    item->wanted_from_s = tomorrow_wanted ? tomorrow_s : now_s;
    item->wanted_to_s = tomorrow_wanted ? after_s : tomorrow_s;
    *day_s = tomorrow_wanted ? tomorrow_s : today_s;
    return tomorrow_wanted || covered_s < tomorrow_s;
}

static void put_off(struct gr_feed *feed, struct gr_feed_item *item, enum gr_fetch_outcome outcome,
                    bool accepted, int64_t retry_after_s, const struct gr_moment *now)
{
    int64_t wanted_s = gr_schedule_wanted_s(feed->zone, now->utc_s, item->source->fetch_from_minute);
    int64_t day_s;
    if (item->weather) {
        wanted_s = now->utc_s + (int64_t)item->weather->refresh_minutes * 60;
    } else if (item->events) {
        wanted_s = now->utc_s + (int64_t)item->events->poll_minutes * 60;
    }
    /* Today's table taken after tomorrow's hour: tomorrow's is due at once. */
    if (accepted && !item->weather && !item->events && find_wanted(feed, item, now->utc_s, &day_s)) {
        wanted_s = now->utc_s;
    }
    gr_schedule_note(&item->schedule, outcome, accepted, retry_after_s, now->utc_s, wanted_s,
                     next_jitter(feed));
}

/* Whether what is held still serves. An event that repeats is told for some days only, so that once a day the
 * whole is asked for. */
static bool holds_something(const struct gr_feed_item *item, int64_t now_s)
{
    return item->events ? item->is_told && now_s - item->told_s < GR_DAY_S && now_s >= item->told_s
                        : covered_until_s(&item->table, now_s) > now_s;
}

/* ---- files ---- */

static void read_file(struct gr_feed *feed, struct gr_feed_item *item, int64_t day_s,
                      const struct gr_moment *now)
{
    struct gr_error error = {""};
    char path[GR_PATH_SIZE];
    struct stat status;
    item->schedule.next_s = now->utc_s + look_at_file_s;
    if (gr_fill_date(path, sizeof path, item->source->path, feed->zone, day_s, &error) != GR_OK) {
        gr_log(GR_LOG_ERROR, "%s: %s: %s", group_of(item), item->source->name, error.text);
        return;
    }
    bool there = stat(path, &status) == 0;
    if (!there && item->events) {
        gr_feed_note_events(item, "down", "the file is not there", now);
    }
    bool changed = there && (status.st_mtim.tv_sec != item->file_time.tv_sec ||
                             status.st_mtim.tv_nsec != item->file_time.tv_nsec);
    bool outworn = there && item->events && !holds_something(item, now->utc_s);
    if (!changed && !outworn) {
        return;
    }
    item->file_time = status.st_mtim;
    size_t length = 0;
    char *bytes = NULL;
    if (gr_slurp(&bytes, &length, path, GR_FETCH_MOST_BYTES, &error) == GR_OK) {
        (void)accept_document(feed, item, bytes, length, now);
    } else {
        gr_log(GR_LOG_WARNING, "%s: %s: %s", group_of(item), item->source->name, error.text);
        if (item->events) {
            gr_feed_note_events(item, "down", error.text, now);
        }
    }
    free(bytes);
}

/* ---- HTTP ---- */

static void start_transfer(struct gr_feed *feed, struct gr_feed_item *item, int64_t day_s,
                           const struct gr_moment *now)
{
    struct gr_error error = {""};
    char etag[GR_ETAG_SIZE] = "", modified[GR_ETAG_SIZE] = "";
    char *headers = NULL;
    if (gr_fill_date(item->url, sizeof item->url, item->source->url, feed->zone, day_s, &error) != GR_OK) {
        goto failed;
    }
    if (item->source->headers_file[0] &&
        gr_secret_read(&headers, item->source->headers_file, &error) != GR_OK) {
        goto failed;
    }
    /* "Not modified" only helps where what was not modified is still held. */
    if (feed->store && holds_something(item, now->utc_s)) {
        (void)gr_store_get_validators(feed->store, item->url, etag, modified, GR_ETAG_SIZE, NULL);
    }
    struct gr_fetch_request request = {.url = item->url,
                                       .headers = headers,
                                       .etag = etag[0] ? etag : NULL,
                                       .last_modified = modified[0] ? modified : NULL};
    if (gr_fetch_start(feed->fetch, (int)(item - feed->items), &request, &error) != GR_OK) {
        goto failed;
    }
    item->pending = true;
    free(headers);
    return;
failed:
    gr_log(GR_LOG_WARNING, "%s: %s: %s", group_of(item), item->source->name, error.text);
    if (item->events) {
        gr_feed_note_events(item, "down", error.text, now);
    }
    put_off(feed, item, GR_FETCH_REFUSED, false, 0, now);
    free(headers);
}

void gr_feed_turn(struct gr_feed *feed, const struct gr_moment *now)
{
    for (size_t i = 0; i < feed->count; i++) {
        struct gr_feed_item *item = &feed->items[i];
        int64_t day_s;
        bool is_file = item->source->kind == GR_SOURCE_FILE;
        if (item->pending || now->utc_s < item->schedule.next_s ||
            (!find_wanted(feed, item, now->utc_s, &day_s) && !is_file)) {
            continue;
        }
        if (is_file) {
            read_file(feed, item, day_s, now);
        } else {
            start_transfer(feed, item, day_s, now);
        }
    }
}

/* A document that is not there is no word that there are no events. */
static bool finish_events(struct gr_feed *feed, struct gr_feed_item *item,
                          const struct gr_fetch_result *result, const struct gr_moment *now)
{
    if (result->outcome == GR_FETCH_BODY) {
        return gr_feed_accept_events(feed, item, result->body, result->length, now);
    }
    bool same = result->outcome == GR_FETCH_NOT_MODIFIED;
    gr_feed_note_events(item, same ? "ok" : "down", same ? "" : result->text, now);
    return same;
}

static bool finish_transfer(struct gr_feed *feed, struct gr_feed_item *item,
                            const struct gr_fetch_result *result, const struct gr_moment *now)
{
    bool accepted = false;
    item->pending = false;
    if (item->events) {
        accepted = finish_events(feed, item, result, now);
    } else if (result->outcome == GR_FETCH_BODY) {
        accepted = accept_document(feed, item, result->body, result->length, now);
    } else if (result->outcome != GR_FETCH_NOT_YET && result->outcome != GR_FETCH_NOT_MODIFIED) {
        gr_log(GR_LOG_WARNING, "%s: %s: %s", group_of(item), item->source->name, result->text);
    } else if (item->weather && result->outcome == GR_FETCH_NOT_MODIFIED) {
        accepted = true; /* not revised: what is held is the last word */
    } else if (item->schedule.failures == 0) {
        gr_log(GR_LOG_INFO, "%s: %s: the next table is not there yet", group_of(item), item->source->name);
    }
    /* Validators of a document that a restart would not find again would keep it from being sent. */
    if (result->outcome == GR_FETCH_BODY && accepted && feed->store && item->stored) {
        (void)gr_store_put_validators(feed->store, item->url, result->etag, result->last_modified, NULL);
    }
    put_off(feed, item, result->outcome, accepted, result->retry_after_s, now);
    return accepted;
}

bool gr_feed_collect(struct gr_feed *feed, const struct gr_moment *now)
{
    struct gr_fetch_result result;
    bool any = false;
    while (gr_fetch_next(feed->fetch, &result)) {
        if (result.id >= 0 && (size_t)result.id < feed->count) {
            any = finish_transfer(feed, &feed->items[result.id], &result, now) || any;
        }
        gr_fetch_result_free(&result);
    }
    return any;
}
