#define _GNU_SOURCE /* sched_setaffinity */
#include "paced_peer.h"

#include <errno.h>
#include <poll.h>
#include <pthread.h>
#include <sched.h>
#include <stdatomic.h>
#include <stdint.h>
#include <string.h>
#include <sys/prctl.h>
#include <unistd.h>

#include "bitwise_crc.h"
#include "speed.h"

struct paced_peer {
    int fd;
    int64_t byte_ns; /* 0: no line */
    int64_t silence_ns;
    _Atomic int stop;
    pthread_t thread;
};

static int64_t now_ns(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static void wait_until(int64_t at_ns)
{
    struct timespec t = {.tv_sec = at_ns / 1000000000, .tv_nsec = at_ns % 1000000000};
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL) == EINTR)
        continue;
}

/* The answer to a read of `count` registers behind `head` bytes that are there already; its size. */
static size_t make_answer(uint8_t *out, size_t head, const uint8_t *pdu)
{
    unsigned count = (unsigned)(pdu[3] << 8 | pdu[4]);
    size_t n = head;
    out[n++] = pdu[0];
    out[n++] = (uint8_t)(2 * count);
    for (unsigned i = 0; i < count; i++) {
        out[n++] = (uint8_t)(i >> 8);
        out[n++] = (uint8_t)i;
    }
    return n;
}

static void say(struct paced_peer *p, const uint8_t *bytes, size_t size)
{
    for (size_t at = 0; at < size;) {
        ssize_t n = write(p->fd, bytes + at, size - at);
        if (n > 0)
            at += (size_t)n;
        else if (errno != EAGAIN && errno != EINTR)
            return;
    }
}

/* heard_ns is when the first byte of the question was there: a pseudo terminal brings it at once, a line byte by byte.
 */
static void answer_rtu(struct paced_peer *p, const uint8_t *ask, int64_t heard_ns)
{
    uint8_t out[300];
    if (bitwise_crc(ask, 8) != 0)
        return;
    out[0] = ask[0];
    size_t n = make_answer(out, 1, ask + 1);
    unsigned crc = bitwise_crc(out, n);
    out[n++] = (uint8_t)crc;
    out[n++] = (uint8_t)(crc >> 8);
    int64_t at_ns = heard_ns + 8 * p->byte_ns + p->silence_ns;
    for (size_t i = 0; i < n && p->byte_ns > 0; i++) {
        at_ns += p->byte_ns;
        wait_until(at_ns);
        say(p, out + i, 1);
    }
}

static void answer_tcp(struct paced_peer *p, const uint8_t *ask)
{
    uint8_t out[300];
    memcpy(out, ask, 7);
    size_t n = make_answer(out, 7, ask + 7);
    out[4] = (uint8_t)((n - 6) >> 8);
    out[5] = (uint8_t)(n - 6);
    say(p, out, n);
}

static void *live(void *ctx)
{
    struct paced_peer *p = ctx;
    const size_t whole = p->byte_ns > 0 ? 8 : 12;
    uint8_t in[12];
    size_t have = 0;
    int64_t heard_ns = 0;
    (void)prctl(PR_SET_TIMERSLACK, 1);
    while (!atomic_load(&p->stop)) {
        struct pollfd q = {.fd = p->fd, .events = POLLIN};
        if (poll(&q, 1, 50) <= 0)
            continue;
        ssize_t n = read(p->fd, in + have, whole - have);
        if (n <= 0)
            continue;
        if (have == 0)
            heard_ns = now_ns();
        have += (size_t)n;
        if (have < whole)
            continue;
        have = 0;
        if (p->byte_ns > 0)
            answer_rtu(p, in, heard_ns);
        else
            answer_tcp(p, in);
    }
    return NULL;
}

struct paced_peer *paced_peer_new(int fd, int baud)
{
    struct paced_peer *p = calloc(1, sizeof *p);
    if (p == NULL)
        speed_fail("peer", "out of memory");
    p->fd = fd;
    p->byte_ns = baud > 0 ? INT64_C(11000000000) / baud : 0;
    /* Above 19200 bit/s the standard's silence is fixed. */
    p->silence_ns = baud > 19200 ? 1750000 : p->byte_ns * 7 / 2;
    if (pthread_create(&p->thread, NULL, live, p) != 0)
        speed_fail("peer", "no thread");
    return p;
}

void paced_peer_free(struct paced_peer *p)
{
    atomic_store(&p->stop, 1);
    (void)pthread_join(p->thread, NULL);
    (void)close(p->fd);
    free(p);
}

void paced_peer_pin(int on)
{
    static cpu_set_t all;
    cpu_set_t one;
    if (CPU_COUNT(&all) == 0)
        (void)sched_getaffinity(0, sizeof all, &all);
    CPU_ZERO(&one);
    for (size_t cpu = 0; CPU_COUNT(&one) == 0 && cpu < CPU_SETSIZE; cpu++)
        if (CPU_ISSET(cpu, &all))
            CPU_SET(cpu, &one);
    (void)sched_setaffinity(0, sizeof one, on ? &one : &all);
}
