/* See failing.h. */
#define _GNU_SOURCE
#define CURL_DISABLE_TYPECHECK
#include "failing/failing.h"

#include <MQTTAsync.h>
#include <curl/curl.h>
#include <dlfcn.h>
#include <errno.h>
#include <execinfo.h>
#include <fcntl.h>
#include <link.h>
#include <signal.h>
#include <sqlite3.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/uio.h>
#include <unistd.h>

static const char *const names[FAILING_KINDS] = {"memory", "write", "sync", "sqlite", "curl", "mqtt"};

static atomic_bool counting;
static atomic_long calls[FAILING_KINDS];
static atomic_int chosen;
static atomic_long chosen_call;

/* For the one who judges whose defect it is. */
static void tell_frames(const char *what)
{
    void *frames[40];
    (void)dprintf(STDERR_FILENO, "%s\n", what);
    backtrace_symbols_fd(frames, backtrace(frames, 40), STDERR_FILENO);
}

static bool traced; /* begun from outside */

/* Where none is to fail, those are noted that come from a place from which none came before; a place is the
 * chain of callers. */
enum { MOST_PLACES = 1 << 16, DEPTH = 12 };
static uint64_t places[MOST_PLACES]; /* by hash; 0: empty */
static long new_calls[MOST_PLACES];
static size_t new_count;

static void note_place(long call)
{
    void *frames[DEPTH];
    uint64_t chain = UINT64_C(14695981039346656037); /* FNV-1a, by words */
    int depth = backtrace(frames, DEPTH);
    for (int i = 0; i < depth; i++) {
        chain = (chain ^ (uint64_t)(uintptr_t)frames[i]) * UINT64_C(1099511628211);
    }
    size_t at = chain % MOST_PLACES;
    while (places[at] != 0 && places[at] != chain) {
        at = (at + 1) % MOST_PLACES;
    }
    if (places[at] == 0 && new_count < MOST_PLACES / 2) {
        places[at] = chain;
        new_calls[new_count++] = call;
    }
}

long failing_new(size_t index)
{
    return index < new_count ? new_calls[index] : 0;
}

static bool fails(enum failing_kind kind)
{
    if (!atomic_load(&counting)) {
        return false;
    }
    long call = atomic_fetch_add(&calls[kind], 1) + 1;
    bool failing = (int)kind == atomic_load(&chosen) && call == atomic_load(&chosen_call);
    if ((int)kind == atomic_load(&chosen) && atomic_load(&chosen_call) == 0) {
        atomic_store(&counting, false);
        note_place(call);
        atomic_store(&counting, true);
    }
    if (failing && traced) {
        tell_frames("made to fail:");
    }
    return failing;
}

/* libconfig 1.5 uses what it allocates without looking at it, and so crashes before anything of ours is at
 * work. What it asks for never fails. */
static const char spared[] = "libconfig.so";
static uintptr_t spared_from, spared_to;

static int look_for_spared(struct dl_phdr_info *object, size_t size, void *context)
{
    (void)size;
    (void)context;
    if (!object->dlpi_name || !strstr(object->dlpi_name, spared)) {
        return 0;
    }
    spared_from = object->dlpi_addr;
    for (int i = 0; i < object->dlpi_phnum; i++) {
        uintptr_t end = spared_from + object->dlpi_phdr[i].p_vaddr + object->dlpi_phdr[i].p_memsz;
        spared_to = object->dlpi_phdr[i].p_type == PT_LOAD && end > spared_to ? end : spared_to;
    }
    return 1;
}

static bool memory_fails(const void *caller)
{
    uintptr_t at = (uintptr_t)caller;
    if ((at >= spared_from && at < spared_to) || !fails(FAILING_MEMORY)) {
        return false;
    }
    errno = ENOMEM;
    return true;
}

