/* Recorded sessions: a recording of a Modbus server that others wrote stands in for it, and what passes is recorded.
 * As a program: `drivers_session record PORT FILE` makes such a recording of the server behind a serial line. */
#define _XOPEN_SOURCE 700
#include <check.h>
#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "fixture.h"
#include "session_record.h"
#include "session_replay.h"
#include "suite_run.h"

static const char recording[] = SOURCE_DIR "/tests/unit/drivers/pymodbus-rtu.session";

static struct fixture f;
static char dir[64], path[100];

static void add_value(int reg, enum value_type type, enum word_order order)
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

/* What modbus_peer.py holds, of server 1 on a serial line. */
static void make_meter(void)
{
    f.setup.device_count = f.fake_count = f.setup.signal_count = 0;
    memset(f.maps, 0, sizeof f.maps);
    (void)fixture_add_meter(&f, 100 * MS);
    f.setup.signal_count = f.maps[0].point_count = 0;
    add_value(0, TYPE_F32, ORDER_ABCD);
    add_value(2, TYPE_F32, ORDER_CDAB);
    add_value(4, TYPE_F32, ORDER_BADC);
    add_value(6, TYPE_F32, ORDER_DCBA);
    add_value(8, TYPE_I32, ORDER_ABCD);
    add_value(60, TYPE_U16, ORDER_ABCD);
    f.config.kind = BUS_MODBUS_RTU;
    f.config.baud = 19200;
    f.config.parity = PARITY_EVEN;
    f.config.data_bits = 8;
    f.config.stop_bits = 1;
    f.config.timeout_ns = 500 * MS;
    fixture_real_time(&f);
}

