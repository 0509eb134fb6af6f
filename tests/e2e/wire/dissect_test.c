/* What the daemon and the virtual bench say to each other over Modbus TCP, taken apart by a dissector that nobody here
 * wrote (tshark, which follows the Modbus application protocol V1.1b3 and Messaging on TCP/IP V1.0b): no frame is
 * malformed, and each answer finds its question. Needs the right to capture on the loopback; skipped aloud without. */
#include <check.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "error.h"
#include "suite_run.h"
#include "tcp_bench.h"

static const char tshark[] = "/usr/bin/tshark";

static bool may_capture(void)
{
    return access(tshark, X_OK) == 0 &&
           system("/usr/bin/tshark -i lo -a duration:1 -q -w /dev/null >/dev/null 2>&1") == 0;
}

static pid_t capture(const char *file, const char *filter)
{
    pid_t pid = fork();
    ck_assert_int_ge(pid, 0);
    if (pid == 0) {
        execl(tshark, tshark, "-i", "lo", "-f", filter, "-q", "-a", "duration:60", "-w", file, (char *)NULL);
        _exit(127);
    }
    return pid;
}

/* The number of frames that a display filter leaves. */
static int frames(const char *file, const char *ports, const char *filter)
{
    char *output = NULL;
    int count = 0;
    const char *ask[] = {tshark, "-r", file, "-o", ports, "-Y", filter, "-T", "fields", "-e", "frame.number", NULL};
    ck_assert_int_eq(tcp_bench_run(ask, 60, &output), 0);
    for (const char *at = output; *at != '\0'; at++) {
        bool digits = *at >= '0' && *at <= '9';
        count += digits && (at[1] == '\n' || at[1] == '\0');
    }
    free(output);
    return count;
}

START_TEST(no_frame_is_malformed)
{
    struct tcp_bench *b = tcp_bench_new(60, NULL, NULL);
    char file[PATH_CAP + 16], filter[80], ports[100];
    text_format(file, sizeof file, "%s/wire.pcapng", b->folder);
    text_format(filter, sizeof filter, "tcp port %d or tcp port %d", b->rack_port, b->meters_port);
    text_format(ports, sizeof ports, "mbtcp.tcp.port:%d,%d", b->rack_port, b->meters_port);
    pid_t pid = capture(file, filter);
    for (int i = 0; i < 200 && access(file, R_OK) != 0; i++)
        tcp_bench_pause(0.05);
    tcp_bench_pause(0.5); /* the file is there a moment before the first frame is taken */
    tcp_bench_start_daemon(b);
    tcp_bench_pause(5);
    ck_assert_int_eq(tcp_bench_stop_daemon(b), 0);
    int status;
    ck_assert(kill(pid, SIGINT) == 0 && waitpid(pid, &status, 0) == pid);
    int all = frames(file, ports, "mbtcp"), answers = frames(file, ports, "modbus.request_frame");
    printf("%d frames, %d answers that found their question\n", all, answers);
    ck_assert_int_gt(all, 50);
    ck_assert_int_ge(answers, all / 2 - 4); /* but what the stop cut off */
    ck_assert_int_eq(
        frames(file, ports,
               "_ws.malformed || mbtcp.cannot_classify || mbtcp.prot_id != 0 || _ws.expert.group == 0x07000000"),
        0);
    unlink(file);
    tcp_bench_free(b);
}
END_TEST

int main(void)
{
    if (!may_capture()) {
        fputs("skipped: needs tshark and the right to capture on the loopback\n", stderr);
        return 77;
    }
    Suite *suite = suite_create("wire");
    TCase *t = tcase_create("wire");
    tcase_set_timeout(t, 110);
    tcase_add_test(t, no_frame_is_malformed);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
