#include "rate_server.h"

static void a_body_comes_back_with_its_validators(void **state)
{
    char head[HTTP_REQUEST_SIZE];
    struct fixture *fixture = *state;
    struct gr_fetch_result result = get(fixture, "/ok?key=SECRET", NULL);
    assert_int_equal(result.outcome, GR_FETCH_BODY);
    assert_int_equal(result.status, 200);
    assert_int_equal(result.length, strlen(TABLE));
    assert_string_equal(result.body, TABLE);
    assert_string_equal(result.etag, "\"v1\"");
    assert_string_equal(result.last_modified, "Wed, 25 Nov 2026 09:00:00 GMT");
    assert_null(strstr(result.text, "SECRET"));
    http_last_request(&fixture->home, head);
    assert_non_null(strstr(head, "GET /ok?key=SECRET HTTP/1.1\r\n"));
    assert_non_null(strstr(head, "User-Agent: granary/" GRANARY_VERSION "\r\n"));
    assert_non_null(strstr(head, "Accept-Encoding: gzip, deflate\r\n"));
    assert_null(strstr(head, "If-None-Match"));
    gr_fetch_result_free(&result);
}

static void a_copy_that_is_still_good_is_not_sent_again(void **state)
{
    char head[HTTP_REQUEST_SIZE];
    struct fixture *fixture = *state;
    struct gr_fetch_request like = {.etag = "\"v1\"", .last_modified = "Wed, 25 Nov 2026 09:00:00 GMT"};
    struct gr_fetch_result result = get(fixture, "/ok", &like);
    assert_int_equal(result.outcome, GR_FETCH_NOT_MODIFIED);
    assert_null(result.body);
    assert_string_equal(result.etag, "\"v1\"");
    http_last_request(&fixture->home, head);
    assert_non_null(strstr(head, "If-Modified-Since: Wed, 25 Nov 2026 09:00:00 GMT\r\n"));
}

static void the_body_of_a_redirect_is_not_part_of_the_table(void **state)
{
    struct gr_fetch_result result = get(*state, "/three", NULL);
    assert_int_equal(result.outcome, GR_FETCH_BODY);
    assert_string_equal(result.body, TABLE);
    gr_fetch_result_free(&result);
}

static void a_validator_that_could_split_the_request_is_left_out(void **state)
{
    char head[HTTP_REQUEST_SIZE];
    struct fixture *fixture = *state;
    struct gr_fetch_request like = {.etag = "\"v1\"\r\nX-Split: yes", .last_modified = ""};
    struct gr_fetch_result result = get(fixture, "/ok", &like);
    assert_int_equal(result.outcome, GR_FETCH_BODY);
    http_last_request(&fixture->home, head);
    assert_null(strstr(head, "X-Split"));
    assert_null(strstr(head, "If-"));
    gr_fetch_result_free(&result);
}

struct row {
    const char *path;
    enum gr_fetch_outcome outcome;
    long status;
    int64_t retry_after_s;
    const char *text; /* part of it */
};

static void try_rows(struct fixture *fixture, const struct row *rows, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        struct gr_fetch_result result = get(fixture, rows[i].path, NULL);
        int64_t off = result.retry_after_s - rows[i].retry_after_s;
        if (result.outcome != rows[i].outcome || result.status != rows[i].status || off > 0 || off < -3 ||
            !strstr(result.text, rows[i].text)) {
            fail_msg("%s: got outcome %d, status %ld, retry after %lld s, \"%s\"; expected %d, %ld, %lld s, "
                     "\"%s\"",
                     rows[i].path, result.outcome, result.status, (long long)result.retry_after_s,
                     result.text, rows[i].outcome, rows[i].status, (long long)rows[i].retry_after_s,
                     rows[i].text);
        }
        assert_true((result.body != NULL) == (result.outcome == GR_FETCH_BODY));
        gr_fetch_result_free(&result);
    }
}

