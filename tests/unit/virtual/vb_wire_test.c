/* Faults as they look on the wire: bytes of soakbench-virtual read from real sockets and a pseudo terminal. */
#include <arpa/inet.h>
#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include <pthread.h>

#include "suite_run.h"
#include "vb_frame.h"
#include "vb_serve.h"

/* One bus a fault, each with a plain device of two registers; the server runs in a thread of this process. */
static const char *const scenario =
    "scenario: wire\nseed: 5\n"
    "buses: [{name: b0}, {name: b1}, {name: b2}, {name: b3}, {name: b4}, {name: b5}, {name: b6}, {name: b7},\n"
    "  {name: s0, kind: modbus-rtu}, {name: b8}]\n"
    "devices:\n"
    "  - {name: d0, bus: b0, server: 1, kind: registers, contents: [{table: input, first: 0, values: [7, 9]}]}\n"
    "  - {name: d1, bus: b1, server: 1, kind: registers, contents: [{table: input, first: 0, values: [7, 9]}]}\n"
    "  - {name: d2, bus: b2, server: 1, kind: registers, contents: [{table: input, first: 0, values: [7, 9]}]}\n"
    "  - {name: d3, bus: b3, server: 1, kind: registers, contents: [{table: input, first: 0, values: [7, 9]}]}\n"
    "  - {name: d4, bus: b4, server: 1, kind: registers, contents: [{table: input, first: 0, values: [7, 9]}]}\n"
    "  - {name: d5, bus: b5, server: 1, kind: registers, contents: [{table: input, first: 0, values: [7, 9]}]}\n"
    "  - {name: d6, bus: b6, server: 1, kind: registers, contents: [{table: input, first: 0, values: [7, 9]}]}\n"
    "  - {name: s0, bus: s0, server: 1, kind: registers, contents: [{table: input, first: 0, values: [7, 9]}]}\n"
    "events:\n"
    "  - {at_s: 0, do: fault, kind: truncated, device: d1}\n"
    "  - {at_s: 0, do: fault, kind: noise, device: d2}\n"
    "  - {at_s: 0, do: fault, kind: wrong-server, device: d3}\n"
    "  - {at_s: 0, do: fault, kind: late, delay_s: 0.3, device: d4}\n"
    "  - {at_s: 0, do: fault, kind: dribble, delay_s: 0.03, device: d5}\n"
    "  - {at_s: 0, do: fault, kind: wrong-crc, device: d6}\n"
    "  - {at_s: 0, do: fault, kind: wrong-crc, device: s0}\n"
    "  - {at_s: 1, do: fault, kind: gone, bus: b8, for_s: 3}\n";

static const uint8_t request[12] = {0x15, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 2};
static const uint8_t good[13] = {0x15, 1, 0, 0, 0, 7, 1, 4, 4, 0, 7, 0, 9};

struct running {
    struct vbench *vb;
    struct vb_serve *serve;
    int end[2];
    pthread_t thread;
    char names[16][80];
};

static void *serve(void *ctx)
{
    struct running *r = ctx;
    vb_serve_run(r->serve, r->end[0], false);
    return NULL;
}

static void start(struct running *r)
{
    struct vbench_error err = {{0}};
    char path[] = "/tmp/virtual-wire-XXXXXX", line[100];
    r->vb = vbench_new(scenario, &err);
    ck_assert_msg(r->vb != NULL, "%s", err.text);
    r->serve = vb_serve_new(r->vb, &err);
    ck_assert_msg(r->serve != NULL, "%s", err.text);
    int fd = mkstemp(path);
    ck_assert_int_ge(fd, 0);
    close(fd);
    ck_assert_int_eq(vb_serve_ready(r->serve, path), 0);
    FILE *f = fopen(path, "r");
    ck_assert_ptr_nonnull(f);
    for (int i = 0; fgets(line, sizeof line, f) && i < 16; i++)
        ck_assert_int_eq(sscanf(line, "%*[^=]=%79s", r->names[i]), 1);
    fclose(f);
    unlink(path);
    ck_assert_int_eq(pipe(r->end), 0);
    ck_assert_int_eq(pthread_create(&r->thread, NULL, serve, r), 0);
}

static void stop(struct running *r)
{
    ck_assert_int_eq(write(r->end[1], "x", 1), 1);
    ck_assert_int_eq(pthread_join(r->thread, NULL), 0);
    vb_serve_free(r->serve);
    vbench_free(r->vb);
    close(r->end[0]);
    close(r->end[1]);
}

static int dial(const struct running *r, int bus)
{
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_port = htons((uint16_t)atoi(r->names[bus]))};
    at.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    int fd = socket(AF_INET, SOCK_STREAM, 0);
    ck_assert_int_ge(fd, 0);
    ck_assert_int_eq(connect(fd, (const struct sockaddr *)&at, sizeof at), 0);
    return fd;
}

enum { QUIET_MS = 100, BUSY_MACHINE_MS = 20000 };

/*
 * Reads until `expected` bytes are there, however slow the machine, and then until nothing has come for QUIET_MS;
 * -1 as the size: the other side closed.
 */
static ssize_t listen_for(int fd, uint8_t *to, size_t cap, ssize_t expected)
{
    ssize_t n = 0;
    struct pollfd p = {.fd = fd, .events = POLLIN};
    while ((size_t)n < cap && poll(&p, 1, n < expected ? BUSY_MACHINE_MS : QUIET_MS) > 0) {
        ssize_t got = read(fd, to + n, cap - (size_t)n);
        if (got <= 0)
            return -1;
        n += got;
    }
    return n;
}

