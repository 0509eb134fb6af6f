/* Thousands of random faults between a bus and a device that answers well, by the fault layer, over Modbus TCP, RTU
 * framing and text: nothing leaks, hangs, outlasts its deadline or takes a wrong value, and afterwards all is well
 * again. As argument: tcp, rtu or text. SOAKBENCH_LONG=1: ten thousand faults in all instead of a few. */
#include <arpa/inet.h>
#include <check.h>
#include <dirent.h>
#include <errno.h>
#include <math.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "fault_layer.h"
#include "fixture.h"
#include "pdu.h"
#include "suite_run.h"

enum framing { TCP, RTU, TEXT };

/* The longest answer time, and the delay that the layer adds to an answer at most: an answer that is later than the
 * silence after a timeout breaks the promise that the configuration made for the device. */
#define ANSWER_NS (40 * MS)
#define DELAY_NS (50 * MS)
/* Beyond the timeout a bus may take what a busy machine takes to wake it. */
#define LONGEST_NS (ANSWER_NS + 300 * MS)

struct device {
    int listen_fd, port;
    enum framing framing;
    struct fake_device fake;
    _Atomic bool stop;
    pthread_t thread;
};

static enum framing framing;
static struct fixture f;
static struct device device;
static struct fault_log fault_log;
static int files_before;

static int open_files(void)
{
    int n = 0;
    DIR *dir = opendir("/proc/self/fd");
    ck_assert_ptr_nonnull(dir);
    while (readdir(dir) != NULL)
        n++;
    (void)closedir(dir);
    return n;
}

/* --- the device: answers what it understands, and nothing else --------------------------------------------------- */

static size_t answer_modbus(struct device *d, const uint8_t *got, size_t n, uint8_t *out)
{
    size_t head = d->framing == TCP ? 7 : 1, tail = d->framing == TCP ? 0 : 2;
    if (n < head + 5 + tail)
        return 0;
    if (d->framing == TCP ? (size_t)(got[4] << 8 | got[5]) != n - 6
                          : rtu_crc(got, n - 2) != (got[n - 2] | got[n - 1] << 8))
        return 0;
    if (got[head - 1] != 1)
        return 0;
    memcpy(out, got, head);
    size_t size = head + (size_t)fake_answer(&d->fake, got + head, n - head - tail, out + head);
    if (d->framing == TCP) {
        out[5] = (uint8_t)(size - 6);
        return size;
    }
    uint16_t crc = rtu_crc(out, size);
    out[size] = (uint8_t)crc;
    out[size + 1] = (uint8_t)(crc >> 8);
    return size + 2;
}

static size_t answer_text(const uint8_t *got, size_t n, uint8_t *out)
{
    const char *says = n == 3 && memcmp(got, "X?\n", 3) == 0   ? "X=111 V\n"
                       : n == 3 && memcmp(got, "Y?\n", 3) == 0 ? "Y=222 V\n"
                                                               : "";
    memcpy(out, says, strlen(says));
    return strlen(says);
}

/* A request is what comes until a moment of silence. Returns its size, 0 when the connection ended. */
static size_t hear(struct device *d, int fd, uint8_t *to, size_t cap)
{
    size_t n = 0;
    while (!atomic_load(&d->stop)) {
        struct pollfd p = {.fd = fd, .events = POLLIN};
        if (poll(&p, 1, n > 0 ? 1 : 50) == 0) {
            if (n > 0)
                return n;
            continue;
        }
        ssize_t got = n < cap ? read(fd, to + n, cap - n) : 0;
        if (got <= 0)
            return 0;
        n += (size_t)got;
    }
    return 0;
}

static void *live(void *ctx)
{
    struct device *d = ctx;
    while (!atomic_load(&d->stop)) {
        struct pollfd p = {.fd = d->listen_fd, .events = POLLIN};
        uint8_t got[512], out[512];
        size_t n;
        if (poll(&p, 1, 50) <= 0)
            continue;
        int fd = accept(d->listen_fd, NULL, NULL);
        while (fd >= 0 && (n = hear(d, fd, got, sizeof got)) > 0) {
            n = d->framing == TEXT ? answer_text(got, n, out) : answer_modbus(d, got, n, out);
            if (n > 0 && send(fd, out, n, MSG_NOSIGNAL) < 0)
                break;
        }
        if (fd >= 0)
            (void)close(fd);
    }
    return NULL;
}

