/* Real serial ports by the library that drives them, on pseudo terminals under the names of USB adapters (tty_room.h):
 * opened, locked, set and read back; Modbus RTU and text over them; an adapter that vanishes and comes back with
 * another number. Skipped aloud without the right to a mount namespace. */
#define _GNU_SOURCE
#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

#include "fixture.h"
#include "pdu.h"
#include "suite_run.h"
#include "transport.h"
#include "tty_room.h"

static const char by_id[] = "usb-Harrow_Quay_Adapter_0147-if00-port0";
static const char by_id_path[] = "/dev/serial/by-id/usb-Harrow_Quay_Adapter_0147-if00-port0";

static struct bus_config line_config(int baud, enum parity parity)
{
    struct bus_config c = {.name = "line1", .kind = BUS_MODBUS_RTU, .baud = baud, .parity = parity};
    c.data_bits = 8;
    c.stop_bits = 1;
    (void)text_copy(c.port, sizeof c.port, by_id_path);
    return c;
}

static struct transport *line_new(const struct bus_config *c)
{
    struct error err = {""};
    struct transport *t = transport_new(c, &err);
    ck_assert_msg(t != NULL, "%s", err.text);
    return t;
}

static void open_or_fail(struct transport *t)
{
    struct error err = {""};
    ck_assert_msg(transport_open(t, SEC, &err) == 0, "%s", err.text);
}

static void refused_with(struct transport *t, const char *words)
{
    struct error err = {""};
    ck_assert_int_eq(transport_open(t, SEC, &err), -1);
    ck_assert_msg(strstr(err.text, words) != NULL, "\"%s\" has no \"%s\"", err.text, words);
    ck_assert_msg(strstr(err.text, "/dev/ttyUSB0") != NULL, "%s", err.text);
}

/* The kernel's own structure, which the C library hides (asm-generic/termbits.h). */
struct termios2 {
    tcflag_t iflag, oflag, cflag, lflag;
    cc_t line, cc[19];
    speed_t in_baud, out_baud;
};

/* What the kernel itself says of the terminal, past everything that could keep settings. */
static void kernel_says(int far_fd, unsigned baud)
{
    struct termios2 tio;
    ck_assert_int_eq((int)syscall(SYS_ioctl, far_fd, TCGETS2, &tio), 0);
    ck_assert_uint_eq(tio.in_baud, baud);
    ck_assert_uint_eq(tio.out_baud, baud);
    ck_assert_uint_eq(tio.lflag & (ICANON | ECHO | ISIG), 0);
    ck_assert_uint_eq(tio.iflag & (ICRNL | INLCR | IXON | ISTRIP), 0);
    ck_assert_uint_eq(tio.oflag & OPOST, 0);
}

static const struct {
    int baud;
    enum parity parity;
    tcflag_t parity_flags;
    int data_bits, stop_bits;
} settings[] = {
    {1200, PARITY_EVEN, PARENB, 7, 1},          {9600, PARITY_NONE, 0, 8, 2},   {19200, PARITY_EVEN, PARENB, 8, 1},
    {38400, PARITY_ODD, PARENB | PARODD, 8, 1}, {115200, PARITY_NONE, 0, 8, 1}, {921600, PARITY_NONE, 0, 8, 1},
};

START_TEST(a_port_is_opened_set_and_read_back)
{
    int far_fd = tty_room_plug("ttyUSB0", by_id), before = tty_shim_modem_calls();
    struct bus_config c = line_config(settings[_i].baud, settings[_i].parity);
    c.kind = settings[_i].data_bits == 7 ? BUS_TEXT_SERIAL : BUS_MODBUS_RTU;
    c.data_bits = settings[_i].data_bits;
    c.stop_bits = settings[_i].stop_bits;
    struct transport *t = line_new(&c);
    open_or_fail(t);
    ck_assert_int_gt(tty_shim_modem_calls(), before); /* by the serial library: nobody else asks for those lines */
    kernel_says(far_fd, (unsigned)settings[_i].baud);
    struct termios tio;
    ck_assert_int_eq(tcgetattr(transport_fd(t), &tio), 0);
    ck_assert_uint_eq(tio.c_cflag & (PARENB | PARODD), settings[_i].parity_flags);
    ck_assert_uint_eq(tio.c_cflag & CSIZE, settings[_i].data_bits == 7 ? CS7 : CS8);
    ck_assert_uint_eq(tio.c_cflag & CSTOPB, settings[_i].stop_bits == 2 ? CSTOPB : 0);
    ck_assert_uint_eq(tio.c_cflag & CRTSCTS, 0);
    transport_free(t);
    tty_room_pull("ttyUSB0", by_id, far_fd);
}
END_TEST

START_TEST(a_driver_that_drops_parity_is_found_out)
{
    int far_fd = tty_room_plug("ttyUSB0", by_id);
    struct bus_config even = line_config(19200, PARITY_EVEN), none = line_config(19200, PARITY_NONE);
    struct transport *t = line_new(&even), *without = line_new(&none);
    ck_assert_int_eq(setenv("SOAKBENCH_TTY", "drops", 1), 0);
    refused_with(t, "does not take the parity");
    open_or_fail(without);
    transport_free(without);
    transport_free(t);
    tty_room_pull("ttyUSB0", by_id, far_fd);
}
END_TEST

