#include "scenarios/scenario.h"

#include "granary/civil.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_LINES = 2000, MOST_WORDS = 40 };

struct words {
    char room[1024];
    const char *word[MOST_WORDS];
    size_t count;
};

/* Cuts a line into words; what stands in quotes is one, a comma at a word's end is none of it. */
static bool cut(struct words *out, const char *line, size_t length)
{
    size_t used = 0;
    out->count = 0;
    for (size_t i = 0; i < length;) {
        if (line[i] == ' ' || line[i] == '\t') {
            i++;
            continue;
        }
        if (line[i] == '#') {
            break;
        }
        bool quoted = line[i] == '"';
        size_t start = quoted ? ++i : i;
        while (i < length && (quoted ? line[i] != '"' : line[i] != ' ' && line[i] != '\t')) {
            i++;
        }
        size_t end = !quoted && i > start + 1 && line[i - 1] == ',' ? i - 1 : i;
        if ((quoted && i == length) || out->count == MOST_WORDS ||
            used + (end - start) + 1 > sizeof out->room) {
            return false;
        }
        out->word[out->count++] = memcpy(out->room + used, line + start, end - start);
        used += end - start;
        out->room[used++] = '\0';
        i += quoted;
    }
    return true;
}

/* ---- placeholders ---- */

static bool take_number(const char *word, double *out)
{
    char *end;
    *out = strtod(word, &end);
    return end != word && !*end && isfinite(*out) && fabs(*out) < 1e12;
}

static bool take_span(const char *number, const char *unit, int64_t *out)
{
    static const struct {
        const char *name;
        double seconds;
    } units[] = {{"s", 1}, {"min", 60}, {"h", 3600}, {"days", 86400}, {"years", 31557600}};
    double value;
    if (!take_number(number, &value) || fabs(value) > 1e5) {
        return false;
    }
    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++) {
        if (strcmp(units[i].name, unit) == 0) {
            *out = llround(value * units[i].seconds);
            return true;
        }
    }
    return false;
}

static bool take_time(const char *word, int64_t *out)
{
    int hour, minute, end = 0;
    if (sscanf(word, "%2d:%2d%n", &hour, &minute, &end) != 2 || word[end] || hour < 0 || hour > 23 ||
        minute < 0 || minute > 59) {
        return false;
    }
    *out = hour * 3600 + minute * 60;
    return true;
}

static bool take_date(const char *word, int64_t *out)
{
    char text[32];
    (void)snprintf(text, sizeof text, "%.15sT00:00", word);
    return strlen(word) == 10 && gr_local_time_parse(out, text, strlen(text)) == GR_OK;
}

static bool take_channel(const char *word, enum gr_channel *out)
{
    for (int channel = 0; channel < GR_CHANNELS; channel++) {
        if (strcmp(word, gr_channel_name((enum gr_channel)channel)) == 0) {
            *out = (enum gr_channel)channel;
            return true;
        }
    }
    return false;
}

static bool take_fault(const char *word, enum gr_fault *out)
{
    for (int fault = 0; fault < GR_FAULTS; fault++) {
        if (strcmp(word, gr_fault_name((enum gr_fault)fault)) == 0) {
            *out = (enum gr_fault)fault;
            return true;
        }
    }
    return false;
}

static bool take_answer(const char *word, enum gr_answer *out)
{
    for (int answer = 0; answer < GR_ANSWERS; answer++) {
        if (strcmp(word, gr_answer_name((enum gr_answer)answer)) == 0) {
            *out = (enum gr_answer)answer;
            return true;
        }
    }
    return false;
}

static bool take_direction(const char *word, enum gr_direction *out)
{
    *out = strcmp(word, "import") == 0 ? GR_IMPORT : GR_EXPORT_DIRECTION;
    return *out == GR_IMPORT || strcmp(word, "export") == 0;
}

/* "charge", or "charge or follow or ..." up to the end of the line. */
static size_t take_commands(const struct words *words, size_t at, unsigned *out)
{
    size_t begun = at;
    *out = 0;
    for (; at < words->count; at += 2) {
        int kind = gr_command_kind_of(words->word[at]);
        if (kind < 0) {
            return 0;
        }
        *out |= 1u << kind;
        if (at + 1 == words->count || strcmp(words->word[at + 1], "or") != 0) {
            return at + 1 - begun;
        }
    }
    return 0;
}

/* How many words the placeholder takes; 0: it does not fit. */
static size_t fill(const char *name, const struct words *words, size_t at, struct scenario_values *out)
{
    const char *word = words->word[at];
    if (strcmp(name, "NUMBER") == 0) {
        return take_number(word, &out->number[out->numbers]) && out->numbers++ < SCENARIO_NUMBERS;
    }
    if (strcmp(name, "DURATION") == 0) {
        return at + 1 < words->count && take_span(word, words->word[at + 1], &out->span_s) ? 2 : 0;
    }
    if (strcmp(name, "TIME") == 0) {
        return take_time(word, &out->moment_s[out->moments]) && out->moments++ < SCENARIO_MOMENTS;
    }
    if (strcmp(name, "DAY") == 0) { /* DAY and TIME are one moment */
        int64_t time_s;
        bool good = at + 1 < words->count && take_date(word, &out->moment_s[out->moments]) &&
                    take_time(words->word[at + 1], &time_s);
        if (good) {
            out->moment_s[out->moments++] += time_s;
        }
        return good ? 2 : 0;
    }
    if (strcmp(name, "CHANNEL") == 0) {
        return take_channel(word, &out->channel);
    }
    if (strcmp(name, "DIRECTION") == 0) {
        return take_direction(word, &out->direction);
    }
    if (strcmp(name, "COMMANDS") == 0) {
        return take_commands(words, at, &out->commands);
    }
    if (strcmp(name, "FAULT") == 0) {
        return take_fault(word, &out->fault);
    }
    if (strcmp(name, "ANSWER") == 0) {
        return take_answer(word, &out->answer);
    }
    (void)snprintf(out->text, sizeof out->text, "%s", word); /* TEXT */
    return strlen(word) < sizeof out->text;
}

