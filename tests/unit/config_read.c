/* Whole files: tests/unit/config/ holds files that must pass and files that must be refused for the reason
 * that their first lines give. */
#include "check.h"
#include "granary/config.h"

#include <dirent.h>

#include <stdlib.h>
#include <unistd.h>

#define FOLDER GRANARY_SOURCE_DIR "/tests/unit/config/"

struct run {
    struct gr_config *config;
    struct gr_complaints complaints;
    int code;
};

static struct run read_config(const char *path)
{
    struct run run = {.config = calloc(1, sizeof *run.config)};
    assert_non_null(run.config);
    run.code = gr_config_read(run.config, path, &run.complaints);
    return run;
}

static void end_run(struct run *run)
{
    gr_complaints_free(&run->complaints);
    free(run->config);
}

static bool has_complaint(const struct gr_complaints *complaints, const char *text)
{
    for (size_t i = 0; i < complaints->count; i++) {
        if (strstr(complaints->items[i].text, text)) {
            return true;
        }
    }
    return false;
}

static void show(const char *path, const struct gr_complaints *complaints)
{
    print_error("%s:\n", path);
    for (size_t i = 0; i < complaints->count; i++) {
        print_error("    %s\n", complaints->items[i].text);
    }
}

/* Counts the expectations in the file's head that are not met, and that everything told was expected. */
static int compare(const char *path)
{
    struct run run = read_config(path);
    char line[400];
    size_t expected = 0;
    int unmet = run.code != GR_INVALID;
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    while (fgets(line, sizeof line, file) && strncmp(line, "# expect: ", 10) == 0) {
        line[strcspn(line, "\n")] = '\0';
        expected++;
        if (!has_complaint(&run.complaints, line + 10)) {
            print_error("not told: %s\n", line + 10);
            unmet++;
        }
    }
    fclose(file);
    if (expected == 0 || expected != run.complaints.count) {
        print_error("%zu complaints expected, %zu found\n", expected, run.complaints.count);
        unmet++;
    }
    if (unmet) {
        show(path, &run.complaints);
    }
    end_run(&run);
    return unmet;
}

static int accept(const char *path)
{
    struct run run = read_config(path);
    int refused = run.code != GR_OK || run.complaints.count != 0;
    if (refused) {
        show(path, &run.complaints);
    }
    end_run(&run);
    return refused;
}

static void for_each_file(const char *start, int (*check)(const char *path), int least_files)
{
    DIR *folder = opendir(FOLDER);
    assert_non_null(folder);
    int files = 0, failures = 0;
    for (struct dirent *entry = readdir(folder); entry; entry = readdir(folder)) {
        char path[600];
        if (strncmp(entry->d_name, start, strlen(start)) == 0) {
            snprintf(path, sizeof path, FOLDER "%s", entry->d_name);
            failures += check(path) != 0;
            files++;
        }
    }
    closedir(folder);
    assert_int_equal(failures, 0);
    assert_true(files >= least_files);
}

static void every_bad_file_is_refused_for_its_reason_and_no_other(void **state)
{
    (void)state;
    for_each_file("bad.", compare, 100);
}

static void every_good_file_passes(void **state)
{
    (void)state;
    for_each_file("good.", accept, 10);
}

static void ten_mistakes_are_told_in_one_run(void **state)
{
    (void)state;
    assert_int_equal(compare(FOLDER "many.mistakes.conf"), 0);
}

static void the_example_is_valid_and_means_what_it_says(void **state)
{
    (void)state;
    struct run run = read_config(GRANARY_SOURCE_DIR "/conf/granary.conf");
    assert_int_equal(run.code, GR_OK);
    const struct gr_engine_config *engine = &run.config->engine;
    assert_string_equal(engine->site.name, "Mill Cottage");
    assert_near(engine->site.battery.capacity_kwh, 10, 1e-12);
    assert_near(engine->site.battery.charge_efficiency * engine->site.battery.discharge_efficiency, 0.88,
                1e-12);
    assert_near(engine->site.battery.standing_loss_kw, 0.025, 1e-12);
    assert_false(engine->safety.commanding);
    assert_int_equal(engine->planning.expectation.path_days, 14);
    assert_near(engine->planning.expectation.house_kw[19], 1.10, 1e-12);
    assert_near(engine->planning.floor_percent, 10, 1e-12);
    assert_int_equal(run.config->import[0].bands.count, 3);
    assert_true(engine->import.source[0].is_bands);
    assert_memory_equal(&engine->import.source[0].bands, &run.config->import[0].bands,
                        sizeof(struct gr_rate_bands));
    assert_int_equal(run.config->inputs[GR_GRID_POWER].is_json, true);
    end_run(&run);
}

