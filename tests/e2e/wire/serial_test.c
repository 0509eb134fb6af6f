/* The daemon as a program on a serial adapter, through the serial library: a port that another program has is refused
 * by name and taken as soon as it is free; an adapter that is pulled out and comes back with another number is found
 * again by its persistent name. The port is a pseudo terminal under an adapter's name (tty_room.h), with a meter of
 * this test's own making at its far end. Skipped aloud without the right to a mount namespace. */
#define _GNU_SOURCE
#include <check.h>
#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "bitwise_crc.h"
#include "error.h"
#include "suite_run.h"
#include "tcp_bench.h"
#include "tty_room.h"

enum { RATE = 10, REGISTERS = 32 };

static const char by_id[] = "usb-Harrow_Quay_Adapter_0147-if00-port0";

struct meter {
    int fd;
    uint16_t registers[REGISTERS];
    _Atomic bool stop;
    pthread_t thread;
};

/* Reading input registers is all that a meter is asked for. */
static void answer(struct meter *m, const uint8_t *ask)
{
    uint8_t out[5 + 2 * REGISTERS] = {ask[0], ask[1]};
    unsigned first = (unsigned)(ask[2] << 8 | ask[3]), count = (unsigned)(ask[4] << 8 | ask[5]);
    size_t n = 3;
    if (bitwise_crc(ask, 8) != 0 || ask[0] != 1 || ask[1] != 4 || first + count > REGISTERS)
        return;
    out[2] = (uint8_t)(2 * count);
    for (unsigned i = first; i < first + count; i++) {
        out[n++] = (uint8_t)(m->registers[i] >> 8);
        out[n++] = (uint8_t)m->registers[i];
    }
    unsigned crc = bitwise_crc(out, n);
    out[n++] = (uint8_t)crc;
    out[n++] = (uint8_t)(crc >> 8);
    if (write(m->fd, out, n) != (ssize_t)n)
        atomic_store(&m->stop, true);
}

static void *live(void *ctx)
{
    struct meter *m = ctx;
    uint8_t in[8];
    size_t have = 0;
    while (!atomic_load(&m->stop)) {
        struct pollfd p = {.fd = m->fd, .events = POLLIN};
        /* A frame comes at once: what stays incomplete is none. */
        if (poll(&p, 1, 20) <= 0)
            have = 0;
        else if (p.revents & POLLIN) {
            ssize_t n = read(m->fd, in + have, sizeof in - have);
            have += n > 0 ? (size_t)n : 0;
        }
        if (have == sizeof in) {
            answer(m, in);
            have = 0;
        }
    }
    return NULL;
}

static void put(uint16_t *to, const void *value, size_t size)
{
    uint8_t bytes[8];
    memcpy(bytes, value, size); /* the computer's own order: little end first */
    for (size_t i = 0; i < size / 2; i++)
        to[i] = (uint16_t)(bytes[size - 1 - 2 * i] << 8 | bytes[size - 2 - 2 * i]);
}

/* A DC shunt meter by config/maps/dc-shunt-meter.yaml that says it is virtual, as a fast clock wants it. */
static void start_meter(struct meter *m, int fd, float current_a)
{
    const double rate = RATE;
    const uint32_t epoch_s = 1767600000;
    uint32_t bits;
    memset(m, 0, sizeof *m);
    m->fd = fd;
    memcpy(&bits, &current_a, sizeof bits);
    m->registers[0] = 21334;
    m->registers[1] = 5;
    m->registers[2] = 1;
    put(m->registers + 4, &rate, 8);
    put(m->registers + 8, &epoch_s, 4);
    /* dcba: the little end first */
    m->registers[26] = (uint16_t)((bits & 0xFF) << 8 | (bits >> 8 & 0xFF));
    m->registers[27] = (uint16_t)((bits >> 16 & 0xFF) << 8 | bits >> 24);
    ck_assert_int_eq(pthread_create(&m->thread, NULL, live, m), 0);
}

static void stop_meter(struct meter *m)
{
    atomic_store(&m->stop, true);
    ck_assert_int_eq(pthread_join(m->thread, NULL), 0);
}

