/* Prices of the simulated tariff and the documents it is published in. */
#include "tool/simulate.h"

#include "config/json_text.h"
#include "granary/civil.h"

#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <string.h>

enum { stream_price_swing = 101 };

static const int64_t day_s = 86400, half_hour_s = 1800;

double gr_sim_price(const struct gr_sim_scene *scene, enum gr_direction direction, const struct gr_zone *zone,
                    int64_t utc_s)
{
    int64_t local_s = gr_zone_local_s(zone, utc_s);
    int64_t second = (local_s % day_s + day_s) % day_s;
    int64_t day = (local_s - second) / day_s;
    double swing = 1 + scene->price_swing * gr_house_noise(scene->house.seed, stream_price_swing, day);
    const double *prices = direction == GR_IMPORT ? scene->import_price : scene->export_price;
    return round(prices[second / half_hour_s] * swing * 1e4) / 1e4;
}

static int add_interval(json_t *intervals, int64_t from_s, int64_t to_s, double price)
{
    char from[GR_RFC3339_SIZE], to[GR_RFC3339_SIZE];
    return json_array_append_new(intervals,
                                 json_pack("{s:s, s:s, s:f}", "from", gr_rfc3339_format(from, from_s), "to",
                                           gr_rfc3339_format(to, to_s), "price", price));
}

static json_t *make_document(const struct gr_sim_scene *scene, enum gr_direction direction,
                             const struct gr_zone *zone, const char *currency, int64_t utc_s,
                             int64_t published_s)
{
    char published[GR_RFC3339_SIZE];
    json_t *intervals = json_array();
    int64_t end_s = gr_zone_day_start_s(zone, utc_s, 1);
    for (int64_t from_s = gr_zone_day_start_s(zone, utc_s, 0); from_s < end_s; from_s += half_hour_s) {
        int64_t to_s = from_s + half_hour_s < end_s ? from_s + half_hour_s : end_s;
        if (add_interval(intervals, from_s, to_s, gr_sim_price(scene, direction, zone, from_s)) != 0) {
            json_decref(intervals);
            return NULL;
        }
    }
    return json_pack("{s:s, s:s, s:s, s:s, s:o}", "direction", direction == GR_IMPORT ? "import" : "export",
                     "published", gr_rfc3339_format(published, published_s), "currency", currency, "unit",
                     "per kWh", "intervals", intervals);
}

static int replace_file(const char *directory, const char *name, const json_t *document,
                        struct gr_error *error)
{
    char path[GR_PATH_SIZE], part[GR_PATH_SIZE];
    int used = snprintf(path, sizeof path, "%s/%s", directory, name);
    int used_part = snprintf(part, sizeof part, "%s/.%s.part", directory, name);
    if (used < 0 || used_part < 0 || (size_t)used >= sizeof path || (size_t)used_part >= sizeof part) {
        return gr_error_set(error, GR_IO, "%s: the name is too long", directory);
    }
    errno = 0;
    FILE *stream = fopen(part, "w");
    bool written = stream && gr_json_print(document, JSON_INDENT(1) | JSON_REAL_PRECISION(10), stream);
    written = stream && fclose(stream) == 0 && written;
    if (!written || rename(part, path) != 0) {
        const char *why = errno ? strerror(errno) : "cannot be written";
        (void)remove(part);
        return gr_error_set(error, GR_IO, "%s: %s", path, why);
    }
    return GR_OK;
}

int gr_sim_publish_rates(const struct gr_sim_scene *scene, const struct gr_zone *zone, const char *currency,
                         const char *directory, int64_t utc_s, int64_t published_s, struct gr_error *error)
{
    static const char *const names[] = {[GR_IMPORT] = "import", [GR_EXPORT_DIRECTION] = "export"};
    struct gr_civil day = gr_civil_from_seconds(gr_zone_local_s(zone, gr_zone_day_start_s(zone, utc_s, 0)));
    int result = GR_OK;
    for (int direction = GR_IMPORT; direction <= GR_EXPORT_DIRECTION && result == GR_OK; direction++) {
        char name[64];
        (void)snprintf(name, sizeof name, "%s-%04d-%02d-%02d.json", names[direction], day.year, day.month,
                       day.day);
        json_t *document =
            make_document(scene, (enum gr_direction)direction, zone, currency, utc_s, published_s);
        result = document ? replace_file(directory, name, document, error)
                          : gr_error_set(error, GR_NO_MEMORY, "%s: out of memory", name);
        json_decref(document);
    }
    return result;
}