static void defaults_are_the_safe_ones(void **state)
{
    (void)state;
    struct run run = read_config(FOLDER "good.defaults.conf");
    assert_int_equal(run.code, GR_OK);
    const struct gr_engine_config *engine = &run.config->engine;
    assert_false(engine->safety.commanding);
    assert_int_equal(engine->safety.validity_s, 300);
    assert_int_equal(engine->safety.changes_per_day, 48);
    assert_near(engine->site.reserve_percent, 10, 0);
    assert_near(engine->planning.floor_percent, 10, 0);
    assert_true(engine->planning.may_export);
    assert_near(engine->safety.max_age_s[GR_STATE_OF_CHARGE], 300, 0);
    assert_near(engine->safety.max_age_s[GR_GRID_POWER], 120, 0);
    assert_near(engine->safety.max_age_s[GR_CAR_POWER], 0, 0);
    assert_int_equal(run.config->mqtt.port, 1883);
    assert_int_equal(run.config->mqtt.protocol, 5);
    assert_int_equal(run.config->mqtt.keep_alive_s, 10);
    assert_string_equal(run.config->outputs.domain, "homie");
    end_run(&run);
}

static void a_strategy_file_goes_before_the_keys_beside_it(void **state)
{
    (void)state;
    struct run run = read_config(FOLDER "good.strategy.conf");
    assert_int_equal(run.code, GR_OK);
    const struct gr_engine_config *engine = &run.config->engine;
    assert_near(engine->site.reserve_percent, 30, 0);
    assert_near(engine->planning.floor_percent, 30, 0);
    assert_near(engine->site.battery.wear_per_kwh, 0.05, 0);
    assert_near(engine->planning.least_gain_per_exported_kwh, 0.04, 0);
    assert_int_equal(engine->planning.export_from_minute, 17 * 60);
    assert_int_equal(engine->planning.export_to_minute, 20 * 60);
    assert_near(engine->planning.cycles_per_day, 0.8, 0);
    assert_near(engine->safety.least_gain, 0.2, 0);
    assert_true(engine->planning.may_export);
    end_run(&run);
}

static void a_dc_coupled_battery_has_its_inverter(void **state)
{
    (void)state;
    struct run run = read_config(FOLDER "good.dc-coupled.conf");
    assert_int_equal(run.code, GR_OK);
    const struct gr_site *site = &run.config->engine.site;
    assert_true(site->dc_coupled);
    assert_near(site->inverter.limit_kw, 4.6, 0);
    assert_near(site->inverter.to_ac_efficiency, 0.97, 0);
    assert_near(site->inverter.to_dc_efficiency, 0.95, 0);
    end_run(&run);
}

static void carbon_is_a_third_list_of_sources_with_a_range_of_its_own(void **state)
{
    (void)state;
    struct run run = read_config(FOLDER "good.carbon.conf");
    assert_int_equal(run.code, GR_OK);
    const struct gr_config *config = run.config;
    assert_int_equal(config->carbon_count, 2);
    assert_string_equal(config->carbon[0].mapping.price, "g");
    assert_near(config->carbon[0].mapping.scale, 0.001, 0);
    assert_near(config->carbon[0].mapping.factor, 1, 0);
    assert_near(config->carbon[0].least_per_kwh, 0, 0);
    assert_near(config->carbon[0].greatest_per_kwh, 1, 0);
    assert_near(config->carbon[1].greatest_per_kwh, 2, 0);
    assert_near(config->import[0].greatest_per_kwh, 5, 0);
    assert_near(config->engine.carbon.source[1].bands.band[1].price_per_kwh, 0.32, 0);
    assert_near(config->engine.planning.carbon_price_per_kg, 0.05, 0);
    assert_true(config->engine.planning.carbon_credits_export);
    end_run(&run);
}

static void without_export_sources_every_moment_earns_nothing(void **state)
{
    (void)state;
    struct run run = read_config(FOLDER "good.defaults.conf");
    struct gr_zone *utc = NULL;
    struct gr_price price;
    assert_int_equal(gr_zone_fixed(&utc, "UTC", 0, NULL), GR_OK);
    assert_int_equal(gr_tariff_at(&run.config->engine.export, utc, 1705276800, &price), GR_OK);
    assert_near(price.price_per_kwh, 0, 0);
    assert_false(price.expected);
    gr_zone_free(utc);
    end_run(&run);
}

