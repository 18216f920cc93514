#include "fetch/parts.h"

#include <fcntl.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

/* An HTTPS server (the openssl program) with a certificate of its own making, in a folder of its own. It
 * sends the files of the folder as whole answers. */
struct server {
    char folder[64], certificate[80];
    pid_t child;
    unsigned port;
    FILE *said;
};

/* Starts a program in the folder; its output comes through *said. */
static pid_t run(const struct server *server, char *const *words, FILE **said)
{
    int ends[2];
    if (pipe(ends) != 0) {
        return -1;
    }
    pid_t child = fork();
    if (child == 0) {
        int nowhere = open("/dev/null", O_RDWR);
        if (chdir(server->folder) == 0 && dup2(nowhere, 0) == 0 && dup2(ends[1], 1) == 1 &&
            dup2(nowhere, 2) == 2) {
            (void)execvp(words[0], words);
        }
        _exit(127);
    }
    (void)close(ends[1]);
    *said = fdopen(ends[0], "r");
    return child;
}

static int make_certificate(struct server *server, const char *name)
{
    int status = 0;
    char also[100], *words[] = {"openssl",
                                "req",
                                "-x509",
                                "-newkey",
                                "ec",
                                "-pkeyopt",
                                "ec_paramgen_curve:prime256v1",
                                "-nodes",
                                "-keyout",
                                "key.pem",
                                "-out",
                                "cert.pem",
                                "-days",
                                "2",
                                "-subj",
                                "/CN=test",
                                "-addext",
                                also,
                                NULL};
    FILE *said = NULL;
    (void)snprintf(also, sizeof also, "subjectAltName=%s", name);
    pid_t child = run(server, words, &said);
    if (said) {
        (void)fclose(said);
    }
    return child > 0 && waitpid(child, &status, 0) == child && WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

static void write_answer(const struct server *server, const char *name, const char *answer)
{
    char path[100];
    (void)snprintf(path, sizeof path, "%s/%s", server->folder, name);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    assert_true(fputs(answer, file) >= 0);
    assert_int_equal(fclose(file), 0);
}

static void start_server(struct server *server, const char *name)
{
    char line[200], *words[] = {"openssl",  "s_server", "-accept", "127.0.0.1:0", "-cert",
                                "cert.pem", "-key",     "key.pem", "-HTTP",       NULL};
    *server = (struct server){.folder = "/tmp/granary-tls-XXXXXX"};
    assert_non_null(mkdtemp(server->folder));
    (void)snprintf(server->certificate, sizeof server->certificate, "%s/cert.pem", server->folder);
    if (make_certificate(server, name) != 0) {
        print_message("no openssl program that makes certificates\n");
        (void)rmdir(server->folder);
        skip();
    }
    write_answer(server, "day", "HTTP/1.0 200 OK\r\n\r\nprices");
    write_answer(server, "down", "HTTP/1.0 302 Found\r\nLocation: http://127.0.0.1:9/day\r\n\r\n");
    server->child = run(server, words, &server->said);
    while (server->port == 0 && fgets(line, sizeof line, server->said)) {
        if (strncmp(line, "ACCEPT 127.0.0.1:", 17) == 0) {
            server->port = (unsigned)strtoul(line + 17, NULL, 10);
        }
    }
    assert_true(server->port > 0);
}

static void stop_server(struct server *server)
{
    static const char *const files[] = {"cert.pem", "key.pem", "day", "down"};
    char path[100];
    (void)kill(server->child, SIGKILL);
    (void)waitpid(server->child, NULL, 0);
    (void)fclose(server->said);
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++) {
        (void)snprintf(path, sizeof path, "%s/%s", server->folder, files[i]);
        (void)unlink(path);
    }
    (void)rmdir(server->folder);
}

static struct gr_fetch_result get(const struct server *server, const char *path, bool trusted)
{
    char url[100];
    struct gr_fetch *fetch = NULL;
    struct gr_fetch_result result = {.outcome = GR_FETCH_FAILED};
    struct gr_fetch_request request = {.url = url};
    struct gr_fetch_tuning tuning = {10000, 5000, 1, 10, trusted ? server->certificate : NULL};
    (void)snprintf(url, sizeof url, "https://127.0.0.1:%u%s", server->port, path);
    assert_int_equal(gr_fetch_create(&fetch, NULL), GR_OK);
    gr_fetch_tune(fetch, &tuning);
    assert_int_equal(gr_fetch_start(fetch, 1, &request, NULL), GR_OK);
    while (!gr_fetch_next(fetch, &result)) {
        assert_int_equal(gr_fetch_wait(fetch, NULL, 0, 20000, NULL), GR_OK);
    }
    gr_fetch_free(fetch);
    return result;
}

static void only_a_trusted_certificate_of_the_right_host_is_accepted(void **state)
{
    static const struct {
        const char *name, *path; /* name: whom the certificate is made for */
        const char *text;        /* part of the message */
        enum gr_fetch_outcome outcome;
        bool trusted;
    } rows[] = {
        {"IP:127.0.0.1", "/day", "6 bytes", GR_FETCH_BODY, true},
        {"IP:127.0.0.1", "/day", "certificate", GR_FETCH_FAILED, false},
        {"DNS:rates.example", "/day", "matches target host", GR_FETCH_FAILED, true},
        {"IP:127.0.0.1", "/down", "redirect from https to plain http", GR_FETCH_FAILED, true},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct server server;
        start_server(&server, rows[i].name);
        struct gr_fetch_result result = get(&server, rows[i].path, rows[i].trusted);
        stop_server(&server);
        gr_fetch_result_free(&result);
        if (result.outcome != rows[i].outcome || !strstr(result.text, rows[i].text)) {
            fail_msg("row %zu: got outcome %d, \"%s\"; expected %d, \"%s\"", i, result.outcome, result.text,
                     rows[i].outcome, rows[i].text);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(only_a_trusted_certificate_of_the_right_host_is_accepted),
    };
    (void)setenv("no_proxy", "*", 1);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
