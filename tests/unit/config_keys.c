/* The tables of keys against what people read: docs/configuration.md and conf/granary.conf. */
#include "check.h"
#include "config/form.h"
#include "config/slurp.h"

#include <stdlib.h>
#include <unistd.h>

static char *read_source(const char *name)
{
    char path[600];
    char *text = NULL;
    size_t length = 0;
    snprintf(path, sizeof path, GRANARY_SOURCE_DIR "/%s", name);
    assert_int_equal(gr_slurp(&text, &length, path, 1024 * 1024, NULL), GR_OK);
    return text;
}

static void the_reference_has_a_row_for_every_key_as_the_code_has_it(void **state)
{
    (void)state;
    char *text = read_source("docs/configuration.md");
    int missing = 0;
    for (const struct gr_group *group = gr_groups; group->path; group++) {
        for (const struct gr_key *key = group->keys; key->name; key++) {
            char row[800];
            gr_key_row(key, row, sizeof row);
            if (!strstr(text, row)) {
                print_error("docs/configuration.md lacks, of %s (`granary check --keys` prints it):\n%s\n",
                            group->path, row);
                missing++;
            }
        }
    }
    free(text);
    assert_int_equal(missing, 0);
}

static size_t count_keys(void)
{
    size_t count = 0;
    for (const struct gr_group *group = gr_groups; group->path; group++) {
        for (const struct gr_key *key = group->keys; key->name; key++) {
            count++;
        }
    }
    return count;
}

static void the_reference_has_no_row_for_a_key_that_is_gone(void **state)
{
    (void)state;
    char *text = read_source("docs/configuration.md");
    size_t rows = 0;
    for (const char *at = strstr(text, "\n| `"); at; at = strstr(at + 1, "\n| `")) {
        rows++;
    }
    free(text);
    assert_int_equal(rows, count_keys());
}

/* "name =" as a word of its own, commented out or not. */
static int shows_key(const char *text, const char *name)
{
    size_t length = strlen(name);
    for (const char *at = strstr(text, name); at; at = strstr(at + 1, name)) {
        if (at > text && strchr(" #\n", at[-1]) && strncmp(at + length, " = ", 3) == 0) {
            return 1;
        }
    }
    return 0;
}

static void the_example_shows_every_key(void **state)
{
    (void)state;
    char *text = read_source("conf/granary.conf");
    int missing = 0;
    for (const struct gr_group *group = gr_groups; group->path; group++) {
        for (const struct gr_key *key = group->keys; key->name; key++) {
            if (!shows_key(text, key->name)) {
                print_error("conf/granary.conf lacks %s of %s\n", key->name, group->path);
                missing++;
            }
        }
    }
    free(text);
    assert_int_equal(missing, 0);
}

static int standard_is_allowed(const struct gr_key *key)
{
    bool number = key->kind == GR_KEY_NUMBER || key->kind == GR_KEY_WHOLE;
    if (!number || key->required || key->standard_text || key->choices || key->standard != key->standard) {
        return 1;
    }
    return (key->standard >= key->least && key->standard <= key->greatest) ||
           (key->zero_ok && key->standard == 0);
}

static void every_default_lies_in_its_own_range(void **state)
{
    (void)state;
    for (const struct gr_group *group = gr_groups; group->path; group++) {
        for (const struct gr_key *key = group->keys; key->name; key++) {
            if (!standard_is_allowed(key)) {
                fail_msg("%s.%s", group->path, key->name);
            }
        }
    }
}

static void every_key_says_what_it_is_for_and_physical_names_carry_their_unit(void **state)
{
    (void)state;
    static const struct {
        const char *unit, *ending;
    } endings[] = {{"kWh", "_kwh"},     {"kW", "_kw"},
                   {"W", "_w"},         {"s", "_s"},
                   {"%", "_percent"},   {"degrees", "_deg"},
                   {"hours", "_hours"}, {"minutes", "_minutes"},
                   {"days", "_days"},   {"money/kWh", "_per_kwh"}};
    for (const struct gr_group *group = gr_groups; group->path; group++) {
        for (const struct gr_key *key = group->keys; key->name; key++) {
            assert_true(strlen(key->about) > 5);
            for (size_t i = 0; key->unit && i < sizeof endings / sizeof *endings; i++) {
                const char *ending = endings[i].ending;
                bool is_unit = strcmp(key->name, ending + 1) == 0; /* "minutes" says all itself */
                if (strcmp(key->unit, endings[i].unit) == 0 && !is_unit &&
                    strcmp(key->name + strlen(key->name) - strlen(ending), ending) != 0) {
                    fail_msg("%s.%s has the unit %s", group->path, key->name, key->unit);
                }
            }
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_reference_has_a_row_for_every_key_as_the_code_has_it),
        cmocka_unit_test(the_reference_has_no_row_for_a_key_that_is_gone),
        cmocka_unit_test(the_example_shows_every_key),
        cmocka_unit_test(every_default_lies_in_its_own_range),
        cmocka_unit_test(every_key_says_what_it_is_for_and_physical_names_carry_their_unit),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