/* ---- patterns ---- */

static size_t next_token(const char **pattern, char token[32])
{
    while (**pattern == ' ') {
        (*pattern)++;
    }
    size_t length = strcspn(*pattern, " ");
    (void)snprintf(token, 32, "%.*s", (int)length, *pattern);
    *pattern += length;
    return length;
}

/* Matches words from `at` on. Returns the word after the match; 0: no match. *reached is how far it came. */
static size_t match(const char *pattern, const struct words *words, size_t at, struct scenario_values *out,
                    size_t *reached)
{
    char token[32];
    *out = (struct scenario_values){.numbers = 0};
    while (next_token(&pattern, token) > 0) {
        bool placeholder = token[0] >= 'A' && token[0] <= 'Z';
        size_t taken = 0;
        *reached = at;
        if (at < words->count) {
            taken = placeholder ? fill(token, words, at, out) : strcmp(token, words->word[at]) == 0;
        }
        if (taken == 0) {
            return 0;
        }
        at += taken;
    }
    *reached = at;
    return at;
}

static int refuse(const struct words *words, size_t reached, const char *nearest, struct gr_error *error)
{
    const char *found = reached < words->count ? words->word[reached] : "the end of the line";
    if (!nearest) {
        return gr_error_set(error, GR_INVALID,
                            "\"%.40s\" begins no line that is known (README.md lists them)", found);
    }
    return gr_error_set(error, GR_INVALID, "found \"%.40s\", expected a line like: %s", found, nearest);
}

static int parse_check(struct scenario_line *line, const struct words *words, size_t at,
                       struct gr_error *error)
{
    size_t furthest = at;
    const char *nearest = NULL;
    for (const struct scenario_check *check = scenario_checks; check->pattern; check++) {
        size_t reached, end = match(check->pattern, words, at, &line->asked, &reached);
        if (end > 0 && end == words->count) {
            line->check = check;
            return GR_OK;
        }
        if (reached > furthest || (!nearest && reached > at)) {
            furthest = reached;
            nearest = check->pattern;
        }
    }
    return refuse(words, furthest, nearest ? nearest : "expect command follow", error);
}

static int parse_line(struct scenario_line *line, const struct words *words, struct gr_error *error)
{
    size_t furthest = 0;
    const char *nearest = NULL;
    for (const struct scenario_rule *rule = scenario_rules; rule->pattern; rule++) {
        size_t reached, end = match(rule->pattern, words, 0, &line->values, &reached);
        bool asks = !rule->act;
        if (end > 0 && asks) {
            line->rule = rule;
            return parse_check(line, words, end, error);
        }
        if (end > 0 && end == words->count) {
            line->rule = rule;
            return GR_OK;
        }
        if (reached > furthest) {
            furthest = reached;
            nearest = rule->pattern;
        }
    }
    return refuse(words, furthest, nearest, error);
}

static int add_line(struct scenario *out, const char *text, size_t length, int number, struct gr_error *error)
{
    struct words words;
    if (memchr(text, '\0', length) || !cut(&words, text, length)) {
        return gr_error_set(error, GR_INVALID, "a quote without its end, a zero byte, or too many words");
    }
    if (words.count == 0) {
        return GR_OK;
    }
    struct scenario_line *lines = realloc(out->lines, (out->count + 1) * sizeof *lines);
    if (!lines) {
        return gr_error_set(error, GR_NO_MEMORY, "no memory");
    }
    out->lines = lines;
    lines[out->count] = (struct scenario_line){.number = number};
    int status = parse_line(&lines[out->count], &words, error);
    out->count += status == GR_OK;
    return status;
}

int scenario_read(struct scenario *out, const char *file, const void *bytes, size_t length,
                  struct gr_error *error)
{
    const char *text = bytes, *end = text + length;
    struct gr_error why = {""};
    *out = (struct scenario){.count = 0};
    for (int number = 1; text < end; number++) {
        const char *newline = memchr(text, '\n', (size_t)(end - text));
        const char *stop = newline ? newline : end;
        int status = number > MOST_LINES ? gr_error_set(&why, GR_INVALID, "too many lines")
                                         : add_line(out, text, (size_t)(stop - text), number, &why);
        if (status != GR_OK) {
            scenario_free(out);
            return gr_error_set(error, status, "%s:%d: %.300s", file, number, why.text);
        }
        text = newline ? newline + 1 : end;
    }
    return GR_OK;
}

void scenario_free(struct scenario *scenario)
{
    free(scenario->lines);
    *scenario = (struct scenario){.count = 0};
}