static void start_device(struct device *d)
{
    struct sockaddr_in in = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof in;
    memset(d, 0, sizeof *d);
    d->framing = framing;
    d->fake = (struct fake_device){.server = 1, .hole = -1, .single_writes = true, .mask_writes = true};
    d->fake.registers[0] = 111;
    d->fake.registers[50] = 222;
    d->listen_fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    ck_assert(d->listen_fd >= 0 && bind(d->listen_fd, (struct sockaddr *)&in, sizeof in) == 0);
    ck_assert(listen(d->listen_fd, 4) == 0 && getsockname(d->listen_fd, (struct sockaddr *)&in, &size) == 0);
    d->port = ntohs(in.sin_port);
    ck_assert_int_eq(pthread_create(&d->thread, NULL, live, d), 0);
}

static void stop_device(struct device *d)
{
    atomic_store(&d->stop, true);
    (void)pthread_join(d->thread, NULL);
    (void)close(d->listen_fd);
}

/* --- the bus ----------------------------------------------------------------------------------------------------- */

static void make_meter(void)
{
    struct device_map *map = &f.maps[0];
    f.setup.device_count = f.fake_count = f.setup.signal_count = 0;
    memset(f.maps, 0, sizeof f.maps);
    (void)fixture_add_meter(&f, 5 * MS);
    map->points[1].register_ = 50;
    f.config.kind = framing == TCP ? BUS_MODBUS_TCP : framing == RTU ? BUS_MODBUS_RTU : BUS_TEXT_TCP;
    f.config.baud = 115200;
    f.config.timeout_ns = ANSWER_NS;
    if (framing != TEXT)
        return;
    map->protocol = MAP_TEXT;
    strcpy(map->line_end, "\n");
    strcpy(map->points[0].query, "X?");
    strcpy(map->points[0].reply, "X={number} V");
    strcpy(map->points[1].query, "Y?");
    strcpy(map->points[1].reply, "Y={number} V");
}

static void start_bus(const struct fault_plan *plan)
{
    struct error err = {""};
    struct bus_config line = {.name = "line", .kind = BUS_MODBUS_TCP, .timeout_ns = ANSWER_NS};
    (void)text_format(line.address, sizeof line.address, "127.0.0.1:%d", device.port);
    struct transport *inner = transport_new(&line, &err);
    ck_assert_msg(inner != NULL, "%s", err.text);
    f.setup.transport = fault_layer_over(inner, plan);
    ck_assert_ptr_nonnull(f.setup.transport);
    fixture_real_time(&f);
    fixture_start(&f, -1);
}

static uint64_t faults_done(void)
{
    uint64_t sum = 0;
    for (int i = 0; i < FAULT_KINDS; i++)
        sum += atomic_load(&fault_log.done[i]);
    return sum;
}

/* Every reading is the device's own value or none. Returns the number of good ones, and forgets them all. */
static int take_values(void)
{
    int good = 0;
    for (int i = 0; i < f.input_count; i++) {
        const struct input_readings *r = &f.inputs[i].u.readings;
        for (int k = 0; f.inputs[i].kind == INPUT_READINGS && k < r->count; k++) {
            const struct reading *reading = &r->items[k];
            if (reading->quality == QUALITY_GOOD)
                ck_assert_msg(reading->value == (reading->signal == 0 ? 111 : 222), "signal %d is %g after %llu faults",
                              reading->signal, reading->value, (unsigned long long)faults_done());
            good += reading->quality == QUALITY_GOOD;
        }
    }
    f.input_count = 0;
    return good;
}

static void storm(const struct fault_plan *plan, uint64_t faults)
{
    int64_t longest = 0;
    int good = 0;
    memset(&fault_log, 0, sizeof fault_log);
    start_device(&device);
    make_meter();
    start_bus(plan);
    int64_t patience = transport_now_ns() + (int64_t)faults * 400 * MS + 20 * SEC;
    while (faults_done() < faults && transport_now_ns() < patience) {
        int64_t took = fixture_run_real(&f, 200 * MS);
        longest = took > longest ? took : longest;
        good += take_values();
    }
    ck_assert_uint_ge(faults_done(), faults);
    ck_assert_msg(longest < LONGEST_NS, "one call took %lld ms", (long long)(longest / MS));
    ck_assert_int_gt(good, (int)faults / 2);
    static struct bus_stats s;
    bus_stats(f.bus, &s);
    printf("%llu faults, %d good readings, %llu connections, longest call %lld ms\n", (unsigned long long)faults_done(),
           good, (unsigned long long)s.connects, (long long)(longest / MS));
    bus_free(f.bus);
    f.bus = NULL;
    stop_device(&device);
}

