#include "relay.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <unistd.h>

#define SAY_NS INT64_C(100000000)

struct relay {
    struct transport *inner;
    struct relay_hands hands;
    int near_fd; /* the relay's end of the pair */
    int stop_fd; /* eventfd, readable once the relay shall end */
    bool running;
    bool hung_up;
    pthread_t thread;
};

/* --- the relay's thread ------------------------------------------------------------------------------------------ */

void relay_pause(struct relay *r, int64_t ns)
{
    const int64_t end = transport_now_ns() + ns;
    for (int64_t left = ns; left > 0; left = end - transport_now_ns()) {
        struct pollfd p = {.fd = r->stop_fd, .events = POLLIN, .revents = 0};
        int n = poll(&p, 1, left > INT64_C(60000000000) ? 60000 : (int)((left + 999999) / 1000000));
        if (n > 0)
            return;
    }
}

static void say_near(struct relay *r, const uint8_t *at, size_t left)
{
    const int64_t end = transport_now_ns() + SAY_NS;
    while (left > 0) {
        ssize_t n = send(r->near_fd, at, left, MSG_NOSIGNAL | MSG_DONTWAIT);
        if (n > 0) {
            at += n;
            left -= (size_t)n;
            continue;
        }
        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0 && errno != EAGAIN && errno != EWOULDBLOCK)
            return; /* the driver has closed: the next read tells */
        if (transport_now_ns() >= end)
            return;
        struct pollfd p = {.fd = r->near_fd, .events = POLLOUT, .revents = 0};
        (void)poll(&p, 1, 10);
    }
}

void relay_say(struct relay *r, enum relay_way way, const void *bytes, size_t size)
{
    if (r->hung_up || size == 0)
        return;
    if (way == FROM_DEVICE)
        say_near(r, bytes, size);
    else if (transport_write(r->inner, bytes, size, transport_now_ns() + SAY_NS) != 0 && transport_error_is_loss(errno))
        relay_hang_up(r);
}

void relay_hang_up(struct relay *r)
{
    r->hung_up = true;
    (void)transport_shutdown(r->inner);
    (void)shutdown(r->near_fd, SHUT_RDWR);
}

static void carry_from_driver(struct relay *r)
{
    uint8_t bytes[1024];
    ssize_t n = recv(r->near_fd, bytes, sizeof bytes, MSG_DONTWAIT);
    if (n > 0)
        r->hands.pass(r->hands.ctx, r, TO_DEVICE, bytes, (size_t)n);
    else if (n == 0 || (errno != EINTR && errno != EAGAIN && errno != EWOULDBLOCK))
        relay_hang_up(r);
}

static void carry_from_device(struct relay *r)
{
    uint8_t bytes[1024];
    int64_t n = transport_read(r->inner, bytes, sizeof bytes, 0);
    if (n > 0)
        r->hands.pass(r->hands.ctx, r, FROM_DEVICE, bytes, (size_t)n);
    else if (errno != ETIMEDOUT)
        relay_hang_up(r);
}

static void *carry(void *ctx)
{
    struct relay *r = ctx;
    if (r->hands.joined != NULL)
        r->hands.joined(r->hands.ctx);
    while (!r->hung_up) {
        struct pollfd p[3] = {{.fd = r->stop_fd, .events = POLLIN, .revents = 0},
                              {.fd = r->near_fd, .events = POLLIN, .revents = 0},
                              {.fd = transport_fd(r->inner), .events = POLLIN, .revents = 0}};
        int n = poll(p, 3, -1);
        if (n < 0 && errno != EINTR)
            relay_hang_up(r);
        if (n <= 0)
            continue;
        if (p[0].revents != 0)
            break;
        if (p[2].revents != 0)
            carry_from_device(r);
        if (p[1].revents != 0 && !r->hung_up)
            carry_from_driver(r);
    }
    return NULL;
}

/* --- the transport's side ---------------------------------------------------------------------------------------- */

static void relay_close(void *ctx)
{
    struct relay *r = ctx;
    if (r->running) {
        const uint64_t one = 1;
        while (write(r->stop_fd, &one, sizeof one) < 0 && errno == EINTR)
            continue;
        (void)pthread_join(r->thread, NULL);
        r->running = false;
    }
    if (r->near_fd >= 0)
        (void)close(r->near_fd);
    if (r->stop_fd >= 0)
        (void)close(r->stop_fd);
    r->near_fd = r->stop_fd = -1;
    transport_close(r->inner);
}

static int relay_open(void *ctx, int64_t timeout_ns, struct error *err)
{
    struct relay *r = ctx;
    int pair[2];
    if (transport_open(r->inner, timeout_ns, err) != 0)
        return -1;
    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0, pair) != 0) {
        (void)error_set(err, "socketpair: %s", strerror(errno));
        relay_close(r);
        return -1;
    }
    r->near_fd = pair[1];
    r->hung_up = false;
    r->stop_fd = eventfd(0, EFD_CLOEXEC);
    int rc = r->stop_fd < 0 ? errno : pthread_create(&r->thread, NULL, carry, r);
    if (rc != 0) {
        (void)error_set(err, "a relay cannot be started: %s", strerror(rc));
        (void)close(pair[0]);
        relay_close(r);
        return -1;
    }
    r->running = true;
    return pair[0];
}

static void relay_free(void *ctx)
{
    struct relay *r = ctx;
    transport_free(r->inner);
    if (r->hands.free != NULL)
        r->hands.free(r->hands.ctx);
    free(r);
}

struct transport *relay_over(struct transport *inner, const struct relay_hands *hands)
{
    struct relay *r = calloc(1, sizeof *r);
    if (r == NULL || inner == NULL) {
        free(r);
        transport_free(inner);
        if (hands->free != NULL)
            hands->free(hands->ctx);
        return NULL;
    }
    r->inner = inner;
    r->hands = *hands;
    r->near_fd = r->stop_fd = -1;
    return transport_over_layer(&(struct transport_layer){relay_open, relay_close, relay_free, r});
}
