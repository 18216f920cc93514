/* A fixture for tests of the fetch module: two scripted servers that give good and broken answers by path,
 * and a gr_fetch. */
#ifndef GRANARY_TESTS_RATE_SERVER_H
#define GRANARY_TESTS_RATE_SERVER_H

#include "fetch/parts.h"
#include "http_server.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/eventfd.h>
#include <time.h>

#include <cmocka.h>

#define TABLE "[{\"start\":\"2026-11-25T00:00:00Z\",\"price\":0.21}]"

/* TABLE as made by gzip -n9. */
static const unsigned char gzipped[] = {
    0x1f, 0x8b, 0x08, 0x00, 0x00, 0x00, 0x00, 0x00, 0x02, 0x03, 0x8b, 0xae, 0x56, 0x2a, 0x2e, 0x49,
    0x2c, 0x2a, 0x51, 0xb2, 0x52, 0x32, 0x32, 0x30, 0x32, 0xd3, 0x35, 0x34, 0xd4, 0x35, 0x32, 0x0d,
    0x31, 0x30, 0xb0, 0x02, 0xa3, 0x28, 0x25, 0x1d, 0xa5, 0x82, 0xa2, 0xcc, 0xe4, 0x54, 0x25, 0x2b,
    0x03, 0x3d, 0x23, 0xc3, 0xda, 0x58, 0x00, 0x1e, 0x10, 0x6c, 0xb3, 0x2f, 0x00, 0x00, 0x00};

struct fixture {
    struct http_server home, other;
    int event; /* eventfd that /stall writes when its request has come in */
    struct gr_fetch *fetch;
};

/* ---- what the server answers ---- */

static inline void answer_chunks(int fd)
{
    char chunk[4200];
    (void)snprintf(chunk, sizeof chunk, "1000\r\n%04096d\r\n", 0);
    (void)http_text(fd, "HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n");
    while (http_text(fd, chunk)) {
    }
}

/* 10 MB of zeros in 66 kB: one literal, then copies of 258 bytes from 1 byte back, in the fixed codes of RFC
 * 1951 section 3.2.6 (length 285: 11000101, distance 0: 00000). */
static inline void answer_bomb(int fd)
{
    static const char start[] = {0x1f, (char)0x8b, 8, 0, 0, 0, 0, 0, 2, 3};
    static const char codes[] = "1100010100000";
    size_t at = 0;
    unsigned char *bits = calloc(1, 70000);
    char *first = "11000110000"; /* last block, fixed codes (01, sent low bit first), literal 0 */
    for (const char *c = first; *c; c++, at++) {
        bits[at / 8] |= (unsigned char)((*c - '0') << (at % 8));
    }
    for (size_t i = 0; i < 520000; i++, at++) {
        bits[at / 8] |= (unsigned char)((codes[i % 13] - '0') << (at % 8));
    }
    (void)http_text(fd, "HTTP/1.1 200 OK\r\nContent-Encoding: gzip\r\nConnection: close\r\n\r\n");
    if (http_send(fd, start, sizeof start)) {
        (void)http_send(fd, bits, at / 8);
    }
    free(bits);
}

static inline void answer_size(int fd, size_t size, bool declared)
{
    char *body = malloc(size + 1);
    memset(body, 'x', size);
    if (declared) {
        (void)http_reply(fd, "200 OK", "", body, size);
    } else if (http_text(fd, "HTTP/1.1 200 OK\r\nConnection: close\r\n\r\n")) {
        (void)http_send(fd, body, size);
    }
    free(body);
}

static inline void answer_drip(struct http_server *server, int fd)
{
    (void)http_text(fd, "HTTP/1.1 200 OK\r\nContent-Length: 100000\r\n\r\n");
    while (!http_gone(server, fd, 100) && http_text(fd, "x")) {
    }
}

static inline void answer_endless_head(int fd)
{
    (void)http_text(fd, "HTTP/1.1 200 OK\r\n");
    while (
        http_text(fd, "X-More: 0123456789012345678901234567890123456789012345678901234567890123456789\r\n")) {
    }
}

static inline void answer_late(int fd)
{
    char line[128];
    struct tm parts;
    time_t then = time(NULL) + 90;
    (void)strftime(line, sizeof line, "Retry-After: %a, %d %b %Y %H:%M:%S GMT\r\n", gmtime_r(&then, &parts));
    (void)http_reply(fd, "429 Too Many Requests", line, "wait", 4);
}

