#include "transport.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include "serial_port.h"

enum transport_kind { OVER_TCP, OVER_SERIAL, OVER_READY_FD, OVER_LAYER, TRANSPORT_KIND_COUNT };

struct transport {
    enum transport_kind kind;
    struct bus_config config;
    struct sockaddr_storage to; /* OVER_TCP */
    socklen_t to_size;
    int ready_fd; /* OVER_READY_FD, until it is used */
    struct serial_port *port;
    struct transport_layer layer; /* OVER_LAYER */
    bool is_socket;
    pthread_mutex_t lock; /* of fd against transport_shutdown by another thread */
    int fd;
};

/* What differs between kinds: the rest works on any descriptor. */
struct transport_ops {
    int (*open)(struct transport *t, int64_t timeout_ns, struct error *err);
    void (*close)(struct transport *t);
};

int64_t transport_now_ns(void)
{
    struct timespec ts;
    if (clock_gettime(CLOCK_MONOTONIC, &ts) != 0)
        abort(); /* cannot fail with this clock; without time nothing here is safe */
    return (int64_t)ts.tv_sec * 1000000000 + ts.tv_nsec;
}

bool transport_error_is_loss(int e)
{
    return e == EPIPE || e == ECONNRESET || e == EIO || e == EBADF || e == ENODEV || e == ENXIO || e == ENOTCONN ||
           e == ECONNABORTED || e == ECONNREFUSED || e == EHOSTUNREACH || e == ENETUNREACH || e == ENETDOWN ||
           e == ESHUTDOWN;
}

/* Waits for events on fd until the deadline. 1 ready, 0 time over, -1 with errno. */
static int wait_fd(int fd, short events, int64_t deadline_ns)
{
    for (;;) {
        int64_t left = deadline_ns - transport_now_ns();
        if (left < 0)
            left = 0;
        struct pollfd p = {.fd = fd, .events = events, .revents = 0};
        int64_t ms = (left + 999999) / 1000000;
        int n = poll(&p, 1, ms > 3600000 ? 3600000 : (int)ms);
        if (n < 0 && errno == EINTR)
            continue;
        if (n > 0 && (p.revents & POLLNVAL) != 0) {
            errno = EBADF;
            return -1;
        }
        return n;
    }
}

/* Splits "127.0.0.1:1502" or "[::1]:1502"; only numeric addresses, so that no resolver can hold a bus up. */
static int parse_address(const char *text, struct sockaddr_storage *to, socklen_t *size, struct error *err)
{
    char host[PATH_CAP];
    const char *colon = strrchr(text, ':');
    if (colon == NULL || text_copy(host, sizeof host, text) != 0)
        return error_set(err, "address %s: write host and port as in 127.0.0.1:502", text);
    host[colon - text] = '\0';
    char *end = NULL;
    errno = 0;
    long port = strtol(colon + 1, &end, 10);
    if (errno != 0 || end == colon + 1 || *end != '\0' || port < 1 || port > 65535)
        return error_set(err, "address %s: the port must be a number from 1 to 65535", text);
    memset(to, 0, sizeof *to);
    size_t n = strlen(host);
    if (n > 2 && host[0] == '[' && host[n - 1] == ']') {
        host[n - 1] = '\0';
        struct sockaddr_in6 in6 = {.sin6_family = AF_INET6, .sin6_port = htons((uint16_t)port)};
        if (inet_pton(AF_INET6, host + 1, &in6.sin6_addr) != 1)
            return error_set(err, "address %s: not a numeric address", text);
        memcpy(to, &in6, sizeof in6);
        *size = sizeof in6;
        return 0;
    }
    struct sockaddr_in in4 = {.sin_family = AF_INET, .sin_port = htons((uint16_t)port)};
    if (inet_pton(AF_INET, host, &in4.sin_addr) != 1)
        return error_set(err, "address %s: not a numeric address (names are not looked up here)", text);
    memcpy(to, &in4, sizeof in4);
    *size = sizeof in4;
    return 0;
}