static void every_status_has_its_outcome(void **state)
{
    static const struct row rows[] = {
        {"/status?204+No+Content", GR_FETCH_NOT_YET, 204, 0, "status 204"},
        {"/status?404+Not+Found", GR_FETCH_NOT_YET, 404, 0, "status 404"},
        {"/status?425+Too+Early", GR_FETCH_NOT_YET, 425, 0, "status 425"},
        {"/status?429+Too+Many+Requests|Retry-After:+120", GR_FETCH_BUSY, 429, 120, "status 429"},
        {"/status?429+Too+Many+Requests|Retry-After:+soon", GR_FETCH_BUSY, 429, 0, "status 429"},
        {"/late", GR_FETCH_BUSY, 429, 90, "status 429"},
        {"/status?500+Internal+Server+Error", GR_FETCH_BUSY, 500, 0, "status 500"},
        {"/status?503+Service+Unavailable|Retry-After:+30", GR_FETCH_BUSY, 503, 30, "status 503"},
        {"/status?400+Bad+Request", GR_FETCH_REFUSED, 400, 0, "status 400"},
        {"/status?401+Unauthorized", GR_FETCH_REFUSED, 401, 0, "status 401"},
        {"/status?403+Forbidden", GR_FETCH_REFUSED, 403, 0, "status 403"},
        {"/status?206+Partial+Content", GR_FETCH_FAILED, 206, 0, "unexpected status 206"},
        {"/status?304+Not+Modified", GR_FETCH_FAILED, 304, 0, "unexpected status 304"},
        {"/status?302+Found", GR_FETCH_FAILED, 302, 0, "unexpected status 302"},
        {"/status?999+Odd", GR_FETCH_FAILED, 999, 0, "unexpected status 999"},
    };
    try_rows(*state, rows, sizeof rows / sizeof rows[0]);
}

static void broken_answers_fail_and_say_why(void **state)
{
    static const struct row rows[] = {
        {"/cut", GR_FETCH_FAILED, 200, 0, "bytes"},
        {"/cut-chunk", GR_FETCH_FAILED, 200, 0, "transfer closed"},
        {"/empty", GR_FETCH_FAILED, 200, 0, "empty body"},
        {"/hang-up", GR_FETCH_FAILED, 0, 0, "Empty reply"},
        {"/not-http", GR_FETCH_FAILED, 0, 0, "HTTP/0.9"},
        {"/not-gzip", GR_FETCH_FAILED, 200, 0, "unencoding"},
        {"/head", GR_FETCH_FAILED, 200, 0, "header"},
    };
    try_rows(*state, rows, sizeof rows / sizeof rows[0]);
}

static void a_body_beyond_one_mebibyte_is_cut_off_however_it_comes(void **state)
{
    static const struct row rows[] = {
        {"/limit", GR_FETCH_BODY, 200, 0, "1048576 bytes"},
        {"/limit-declared", GR_FETCH_BODY, 200, 0, "1048576 bytes"},
        {"/over", GR_FETCH_FAILED, 200, 0, "larger than 1 MiB"},
        {"/over-declared", GR_FETCH_FAILED, 200, 0, "larger than 1 MiB"},
        {"/10MB", GR_FETCH_FAILED, 200, 0, "larger than 1 MiB"},
        {"/10MB-declared", GR_FETCH_FAILED, 200, 0, "larger than 1 MiB"},
        {"/chunks", GR_FETCH_FAILED, 200, 0, "larger than 1 MiB"},
        {"/bomb", GR_FETCH_FAILED, 200, 0, "larger than 1 MiB"},
    };
    try_rows(*state, rows, sizeof rows / sizeof rows[0]);
}

static void a_compressed_body_is_unpacked(void **state)
{
    struct gr_fetch_result result = get(*state, "/gzip", NULL);
    assert_int_equal(result.outcome, GR_FETCH_BODY);
    assert_string_equal(result.body, TABLE);
    gr_fetch_result_free(&result);
}

static void a_sign_in_page_comes_back_as_the_body_it_is(void **state)
{
    struct gr_fetch_result result = get(*state, "/portal", NULL);
    assert_int_equal(result.outcome, GR_FETCH_BODY);
    assert_non_null(strstr(result.body, "Sign in"));
    gr_fetch_result_free(&result);
}

static void an_etag_too_long_to_keep_is_dropped_whole(void **state)
{
    struct gr_fetch_result result = get(*state, "/long-etag", NULL);
    assert_int_equal(result.outcome, GR_FETCH_BODY);
    assert_string_equal(result.etag, "");
    assert_string_equal(result.last_modified, "Wed, 25 Nov 2026 09:00:00 GMT");
    gr_fetch_result_free(&result);
}

