/* How much of a line a bus uses when it asks as fast as the configured gap lets it, against the line's own time; and
 * how it compares with bare libmodbus that reads the same block over the same line, or over a socket, in the same run.
 */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <modbus.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <string.h>
#include <sys/socket.h>
#include <termios.h>
#include <unistd.h>

#include "bus.h"
#include "map_check.h"
#include "paced_peer.h"
#include "speed.h"
#include "transport.h"

enum { ROUNDS = 3, SOCKET_ROUNDS = 9, POINTS_MOST = 60 };

struct bench_bus {
    struct bus_config config;
    struct device_map map;
    struct device_config device_config;
    struct bus_device device;
    struct bus_signal signals[POINTS_MOST];
    struct bus *bus;
    uint64_t readings;
};

static int64_t now_of(void *ctx)
{
    (void)ctx;
    return transport_now_ns();
}

static int take_readings(void *ctx, const struct input_readings *r)
{
    ((struct bench_bus *)ctx)->readings += (uint64_t)r->count;
    return 0;
}

static int take_ack(void *ctx, const struct input_ack *ack)
{
    (void)ctx;
    (void)ack;
    return 0;
}

static int take_link(void *ctx, const struct input_link *link)
{
    (void)ctx;
    if (!link->up)
        speed_fail("bus", link->text);
    return 0;
}

/* One meter of `count` registers in a block, due again at once, each a signal. baud 0: Modbus TCP. */
static void bus_over(struct bench_bus *b, int fd, int baud, int count)
{
    struct error err = {""};
    struct bus_setup setup = {.config = &b->config, .device_count = 1, .devices = &b->device, .signals = b->signals};
    memset(b, 0, sizeof *b);
    (void)text_copy(b->config.name, sizeof b->config.name, "line1");
    b->config.kind = baud > 0 ? BUS_MODBUS_RTU : BUS_MODBUS_TCP;
    b->config.baud = baud;
    b->config.parity = PARITY_EVEN;
    b->config.data_bits = 8;
    b->config.stop_bits = 1;
    b->config.timeout_ns = 1000000000;
    b->map.max_block = 125;
    b->map.virtual_point = b->map.rate_point = b->map.epoch_point = b->map.power_up_point = -1;
    b->map.drop_all_point = b->map.beat_point = b->map.watchdog_point = -1;
    b->map.point_count = count;
    for (int i = 0; i < count; i++) {
        struct map_point *p = &b->map.points[i];
        (void)text_format(p->name, sizeof p->name, "r%d", i);
        p->table = TABLE_INPUT;
        p->register_ = (uint16_t)i;
        p->type = TYPE_U16;
        p->scale = p->to_base = 1;
        b->signals[i] = (struct bus_signal){.device = 0, .point = i, .signal = i, .gain = 1};
    }
    b->device_config = (struct device_config){.server = 1, .poll_ns = 1000};
    (void)text_copy(b->device_config.name, sizeof b->device_config.name, "meter");
    b->device = (struct bus_device){.config = &b->device_config, .map = &b->map};
    setup.signal_count = count;
    setup.beacon_device = setup.beacon_point = -1;
    setup.time = (struct bus_time){.now_ns = now_of, .rate = 1};
    setup.sink = (struct bus_sink){.readings = take_readings, .ack = take_ack, .link = take_link, .ctx = b};
    setup.ready_fd = fd;
    b->bus = bus_new(&setup, &err);
    if (b->bus == NULL)
        speed_fail("bus", err.text);
}

/* Reads a second, and the processor time of one. */
struct pace {
    double rate, cpu_us;
};

