/* Short runs of the core and of the store, with each call failing once: nothing crashes, nothing leaks (under
 * the address sanitizer), no command breaks a limit, and all is well again afterwards.
 *
 *     LD_PRELOAD=libfailing.so torture KIND[/STRIDE] [RUN ...]
 *
 * KIND is memory, write, sync or sqlite; with STRIDE only one call in so many fails, with "places" for STRIDE
 * the first from each chain of callers. */
#include "failing/torture.h"
#include "backtest_house.h"
#include "failing/each.h"
#include "granary/eventlog.h"
#include "granary/forecast.h"
#include "granary/store.h"
#include "store_file.h"
#include "world/world.h"

#include <inttypes.h>
#include <stdbool.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

/* ---- what must be so ---- */

static int broken;

void require(bool holds, const char *what)
{
    if (!holds) {
        (void)fprintf(stderr, "broken with call %ld failing: %s\n", failing_at, what);
        broken++;
    }
}

static void check_decision(const struct world *world)
{
    const struct gr_decision *decision = &world->decision;
    const struct gr_command *command = &decision->command;
    const struct gr_site *site = &world->config.site;
    bool powered = command->kind == GR_CHARGE || command->kind == GR_EXPORT;
    double meter_kw = decision->house_kw - decision->solar_kw;
    require(command->power_kw >= 0 && command->power_kw <= 6 && (powered || command->power_kw == 0), "power");
    require(decision->fault == GR_FAULT_NONE || command->kind == GR_FOLLOW, "follow in a fault");
    require(command->kind != GR_CHARGE || meter_kw + command->power_kw <= site->grid.import_limit_kw + 0.061,
            "import limit");
    require(command->kind != GR_EXPORT || command->power_kw - meter_kw <= site->grid.export_limit_kw + 0.061,
            "export limit");
    require(command->kind == GR_FOLLOW || command->valid_until_s > world->now.utc_s, "validity");
}

/* ---- the engine in a house ---- */

static void turn(struct world *world, int seconds)
{
    world_turn(world, seconds);
    check_decision(world);
}

static void ask_for_charge(struct world *world)
{
    struct gr_event event = {.kind = GR_EVENT_OVERRIDE,
                             .at = world->now,
                             .of.override = {.kind = GR_OVERRIDE_COMMAND,
                                             .command = GR_CHARGE,
                                             .power_kw = 2,
                                             .until_percent = NAN,
                                             .since_s = world->now.utc_s,
                                             .until_s = world->now.utc_s + 600}};
    (void)gr_engine_handle(world->engine, &event, NULL);
}

static void remember(struct world *world)
{
    for (int i = 0; i < 96; i++) {
        struct gr_event event = {.kind = GR_EVENT_HISTORY,
                                 .at = world->now,
                                 .of.history = {.start_s = world->true_s - (96 - i) * (int64_t)1800,
                                                .house_kw = 0.4 + 0.1 * (i % 5),
                                                .solar_kw = i % 48 > 20 ? 1 : 0}};
        (void)gr_engine_handle(world->engine, &event, NULL);
    }
}

static void live_an_hour(struct world *world)
{
    int64_t hour_s = world->true_s - world->true_s % 3600;
    remember(world);
    (void)world_publish(world, GR_IMPORT, hour_s, hour_s + 86400, 0.09);
    turn(world, 60);
    ask_for_charge(world);
    turn(world, 60);
    (void)gr_engine_reconfigure(world->engine, &world->config, world->zone, NULL);
    world_set_link(world, false);
    turn(world, 60);
    world_set_link(world, true);
    for (int i = 0; i < 6; i++) {
        turn(world, 600);
    }
}

/* Whatever was lost on the way: told once more, the house is commanded again. */
static void expect_recovery(struct world *world)
{
    (void)failing_end();
    int64_t hour_s = world->true_s - world->true_s % 3600;
    (void)world_publish(world, GR_IMPORT, hour_s, hour_s + 86400, 0.09);
    (void)world_publish(world, GR_IMPORT, hour_s + 7200, hour_s + 86400, 0.4);
    for (int i = 0; i < 5; i++) {
        turn(world, 60);
    }
    require(world->decision.fault == GR_FAULT_NONE && world->decision.command.kind != GR_FOLLOW,
            "commands again");
}

static void set_up_world(struct world *world)
{
    world_init(world);
    world->config.import.source[0].is_bands = false;
    world->config.planning.slot_minutes = 60;
    world->config.planning.horizon_hours = 12;
    world->config.planning.expectation.path_days = 3;
    world->true_s += 3600;
}

