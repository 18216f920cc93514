#include "granary/override.h"

#include "granary/civil.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double least_factor = 0.1, greatest_factor = 5;
static const double greatest_car_kwh = 200, greatest_car_kw = 50, greatest_price = 1000;
static const double reached_percent = 0.25; /* batteries stop a little before */

static const char *const names[GR_OVERRIDE_KINDS] = {
    [GR_OVERRIDE_COMMAND] = "command",     [GR_OVERRIDE_RESERVE] = "reserve", [GR_OVERRIDE_LOAD] = "load",
    [GR_OVERRIDE_NO_EXPORT] = "no-export", [GR_OVERRIDE_PAUSE] = "pause",     [GR_OVERRIDE_CAR] = "car",
    [GR_OVERRIDE_PRICE] = "price",         [GR_OVERRIDE_PAYMENT] = "payment", [GR_OVERRIDE_WISH] = "wish"};

const char *gr_override_name(enum gr_override_kind kind)
{
    return (unsigned)kind < GR_OVERRIDE_KINDS ? names[kind] : NULL;
}

int gr_override_kind_of(const char *name)
{
    for (int kind = 0; kind < GR_OVERRIDE_KINDS; kind++) {
        if (strcmp(names[kind], name) == 0) {
            return kind;
        }
    }
    return -1;
}

/* ---- checking ---- */

static bool is_rising(enum gr_command_kind kind)
{
    return kind == GR_CHARGE || kind == GR_STORE;
}

static bool is_falling(enum gr_command_kind kind)
{
    return kind == GR_EXPORT || kind == GR_SERVE;
}

static int check_aim(const struct gr_override *override, const struct gr_override_limits *limits,
                     struct gr_error *error)
{
    double aim = override->until_percent, now = limits->state_of_charge_percent;
    const char *word = gr_command_name(override->command);
    if (isnan(aim)) {
        return GR_OK;
    }
    if (!is_rising(override->command) && !is_falling(override->command)) {
        return gr_error_set(error, GR_INVALID,
                            "until_percent: found with %s; allowed: with charge, store, serve and export",
                            word);
    }
    double least = is_falling(override->command) ? limits->reserve_percent : 0;
    if (!(aim >= least && aim <= 100)) {
        return gr_error_set(error, GR_INVALID, "until_percent: found %g; allowed with %s: %g to 100", aim,
                            word, least);
    }
    if ((is_rising(override->command) && now >= aim) || (is_falling(override->command) && now <= aim)) {
        return gr_error_set(error, GR_INVALID,
                            "until_percent: found %g; the state of charge is %.1f already, nothing to %s",
                            aim, now, word);
    }
    return GR_OK;
}

static int check_command(const struct gr_override *override, const struct gr_override_limits *limits,
                         struct gr_error *error)
{
    const char *word = gr_command_name(override->command);
    bool powered = override->command == GR_CHARGE || override->command == GR_EXPORT;
    double most_kw =
        override->command == GR_CHARGE ? limits->battery.charge_kw : limits->battery.discharge_kw;
    if (!word) {
        return gr_error_set(error, GR_INVALID,
                            "command: found none; allowed: follow, store, serve, charge, "
                            "export or rest");
    }
    if (override->command == GR_EXPORT && !limits->may_export) {
        return gr_error_set(error, GR_INVALID,
                            "command: found export; the configuration lets the battery not feed the grid");
    }
    if (!powered && override->power_kw != 0) {
        return gr_error_set(error, GR_INVALID, "power_w: found with %s; allowed: with charge and export",
                            word);
    }
    if (!(override->power_kw >= 0 && (!powered || override->power_kw <= most_kw + 1e-9))) {
        return gr_error_set(error, GR_INVALID,
                            "power_w: found %.0f; allowed for %s: 0 (as much as can be) to %.0f",
                            override->power_kw * 1000, word, most_kw * 1000);
    }
    return check_aim(override, limits, error);
}

static int check_car(const struct gr_override *override, int64_t now_s, struct gr_error *error)
{
    if (!(override->value > 0 && override->value <= greatest_car_kwh)) {
        return gr_error_set(error, GR_INVALID, "energy_kwh: found %g; allowed: above 0 up to %g",
                            override->value, greatest_car_kwh);
    }
    if (!(override->power_kw > 0 && override->power_kw <= greatest_car_kw)) {
        return gr_error_set(error, GR_INVALID,
                            "power_w: found %.0f; allowed for a car's charger: above 0 up to %.0f",
                            override->power_kw * 1000, greatest_car_kw * 1000);
    }
    double hours = (double)(override->until_s - now_s) / 3600;
    if (override->value > override->power_kw * hours + 1e-9) {
        return gr_error_set(error, GR_INVALID,
                            "energy_kwh: found %g; only %.1f can be charged with %.2f kW until the end",
                            override->value, override->power_kw * hours, override->power_kw);
    }
    return GR_OK;
}