void failing_begin(enum failing_kind kind, long n)
{
    void *frame[1];
    (void)dl_iterate_phdr(look_for_spared, NULL);
    (void)backtrace(frame, 1); /* loads what it needs, while there is memory */
    new_count = n == 0 ? 0 : new_count;
    for (int i = 0; i < FAILING_KINDS; i++) {
        atomic_store(&calls[i], 0);
    }
    atomic_store(&chosen, (int)kind);
    atomic_store(&chosen_call, n);
    atomic_store(&counting, true);
}

long failing_end(void)
{
    atomic_store(&counting, false);
    return atomic_load(&calls[atomic_load(&chosen)]);
}

/* ---- from outside ---- */

static void tell_crash(int number)
{
    tell_frames("crashed at:");
    (void)signal(number, SIG_DFL);
    (void)raise(number);
}

__attribute__((constructor)) static void begin(void)
{
    const char *text = getenv("GRANARY_FAIL");
    for (int i = 0; text && i < FAILING_KINDS; i++) {
        size_t length = strlen(names[i]);
        if (strncmp(text, names[i], length) == 0 && text[length] == ':') {
            if (!dlsym(RTLD_DEFAULT, "__asan_init")) {
                (void)signal(SIGSEGV, tell_crash);
                (void)signal(SIGABRT, tell_crash);
            }
            traced = true;
            failing_begin((enum failing_kind)i, strtol(text + length + 1, NULL, 10));
        }
    }
}

__attribute__((destructor)) static void end(void)
{
    const char *file = getenv("GRANARY_FAIL_CALLS");
    atomic_store(&counting, false);
    int fd = file ? open(file, O_WRONLY | O_CREAT | O_TRUNC, 0644) : -1;
    for (int i = 0; fd >= 0 && i < FAILING_KINDS; i++) {
        (void)dprintf(fd, "%s %ld\n", names[i], atomic_load(&calls[i]));
    }
    if (fd >= 0) {
        (void)close(fd);
    }
}

/* ---- the calls ---- */

/* The function of this name that would be called without us. */
static void find(void *function, const char *name)
{
    if (!*(void **)function) {
        *(void **)function = dlsym(RTLD_NEXT, name);
    }
}

/* What the loader asks for while it looks for the real calloc; never given back. */
static void *take_bootstrap(size_t size)
{
    static _Alignas(16) char arena[16384];
    static size_t used;
    size_t begun = used;
    used += (size + 15) / 16 * 16;
    return used <= sizeof arena ? arena + begun : NULL;
}

static void *(*real_malloc)(size_t);

void *malloc(size_t size)
{
    static bool finding;
    if (!real_malloc && finding) {
        return take_bootstrap(size);
    }
    finding = true;
    find(&real_malloc, "malloc");
    return memory_fails(__builtin_return_address(0)) ? NULL : real_malloc(size);
}

void *calloc(size_t count, size_t size)
{
    static void *(*real)(size_t, size_t);
    static bool finding;
    if (!real && finding) {
        return take_bootstrap(count * size);
    }
    finding = true;
    find(&real, "calloc");
    return memory_fails(__builtin_return_address(0)) ? NULL : real(count, size);
}

/* The C library's would ask malloc, and hide who wants it. */
static char *duplicate(const char *text, const void *caller)
{
    size_t size = strlen(text) + 1;
    find(&real_malloc, "malloc");
    char *copy = memory_fails(caller) ? NULL : real_malloc(size);
    return copy ? memcpy(copy, text, size) : NULL;
}

char *strdup(const char *text)
{
    return duplicate(text, __builtin_return_address(0));
}

/* What libraries that were built long ago call instead. */
char *__strdup(const char *text);

char *__strdup(const char *text)
{
    return duplicate(text, __builtin_return_address(0));
}

/* Whether a library calls a function of its own: what it makes of that is no concern of ours. */
static bool is_inner(const void *caller, const void *real)
{
    Dl_info one, other;
    return dladdr(caller, &one) && dladdr(real, &other) && one.dli_fbase == other.dli_fbase;
}

