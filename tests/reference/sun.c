/* Sun position, irradiance and conversion against published and independently computed values. Each table
 * names its source. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "granary/sun.h"

#include <math.h>

static double rad(double degrees)
{
    return degrees * (3.14159265358979323846 / 180);
}

/* True where |got - expected| <= tolerance; says what was found otherwise. */
static int is_near(const char *what, double got, double expected, double tolerance)
{
    if (fabs(got - expected) <= tolerance) {
        return 1;
    }
    print_error("%s: got %.10g, expected %.10g within %.3g\n", what, got, expected, tolerance);
    return 0;
}

static double across_deg(double a, double b)
{
    return remainder(a - b, 360);
}

/* Computed with python3-ephem 4.1.4 (topocentric, pressure 0, elevation 0 m) and with the NREL SPA algorithm
 * as implemented in pvlib (commit 6382338a7, delta T 69.2 s, 93 s for 2050); the two differ by at most 0.0002
 * degrees. */
static const struct position {
    const char *what;
    int64_t utc_s;
    double latitude, longitude, ephem_elevation, ephem_azimuth, spa_elevation, spa_azimuth;
} positions[] = {
    {"Greenwich 2026-03-20 12:00:00Z", 1774008000, 51.4779, 0.0, 38.4508, 177.6257, 38.4508, 177.6258},
    {"Greenwich 2026-06-21 12:00:00Z", 1782043200, 51.4779, 0.0, 61.9566, 179.1134, 61.9567, 179.1133},
    {"Greenwich 2026-06-21 04:00:00Z", 1782014400, 51.4779, 0.0, 1.2420, 52.3019, 1.2420, 52.3018},
    {"Greenwich 2026-12-21 12:00:00Z", 1797854400, 51.4779, 0.0, 15.0816, 180.4596, 15.0816, 180.4598},
    {"Greenwich 2026-12-21 15:30:00Z", 1797867000, 51.4779, 0.0, 1.8879, 227.1227, 1.8878, 227.1228},
    {"Lerwick 2026-06-21 22:00:00Z", 1782079200, 60.155, -1.145, -2.5138, 331.2153, -2.5137, 331.2153},
    {"Lerwick 2026-12-21 12:00:00Z", 1797854400, 60.155, -1.145, 6.4039, 179.3894, 6.4039, 179.3896},
    {"Berlin 2026-04-15 09:30:00Z", 1776245400, 52.52, 13.405, 43.0617, 146.5818, 43.0618, 146.5818},
    {"Berlin 2026-10-25 01:30:00Z", 1792891800, 52.52, 13.405, -38.4900, 53.2245, -38.4899, 53.2245},
    {"Madrid 2026-08-12 13:00:00Z", 1786539600, 40.4168, -3.7038, 62.9872, 201.7627, 62.9873, 201.7626},
    {"Golden CO 2026-01-15 20:00:00Z", 1768507200, 39.742476, -105.1786, 28.1477, 193.1882, 28.1476,
     193.1883},
    {"New York 2026-11-01 06:30:00Z", 1793514600, 40.7128, -74.006, -54.4147, 50.4358, -54.4146, 50.4359},
    {"New York 2026-07-04 21:15:00Z", 1783199700, 40.7128, -74.006, 34.2883, 271.8511, 34.2883, 271.8511},
    {"Quito 2026-03-20 17:20:00Z", 1774027200, -0.1807, -78.4678, 89.6175, 54.3085, 89.6176, 54.3016},
    {"Quito 2026-09-23 12:30:00Z", 1790166600, -0.1807, -78.4678, 20.9391, 90.1464, 20.9391, 90.1463},
    {"Singapore 2026-06-21 05:00:00Z", 1782018000, 1.3521, 103.8198, 67.8576, 3.9427, 67.8576, 3.9429},
    {"Sydney 2026-01-01 02:00:00Z", 1767232800, -33.8688, 151.2093, 79.1365, 358.2081, 79.1365, 358.2076},
    {"Sydney 2026-07-01 02:00:00Z", 1782871200, -33.8688, 151.2093, 33.0157, 359.7191, 33.0157, 359.7192},
    {"Lord Howe 2026-04-04 15:15:00Z", 1775315700, -31.5553, 159.0821, -53.9004, 129.7162, -53.9004,
     129.7162},
    {"Tromso 2026-06-21 22:45:00Z", 1782081900, 69.6492, 18.9553, 3.0837, 359.7488, 3.0837, 359.7487},
    {"Tromso 2026-12-21 10:45:00Z", 1797849900, 69.6492, 18.9553, -3.0898, 180.6390, -3.0898, 180.6391},
    {"Anchorage 2026-05-01 18:00:00Z", 1777658400, 61.2181, -149.9003, 27.9377, 110.3278, 27.9378, 110.3278},
    {"Cape Town 2026-12-31 11:00:00Z", 1798714800, -33.9249, 18.4241, 78.9000, 347.0525, 78.9000, 347.0516},
    {"Greenwich 2050-06-21 08:00:00Z", 2539411200, 51.4779, 0.0, 36.3513, 97.5746, 36.3513, 97.5746},
};