/* As the daemon's bus thread waits. line_share is the bus's own account of the line. */
static struct pace run_bus(struct bench_bus *b, double for_s, double *line_share)
{
    static struct bus_stats before, after;
    for (int i = 0; i < 3; i++)
        bus_run(b->bus);
    bus_stats(b->bus, &before);
    double begin = speed_now_s(), cpu = speed_cpu_s();
    while (speed_now_s() - begin < for_s) {
        int64_t wait_ns = bus_next_due_ns(b->bus) - transport_now_ns();
        if (wait_ns > 0) {
            struct pollfd p = {.fd = bus_wake_fd(b->bus), .events = POLLIN};
            struct timespec t = {.tv_sec = wait_ns / 1000000000, .tv_nsec = wait_ns % 1000000000};
            (void)ppoll(&p, 1, &t, NULL);
        }
        bus_run(b->bus);
    }
    double took = speed_now_s() - begin;
    cpu = speed_cpu_s() - cpu;
    bus_stats(b->bus, &after);
    double reads = (double)(after.transactions - before.transactions);
    if (after.transactions != after.errors[BUS_OK])
        speed_fail("bus", "there were errors on a line without faults");
    *line_share = (double)(after.line_ns - before.line_ns) / 1e9 / took;
    return (struct pace){reads / took, cpu / reads * 1e6};
}

/* The library alone, sleeping the same gap between its calls: without it a real device would lose the frame. */
static struct pace run_bare(modbus_t *ctx, double for_s, int count, int64_t gap_ns)
{
    uint16_t values[POINTS_MOST];
    struct timespec gap = {.tv_nsec = (long)gap_ns};
    uint64_t calls = 0;
    double begin = speed_now_s(), cpu = speed_cpu_s();
    for (; speed_now_s() - begin < for_s; calls++) {
        if (modbus_read_input_registers(ctx, 0, count, values) != count)
            speed_fail("libmodbus", modbus_strerror(errno));
        if (gap_ns > 0)
            (void)clock_nanosleep(CLOCK_MONOTONIC, 0, &gap, NULL);
    }
    cpu = speed_cpu_s() - cpu;
    return (struct pace){(double)calls / (speed_now_s() - begin), cpu / (double)calls * 1e6};
}

static int raw_pty(int *far_fd)
{
    struct termios tio;
    *far_fd = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (*far_fd < 0 || grantpt(*far_fd) != 0 || unlockpt(*far_fd) != 0)
        speed_fail("terminal", "cannot be made");
    int fd = open(ptsname(*far_fd), O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (fd < 0 || tcgetattr(fd, &tio) != 0)
        speed_fail("terminal", "cannot be opened");
    cfmakeraw(&tio);
    if (tcsetattr(fd, TCSANOW, &tio) != 0)
        speed_fail("terminal", "cannot be set");
    return fd;
}

/* Question and answer of one read, 11 bits a byte, and two silences. */
static double line_s(int baud, int count, int64_t gap_ns)
{
    return (8.0 + 5.0 + 2.0 * count) * 11.0 / baud + 2.0 * (double)gap_ns / 1e9;
}

static double line_bus(int baud, int count, double *share, int64_t *gap_ns)
{
    static struct bench_bus b;
    int far_fd, fd = raw_pty(&far_fd);
    struct paced_peer *peer = paced_peer_new(far_fd, baud);
    bus_over(&b, fd, baud, count);
    *gap_ns = bus_gap_ns(&b.config);
    double rate = run_bus(&b, 3, share).rate;
    bus_free(b.bus);
    paced_peer_free(peer);
    return rate;
}

static double line_bare(int baud, int count, int64_t gap_ns)
{
    int far_fd, fd = raw_pty(&far_fd);
    struct paced_peer *peer = paced_peer_new(far_fd, baud);
    modbus_t *ctx = modbus_new_rtu("/dev/null", baud, 'E', 8, 1); /* only frames: the terminal is ours */
    if (ctx == NULL || modbus_set_slave(ctx, 1) != 0 || modbus_set_socket(ctx, fd) != 0 ||
        modbus_set_response_timeout(ctx, 1, 0) != 0)
        speed_fail("libmodbus", modbus_strerror(errno));
    double rate = run_bare(ctx, 3, count, gap_ns).rate;
    modbus_free(ctx);
    (void)close(fd);
    paced_peer_free(peer);
    return rate;
}

static void line(int baud, int count)
{
    double bus[ROUNDS], bare[ROUNDS], shares[ROUNDS];
    int64_t gap_ns = 0;
    for (int i = 0; i < ROUNDS; i++) {
        bus[i] = line_bus(baud, count, &shares[i], &gap_ns);
        bare[i] = line_bare(baud, count, gap_ns);
    }
    double limit = 1 / line_s(baud, count, gap_ns);
    double a = speed_median(bus, ROUNDS), b = speed_median(bare, ROUNDS);
    (void)printf(
        "%6d bit/s, %2d registers, gap %.2f ms: the line bears %6.2f reads/s; bus %6.2f, utilisation %5.1f %% (by"
        " its own figures %5.1f %%); libmodbus %6.2f, %5.1f %%; ratio %.3f\n",
        baud, count, (double)gap_ns / 1e6, limit, a, 100 * a / limit, 100 * speed_median(shares, ROUNDS), b,
        100 * b / limit, a / b);
}

static int socket_pair(int *far_fd)
{
    struct sockaddr_in at = {.sin_family = AF_INET};
    socklen_t size = sizeof at;
    int on = 1, listener = socket(AF_INET, SOCK_STREAM, 0), fd = socket(AF_INET, SOCK_STREAM, 0);
    at.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    if (listener < 0 || fd < 0 || bind(listener, (const struct sockaddr *)&at, sizeof at) != 0 ||
        listen(listener, 1) != 0 || getsockname(listener, (struct sockaddr *)&at, &size) != 0 ||
        connect(fd, (const struct sockaddr *)&at, sizeof at) != 0 || (*far_fd = accept(listener, NULL, NULL)) < 0 ||
        setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on) != 0 ||
        setsockopt(*far_fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on) != 0)
        speed_fail("socket", "no connection on the loopback");
    (void)close(listener);
    return fd;
}

