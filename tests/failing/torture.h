/* What the parts of torture.c share. */
#ifndef GRANARY_TESTS_FAILING_TORTURE_H
#define GRANARY_TESTS_FAILING_TORTURE_H

#include <stdbool.h>

/* Says what does not hold, and with which call failing; the program then ends with 1. */
void require(bool holds, const char *what);

/* A new planner in random problems of every kind. */
#define PLANNING_PROBLEMS 10
void planning_prepare(void);
void planning_run(int number);

/* Forecasts, and what else is learned from a past. */
void learning_prepare(void);
void learning_run(void *context);
void learning_end(void);

/* Which of a broker's numbers are the house's. */
void discovery_run(void *context);

#endif