static void begin(void)
{
    (void)signal(SIGPIPE, SIG_IGN);
    files_before = open_files();
    fixture_init(&f);
}

static void end(void)
{
    fixture_free(&f);
    ck_assert_int_eq(open_files(), files_before);
}

static uint64_t faults_wanted(void)
{
    return getenv("SOAKBENCH_LONG") != NULL ? 3400 : 60;
}

static struct fault_plan plan_of(uint32_t seed)
{
    /* Modbus TCP and text carry no checksum: flips where they can be known (the header; the top bit of a letter). */
    return (struct fault_plan){.seed = seed,
                               .share_pct = 25,
                               .weight = {4, 4, 4, 4, 4, 4, 4, 4, 1},
                               .delay_ns = DELAY_NS,
                               .flip_bytes = framing == TCP ? 6 : 0,
                               .flip_bits = framing == TEXT ? 0x80 : 0,
                               .log = &fault_log};
}

START_TEST(answers_go_wrong)
{
    struct fault_plan plan = plan_of(20260105);
    storm(&plan, faults_wanted());
    for (int i = 0; i < FAULT_KINDS && faults_wanted() > 1000; i++)
        ck_assert_uint_gt(atomic_load(&fault_log.done[i]), 0);
}
END_TEST

START_TEST(questions_go_wrong_too)
{
    struct fault_plan plan = plan_of(147);
    plan.to_device = true;
    plan.flip_bytes = 0;
    plan.weight[FAULT_FLIP] = framing == RTU ? 4 : 0;
    storm(&plan, faults_wanted() / 4);
}
END_TEST

/* The same seed does the same to the same bytes: what a fault did can be looked at again. */
START_TEST(a_seed_repeats)
{
    uint8_t seen[2][4096];
    size_t size[2] = {0, 0};
    for (int round = 0; round < 2; round++) {
        struct error err;
        int pair[2];
        ck_assert_int_eq(socketpair(AF_UNIX, SOCK_STREAM, 0, pair), 0);
        struct fault_plan plan = {.seed = 7, .share_pct = 60, .weight = {1, 0, 1, 1, 1, 1, 1, 0, 0}};
        struct transport *t = fault_layer_over(transport_over_fd(pair[0]), &plan);
        ck_assert_int_eq(transport_open(t, SEC, &err), 0);
        for (int i = 0; i < 60; i++) {
            char text[16], got[64];
            int n = snprintf(text, sizeof text, "line %d\n", i);
            ck_assert_int_eq(write(pair[1], text, (size_t)n), n);
            int64_t have = transport_read(t, got, sizeof got, transport_now_ns() + 40 * MS);
            for (; have > 0; have = transport_read(t, got, sizeof got, transport_now_ns() + 4 * MS)) {
                memcpy(seen[round] + size[round], got, (size_t)have);
                size[round] += (size_t)have;
            }
        }
        transport_free(t);
        (void)close(pair[1]);
    }
    ck_assert_uint_eq(size[0], size[1]);
    ck_assert_mem_eq(seen[0], seen[1], size[0]);
}
END_TEST

int main(int argc, char **argv)
{
    framing = argc > 1 && strcmp(argv[1], "rtu") == 0 ? RTU : argc > 1 && strcmp(argv[1], "text") == 0 ? TEXT : TCP;
    Suite *suite = suite_create("fault storm");
    TCase *tc = tcase_create("storm");
    tcase_set_timeout(tc, 1800);
    tcase_add_checked_fixture(tc, begin, end);
    tcase_add_test(tc, answers_go_wrong);
    tcase_add_test(tc, questions_go_wrong_too);
    if (framing == TCP)
        tcase_add_test(tc, a_seed_repeats);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
