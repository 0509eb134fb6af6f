/* Buses over descriptors, against a peer thread that misbehaves in every way a real one does. The peer frames by its
 * own hand, so the library's framing is checked from the other side. */
#define _XOPEN_SOURCE 700
#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/socket.h>
#include <unistd.h>

#include "fixture.h"
#include "pdu.h"
#include "suite_run.h"
#include "transport.h"

enum mood {
    WELL,
    SILENT,
    GARBAGE,      /* noise instead of an answer */
    NOISE_BEFORE, /* one stray byte ahead of a good answer */
    TRICKLE,      /* a byte each 30 ms */
    LATE,         /* 50 ms after the timeout */
    WRONG_SERVER,
    WRONG_NUMBER, /* another transaction number; RTU: wrong checksum */
    TRUNCATED,
    HANG_UP,
    MOODS
};

struct far_side {
    int fd;
    bool rtu;
    _Atomic int mood;
    _Atomic bool stop;
    _Atomic int requests;
    struct fake_device *fake;
    pthread_t thread;
};

static struct fixture f;
static struct far_side far;

static bool get(struct far_side *p, uint8_t *to, size_t n)
{
    for (size_t have = 0; have < n && !atomic_load(&p->stop);) {
        struct pollfd q = {.fd = p->fd, .events = POLLIN};
        if (poll(&q, 1, 20) <= 0)
            continue;
        ssize_t got = read(p->fd, to + have, n - have);
        if (got <= 0)
            return false;
        have += (size_t)got;
    }
    return !atomic_load(&p->stop);
}

static void pause_ms(long ms)
{
    struct timespec ts = {.tv_sec = ms / 1000, .tv_nsec = ms % 1000 * 1000000};
    (void)nanosleep(&ts, NULL);
}

static void say(struct far_side *p, const uint8_t *bytes, size_t n)
{
    if (write(p->fd, bytes, n) < 0 && errno != EAGAIN)
        atomic_store(&p->stop, true);
}

/* Reads one frame: returns the size of the PDU behind head bytes of header. */
static int read_frame(struct far_side *p, uint8_t *frame, int *head)
{
    *head = p->rtu ? 1 : 7;
    if (!get(p, frame, p->rtu ? 7 : 7))
        return 0;
    if (!p->rtu) {
        int size = (frame[4] << 8 | frame[5]) - 1;
        return get(p, frame + 7, (size_t)size) ? size : 0;
    }
    int more = frame[1] == 15 || frame[1] == 16 ? frame[6] + 2 : 1;
    if (!get(p, frame + 7, (size_t)more))
        return 0;
    return more == 1 ? 5 : 6 + frame[6];
}

static void answer(struct far_side *p, const uint8_t *frame, int head, int size, int mood)
{
    uint8_t out[300];
    int n = fake_answer(p->fake, frame + head, (size_t)size, out + head);
    memcpy(out, frame, (size_t)head);
    if (mood == WRONG_SERVER)
        out[head - 1]++;
    if (p->rtu) {
        uint16_t crc = rtu_crc(out, (size_t)(n + 1));
        out[n + 1] = (uint8_t)crc;
        out[n + 2] = (uint8_t)(crc >> 8);
        out[n + 2] ^= mood == WRONG_NUMBER;
        n += 3;
    } else {
        out[4] = 0;
        out[5] = (uint8_t)(n + 1);
        out[1] ^= mood == WRONG_NUMBER;
        n += 7;
    }
    if (mood == LATE)
        pause_ms(150);
    if (mood == NOISE_BEFORE)
        say(p, (const uint8_t[]){0xAA}, 1);
    if (mood == TRUNCATED)
        n -= 3;
    for (int i = 0; mood == TRICKLE && i < n && !atomic_load(&p->stop); i++) {
        say(p, out + i, 1);
        pause_ms(30);
    }
    if (mood != TRICKLE)
        say(p, out, (size_t)n);
}

static void *live(void *ctx)
{
    struct far_side *p = ctx;
    uint8_t frame[300];
    int head, size;
    while ((size = read_frame(p, frame, &head)) > 0) {
        int mood = atomic_load(&p->mood);
        atomic_fetch_add(&p->requests, 1);
        if (mood == HANG_UP) {
            (void)shutdown(p->fd, SHUT_RDWR);
            break;
        }
        if (mood == GARBAGE)
            say(p, (const uint8_t *)"\x55\xAA\x01\x02\x03\x04\x05\x06\x07\x08\x09\x0A\x0B", 13);
        else if (mood != SILENT)
            answer(p, frame, head, size, mood);
    }
    return NULL;
}