/* All that a site and its tariff may say. */
static struct gr_rate green = {1773014400, 1773187200, 0.3}; /* 9 and 10 March 2026 */

static void set_up_whole_world(struct world *world)
{
    struct gr_engine_config *config = &world->config;
    set_up_world(world);
    config->peak =
        (struct gr_peak_charge){.any = true, .minutes = 60, .days = 1, .weekdays = 127, .per_kw = 9};
    config->site.latitude_deg = 38.7;
    config->site.array_count = 1;
    config->site.arrays[0] = (struct gr_solar_array){.peak_kw = 4, .tilt_deg = 30, .azimuth_deg = 180};
    config->site.grid.car_charger_kw = 7.2;
    config->site.curves.charge_power = (struct gr_curve_points){2, {8, 13.5}, {6, 2}};
    config->planning.cycles_per_day = 1;
    config->planning.full_every_days = 7;
    config->planning.full_percent = 98;
    config->planning.least_gain_per_exported_kwh = 0.02;
    config->planning.horizon_hours = 26;
    config->planning.carbon_price_per_kg = 0.05;
    config->carbon.count = 1;
    config->carbon.source[0] = (struct gr_rate_source){.table = {&green, 1}};
}

static void tell_weather(struct world *world)
{
    struct gr_rate told = {world->true_s, world->true_s + 86400, 0.4};
    struct gr_rate_table table = {&told, 1};
    struct gr_event sky = {.kind = GR_EVENT_WEATHER,
                           .at = world->now,
                           .of.weather = {.kind = GR_WEATHER_CLOUD_COVER, .table = &table}};
    (void)gr_engine_handle(world->engine, &sky, NULL);
}

static void look_at_plan(struct world *world)
{
    struct gr_plan_view view;
    struct gr_error error = {""};
    int status = gr_engine_plan(world->engine, world->now, 3, &view, &error);
    require(status == GR_OK || error.text[0] != '\0', "the plan says why");
    struct gr_run_choice choice;
    const struct gr_run run = {1, 1, world->true_s + 3600, world->true_s + 36000};
    status = gr_engine_run(world->engine, &run, &choice, &error);
    require(status == GR_OK || error.text[0] != '\0', "the search for a run's time says why");
}

static void run_whole_engine(void *context)
{
    static struct world world;
    (void)context;
    set_up_whole_world(&world);
    if (world_begin(&world)) {
        remember(&world);
        tell_weather(&world);
        int64_t hour_s = world.true_s - world.true_s % 3600;
        (void)world_publish(&world, GR_IMPORT, hour_s - 86400, hour_s, 0.2);
        (void)world_publish(&world, GR_IMPORT, hour_s, hour_s + 43200, 0.09);
        turn(&world, 60);
        ask_for_charge(&world);
        turn(&world, 600);
        look_at_plan(&world);
        (void)gr_engine_reconfigure(world.engine, &world.config, world.zone, NULL);
        turn(&world, 60);
        expect_recovery(&world);
    }
    world_end(&world);
}

static void run_engine(void *context)
{
    static struct world world;
    (void)context;
    set_up_world(&world);
    if (world_begin(&world)) {
        live_an_hour(&world);
        expect_recovery(&world);
    }
    world_end(&world);
}

/* ---- the event log ---- */

static int fixed_zone(struct gr_zone **out, const char *name, struct gr_error *error)
{
    return gr_zone_fixed(out, name, 0, error);
}

static void note_event(void *context, const struct gr_event *event)
{
    gr_eventlog_write_event(context, event);
}

static void note_turn(void *context, const struct gr_moment *now, const struct gr_decision *decision)
{
    gr_eventlog_write_turn(context, now, decision);
}

/* A log that lies in memory, written before anything fails. */
static char *log_text;
static size_t log_length;

static void write_log(void)
{
    static struct world world;
    FILE *stream = open_memstream(&log_text, &log_length);
    set_up_world(&world);
    if (!stream || !world_begin(&world)) {
        exit(2);
    }
    const struct gr_engine_tap tap = {.event = note_event, .turn = note_turn, .context = stream};
    gr_eventlog_write_start(stream, world.engine, &world.now);
    gr_engine_set_tap(world.engine, &tap);
    (void)world_publish(&world, GR_IMPORT, world.true_s, world.true_s + 86400, 0.2);
    for (int i = 0; i < 5; i++) {
        world_turn(&world, 60);
    }
    world_end(&world);
    (void)fclose(stream);
}