static pid_t hold_port(void)
{
    int ready[2];
    char byte = 0;
    ck_assert_int_eq(pipe(ready), 0);
    pid_t pid = fork();
    ck_assert_int_ge(pid, 0);
    if (pid == 0) {
        if (open("/dev/ttyUSB0", O_RDWR | O_NOCTTY) < 0 || write(ready[1], "r", 1) != 1)
            _exit(1);
        for (;;)
            (void)pause();
    }
    (void)close(ready[1]);
    ck_assert_int_eq(read(ready[0], &byte, 1), 1);
    (void)close(ready[0]);
    return pid;
}

static void start_daemon(struct tcp_bench *b)
{
    ck_assert_int_eq(setenv("LD_PRELOAD", TTY_SHIM_PATH, 1), 0);
    ck_assert_int_eq(setenv("SOAKBENCH_TTY", "keeps", 1), 0);
    tcp_bench_start_daemon(b);
    ck_assert_int_eq(unsetenv("LD_PRELOAD"), 0);
}

static struct tcp_bench *bench_with_serial_line(void)
{
    struct tcp_bench *b = tcp_bench_new(RATE, NULL, NULL);
    tcp_bench_edit(
        b, "buses:\n",
        "buses:\n  - {name: line1, kind: modbus-rtu, port: "
        "/dev/serial/by-id/usb-Harrow_Quay_Adapter_0147-if00-port0, baud: 19200, parity: even, stop_bits: 1, "
        "timeout: 300 ms}\n");
    tcp_bench_edit(b, "devices:\n",
                   "devices:\n  - {name: shunt, bus: line1, server: 1, map: " SOURCE_DIR
                   "/config/maps/dc-shunt-meter.yaml, poll: 2 s}\n");
    tcp_bench_edit(b, "i1: {device: supply1, point: current,", "i1: {device: shunt, point: current_f,");
    return b;
}

static void wait_log(struct tcp_bench *b, const char *text)
{
    double end_s = tcp_bench_now_s() + 30;
    bool found = false;
    while (!found && tcp_bench_now_s() < end_s) {
        char *log = tcp_bench_file(b->log);
        found = strstr(log, text) != NULL;
        free(log);
        tcp_bench_pause(0.05);
    }
    tcp_bench_log(b, text, true);
}

START_TEST(a_named_adapter_is_waited_for_lost_and_found_again)
{
    static struct meter meter;
    char words[64];
    int status = 0, fd = tty_room_plug("ttyUSB0", by_id);
    struct tcp_bench *b = bench_with_serial_line();
    start_meter(&meter, fd, 111.5F);
    pid_t holder = hold_port();
    start_daemon(b);
    (void)text_format(words, sizeof words, "/dev/ttyUSB0 is open in process %ld", (long)holder);
    wait_log(b, words);
    ck_assert(kill(holder, SIGKILL) == 0 && waitpid(holder, &status, 0) == holder);
    tcp_bench_wait_text(b, "status --json", "111.5", 30);
    stop_meter(&meter);
    tty_room_pull("ttyUSB0", by_id, fd);
    tcp_bench_wait_text(b, "status --json", "link-lost", 30);
    wait_log(b, "shunt: lost: connection lost");
    fd = tty_room_plug("ttyUSB1", by_id);
    start_meter(&meter, fd, 222.25F);
    tcp_bench_wait_text(b, "status --json", "222.25", 30);
    tcp_bench_wait_text(b, "status --figures --json", "\"line_pct\": ", 30); /* of the serial line, the only one here */
    ck_assert_int_eq(tcp_bench_stop_daemon(b), 0);
    stop_meter(&meter);
    tty_room_pull("ttyUSB1", by_id, fd);
    tcp_bench_free(b);
}
END_TEST

int main(void)
{
    char why[200] = "";
    if (tty_room_enter(why, sizeof why) != 0) {
        (void)fprintf(stderr, "skipped: %s\n", why);
        return 77;
    }
    Suite *suite = suite_create("serial");
    TCase *t = tcase_create("serial");
    tcase_set_timeout(t, 110);
    tcase_add_test(t, a_named_adapter_is_waited_for_lost_and_found_again);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
