/* The load inside slots, learned from finer means. */
#include "check.h"

#include "granary/within.h"

enum { PARTS = 6, SLOTS = 1000, STEPS = PARTS * SLOTS };

static const int64_t start_s = 1760000100; /* 300 s before a half hour begins */

/* Quiet half hours of 0.2 kW without change; every tenth has a kettle: 2 kW in one of its six parts. */
static void fill(double kw[STEPS + 1])
{
    kw[0] = 9; /* of a half hour that is not whole */
    for (size_t i = 0; i < STEPS; i++) {
        bool kettle = i / PARTS % 10 == 3 && i % PARTS == i / PARTS % PARTS;
        kw[i + 1] = kettle ? 2 : 0.2;
    }
}

static struct gr_series series_of(const double *kw, size_t count)
{
    return (struct gr_series){.start_s = start_s, .step_s = 300, .count = count, .kw = kw};
}

static void learn(struct gr_within *out, const double *kw)
{
    struct gr_error error = {""};
    struct gr_series fine = series_of(kw, STEPS + 1);
    if (gr_within_learn(out, &fine, 1800, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
}

static void a_kettle_shows_as_a_short_peak_in_the_busiest_slots(void **state)
{
    (void)state;
    double kw[STEPS + 1];
    struct gr_within within;
    struct gr_within_shape shape;
    fill(kw);
    learn(&within, kw);
    assert_int_equal(within.count, SLOTS);
    gr_within_shape(&within, &shape);
    assert_near(shape.up_to_kw[0], 0.2, 1e-9);
    assert_near(shape.up_to_kw[2], 0.5, 1e-9);
    assert_near(shape.share[0][0], 1, 1e-9);
    assert_near(shape.share[0][4], 1, 1e-9);
    assert_true(shape.share[2][4] > 1.5 && shape.share[2][0] < 0.9);
    for (size_t level = 0; level < GR_WITHIN_LEVELS; level++) {
        double sum = 0;
        for (size_t k = 0; k < GR_WITHIN_FIFTHS; k++) {
            sum += shape.share[level][k];
            assert_true(k == 0 || shape.share[level][k] >= shape.share[level][k - 1] - 1e-12);
        }
        assert_near(sum / GR_WITHIN_FIFTHS, 1, 1e-9);
    }
    gr_within_free(&within);
}

/* The fifths of a slot of six parts: two and a half of them make the least two fifths, and so on. */
static void parts_that_are_no_fifths_are_shared_out(void **state)
{
    (void)state;
    double kw[STEPS];
    struct gr_within within;
    struct gr_within_shape shape;
    for (size_t i = 0; i < STEPS; i++) {
        kw[i] = (double)(i % PARTS) / 2.5; /* 0 to 2, mean 1 */
    }
    struct gr_series fine = {.start_s = 1800, .step_s = 300, .count = STEPS, .kw = kw};
    assert_int_equal(gr_within_learn(&within, &fine, 1800, NULL), GR_OK);
    gr_within_shape(&within, &shape);
    static const double expected[] = {0.2 * 0.4 / 1.2, (0.8 * 0.4 + 0.4 * 0.8) / 1.2, 1, 1.466667, 1.933333};
    for (size_t k = 0; k < GR_WITHIN_FIFTHS; k++) {
        assert_near(shape.share[1][k], expected[k], 1e-6);
    }
    gr_within_free(&within);
}

static void a_course_is_that_of_a_slot_of_about_the_same_mean(void **state)
{
    (void)state;
    double kw[STEPS + 1], share[GR_WITHIN_MOST_PARTS];
    struct gr_within within;
    size_t kettles = 0;
    fill(kw);
    learn(&within, kw);
    for (size_t i = 0; i < 100; i++) {
        double sum = 0, most = 0;
        gr_within_draw(&within, 0.5, (double)i / 100, share);
        for (size_t k = 0; k < PARTS; k++) {
            sum += share[k];
            most = fmax(most, share[k]);
        }
        assert_near(sum / PARTS, 1, 1e-9);
        kettles += most > 3.9;
        gr_within_draw(&within, 0.1, (double)i / 100, share);
        assert_near(share[0], 1, 1e-9);
    }
    assert_in_range(kettles, 50, 75); /* a tenth of all slots out of the sixth that is drawn from */
    gr_within_free(&within);
}

static void slots_with_a_hole_count_for_nothing_and_few_slots_say_nothing(void **state)
{
    (void)state;
    double kw[STEPS + 1];
    struct gr_within within;
    struct gr_error error = {""};
    fill(kw);
    for (size_t i = 0; i < 700 * PARTS; i += PARTS) {
        kw[i + 1] = NAN;
    }
    struct gr_series fine = series_of(kw, STEPS + 1);
    assert_int_equal(gr_within_learn(&within, &fine, 1800, &error), GR_NOT_FOUND);
    assert_non_null(strstr(error.text, "300 slots are known to the last part; 336 are needed"));
    assert_int_equal(gr_within_learn(&within, &fine, 1700, &error), GR_INVALID);
    assert_non_null(strstr(error.text, "slots of 1700 s cannot be told from steps of"));
    assert_int_equal(gr_within_learn(&within, &fine, 13 * fine.step_s, &error), GR_INVALID);
    fine.step_s = 1800;
    assert_int_equal(gr_within_learn(&within, &fine, 1800, &error), GR_INVALID);
    gr_within_free(&within);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_kettle_shows_as_a_short_peak_in_the_busiest_slots),
        cmocka_unit_test(parts_that_are_no_fifths_are_shared_out),
        cmocka_unit_test(a_course_is_that_of_a_slot_of_about_the_same_mean),
        cmocka_unit_test(slots_with_a_hole_count_for_nothing_and_few_slots_say_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