static int check_value(const struct gr_override *override, const char *member, double least, double greatest,
                       struct gr_error *error)
{
    if (override->value >= least && override->value <= greatest) {
        return GR_OK;
    }
    return gr_error_set(error, GR_INVALID, "%s: found %g; allowed: %g to %g", member, override->value, least,
                        greatest);
}

int gr_override_check(const struct gr_override *override, const struct gr_override_limits *limits,
                      int64_t now_s, struct gr_error *error)
{
    if (override->since_s > now_s && override->since_s >= override->until_s) {
        return gr_error_set(error, GR_INVALID, "from: found a moment that is not before the end");
    }
    if (override->until_s <= now_s || override->until_s - now_s > GR_LONGEST_OVERRIDE_S) {
        char found[GR_RFC3339_SIZE], now[GR_RFC3339_SIZE];
        return gr_error_set(error, GR_INVALID,
                            "until: found %s; allowed: a moment after now (%s), at most %d days away",
                            gr_rfc3339_format(found, override->until_s), gr_rfc3339_format(now, now_s),
                            (int)(GR_LONGEST_OVERRIDE_S / GR_DAY_S));
    }
    switch (override->kind) {
    case GR_OVERRIDE_COMMAND:
        return check_command(override, limits, error);
    case GR_OVERRIDE_RESERVE:
        return override->value > limits->reserve_percent && override->value <= 100
                   ? GR_OK
                   : gr_error_set(error, GR_INVALID,
                                  "percent: found %g; a reserve can only be raised, above %g up to 100",
                                  override->value, limits->reserve_percent);
    case GR_OVERRIDE_LOAD:
        return check_value(override, "factor", least_factor, greatest_factor, error);
    case GR_OVERRIDE_CAR:
        return check_car(override, now_s, error);
    case GR_OVERRIDE_PRICE:
        return check_value(override, "import_per_kwh", -greatest_price, greatest_price, error);
    case GR_OVERRIDE_PAYMENT:
        return check_value(override, "per_kwh", 0, greatest_price, error);
    case GR_OVERRIDE_WISH:
        return check_value(override, "percent", limits->reserve_percent, 100, error);
    case GR_OVERRIDE_NO_EXPORT:
    case GR_OVERRIDE_PAUSE:
        return GR_OK;
    case GR_OVERRIDE_KINDS:
        break;
    }
    return gr_error_set(error, GR_INVALID, "an override of unknown kind %d", (int) override->kind);
}

/* ---- life ---- */

bool gr_override_is_over(const struct gr_override *override, int64_t now_s, double state_of_charge_percent)
{
    if (now_s >= override->until_s) {
        return true;
    }
    if (override->kind != GR_OVERRIDE_COMMAND || isnan(override->until_percent) ||
        isnan(state_of_charge_percent)) {
        return false;
    }
    return is_rising(override->command)
               ? state_of_charge_percent >= override->until_percent - reached_percent
               : state_of_charge_percent <= override->until_percent + reached_percent;
}

static size_t describe_what(char *out, size_t size, const struct gr_override *override)
{
    char from[GR_RFC3339_SIZE];
    int used = 0;
    switch (override->kind) {
    case GR_OVERRIDE_COMMAND:
        used = override->power_kw > 0 ? snprintf(out, size, "%s with %.2f kW",
                                                 gr_command_name(override->command), override->power_kw)
                                      : snprintf(out, size, "%s", gr_command_name(override->command));
        break;
    case GR_OVERRIDE_RESERVE:
        used = snprintf(out, size, "keep %.0f %% in reserve", override->value);
        break;
    case GR_OVERRIDE_LOAD:
        used = snprintf(out, size, "expect %.2g times the usual load", override->value);
        break;
    case GR_OVERRIDE_NO_EXPORT:
        used = snprintf(out, size, "no export by command");
        break;
    case GR_OVERRIDE_CAR:
        used = snprintf(out, size, "%.1f kWh for the car with %.2f kW", override->value, override->power_kw);
        break;
    case GR_OVERRIDE_PRICE:
        used = snprintf(out, size, "a kWh bought costs %.4f from %s", override->value,
                        gr_rfc3339_format(from, override->since_s));
        break;
    case GR_OVERRIDE_PAYMENT:
        used = snprintf(out, size, "a kWh bought less or sold more earns %.4f from %s", override->value,
                        gr_rfc3339_format(from, override->since_s));
        break;
    case GR_OVERRIDE_WISH:
        used = snprintf(out, size, "have %.0f %% at the end,", override->value);
        break;
    case GR_OVERRIDE_PAUSE:
    case GR_OVERRIDE_KINDS:
        used = snprintf(out, size, "pause: only follow");
        break;
    }
    return used > 0 && (size_t)used < size ? (size_t)used : size - 1;
}

