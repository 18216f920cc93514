/* What every cmocka program here includes, in the order that cmocka asks for. */
#ifndef GRANARY_TESTS_CHECK_H
#define GRANARY_TESTS_CHECK_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Fails with both values where they differ by more than `tolerance`. */
#define assert_near(value, expected, tolerance)                                                              \
    do {                                                                                                     \
        double value_ = (value), expected_ = (expected);                                                     \
        if (!(fabs(value_ - expected_) <= (tolerance))) {                                                    \
            fail_msg("%s is %.12g, expected %.12g", #value, value_, expected_);                              \
        }                                                                                                    \
    } while (0)

/* Fails, printing the text, where it does not hold the words. */
#define assert_says(text, words)                                                                             \
    do {                                                                                                     \
        if (!strstr((text), (words))) {                                                                      \
            fail_msg("\"%s\" does not say \"%s\"", (text), (words));                                         \
        }                                                                                                    \
    } while (0)

#endif