static void where_nothing_may_be_exported_the_battery_may_not_either(void **state)
{
    (void)state;
    struct run run = read_config(FOLDER "good.no-sun.conf");
    assert_int_equal(run.code, GR_OK);
    assert_false(run.config->engine.planning.may_export);
    assert_int_equal(run.config->engine.site.array_count, 0);
    end_run(&run);
}

static void directions_units_and_ranges_reach_the_inputs(void **state)
{
    (void)state;
    struct run run = read_config(FOLDER "good.every-channel.conf");
    static const struct {
        enum gr_channel channel;
        enum gr_unit unit;
        double sign, scale, offset;
    } rows[] = {{GR_STATE_OF_CHARGE, GR_UNIT_WH, 1, 1, 0},  {GR_BATTERY_POWER, GR_UNIT_KW, -1, 1, 0},
                {GR_GRID_POWER, GR_UNIT_W, -1, 10, -5},     {GR_SOLAR_POWER, GR_UNIT_W, -1, 1, 0},
                {GR_HOUSE_POWER, GR_UNIT_W, -1, 1, 0},      {GR_CAR_POWER, GR_UNIT_W, 1, 1, 0},
                {GR_GRID_PRESENT, GR_UNIT_BOOLEAN, 1, 1, 0}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const struct gr_input *input = &run.config->inputs[rows[i].channel];
        assert_true(input->configured);
        assert_int_equal(input->unit, rows[i].unit);
        assert_near(input->sign, rows[i].sign, 0);
        assert_near(input->scale, rows[i].scale, 0);
        assert_near(input->offset, rows[i].offset, 0);
        assert_true(input->least < input->greatest);
    }
    assert_near(run.config->inputs[GR_CAR_POWER].greatest, 25, 0);
    assert_string_equal(run.config->inputs[GR_BATTERY_POWER].pointer, "/power");
    end_run(&run);
}

static void seasons_days_and_times_reach_the_bands(void **state)
{
    (void)state;
    struct run run = read_config(FOLDER "good.bands.conf");
    const struct gr_rate_band *band = run.config->import[0].bands.band;
    assert_int_equal(run.config->import[0].bands.count, 3);
    assert_int_equal(band[0].from_minute, 22 * 60);
    assert_int_equal(band[0].to_minute, 6 * 60);
    assert_int_equal(band[0].weekdays, 0x71); /* Friday, Saturday, Sunday, Monday */
    assert_int_equal(band[0].from_month, 10);
    assert_int_equal(band[0].to_day, 31);
    assert_int_equal(band[1].weekdays, 0x65); /* Monday, Wednesday, Saturday, Sunday */
    assert_near(band[1].price_per_kwh, -0.05, 0);
    assert_int_equal(band[2].to_minute, 1440);
    assert_int_equal(band[2].weekdays, 127);
    end_run(&run);
}

static void relative_paths_start_at_the_file_and_not_at_the_working_directory(void **state)
{
    (void)state;
    struct run run = read_config(FOLDER "good.bands-before-a-table.conf");
    assert_int_equal(run.code, GR_OK);
    assert_int_equal(run.config->import_count, 2);
    assert_string_equal(run.config->import[1].path, FOLDER "prices.csv");
    assert_int_equal(run.config->import[1].mapping.separator, ';');
    assert_false(run.config->engine.import.source[1].is_bands);
    assert_int_equal(run.config->engine.import.source[1].table.count, 0);
    end_run(&run);
}

static void the_client_id_is_the_same_on_every_start_and_short_enough_for_every_broker(void **state)
{
    (void)state;
    struct run first = read_config(FOLDER "good.defaults.conf"),
               second = read_config(FOLDER "good.defaults.conf");
    assert_string_equal(first.config->mqtt.client_id, second.config->mqtt.client_id);
    assert_true(strlen(first.config->mqtt.client_id) <= 23); /* MQTT 3.1.1 section 3.1.3.1 */
    end_run(&first);
    end_run(&second);
}

static char *print_whole(const struct gr_config *config)
{
    char *text = NULL;
    size_t length = 0;
    FILE *stream = open_memstream(&text, &length);
    assert_non_null(stream);
    gr_config_print(stream, config);
    fclose(stream);
    return text;
}

static void secrets_are_never_printed(void **state)
{
    (void)state;
    struct run run = read_config(FOLDER "good.secrets.conf");
    assert_int_equal(run.code, GR_OK);
    char *text = print_whole(run.config);
    assert_null(strstr(text, "not-for-printing"));
    assert_non_null(strstr(text, "fetched from https://prices.example/{year}?... with headers of our own"));
    assert_non_null(strstr(text, "user \"granary\" with a password"));
    free(text);
    end_run(&run);
}