START_TEST(a_driver_without_rs485_says_so)
{
    int far_fd = tty_room_plug("ttyUSB0", by_id);
    struct bus_config c = line_config(19200, PARITY_EVEN);
    c.rs485 = true;
    struct transport *t = line_new(&c);
    refused_with(t, "cannot switch RS-485 direction");
    transport_free(t);
    tty_room_pull("ttyUSB0", by_id, far_fd);
}
END_TEST

/* How another program holds the port. */
enum hold { LOCKED, JUST_OPEN, HOLDS };

static pid_t hold_port(enum hold how)
{
    int ready[2];
    char byte = 0;
    ck_assert_int_eq(pipe(ready), 0);
    pid_t pid = fork();
    ck_assert_int_ge(pid, 0);
    if (pid == 0) {
        int fd = open("/dev/ttyUSB0", O_RDWR | O_NOCTTY);
        if (fd < 0 || (how == LOCKED && flock(fd, LOCK_EX | LOCK_NB) != 0) || write(ready[1], "r", 1) != 1)
            _exit(1);
        for (;;)
            (void)pause();
    }
    (void)close(ready[1]);
    ck_assert_int_eq(read(ready[0], &byte, 1), 1);
    (void)close(ready[0]);
    return pid;
}

START_TEST(a_port_that_another_program_has_is_refused_with_its_name)
{
    int far_fd = tty_room_plug("ttyUSB0", by_id), status = 0;
    char words[40];
    struct bus_config c = line_config(19200, PARITY_EVEN);
    struct transport *t = line_new(&c);
    pid_t pid = hold_port((enum hold)_i);
    (void)text_format(words, sizeof words, "process %ld (drivers_tty)", (long)pid);
    refused_with(t, words);
    ck_assert_int_eq(kill(pid, SIGKILL), 0);
    ck_assert(waitpid(pid, &status, 0) == pid);
    open_or_fail(t); /* and is had as soon as it is let go */
    transport_free(t);
    tty_room_pull("ttyUSB0", by_id, far_fd);
}
END_TEST

START_TEST(nobody_else_opens_a_port_that_is_ours)
{
    int far_fd = tty_room_plug("ttyUSB0", by_id), status = 0;
    struct bus_config c = line_config(19200, PARITY_EVEN);
    struct transport *t = line_new(&c), *second = line_new(&c);
    open_or_fail(t);
    refused_with(second, "this same process");
    transport_free(second);
    pid_t pid = fork();
    ck_assert_int_ge(pid, 0);
    if (pid == 0) {
        /* Root passes exclusive mode; whoever is not root does not. In a user namespace there is nobody else to be. */
        if (setuid(65534) != 0)
            _exit(open("/dev/ttyUSB0", O_RDWR | O_NOCTTY) >= 0 ? 1 : errno);
        _exit(open("/dev/ttyUSB0", O_RDWR | O_NOCTTY) >= 0 ? 1 : errno);
    }
    ck_assert(waitpid(pid, &status, 0) == pid);
    ck_assert_int_eq(WEXITSTATUS(status), EBUSY);
    transport_free(t);
    tty_room_pull("ttyUSB0", by_id, far_fd);
}
END_TEST

/* --- devices at the far end -------------------------------------------------------------------------------------- */

struct far_side {
    int fd;
    bool text;
    struct fake_device *fake;
    _Atomic bool stop;
    pthread_t thread;
};

/* As much as there is within 20 ms; -1 when the line is gone. */
static int hear(struct far_side *p, uint8_t *to, size_t cap)
{
    struct pollfd q = {.fd = p->fd, .events = POLLIN};
    if (poll(&q, 1, 20) <= 0 || (q.revents & POLLIN) == 0)
        return 0;
    ssize_t n = read(p->fd, to, cap);
    return n > 0 ? (int)n : 0;
}

static void say(struct far_side *p, const void *bytes, size_t size)
{
    if (write(p->fd, bytes, size) != (ssize_t)size)
        atomic_store(&p->stop, true);
}

/* Reads of registers only: address, function, first, count, checksum. */
static size_t answer_rtu(struct far_side *p, const uint8_t *frame, size_t size)
{
    uint8_t out[260];
    if (size < 8)
        return 0;
    ck_assert_uint_eq(rtu_crc(frame, 8), 0);
    out[0] = frame[0];
    size_t n = (size_t)fake_answer(p->fake, frame + 1, 5, out + 1) + 1;
    uint16_t crc = rtu_crc(out, n);
    out[n++] = (uint8_t)crc;
    out[n++] = (uint8_t)(crc >> 8);
    say(p, out, n);
    return 8;
}

static size_t answer_text(struct far_side *p, const uint8_t *line, size_t size)
{
    char out[40];
    if (memchr(line, '\n', size) == NULL)
        return 0;
    ck_assert_int_eq(memcmp(line, "T?\r\n", 4), 0);
    (void)text_format(out, sizeof out, "T=%d.5 degC\r\n", p->fake->registers[0]);
    say(p, out, strlen(out));
    return size;
}