static struct pace socket_bus(int count)
{
    static struct bench_bus b;
    double share = 0;
    int far_fd, fd = socket_pair(&far_fd);
    struct paced_peer *peer = paced_peer_new(far_fd, 0);
    bus_over(&b, fd, 0, count);
    struct pace pace = run_bus(&b, 0.5, &share);
    bus_free(b.bus);
    paced_peer_free(peer);
    return pace;
}

static struct pace socket_bare(int count)
{
    int far_fd, fd = socket_pair(&far_fd);
    struct paced_peer *peer = paced_peer_new(far_fd, 0);
    modbus_t *ctx = modbus_new_tcp("127.0.0.1", 1502);
    if (ctx == NULL || modbus_set_socket(ctx, fd) != 0)
        speed_fail("libmodbus", modbus_strerror(errno));
    struct pace pace = run_bare(ctx, 0.5, count, 0);
    modbus_free(ctx);
    (void)close(fd);
    paced_peer_free(peer);
    return pace;
}

static void sockets(int pinned, int count)
{
    double bus[SOCKET_ROUNDS], bare[SOCKET_ROUNDS], bus_us[SOCKET_ROUNDS], bare_us[SOCKET_ROUNDS];
    paced_peer_pin(pinned);
    for (int i = 0; i < SOCKET_ROUNDS; i++) {
        struct pace a = socket_bus(count), b = socket_bare(count);
        bus[i] = a.rate;
        bus_us[i] = a.cpu_us;
        bare[i] = b.rate;
        bare_us[i] = b.cpu_us;
    }
    paced_peer_pin(0);
    double a = speed_median(bus, SOCKET_ROUNDS), b = speed_median(bare, SOCKET_ROUNDS);
    double a_us = speed_median(bus_us, SOCKET_ROUNDS), b_us = speed_median(bare_us, SOCKET_ROUNDS);
    (void)printf(
        "Modbus TCP, %2d registers, %s: bus %7.0f reads/s, libmodbus %7.0f, ratio %.2f; processor time of a read"
        " %.1f and %.1f us\n",
        count, pinned ? "both sides on one processor" : "not pinned", a, b, a / b, a_us, b_us);
}

/* "line" or "tcp" as argument: that part alone. */
int main(int argc, char **argv)
{
    const char *part = argc > 1 ? argv[1] : "";
    if (strcmp(part, "tcp") != 0) {
        line(9600, 16);
        line(9600, 60);
        line(19200, 16);
        line(19200, 60);
        line(115200, 16);
    }
    if (strcmp(part, "line") != 0) {
        sockets(1, 16);
        sockets(1, 60);
        sockets(0, 16);
        sockets(0, 60);
    }
    return 0;
}