static inline void answer_redirect(int fd, const char *to)
{
    char line[1300];
    (void)snprintf(line, sizeof line, "Location: %s\r\n", to);
    (void)http_reply(fd, "302 Found", line, "elsewhere", 9);
}

static inline void answer_long_etag(int fd)
{
    char line[400];
    (void)snprintf(line, sizeof line, "ETag: \"%0300d\"\r\nLast-Modified: Wed, 25 Nov 2026 09:00:00 GMT\r\n",
                   0);
    (void)http_reply(fd, "200 OK", line, TABLE, strlen(TABLE));
}

static inline void answer_stall(struct http_server *server, int fd)
{
    struct fixture *fixture = server->context;
    uint64_t one = 1;
    (void)http_text(fd, "HTTP/1.1 200 OK\r\nContent-Length: 100\r\n\r\nbegun");
    (void)!write(fixture->event, &one, sizeof one);
    (void)http_gone(server, fd, -1);
}

static inline void answer_ok(struct http_server *server, int fd)
{
    char head[HTTP_REQUEST_SIZE];
    http_last_request(server, head);
    if (strstr(head, "If-None-Match: \"v1\"")) {
        (void)http_reply(fd, "304 Not Modified", "ETag: \"v1\"\r\n", "", 0);
    } else {
        (void)http_reply(fd, "200 OK", "ETag: \"v1\"\r\nLast-Modified: Wed, 25 Nov 2026 09:00:00 GMT\r\n",
                         TABLE, strlen(TABLE));
    }
}

/* "/status?404 Not Found|Header: value": the answer with that status line and header. */
static inline void answer_status(int fd, const char *query)
{
    char status[128], *header = NULL, line[256] = "";
    (void)snprintf(status, sizeof status, "%s", query);
    for (char *c = status; *c; c++) {
        *c = *c == '+' ? ' ' : *c;
    }
    header = strchr(status, '|');
    if (header) {
        *header = '\0';
        (void)snprintf(line, sizeof line, "%s\r\n", header + 1);
    }
    (void)http_reply(fd, status, line, "no", status[0] == '2' || status[0] == '3' ? 0 : 2);
}

static inline void answer_away(struct http_server *server, int fd, const char *path)
{
    struct fixture *fixture = server->context;
    char url[1100];
    (void)snprintf(url, sizeof url, "http://127.0.0.1:%u%s", fixture->other.port, path);
    answer_redirect(fd, url);
}

static inline void answer_back(struct http_server *server, int fd)
{
    struct fixture *fixture = server->context;
    char url[100];
    (void)snprintf(url, sizeof url, "http://127.0.0.1:%u/ok", fixture->home.port);
    answer_redirect(fd, url);
}

static inline bool answer_redirects(struct http_server *server, int fd, const char *path)
{
    static const char *const rows[][2] = {{"/loop", "/loop"},
                                          {"/file", "file:///etc/passwd"},
                                          {"/near", "/ok"},
                                          {"/three", "/two"},
                                          {"/two", "/near"},
                                          {"/four", "/three"},
                                          {"/ftp", "ftp://127.0.0.1/"},
                                          {"/broken", "http://:99999/"}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if (strcmp(path, rows[i][0]) == 0) {
            answer_redirect(fd, rows[i][1]);
            return true;
        }
    }
    if (strncmp(path, "/away/", 6) == 0) {
        answer_away(server, fd, path + 5);
        return true;
    }
    return false;
}

static inline bool answer_sizes(int fd, const char *path)
{
    static const struct {
        const char *path;
        size_t size;
        bool declared;
    } rows[] = {{"/limit", GR_FETCH_MOST_BYTES, false},
                {"/limit-declared", GR_FETCH_MOST_BYTES, true},
                {"/over", GR_FETCH_MOST_BYTES + 1, false},
                {"/over-declared", GR_FETCH_MOST_BYTES + 1, true},
                {"/10MB", 10000000, false},
                {"/10MB-declared", 10000000, true},
                {"/empty", 0, true}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if (strcmp(path, rows[i].path) == 0) {
            answer_size(fd, rows[i].size, rows[i].declared);
            return true;
        }
    }
    return false;
}