static void redirects_are_followed_three_times_and_only_to_http(void **state)
{
    static const struct row rows[] = {
        {"/near", GR_FETCH_BODY, 200, 0, "/ok: "},
        {"/three", GR_FETCH_BODY, 200, 0, "/ok: "},
        {"/four", GR_FETCH_FAILED, 302, 0, "more than 3 redirects"},
        {"/loop", GR_FETCH_FAILED, 302, 0, "more than 3 redirects"},
        {"/file", GR_FETCH_FAILED, 302, 0, "no http or https"},
        {"/ftp", GR_FETCH_FAILED, 302, 0, "no http or https"},
        {"/broken", GR_FETCH_FAILED, 302, 0, "no http or https"},
        {"/away/ok", GR_FETCH_BODY, 200, 0, "/ok: "},
        {"/away/status?404+Not+Found", GR_FETCH_NOT_YET, 404, 0, "/status: status 404"},
    };
    try_rows(*state, rows, sizeof rows / sizeof rows[0]);
}

static void a_closed_port_fails_at_once(void **state)
{
    struct fixture *fixture = *state;
    struct http_server closed;
    char url[100];
    struct gr_fetch_request request = {.url = url};
    assert_int_equal(http_server_start(&closed, answer, fixture), 0);
    (void)snprintf(url, sizeof url, "http://127.0.0.1:%u/day?key=SECRET", closed.port);
    http_server_stop(&closed);
    assert_int_equal(gr_fetch_start(fixture->fetch, 1, &request, NULL), GR_OK);
    struct gr_fetch_result result = await(fixture);
    assert_int_equal(result.outcome, GR_FETCH_FAILED);
    assert_int_equal(result.status, 0);
    assert_non_null(strstr(result.text, "Failed to connect"));
    assert_null(strstr(result.text, "SECRET"));
}

static void a_name_that_does_not_exist_fails(void **state)
{
    struct fixture *fixture = *state;
    struct gr_fetch_request request = {.url = "http://rates.invalid/day"}; /* RFC 6761: never resolves */
    assert_int_equal(gr_fetch_start(fixture->fetch, 1, &request, NULL), GR_OK);
    struct gr_fetch_result result = await(fixture);
    assert_int_equal(result.outcome, GR_FETCH_FAILED);
    assert_int_equal(result.status, 0);
}

static void a_bad_request_is_refused_before_anything_is_sent(void **state)
{
    struct fixture *fixture = *state;
    struct gr_error error = {""};
    struct gr_fetch_request request = {.url = "file:///etc/passwd"};
    assert_int_equal(gr_fetch_start(fixture->fetch, 1, &request, &error), GR_INVALID);
    request = (struct gr_fetch_request){.url = "http://127.0.0.1:1/", .headers = "ok: 1\nSECRET\n"};
    assert_int_equal(gr_fetch_start(fixture->fetch, 1, &request, &error), GR_INVALID);
    assert_non_null(strstr(error.text, "line 2"));
    assert_null(strstr(error.text, "SECRET"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        SERVED(a_body_comes_back_with_its_validators),
        SERVED(a_copy_that_is_still_good_is_not_sent_again),
        SERVED(the_body_of_a_redirect_is_not_part_of_the_table),
        SERVED(a_validator_that_could_split_the_request_is_left_out),
        SERVED(every_status_has_its_outcome),
        SERVED(broken_answers_fail_and_say_why),
        SERVED(a_body_beyond_one_mebibyte_is_cut_off_however_it_comes),
        SERVED(a_compressed_body_is_unpacked),
        SERVED(a_sign_in_page_comes_back_as_the_body_it_is),
        SERVED(an_etag_too_long_to_keep_is_dropped_whole),
        SERVED(redirects_are_followed_three_times_and_only_to_http),
        SERVED(a_closed_port_fails_at_once),
        SERVED(a_name_that_does_not_exist_fails),
        SERVED(a_bad_request_is_refused_before_anything_is_sent),
    };
    /* The tests are about loopback; a proxy of the machine is not asked. */
    (void)setenv("no_proxy", "*", 1);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