static void run_replay(void *context)
{
    static struct gr_replay result;
    struct gr_error error = {""};
    (void)context;
    int status = gr_eventlog_replay(&result, "log", log_text, log_length, fixed_zone, &error);
    require(status == GR_OK || error.text[0] != '\0', "replay says why");
}

static void run_writing(void *context)
{
    static struct world world;
    FILE *stream = fopen("/dev/null", "w");
    (void)context;
    set_up_world(&world);
    if (stream && world_begin(&world)) {
        gr_eventlog_write_start(stream, world.engine, &world.now);
        turn(&world, 60);
    }
    world_end(&world);
    if (stream) {
        (void)fclose(stream);
    }
}

/* ---- back-test and forecast ---- */

static struct made_up past;

static void run_backtest(void *context)
{
    static const char *const names[] = {"follow", "night-fill", "planned", "foresight", "planned"};
    struct gr_backtest_result result;
    struct gr_error error = {""};
    (void)context;
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        past.strategy = strategy_named(names[i]);
        past.backtest.know_load = past.backtest.know_solar = i == 4;
        if (gr_backtest_run(&result, &past.backtest, &error) == GR_OK) {
            gr_backtest_result_free(&result);
        } else {
            require(error.text[0] != '\0', "the back-test says why");
        }
    }
}

/* The month's peaks are paid for by the kW, then by steps; then steps of a quarter of an hour, with what the
 * air was like. */
static void run_peaks(void *context)
{
    struct gr_backtest_result result;
    struct gr_error error = {""};
    (void)context;
    past.strategy = strategy_named("foresight");
    past.tariff.peak = (struct gr_peak_charge){
        .any = true,
        .minutes = 60,
        .days = 1,
        .weekdays = 127,
        .per_kw = 5,
        .step = {{2, 5}, {4, 9}, {8, 20}},
    };
    for (int steps = 0; steps <= 3; steps += 3) {
        past.tariff.peak.step_count = (size_t)steps;
        if (gr_backtest_run(&result, &past.backtest, &error) == GR_OK) {
            gr_backtest_result_free(&result);
        } else {
            require(error.text[0] != '\0', "the back-test with peaks says why");
        }
    }
    past.tariff.peak.any = false;
}

static void run_split(void *context)
{
    double kw[24] = {1}, sun_kw[24] = {0}, air_c[24] = {5};
    struct gr_usage usage = {.start_s = 0, .step_s = 3600, .count = 24};
    (void)context;
    usage.load_kw = malloc(sizeof kw);
    usage.solar_kw = malloc(sizeof kw);
    usage.temperature_c = malloc(sizeof kw);
    if (usage.load_kw && usage.solar_kw && usage.temperature_c) {
        memcpy(usage.load_kw, kw, sizeof kw);
        memcpy(usage.solar_kw, sun_kw, sizeof kw);
        memcpy(usage.temperature_c, air_c, sizeof kw);
        bool split = gr_backtest_split(&usage, 900) == GR_OK;
        require(usage.count == (split ? 96 : 24) && usage.load_kw[0] == 1 && usage.temperature_c[0] == 5,
                "the usage is whole, split or not");
        size_t before = usage.count;
        bool spread = gr_backtest_spread(&usage, 1, NULL) == GR_OK;
        require(usage.count == (spread ? 288 : before), "the usage is whole, spread or not");
    }
    gr_usage_free(&usage);
}

/* ---- the store ---- */

static void count_slot(void *context, const struct gr_slot_record *record)
{
    (void)record;
    ++*(int *)context;
}

static int fill_store(struct gr_store *store, uint64_t sequence, struct gr_error *error)
{
    struct gr_rate rates[] = {{STORE_NOW, STORE_NOW + 3600, 0.1}, {STORE_NOW + 3600, STORE_NOW + 7200, 0.2}};
    const struct gr_rate_table table = {rates, 2};
    const struct gr_slot_record slot = {.start_s = STORE_NOW, .house_kw = 1, .solar_kw = NAN};
    const struct gr_fine_record fine = {.means = slot};
    const struct gr_command command = {
        .sequence = sequence, .kind = GR_CHARGE, .power_kw = 2, .issued_s = STORE_NOW, .reason = "a reason"};
    int status = gr_store_put_command(store, &command, error);
    status = status == GR_OK ? gr_store_put_slot(store, &slot, error) : status;
    status = status == GR_OK ? gr_store_put_fine(store, &fine, error) : status;
    status = status == GR_OK ? gr_store_commit(store, error) : status;
    status = status == GR_OK ? gr_store_put_rates(store, "import", "s", &table, STORE_NOW, error) : status;
    status = status == GR_OK ? gr_store_put_validators(store, "url", "tag", "date", error) : status;
    status = status == GR_OK ? gr_store_put_text(store, "name", "text", error) : status;
    status = status == GR_OK ? gr_store_trim(store, STORE_NOW - 9, STORE_NOW - 9, error) : status;
    return status == GR_OK ? gr_store_commit(store, error) : status;
}

