/* The program soakbench-virtual, asked by clients that nobody here wrote: mbpoll and pymodbus. */
#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "suite_run.h"

static const char *const scenario =
    "scenario: served\nseed: 1\nrate: 1\n"
    "circuits: [{name: c1}]\n"
    "units: [{serial: U, set_a: 100, ref_v: 10}, {serial: V, set_a: 100, ref_v: 10}]\n"
    "channels:\n"
    "  - {name: A, unit: U, circuit: c1, alpha: 0, steps: [{ohm: 0.1}], lead: {ohm: 0}}\n"
    "  - {name: B, unit: V, circuit: c1, alpha: 0, steps: [{ohm: 0.1}], lead: {ohm: 0}}\n"
    "buses: [{name: rack}, {name: line, kind: modbus-rtu, link: %s/line}, {name: thermo, kind: text-pty},\n"
    "  {name: dmm, kind: text-tcp}, {name: bad}]\n"
    "devices:\n"
    "  - {name: one, bus: rack, server: 1, channels: [A]}\n"
    "  - {name: two, bus: line, server: 7, channels: [B]}\n"
    "  - {name: printer, bus: thermo, kind: line-printing-thermometer, inputs: [A.t_intake, A.t_case]}\n"
    "  - {name: dmm, bus: dmm, kind: scpi-multimeter, inputs: [A.u2]}\n"
    "  - {name: mute, bus: bad, server: 1, kind: supply-meter, of: c1}\n"
    "events:\n"
    "  - {at_s: 0, do: fault, kind: silence, device: mute}\n";

struct served {
    pid_t pid;
    char dir[64], thermo[64];
    int rack, dmm, bad;
};

/* Waits at most five seconds for a file to be there. */
static FILE *await_file(const char *path)
{
    for (int i = 0; i < 500; i++) {
        FILE *f = fopen(path, "r");
        if (f)
            return f;
        nanosleep(&(struct timespec){.tv_nsec = 10000000}, NULL);
    }
    return NULL;
}

