/* A scripted HTTP server for tests: plain sockets, so that broken answers can be given too. One thread, one
 * connection at a time, on a free loopback port; each connection is one request and is closed after its
 * answer. */
#ifndef GRANARY_TESTS_HTTP_SERVER_H
#define GRANARY_TESTS_HTTP_SERVER_H

#include <arpa/inet.h>
#include <poll.h>
#include <pthread.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <unistd.h>

#define HTTP_REQUEST_SIZE 8192

struct http_server;

/* Answers one request on the socket `fd`; `path` includes the query. Runs in the server's thread. */
typedef void http_answer(struct http_server *server, int fd, const char *path);

struct http_server {
    int listener, stop[2];
    unsigned port;
    pthread_t thread;
    http_answer *answer;
    void *context;                   /* the test's own */
    pthread_mutex_t lock;            /* of what follows */
    char request[HTTP_REQUEST_SIZE]; /* the last one, head only */
    unsigned requests;
};

/* False where the client has gone or does not read. */
static inline bool http_send(int fd, const void *bytes, size_t length)
{
    for (const char *at = bytes; length > 0;) {
        ssize_t sent = send(fd, at, length, MSG_NOSIGNAL);
        if (sent <= 0) {
            return false;
        }
        at += sent;
        length -= (size_t)sent;
    }
    return true;
}

static inline bool http_text(int fd, const char *text)
{
    return http_send(fd, text, strlen(text));
}

/* A whole answer; `headers` are lines that end in CR LF, or "". */
static inline bool http_reply(int fd, const char *status, const char *headers, const void *body,
                              size_t length)
{
    char head[HTTP_REQUEST_SIZE];
    int size =
        snprintf(head, sizeof head, "HTTP/1.1 %s\r\nContent-Length: %zu\r\nConnection: close\r\n%s\r\n",
                 status, length, headers);
    return http_send(fd, head, (size_t)size) && http_send(fd, body, length);
}

/* Waits until the client closes or the server is stopped (true), or the time is up (false). timeout_ms -1:
 * for ever. */
static inline bool http_gone(struct http_server *server, int fd, int timeout_ms)
{
    struct pollfd fds[2] = {{.fd = fd, .events = POLLIN}, {.fd = server->stop[0], .events = POLLIN}};
    return poll(fds, 2, timeout_ms) != 0;
}

/* Reads a request's head; false where the client sent none or the server is stopped. */
static inline bool http_read_head(struct http_server *server, int fd, char *head)
{
    size_t length = 0;
    head[0] = '\0';
    while (length + 1 < HTTP_REQUEST_SIZE && !strstr(head, "\r\n\r\n")) {
        struct pollfd fds[2] = {{.fd = fd, .events = POLLIN}, {.fd = server->stop[0], .events = POLLIN}};
        if (poll(fds, 2, -1) < 0 || fds[1].revents) {
            return false;
        }
        ssize_t got = recv(fd, head + length, HTTP_REQUEST_SIZE - 1 - length, 0);
        if (got <= 0) {
            return false;
        }
        length += (size_t)got;
        head[length] = '\0';
    }
    return true;
}

static inline void http_serve_one(struct http_server *server, int fd)
{
    char head[HTTP_REQUEST_SIZE], path[1024] = "";
    struct timeval limit = {.tv_sec = 5};
    (void)setsockopt(fd, SOL_SOCKET, SO_SNDTIMEO, &limit, sizeof limit);
    if (http_read_head(server, fd, head)) {
        pthread_mutex_lock(&server->lock);
        memcpy(server->request, head, sizeof head);
        server->requests++;
        pthread_mutex_unlock(&server->lock);
        if (sscanf(head, "GET %1023s", path) == 1) {
            server->answer(server, fd, path);
        }
    }
    /* Closing with unread bytes would reset the connection and could swallow the answer. */
    (void)shutdown(fd, SHUT_WR);
    (void)close(fd);
}

static inline void *http_run(void *context)
{
    struct http_server *server = context;
    for (;;) {
        struct pollfd fds[2] = {{.fd = server->listener, .events = POLLIN},
                                {.fd = server->stop[0], .events = POLLIN}};
        if (poll(fds, 2, -1) < 0 || fds[1].revents) {
            return NULL;
        }
        int fd = accept(server->listener, NULL, NULL);
        if (fd >= 0) {
            http_serve_one(server, fd);
        }
    }
}

/* 0, or -1 where the machine has no socket or thread for it. */
static inline int http_server_start(struct http_server *server, http_answer *answer, void *context)
{
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof address;
    memset(server, 0, sizeof *server);
    server->answer = answer;
    server->context = context;
    pthread_mutex_init(&server->lock, NULL);
    server->listener = socket(AF_INET, SOCK_STREAM, 0);
    if (server->listener < 0 || pipe(server->stop) != 0 ||
        bind(server->listener, (struct sockaddr *)&address, sizeof address) != 0 ||
        listen(server->listener, 16) != 0 ||
        getsockname(server->listener, (struct sockaddr *)&address, &size) != 0) {
        return -1;
    }
    server->port = ntohs(address.sin_port);
    return pthread_create(&server->thread, NULL, http_run, server) == 0 ? 0 : -1;
}

static inline void http_server_stop(struct http_server *server)
{
    (void)!write(server->stop[1], "x", 1);
    (void)pthread_join(server->thread, NULL);
    (void)close(server->listener);
    (void)close(server->stop[0]);
    (void)close(server->stop[1]);
    pthread_mutex_destroy(&server->lock);
}

static inline void http_last_request(struct http_server *server, char out[HTTP_REQUEST_SIZE])
{
    pthread_mutex_lock(&server->lock);
    memcpy(out, server->request, HTTP_REQUEST_SIZE);
    pthread_mutex_unlock(&server->lock);
}

static inline unsigned http_request_count(struct http_server *server)
{
    pthread_mutex_lock(&server->lock);
    unsigned count = server->requests;
    pthread_mutex_unlock(&server->lock);
    return count;
}

#endif
