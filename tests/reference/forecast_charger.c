/* A car told at the moment from real homes, which had none: what is taken for one wrongly, and what of one
 * that is added is found. Open data: see PROVENANCE.md beside each file. */
#include "check.h"

#include "granary/charger.h"
#include "granary/config.h"
#include "granary/usage.h"
#include "tool/usage_file.h"

#define HOMES GRANARY_SHARED_DIR "/data/households/"
#define YEAR_DAYS 365

enum { TURN_S = 60 };

static const char *const files[] = {
    "fontana17/home01.csv",     "fontana17/home03.csv",     "fontana17/home09.csv",
    "fontana17/home11.csv",     "fontana17/home13.csv",     "sgsc10/home_10006414.csv",
    "sgsc10/home_10006704.csv", "sgsc10/home_10017562.csv", "sgsc10/home_10017994.csv",
    "sgsc10/home_10018064.csv", "lcl/MAC000002.csv"};

struct found {
    double house_kwh, car_kwh;   /* as they were */
    double right_kwh, wrong_kwh; /* of what was recognised: the car's and the house's */
};

/* Three hours on four days in ten, in the evening or at night (UTC). */
static bool is_charging(int64_t utc_s)
{
    int64_t day = utc_s / 86400, hour = utc_s % 86400 / 3600;
    int64_t from = day * 7 % 3 == 0 ? 23 : 18;
    return day * 7 % 10 < 4 && (hour - from + 24) % 24 < 3 && hour >= from;
}

/* A home's year, its means of slots as if they were the power of every minute in them. */
static void live(const struct gr_usage *usage, double power_kw, bool with_car, struct found *found)
{
    struct gr_charger charger;
    size_t year = (size_t)YEAR_DAYS * 86400 / (size_t)usage->step_s;
    gr_charger_init(&charger);
    for (size_t i = 0; i < usage->count && i < year; i++) {
        for (int64_t passed_s = 0; passed_s < usage->step_s; passed_s += TURN_S) {
            int64_t at_s = usage->start_s + (int64_t)i * usage->step_s + passed_s;
            double car_kw = with_car && is_charging(at_s) ? power_kw : 0, house_kw = usage->load_kw[i];
            double seen_kw = gr_charger_turn(&charger, power_kw, house_kw + car_kw, at_s * 1000);
            if (!isnan(house_kw)) {
                double right_kw = fmin(seen_kw, car_kw);
                found->house_kwh += house_kw * TURN_S / 3600;
                found->car_kwh += car_kw * TURN_S / 3600;
                found->right_kwh += right_kw * TURN_S / 3600;
                found->wrong_kwh += (seen_kw - right_kw) * TURN_S / 3600;
            }
        }
    }
}

static void check_home(const char *name, const struct gr_usage *usage)
{
    static const double powers_kw[] = {3.6, 7.2, 11};
    for (size_t i = 0; i < sizeof powers_kw / sizeof powers_kw[0]; i++) {
        struct found without = {0}, with = {0};
        live(usage, powers_kw[i], false, &without);
        live(usage, powers_kw[i], true, &with);
        print_message(
            "%-26s %4.1f kW: of the house %5.2f %% taken without a car, %5.2f %% with one; found %5.1f %%\n",
            name, powers_kw[i], 100 * without.wrong_kwh / without.house_kwh,
            100 * with.wrong_kwh / with.house_kwh, 100 * with.right_kwh / with.car_kwh);
        if (powers_kw[i] > 7) {
            assert_true(without.wrong_kwh < 0.01 * without.house_kwh);
            assert_true(with.right_kwh > 0.85 * with.car_kwh);
        }
    }
}

static void chargers_are_told_from_homes_and_homes_hold_few(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++) {
        struct gr_usage_mapping mapping = gr_usage_default_mapping();
        struct gr_usage usage;
        struct gr_error error = {""};
        char path[600];
        (void)snprintf(path, sizeof path, "%s%s", HOMES, files[i]);
        if (gr_usage_load(&usage, &mapping, NULL, path, NULL, &error) != GR_OK) {
            print_message("open data is not here: %s\n", error.text);
            skip();
            return;
        }
        check_home(files[i], &usage);
        gr_usage_free(&usage);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(chargers_are_told_from_homes_and_homes_hold_few)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
