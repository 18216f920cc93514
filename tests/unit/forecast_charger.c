/* A car told from the house at the moment, by the power of its charger. */
#include "check.h"

#include "granary/charger.h"

struct run {
    struct gr_charger charger;
    int64_t mono_ms;
    double car_kw;
};

/* The same load for so long, seen every ten seconds. */
static void live(struct run *run, double total_kw, int64_t seconds)
{
    for (int64_t passed = 0; passed < seconds; passed += 10) {
        run->mono_ms += 10000;
        run->car_kw = gr_charger_turn(&run->charger, 7.2, total_kw, run->mono_ms);
        assert_true(isnan(total_kw) || run->car_kw <= total_kw);
    }
}

static struct run begin(void)
{
    struct run run = {.mono_ms = 1000};
    gr_charger_init(&run.charger);
    live(&run, 0.5, 600);
    return run;
}

static void a_load_that_rises_by_its_power_and_stays_is_the_car(void **state)
{
    (void)state;
    struct run run = begin();
    live(&run, 7.6, 290);
    assert_near(run.car_kw, 0, 1e-12);
    live(&run, 7.6, 20);
    assert_near(run.car_kw, 7.1, 1e-6);
    live(&run, 7.6, 3 * 3600);
    assert_near(run.car_kw, 7.1, 1e-6);
    live(&run, 0.5, 40);
    assert_near(run.car_kw, 0, 1e-12);
}

static void what_the_house_adds_on_top_stays_the_houses(void **state)
{
    (void)state;
    struct run run = begin();
    live(&run, 9.9, 120); /* an oven comes on together with the car */
    live(&run, 7.6, 240);
    assert_near(run.car_kw, 7.1, 1e-6);
    live(&run, 12, 600);
    assert_near(run.car_kw, 7.1, 1e-6);
}

static void a_car_that_is_nearly_full_takes_what_is_left(void **state)
{
    (void)state;
    struct run run = begin();
    live(&run, 7.6, 400);
    live(&run, 5, 600);
    assert_near(run.car_kw, 5, 1e-6);
    live(&run, 3, 40);
    assert_near(run.car_kw, 0, 1e-12);
}

static void other_powers_and_short_blocks_are_none(void **state)
{
    (void)state;
    static const struct {
        double kw;
        int64_t seconds;
    } blocks[] = {{8, 280}, {3.5, 7200}, {5, 7200}, {10.5, 7200}, {20, 600}};
    for (size_t i = 0; i < sizeof blocks / sizeof blocks[0]; i++) {
        struct run run = begin();
        live(&run, blocks[i].kw, blocks[i].seconds);
        assert_near(run.car_kw, 0, 1e-12);
        live(&run, 0.5, 600);
        assert_near(run.car_kw, 0, 1e-12);
    }
}

static void one_contradiction_of_the_meters_does_not_end_it(void **state)
{
    (void)state;
    struct run run = begin();
    live(&run, 7.6, 400);
    live(&run, 0, 10);
    live(&run, 7.6, 10);
    assert_near(run.car_kw, 7.1, 1e-6);
}

static void a_short_gap_keeps_it_and_a_long_one_forgets(void **state)
{
    (void)state;
    struct run run = begin();
    live(&run, 7.6, 400);
    live(&run, NAN, 300);
    assert_near(run.car_kw, 7.1, 1e-6);
    live(&run, 7.6, 10);
    assert_near(run.car_kw, 7.1, 1e-6);
    live(&run, NAN, 700);
    assert_near(run.car_kw, 0, 1e-12);
    live(&run, 7.6, 600);
    assert_near(run.car_kw, 0, 1e-12);
}

static void nothing_charges_for_days(void **state)
{
    (void)state;
    struct run run = begin();
    live(&run, 7.6, (int64_t)17 * 3600);
    assert_near(run.car_kw, 0, 1e-12);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_load_that_rises_by_its_power_and_stays_is_the_car),
        cmocka_unit_test(what_the_house_adds_on_top_stays_the_houses),
        cmocka_unit_test(a_car_that_is_nearly_full_takes_what_is_left),
        cmocka_unit_test(other_powers_and_short_blocks_are_none),
        cmocka_unit_test(one_contradiction_of_the_meters_does_not_end_it),
        cmocka_unit_test(a_short_gap_keeps_it_and_a_long_one_forgets),
        cmocka_unit_test(nothing_charges_for_days),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
