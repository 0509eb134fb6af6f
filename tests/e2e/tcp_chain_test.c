/* The main job as three programs over TCP on the loopback, in scaled time: virtual bench, daemon, client. Scaled time
 * adds the computer's own unrest, times the rate; tolerances here are wide for that reason, and what is subtle is
 * tested in process. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "suite_run.h"
#include "tcp_bench.h"

enum { RATE = 60 };

static const char start_a[] =
    "run start A --unit HQ-0147 --point 1 --procedure proof --cycles 2 --start cold --who Ines --confirm-setup "
    "--control-at-maximum --accept time-to-open";
static const char start_b[] =
    "run start B --unit HQ-0152 --point 1 --procedure soak --soak 2h --start cold --who Ines --confirm-setup "
    "--control-at-maximum --accept time-to-open";

/* Nothing in the daemon's log may be a complaint. */
static void check_log(struct tcp_bench *b)
{
    static const char *const complaints[] = {"lost",   "overdue",   "not seen open", "did not confirm",
                                             "failed", "not moved", "dropped"};
    for (size_t i = 0; i < sizeof complaints / sizeof complaints[0]; i++)
        tcp_bench_log(b, complaints[i], false);
}

START_TEST(two_units_side_by_side)
{
    char isolators[512], *output = NULL;
    struct tcp_bench *b = tcp_bench_new(RATE, NULL, tcp_bench_isolators(isolators, 300));
    /* At this rate a computer that is busy elsewhere for 150 ms would let a lease of 8 s run out, and the load would
     * open, as it should. That is tested elsewhere; here the night shall pass. */
    tcp_bench_edit(b, "lease: 8 s", "lease: 25 s");
    tcp_bench_edit(b, "watchdog_time: 10 s", "watchdog_time: 30 s");
    tcp_bench_edit(b, "safety: 10 s", "safety: 30 s");
    tcp_bench_start_daemon(b);
    tcp_bench_prepare(b);
    tcp_bench_do(b, start_a);
    tcp_bench_do(b, start_b);
    ck_assert(tcp_bench_wait_closed(b, 0, true, 10));
    ck_assert(tcp_bench_wait_closed(b, 1, true, 10));
    /* Unit A holds two cycles from cold; from cold that is the most that it can earn. */
    int status = tcp_bench_client(b, "run watch A", &output);
    ck_assert_msg(status == 0 && strstr(output, "held"), "exit %d: %s", status, output);
    free(output);
    /* Unit B is cut out in its third cycle, well before its rated 210 s. */
    status = tcp_bench_client(b, "run watch B", &output);
    ck_assert_msg(status == 3, "exit %d: %s", status, output);
    ck_assert_ptr_nonnull(strstr(output, "thermal-cutout"));
    free(output);
    /* Both are judged again from the record, beside the daemon that goes on writing it. */
    tcp_bench_do(b, "replay 1");
    tcp_bench_client(b, "replay 2", &output);
    ck_assert_msg(strstr(output, "iffer") == NULL || strstr(output, "no differ"), "%s", output);
    free(output);
    ck_assert_int_eq(tcp_bench_stop_daemon(b), 0);
    ck_assert_int_eq(tcp_bench_closed(b, 0), 0);
    ck_assert_int_eq(tcp_bench_closed(b, 1), 0);
    const char *check[] = {SOAKBENCH_PATH, "journal", "check", "--journal", b->journal, NULL};
    ck_assert_msg(tcp_bench_run(check, 60, &output) == 0, "%s", output);
    free(output);
    check_log(b);
    tcp_bench_free(b);
}
END_TEST

START_TEST(a_second_daemon_says_why_it_cannot_start)
{
    char *output = NULL, holder[32];
    struct tcp_bench *b = tcp_bench_new(RATE, NULL, NULL);
    tcp_bench_start_daemon(b);
    const char *again[] = {SOAKBENCHD_PATH, "--config", b->config, NULL};
    int status = tcp_bench_run(again, 20, &output);
    ck_assert_int_eq(status, 1);
    snprintf(holder, sizeof holder, "%d", (int)b->daemon);
    ck_assert_msg(strstr(output, holder) != NULL, "%s", output);
    free(output);
    tcp_bench_do(b, "status"); /* and the first one is not disturbed */
    tcp_bench_free(b);
}
END_TEST

START_TEST(wrong_use_and_wrong_files_are_told)
{
    char *output = NULL, path[] = "/tmp/soakbench-bad-XXXXXX";
    const char *none[] = {SOAKBENCHD_PATH, NULL};
    ck_assert_int_eq(tcp_bench_run(none, 10, &output), 2);
    free(output);
    const char *missing[] = {SOAKBENCHD_PATH, "--config", "/nonexistent/bench.yaml", NULL};
    ck_assert_int_eq(tcp_bench_run(missing, 10, &output), 1);
    ck_assert_ptr_nonnull(strstr(output, "/nonexistent/bench.yaml"));
    free(output);
    int fd = mkstemp(path);
    ck_assert_int_ge(fd, 0);
    ck_assert_int_gt(dprintf(fd, "bench: x\nclock: {rate: -3}\njurnal: {}\n"), 0);
    close(fd);
    const char *bad[] = {SOAKBENCHD_PATH, "--config", path, NULL};
    ck_assert_int_eq(tcp_bench_run(bad, 10, &output), 1);
    ck_assert_ptr_nonnull(strstr(output, ":2:")); /* every error at once, each with its line */
    ck_assert_ptr_nonnull(strstr(output, ":3:"));
    free(output);
    unlink(path);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("tcp chain");
    TCase *t = tcase_create("tcp chain");
    tcase_set_timeout(t, 110);
    tcase_add_test(t, two_units_side_by_side);
    tcase_add_test(t, a_second_daemon_says_why_it_cannot_start);
    tcase_add_test(t, wrong_use_and_wrong_files_are_told);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
