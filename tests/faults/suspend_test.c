/* A computer that slept, through the real daemon: the clock that counts sleep runs ahead (sleep_shim.c), which is all
 * that a program can see of it. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "error.h"
#include "suite_run.h"
#include "tcp_bench.h"

enum { RATE = 10 };

static void sleep_so_far(const char *path, int seconds)
{
    char next[PATH_CAP + 8];
    text_format(next, sizeof next, "%.240s.next", path);
    FILE *f = fopen(next, "w");
    ck_assert_ptr_nonnull(f);
    fprintf(f, "%d\n", seconds);
    fclose(f);
    ck_assert_int_eq(rename(next, path), 0);
}

static void wait_log(struct tcp_bench *b, const char *text)
{
    double end_s = tcp_bench_now_s() + 20;
    for (bool found = false; !found;) {
        char *log = tcp_bench_file(b->log);
        found = strstr(log, text) != NULL;
        ck_assert_msg(found || tcp_bench_now_s() < end_s, "\"%s\" never came into the log: %s", text, log);
        free(log);
        tcp_bench_pause(0.05);
    }
}

static void start_refused(struct tcp_bench *b, const char *words, const char *because)
{
    char *output = NULL;
    int status = tcp_bench_client(b, words, &output);
    ck_assert_msg(status != 0 && strstr(output, because) != NULL, "%d: %s", status, output);
    free(output);
}

START_TEST(it_opens_tells_how_long_and_waits_for_a_person)
{
    static const char start_b[] = "run start B --unit HQ-0152 --point 1 --procedure proof --start cold --who Ines "
                                  "--confirm-setup --control-at-maximum --accept time-to-open";
    char isolators[512], slept[PATH_CAP];
    struct tcp_bench *b = tcp_bench_new(RATE, NULL, tcp_bench_isolators(isolators, 60));
    text_format(slept, sizeof slept, "%.240s/slept", b->folder);
    sleep_so_far(slept, 3600); /* before the daemon began: no concern of this session */
    ck_assert_int_eq(setenv("SOAKBENCH_TEST_SLEPT", slept, 1), 0);
    ck_assert_int_eq(setenv("LD_PRELOAD", SLEEP_SHIM_PATH, 1), 0);
    tcp_bench_start_daemon(b);
    unsetenv("LD_PRELOAD");
    tcp_bench_prepare(b);
    tcp_bench_do(b, "run start A --unit HQ-0147 --point 1 --procedure proof --cycles 2 --start cold --who Ines "
                    "--confirm-setup --control-at-maximum --accept time-to-open");
    ck_assert(tcp_bench_wait_closed(b, 0, true, 20));
    tcp_bench_log(b, "suspended", false);
    sleep_so_far(slept, 3600 + 7200);
    ck_assert(tcp_bench_wait_closed(b, 0, false, 20));
    wait_log(b, "suspended for 7200");
    tcp_bench_wait_text(b, "status --json", "\"state\": \"locked\"", 20);
    tcp_bench_wait_text(b, "run show 1", "undecided", 20);
    start_refused(b, start_b, "interruption: ");
    tcp_bench_do(b, "continue B --who Ines --reason looked-at-it");
    start_refused(b, start_b, "clock: the record's time is -720");
    /* The next sleep is told by its own length, and not by all sleep there was. */
    sleep_so_far(slept, 3600 + 7200 + 600);
    wait_log(b, "suspended for 600");
    ck_assert_int_eq(tcp_bench_closed(b, 0), 0);
    ck_assert_int_eq(tcp_bench_stop_daemon(b), 0);
    /* A new session gives the right time of day again. */
    ck_assert_int_eq(setenv("LD_PRELOAD", SLEEP_SHIM_PATH, 1), 0);
    tcp_bench_start_daemon(b);
    unsetenv("LD_PRELOAD");
    tcp_bench_wait_text(b, "status --json", "\"state\": \"locked\"", 20); /* still for a person to reset */
    ck_assert_int_eq(tcp_bench_stop_daemon(b), 0);
    tcp_bench_free(b);
}
END_TEST

int main(void)
{
#ifdef __SANITIZE_ADDRESS__
    printf("skipped: the sanitizer's library has to be the first that is loaded\n");
    return 77;
#endif
    Suite *suite = suite_create("suspend");
    TCase *t = tcase_create("suspend");
    tcase_set_timeout(t, 110);
    tcase_add_test(t, it_opens_tells_how_long_and_waits_for_a_person);
    suite_add_tcase(suite, t);
    return suite_run(suite);
}
