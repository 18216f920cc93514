#include "check.h"

#include "daemon/log.h"

#include <stdlib.h>
#include <unistd.h>

/* What the call leaves on the standard error stream. */
static void log_into(char *out, size_t size, enum gr_log_level level, const char *text)
{
    FILE *file = tmpfile();
    int kept = dup(STDERR_FILENO);
    assert_non_null(file);
    (void)fflush(stderr);
    assert_true(dup2(fileno(file), STDERR_FILENO) >= 0);
    gr_log(level, "found \"%s\"", text);
    (void)fflush(stderr);
    assert_true(dup2(kept, STDERR_FILENO) >= 0);
    (void)close(kept);
    rewind(file);
    out[fread(out, 1, size - 1, file)] = '\0';
    (void)fclose(file);
}

static void what_is_quoted_from_outside_begins_no_line_of_its_own(void **state)
{
    (void)state;
    char got[2000];
    (void)unsetenv("JOURNAL_STREAM");
    log_into(got, sizeof got, GR_LOG_WARNING,
             "a\nerror: the battery burns\r\x1b[2J\x7f"
             "\xc3\xa9");
    assert_string_equal(got, "warning: found \"a?error: the battery burns??[2J?\xc3\xa9\"\n");
    (void)setenv("JOURNAL_STREAM", "1:2", 1);
    log_into(got, sizeof got, GR_LOG_NOTICE, "a\n<0>gone");
    assert_string_equal(got, "<5>found \"a?<0>gone\"\n");
}

static void a_text_without_end_is_cut_to_a_line(void **state)
{
    (void)state;
    char text[3000], got[4000];
    memset(text, 'x', sizeof text);
    text[sizeof text - 1] = '\0';
    (void)unsetenv("JOURNAL_STREAM");
    log_into(got, sizeof got, GR_LOG_ERROR, text);
    assert_int_equal(strncmp(got, "error: found \"xxx", 17), 0);
    assert_true(strlen(got) < 1100 && got[strlen(got) - 1] == '\n');
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_quoted_from_outside_begins_no_line_of_its_own),
        cmocka_unit_test(a_text_without_end_is_cut_to_a_line),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