static void begin(void)
{
    (void)signal(SIGPIPE, SIG_IGN);
    fixture_init(&f);
    make_meter();
    strcpy(dir, "/tmp/drivers-session-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(dir));
    (void)text_format(path, sizeof path, "%s/a.session", dir);
}

static void end(void)
{
    char second[120];
    fixture_free(&f);
    (void)text_format(second, sizeof second, "%s.2", path);
    (void)unlink(second);
    (void)unlink(path);
    ck_assert_int_eq(rmdir(dir), 0);
}

static struct transport *replay_of(const char *file, double pace)
{
    struct error err = {""};
    struct transport *t = session_replay_new(&(struct session_replay_setup){.path = file, .pace = pace}, &err);
    ck_assert_msg(t != NULL, "%s", err.text);
    return t;
}

static void check_values(void)
{
    for (int i = 0; i < 4; i++)
        ck_assert_double_eq_tol(last_reading(&f, i, NULL)->value, 24.2, 1e-6); /* 41C1999A, IEEE 754 */
    ck_assert_double_eq(last_reading(&f, 4, NULL)->value, -123456);
    static struct bus_stats s;
    bus_stats(f.bus, &s);
    ck_assert_uint_gt(s.transactions, 4);
    ck_assert_uint_eq(s.transactions, s.errors[BUS_OK]);
}

START_TEST(a_recording_stands_in_for_its_device)
{
    f.setup.transport = replay_of(recording, _i);
    fixture_start(&f, -1);
    (void)fixture_run_real(&f, 700 * MS);
    check_values();
}
END_TEST

/* Takes the next line of the kind out of a recording: what was said, without the time. */
static bool next_said(FILE *file, char kind, char hex[600])
{
    char line[700];
    while (fgets(line, sizeof line, file) != NULL) {
        if (line[0] == kind && sscanf(line + 1, "%*s %599s", hex) == 1)
            return true;
    }
    return false;
}

/* A recording of the recording says the same, in the same order. */
START_TEST(what_passes_is_recorded)
{
    strcpy(f.config.record, path);
    f.setup.transport = replay_of(recording, 0);
    fixture_start(&f, -1);
    (void)fixture_run_real(&f, 500 * MS);
    check_values();
    bus_free(f.bus);
    f.bus = NULL;
    FILE *was = fopen(recording, "r"), *is = fopen(path, "r");
    ck_assert(was != NULL && is != NULL);
    char head[200], a[600], b[600];
    ck_assert_ptr_nonnull(fgets(head, sizeof head, is));
    ck_assert_str_eq(head, "# soakbench session 1\n");
    ck_assert_ptr_nonnull(fgets(head, sizeof head, is));
    ck_assert_ptr_nonnull(strstr(head, "bus rack, modbus-rtu, begun 2"));
    int same = 0;
    while (next_said(is, same % 2 == 0 ? '>' : '<', a) && next_said(was, same % 2 == 0 ? '>' : '<', b)) {
        ck_assert_str_eq(a, b);
        same++;
    }
    ck_assert_int_ge(same, 8);
    fclose(was);
    fclose(is);
}
END_TEST

START_TEST(a_recording_is_never_written_over)
{
    char second[120], text[64] = "";
    FILE *file = fopen(path, "w");
    ck_assert(file != NULL && fputs("mine", file) >= 0 && fclose(file) == 0);
    strcpy(f.config.record, path);
    f.setup.transport = replay_of(recording, 0);
    fixture_start(&f, -1);
    (void)text_format(second, sizeof second, "%s.2", path);
    ck_assert_int_eq(access(second, R_OK), 0);
    file = fopen(path, "r");
    ck_assert(file != NULL && fgets(text, sizeof text, file) != NULL && fclose(file) == 0);
    ck_assert_str_eq(text, "mine");
}
END_TEST

START_TEST(a_question_that_is_not_in_it_stays_without_an_answer)
{
    f.maps[0].points[5].register_ = 70;
    f.config.timeout_ns = 60 * MS;
    f.setup.transport = replay_of(recording, 0);
    fixture_start(&f, -1);
    (void)fixture_run_real(&f, 600 * MS);
    static struct bus_stats s;
    bus_stats(f.bus, &s);
    ck_assert_uint_gt(s.errors[BUS_TIMEOUT], 0);
    ck_assert_uint_gt(s.errors[BUS_OK], 0);
    ck_assert_double_eq(last_reading(&f, 4, NULL)->value, -123456);
}
END_TEST

/* Modbus TCP numbers its transactions; the recording answers by the number of the question. */
START_TEST(numbers_are_put_in)
{
    FILE *file = fopen(path, "w");
    ck_assert_ptr_nonnull(file);
    ck_assert_int_ge(fputs("# soakbench session 1\n+ 0.0\n> 0.1 00070000000601040000000a\n"
                           "< 0.2 000700000017010414" /* 20 bytes */
                           "41c1999a999a41c1c1419a999a99c141fffe1dc0\n> 0.3 0008000000060104003c0001\n"
                           "< 0.4 000800000005010402002a\n",
                           file),
                     0);
    ck_assert_int_eq(fclose(file), 0);
    struct error err = {""};
    f.config.kind = BUS_MODBUS_TCP;
    f.setup.transport = session_replay_new(&(struct session_replay_setup){.path = path, .numbered = true}, &err);
    fixture_start(&f, -1);
    (void)fixture_run_real(&f, 500 * MS);
    check_values();
    ck_assert_double_eq(last_reading(&f, 5, NULL)->value, 42);
}
END_TEST

START_TEST(files_that_are_no_recording)
{
    static const char *const texts[] = {"",
                                        "hello\n",
                                        "# soakbench session 1\n> x 00\n",
                                        "# soakbench session 1\n> 0.1 0g\n",
                                        "# soakbench session 1\n> 0.1 012\n",
                                        "# soakbench session 1\n? 0.1 01\n",
                                        "# soakbench session 1\n> -1 01\n",
                                        "# soakbench session 1\n> 0.1\n"};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        struct error err = {""};
        FILE *file = fopen(path, "w");
        ck_assert(file != NULL && fputs(texts[i], file) >= 0 && fclose(file) == 0);
        ck_assert_ptr_null(session_replay_new(&(struct session_replay_setup){.path = path}, &err));
        ck_assert_msg(strstr(err.text, "line") != NULL, "%zu: %s", i, err.text);
    }
    struct error err = {""};
    ck_assert_ptr_null(session_replay_new(&(struct session_replay_setup){.path = "/nonexistent"}, &err));
    strcpy(f.config.record, "/nonexistent/x");
    f.setup.transport = replay_of(recording, 0);
    f.setup.peer = NULL;
    ck_assert_ptr_null(bus_new(&f.setup, &err));
    ck_assert_ptr_nonnull(strstr(err.text, "/nonexistent/x"));
}
END_TEST

static const char *port, *file_to_make;

START_TEST(make_a_recording)
{
    strcpy(f.config.name, "line");
    (void)text_copy(f.config.port, sizeof f.config.port, port);
    (void)text_copy(f.config.record, sizeof f.config.record, file_to_make);
    fixture_start(&f, -1);
    (void)fixture_run_real(&f, SEC);
    check_values();
}
END_TEST

static void add_tests(TCase *tc)
{
    tcase_add_loop_test(tc, a_recording_stands_in_for_its_device, 0, 2);
    tcase_add_test(tc, what_passes_is_recorded);
    tcase_add_test(tc, a_recording_is_never_written_over);
    tcase_add_test(tc, a_question_that_is_not_in_it_stays_without_an_answer);
    tcase_add_test(tc, numbers_are_put_in);
    tcase_add_test(tc, files_that_are_no_recording);
}

int main(int argc, char **argv)
{
    Suite *suite = suite_create("session");
    TCase *tc = tcase_create("session");
    tcase_set_timeout(tc, 30);
    tcase_add_checked_fixture(tc, begin, end);
    if (argc == 4 && strcmp(argv[1], "record") == 0) {
        port = argv[2];
        file_to_make = argv[3];
        tcase_add_test(tc, make_a_recording);
    } else {
        add_tests(tc);
    }
    suite_add_tcase(suite, tc);
    return suite_run(suite);
}
