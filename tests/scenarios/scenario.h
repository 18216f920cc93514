/* Scenarios: what happens in a house moment by moment, and what must be so, in plain words (README.md). */
#ifndef GRANARY_TESTS_SCENARIO_H
#define GRANARY_TESTS_SCENARIO_H

#include "granary/command.h"
#include "granary/error.h"
#include "world/world.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { SCENARIO_TEXT = 120, SCENARIO_NUMBERS = 3, SCENARIO_MOMENTS = 2 };

/* What a line's placeholders were filled with. */
struct scenario_values {
    double number[SCENARIO_NUMBERS];
    size_t numbers;
    int64_t span_s;                     /* DURATION, may be negative */
    int64_t moment_s[SCENARIO_MOMENTS]; /* DATE TIME as local civil seconds; TIME as seconds of a day */
    size_t moments;
    enum gr_channel channel;
    enum gr_direction direction;
    unsigned commands; /* bit per enum gr_command_kind */
    enum gr_fault fault;
    enum gr_answer answer;
    char text[SCENARIO_TEXT];
};

struct scenario_play;

/* What can be said: a pattern of words and placeholders, and what it does. */
struct scenario_rule {
    const char *pattern;
    bool setup; /* only before the first moment */
    int (*act)(struct scenario_play *play, const struct scenario_values *values, struct gr_error *error);
};

/* What can be asked: true where it is so. `seen` tells what is so instead. */
struct scenario_check {
    const char *pattern;
    bool (*holds)(const struct scenario_play *play, const struct scenario_values *values,
                  char seen[GR_REASON_SIZE]);
};

extern const struct scenario_rule scenario_rules[]; /* ended by a NULL pattern */
extern const struct scenario_check scenario_checks[];

struct scenario_line {
    int number;
    struct scenario_values values;
    const struct scenario_rule *rule;   /* what it does */
    const struct scenario_check *check; /* what "expect", "within" and "for" ask, else NULL */
    struct scenario_values asked;
};

struct scenario {
    struct scenario_line *lines;
    size_t count;
};

/* Reads a whole file. GR_INVALID with "FILE:LINE: ..." for the first line that is not understood. */
int scenario_read(struct scenario *out, const char *file, const void *bytes, size_t length,
                  struct gr_error *error);
void scenario_free(struct scenario *scenario);

struct scenario_play {
    struct world world;
    const struct scenario_line *line;
    int turn_s;
    bool begun;
    char zone[GR_NAME_SIZE];
    int changes;                  /* of command, since the start */
    struct gr_window windows[16]; /* that the event source tells of */
    size_t window_count;
};

/* Plays it. GR_INVALID with "FILE:LINE: ..." where something is not as it must be. */
int scenario_play(const struct scenario *scenario, const char *file, struct gr_error *error);

#endif