/* One meter with x = 111 at register 0 and y = 222 at register 50: two requests alike but for their address. */
static void start_meter(bool rtu)
{
    int pair[2];
    ck_assert_int_eq(socketpair(AF_UNIX, SOCK_STREAM, 0, pair), 0);
    f.setup.device_count = f.fake_count = 0;
    f.setup.signal_count = 0;
    memset(f.maps, 0, sizeof f.maps);
    struct fake_device *fake = fixture_add_meter(&f, 50 * MS);
    f.maps[0].points[1].register_ = 50;
    fake->registers[0] = 111;
    fake->registers[50] = 222;
    f.config.kind = rtu ? BUS_MODBUS_RTU : BUS_MODBUS_TCP;
    f.config.baud = 19200;
    if (f.config.timeout_ns < SEC)
        f.config.timeout_ns = 100 * MS;
    memset(&far, 0, sizeof far);
    far.fd = pair[1];
    far.rtu = rtu;
    far.fake = fake;
    fixture_real_time(&f);
    fixture_start(&f, pair[0]);
    ck_assert_int_eq(pthread_create(&far.thread, NULL, live, &far), 0);
}

static void stop_far(void)
{
    atomic_store(&far.stop, true);
    (void)pthread_join(far.thread, NULL);
    (void)close(far.fd);
}

static void begin(void)
{
    fixture_init(&f);
    (void)signal(SIGPIPE, SIG_IGN);
}

static void end(void)
{
    fixture_free(&f);
}

/* However it misbehaves: no run of the bus lasts beyond the timeout (100 ms here, room for a busy machine), no value is
 * ever taken for another, and when it behaves again the readings are back. */
START_TEST(no_mood_holds_or_misleads_the_bus)
{
    int mood = _i / 2;
    start_meter(_i % 2 == 1);
    (void)fixture_run_real(&f, 120 * MS);
    ck_assert_double_eq(last_reading(&f, 0, NULL)->value, 111);
    atomic_store(&far.mood, mood);
    int64_t longest = fixture_run_real(&f, 350 * MS);
    ck_assert_msg(longest < 350 * MS, "mood %d: %lld ms", mood, (long long)(longest / MS));
    atomic_store(&far.mood, WELL);
    longest = fixture_run_real(&f, 750 * MS);
    ck_assert_int_lt(longest, 350 * MS);
    for (int i = 0; i < f.input_count; i++) {
        const struct input_readings *r = &f.inputs[i].u.readings;
        for (int k = 0; f.inputs[i].kind == INPUT_READINGS && k < r->count; k++) {
            double want = r->items[k].signal == 0 ? 111 : 222;
            ck_assert_msg(isnan(r->items[k].value) || r->items[k].value == want, "signal %d is %g", r->items[k].signal,
                          r->items[k].value);
        }
    }
    enum quality expected = mood == HANG_UP ? QUALITY_LINK_LOST : QUALITY_GOOD;
    ck_assert_int_eq(last_reading(&f, 0, NULL)->quality, expected);
    ck_assert_int_eq(last_reading(&f, 1, NULL)->quality, expected);
    static struct bus_stats s;
    bus_stats(f.bus, &s);
    /* Over TCP the transaction number tells whose answer it is; the server address is not looked at. */
    bool faulty = mood != WELL && (mood != WRONG_SERVER || _i % 2 == 1);
    ck_assert_int_eq(s.transactions != s.errors[BUS_OK], faulty);
    stop_far();
}
END_TEST

/* Late answers on a line without transaction numbers, again and again in turn with good ones. */
START_TEST(late_answers_never_answer_the_next_question)
{
    start_meter(true);
    for (int n = 0; n < 8; n++) {
        atomic_store(&far.mood, n % 2 == 0 ? LATE : WELL);
        (void)fixture_run_real(&f, 250 * MS);
    }
    int good = 0;
    for (int i = 0; i < f.input_count; i++) {
        const struct input_readings *r = &f.inputs[i].u.readings;
        for (int k = 0; f.inputs[i].kind == INPUT_READINGS && k < r->count; k++) {
            if (r->items[k].quality != QUALITY_GOOD)
                continue;
            good++;
            ck_assert_double_eq(r->items[k].value, r->items[k].signal == 0 ? 111 : 222);
        }
    }
    ck_assert_int_gt(good, 0);
    static struct bus_stats s;
    bus_stats(f.bus, &s);
    ck_assert_uint_gt(s.errors[BUS_TIMEOUT], 0);
    stop_far();
}
END_TEST