/* A call of real functions, or a result in their place. */
#define FAILING(kind, result, failure, name, parameters, arguments)                                          \
    result name parameters                                                                                   \
    {                                                                                                        \
        static result(*real) parameters;                                                                     \
        find(&real, #name);                                                                                  \
        bool inner = is_inner(__builtin_return_address(0), *(void **)&real);                                 \
        return !inner && fails(kind) ? (failure) : real arguments;                                           \
    }

static int say(int number)
{
    errno = number;
    return -1;
}

void *realloc(void *block, size_t size)
{
    static void *(*real)(void *, size_t);
    find(&real, "realloc");
    return memory_fails(__builtin_return_address(0)) ? NULL : real(block, size);
}

FAILING(FAILING_WRITE, ssize_t, say(ENOSPC), write, (int fd, const void *bytes, size_t size),
        (fd, bytes, size))
FAILING(FAILING_WRITE, ssize_t, say(ENOSPC), pwrite, (int fd, const void *bytes, size_t size, off_t at),
        (fd, bytes, size, at))
FAILING(FAILING_WRITE, ssize_t, say(ENOSPC), pwrite64, (int fd, const void *bytes, size_t size, off64_t at),
        (fd, bytes, size, at))
FAILING(FAILING_WRITE, ssize_t, say(EPIPE), writev, (int fd, const struct iovec *pieces, int count),
        (fd, pieces, count))
FAILING(FAILING_SYNC, int, say(EIO), fsync, (int fd), (fd))
FAILING(FAILING_SYNC, int, say(EIO), fdatasync, (int fd), (fd))

FAILING(FAILING_SQLITE, int, (*out = NULL, SQLITE_CANTOPEN), sqlite3_open_v2,
        (const char *file, sqlite3 **out, int flags, const char *vfs), (file, out, flags, vfs))
FAILING(FAILING_SQLITE, int, (*out = NULL, SQLITE_NOMEM), sqlite3_prepare_v2,
        (sqlite3 * db, const char *sql, int length, sqlite3_stmt **out, const char **tail),
        (db, sql, length, out, tail))
FAILING(FAILING_SQLITE, int, SQLITE_FULL, sqlite3_step, (sqlite3_stmt * statement), (statement))
FAILING(FAILING_SQLITE, int, SQLITE_IOERR, sqlite3_exec,
        (sqlite3 * db, const char *sql, int (*each)(void *, int, char **, char **), void *context,
         char **message),
        (db, sql, each, context, message))
FAILING(FAILING_SQLITE, int, SQLITE_NOMEM, sqlite3_bind_int, (sqlite3_stmt * statement, int index, int value),
        (statement, index, value))
FAILING(FAILING_SQLITE, int, SQLITE_NOMEM, sqlite3_bind_int64,
        (sqlite3_stmt * statement, int index, sqlite3_int64 value), (statement, index, value))
FAILING(FAILING_SQLITE, int, SQLITE_NOMEM, sqlite3_bind_double,
        (sqlite3_stmt * statement, int index, double value), (statement, index, value))
FAILING(FAILING_SQLITE, int, SQLITE_NOMEM, sqlite3_bind_null, (sqlite3_stmt * statement, int index),
        (statement, index))
FAILING(FAILING_SQLITE, int, SQLITE_NOMEM, sqlite3_bind_text,
        (sqlite3_stmt * statement, int index, const char *text, int length, void (*done)(void *)),
        (statement, index, text, length, done))

FAILING(FAILING_CURL, CURLcode, CURLE_FAILED_INIT, curl_global_init, (long flags), (flags))
FAILING(FAILING_CURL, CURL *, NULL, curl_easy_init, (void), ())
FAILING(FAILING_CURL, CURLM *, NULL, curl_multi_init, (void), ())
FAILING(FAILING_CURL, CURLMcode, CURLM_OUT_OF_MEMORY, curl_multi_add_handle, (CURLM * multi, CURL *easy),
        (multi, easy))
FAILING(FAILING_CURL, CURLMcode, CURLM_OUT_OF_MEMORY, curl_multi_perform, (CURLM * multi, int *running),
        (multi, running))
FAILING(FAILING_CURL, CURLMcode, CURLM_OUT_OF_MEMORY, curl_multi_poll,
        (CURLM * multi, struct curl_waitfd extra[], unsigned int count, int ms, int *ready),
        (multi, extra, count, ms, ready))
FAILING(FAILING_CURL, struct curl_slist *, NULL, curl_slist_append,
        (struct curl_slist * list, const char *text), (list, text))
FAILING(FAILING_CURL, CURLU *, NULL, curl_url, (void), ())
FAILING(FAILING_CURL, CURLUcode, CURLUE_OUT_OF_MEMORY, curl_url_set,
        (CURLU * url, CURLUPart part, const char *text, unsigned int flags), (url, part, text, flags))
FAILING(FAILING_CURL, CURLUcode, CURLUE_OUT_OF_MEMORY, curl_url_get,
        (CURLU * url, CURLUPart part, char **text, unsigned int flags), (url, part, text, flags))

/* Whatever is passed fits a register of 64 bits. */
CURLcode curl_easy_setopt(CURL *easy, CURLoption option, ...)
{
    static CURLcode (*real)(CURL *, CURLoption, ...);
    va_list list;
    find(&real, "curl_easy_setopt");
    va_start(list, option);
    void *value = va_arg(list, void *);
    va_end(list);
    return fails(FAILING_CURL) ? CURLE_OUT_OF_MEMORY : real(easy, option, value);
}

CURLcode curl_easy_getinfo(CURL *easy, CURLINFO info, ...)
{
    static CURLcode (*real)(CURL *, CURLINFO, ...);
    va_list list;
    find(&real, "curl_easy_getinfo");
    va_start(list, info);
    void *value = va_arg(list, void *);
    va_end(list);
    return fails(FAILING_CURL) ? CURLE_UNKNOWN_OPTION : real(easy, info, value);
}

FAILING(FAILING_MQTT, int, (*out = NULL, MQTTASYNC_FAILURE), MQTTAsync_createWithOptions,
        (MQTTAsync * out, const char *url, const char *id, int kind, void *context,
         MQTTAsync_createOptions *options),
        (out, url, id, kind, context, options))
FAILING(FAILING_MQTT, int, MQTTASYNC_FAILURE, MQTTAsync_setCallbacks,
        (MQTTAsync client, void *context, MQTTAsync_connectionLost *lost, MQTTAsync_messageArrived *arrived,
         MQTTAsync_deliveryComplete *delivered),
        (client, context, lost, arrived, delivered))
FAILING(FAILING_MQTT, int, MQTTASYNC_FAILURE, MQTTAsync_setDisconnected,
        (MQTTAsync client, void *context, MQTTAsync_disconnected *disconnected),
        (client, context, disconnected))
FAILING(FAILING_MQTT, int, MQTTASYNC_FAILURE, MQTTAsync_connect,
        (MQTTAsync client, const MQTTAsync_connectOptions *options), (client, options))
FAILING(FAILING_MQTT, int, MQTTASYNC_FAILURE, MQTTAsync_disconnect,
        (MQTTAsync client, const MQTTAsync_disconnectOptions *options), (client, options))
FAILING(FAILING_MQTT, int, MQTTASYNC_FAILURE, MQTTAsync_subscribeMany,
        (MQTTAsync client, int count, char *const *topics, const int *qos,
         MQTTAsync_responseOptions *options),
        (client, count, topics, qos, options))
FAILING(FAILING_MQTT, int, MQTTASYNC_FAILURE, MQTTAsync_sendMessage,
        (MQTTAsync client, const char *topic, const MQTTAsync_message *message,
         MQTTAsync_responseOptions *options),
        (client, topic, message, options))