static ssize_t ask(const struct running *r, int bus, uint8_t *answer, ssize_t expected)
{
    int fd = dial(r, bus);
    ck_assert_int_eq(write(fd, request, sizeof request), sizeof request);
    ssize_t n = listen_for(fd, answer, 64, expected);
    close(fd);
    return n;
}

static double seconds(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec / 1e9;
}

START_TEST(each_fault_has_its_bytes)
{
    struct running r = {0};
    uint8_t a[64];
    start(&r);
    ck_assert_int_eq(ask(&r, 0, a, 13), 13);
    ck_assert_int_eq(memcmp(a, good, 13), 0);
    ck_assert_int_eq(ask(&r, 1, a, 6), 6); /* truncated */
    ck_assert_int_eq(memcmp(a, good, 6), 0);
    ck_assert_int_eq(ask(&r, 2, a, 16), 16); /* noise ahead */
    ck_assert_int_eq(memcmp(a + 3, good, 13), 0);
    ck_assert_int_eq(ask(&r, 3, a, 13), 13); /* another server */
    ck_assert_int_eq(a[6], 0x11);
    double from = seconds();
    ck_assert_int_eq(ask(&r, 4, a, 13), 13); /* late */
    ck_assert_double_ge(seconds() - from, 0.3);
    from = seconds();
    ck_assert_int_eq(ask(&r, 5, a, 13), 13); /* byte by byte */
    ck_assert_double_ge(seconds() - from, 12 * 0.03);
    ck_assert_int_eq(memcmp(a, good, 13), 0);
    ck_assert_int_eq(ask(&r, 6, a, 13), 13); /* protocol identifier */
    ck_assert(a[2] != 0 && memcmp(a + 4, good + 4, 9) == 0);
    ck_assert_int_eq(ask(&r, 7, a, 9), 9); /* no such server behind the gateway: exception 0x0B */
    ck_assert(a[7] == 0x84 && a[8] == 0x0b);
    stop(&r);
}
END_TEST

START_TEST(serial_line_spoils_its_checksum_and_ignores_what_is_no_frame)
{
    struct running r = {0};
    uint8_t a[64], frame[VB_FRAME_MAX];
    start(&r);
    int fd = open(r.names[8], O_RDWR | O_NOCTTY);
    ck_assert_int_ge(fd, 0);
    size_t n = vb_frame_rtu(frame, 1, request + 7, 5);
    ck_assert_int_eq(write(fd, frame, n), (ssize_t)n);
    ck_assert_int_eq(listen_for(fd, a, sizeof a, 9), 9);
    ck_assert(memcmp(a + 1, good + 7, 6) == 0 && vb_frame_crc(a, 9) != 0);
    frame[3] ^= 1; /* its CRC no longer fits: no answer */
    ck_assert_int_eq(write(fd, frame, n), (ssize_t)n);
    ck_assert_int_eq(listen_for(fd, a, sizeof a, 0), 0);
    n = vb_frame_rtu(frame, 2, request + 7, 5); /* not for it */
    ck_assert_int_eq(write(fd, frame, n), (ssize_t)n);
    ck_assert_int_eq(listen_for(fd, a, sizeof a, 0), 0);
    n = vb_frame_rtu(frame, 1, request + 7, 5); /* and it is in step again */
    ck_assert_int_eq(write(fd, frame, n), (ssize_t)n);
    ck_assert_int_eq(listen_for(fd, a, sizeof a, 9), 9);
    close(fd);
    stop(&r);
}
END_TEST

START_TEST(out_of_step_connections_are_closed)
{
    struct running r = {0};
    uint8_t a[64];
    start(&r);
    int fd = dial(&r, 0);
    ck_assert_int_eq(write(fd, "GET / HTTP/1.1\r\n", 16), 16);
    ck_assert_int_eq(listen_for(fd, a, sizeof a, 1), -1);
    close(fd);
    ck_assert_int_eq(ask(&r, 0, a, 13), 13); /* and others are served */
    stop(&r);
}
END_TEST

START_TEST(vanished_adapter_comes_back_under_its_name)
{
    struct running r = {0};
    uint8_t a[64];
    start(&r);
    int fd = dial(&r, 9);
    ck_assert_int_eq(listen_for(fd, a, sizeof a, 1), -1); /* taken away */
    close(fd);
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_port = htons((uint16_t)atoi(r.names[9]))};
    at.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    double until = seconds() + 30;
    int refused = 0, result = -1;
    while (result != 0 && seconds() < until) {
        fd = socket(AF_INET, SOCK_STREAM, 0);
        result = connect(fd, (const struct sockaddr *)&at, sizeof at);
        refused += result != 0 && errno == ECONNREFUSED;
        close(fd);
        nanosleep(&(struct timespec){.tv_nsec = 20000000}, NULL);
    }
    ck_assert_int_eq(result, 0);
    ck_assert_int_gt(refused, 0);
    ck_assert_int_eq(ask(&r, 9, a, 9), 9);
    stop(&r);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("virtual bench: on the wire");
    TCase *t = tcase_create("wire");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, each_fault_has_its_bytes);
    tcase_add_test(t, serial_line_spoils_its_checksum_and_ignores_what_is_no_frame);
    tcase_add_test(t, out_of_step_connections_are_closed);
    tcase_add_test(t, vanished_adapter_comes_back_under_its_name);
    suite_add_tcase(s, t);
    return suite_run(s);
}