static void the_sun_stands_where_ephem_and_spa_put_it_at_24_places_and_times(void **state)
{
    (void)state;
    int good = 1;
    for (size_t i = 0; i < sizeof positions / sizeof positions[0]; i++) {
        const struct position *p = &positions[i];
        struct gr_sun sun = gr_sun_at(p->utc_s, p->latitude, p->longitude);
        double shrink = cos(rad(sun.elevation_deg));
        good &= is_near(p->what, sun.elevation_deg, p->ephem_elevation, 0.02);
        good &= is_near(p->what, sun.elevation_deg, p->spa_elevation, 0.02);
        good &= is_near(p->what, shrink * across_deg(sun.azimuth_deg, p->ephem_azimuth), 0, 0.02);
        good &= is_near(p->what, shrink * across_deg(sun.azimuth_deg, p->spa_azimuth), 0, 0.02);
    }
    assert_true(good);
}

/* Reda and Andreas, NREL/TP-560-34302, worked example in its appendix, as printed in pvlib's
 * tests/test_spa.py: 2003-10-17 19:30:30 UTC, 39.742476 N, 105.1786 W. The day after: pvlib's
 * tests/test_solarposition.py. */
static void the_worked_example_of_the_nrel_algorithm_is_met(void **state)
{
    (void)state;
    struct gr_sun sun = gr_sun_at(1066419030, 39.742476, -105.1786);
    int good = is_near("elevation without refraction", sun.elevation_deg, 39.872046, 0.02);
    good &= is_near("azimuth", sun.azimuth_deg, 194.340241, 0.02);
    good &= is_near("distance", sun.distance_au, 0.9965422974, 1e-4);
    sun = gr_sun_at(1066419030 + 86400, 39.742476, -105.1786);
    good &= is_near("elevation the day after", sun.elevation_deg, 39.505196, 0.02);
    good &= is_near("azimuth the day after", sun.azimuth_deg, 194.311132, 0.02);
    assert_true(good);
}

/* The same example: refraction 0.016332 degrees in air of 820 hPa and 11 degrees C; ours is for 1010 hPa and
 * 10 degrees. */
static void refraction_in_thin_air_is_that_of_the_nrel_example(void **state)
{
    (void)state;
    double scaled = gr_sun_refraction_deg(39.872046) * (820.0 / 1010) * (283.0 / 284);
    assert_true(is_near("refraction", scaled, 0.016332, 1e-6));
}

/* pvlib tests/test_clearsky.py::test_haurwitz, and values computed from the formula (Haurwitz 1945). */
static void the_clear_sky_is_that_of_haurwitz(void **state)
{
    (void)state;
    static const double table[][2] = {
        {-20, 0},
        {-0.05, 0},
        {-0.001, 0},
        {5, 48.6298687942},
        {10, 135.7417480918},
        {30, 487.8941328854},
        {50, 778.7666893444},
        {90, 1035.0920325345}, /* pvlib */
        {20, 316.0358},
        {45, 714.2503},
        {60, 888.2713},
        {75, 997.7434}, /* computed */
    };
    int good = 1;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        good &= is_near("clear sky", gr_clear_sky_haurwitz(90 - table[i][0]), table[i][1], 1e-4);
    }
    assert_true(good);
}

/* Spencer (1971) as in Duffie and Beckman, computed for days 1 and 172 with 1361 W/m2; Spencer's series is
 * good to about 0.1 %, the moment within the day is worth 0.01 %. */