void gr_override_describe(char *out, size_t size, const struct gr_override *override)
{
    char until[GR_RFC3339_SIZE], aim[32] = "";
    size_t used = describe_what(out, size, override);
    if (override->kind == GR_OVERRIDE_COMMAND && !isnan(override->until_percent)) {
        (void)snprintf(aim, sizeof aim, "%.0f %% or ", override->until_percent);
    }
    (void)snprintf(out + used, size - used, " until %s%s, as %s asked", aim,
                   gr_rfc3339_format(until, override->until_s), override->by[0] ? override->by : "somebody");
}

double gr_override_power_kw(const struct gr_override *override, const struct gr_battery *battery)
{
    if (override->command != GR_CHARGE && override->command != GR_EXPORT) {
        return 0;
    }
    double most_kw = override->command == GR_CHARGE ? battery->charge_kw : battery->discharge_kw;
    return override->power_kw > 0 ? fmin(override->power_kw, most_kw) : most_kw;
}

/* ---- windows ---- */

static size_t count_windows(const struct gr_overrides *all, int32_t source)
{
    size_t count = 0;
    for (size_t i = 0; i < all->window_count; i++) {
        count += all->windows[i].source == source;
    }
    return count;
}

bool gr_overrides_have_room(const struct gr_overrides *all, int32_t source, size_t count)
{
    return count <= GR_MOST_WINDOWS - (all->window_count - count_windows(all, source));
}

static bool is_same(const struct gr_window *a, const struct gr_window *b)
{
    return a->kind == b->kind && a->start_s == b->start_s && a->end_s == b->end_s && a->value == b->value;
}

static bool has_exactly(const struct gr_overrides *all, int32_t source, const struct gr_window *windows,
                        size_t count)
{
    size_t met = 0;
    for (size_t i = 0; i < all->window_count; i++) {
        if (all->windows[i].source == source &&
            (met == count || !is_same(&all->windows[i], &windows[met++]))) {
            return false;
        }
    }
    return met == count;
}

bool gr_overrides_put_windows(struct gr_overrides *all, int32_t source, const struct gr_window *windows,
                              size_t count)
{
    size_t kept = 0;
    if (has_exactly(all, source, windows, count)) {
        return false;
    }
    for (size_t i = 0; i < all->window_count; i++) {
        if (all->windows[i].source != source) {
            all->windows[kept++] = all->windows[i];
        }
    }
    for (size_t i = 0; i < count && kept < GR_MOST_WINDOWS; i++) {
        all->windows[kept] = windows[i];
        all->windows[kept++].source = source;
    }
    all->window_count = kept;
    return true;
}

void gr_overrides_end_windows(struct gr_overrides *all, int64_t now_s)
{
    size_t kept = 0;
    for (size_t i = 0; i < all->window_count; i++) {
        if (all->windows[i].end_s > now_s) {
            all->windows[kept++] = all->windows[i];
        }
    }
    all->window_count = kept;
}

/* ---- questions ---- */

static const struct gr_override *find(const struct gr_overrides *all, enum gr_override_kind kind,
                                      int64_t at_s)
{
    return all->active[kind] && at_s < all->of[kind].until_s ? &all->of[kind] : NULL;
}

const struct gr_override *gr_overrides_command(const struct gr_overrides *all, int64_t at_s)
{
    const struct gr_override *pause = find(all, GR_OVERRIDE_PAUSE, at_s);
    return pause ? pause : find(all, GR_OVERRIDE_COMMAND, at_s);
}

double gr_overrides_reserve_percent(const struct gr_overrides *all, int64_t at_s)
{
    const struct gr_override *reserve = find(all, GR_OVERRIDE_RESERVE, at_s);
    return reserve ? reserve->value : 0;
}

double gr_overrides_load_factor(const struct gr_overrides *all, int64_t at_s)
{
    const struct gr_override *load = find(all, GR_OVERRIDE_LOAD, at_s);
    return load ? load->value : 1;
}