static int connect_by(int fd, struct transport *t, int64_t deadline_ns, struct error *err)
{
    if (connect(fd, (const struct sockaddr *)&t->to, t->to_size) == 0)
        return 0;
    if (errno != EINPROGRESS)
        return error_set(err, "%s: %s", t->config.address, strerror(errno));
    int n = wait_fd(fd, POLLOUT, deadline_ns);
    if (n == 0)
        return error_set(err, "%s: nobody answers the connection", t->config.address);
    int failure = 0;
    socklen_t size = sizeof failure;
    if (n < 0 || getsockopt(fd, SOL_SOCKET, SO_ERROR, &failure, &size) != 0)
        failure = errno;
    if (failure != 0)
        return error_set(err, "%s: %s", t->config.address, strerror(failure));
    return 0;
}

static int tcp_open(struct transport *t, int64_t timeout_ns, struct error *err)
{
    int64_t deadline = transport_now_ns() + timeout_ns;
    int fd = socket(t->to.ss_family, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return error_set(err, "socket: %s", strerror(errno));
    if (connect_by(fd, t, deadline, err) != 0) {
        (void)close(fd);
        return -1;
    }
    int on = 1;
    if (setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on) != 0 ||
        setsockopt(fd, SOL_SOCKET, SO_KEEPALIVE, &on, sizeof on) != 0) {
        (void)error_set(err, "%s: %s", t->config.address, strerror(errno));
        (void)close(fd);
        return -1;
    }
    return fd;
}

static void fd_close(struct transport *t)
{
    (void)close(t->fd);
}

static int serial_open(struct transport *t, int64_t timeout_ns, struct error *err)
{
    (void)timeout_ns;
    t->port = serial_port_open(&t->config, err);
    return t->port != NULL ? serial_port_fd(t->port) : -1;
}

static void serial_close(struct transport *t)
{
    serial_port_close(t->port);
    t->port = NULL;
}

static int ready_open(struct transport *t, int64_t timeout_ns, struct error *err)
{
    (void)timeout_ns;
    int fd = t->ready_fd;
    if (fd < 0)
        return error_set(err, "the descriptor that was made ready is gone");
    t->ready_fd = -1;
    int flags = fcntl(fd, F_GETFL);
    if (flags < 0 || fcntl(fd, F_SETFL, flags | O_NONBLOCK) != 0) {
        (void)error_set(err, "descriptor %d: %s", fd, strerror(errno));
        (void)close(fd);
        return -1;
    }
    return fd;
}

static int layer_open(struct transport *t, int64_t timeout_ns, struct error *err)
{
    return t->layer.open(t->layer.ctx, timeout_ns, err);
}

static void layer_close(struct transport *t)
{
    fd_close(t);
    t->layer.close(t->layer.ctx);
}

static const struct transport_ops kinds[TRANSPORT_KIND_COUNT] = {
    [OVER_TCP] = {tcp_open, fd_close},
    [OVER_SERIAL] = {serial_open, serial_close},
    [OVER_READY_FD] = {ready_open, fd_close},
    [OVER_LAYER] = {layer_open, layer_close},
};

static struct transport *transport_blank(enum transport_kind kind)
{
    struct transport *t = calloc(1, sizeof *t);
    if (t == NULL)
        return NULL;
    if (pthread_mutex_init(&t->lock, NULL) != 0) {
        free(t);
        return NULL;
    }
    t->kind = kind;
    t->fd = -1;
    t->ready_fd = -1;
    return t;
}

struct transport *transport_new(const struct bus_config *config, struct error *err)
{
    bool tcp = config->kind == BUS_MODBUS_TCP || config->kind == BUS_TEXT_TCP;
    struct transport *t = transport_blank(tcp ? OVER_TCP : OVER_SERIAL);
    if (t == NULL) {
        (void)error_set(err, "out of memory");
        return NULL;
    }
    t->config = *config;
    int rc = tcp ? parse_address(config->address, &t->to, &t->to_size, err) : serial_port_check(config, err);
    if (rc != 0) {
        transport_free(t);
        return NULL;
    }
    return t;
}

struct transport *transport_over_fd(int fd)
{
    struct transport *t = transport_blank(OVER_READY_FD);
    if (t == NULL) {
        (void)close(fd);
        return NULL;
    }
    t->ready_fd = fd;
    return t;
}