static void sunshine_above_the_air_follows_the_distance(void **state)
{
    (void)state;
    struct gr_sun january = gr_sun_at(1767268800, 0, 0); /* 2026-01-01 12:00 UTC */
    struct gr_sun june = gr_sun_at(1782043200, 0, 0);    /* 2026-06-21 12:00 UTC */
    assert_true(is_near("day 1", gr_extraterrestrial(january.distance_au), 1408.70, 2));
    assert_true(is_near("day 172", gr_extraterrestrial(june.distance_au), 1316.69, 2));
}

/* pvlib tests/test_irradiance.py::test_erbs; the extraterrestrial irradiance is recovered from its kt column.
 */
static void diffuse_and_beam_are_those_of_erbs(void **state)
{
    (void)state;
    static const struct {
        double global, zenith, kt, beam, diffuse;
    } table[] = {
        {50, 85, 0.405723511, 96.7192672, 41.5703604},
        {1000, 10, 0.718132729, 794.205651, 217.860117},
        {1000, 10, 0.768214312, 842.001578, 170.790318},
    };
    int good = 1;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        double beam;
        double diffuse;
        double above = table[i].global / (table[i].kt * cos(rad(table[i].zenith)));
        gr_erbs(table[i].global, table[i].zenith, above, &beam, &diffuse);
        good &= is_near("beam", beam, table[i].beam, 1e-4);
        good &= is_near("diffuse", diffuse, table[i].diffuse, 1e-4);
    }
    double beam;
    double diffuse;
    gr_erbs(0, 120, 1414, &beam, &diffuse);
    good &= is_near("beam at night", beam, 0, 0) & is_near("diffuse at night", diffuse, 0, 0);
    assert_true(good);
}

/* Computed from the equation of Erbs, Klein and Duffie (Solar Energy 28(4), 1982). */
static void the_diffuse_fraction_follows_the_paper_over_its_whole_range(void **state)
{
    (void)state;
    static const double table[][2] = {{0.1, 0.99100}, {0.22, 0.98020}, {0.3, 0.94860},
                                      {0.4, 0.83999}, {0.5, 0.65915},  {0.6, 0.43948},
                                      {0.7, 0.24398}, {0.8, 0.16527},  {0.81, 0.165}};
    int good = 1;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        double beam;
        double diffuse;
        /* A hair below, so that the joints of the curve are met from the side the table means. */
        double global = 1000 * table[i][0] * (1 - 1e-12);
        gr_erbs(global, 0, 1000, &beam, &diffuse);
        good &= is_near("fraction", diffuse / global, table[i][1], 1e-5);
    }
    assert_true(good);
}

/* pvlib tests/test_irradiance.py: Hay-Davies sky diffuse ("from matlab 1.4 code") plus the beam on the plane
 * computed from the same rows; the ground's part, global x 0.2 x (1 - cos 40)/2, is added here. The last row
 * is computed from the formulas. */
static void light_on_a_plane_is_that_of_hay_and_davies(void **state)
{
    (void)state;
    static const struct {
        double tilt, zenith, azimuth, global, beam, diffuse, above, sky_and_beam;
    } table[] = {
        {40, 82.85457044, 66.71410338, 79.73860, 316.1949056, 40.46149818, 1321.16558348, 27.1775},
        {40, 10.56413562, 144.76567754, 1042.48032, 939.95469881, 118.45831879, 1321.16558348,
         102.9949 + 798.3194},
        {40, 72.41687122, 287.04104128, 257.20751, 646.22886049, 62.03376265, 1321.16558348,
         33.1909 + 33.5014},
        {35, 40, 200, 656.2311, 700, 120, 1367, 825.0234 - 11.8678},
    };
    int good = 1;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct gr_sun sun = {
            .elevation_deg = 90 - table[i].zenith, .azimuth_deg = table[i].azimuth, .distance_au = 1};
        double ground = table[i].global * 0.2 * (1 - cos(rad(table[i].tilt))) / 2;
        double plane = gr_plane_of_array(table[i].tilt, 180, &sun, table[i].global, table[i].beam,
                                         table[i].diffuse, table[i].above);
        good &= is_near("plane", plane, table[i].sky_and_beam + ground, 1e-3);
    }
    assert_true(good);
}

/* Duffie and Beckman, example 1.6.1: Madison (43 N), 13 February, declination -14, hour angle -22.5, tilt 45,
 * surface turned 15 degrees to the west: cos of the angle of incidence 0.817. Only beam shines here, so light
 * on the plane is beam x cos. */