bool gr_overrides_forbid_export(const struct gr_overrides *all, int64_t at_s)
{
    return find(all, GR_OVERRIDE_NO_EXPORT, at_s) != NULL;
}

/* Which share of a slot lies in a stretch of time. */
static double overlap_share(int64_t start_s, int64_t end_s, int64_t from_s, int64_t to_s)
{
    start_s = start_s > from_s ? start_s : from_s;
    end_s = end_s < to_s ? end_s : to_s;
    return end_s > start_s ? (double)(end_s - start_s) / (double)(to_s - from_s) : 0;
}

/* And in the time in which an override holds. */
static double share_of(const struct gr_overrides *all, enum gr_override_kind kind, int64_t from_s,
                       int64_t to_s)
{
    const struct gr_override *override = &all->of[kind];
    return all->active[kind] ? overlap_share(override->since_s, override->until_s, from_s, to_s) : 0;
}

/* The sources are gone through from the last to the first, whose word stands. */
static void price_by_windows(const struct gr_overrides *all, int64_t from_s, int64_t to_s,
                             double *import_price, double *export_price, double *paid)
{
    for (int32_t source = GR_MOST_EVENT_SOURCES - 1; source >= 0; source--) {
        for (size_t i = 0; i < all->window_count; i++) {
            const struct gr_window *window = &all->windows[i];
            double share =
                window->source == source ? overlap_share(window->start_s, window->end_s, from_s, to_s) : 0;
            if (window->kind == GR_WINDOW_IMPORT_PRICE) {
                *import_price += share * (window->value - *import_price);
            } else if (window->kind == GR_WINDOW_EXPORT_PRICE) {
                *export_price += share * (window->value - *export_price);
            } else if (window->kind == GR_WINDOW_PAYMENT) {
                *paid += share * window->value;
            }
        }
    }
}

void gr_overrides_price(const struct gr_overrides *all, int64_t from_s, int64_t to_s, double *import_price,
                        double *export_price)
{
    double share = share_of(all, GR_OVERRIDE_PRICE, from_s, to_s);
    double paid = share_of(all, GR_OVERRIDE_PAYMENT, from_s, to_s) * all->of[GR_OVERRIDE_PAYMENT].value;
    price_by_windows(all, from_s, to_s, import_price, export_price, &paid);
    if (share > 0) {
        *import_price += share * (all->of[GR_OVERRIDE_PRICE].value - *import_price);
    }
    /* What is paid for a kWh less is lost with each kWh more. */
    *import_price += paid;
    *export_price += paid;
}

static void come_nearer(int64_t *nearest_s, int64_t edge_s, int64_t after_s)
{
    *nearest_s = edge_s > after_s && edge_s < *nearest_s ? edge_s : *nearest_s;
}

int64_t gr_overrides_next_edge_s(const struct gr_overrides *all, int64_t at_s)
{
    static const enum gr_override_kind edged[] = {GR_OVERRIDE_PRICE, GR_OVERRIDE_PAYMENT, GR_OVERRIDE_WISH};
    int64_t nearest_s = INT64_MAX;
    for (size_t i = 0; i < sizeof edged / sizeof edged[0]; i++) {
        const struct gr_override *override = &all->of[edged[i]];
        if (all->active[edged[i]]) {
            come_nearer(&nearest_s, override->since_s, at_s);
            come_nearer(&nearest_s, override->until_s, at_s);
        }
    }
    for (size_t i = 0; i < all->window_count; i++) {
        come_nearer(&nearest_s, all->windows[i].start_s, at_s);
        come_nearer(&nearest_s, all->windows[i].end_s, at_s);
    }
    return nearest_s;
}

double gr_overrides_wish_percent(const struct gr_overrides *all, int64_t after_s, int64_t to_s)
{
    const struct gr_override *wish = &all->of[GR_OVERRIDE_WISH];
    bool between = all->active[GR_OVERRIDE_WISH] && wish->until_s > after_s && wish->until_s <= to_s;
    double percent = between ? wish->value : 0;
    for (size_t i = 0; i < all->window_count; i++) {
        const struct gr_window *window = &all->windows[i];
        if (window->kind == GR_WINDOW_STATE_OF_CHARGE && window->start_s <= to_s && window->end_s > after_s) {
            percent = fmax(percent, window->value);
        }
    }
    return percent;
}

const struct gr_override *gr_overrides_car(const struct gr_overrides *all, int64_t at_s)
{
    return find(all, GR_OVERRIDE_CAR, at_s);
}