static void *run_once(void *ctx)
{
    (void)ctx;
    for (int i = 0; i < 4; i++)
        bus_run(f.bus);
    return NULL;
}

/* A supervisor may shut the descriptor of an overdue transaction down. */
START_TEST(overdue_is_shut_down)
{
    f.config.timeout_ns = 20 * SEC;
    start_meter(false);
    atomic_store(&far.mood, SILENT);
    pthread_t runner;
    int64_t begun = transport_now_ns();
    ck_assert(!bus_shutdown_overdue(f.bus, 0));
    ck_assert_int_eq(pthread_create(&runner, NULL, run_once, NULL), 0);
    while (!bus_shutdown_overdue(f.bus, -19800 * MS))
        pause_ms(5);
    (void)pthread_join(runner, NULL);
    ck_assert_int_lt(transport_now_ns() - begun, 3 * SEC);
    ck_assert(!last_link(&f, 0)->up);
    stop_far();
}
END_TEST

/* Nobody listens: refused at once, told once, tried again with growing pauses. */
START_TEST(nobody_listens)
{
    strcpy(f.config.address, "127.0.0.1:1"); /* a reserved port: nobody there */
    f.config.kind = BUS_MODBUS_TCP;
    fixture_real_time(&f);
    fixture_start(&f, -1);
    int64_t longest = fixture_run_real(&f, 1500 * MS);
    ck_assert_int_lt(longest, 300 * MS);
    ck_assert(!last_link(&f, 0)->up);
    ck_assert_ptr_nonnull(strstr(last_link(&f, 0)->text, "127.0.0.1:1"));
    static struct bus_stats s;
    bus_stats(f.bus, &s);
    ck_assert_uint_ge(s.connect_failures, 2);
    ck_assert_uint_le(s.connect_failures, 4);
    lease_drop(&f.leases[0]);
    (void)fixture_run_real(&f, SEC);
    bus_stats(f.bus, &s);
    ck_assert_uint_ge(s.connect_failures, 9); /* a drop that waits hurries */
}
END_TEST

START_TEST(addresses_and_rates_that_cannot_be)
{
    struct error err;
    struct bus_config c = {.name = "b", .kind = BUS_MODBUS_TCP, .address = "bank.example.org:502"};
    ck_assert_ptr_null(transport_new(&c, &err));
    ck_assert_ptr_nonnull(strstr(err.text, "not a numeric address"));
    strcpy(c.address, "127.0.0.1");
    ck_assert_ptr_null(transport_new(&c, &err));
    strcpy(c.address, "127.0.0.1:70000");
    ck_assert_ptr_null(transport_new(&c, &err));
    c = (struct bus_config){
        .name = "b", .kind = BUS_MODBUS_RTU, .port = "/dev/null", .baud = 12345, .data_bits = 8, .stop_bits = 1};
    ck_assert_ptr_null(transport_new(&c, &err));
    ck_assert_ptr_nonnull(strstr(err.text, "12345"));
    c.baud = 9600;
    struct transport *t = transport_new(&c, &err);
    ck_assert_ptr_nonnull(t);
    ck_assert_int_eq(transport_open(t, SEC, &err), -1); /* not a terminal line */
    transport_free(t);
}
END_TEST

/* A pseudo terminal as a line: set, locked; a second user is refused and told who holds it; unplugging is a loss, not a
 * timeout. */