static void read_store(struct gr_store *store)
{
    char etag[40], modified[40], *text = NULL;
    struct gr_rate_table table;
    struct gr_error error = {""};
    int slots = 0;
    if (gr_store_get_rates(store, "import", "s", &table, &error) == GR_OK) {
        gr_rate_table_free(&table);
    }
    (void)gr_store_each_slot(store, 0, count_slot, &slots, &error);
    (void)gr_store_get_validators(store, "url", etag, modified, sizeof etag, &error);
    (void)gr_store_get_text(store, "name", &text, &error);
    free(text);
}

/* What failed once works the next time, and a sequence that could be issued is never issued again. */
static void run_store(void *context)
{
    struct store_file *at = context;
    struct gr_store *store = NULL;
    struct gr_error error = {""};
    uint64_t last = 0;
    bool covered = false;
    if (gr_store_open(&store, at->file, STORE_NOW, &error) == GR_OK) {
        covered = gr_store_cover_sequence(store, 7, &error) == GR_OK;
        int status = fill_store(store, 8, &error);
        require(status == GR_OK || error.text[0] != '\0', "the store says why");
        read_store(store);
        (void)failing_end();
        require(fill_store(store, 9, &error) == GR_OK, "the store works again");
        gr_store_close(store);
        store = NULL;
    }
    (void)failing_end();
    if (gr_store_open(&store, at->file, STORE_NOW, &error) == GR_OK) {
        require(gr_store_last_sequence(store, &last, &error) == GR_OK && last >= (covered ? 7 : 0),
                "sequences are kept");
        gr_store_close(store);
    } else {
        require(false, error.text);
    }
    store_file_remove(at);
    (void)mkdir(at->folder, 0700);
}

/* ---- all ---- */

static void run_planner(void *context)
{
    planning_run(*(const int *)context);
}

/* `times` runs with their number, each by itself: the fewer calls one makes, the sooner all have failed. */
static const struct {
    const char *name;
    void (*run)(void *context);
    int times; /* 0: once, with the store's file */
} runs[] = {{"engine", run_engine, 0},
            {"house", run_whole_engine, 0},
            {"replay", run_replay, 0},
            {"writing", run_writing, 0},
            {"planner", run_planner, PLANNING_PROBLEMS},
            {"backtest", run_backtest, 0},
            {"peaks", run_peaks, 0},
            {"split", run_split, 0},
            {"learning", learning_run, 0},
            {"discovery", discovery_run, 0},
            {"store", run_store, 0}};

static bool is_wanted(const char *name, int count, char **names)
{
    bool wanted = count == 0;
    for (int i = 0; i < count; i++) {
        wanted = wanted || strcmp(names[i], name) == 0;
    }
    return wanted;
}

int main(int argc, char **argv)
{
    struct failing_plan plan;
    struct store_file at;
    unsigned seed = (unsigned)time(NULL);
    if (argc < 2 || !failing_plan_read(&plan, argv[1]) || !failing_begin) {
        (void)fputs("Usage: LD_PRELOAD=libfailing.so torture KIND[/STRIDE] [RUN ...]\n", stderr);
        return 2;
    }
    srand(seed);
    make_up(&past, 3600, 4, false, 1);
    past.backtest.from_s = past.usage.start_s + 3 * GR_DAY_S;
    write_log();
    planning_prepare();
    learning_prepare();
    if (store_file_make(&at) != 0) {
        return 2;
    }
    for (size_t i = 0; i < sizeof runs / sizeof runs[0]; i++) {
        if (is_wanted(runs[i].name, argc - 2, argv + 2)) {
            long calls = 0, failed = 0, once = 0;
            for (int number = 0; number < runs[i].times; number++) {
                calls += failing_each(&plan, runs[i].run, &number, &once);
                failed += once;
            }
            if (runs[i].times == 0) {
                calls = failing_each(&plan, runs[i].run, &at, &failed);
            }
            (void)printf("%-9s %s: %ld calls, %ld of them failed (seed %u)\n", runs[i].name, argv[1], calls,
                         failed, seed);
        }
    }
    store_file_remove(&at);
    learning_end();
    forget(&past);
    free(log_text);
    return broken > 0;
}