static void start(struct served *s)
{
    char path[128], line[200];
    memset(s, 0, sizeof *s);
    snprintf(s->dir, sizeof s->dir, "/tmp/virtual-bench-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(s->dir));
    snprintf(path, sizeof path, "%s/scenario.yaml", s->dir);
    FILE *f = fopen(path, "w");
    ck_assert_ptr_nonnull(f);
    fprintf(f, scenario, s->dir); /* NOLINT */
    ck_assert_int_eq(fclose(f), 0);
    char ready[128];
    snprintf(ready, sizeof ready, "%s/ready", s->dir);
    s->pid = fork();
    ck_assert_int_ge(s->pid, 0);
    if (s->pid == 0) {
        execl(VB_PROGRAM, VB_PROGRAM, path, "--rate", "20", "--ready-file", ready, (char *)NULL);
        _exit(127);
    }
    f = await_file(ready);
    ck_assert_msg(f != NULL, "%s did not get ready", VB_PROGRAM);
    while (fgets(line, sizeof line, f)) {
        sscanf(line, "rack=%d", &s->rack);
        sscanf(line, "dmm=%d", &s->dmm);
        sscanf(line, "bad=%d", &s->bad);
        sscanf(line, "thermo=%60s", s->thermo);
    }
    fclose(f);
    ck_assert(s->rack > 0 && s->dmm > 0 && s->bad > 0 && s->thermo[0]);
}

static void stop(struct served *s)
{
    int status;
    char path[128];
    ck_assert_int_eq(kill(s->pid, SIGTERM), 0);
    ck_assert_int_eq(waitpid(s->pid, &status, 0), s->pid);
    ck_assert(WIFEXITED(status) && WEXITSTATUS(status) == 0);
    snprintf(path, sizeof path, "%s/line", s->dir);
    ck_assert_int_ne(access(path, F_OK), 0); /* it took its link away */
    static const char *const names[] = {"scenario.yaml", "ready"};
    for (int i = 0; i < 2; i++) {
        snprintf(path, sizeof path, "%s/%s", s->dir, names[i]);
        unlink(path);
    }
    rmdir(s->dir);
}

/* Runs a command, returns its exit status, and keeps the end of what it said. */
static int run(const char *command, char *said, size_t cap)
{
    FILE *p = popen(command, "r");
    ck_assert_ptr_nonnull(p);
    size_t n = fread(said, 1, cap - 1, p);
    said[n] = '\0';
    int status = pclose(p);
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

START_TEST(mbpoll_reads_and_writes)
{
    struct served s;
    char command[300], said[4000];
    start(&s);
    snprintf(command, sizeof command, "mbpoll -m tcp -p %d -a 1 -0 -1 -t 3 -r 0 -c 3 127.0.0.1 2>&1", s.rack);
    ck_assert_msg(run(command, said, sizeof said) == 0, "%s", said);
    ck_assert_msg(strstr(said, "[0]: \t21334") && strstr(said, "[2]: \t1"), "%s", said);
    snprintf(command, sizeof command, "mbpoll -m tcp -p %d -a 1 -0 -1 -t 4 -r 1 127.0.0.1 -- 9 2>&1", s.rack);
    ck_assert_msg(run(command, said, sizeof said) == 0, "%s", said);
    snprintf(command, sizeof command, "mbpoll -m tcp -p %d -a 1 -0 -1 -t 4 -r 1 127.0.0.1 2>&1", s.rack);
    ck_assert_msg(run(command, said, sizeof said) == 0 && strstr(said, "[1]: \t9"), "%s", said);
    snprintf(command, sizeof command, "mbpoll -m tcp -p %d -a 1 -0 -1 -t 4 -r 300 127.0.0.1 2>&1", s.rack);
    run(command, said, sizeof said);
    ck_assert_msg(strstr(said, "Illegal data address"), "%s", said);
    snprintf(command, sizeof command, "mbpoll -m tcp -p %d -o 0.3 -a 1 -0 -1 -t 3 -r 0 127.0.0.1 2>&1", s.bad);
    run(command, said, sizeof said);
    ck_assert_msg(strstr(said, "timed out"), "%s", said); /* the silent device */
    stop(&s);
}
END_TEST

/* The same over a serial line: RTU framing and checksum by others. */
START_TEST(mbpoll_over_a_serial_line)
{
    struct served s;
    char command[300], said[4000];
    const char *line = "mbpoll -m rtu -b 19200 -P even -o 2 -a 7 -0 -1";
    start(&s);
    snprintf(command, sizeof command, "%s -t 3 -r 0 -c 3 %s/line 2>&1", line, s.dir);
    ck_assert_msg(run(command, said, sizeof said) == 0, "%s", said);
    ck_assert_msg(strstr(said, "[0]: \t21334") && strstr(said, "[2]: \t1"), "%s", said);
    snprintf(command, sizeof command, "%s -t 4 -r 1 %s/line -- 9 2>&1", line, s.dir);
    ck_assert_msg(run(command, said, sizeof said) == 0, "%s", said);
    snprintf(command, sizeof command, "%s -t 4 -r 1 %s/line 2>&1", line, s.dir);
    ck_assert_msg(run(command, said, sizeof said) == 0 && strstr(said, "[1]: \t9"), "%s", said);
    snprintf(command, sizeof command, "%s -t 4 -r 300 %s/line 2>&1", line, s.dir);
    run(command, said, sizeof said);
    ck_assert_msg(strstr(said, "Illegal data address"), "%s", said);
    stop(&s);
}
END_TEST

START_TEST(pymodbus_over_tcp_and_serial)
{
    struct served s;
    char command[400], said[4000];
    start(&s);
    snprintf(command, sizeof command, "/usr/bin/python3 %s/tests/unit/virtual/pymodbus_client.py %d %s/line 2>&1",
             SOURCE_DIR, s.rack, s.dir);
    ck_assert_msg(run(command, said, sizeof said) == 0, "%s", said);
    stop(&s);
}
END_TEST

/* Bytes from a terminal until `want` has been seen, within two seconds. */
static bool hear(int fd, const char *want, char *heard, size_t cap)
{
    size_t n = 0;
    struct pollfd p = {.fd = fd, .events = POLLIN};
    while (n < cap - 1 && poll(&p, 1, 2000) > 0) {
        ssize_t got = read(fd, heard + n, cap - 1 - n);
        if (got <= 0)
            break;
        n += (size_t)got;
        heard[n] = '\0';
        if (strstr(heard, want))
            return true;
    }
    return false;
}

START_TEST(text_devices_talk)
{
    struct served s;
    char heard[4000] = "", command[300];
    start(&s);
    int fd = open(s.thermo, O_RDWR | O_NOCTTY);
    ck_assert_int_ge(fd, 0);
    ck_assert_msg(hear(fd, "T1=22.0;T2=22", heard, sizeof heard), "%s", heard);
    close(fd);
    snprintf(command, sizeof command, "printf '*IDN?\\nMEAS:VOLT:DC?\\n' | timeout 2 socat -t1 - TCP:127.0.0.1:%d",
             s.dmm);
    run(command, heard, sizeof heard);
    ck_assert_msg(strstr(heard, "VIRTUAL MULTIMETER") && strstr(heard, "+0.00000000E+00"), "%s", heard);
    stop(&s);
}
END_TEST

START_TEST(wrong_use_and_bad_scenarios_are_told)
{
    char said[2000];
    ck_assert_int_eq(run(VB_PROGRAM " 2>&1", said, sizeof said), 2);
    ck_assert_ptr_nonnull(strstr(said, "usage:"));
    ck_assert_int_eq(run(VB_PROGRAM " /nonexistent.yaml 2>&1", said, sizeof said), 1);
    ck_assert_ptr_nonnull(strstr(said, "No such file"));
    ck_assert_int_eq(run(VB_PROGRAM " x.yaml --rate -1 2>&1", said, sizeof said), 2);
}
END_TEST

int main(void)
{
    if (system("command -v mbpoll socat >/dev/null && /usr/bin/python3 -c 'import pymodbus, serial' 2>/dev/null") !=
        0) {
        fputs("skipped: needs mbpoll, socat, python3-pymodbus and python3-serial\n", stderr);
        return 77; /* told to ctest as skipped */
    }
    Suite *s = suite_create("virtual bench: program");
    TCase *t = tcase_create("program");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, mbpoll_reads_and_writes);
    tcase_add_test(t, mbpoll_over_a_serial_line);
    tcase_add_test(t, pymodbus_over_tcp_and_serial);
    tcase_add_test(t, text_devices_talk);
    tcase_add_test(t, wrong_use_and_bad_scenarios_are_told);
    suite_add_tcase(s, t);
    return suite_run(s);
}
