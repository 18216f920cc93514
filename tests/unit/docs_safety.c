/* The table of faults in docs/safety.md against the tests that there are. */
#include "check.h"

#include "config/slurp.h"

#include <stdbool.h>
#include <stdlib.h>

static char *read_file(const char *format, const char *name)
{
    char path[700], inner[300];
    char *text = NULL;
    size_t length = 0;
    (void)snprintf(inner, sizeof inner, "%s%s", format, name);
    (void)snprintf(path, sizeof path, GRANARY_SOURCE_DIR "/%s", inner);
    (void)gr_slurp(&text, &length, path, 4 * 1024 * 1024, NULL);
    return text;
}

/* "scenario/X", "unit/X", "unit/X: NAME", "system/X: NAME" */
static bool exists(const char *word)
{
    char file[200] = "", name[250] = "", place[260];
    char *text;
    if (strncmp(word, "scenario/", 9) == 0) {
        (void)snprintf(file, sizeof file, "%.150s.txt", word + 9);
        text = read_file("tests/scenarios/", file);
    } else if (sscanf(word, "unit/%150[a-z_0-9]: %240[a-z_0-9]", file, name) >= 1) {
        (void)snprintf(place, sizeof place, "%s.c", file);
        text = read_file("tests/unit/", place);
    } else if (sscanf(word, "system/%150[a-z_0-9]: %240[a-z_0-9]", file, name) == 2) {
        (void)snprintf(place, sizeof place, "test_%s.py", file);
        text = read_file("tests/system/", place);
    } else {
        return false;
    }
    (void)snprintf(place, sizeof place, " %s(", name);
    bool found = text && (!name[0] || strstr(text, place));
    free(text);
    return found;
}

static void every_test_that_the_table_of_faults_names_exists(void **state)
{
    (void)state;
    char *text = read_file("docs/", "safety.md");
    int named = 0, missing = 0;
    assert_non_null(text);
    char *table = strstr(text, "## Every fault and its test");
    char *end = strstr(table, "## Years of faults");
    assert_non_null(end);
    *end = '\0';
    for (char *line = strtok(strstr(table, "| --- |"), "\n"); line; line = strtok(NULL, "\n")) {
        char *proof = strrchr(line, '|'); /* the last column stands before the last bar */
        *proof = '\0';
        proof = strrchr(line, '|');
        for (char *tick = strchr(proof, '`'); tick; tick = strchr(tick + 1, '`')) {
            char *word = tick + 1;
            tick = strchr(word, '`');
            *tick = '\0';
            named++;
            if (!exists(word)) {
                print_error("docs/safety.md names %s, which there is not\n", word);
                missing++;
            }
        }
        if (!strstr(line, "---")) {
            assert_true(strchr(proof + 1, '/') != NULL);
        }
    }
    free(text);
    assert_int_equal(missing, 0);
    assert_true(named > 80);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_test_that_the_table_of_faults_names_exists),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
