/* The weather's part of the feed. */
#include "daemon/feed_item.h"
#include "daemon/log.h"
#include "granary/civil.h"

#include <math.h>

static const int64_t keep_s = INT64_C(35) * 86400; /* as long as the history: the skill is learned from it */

static const int64_t store_s = INT64_C(6) * 3600; /* kind to a memory card: what is told is told again */

static const double least_air_c = -60, greatest_air_c = 60;

static void tell_engine(struct gr_feed *feed, const struct gr_feed_item *item, enum gr_weather_kind kind,
                        const struct gr_rate_table *table, struct gr_moment at)
{
    struct gr_error error = {""};
    struct gr_event event = {
        .kind = GR_EVENT_WEATHER, .at = at, .of.weather = {.kind = kind, .table = table}};
    if (gr_engine_handle(feed->engine, &event, &error) != GR_OK) {
        gr_log(GR_LOG_ERROR, "weather: %s: %s", item->source->name, error.text);
    }
}

static enum gr_weather_kind main_kind(const struct gr_weather_source *weather)
{
    return weather->tells_sun ? weather->kind : GR_WEATHER_TEMPERATURE;
}

static void restore_kind(struct gr_feed *feed, struct gr_feed_item *item, enum gr_weather_kind kind,
                         struct gr_rate_table *table)
{
    struct gr_error error = {""};
    if (gr_store_get_rates(feed->store, gr_weather_name(kind), item->source->name, table, &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "weather: %s: what is stored cannot be read: %s", item->source->name,
               error.text);
    } else if (table->count > 0) {
        tell_engine(feed, item, kind, table, (struct gr_moment){.utc_s = 0}); /* told some time before */
    }
}

void gr_feed_restore_weather(struct gr_feed *feed, struct gr_feed_item *item)
{
    struct gr_rate_table temperature = {0};
    if (!feed->store) {
        return;
    }
    restore_kind(feed, item, main_kind(item->weather), &item->table);
    if (item->weather->tells_sun && item->weather->tells_temperature) {
        restore_kind(feed, item, GR_WEATHER_TEMPERATURE, &temperature);
        gr_rate_table_free(&temperature);
    }
}

static int read_kind(const struct gr_feed *feed, const struct gr_feed_item *item, enum gr_weather_kind kind,
                     struct gr_rate_table *out, const void *bytes, size_t length, const struct gr_moment *now,
                     struct gr_error *error)
{
    const struct gr_source *source = item->source;
    bool air = kind == GR_WEATHER_TEMPERATURE;
    const struct gr_rate_mapping *mapping = air ? &item->weather->temperature : &source->mapping;
    double least = air ? least_air_c : source->least_per_kwh;
    double greatest = air ? greatest_air_c : source->greatest_per_kwh;
    int status = gr_rates_read(out, mapping, feed->zone, bytes, length, error);
    return status == GR_OK ? gr_weather_check(out, kind, least, greatest, feed->zone, now->utc_s, error)
                           : status;
}

static void take(struct gr_feed *feed, struct gr_feed_item *item, enum gr_weather_kind kind,
                 const struct gr_rate_table *table, const struct gr_moment *now)
{
    struct gr_error error = {""};
    char from[GR_RFC3339_SIZE], to[GR_RFC3339_SIZE];
    double least = INFINITY, greatest = -INFINITY;
    int64_t from_s = table->rates[0].start_s, to_s = table->rates[table->count - 1].end_s;
    for (size_t i = 0; i < table->count; i++) {
        least = fmin(least, table->rates[i].price_per_kwh);
        greatest = fmax(greatest, table->rates[i].price_per_kwh);
    }
    gr_log(GR_LOG_INFO, "weather: %s: %s accepted: %zu slots, %s to %s, %.3f to %.3f", item->source->name,
           gr_weather_name(kind), table->count,
           gr_rfc3339_format_local(from, from_s, gr_zone_offset_s(feed->zone, from_s)),
           gr_rfc3339_format_local(to, to_s, gr_zone_offset_s(feed->zone, to_s)), least, greatest);
    tell_engine(feed, item, kind, table, *now);
    if (item->stored && gr_store_put_rates(feed->store, gr_weather_name(kind), item->source->name, table,
                                           now->utc_s - keep_s, &error) != GR_OK) {
        item->stored = false;
        gr_log(GR_LOG_WARNING, "weather: %s: could not be stored: %s", item->source->name, error.text);
    }
}

bool gr_feed_accept_weather(struct gr_feed *feed, struct gr_feed_item *item, const void *bytes, size_t length,
                            const struct gr_moment *now)
{
    const struct gr_weather_source *weather = item->weather;
    struct gr_error error = {""};
    struct gr_rate_table table = {0}, air = {0};
    bool both = weather->tells_sun && weather->tells_temperature;
    bool good =
        read_kind(feed, item, main_kind(weather), &table, bytes, length, now, &error) == GR_OK &&
        (!both || read_kind(feed, item, GR_WEATHER_TEMPERATURE, &air, bytes, length, now, &error) == GR_OK) &&
        gr_rate_table_merge(&item->table, &table, now->utc_s - keep_s) == GR_OK;
    if (good) {
        item->stored = feed->store && (now->utc_s < item->stored_s || now->utc_s - item->stored_s >= store_s);
        item->stored_s = item->stored ? now->utc_s : item->stored_s;
        take(feed, item, main_kind(weather), &table, now);
        if (both) {
            take(feed, item, GR_WEATHER_TEMPERATURE, &air, now);
        }
    } else {
        gr_log(GR_LOG_WARNING, "weather: %s: refused, what was told before stays: %s", item->source->name,
               error.text[0] ? error.text : "no memory");
    }
    gr_rate_table_free(&table);
    gr_rate_table_free(&air);
    return good;
}
