/* A broker of a few lines, in a thread, for answers that a real one does not give. */
#ifndef GRANARY_TESTS_FAKE_BROKER_H
#define GRANARY_TESTS_FAKE_BROKER_H

#include "broker.h"

#include <pthread.h>
#include <stdatomic.h>

enum fake_manner {
    FAKE_REFUSES_MQTT_5,   /* CONNACK with reason 0x84 */
    FAKE_REFUSES_AS_3_1_1, /* CONNACK of two bytes with return code 1 */
    FAKE_CLOSES_ON_MQTT_5, /* not a word */
    FAKE_REFUSES_THE_LAST_FILTER,
    FAKE_IS_TAKEN_OVER /* accepts, and sends DISCONNECT with reason 0x8E after the subscription */
};

struct fake_broker {
    int fd, port;
    size_t filters; /* in the SUBSCRIBE that is refused */
    enum fake_manner manner;
    pthread_t thread;
    atomic_int modern, old; /* CONNECTs of MQTT 5 and of 3.1.1 */
};

/* Reads one packet; its first byte, or 0 at the end of the connection. Packets here are shorter than 128
 * bytes. */
static inline unsigned char fake_read(int fd, unsigned char body[128])
{
    unsigned char head[2];
    if (recv(fd, head, 2, MSG_WAITALL) != 2 || head[1] > 127) {
        return 0;
    }
    return recv(fd, body, head[1], MSG_WAITALL) == (ssize_t)head[1] ? head[0] : 0;
}

static inline void fake_send(int fd, const unsigned char *bytes, size_t length)
{
    (void)send(fd, bytes, length, MSG_NOSIGNAL);
}

/* False where the connection is to be closed. */
static inline bool fake_answer_connect(struct fake_broker *fake, int fd, unsigned char version)
{
    static const unsigned char refused[] = {0x20, 3, 0, 0x84, 0}, refused_old[] = {0x20, 2, 0, 1};
    static const unsigned char accepted[] = {0x20, 3, 0, 0, 0}, accepted_old[] = {0x20, 2, 0, 0};
    atomic_fetch_add(version == 5 ? &fake->modern : &fake->old, 1);
    if (version == 4) {
        fake_send(fd, accepted_old, sizeof accepted_old);
        return true;
    }
    if (fake->manner == FAKE_REFUSES_MQTT_5) {
        fake_send(fd, refused, sizeof refused);
    } else if (fake->manner == FAKE_REFUSES_AS_3_1_1) {
        fake_send(fd, refused_old, sizeof refused_old);
    } else if (fake->manner == FAKE_IS_TAKEN_OVER || fake->manner == FAKE_REFUSES_THE_LAST_FILTER) {
        fake_send(fd, accepted, sizeof accepted);
        return true;
    }
    return false;
}

static inline void fake_refuse_last(const struct fake_broker *fake, int fd, bool modern,
                                    const unsigned char body[128])
{
    unsigned char suback[16] = {0x90, 0, body[0], body[1]};
    size_t at = modern ? 5 : 4;
    for (size_t i = 0; i < fake->filters && at < sizeof suback; i++) {
        suback[at++] = i + 1 < fake->filters ? 0 : modern ? 0x87 : 0x80;
    }
    suback[1] = (unsigned char)(at - 2);
    fake_send(fd, suback, at);
}

/* False where the connection is to be closed. */
static inline bool fake_answer_subscribe(const struct fake_broker *fake, int fd, bool modern,
                                         const unsigned char body[128])
{
    const unsigned char suback[] = {0x90, 4, body[0], body[1], 0, 0},
                        suback_old[] = {0x90, 3, body[0], body[1], 0};
    static const unsigned char taken_over[] = {0xE0, 1, 0x8E};
    if (fake->manner == FAKE_REFUSES_THE_LAST_FILTER) {
        fake_refuse_last(fake, fd, modern, body);
    } else if (modern) {
        fake_send(fd, suback, sizeof suback);
    } else {
        fake_send(fd, suback_old, sizeof suback_old);
    }
    if (fake->manner == FAKE_IS_TAKEN_OVER) {
        fake_send(fd, taken_over, sizeof taken_over);
    }
    return fake->manner != FAKE_IS_TAKEN_OVER;
}

/* False where the connection is to be closed. */
static inline bool fake_answer(struct fake_broker *fake, int fd, unsigned char type,
                               const unsigned char body[128], bool *modern)
{
    static const unsigned char pong[] = {0xD0, 0};
    switch (type & 0xF0) {
    case 0x10:
        *modern = body[6] == 5;
        return fake_answer_connect(fake, fd, body[6]);
    case 0x80:
        return fake_answer_subscribe(fake, fd, *modern, body);
    case 0xC0:
        fake_send(fd, pong, sizeof pong);
        return true;
    default:
        return false;
    }
}

static inline void *fake_serve(void *argument)
{
    struct fake_broker *fake = argument;
    for (;;) {
        unsigned char body[128] = {0}, type;
        bool modern = false;
        int fd = accept(fake->fd, NULL, NULL);
        if (fd < 0) {
            return NULL;
        }
        do {
            type = fake_read(fd, body);
        } while (type != 0 && fake_answer(fake, fd, type, body, &modern));
        (void)close(fd);
    }
}

static inline void fake_start(struct fake_broker *fake, enum fake_manner manner)
{
    fake->manner = manner;
    atomic_init(&fake->modern, 0);
    atomic_init(&fake->old, 0);
    fake->fd = broker_listen(&fake->port);
    assert_int_equal(pthread_create(&fake->thread, NULL, fake_serve, fake), 0);
}

/* Its clients must have gone before. */
static inline void fake_stop(struct fake_broker *fake)
{
    (void)shutdown(fake->fd, SHUT_RDWR);
    assert_int_equal(pthread_join(fake->thread, NULL), 0);
    (void)close(fake->fd);
}

#endif