static inline bool answer_broken(int fd, const char *path)
{
    if (strcmp(path, "/chunks") == 0) {
        answer_chunks(fd);
    } else if (strcmp(path, "/bomb") == 0) {
        answer_bomb(fd);
    } else if (strcmp(path, "/cut") == 0) {
        (void)http_text(fd, "HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\n[{\"start\"");
    } else if (strcmp(path, "/cut-chunk") == 0) {
        (void)http_text(fd, "HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n8\r\n[{\"st");
    } else if (strcmp(path, "/head") == 0) {
        answer_endless_head(fd);
    } else if (strcmp(path, "/not-http") == 0) {
        (void)http_text(fd, "SSH-2.0-example\r\n");
    } else if (strcmp(path, "/not-gzip") == 0) {
        (void)http_reply(fd, "200 OK", "Content-Encoding: gzip\r\n", TABLE, strlen(TABLE));
    } else if (strcmp(path, "/hang-up") != 0) {
        return false;
    }
    return true;
}

static inline void answer(struct http_server *server, int fd, const char *path)
{
    static const char html[] = "<!DOCTYPE html><title>Sign in to this network</title>";
    if (answer_redirects(server, fd, path) || answer_sizes(fd, path) || answer_broken(fd, path)) {
        return;
    }
    if (strncmp(path, "/status?", 8) == 0) {
        answer_status(fd, path + 8);
    } else if (strcmp(path, "/gzip") == 0) {
        (void)http_reply(fd, "200 OK", "Content-Encoding: gzip\r\n", gzipped, sizeof gzipped);
    } else if (strcmp(path, "/late") == 0) {
        answer_late(fd);
    } else if (strcmp(path, "/portal") == 0) {
        (void)http_reply(fd, "200 OK", "Content-Type: text/html\r\n", html, strlen(html));
    } else if (strcmp(path, "/long-etag") == 0) {
        answer_long_etag(fd);
    } else if (strcmp(path, "/drip") == 0) {
        answer_drip(server, fd);
    } else if (strcmp(path, "/slow") == 0) {
        (void)http_gone(server, fd, 700);
        answer_redirect(fd, "/away/stall");
    } else if (strcmp(path, "/stall") == 0) {
        answer_stall(server, fd);
    } else if (strcmp(path, "/back") == 0) {
        answer_back(server, fd);
    } else {
        answer_ok(server, fd);
    }
}

/* ---- set-up and helpers ---- */

static inline int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof *fixture);
    fixture->event = eventfd(0, EFD_CLOEXEC);
    if (http_server_start(&fixture->home, answer, fixture) != 0 ||
        http_server_start(&fixture->other, answer, fixture) != 0) {
        return -1;
    }
    *state = fixture;
    return gr_fetch_create(&fixture->fetch, NULL);
}

static inline int tear_down(void **state)
{
    struct fixture *fixture = *state;
    gr_fetch_free(fixture->fetch);
    http_server_stop(&fixture->home);
    http_server_stop(&fixture->other);
    (void)close(fixture->event);
    free(fixture);
    return 0;
}

static inline void start(struct fixture *fixture, int id, const char *path,
                         const struct gr_fetch_request *like)
{
    char url[200];
    struct gr_error error = {""};
    struct gr_fetch_request request = like ? *like : (struct gr_fetch_request){0};
    (void)snprintf(url, sizeof url, "http://127.0.0.1:%u%s", fixture->home.port, path);
    request.url = url;
    if (gr_fetch_start(fixture->fetch, id, &request, &error) != GR_OK) {
        fail_msg("%s: %s", path, error.text);
    }
}

/* The next result; the waits end by themselves since every transfer has a limit. */
static inline struct gr_fetch_result await(struct fixture *fixture)
{
    struct gr_fetch_result result;
    for (int i = 0; i < 2000; i++) {
        assert_int_equal(gr_fetch_wait(fixture->fetch, NULL, 0, 40000, NULL), GR_OK);
        if (gr_fetch_next(fixture->fetch, &result)) {
            return result;
        }
    }
    fail_msg("the transfer never ended");
    return (struct gr_fetch_result){0};
}

static inline struct gr_fetch_result get(struct fixture *fixture, const char *path,
                                         const struct gr_fetch_request *like)
{
    start(fixture, 7, path, like);
    struct gr_fetch_result result = await(fixture);
    assert_int_equal(result.id, 7);
    return result;
}

static inline double seconds(void)
{
    struct timespec now;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

#define SERVED(test) cmocka_unit_test_setup_teardown(test, set_up, tear_down)

#endif