START_TEST(a_port_is_ours_alone)
{
    int master = posix_openpt(O_RDWR | O_NOCTTY);
    ck_assert_int_ge(master, 0);
    ck_assert(grantpt(master) == 0 && unlockpt(master) == 0);
    struct error err;
    struct bus_config c = {.name = "b", .kind = BUS_MODBUS_RTU, .baud = 19200, .parity = PARITY_EVEN};
    c.data_bits = 8;
    c.stop_bits = 1;
    strcpy(c.port, ptsname(master));
    struct transport *first = transport_new(&c, &err), *second = transport_new(&c, &err);
    ck_assert_msg(transport_open(first, SEC, &err) == 0, "%s", err.text);
    ck_assert_int_eq(transport_open(second, SEC, &err), -1);
    ck_assert_msg(strstr(err.text, "this same process") != NULL, "%s", err.text);
    transport_close(first);
    ck_assert_msg(transport_open(second, SEC, &err) == 0, "%s", err.text);
    uint8_t byte;
    ck_assert_int_eq(transport_write(second, "ab", 2, transport_now_ns() + SEC), 0);
    ck_assert_int_eq(read(master, &byte, 1), 1);
    ck_assert_int_eq(transport_read(second, &byte, 1, transport_now_ns() + 20 * MS), -1);
    ck_assert_int_eq(errno, ETIMEDOUT);
    close(master);
    ck_assert_int_eq(transport_read(second, &byte, 1, transport_now_ns() + 200 * MS), -1);
    ck_assert(transport_error_is_loss(errno));
    transport_free(first);
    transport_free(second);
}
END_TEST

static int new_line(char name[PATH_CAP])
{
    int master = posix_openpt(O_RDWR | O_NOCTTY);
    ck_assert(master >= 0 && grantpt(master) == 0 && unlockpt(master) == 0);
    (void)text_copy(name, PATH_CAP, ptsname(master));
    return master;
}

/* An adapter vanishes and comes back with another number: the persistent name is looked up at each opening. */
START_TEST(an_adapter_comes_back_under_its_name)
{
    char dir[] = "/tmp/drivers-port-XXXXXX", was[PATH_CAP], is[PATH_CAP];
    struct error err;
    struct bus_config c = {.name = "b", .kind = BUS_MODBUS_RTU, .baud = 19200, .data_bits = 8, .stop_bits = 1};
    ck_assert_ptr_nonnull(mkdtemp(dir));
    (void)text_format(c.port, sizeof c.port, "%s/usb-adapter", dir);
    int first = new_line(was), second = new_line(is);
    ck_assert_int_eq(symlink(was, c.port), 0);
    struct transport *t = transport_new(&c, &err);
    ck_assert_msg(transport_open(t, SEC, &err) == 0, "%s", err.text);
    uint8_t byte = 0;
    close(first);
    ck_assert_int_eq(unlink(c.port), 0);
    ck_assert_int_eq(transport_read(t, &byte, 1, transport_now_ns() + 200 * MS), -1);
    ck_assert(transport_error_is_loss(errno));
    ck_assert_int_eq(transport_open(t, SEC, &err), -1); /* not back yet */
    ck_assert_int_eq(symlink(is, c.port), 0);
    ck_assert_msg(transport_open(t, SEC, &err) == 0, "%s", err.text);
    ck_assert_int_eq(transport_write(t, "a", 1, transport_now_ns() + SEC), 0);
    ck_assert(read(second, &byte, 1) == 1 && byte == 'a');
    transport_free(t);
    close(second);
    (void)unlink(c.port);
    (void)rmdir(dir);
}
END_TEST

static void add_others(TCase *tc)
{
    tcase_add_test(tc, late_answers_never_answer_the_next_question);
    tcase_add_test(tc, overdue_is_shut_down);
    tcase_add_test(tc, nobody_listens);
    tcase_add_test(tc, addresses_and_rates_that_cannot_be);
    tcase_add_test(tc, a_port_is_ours_alone);
    tcase_add_test(tc, an_adapter_comes_back_under_its_name);
}

/* In parts that run beside each other: tcp, rtu, or whatever remains. */
int main(int argc, char **argv)
{
    const char *part = argc > 1 ? argv[1] : "";
    Suite *suite = suite_create("stream");
    TCase *tc = tcase_create("stream");
    tcase_set_timeout(tc, 30);
    tcase_add_checked_fixture(tc, begin, end);
    for (int mood = 0; mood < MOODS && part[0] != '\0'; mood++) {
        int at = 2 * mood + (strcmp(part, "rtu") == 0);
        tcase_add_loop_test(tc, no_mood_holds_or_misleads_the_bus, at, at + 1);
    }
    if (part[0] == '\0')
        add_others(tc);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