static void *live(void *ctx)
{
    struct far_side *p = ctx;
    uint8_t in[256];
    size_t have = 0;
    while (!atomic_load(&p->stop)) {
        have += (size_t)hear(p, in + have, sizeof in - have);
        size_t used = have == 0 ? 0 : p->text ? answer_text(p, in, have) : answer_rtu(p, in, have);
        memmove(in, in + used, have - used);
        have -= used;
    }
    return NULL;
}

static void start_far(struct far_side *p, int fd, struct fake_device *fake, bool text)
{
    memset(p, 0, sizeof *p);
    p->fd = fd;
    p->fake = fake;
    p->text = text;
    ck_assert_int_eq(pthread_create(&p->thread, NULL, live, p), 0);
}

static void stop_far(struct far_side *p)
{
    atomic_store(&p->stop, true);
    (void)pthread_join(p->thread, NULL);
}

/* One meter on the line, asked each 50 ms: x as a register, or as a line of text. */
static struct fake_device *start_bus(struct fixture *f, bool text)
{
    fixture_init(f);
    f->setup.device_count = f->fake_count = 0;
    f->setup.signal_count = 0;
    memset(f->maps, 0, sizeof f->maps);
    struct fake_device *fake = fixture_add_meter(f, 50 * MS);
    f->config = line_config(19200, PARITY_EVEN);
    f->config.timeout_ns = 200 * MS;
    if (text) {
        f->config.kind = BUS_TEXT_SERIAL;
        f->maps[0].protocol = MAP_TEXT;
        f->maps[0].point_count = f->setup.signal_count = 1;
        strcpy(f->maps[0].line_end, "\r\n");
        strcpy(f->maps[0].points[0].query, "T?");
        strcpy(f->maps[0].points[0].reply, "T={number} degC");
    }
    fixture_real_time(f);
    fixture_start(f, -1);
    return fake;
}

/* Runs the bus until signal 0 has this quality and value (any, when NAN). */
static void run_until_reads(struct fixture *f, enum quality quality, double value)
{
    int64_t end_ns = transport_now_ns() + 20 * SEC;
    const struct reading *r = NULL;
    do {
        (void)fixture_run_real(f, 20 * MS);
        r = last_reading(f, 0, NULL);
        if (r != NULL && r->quality == quality && (quality != QUALITY_GOOD || r->value == value))
            return;
    } while (transport_now_ns() < end_ns);
    ck_abort_msg("never quality %d, value %g: %s", (int)quality, value,
                 last_link(f, 0) != NULL ? last_link(f, 0)->text : "no link was told");
}

/* Over the line it is read; pulled out it is lost; and with another number it is found again by its name. */
START_TEST(an_adapter_that_vanishes_is_found_again)
{
    static struct fixture f;
    static struct far_side far;
    bool text = _i == 1;
    double half = text ? 0.5 : 0;
    struct fake_device *fake = start_bus(&f, text);
    fake->registers[0] = 111;
    int far_fd = tty_room_plug("ttyUSB0", by_id);
    start_far(&far, far_fd, fake, text);
    run_until_reads(&f, QUALITY_GOOD, 111 + half);
    stop_far(&far);
    tty_room_pull("ttyUSB0", by_id, far_fd);
    run_until_reads(&f, QUALITY_LINK_LOST, 0);
    ck_assert(!last_link(&f, 0)->up);
    ck_assert_msg(strstr(last_link(&f, 0)->text, by_id) != NULL || last_link(&f, 0)->text[0] != '\0', "%s",
                  last_link(&f, 0)->text);
    fake->registers[0] = 222;
    far_fd = tty_room_plug("ttyUSB1", by_id);
    start_far(&far, far_fd, fake, text);
    run_until_reads(&f, QUALITY_GOOD, 222 + half);
    ck_assert(last_link(&f, 0)->up);
    stop_far(&far);
    fixture_free(&f);
    tty_room_pull("ttyUSB1", by_id, far_fd);
}
END_TEST

static void full_port(void)
{
    ck_assert_int_eq(setenv("SOAKBENCH_TTY", "keeps", 1), 0);
}

int main(void)
{
    char why[200] = "";
    if (tty_room_enter(why, sizeof why) != 0) {
        (void)fprintf(stderr, "skipped: %s\n", why);
        return 77;
    }
    Suite *suite = suite_create("tty");
    TCase *tc = tcase_create("tty");
    tcase_set_timeout(tc, 60);
    tcase_add_checked_fixture(tc, full_port, NULL);
    tcase_add_loop_test(tc, a_port_is_opened_set_and_read_back, 0, (int)(sizeof settings / sizeof settings[0]));
    tcase_add_test(tc, a_driver_that_drops_parity_is_found_out);
    tcase_add_test(tc, a_driver_without_rs485_says_so);
    tcase_add_loop_test(tc, a_port_that_another_program_has_is_refused_with_its_name, 0, HOLDS);
    tcase_add_test(tc, nobody_else_opens_a_port_that_is_ours);
    tcase_add_loop_test(tc, an_adapter_that_vanishes_is_found_again, 0, 2);
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