static void the_angle_of_incidence_is_that_of_the_textbook(void **state)
{
    (void)state;
    double up = sin(rad(-14)) * sin(rad(43)) + cos(rad(-14)) * cos(rad(43)) * cos(rad(-22.5));
    double east = -cos(rad(-14)) * sin(rad(-22.5));
    double north = sin(rad(-14)) * cos(rad(43)) - cos(rad(-14)) * sin(rad(43)) * cos(rad(-22.5));
    struct gr_sun sun = {asin(up) / rad(1), atan2(east, north) / rad(1), 1};
    assert_true(is_near("cosine", gr_plane_of_array(45, 195, &sun, 0, 1000, 0, 1361) / 1000, 0.81738, 1e-5));
}

/* pvlib tests/test_pvsystem.py::test_pvwatts_dc (100 rated, -0.3 % per K, 900 W/m2, 30 degrees), and one
 * computed value. */
static void direct_current_is_that_of_pvwatts(void **state)
{
    (void)state;
    assert_true(is_near("pvlib", gr_pvwatts_dc(900, 30, 100, -0.003), 88.65, 1e-9));
    assert_true(is_near("computed", gr_pvwatts_dc(800, 45, 4, -0.0035), 2.976, 1e-9));
}

/* Computed from Dobos, NREL/TP-6A20-62641 (2014), with a nominal efficiency of 0.96 and a DC limit of 100. */
static void alternating_current_is_that_of_pvwatts(void **state)
{
    (void)state;
    static const double table[][2] = {{0, 0},         {0.5, 0},       {1, 0.39412},   {5, 4.31831},
                                      {10, 9.21628},  {20, 18.98802}, {50, 48.10958}, {75, 72.15565},
                                      {90, 86.48647}, {100, 96},      {120, 96}};
    int good = 1;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        good &= is_near("AC", gr_pvwatts_ac(table[i][0], 96), table[i][1], 1e-5);
    }
    assert_true(good);
}

/* The chain put together again from the parts checked above, with Ross's cell temperature (pvlib
 * tests/test_temperature.py: air + (NOCT - 20)/800 x irradiance; 1000 W/m2, 30 degrees, NOCT 50 give 67.5)
 * and the PVWatts default losses, 14.0757 % (pvlib tests/test_pvsystem.py::test_pvwatts_losses). */
static void an_array_gives_what_the_chain_of_models_gives(void **state)
{
    (void)state;
    struct gr_solar_array array = {.peak_kw = 5, .tilt_deg = 35, .azimuth_deg = 200, .inverter_kw = 4.2};
    int64_t noon = 1782043200;
    struct gr_sun sun = gr_sun_at(noon, 51.4779, 0);
    sun.elevation_deg += gr_sun_refraction_deg(sun.elevation_deg);
    double above = gr_extraterrestrial(sun.distance_au);
    double global = 0.7 * gr_clear_sky_haurwitz(90 - sun.elevation_deg);
    double beam;
    double diffuse;
    gr_erbs(global, 90 - sun.elevation_deg, above, &beam, &diffuse);
    double plane = gr_plane_of_array(35, 200, &sun, global, beam, diffuse, above);
    double cell = 15 + (45.0 - 20) / 800 * plane;
    double dc = gr_pvwatts_dc(plane, cell, 5, -0.0035) * (1 - 0.14075660688264469);
    assert_true(plane > 500);
    assert_true(is_near("array", gr_array_kw(&array, 51.4779, 0, noon, 0.7), gr_pvwatts_ac(dc, 4.2), 1e-9));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_sun_stands_where_ephem_and_spa_put_it_at_24_places_and_times),
        cmocka_unit_test(the_worked_example_of_the_nrel_algorithm_is_met),
        cmocka_unit_test(refraction_in_thin_air_is_that_of_the_nrel_example),
        cmocka_unit_test(the_clear_sky_is_that_of_haurwitz),
        cmocka_unit_test(sunshine_above_the_air_follows_the_distance),
        cmocka_unit_test(diffuse_and_beam_are_those_of_erbs),
        cmocka_unit_test(the_diffuse_fraction_follows_the_paper_over_its_whole_range),
        cmocka_unit_test(light_on_a_plane_is_that_of_hay_and_davies),
        cmocka_unit_test(the_angle_of_incidence_is_that_of_the_textbook),
        cmocka_unit_test(direct_current_is_that_of_pvwatts),
        cmocka_unit_test(alternating_current_is_that_of_pvwatts),
        cmocka_unit_test(an_array_gives_what_the_chain_of_models_gives),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
