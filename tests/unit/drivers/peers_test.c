/* The bus against a Modbus server written by others, over TCP and over a serial line made of two pseudo terminals. */
#define _XOPEN_SOURCE 700
#include <arpa/inet.h>
#include <check.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "fixture.h"
#include "suite_run.h"
#include "transport.h"

static struct fixture f;
static pid_t children[2];
static char dir[64];

static const char python[] = "/usr/bin/python3";
static const char socat[] = "/usr/bin/socat";

/* Without the other side's program there is nothing to test against: skipped, aloud. */
static bool have_peer(void)
{
    return system("/usr/bin/python3 -c 'import pymodbus, serial' 2>/dev/null") == 0 && access(socat, X_OK) == 0;
}

static pid_t start(const char *const argv[])
{
    pid_t pid = fork();
    ck_assert_int_ge(pid, 0);
    if (pid == 0) {
        (void)!freopen("/dev/null", "w", stderr);
        (void)!freopen("/dev/null", "w", stdout);
        execv(argv[0], (char *const *)argv);
        _exit(127);
    }
    return pid;
}

static int free_port(void)
{
    struct sockaddr_in in = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof in;
    int fd = socket(AF_INET, SOCK_STREAM, 0);
    ck_assert(fd >= 0 && bind(fd, (struct sockaddr *)&in, sizeof in) == 0);
    ck_assert(getsockname(fd, (struct sockaddr *)&in, &size) == 0);
    close(fd);
    return ntohs(in.sin_port);
}

static void begin(void)
{
    (void)signal(SIGPIPE, SIG_IGN);
    fixture_init(&f);
    children[0] = children[1] = 0;
    strcpy(dir, "/tmp/drivers-peers-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(dir));
}

static void end(void)
{
    fixture_free(&f);
    for (int i = 0; i < 2; i++) {
        if (children[i] > 0) {
            (void)kill(children[i], SIGKILL);
            (void)waitpid(children[i], NULL, 0);
        }
    }
    char path[100];
    for (int i = 0; i < 2; i++) {
        (void)text_format(path, sizeof path, "%s/%c", dir, "ab"[i]);
        (void)unlink(path);
    }
    (void)rmdir(dir);
}

static void read_point(int reg, enum value_type type, enum word_order order)
{
    struct device_map *map = &f.maps[0];
    struct map_point *p = &map->points[map->point_count];
    *p = (struct map_point){
        .table = TABLE_INPUT, .register_ = (uint16_t)reg, .type = type, .order = order, .scale = 1, .to_base = 1};
    f.signals[f.setup.signal_count] = (struct bus_signal){
        .device = 0, .point = map->point_count, .signal = f.setup.signal_count, .gain = 1, .offset = 0};
    f.setup.signal_count++;
    map->point_count++;
}

/* The fixture's load controller, its identity at register 10 and its registers within what the server has. */
static void make_map(void)
{
    struct device_map *map = &f.maps[0];
    map->points[7].register_ = 10;
    map->power_up_point = -1;
    f.setup.signal_count = 0;
    read_point(0, TYPE_F32, ORDER_ABCD);
    read_point(2, TYPE_F32, ORDER_CDAB);
    read_point(4, TYPE_F32, ORDER_BADC);
    read_point(6, TYPE_F32, ORDER_DCBA);
    read_point(8, TYPE_I32, ORDER_ABCD);
    f.configs[0].poll_ns = 50 * MS;
    f.config.timeout_ns = 500 * MS;
}

static void run_against(void)
{
    fixture_real_time(&f);
    fixture_start(&f, -1);
    int64_t patience = transport_now_ns() + 20 * SEC;
    while ((last_link(&f, 0) == NULL || !last_link(&f, 0)->up) && transport_now_ns() < patience)
        (void)fixture_run_real(&f, 50 * MS);
    ck_assert_msg(last_link(&f, 0) != NULL && last_link(&f, 0)->up, "%s", last_link(&f, 0)->text);
    lease_renew(&f.leases[0], INT64_MAX);
    struct command c = fixture_command(COMMAND_STEPS, 0);
    c.mask = 21;
    c.number = 1;
    ck_assert_int_eq(bus_post(f.bus, &c), 0);
    (void)fixture_run_real(&f, 1500 * MS);
    lease_drop(&f.leases[0]);
    bus_wake(f.bus);
    (void)fixture_run_real(&f, 500 * MS);
    for (int i = 0; i < 4; i++)
        ck_assert_double_eq_tol(last_reading(&f, i, NULL)->value, 24.2, 1e-6);
    ck_assert_double_eq(last_reading(&f, 4, NULL)->value, -123456);
    ck_assert_int_eq(last_ack(&f, 1)->kind, ACK_DONE);
    ck_assert_int_eq(count_acks(&f, ACK_DROPPED), 1);
    static struct bus_stats s;
    bus_stats(f.bus, &s);
    ck_assert_uint_ge(s.transactions, 15);
    ck_assert_uint_ge(s.devices[0].beats, 2);
    uint64_t wrong = s.transactions - s.errors[BUS_OK];
    ck_assert_msg(wrong <= s.transactions / 10, "%llu of %llu failed", (unsigned long long)wrong,
                  (unsigned long long)s.transactions);
}

START_TEST(over_tcp)
{
    char port[16];
    (void)text_format(port, sizeof port, "%d", free_port());
    (void)text_format(f.config.address, sizeof f.config.address, "127.0.0.1:%s", port);
    f.config.kind = BUS_MODBUS_TCP;
    make_map();
    children[0] =
        start((const char *const[]){python, SOURCE_DIR "/tests/unit/drivers/modbus_peer.py", "tcp", port, NULL});
    run_against();
}
END_TEST

START_TEST(over_a_serial_line)
{
    char a[160], b[160], port[100];
    struct stat st;
    (void)text_format(a, sizeof a, "pty,raw,echo=0,link=%s/a", dir);
    (void)text_format(b, sizeof b, "pty,raw,echo=0,link=%s/b", dir);
    (void)text_format(port, sizeof port, "%s/b", dir);
    (void)text_format(f.config.port, sizeof f.config.port, "%s/a", dir);
    f.config.kind = BUS_MODBUS_RTU;
    f.config.baud = 19200;
    f.config.parity = PARITY_EVEN;
    f.config.data_bits = 8;
    f.config.stop_bits = 1;
    make_map();
    children[0] = start((const char *const[]){socat, a, b, NULL});
    for (int i = 0; i < 200 && (lstat(port, &st) != 0 || lstat(f.config.port, &st) != 0); i++)
        (void)poll(NULL, 0, 20);
    children[1] =
        start((const char *const[]){python, SOURCE_DIR "/tests/unit/drivers/modbus_peer.py", "rtu", port, NULL});
    run_against();
    static struct bus_stats s;
    bus_stats(f.bus, &s);
    ck_assert_int_gt(s.line_ns, 0);
    /* The theoretical time of the frames is a fair part of the elapsed time, never more. */
    ck_assert_int_lt(s.line_ns, s.elapsed_ns);
}
END_TEST

int main(void)
{
    if (!have_peer()) {
        (void)fputs("skipped: needs python3-pymodbus, python3-serial and socat\n", stderr);
        return 77;
    }
    Suite *suite = suite_create("peers");
    TCase *tc = tcase_create("peers");
    tcase_set_timeout(tc, 60);
    tcase_add_checked_fixture(tc, begin, end);
    tcase_add_test(tc, over_tcp);
    tcase_add_test(tc, over_a_serial_line);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