static void the_printed_figures_follow_from_the_site(void **state)
{
    (void)state;
    struct run run = read_config(FOLDER "good.two-efficiencies.conf");
    assert_int_equal(run.code, GR_OK);
    char *text = print_whole(run.config);
    /* 9 kWh above the reserve: 9 / 0.96 = 9.4 kWh in at 4 kW, 9 * 0.92 = 8.3 kWh out at 5 kW, 0.96 * 0.92 =
     * 0.88. */
    assert_non_null(strstr(text, "from the reserve to full in 2.3 hours, taking 9.4 kWh"));
    assert_non_null(strstr(text, "from full to the reserve in 1.7 hours, giving 8.3 kWh"));
    assert_non_null(strstr(text, "Of 1 kWh put in, 0.88 kWh come out (96.0 % in, 92.0 % out)"));
    free(text);
    end_run(&run);
}

static void mistakes_in_an_included_file_name_that_file_and_its_line(void **state)
{
    (void)state;
    char folder[] = "/tmp/granary-config-XXXXXX", path[100], part[100];
    assert_non_null(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/main.conf", folder);
    snprintf(part, sizeof part, "%s/part.conf", folder);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs("\n@include \"part.conf\"\n", file);
    fclose(file);
    file = fopen(part, "w");
    assert_non_null(file);
    fputs("# one\n# two\ngrid = { import_limit_kw = 13800;\n  export_limit_kw = 99999999999; };\n", file);
    fclose(file);
    struct run run = read_config(path);
    assert_true(has_complaint(&run.complaints,
                              "part.conf:3: grid.import_limit_kw: found 13800, which smells of watts"));
    assert_true(has_complaint(&run.complaints, "part.conf:4: found the whole number 99999999999"));
    end_run(&run);
    unlink(path);
    unlink(part);
    rmdir(folder);
}

static void what_is_no_file_is_refused_with_the_systems_reason(void **state)
{
    (void)state;
    struct run run = read_config("/nonexistent/granary.conf");
    assert_int_equal(run.code, GR_INVALID);
    assert_true(
        has_complaint(&run.complaints, "cannot read /nonexistent/granary.conf: No such file or directory"));
    end_run(&run);
    run = read_config("/tmp");
    assert_true(has_complaint(&run.complaints, "it is no regular file"));
    end_run(&run);
}

static void a_refused_file_leaves_the_old_configuration_as_it_was(void **state)
{
    (void)state;
    struct run run = read_config(FOLDER "good.defaults.conf");
    struct gr_config *copy = malloc(sizeof *copy);
    assert_non_null(copy);
    memcpy(copy, run.config, sizeof *copy);
    assert_int_equal(gr_config_read(run.config, FOLDER "many.mistakes.conf", &run.complaints), GR_INVALID);
    assert_memory_equal(copy, run.config, sizeof *copy);
    free(copy);
    end_run(&run);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_bad_file_is_refused_for_its_reason_and_no_other),
        cmocka_unit_test(every_good_file_passes),
        cmocka_unit_test(ten_mistakes_are_told_in_one_run),
        cmocka_unit_test(the_example_is_valid_and_means_what_it_says),
        cmocka_unit_test(defaults_are_the_safe_ones),
        cmocka_unit_test(a_strategy_file_goes_before_the_keys_beside_it),
        cmocka_unit_test(a_dc_coupled_battery_has_its_inverter),
        cmocka_unit_test(carbon_is_a_third_list_of_sources_with_a_range_of_its_own),
        cmocka_unit_test(without_export_sources_every_moment_earns_nothing),
        cmocka_unit_test(where_nothing_may_be_exported_the_battery_may_not_either),
        cmocka_unit_test(directions_units_and_ranges_reach_the_inputs),
        cmocka_unit_test(seasons_days_and_times_reach_the_bands),
        cmocka_unit_test(relative_paths_start_at_the_file_and_not_at_the_working_directory),
        cmocka_unit_test(the_client_id_is_the_same_on_every_start_and_short_enough_for_every_broker),
        cmocka_unit_test(secrets_are_never_printed),
        cmocka_unit_test(the_printed_figures_follow_from_the_site),
        cmocka_unit_test(mistakes_in_an_included_file_name_that_file_and_its_line),
        cmocka_unit_test(what_is_no_file_is_refused_with_the_systems_reason),
        cmocka_unit_test(a_refused_file_leaves_the_old_configuration_as_it_was),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