struct transport *transport_over_layer(const struct transport_layer *layer)
{
    struct transport *t = transport_blank(OVER_LAYER);
    if (t != NULL)
        t->layer = *layer;
    else if (layer->free != NULL)
        layer->free(layer->ctx);
    return t;
}

void transport_free(struct transport *t)
{
    if (t == NULL)
        return;
    transport_close(t);
    if (t->ready_fd >= 0)
        (void)close(t->ready_fd);
    if (t->layer.free != NULL)
        t->layer.free(t->layer.ctx);
    (void)pthread_mutex_destroy(&t->lock);
    free(t);
}

int transport_open(struct transport *t, int64_t timeout_ns, struct error *err)
{
    transport_close(t);
    int fd = kinds[t->kind].open(t, timeout_ns, err);
    if (fd < 0)
        return -1;
    int type = 0;
    socklen_t size = sizeof type;
    (void)pthread_mutex_lock(&t->lock);
    t->fd = fd;
    t->is_socket = getsockopt(fd, SOL_SOCKET, SO_TYPE, &type, &size) == 0;
    (void)pthread_mutex_unlock(&t->lock);
    if (fd >= FD_SETSIZE) {
        transport_close(t);
        return error_set(err, "descriptor %d is above what select can take: too many files are open", fd);
    }
    return 0;
}

void transport_close(struct transport *t)
{
    (void)pthread_mutex_lock(&t->lock);
    if (t->fd >= 0) {
        kinds[t->kind].close(t);
        t->fd = -1;
    }
    (void)pthread_mutex_unlock(&t->lock);
}

int transport_fd(const struct transport *t)
{
    return t->fd;
}

bool transport_shutdown(struct transport *t)
{
    (void)pthread_mutex_lock(&t->lock);
    bool did = t->fd >= 0 && t->is_socket && shutdown(t->fd, SHUT_RDWR) == 0;
    (void)pthread_mutex_unlock(&t->lock);
    return did;
}

int64_t transport_flush(struct transport *t)
{
    uint8_t waste[512];
    int64_t total = 0;
    /* A device that never stops talking must not hold the bus: 64 KiB are enough to be old. */
    while (total < 65536) {
        /* Asked first, since a terminal line without data reads as nothing, which is how a lost one reads too. */
        int ready = t->fd >= 0 ? wait_fd(t->fd, POLLIN, 0) : -1;
        if (ready <= 0)
            return ready < 0 ? -1 : total;
        ssize_t n = read(t->fd, waste, sizeof waste);
        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0)
            return errno == EAGAIN || errno == EWOULDBLOCK ? total : -1;
        if (n == 0)
            return -1;
        total += n;
    }
    return total;
}

/* write, but for a socket without the signal that a closed far side would raise. */
static ssize_t write_some(struct transport *t, const uint8_t *at, size_t left)
{
    return t->is_socket ? send(t->fd, at, left, MSG_NOSIGNAL) : write(t->fd, at, left);
}

int transport_write(struct transport *t, const void *bytes, size_t size, int64_t deadline_ns)
{
    const uint8_t *at = bytes;
    while (size > 0) {
        ssize_t n = write_some(t, at, size);
        if (n > 0) {
            at += n;
            size -= (size_t)n;
            continue;
        }
        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0 && errno != EAGAIN && errno != EWOULDBLOCK)
            return -1;
        int ready = wait_fd(t->fd, POLLOUT, deadline_ns);
        if (ready < 0)
            return -1;
        if (ready == 0) {
            errno = ETIMEDOUT;
            return -1;
        }
    }
    return 0;
}

int64_t transport_read(struct transport *t, void *bytes, size_t cap, int64_t deadline_ns)
{
    for (;;) {
        int ready = wait_fd(t->fd, POLLIN, deadline_ns);
        if (ready < 0)
            return -1;
        if (ready == 0) {
            errno = ETIMEDOUT;
            return -1;
        }
        ssize_t n = read(t->fd, bytes, cap);
        if (n > 0)
            return n;
        if (n < 0 && (errno == EINTR || errno == EAGAIN || errno == EWOULDBLOCK))
            continue;
        if (n == 0)
            errno = ECONNRESET; /* readable and yet nothing to read: the far side or the adapter is gone */
        return -1;
    }
}
